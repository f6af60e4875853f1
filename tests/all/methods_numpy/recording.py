"""One recording of one side: conditioned, its contacts found, its force zero taken off (METHODS.md §1.9)."""

import math

import numpy as np
from conditioning import LOW_PASS_HZ, LowPass, on_grid, read, time_base, white_noise, without_spikes
from detector import detect
from distributions import rnd


# What a low pass leaves of noise, by cut-off and rate.
NOISE = {}


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
        self.sf, self.sx = raw["f"][1], raw["x"][1]
        self.force, self.x = self.low_pass(raw["f"][0]), self.low_pass(raw["x"][0])
        self.df = max(3.0, 0.35 * n)
        found = detect(raw["f"][2], raw["x"][2], fs)
        self.contacts = [c for c in found if (c[1] - c[0]) * self.h >= 0.5 or c[2]]
        self.take_zero([(a, b) for a, b, _ in found])

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
            if end - begin >= s(0.2):
                part = self.force[begin:end]
                at = begin + 0.5 * (len(part) - 1)
                self.nodes.append((at, float(np.median(part)), self.sf * self.noise.median(len(part))))
        if self.nodes:
            at, zero, _ = zip(*self.nodes)
            self.force = self.force - np.interp(np.arange(n), at, zero)

    def zero_around(self, a, b):
        m = 0.5 * (a + b)
        before, after = [z for z in self.nodes if z[0] < m], [z for z in self.nodes if z[0] > m]
        if before and after:
            (ta, za, ua), (tb, zb, ub) = before[-1], after[0]
            s = (m - ta) / (tb - ta)
            return math.hypot((1 - s) * ua, s * ub), (zb - za, math.hypot(ua, ub))
        return (before or after or [(0, 0, 0.0)])[0][2], None
