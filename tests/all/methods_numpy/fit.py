"""The whole-trace fit (METHODS.md §4.1 to §4.10)."""

import math

import numpy as np
from conditioning import LowPass
from distributions import f_tail


def differences(n, f):
    """The matrix that makes speeds of displacements, of three samples each."""
    d = np.zeros((n, n))
    for i in range(n):
        a, b = max(0, i - 1), min(n - 1, i + 1)
        d[i, b] += f / (b - a)
        d[i, a] -= f / (b - a)
    return d


OF_FIVE = np.array([1, -8, 0, 8, -1]) / 12


def differences_of_five(n, f):
    """The same of five (§4.1)."""
    d = differences(n, f)
    for i in range(2, n - 2):
        d[i] = 0
        d[i, i - 2 : i + 3] = f * OF_FIVE
    return d


def softplus(u):
    return np.logaddexp(0.0, u)


def memory(y, f, tau):
    keep = math.exp(-1 / (f * tau))
    gain, out, state = (1 - keep) * f * tau, np.empty(len(y)), 0.0
    for i in range(len(y)):
        state = keep * state + (gain * (y[i] - y[i - 1]) if i else 0.0)
        out[i] = state
    return out


class Series:
    def __init__(self, force, x, f, fc):
        self.force, self.x, self.f = force, x, f
        self.v = differences_of_five(len(x), f) @ x
        self.low_pass = LowPass(min(fc, 0.4 * f), f)

    def columns(self, shape):
        """x, s, v[, r1, r2], and ∂s/∂xk, ∂s/∂ln w."""
        xk, w = shape[0], math.exp(shape[1])
        u = (self.x - xk) / w
        phi = 1 / (1 + np.exp(np.clip(-u, -700, 700)))
        s = self.low_pass(w * (softplus(u) - softplus(-xk / w)))
        ds = [self.low_pass(-phi), self.low_pass(w * (softplus(u) - u * phi))]
        columns = [self.x, s, self.v]
        if len(shape) == 3:
            columns += [memory(self.x, self.f, math.exp(shape[2])), memory(s, self.f, math.exp(shape[2]))]
        return columns, ds

    def linear(self, columns):
        c = np.array(columns).T
        centred = c - c.mean(axis=0)
        scale = np.sqrt((centred**2).sum(axis=0))
        scale[scale == 0] = 1.0
        k = np.linalg.lstsq(centred / scale, self.force - self.force.mean(), rcond=1e-12)[0] / scale
        constant = self.force.mean() - c.mean(axis=0) @ k
        left = self.force - constant - c @ k
        return constant, k, left, float(left @ left)

    def jacobian(self, shape, columns, ds, k):
        d = [k[1] * ds[0], k[1] * ds[1]]
        if len(shape) == 3:
            tau = math.exp(shape[2])
            d = [d[i] + k[4] * memory(ds[i], self.f, tau) for i in range(2)]
            later = [memory(columns[i], self.f, tau * math.exp(1e-4)) for i in (0, 1)]
            d.append(sum(k[3 + i] * (later[i] - columns[3 + i]) / 1e-4 for i in (0, 1)))
        return d


class Search:
    def __init__(self, series, fc):
        every = max(1, int(series.f / max(50.0, 2.5 * fc)))
        self.full, self.thin = series, Series(series.force[::every], series.x[::every], series.f / every, fc)
        low, high = series.x.min(), series.x.max()
        self.range = r = high - low
        self.bounds = [(low + 0.005 * r, high - 0.005 * r), (math.log(min(1e-3, 1e-4 * r)), math.log(0.3 * r))]
        self.bounds.append((math.log(0.05), math.log(8.0)))

    def keep(self, shape):
        return [min(max(v, lo), hi) for v, (lo, hi) in zip(shape, self.bounds)]

    def place(self, series, shape):
        columns, ds = series.columns(shape)
        return shape, columns, ds, series.linear(columns)

    def improve(self, series, shape, small):
        best, damping = self.place(series, self.keep(shape)), 1e-3
        for _ in range(40):
            shape, columns, ds, (_, k, left, rss) = best
            d = np.array(series.jacobian(shape, columns, ds, k)).T
            c = np.array(columns).T
            c, d = c - c.mean(axis=0), d - d.mean(axis=0)
            d = d - c @ np.linalg.lstsq(c, d, rcond=1e-12)[0]
            jtj, gradient, moved = d.T @ d, d.T @ left, False
            for _ in range(8):
                step = np.linalg.solve(jtj + damping * np.diag(np.maximum(np.diag(jtj), 1e-300)), gradient)
                trial = [shape[0] + step[0], shape[1] + np.clip(step[1], -1.5, 1.5)]
                trial += [shape[2] + np.clip(step[2], -1, 1)] if len(shape) == 3 else []
                trial = self.keep(trial)
                change = [abs(trial[0] - shape[0]) / self.range] + [0.01 * abs(a - b) for a, b in zip(trial[1:], shape[1:])]
                if max(change) <= small:
                    break
                there = self.place(series, trial)
                if there[3][3] < rss:
                    moved = 1 - there[3][3] / rss > 1e-9
                    damping, best = max(0.2 * damping, 1e-9), there
                    break
                damping *= 6
            if not moved:
                break
        return best

    def best_of(self, starts):
        starts = [self.place(self.thin, self.keep(s)) for s in starts]
        kept = []
        for s in sorted(starts, key=lambda s: s[3][3]):
            if len(kept) < 3 and all(abs(k[0][0] - s[0][0]) > 0.1 * self.range for k in kept):
                kept.append(self.improve(self.thin, s[0], 1e-3))
        return self.improve(self.full, min(kept, key=lambda k: k[3][3])[0], 1e-6)

    def onsets(self):
        (low, high) = self.bounds[0]
        return [low + (0.04 + 0.92 * j / 13) * (high - low) for j in range(14)]

    def plain(self):
        widths = [math.log(w * self.range) for w in (0.01, 0.06)]
        return self.best_of([[o, w] for o in self.onsets() for w in widths])

    def relaxing(self, plain):
        shapes = [[o, math.log(0.03 * self.range)] for o in self.onsets()] + [list(plain[0])]
        return self.best_of([s + [math.log(t)] for s in shapes for t in (0.12, 0.4, 1.0, 3.0)])


