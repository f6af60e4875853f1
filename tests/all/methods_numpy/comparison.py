"""Findings from the values in tests.csv and the standard uncertainties of their budgets (METHODS.md §6)."""

import math

import numpy as np
from distributions import chi2_tail, f_tail, mean, t_quantile, t_tail

THRESHOLD, CONFIDENCE, FDR, MAX_TRIALS, SEM_PERCENT = 15.0, 0.95, 0.05, 5, 14.5
LEVELS = [f"C{i}" for i in range(2, 8)] + [f"T{i}" for i in range(1, 13)] + [f"L{i}" for i in range(1, 6)]
LEVELS += ["sacral_base", "SI"]
STIFFNESS = ["end_feel_n_per_mm", "fitted_end_feel_n_per_mm", "window_n_per_mm"]
SHOWN = ["peak_n", "onset_travel_mm", "loss_ratio"]
KEY = ("subject", "examiner", "session", "posture", "contact", "level", "line_of_drive_deg")


def percent(d):
    return 200 * math.tanh(d / 2)


class Side:
    """Trials of one side on the scale of comparison (§6.2, §6.3)."""

    def __init__(self, tests, measure, log):
        self.y, variances = [], []
        for t in tests:
            if not t[measure] or (log and float(t[measure]) <= 0):
                continue
            v = float(t[measure])
            self.y.append(math.log(v) if log else v)
            # The table has U95 alone: u comes from the budget that was rebuilt with the test.
            u = t["u"].get(measure)
            if u:
                variances.append((u / v if log else u) ** 2)
        self.measured = sum(variances) / len(variances) if variances else 0.0
        self.n = len(self.y)
        self.mean = mean(self.y) if self.y else None
        self.squares = sum((v - self.mean) ** 2 for v in self.y) if self.n > 1 else 0.0


def spread(levels, measure, log):
    """§6.4: variance and degrees of freedom for each level, where the spread comes from, and the rule of each level."""
    shared, source, rule = shared_spread(levels, measure, log)
    if source != "trials":
        return shared, source, [rule] * len(levels)
    df = [sum(s.n - 1 for s in sides if s.n > 1) for sides in levels]
    own = [sum(s.squares for s in sides) / d if d else 0.0 for sides, d in zip(levels, df)]
    out = standing_out(own, df)
    rules = [rule] * len(levels)
    for i, (v, d) in enumerate(shared):
        if own[i] > v:
            shared[i], rules[i] = ((own[i], df[i]), "own") if out[i] else ((own[i], d), "raised")
    return shared, source, rules


def standing_out(own, df):
    """§6.4: levels that spread more than the others by more than chance."""
    out = [False] * len(own)
    for _ in range(3):
        before = list(out)
        for i in range(len(own)):
            others = [j for j in range(len(own)) if j != i and not before[j] and df[j]]
            if before[i] or not df[i] or not others:
                continue
            nu = sum(df[j] for j in others)
            rest = sum(own[j] * df[j] for j in others) / nu
            out[i] = rest > 0 and f_tail(own[i] / rest, df[i], nu) < 0.03
    return out


def shared_spread(levels, measure, log):
    """§6.4, before a level's own is looked at."""
    df = [sum(s.n - 1 for s in sides if s.n > 1) for sides in levels]
    squares = [sum(s.squares for s in sides) for sides in levels]
    within = [(q / d, d) for q, d in zip(squares, df) if d > 0]
    if within and sum(squares) > 0:
        nu = sum(d for _, d in within)
        pooled = sum(q for q in squares) / nu
        floor = 1e-5 * float(np.median([v for v, _ in within]))
        if len(within) > 1 and floor > 0:
            raised = [(max(v, floor), d) for v, d in within]
            all_v = sum(v * d for v, d in raised) / nu
            t = nu * math.log(all_v) - sum(d * math.log(v) for v, d in raised)
            t /= 1 + (sum(1 / d for _, d in raised) - 1 / nu) / (3 * (len(raised) - 1))
            if chi2_tail(t, len(raised) - 1) < 0.01:
                own = moderated(raised, [(q / d if d else 0.0, d) for q, d in zip(squares, df)])
                if own:
                    return [(v, min(d, nu)) for v, d in own], "trials", "moderated"
                return [(all_v, nu)] * len(levels), "trials", "pooled"
        return [(pooled, nu)] * len(levels), "trials", "pooled"
    if measure in STIFFNESS:
        return [((SEM_PERCENT / 100) ** 2, math.inf)] * len(levels), "published", "given"
    return None, None, None


