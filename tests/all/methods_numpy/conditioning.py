"""A recorded channel to a conditioned signal, and what the low pass leaves of noise (METHODS.md §1.1 to §1.7, §1.10)."""

import csv
import math

import numpy as np
from distributions import rnd

LOW_PASS_HZ = 20.0


def read(path):
    with open(path, newline="", encoding="utf-8") as f:
        rows = list(csv.DictReader(line for line in f if not line.startswith("#")))
    number = lambda s: float(s) if s.strip() else math.nan
    column = lambda name: np.array([number(r[name]) for r in rows])
    return column("time_s"), column("force_n"), column("displacement_mm")


def time_base(t):
    steps = np.diff(t)
    middle = np.sort(steps)[len(steps) // 2]
    h = steps[np.abs(steps - middle) <= 0.2 * middle].mean()
    uniform = bool(np.all(np.abs(steps - h) <= 0.2 * h))
    duration = t[-1] - t[0]
    n = len(t) if uniform else rnd(duration / h) + 1
    return t[0], (duration / (len(t) - 1) if uniform else h), n, uniform


def on_grid(t, y, t0, h, n, uniform):
    ok = np.isfinite(y)
    if uniform and ok.all():
        return y.copy(), np.zeros(n, bool)
    grid = t0 + h * np.arange(n)
    near = np.abs(grid[:, None] - t[ok][None, :]).min(axis=1)
    return np.interp(grid, t[ok], y[ok]), near > 0.3 * h


def white_noise(y, filled=None):
    """§1.5, without the factor for filled samples."""
    d = np.abs(y[3:] - 3 * y[2:-1] + 3 * y[1:-2] - y[:-3])
    if filled is not None and filled.any():
        d = d[~(filled[3:] | filled[2:-1] | filled[1:-2] | filled[:-3])]
    if len(d) < 8:
        return 0.0
    some = d[:: max(1, len(d) // 2048)]
    s = 1.4826 * np.sort(some)[len(some) // 2]
    kept = d[d <= 3.5 * s]
    return math.sqrt(np.mean(kept**2) / 0.993888 / 20) if len(kept) else 0.0


def clean_sample(window, sd):
    """§1.6: what stands in place of the middle of eleven samples or of seven."""
    middle = window[len(window) // 2]
    if len(window) == 11:
        m = np.median(window)
        mad = 1.4826 * np.median(np.abs(window - m))
        return m if abs(middle - m) > 4 * mad and abs(middle - m) > 6 * sd else middle
    off = lambda a, b, c: abs(window[b] - 0.5 * (window[a] + window[c]))
    around = max(off(0, 1, 2), off(4, 5, 6), off(1, 2, 4), off(2, 4, 5))
    here = off(2, 3, 4)
    return 0.5 * (window[2] + window[4]) if here > 6 * math.sqrt(1.5) * sd and here > 4 * around else middle


def without_spikes(y, fs, sd, filled):
    out = y.copy()
    if fs < 200:
        for i in range(3, len(y) - 3):
            if not filled[i]:
                out[i] = clean_sample(y[i - 3 : i + 4], sd)
    elif len(y) >= 11:
        for i in range(len(y)):
            first = min(max(i - 5, 0), len(y) - 11)
            window = y[first : first + 11].copy()
            window[[i - first, 5]] = window[[5, i - first]]
            out[i] = clean_sample(window, sd)
    return out


class LowPass:
    """§1.7 and §1.10."""

    def __init__(self, fc, fs):
        self.fc, self.fs = fc, fs
        k = math.tan(math.pi * fc / fs) / (math.sqrt(2) - 1) ** 0.25
        d = 1 + math.sqrt(2) * k + k * k
        self.b = [k * k / d, 2 * k * k / d, k * k / d]
        self.a = [2 * (k * k - 1) / d, (1 - math.sqrt(2) * k + k * k) / d]

    def one_way(self, y):
        (b0, b1, b2), (a1, a2) = self.b, self.a
        x1 = x2 = y1 = y2 = y[0]
        out = []
        for x in y.tolist():
            v = b0 * x + b1 * x1 + b2 * x2 - a1 * y1 - a2 * y2
            x2, x1, y2, y1 = x1, x, y1, v
            out.append(v)
        return np.array(out)

    def __call__(self, y):
        pad = min(9, len(y) - 1)
        before, after = 2 * y[0] - y[pad:0:-1], 2 * y[-1] - y[-2 : -2 - pad : -1]
        y = self.one_way(np.concatenate([before, y, after]))
        return self.one_way(y[::-1])[::-1][pad : len(y) - pad]

    def noise(self):
        n = 4000
        one = np.zeros(2 * n + 1)
        one[n] = 1.0
        g = self(one)
        most = math.ceil(1.6 / self.fc * self.fs) + 2
        every_lag = [float(np.dot(g[k:], g[: len(g) - k])) for k in range(4 * most)]
        r = every_lag[: most + 1]
        while len(r) > 1 and abs(r[-1]) < 1e-4 * r[0]:
            r.pop()
        return Noise(np.array(r), np.array(every_lag), self)


class Noise:
    """§1.10: what the low pass leaves of white noise of standard deviation 1."""

    def __init__(self, r, every_lag, low_pass):
        self.r, self.every_lag, self.low_pass, rho = r, every_lag, low_pass, r[1:] / r[0]
        self.sample = math.sqrt(r[0])
        self.median_sum = math.pi / 2 + 2 * np.arcsin(np.clip(rho, -1, 1)).sum()
        self.slope = math.sqrt(2 * (r[0] - r[2])) * low_pass.fs / 2
        self.share = 1 / (1 + 2 * (rho**2).sum())

    def norm(self, weights):
        pad = np.zeros(len(self.r))
        return float(np.linalg.norm(self.low_pass(np.concatenate([pad, weights, pad]))))

    def median(self, n):
        return min(self.sample, self.sample * math.sqrt(self.median_sum / n))

    def moving_median(self, sd, y):
        """Standard uncertainty of the median of a stretch that itself moves; takes and gives absolute values."""
        one, plain = sd * self.sample, sd * self.median(len(y))
        if one <= 0:
            return plain
        w = np.exp(-0.5 * ((y - np.median(y)) / (0.4 * one)) ** 2)
        return min(max(sd * self.norm(w / w.sum()), plain), one)