class Propagation:
    """§4.5 to §4.8 at one solution."""

    def __init__(self, fit, solution):
        self.fit, series, r = fit, fit.series, fit.r
        shape, columns, ds, (self.constant, self.k, self.left, self.rss) = solution
        self.shape, self.relaxing, k = shape, len(shape) == 3, self.k
        j = np.array([np.ones(len(series.x))] + columns + series.jacobian(shape, columns, ds, k)).T
        scale = np.linalg.norm(j, axis=0)
        gram = (j / scale).T @ (j / scale) + 1e-12 * np.eye(j.shape[1])
        self.solve = lambda right: (np.linalg.solve(gram, (right.T / scale).T).T / scale).T
        self.weights = self.solve(j.T)
        w = math.exp(shape[1])
        u = (series.x - shape[0]) / w
        phi = 1 / (1 + np.exp(np.clip(-u, -700, 700)))
        self.slope = k[0] + k[1] * phi + (k[3] + k[4] * phi if self.relaxing else 0)
        kappa, b = k[1] + (k[4] if self.relaxing else 0), phi * (1 - phi) / w
        lag = lambda i: r.noise.r[i] if i < len(r.noise.r) else 0.0
        vx = r.white_x**2 * lag(0)
        vv = (r.white_x * series.f) ** 2 * sum(
            a * b * lag(fit.every * abs(i - j)) for i, a in enumerate(OF_FIVE) for j, b in enumerate(OF_FIVE)
        )
        by = vx * self.slope
        p = [0.0, by.sum(), (phi * by).sum(), len(by) * vv * k[2]]
        p += [by.sum(), (phi * by).sum()] if self.relaxing else []
        p += [-(kappa * b * by).sum(), -(kappa * b * w * u * by).sum()] + ([0.0] if self.relaxing else [])
        self.shift = -self.solve(np.array(p) + j.T @ (0.5 * vx * kappa * b))
        expected = r.white_f**2 * lag(0) + k[2] ** 2 * vv + self.slope**2 * vx
        self.judge(expected, j.shape[1])

    def judge(self, expected, p):
        """§4.8."""
        fit, series, e = self.fit, self.fit.series, self.left
        independent = max(len(e) * fit.share, p + 1.0)
        self.ratio = (e @ e) / (expected.sum() * max(0.05, 1 - p / independent))
        poor = self.ratio > 1 + 4 * math.sqrt(2 / independent)
        stretch = np.minimum((16 * (series.x - series.x.min()) / np.ptp(series.x)).astype(int), 15)
        fastest = np.abs(series.v).max()
        way = np.where(np.abs(series.v) < 0.08 * fastest, 0, np.where(series.v > 0, 1, 2))
        self.cell = 16 * way + stretch
        rho = fit.lags[1:] / fit.lags[0]
        factor = 1 + 2 * max(0.0, rho.sum())
        chi2 = beyond = cells = 0
        for c in range(48):
            own = self.cell == c
            n = own.sum()
            if n >= 2:
                mean_e = expected[own].mean()
                noise = min(mean_e * factor / n, mean_e) + fit.r.u_zero**2
                chi2 += e[own].mean() ** 2 / noise
                beyond += e[own].mean() ** 2 - noise
                cells += 1
        self.poor = poor or chi2 > cells + 2 * math.sqrt(2 * cells)
        self.departure2 = max(0.0, beyond / max(cells, 1))

    def quadratic(self, w):
        total = 0.0
        for i, r in enumerate(self.fit.every_lag[: len(w)]):
            total += (1 if i == 0 else 2) * r * float(w[i:] @ w[: len(w) - i])
        return math.sqrt(max(0.0, total))

    def parts(self, gradient, places=None):
        """u of force noise, of displacement noise, of the departure."""
        fit, m = self.fit, np.zeros(len(self.left))
        for i, g in gradient.items():
            m = m + g * self.weights[i]
        q = self.slope * m + self.k[2] * (fit.d.T @ m)
        if places is not None:
            q = q - places
        force, x = fit.r.white_f * self.quadratic(m), fit.r.white_x * self.quadratic(q)
        seen2 = 0.0
        if self.poor:
            sums = np.bincount(self.cell, weights=m, minlength=48)
            z, most = m * self.left, min(int(0.4 * fit.series.f), len(m) - 1)
            memory2 = z @ z + sum(2 * (1 - i / (most + 1)) * (z[i:] @ z[: len(z) - i]) for i in range(1, most + 1))
            seen2 = self.departure2 / 0.20 * (sums**2).sum() + max(0.0, memory2)
        return force, x, math.sqrt(max(0.0, seen2 - force**2 - x**2))

    def corrected(self, parts, gradient):
        """The same, with what noise in displacement moved the result by in its own line (§4.6)."""
        moved = sum(g * self.shift[i] for i, g in gradient.items())
        return parts[0], math.hypot(parts[1], moved), parts[2]

    def reported(self, gradient):
        return self.corrected(self.parts(gradient), gradient)