def moderated(raised, levels):
    """§6.4, Smyth 2004; nothing where the levels leave nothing for the prior."""
    e = [math.log(v) - digamma(d / 2) + math.log(d / 2) for v, d in raised]
    left = float(np.var(e, ddof=1)) - mean([trigamma(d / 2) for _, d in raised])
    if left <= 0:
        return None
    low, high = 1e-6, 1e6
    for _ in range(200):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if trigamma(middle) > left else (low, middle)
    half = math.sqrt(low * high)
    d0, v0 = 2 * half, math.exp(mean(e) + digamma(half) - math.log(half))
    return [((d0 * v0 + d * v) / (d0 + d), d0 + d) for v, d in levels]


def digamma(x):
    total = 0.0
    while x < 20:
        total, x = total - 1 / x, x + 1
    r = 1 / (x * x)
    return total + math.log(x) - 0.5 / x - r * (1 / 12 - r * (1 / 120 - r * (1 / 252 - r / 240)))


def trigamma(x):
    total = 0.0
    while x < 20:
        total, x = total + 1 / (x * x), x + 1
    r = 1 / (x * x)
    return total + 1 / x + r / 2 + r / x * (1 / 6 - r * (1 / 30 - r * (1 / 42 - r / 30)))


class Contrast:
    """§6.5 to §6.8. `sides` are weight, variance of a trial and side; `parts` weight, variance and trials."""

    def __init__(self, d, sides, df, one_sided=False):
        self.raised = any(s.measured > v for _, v, s in sides)
        self.d, self.df, self.one_sided = d, df, one_sided
        self.parts = [(w, max(v, s.measured), s.n) for w, v, s in sides]

    def with_trials(self, n):
        then = Contrast(self.d, [], self.df, self.one_sided)
        then.parts = [(w, v, max(n, k)) for w, v, k in self.parts]
        then.df += sum(p[2] for p in then.parts) - sum(p[2] for p in self.parts)
        return then

    @property
    def se(self):
        return math.sqrt(sum(w * w * v / n for w, v, n in self.parts))

    def beyond(self, margin):
        if self.one_sided:
            return t_tail((self.d - margin) / self.se, self.df)
        both = [t_tail((abs(self.d) + sign * margin) / self.se, self.df) for sign in (-1, 1)]
        return min(1.0, sum(both))

    def word(self, adjusted, margin):
        alike = max(t_tail((margin + sign * self.d) / self.se, self.df) for sign in (-1, 1))
        even = 1.96 * self.se <= margin and alike <= 1 - CONFIDENCE
        if adjusted <= FDR:
            return "stiffer_than_neighbours" if self.one_sided else "right" if self.d > 0 else "left"
        return ("like_neighbours" if self.one_sided else "even") if even else "undecided"


def benjamini_hochberg(p):
    order, out, least = sorted(range(len(p)), key=lambda i: p[i]), [1.0] * len(p), 1.0
    for k in range(len(p) - 1, -1, -1):
        least = min(least, len(p) * p[order[k]] / (k + 1))
        out[order[k]] = least
    return out


def decide(contrasts):
    margin = 2 * math.atanh(THRESHOLD / 200)
    p = [c.beyond(margin) for c in contrasts]
    adjusted, out = benjamini_hochberg(p), []
    for i, c in enumerate(contrasts):
        word, trials = c.word(adjusted[i], margin), ""
        if word == "undecided":
            trials = "not decidable in one session"
            for n in range(min(part[2] for part in c.parts) + 1, MAX_TRIALS + 1):
                then = c.with_trials(n)
                q = p[:i] + [then.beyond(margin)] + p[i + 1 :]
                if then.word(benjamini_hochberg(q)[i], margin) != "undecided":
                    trials = str(n)
                    break
        out.append((word, trials, p[i], adjusted[i]))
    return out


def findings(tests):
    """Rows of findings.csv as dictionaries, keyed by comparison, contact, level and measure."""
    rows = {}
    groups = {}
    for t in tests:
        if not (t["level"] and t["side"]):
            continue
        key = tuple(t[c] for c in KEY)
        groups.setdefault(key, {}).setdefault(t["side"], []).append(t)
    for sides in groups.values():
        for trials in sides.values():
            trials.sort(key=lambda t: (int(t["trial"]), t["recording"], int(t["test"])))
    for scan in sorted({k[:4] for k in groups}):
        own = {k: g for k, g in groups.items() if k[:4] == scan}
        for measure in STIFFNESS + SHOWN:
            left_right(own, measure, rows)
        for contact in sorted({k[4] for k, g in own.items() if "midline" in g}):
            steps = {k: g["midline"] for k, g in own.items() if k[4] == contact and "midline" in g}
            for measure in STIFFNESS:
                neighbours(steps, measure, rows)
    return rows


