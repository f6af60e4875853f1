"""Means and distributions (METHODS.md §12.1, §12.2), by the incomplete beta function and bisection."""

import math
from statistics import NormalDist


def rnd(v):
    return math.floor(v + 0.5)


def mean(v):
    m = sum(v) / len(v)
    return m + sum(x - m for x in v) / len(v)


def beta_fraction(a, b, x):
    tiny, c, d = 1e-300, 1.0, 1.0 - (a + b) * x / (a + 1.0)
    d = 1.0 / (d if abs(d) > tiny else tiny)
    h = d
    for m in range(1, 500):
        for num in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 + num * d
            d = 1.0 / (d if abs(d) > tiny else tiny)
            c = 1.0 + num / c
            c = c if abs(c) > tiny else tiny
            h *= d * c
        if abs(d * c - 1.0) < 1e-15:
            break
    return h


def beta_inc(a, b, x):
    if x <= 0.0 or x >= 1.0:
        return 0.0 if x <= 0.0 else 1.0
    log = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    if x < (a + 1.0) / (a + b + 2.0):
        return math.exp(log) * beta_fraction(a, b, x) / a
    return 1.0 - math.exp(log) * beta_fraction(b, a, 1.0 - x) / b


def t_tail(t, df):
    """P(T > t)."""
    if df > 1e6:
        return NormalDist().cdf(-t)
    half = 0.5 * beta_inc(0.5 * df, 0.5, df / (df + t * t))
    return half if t >= 0 else 1.0 - half


def f_tail(f, df1, df2):
    return beta_inc(0.5 * df2, 0.5 * df1, df2 / (df2 + df1 * f)) if f > 0 else 1.0


def t_quantile(p, df):
    z = NormalDist().inv_cdf(p)
    if df == math.inf:
        return z
    if df > 1000.0:
        s = z * z
        g = (
            (s + 1) / 4,
            ((5 * s + 16) * s + 3) / 96,
            (((3 * s + 19) * s + 17) * s - 15) / 384,
            ((((79 * s + 776) * s + 1482) * s - 1920) * s - 945) / 92160,
        )
        return z * (1 + sum(v / df ** (k + 1) for k, v in enumerate(g)))
    low, high = 0.0, 1e4
    for _ in range(200):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if t_tail(middle, df) > 1.0 - p else (low, middle)
    return 0.5 * (low + high)


def chi2_tail(x, df):
    """P(χ² > x) by the series of the lower incomplete gamma function."""
    a, x = 0.5 * df, 0.5 * x
    if x <= 0:
        return 1.0
    term = total = 1.0 / a
    k = a
    while abs(term) > 1e-17 * abs(total):
        k += 1.0
        term *= x / k
        total += term
    return max(0.0, 1.0 - total * math.exp(a * math.log(x) - x - math.lgamma(a)))


def chi_square_cdf(x, df):
    """By the series of the lower incomplete gamma function (DLMF 8.11.4)."""
    a, x = df / 2, x / 2
    if x > a + 200 + 20 * math.sqrt(a):
        return 1.0
    term = total = 1 / a
    k = a
    while term > total * 1e-17:
        k += 1
        term *= x / k
        total += term
    return min(1.0, total * math.exp(-x + a * math.log(x) - math.lgamma(a))) if x > 0 else 0.0