class Fit:
    def __init__(self, test):
        self.test, self.r = test, test.r
        r, fs = test.r, test.r.fs
        last = test.springs[-1]
        stop = min((math.ceil(last.b) if last.stop.ok else last.p) + 1, test.end)
        self.force, self.x = r.force[test.begin : stop], r.x[test.begin : stop]
        self.every = max(1, int(fs / 100))
        self.series = Series(self.force[:: self.every], self.x[:: self.every], fs / self.every, r.low_pass.fc)
        self.d = differences_of_five(len(self.series.x), self.series.f)
        self.lags, self.every_lag = r.noise.r[:: self.every], r.noise.every_lag[:: self.every]
        self.share = 1 / (1 + 2 * ((self.lags[1:] / self.lags[0]) ** 2).sum())
        search = Search(self.series, r.low_pass.fc)
        best = search.plain()
        p = Propagation(self, best)
        if p.ratio > 1.1:
            other = search.relaxing(best)
            before, after = best[3][3], other[3][3]
            df = max(1.0, len(self.series.x) * self.share - 9)
            if after <= 0.8 * before and f_tail((before - after) / 3 / (after / df), 3, df) < 1e-4:
                best, p = other, Propagation(self, other)
        self.p, self.columns = p, best[1]
        self.correct(p)
        self.residual_percent = self.residual()
        self.knee = self.residual_percent <= 5 and self.has_knee(search.range)

    def correct(self, p):
        """§4.6."""
        n = len(p.k)
        self.constant = p.constant - p.shift[0]
        self.k = p.k - p.shift[1 : n + 1]
        self.onset, self.width, self.at_onset = p.shape[0] - p.shift[n + 1], math.exp(p.shape[1]), n + 1

    def unloaded(self):
        """§3.7: where the fitted toe has no force."""
        return -(self.constant - self.k[1] * self.width * softplus(-self.onset / self.width)) / self.k[0]

    def residual(self):
        t, total, n, forces = self.test, 0.0, 0, []
        for s in t.springs:
            stop = (math.ceil(s.b) if s.stop.ok else s.p) + 1
            own = slice((math.floor(s.a) - t.begin) // self.every, (stop - t.begin) // self.every)
            total += (self.p.left[own] ** 2).sum()
            n += len(self.p.left[own])
            forces += [self.series.force[own].max(), self.series.force[own].min()]
        return 100 * math.sqrt(total / n) / (max(forces) - min(forces))

    def has_knee(self, span):
        """§4.9."""
        p, x, k1, delta = self.p, self.series.x, self.k[0], self.k[1]
        square = (x - (x.min() + x.max()) / 2) ** 2
        kept = [self.columns[0], square, self.columns[2]] + ([self.columns[3]] if p.relaxing else [])
        one = self.series.linear(kept)[3]
        parameters = 1 + len(self.k) + len(p.shape)
        df = max(1.0, len(x) * self.share - parameters)
        u = math.hypot(*p.parts({self.at_onset: 1.0})[:2])
        return (
            f_tail(max(0.0, one - p.rss) / 3 / (p.rss / df), 3, df) < 1e-3
            and k1 > 0
            and k1 + delta >= 1.5 * k1
            and min(x.max() - self.onset, self.onset - x.min()) >= 0.03 * span
            and u <= 0.03 * span
            and delta * (x.max() - self.onset) >= max(10 * self.test.f1, 0.15 * np.ptp(self.series.force))
        )

    def results(self):
        lines = lambda parts: [(parts[0], self.r.df), (parts[1], self.r.df), (parts[2], math.inf)]
        p = self.p
        yield "onset_mm", self.onset, lines(p.reported({self.at_onset: 1.0}))
        yield "take_up_n_per_mm", self.k[0], lines(p.reported({1: 1.0}))
        yield "fitted_end_feel_n_per_mm", self.k[0] + self.k[1], lines(p.reported({1: 1.0, 2: 1.0}))
        yield "damping_n_s_per_mm", self.k[2], lines(p.reported({3: 1.0}))
        value, parts = self.onset_force()
        yield "onset_n", value, lines(parts) + [(self.r.u_zero, self.r.df)]

    def onset_force(self):
        """§4.10."""
        x, xk, k, f = self.x, self.onset, self.k, self.series.f
        i = next((i for i in range(len(x) - 1) if x[i] < xk <= x[i + 1]), None)
        at = len(x) - 1.0 if i is None else i + (xk - x[i]) / (x[i + 1] - x[i])
        at = min(at / self.every, len(self.series.x) - 1.0)
        reach = max(2.0, 0.04 * f)
        near = np.arange(max(0, math.ceil(at - reach)), min(math.floor(at + reach), len(self.series.x) - 1) + 1)
        t = (near - at) / reach
        power = np.vander(t, 4 if len(near) >= 5 else 2, increasing=True)
        weights = np.zeros(len(self.series.x))
        weights[near] = np.linalg.pinv(power)[1] * f / reach
        speed, places = weights @ self.series.x, k[2] * weights
        read = lambda y: np.interp(at, np.arange(len(y)), y)
        corrected = [xk] + list(self.p.shape[1:])
        memories = [read(c) for c in self.series.columns(corrected)[0][3:]]
        y = lambda w: w * (math.log(2) - float(softplus(-xk / w)))
        value = self.constant + k[0] * xk + k[1] * y(self.width) + k[2] * speed
        value += sum(m * a for m, a in zip(memories, k[3:]))

        def gradient(w):
            g = {0: 1.0, 1: xk, 2: y(w), 3: speed, self.at_onset: k[0], self.at_onset + 1: k[1] * y(w)}
            g.update({4 + i: m for i, m in enumerate(memories)})
            return g

        own = gradient(self.width)
        parts = self.p.parts(own, places)
        span = np.ptp(self.series.x)
        omega = max(self.width, 0.0018 * span)
        p = self.p if omega == self.width else self.probe(omega)
        noise = lambda g, h: sum(u * u for u in p.parts(g, h)[:2])
        g, ln_w = gradient(omega), self.at_onset + 1
        vf, vw = noise(g, places), noise({ln_w: 1.0}, None)
        scale = math.sqrt(vf / vw)
        c = (noise({**g, ln_w: g[ln_w] + scale}, places) - vf - scale**2 * vw) / (2 * scale)
        s, o = 2 * omega**2 * math.sqrt(vw), k[1] * math.log(2)
        beta, v0 = (c / (vw * omega) - o) / (2 * omega), max(0.0, vf - c * c / vw)
        if self.width**2 < 2 * s:
            widths = np.arange(49) * 2.2 * math.sqrt(s) / 48
            w = np.exp(-0.5 * ((widths**2 - self.width**2) / s) ** 2)
            m = (w * widths).sum() / w.sum()
            d = math.sqrt(max(0.0, (w * widths**2).sum() / w.sum() - m * m))
            m *= 0.85
            value += o * (m - self.width) + beta * (m * m - self.width**2)
            total = math.sqrt(v0 + ((o + 2 * beta * m) * d) ** 2)
            del own[ln_w]
            parts = self.p.parts(own, places)
            factor = total / math.hypot(parts[0], parts[1])
            parts = (parts[0] * factor, parts[1] * factor, parts[2])
        return value, self.p.corrected(parts, own)

    def probe(self, omega):
        """The solution with another width and the corrected rest (§4.10)."""
        shape = [self.onset, math.log(omega)] + list(self.p.shape[2:])
        columns, ds = self.series.columns(shape)
        left = self.series.force - self.constant - np.array(columns).T @ self.k
        return Propagation(self, (shape, columns, ds, (self.constant, self.k, left, float(left @ left))))