def put(rows, kind, key, measure, contrast, left, right, n, known, i, log):
    half = t_quantile(0.5 + CONFIDENCE / 2, contrast.df) * contrast.se if contrast.parts else None
    row = rows[(kind, key, measure)] = {"left": left, "right": right, "left_trials": n[0], "right_trials": n[1]}
    if log:
        row["asymmetry_percent"] = percent(contrast.d)
    if half is not None:
        row["spread_source"], row["variance_rule"] = known[1], known[2][i]
        row["raised_to_measurement"] = str(contrast.raised).upper()
        row["standard_error"] = contrast.se
        row["degrees_of_freedom"] = contrast.df if math.isfinite(contrast.df) else None
        ends = [contrast.d - half, contrast.d + half]
        if log:
            row["low_percent"], row["high_percent"] = map(percent, ends)
        else:
            row["difference"], row["difference_low"], row["difference_high"] = contrast.d, *ends
    return row


def words(contrasts, made):
    for (word, trials, p, adjusted), c, row in zip(decide(contrasts), contrasts, made):
        row.update(p_value=p, p_adjusted=adjusted)
        row.update(side_of_resistance=word, trials_to_decide=trials, mdc_percent=percent(1.96 * c.se))
        row["threshold_percent"] = THRESHOLD


def left_right(groups, measure, rows):
    log = measure not in ("onset_travel_mm", "loss_ratio")
    keys = [k for k, g in sorted(groups.items()) if g.get("left") or g.get("right")]
    levels = [[Side(groups[k].get(side, []), measure, log) for side in ("left", "right")] for k in keys]
    found = spread(levels, measure, log)
    known = found[0]
    contrasts, made = [], []
    for i, (key, (left, right)) in enumerate(zip(keys, levels)):
        if not (left.n and right.n):
            continue
        parts, df = [], math.inf
        if known:
            (v, df) = known[i]
            parts = [(-1, v, left), (1, v, right)]
        c = Contrast(right.mean - left.mean, parts, df)
        back = math.exp if log else float
        contrasts.append(c)
        n = (left.n, right.n)
        made.append(put(rows, "left_right", key, measure, c, back(left.mean), back(right.mean), n, found, i, log))
    if known and measure in STIFFNESS:
        words(contrasts, made)


def neighbours(steps, measure, rows):
    """§6.9."""
    keys = sorted((k for k in steps if Side(steps[k], measure, True).n), key=lambda k: LEVELS.index(k[5]))
    sides, rank = [Side(steps[k], measure, True) for k in keys], [LEVELS.index(k[5]) for k in keys]
    shared, source, rule = shared_spread([[s] for s in sides], measure, True)
    found = shared, source, [rule] * len(sides)
    known = found[0]
    contrasts, made = [], []
    for i, key in enumerate(keys):
        window = lambda j: measure != "window_n_per_mm" or steps[keys[j]][0]["window"] == steps[key][0]["window"]
        fits = lambda j: 0 < abs(rank[j] - rank[i]) <= 6 and window(j)
        near = [j for j in range(i - 1, -1, -1) if fits(j)][:2] + [j for j in range(i + 1, len(keys)) if fits(j)][:2]
        if len(near) < 2:
            continue
        near.sort(key=lambda j: sides[j].mean)
        half = len(near) // 2
        middle = [(near[half], 1.0)] if len(near) % 2 else [(near[half - 1], 0.5), (near[half], 0.5)]
        median = sum(w * sides[j].mean for j, w in middle)
        parts = [(w, known[j][0], sides[j]) for j, w in [(i, 1.0)] + middle]
        df = min(known[j][1] for j, _ in [(i, 1.0)] + middle)
        c = Contrast(sides[i].mean - median, parts, df, one_sided=True)
        n = (sum(sides[j].n for j in near), sides[i].n)
        contrasts.append(c)
        made.append(put(rows, "neighbours", key, measure, c, math.exp(median), math.exp(sides[i].mean), n, found, i, True))
    words(contrasts, made)
