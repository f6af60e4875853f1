"""Reference for the psychometric curve: logistic regression by statsmodels, profile likelihood by scipy."""
import json, sys
import numpy as np, scipy, statsmodels, statsmodels.api as sm
from scipy.optimize import brentq, minimize, minimize_scalar
from scipy.stats import chi2

rng = np.random.default_rng(20260914)

def share(half, slope, lapse, x):
    z = slope * (x - half) - np.log(1 - 2 * lapse)
    return (1 - lapse) / (1 + np.exp(-z))

def loglik(half, slope, lapse, x, y):
    p = np.clip(share(half, slope, lapse, x), 1e-300, 1 - 1e-16)
    return np.sum(np.where(y, np.log(p), np.log1p(-p)))

def plain(x, y):
    fit = sm.Logit(y, sm.add_constant(x)).fit(disp=0, tol=1e-12)
    a, b = fit.params
    half, top = -a / b, fit.llf
    def profile(h):
        best = minimize_scalar(lambda l: -loglik(h, np.exp(l), 0.0, x, y), bounds=(-12, 4), method="bounded", options={"xatol": 1e-12})
        return -best.fun
    cut = lambda h: profile(h) - (top - chi2.ppf(0.95, 1) / 2)
    low = brentq(cut, half - 4 * np.ptp(x), half)
    high = brentq(cut, half, half + 4 * np.ptp(x))
    return dict(just_detected=half, slope=b, log_likelihood=top, low=low, high=high)

def lapsing(x, y):
    best = None
    for h in np.quantile(x, [0.2, 0.4, 0.6]):
        for l in [0.02, 0.1, 0.2]:
            r = minimize(lambda t: -loglik(t[0], np.exp(t[1]), 0.25 / (1 + np.exp(-t[2])), x, y),
                         [h, np.log(0.3), np.log(l / (0.25 - l))], method="Nelder-Mead",
                         options=dict(xatol=1e-10, fatol=1e-12, maxiter=20000))
            if best is None or r.fun < best.fun:
                best = r
    h, s, l = best.x
    return dict(just_detected=h, slope=np.exp(s), lapse=0.25 / (1 + np.exp(-l)), log_likelihood=-best.fun)

out = {"versions": {"numpy": np.__version__, "scipy": scipy.__version__, "statsmodels": statsmodels.__version__}}
x = np.round(rng.uniform(0, 40, 60), 1)
y = rng.uniform(size=60) < share(14, 0.2, 0.0, x)
out["plain"] = dict(size=x.tolist(), detected=y.tolist(), **plain(x, y))
x = np.round(rng.uniform(0, 60, 240), 1)
y = rng.uniform(size=240) < share(12, 0.6, 0.12, x)
out["lapses"] = dict(size=x.tolist(), detected=y.tolist(), plain_log_likelihood=plain(x, y)["log_likelihood"], **lapsing(x, y))
json.dump(out, open(sys.argv[1], "w"), indent=None)
