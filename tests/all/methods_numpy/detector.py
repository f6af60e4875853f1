"""Contacts and spring marks (METHODS.md §2.1 to §2.3)."""

import math

import numpy as np
from conditioning import clean_sample, white_noise
from distributions import rnd

CONTACT_SIGMA, CONTACT_FLOOR_N, CONTACT_HOLD_S = 5.0, 1.0, 0.03
PROMINENCE_MM, SPRING_SIGMA, SPRING_WINDOW_S = 0.5, 6.0, 0.75


def smoothed(y, fs, noises):
    """§2.1: spikes out and three running means; `noises` gives σ for each sample."""
    half = 5 if fs >= 200 else 3
    k = max(0, rnd(0.5 * (0.26 / 12 * fs - 1)))
    m = 2 * k + 1
    ext = np.concatenate([np.full(half, y[0]), y, np.full(half, y[-1])])
    clean = np.array([clean_sample(ext[i : i + 2 * half + 1], noises[i]) for i in range(len(y))])
    out = np.concatenate([np.full(3 * k, clean[0]), clean, np.full(3 * k, clean[-1])])
    for _ in range(3):
        out = np.convolve(out, np.full(m, 1 / m), mode="valid")
    return out, math.sqrt((11 * m**4 + 5 * m**2 + 4) / (20 * m**5))


def noise_as_seen(y, fs):
    """§2.1: σ as it is known at each sample."""
    at, out = max(rnd(0.2 * fs), 64), None
    while True:
        sd = white_noise(y[:at])
        out = np.full(len(y), sd) if out is None else out
        out[at:] = sd
        at *= 2
        if at / fs > 12.8 or at > 4096 or at > len(y):
            return out


def detect(force, x, fs):
    """§2.1 to §2.3: contacts as (begin, end), the end not included, each with its spring marks."""
    nf, nx = noise_as_seen(force, fs), noise_as_seen(x, fs)
    (f, gain), (y, _) = smoothed(force, fs, nf), smoothed(x, fs, nx)
    lower = lambda v: sorted(v)[len(v) // 2]
    first, hold, leave = rnd(0.2 * fs), max(1, rnd(CONTACT_HOLD_S * fs)), rnd(0.25 * fs)
    zero = lower(f[:first])
    on, crossing, peak, since, last_zero, touches = False, None, 0.0, first, 0, []
    for i in range(first, len(f)):
        if not on:
            last_zero += 1
            if last_zero >= rnd(0.1 * fs) and i + 1 - since >= rnd(0.2 * fs) + rnd(fs) // 2:
                last_zero = 0
                zero = lower(f[max(since, i + 1 - rnd(1.2 * fs)) : i + 1 - rnd(0.2 * fs)])
        limit = max(CONTACT_SIGMA * nf[i] * gain, CONTACT_FLOOR_N)
        limit = max(limit, 0.04 * peak) if on else limit
        peak = max(peak, f[i] - zero)
        if (f[i] - zero > limit) == on:
            crossing = None
            continue
        crossing = i if crossing is None else crossing
        if i + 1 - crossing < (leave if on else hold):
            continue
        on = not on
        if on:
            touches.append([crossing, None])
            peak = f[i] - zero
        else:
            touches[-1][1] = crossing + 1
            zero, since, last_zero = lower(f[i + 1 - rnd(0.1 * fs) : i + 1]), i + 1, 0
        crossing = None
    if on:
        touches[-1][1] = len(f)
    return [(a, b, marks(y, a, b, fs, nx, gain)) for a, b in touches]


def marks(y, a, b, fs, noises, gain):
    """§2.3."""
    w, half, found = max(3, rnd(SPRING_WINDOW_S * fs)), max(2, rnd(0.1 * fs)) // 2, []
    for p in range(max(a, 1), min(b, len(y) - 1)):
        if not (y[p - 1] < y[p] >= y[p + 1]):
            continue
        start, end = max(p - w, a - 1, 0), min(p + w, len(y) - 1)
        left = right = y[p]
        for k in range(p - 1, start - 1, -1):
            if y[k] >= y[p]:
                break
            left = min(left, y[k])
        for k in range(p + 1, end + 1):
            if y[k] > y[p]:
                break
            right = min(right, y[k])
        if y[p] - max(left, right) < max(PROMINENCE_MM, SPRING_SIGMA * noises[p] * gain):
            continue
        if not (found and found[-1] >= start):
            speeds = [(abs(y[i + half] - y[i - half]), y[i + half]) for i in range(start + half, p - half)]
            slow = [v for v, at in speeds if at < left + 0.4 * (y[p] - left)]
            if not slow or min(slow) >= 0.15 * max(v for v, _ in speeds):
                continue
        found.append(p)
    return found
