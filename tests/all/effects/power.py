"""Power of simple designs, simulated by numpy without the program: each question comes down to a t test of means there.

Reads lines "question subjects trials effect margin subject session place place_at_session trial" (natural logarithms) and
prints the power of each, and for a margin next to nothing that of statsmodels' closed form, where it is installed. Places
are one level, left and right, by one examiner.
"""

import math
import sys

import numpy as np

sys.path.insert(0, sys.argv[1])
from distributions import t_quantile, t_tail

DRAWS = 20_000
rng = np.random.default_rng(20_261_129)


def share(d, se, df, margin, right_only):
    """How often p of the minimum-effect test is 0.05 or less."""
    # p falls as |d| grows: one critical value of |d|/se for each ratio of margin and se, found on a grid.
    ratio = margin / se
    grid = np.linspace(ratio.min(), ratio.max(), 200)
    limits = []
    for r in grid:
        low, high = r, r + 60.0
        for _ in range(60):
            middle = 0.5 * (low + high)
            p = t_tail(middle - r, df) + t_tail(middle + r, df)
            low, high = (middle, high) if p > 0.05 else (low, middle)
        limits.append(high)
    beyond = np.abs(d) / se >= np.interp(ratio, grid, limits)
    return float(np.mean(beyond & (d > 0) if right_only else beyond))


def normal(sd, *shape):
    return sd * rng.standard_normal((DRAWS, *shape))


def power(question, n, trials, effect, margin, subject, session, place, moved, trial):
    if question == "side":
        sides = normal(moved, 2)[:, :, None] + normal(trial, 2, trials)
        means, df = sides.mean(2), 2 * (trials - 1)
        within = ((sides - means[:, :, None]) ** 2).sum((1, 2)) / df
        return share(means[:, 1] - means[:, 0] + effect, np.sqrt(2 * within / trials), df, margin, True), None
    # What a volunteer's mean over two sides in a session differs by, beyond the volunteer's own.
    now = math.sqrt(session**2 + (moved**2 + trial**2 / trials) / 2)
    if question == "group":
        sd, groups = math.sqrt(subject**2 + place**2 + now**2), True
    else:
        sd, groups = math.sqrt(2) * now, question == "group-by-session"
    if groups:
        y = normal(sd, n)
        a, b = y[:, : n // 2], y[:, n // 2 :]
        d, df = b.mean(1) - a.mean(1) + effect, n - 2
        within = (((a - a.mean(1)[:, None]) ** 2).sum(1) + ((b - b.mean(1)[:, None]) ** 2).sum(1)) / df
        se = np.sqrt(within * 4 / n)
    else:
        y = normal(sd, n)
        d, se, df = y.mean(1) + effect, y.std(1, ddof=1) / math.sqrt(n), n - 1
    return share(d, se, df, margin, False), closed(groups, effect / sd, n) if margin < 1e-6 else None


def closed(groups, size, n):
    try:
        from statsmodels.stats.power import TTestIndPower, TTestPower
    except ImportError:
        return None
    if groups:
        return TTestIndPower().power(size, n // 2, 0.05, 1.0, alternative="two-sided")
    return TTestPower().power(size, n, 0.05, alternative="two-sided")


for line in sys.stdin:
    question, *numbers = line.split()
    n, trials = int(numbers[0]), int(numbers[1])
    simulated, by_formula = power(question, n, trials, *map(float, numbers[2:]))
    print(simulated, "-" if by_formula is None else by_formula)
