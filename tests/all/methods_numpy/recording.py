"""One recording of one side: conditioned, its contacts found, its force zero taken off (METHODS.md §1.9)."""

import math

import numpy as np
from conditioning import LOW_PASS_HZ, LowPass, on_grid, read, time_base, white_noise, without_spikes
from detector import detect
from distributions import chi_square_cdf, rnd


# What a low pass leaves of noise, by cut-off and rate.
NOISE = {}


def resolution(y):
    """§1.11; differences of decimal fractions carry rounding, below which they are zero."""
    d = np.abs(np.diff(y))
    d = d[d > 1e-11 * np.maximum.accumulate(np.abs(y[1:]))]
    return float(d.min()) if len(d) else 0.0


def longest_rest(x, begin, end, limit):
    """§1.11: the longest run near the 20 % point, the first of equals."""
    rest = np.sort(x[begin:end])[(end - begin) // 5] if end > begin else 0.0
    longest, start = (begin, begin), begin
    for i in range(begin, end):
        if abs(x[i] - rest) > limit:
            start = i + 1
        elif i + 1 - start > longest[1] - longest[0]:
            longest = (start, i + 1)
    return longest


class Recording:
    """One recording of one side through §1 and §2.1 to §2.3."""

    def __init__(self, path):
        t, force, x = read(path)
        self.t0, self.h, n, uniform = time_base(t)
        fs = self.fs = 1 / self.h
        raw = {}
        for name, y in (("f", force), ("x", x)):
            y, filled = on_grid(t, y, self.t0, self.h, n, uniform)
            sd = white_noise(y, filled)
            raw[name] = (without_spikes(y, fs, sd, filled), sd * math.sqrt(1 + 1.5 * min(filled.mean(), 0.3)), y)
        self.low_pass = LowPass(min(LOW_PASS_HZ, 0.4 * fs), fs)
        if (self.low_pass.fc, fs) not in NOISE:
            NOISE[self.low_pass.fc, fs] = self.low_pass.noise()
        self.noise = NOISE[self.low_pass.fc, fs]
        self.white_f, self.white_x = raw["f"][1], raw["x"][1]
        self.force, self.x = self.low_pass(raw["f"][0]), self.low_pass(raw["x"][0])
        self.df = max(3.0, 0.35 * n)
        found = detect(raw["f"][2], raw["x"][2], fs)
        self.contacts = [c for c in found if (c[1] - c[0]) * self.h >= 0.5 or c[2]]
        touches = [(a, b) for a, b, _ in found]
        self.see_noise({name: y[0] for name, y in raw.items()}, touches)
        self.take_zero(touches)

    def see_noise(self, raw, contacts):
        """§1.11."""
        s = lambda seconds: max(1, rnd(seconds * self.fs))
        n = len(self.force)
        coarse = lambda sd, y: max(sd, step / math.sqrt(12) / self.noise.sample) if sd < 0.5 * (step := resolution(y)) else sd
        self.sf, self.sx = coarse(self.white_f, raw["f"]), coarse(self.white_x, raw["x"])
        limit = 0.05 + 4 * self.sx * self.noise.sample
        clear = []
        for begin, end in zip([0] + [min(b, n) for _, b in contacts], [a for a, _ in contacts] + [n]):
            begin, end = longest_rest(self.x, begin, max(begin, end), limit)
            begin, end = begin + (s(0.2) if begin > 0 else 0), max(0, end - (s(0.45) if end < n else 0))
            if end - begin >= s(0.3):
                clear.append((begin, end))
        self.quick_f, self.quick_x = self.sf, self.sx
        self.sf, df_f = self.beyond_white(self.force, self.sf, clear, s(0.1))
        self.sx, df_x = self.beyond_white(self.x, self.sx, clear, s(0.1))
        self.df = min(self.df, df_f, df_x)

    def beyond_white(self, y, sd, clear, block):
        if sd <= 0 or not clear:
            return sd, math.inf
        parts, found = [y[a:b] for a, b in clear], []
        n, m, sf = sum(map(len, parts)), len(parts), sd * self.noise.sample
        factor = 1 + 2 * max(0.0, float((self.noise.r[1:] / self.noise.r[0]).sum()))
        found.append((sum(((p - p.mean()) ** 2).sum() for p in parts) / (sf**2 * max(1.0, n - m * factor)), self.noise.share * n - m))
        steps = [np.diff(p[: len(p) // block * block].reshape(-1, block).mean(axis=1)) for p in parts]
        d = sum(map(len, steps))
        if d:
            w = np.repeat([-1 / block, 1 / block], block)
            found.append((sum((v**2).sum() for v in steps) / (d * (sd * self.noise.norm(w)) ** 2), d / 1.5))
        found = [(ratio, df) for ratio, df in found if df >= 2 and chi_square_cdf(ratio * df, df) > 0.999]
        ratio, df = max(found, default=(1.0, math.inf))
        return sd * math.sqrt(ratio), max(3.0, df)

    def take_zero(self, contacts):
        """§1.9."""
        s = lambda seconds: max(1, rnd(seconds * self.fs))
        self.nodes, n, least = [], len(self.force), s(0.08)
        for k in range(len(contacts) + 1):
            release = contacts[k - 1][1] if k else None
            touch = contacts[k][0] if k < len(contacts) else None
            begin = 0 if release is None else min(n, release + least)
            end = max(begin, n if touch is None else touch - least)
            spare = max(0, end - begin - s(0.4))
            cut = 0 if touch is None else min(spare, s(0.35) - least)
            end -= cut
            begin += 0 if release is None else min(spare - cut, s(0.15) - least)
            begin, end = self.hand_off(begin, end, s(0.2), s(0.45), s(0.4))
            if end - begin >= s(0.2):
                part = self.force[begin:end]
                at = begin + 0.5 * (len(part) - 1)
                self.nodes.append((at, float(np.median(part)), self.sf * self.noise.median(len(part))))
        if self.nodes:
            at, zero, _ = zip(*self.nodes)
            self.force = self.force - np.interp(np.arange(n), at, zero)

    def hand_off(self, begin, end, after, before, kept):
        """§1.9: without ends at which displacement is away from its rest and force with it."""
        if self.x is None or end <= begin:
            return begin, end
        x = self.x[begin:end]
        near = np.flatnonzero(np.abs(x - np.sort(x)[len(x) // 5]) <= 0.05 + 4 * self.white_x * self.noise.sample)
        first = begin + near[0] + (after if near[0] > 0 else 0)
        last = begin + near[-1] + 1 - (before if near[-1] + 1 < len(x) else 0)
        if last < first + kept:
            return begin, end
        told = lambda a, b: (np.median(self.force[a:b]), self.sf * self.noise.median(b - a))
        zero, u = told(first, last)
        apart = lambda a, b: b > a and abs(told(a, b)[0] - zero) > 4 * math.hypot(told(a, b)[1], u)
        return (first if apart(begin, first) else begin), (last if apart(last, end) else end)

    def zero_around(self, a, b):
        m = 0.5 * (a + b)
        before, after = [z for z in self.nodes if z[0] < m], [z for z in self.nodes if z[0] > m]
        if before and after:
            (ta, za, ua), (tb, zb, ub) = before[-1], after[0]
            s = (m - ta) / (tb - ta)
            return math.hypot((1 - s) * ua, s * ub), (zb - za, math.hypot(ua, ub))
        return (before or after or [(0, 0, 0.0)])[0][2], None
