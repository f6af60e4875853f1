"""Learning curves by scipy.optimize.curve_fit: parameters, covariance, interval of the curve. Writes learning.json."""
import json
import numpy as np, scipy
from scipy.optimize import curve_fit
from scipy.stats import f as f_law, t as t_law

rng = np.random.default_rng(20260914)
LAWS = {
    "power": lambda n, a, b, c: a + b * n ** -c,
    "exponential": lambda n, a, b, c: a + b * np.exp(-c * n),
}


def fitted(law, n, y, held):
    f = LAWS[law]
    g = (lambda n, b, c: f(n, 0.0, b, c)) if held else f
    best = None
    for c in (0.1, 0.3, 1.0, 3.0):
        start = [np.ptp(y), c] if held else [y.min(), np.ptp(y), c]
        try:
            p, cov = curve_fit(g, n, y, p0=start, maxfev=20000, ftol=1e-15, xtol=1e-15, gtol=1e-15)
        except RuntimeError:
            continue
        rss = float(np.sum((g(n, *p) - y) ** 2))
        if best is None or rss < best[0]:
            best = (rss, p, cov)
    return best


def case(law, truth, n, sd):
    n = np.asarray(n, float)
    y = np.round(LAWS[law](n, *truth) + sd * rng.normal(size=n.size), 4)
    rss, p, cov = fitted(law, n, y, False)
    held = bool(p[0] < 0)
    if held:
        rss, p, cov = fitted(law, n, y, True)
    df = n.size - p.size
    t = t_law.ppf(0.975, df)
    at = float(n.max()) + 1
    a, b, c = (0.0, *p) if held else p
    basis = at ** -c if law == "power" else np.exp(-c * at)
    slope = -np.log(at) * basis if law == "power" else -at * basis
    grad = np.array([basis, b * slope] if held else [1.0, basis, b * slope])
    flat = np.sum((y - y.mean()) ** 2)
    more = p.size - 1
    return {
        "law": law, "n": n.tolist(), "y": y.tolist(), "held_at_zero": held, "abc": [float(a), float(b), float(c)],
        "u95": (t * np.sqrt(np.diag(cov))).tolist(), "rss": rss, "at": at,
        "at_u95": float(t * np.sqrt(grad @ cov @ grad)),
        "falls_p": float(f_law.sf((flat - rss) / more / (rss / df), more, df)),
    }


cases = [
    case("power", (4.0, 16.0, 0.8), range(1, 9), 0.4),
    case("power", (2.0, 10.0, 1.6), range(1, 13), 0.5),
    case("power", (3.0, 20.0, 1.2), range(1, 6), 0.05),
    case("power", (3.0, 12.0, 1.0), np.repeat(np.arange(1, 8), 4), 1.5),
    case("power", (-6.0, 20.0, 0.4), range(1, 11), 0.3),
    case("exponential", (3.0, 20.0, 0.5), range(1, 9), 0.4),
    case("exponential", (1.0, 12.0, 0.2), range(1, 15), 0.4),
    case("exponential", (5.0, 30.0, 1.1), [1, 2, 3, 5, 8, 13], 0.3),
    case("exponential", (-8.0, 22.0, 0.12), range(1, 9), 0.3),
]
with open("learning.json", "w") as out:
    json.dump({"scipy": scipy.__version__, "numpy": np.__version__, "cases": cases}, out, indent=1)
    out.write("\n")
for c in cases:
    print(c["law"], c["abc"], c["u95"], c["held_at_zero"], c["falls_p"])
