"""Measures of springs and of a test, each with its uncertainty (METHODS.md §2.4 to §2.9, §3, §5)."""

import math

import numpy as np
from detector import CONTACT_FLOOR_N, CONTACT_SIGMA, PROMINENCE_MM
from distributions import rnd, t_quantile
from fit import Fit, differences


def refined(f, a, b, sd, fs):
    """§2.4."""
    limit = max(CONTACT_SIGMA * sd, min(CONTACT_FLOOR_N, 0.05 * f[a:b].max()))
    reach, last = max(2, int(0.25 * fs)), b - 1
    begin, end = a, last
    if f[a] >= limit:
        while begin > max(0, a - reach) and f[begin - 1] >= limit:
            begin -= 1
    else:
        begin = next((i for i in range(a, min(a + reach, b)) if f[i] >= limit), a)
    if f[last] >= limit:
        while end + 1 < len(f) and end < last + reach and f[end + 1] >= limit:
            end += 1
    else:
        end = next((i for i in range(last, max(last - reach, begin) - 1, -1) if f[i] >= limit), last)
    return begin, end + 1


def spline_second(y):
    n = len(y)
    m = np.eye(n)
    right = np.zeros(n)
    for i in range(1, n - 1):
        m[i, i - 1 : i + 2] = [1, 4, 1]
        right[i] = 6 * (y[i + 1] - 2 * y[i] + y[i - 1])
    return np.linalg.solve(m, right)


def peak_between(y, a, b, fs):
    """§2.5: sample, position and height of the highest point of y[a:b]."""
    i = b - 1 - int(np.argmax(y[a:b][::-1]))
    best = (float(i), float(y[i]))
    steps = math.ceil(1000 / fs)
    if steps > 1 and 0 < i < len(y) - 1:
        lo, hi = max(0, i - 8), min(len(y), i + 9)
        part, second = y[lo:hi], spline_second(y[lo:hi])
        for k in range(1, 2 * steps):
            at = i - 1 + k / steps
            j = min(int(at - lo), len(part) - 2)
            q = at - lo - j
            p = 1 - q
            v = p * part[j] + q * part[j + 1] + ((p**3 - p) * second[j] + (q**3 - q) * second[j + 1]) / 6
            if v > best[1]:
                best = (at, float(v))
    return i, best[0], best[1]


def curvature(y, i, fs):
    k = max(1, rnd(0.05 * fs))
    if i < k or i + k >= len(y):
        return 0.0
    return max(0.0, (2 * y[i] - y[i - k] - y[i + k]) / (k / fs) ** 2)


def noise_bias(y, i, fs, slope_sd):
    bend = curvature(y, i, fs)
    return slope_sd**2 / (2 * bend) if bend > 0 else 0.0


class Limb:
    """§2.6: start (sign −1) or end (sign +1) of a spring."""

    def __init__(self, y, p, peak, bound, sign, fs, least):
        s = lambda seconds: max(1, rnd(seconds * fs))
        at = lambda k: y[p + sign * k]
        room = abs(bound - p)
        room = next((k - 1 for k in range(1, room + 1) if at(k) > at(0)), room)
        reach = min(room, s(0.75))
        half, fastest, rest = max(1, s(0.1) // 2), 0.0, None
        for k in range(half, reach + 1):
            far = min(k + half, room)
            if far == k:
                break
            speed = (at(k - half) - at(far)) / (far + half - k)
            fastest = max(fastest, speed)
            if peak - at(k) >= least and speed < 0.15 * fastest:
                rest = k
                break
        if rest is not None:
            reach = min(reach, rest + s(0.05))
        level, self.ok = min(at(k) for k in range(reach + 1)), False
        for _ in range(2):
            rise = peak - level
            mark = level + 0.05 * rise
            k = next((k for k in range(1, reach + 1) if at(k) <= mark), None)
            if rise <= 0 or k is None:
                return
            place = k - 1 + min(1.0, max(0.0, (at(k - 1) - mark) / (at(k - 1) - at(k))))
            first, last = k + s(0.05), min(k + s(0.25), room)
            stretch = [at(j) for j in range(first, last + 1)]
            flat = len(stretch) >= s(0.1) and max(stretch) - min(stretch) <= 0.15 * rise
            lowest = min(range(max(reach, k) + 1), key=at)
            level = float(np.median(stretch)) if flat else at(lowest)
        self.ok, self.at, self.level, self.lowest = True, p + sign * place, level, p + sign * lowest
        ends = sorted((p + sign * first, p + sign * last))
        self.rest = slice(ends[0], ends[1] + 1) if flat else None

    def of(self, y, sd, noise):
        """Level of a signal there with its standard uncertainty."""
        if self.rest is None:
            return y[self.lowest], sd * noise.sample
        return float(np.median(y[self.rest])), noise.moving_median(sd, y[self.rest])


class Value:
    def __init__(self, value, force=0.0, x=0.0, zero=0.0):
        self.value, self.force, self.x, self.zero = float(value), force, x, zero

    def lines(self, r):
        return [(self.force, r.df), (self.x, r.df), (abs(self.zero) * r.u_zero, r.df)]


def u95(lines):
    """§5.1."""
    lines = [(u, df) for u, df in lines if u > 0]
    u2 = sum(u * u for u, _ in lines)
    if not u2:
        return None
    below = sum(u**4 / df for u, df in lines)
    return t_quantile(0.975, max(1.0, u2 * u2 / below if below else math.inf)) * math.sqrt(u2)


def mean_of(parts):
    """§3.1: mean over springs, and the spread between them."""
    n, m = len(parts), sum(p.value for p in parts) / len(parts)
    root = lambda of: math.sqrt(sum(of(p) ** 2 for p in parts)) / n
    sd = math.sqrt(sum((p.value - m) ** 2 for p in parts) / (n - 1)) if n > 1 else None
    return Value(m, root(lambda p: p.force), root(lambda p: p.x), sum(p.zero for p in parts) / n), sd


class Spring:
    pass


class Test:
    """§2.4 to §4 for one contact."""

    def __init__(self, r, contact, window_n):
        self.r, (a, b, spring_marks) = r, contact
        f, x, fs, noise = r.force, r.x, r.fs, r.noise
        self.f1, self.x1 = r.sf * noise.sample, r.sx * noise.sample
        r.u_zero, drift = r.zero_around(a, b)
        self.begin, self.end = refined(f, a, b, self.f1, fs)
        self.springs = self.find(spring_marks)
        first = self.springs[0]
        self.lean = max(int(first.a) - int(0.05 * fs), self.begin)
        self.fit = Fit(self)
        self.onset = self.fit.onset if self.fit.knee else None
        for s in self.springs:
            self.measure(s)
        counted = self.springs[1:] if len(self.springs) >= 3 else self.springs
        for s in self.springs:
            s.counted = s in counted
        self.out = {}
        for name in ("excursion_mm", "end_feel_n_per_mm", "secant_n_per_mm", "loss_mj", "loss_ratio"):
            self.mean(name, [s.values[name] for s in counted])
        self.mean("spring_peak_n", [s.values["peak_n"] for s in counted])
        self.mean("recoil_ratio", [s.values["recoil_ratio"] for s in counted])
        self.mean("time_to_peak_s", [s.values["time_to_peak_s"] for s in counted])
        amplitude = lambda p, q: Value(p.value - q.value, math.hypot(p.force, q.force))
        self.mean("force_amplitude_n", [amplitude(s.values["peak_n"], s.values["preload_n"]) for s in counted])
        self.single("peak_n", self.peak())
        self.single("preload_n", self.preload())
        self.single("between_springs_n", self.between())
        touch, at30 = self.touch(), self.at_force(30.0)
        if touch and at30:
            touch, by_law = touch
            parts = [math.hypot(getattr(touch, k), getattr(at30, k)) for k in ("force", "x")]
            travel = Value(at30.value - touch.value, *parts, at30.zero - touch.zero)
            self.put("displacement_at_30_n_mm", travel.value, travel.lines(r) + [(by_law, math.inf)])
        self.single("window_n_per_mm", self.window(counted, window_n))
        if drift:
            self.put("zero_drift_n", drift[0], [(drift[1], r.df)])
        self.rate(counted[0])
        self.steadiness()
        for name, value, lines in self.fit.results() if self.fit.knee else []:
            self.put(name, value, lines)
            if name == "onset_mm" and touch:
                touch, by_law = self.touch()
                self.put("onset_travel_mm", value - touch.value, lines + touch.lines(r) + [(by_law, math.inf)])
        self.put("total_peak_n", max(0.0, f[a:b].max()), [])
        self.put("samples", self.end - self.begin, [])
        self.put("fit_residual_percent", self.fit.residual_percent if self.fit.knee else None, [])

    def put(self, name, value, lines, sd=None):
        self.out[name] = (value, u95(lines), sd, math.sqrt(sum(u * u for u, _ in lines)))

    def single(self, name, v):
        if v is not None:
            self.put(name, v.value, v.lines(self.r))

    def mean(self, name, parts):
        parts = [p for p in parts if p is not None]
        if parts:
            v, sd = mean_of(parts)
            self.put(name, v.value, v.lines(self.r), sd)

    def find(self, found):
        """§2.6."""
        r, y = self.r, self.r.x
        inside = y[self.begin : self.end]
        least = min(0.5 * PROMINENCE_MM, 0.04 * (inside.max() - inside.min()))
        near, springs = max(2, rnd(0.06 * r.fs)), []
        for k, mark in enumerate(found):
            low = self.begin if k == 0 else found[k - 1]
            high = found[k + 1] if k + 1 < len(found) else min(self.end, len(y)) - 1
            s = Spring()
            s.p, s.peak_at, s.x_p = peak_between(y, max(mark - near, low), min(mark + near + 1, high), r.fs)
            s.x_p -= noise_bias(y, s.p, r.fs, r.quick_x * r.noise.slope)
            s.start = Limb(y, s.p, s.x_p, low, -1, r.fs, least)
            s.stop = Limb(y, s.p, s.x_p, high, 1, r.fs, least)
            for end in (s.start, s.stop):
                if end.ok and end.rest is None:
                    end.level += noise_bias(-y, end.lowest, r.fs, r.quick_x * r.noise.slope)
            if not s.start.ok:
                continue
            s.a, s.b = s.start.at, s.stop.at if s.stop.ok else s.peak_at
            springs.append(s)
        return springs

    def measure(self, s):
        r, f, x = self.r, self.r.force, self.r.x
        s.values = v = dict.fromkeys(("end_feel_n_per_mm", "loss_mj", "loss_ratio", "recoil_ratio", "time_to_peak_s"))
        end = math.ceil(s.b) if s.stop.ok else s.p
        top, _, value = peak_between(f, math.floor(s.a), end + 1, r.fs)
        v["peak_n"] = peak = Value(value - noise_bias(f, top, r.fs, r.quick_f * r.noise.slope), self.f1, 0, 1)
        level, level_u = s.start.of(f, r.sf, r.noise)
        if s.start.rest is None:
            of_x, of_f = (curvature(-y, s.start.lowest, r.fs) for y in (x, f))
            level -= 0.5 * of_f * (r.quick_x * r.noise.slope / of_x) ** 2 if of_x > 0 else 0.0
        v["preload_n"] = preload = Value(level, level_u, 0, 1)
        rest_u = s.start.of(x, r.sx, r.noise)[1]
        excursion = s.x_p - s.start.level
        v["excursion_mm"] = Value(excursion, 0, math.hypot(self.x1, rest_u))
        k = (peak.value - preload.value) / excursion
        u_x = abs(k) * v["excursion_mm"].x / excursion
        v["secant_n_per_mm"] = Value(k, math.hypot(self.f1, level_u) / excursion, u_x)
        low = s.start.level + 0.2 * excursion
        low = low if self.onset is None else max(low, self.onset)
        high = s.start.level + 0.8 * excursion
        v["end_feel_n_per_mm"] = self.slope(math.floor(s.a), s.p, x, low, high)
        if s.stop.ok:
            ratio, end_u = (s.x_p - s.stop.level) / excursion, s.stop.of(x, r.sx, r.noise)[1]
            spread = math.sqrt(((1 - ratio) * self.x1) ** 2 + end_u**2 + (ratio * rest_u) ** 2) / excursion
            v["recoil_ratio"] = Value(ratio, 0, spread)
            self.loop(s, excursion, end)
        self.rise(s, top, peak, preload)

    def slope(self, i0, i1, key, low, high):
        """§3.4."""
        r, f, x = self.r, self.r.force, self.r.x
        first = next((i for i in range(i1 - 1, i0 - 1, -1) if key[i] < low), i0)
        last = next((i for i in range(first, i1 + 1) if key[i] > high), i1)
        inside = np.array([i for i in range(first, last + 1) if low <= key[i] <= high], int)
        m = max(1, math.ceil(400 / r.fs))
        at = np.array([i + k / m for i in range(first, last) for k in range(m)])
        i = at.astype(int)
        mix = lambda y: y[i] + (at - i) * (y[i + 1] - y[i])
        keep = (mix(key) >= low) & (mix(key) <= high)
        px, pf = mix(x)[keep], mix(f)[keep]
        if len(px) < 4 * m or len(inside) < 3:
            return None
        mx, mf = px.mean(), pf.mean()
        k = ((px - mx) * (pf - mf)).sum() / ((px - mx) ** 2).sum()
        s = ((x[inside] - mx) ** 2).sum()
        wf, wx = np.zeros(inside[-1] - inside[0] + 1), np.zeros(inside[-1] - inside[0] + 1)
        wf[inside - inside[0]] = w = (x[inside] - mx) / s
        wx[inside - inside[0]] = (f[inside] - mf - k * (x[inside] - mx)) / s - k * w
        return Value(k, r.sf * r.noise.norm(wf), r.sx * r.noise.norm(wx))

    def loop(self, s, excursion, end):
        """§3.8."""
        r, f, x, p = self.r, self.r.force, self.r.x, s.p
        cut, slack = max(s.start.level, s.stop.level) + 0.05 * excursion, math.ceil(0.1 * r.fs)
        before = next((i for i in range(p - 1, math.floor(s.a) - slack - 1, -1) if x[i] < cut), None)
        after = next((i for i in range(p, min(end + slack, len(x) - 1) + 1) if x[i] < cut), None)
        if before is None or after is None:
            return
        force = lambda i, o: f[o] + (cut - x[o]) / (x[i] - x[o]) * (f[i] - f[o])
        up, down = force(before + 1, before), force(after - 1, after)
        px = np.concatenate([[cut], x[before + 1 : after], [cut]])
        pf = np.concatenate([[up], f[before + 1 : after], [down]])
        top = p - before
        area = 0.5 * (pf[1:] + pf[:-1]) * np.diff(px)
        work, loss = area[:top].sum(), area.sum()
        if work <= 0:
            return
        ef, ex = 0.5 * (px[2:] - px[:-2]), 0.5 * (pf[:-2] - pf[2:])
        wf, wx = ef.copy(), ex.copy()
        wf[top:], wx[top:] = 0, 0
        wf[top - 1], wx[top - 1] = 0.5 * (px[top] - px[top - 1]), 0.5 * (pf[top - 1] + pf[top])
        u_cut, length, ratio = r.sx * r.noise.median(int(0.2 * r.fs)), x[p] - cut, loss / work
        made = lambda value, wf, wx, d, z: Value(
            value, r.sf * r.noise.norm(wf), math.hypot(r.sx * r.noise.norm(wx), d * u_cut), z
        )
        s.values["loading_work_mj"] = made(work, wf, wx, up, length)
        s.values["loss_mj"] = made(loss, ef, ex, up - down, 0)
        d = (ratio * up - (up - down)) / work
        s.values["loss_ratio"] = made(
            ratio, (ef - ratio * wf) / work, (ex - ratio * wx) / work, d, -ratio * length / work
        )

    def rise(self, s, top, peak, preload):
        """§3.10."""
        f, fs, rise = self.r.force, self.r.fs, peak.value - preload.value
        start = math.floor(s.a) - math.ceil(0.1 * fs)

        def passage(share):
            mark = preload.value + share * rise
            i = next((i for i in range(top - 1, start - 1, -1) if f[i] <= mark), None)
            return None if i is None else (i + (mark - f[i]) / (f[i + 1] - f[i]), (f[i + 1] - f[i]) * fs)

        t10, t90 = passage(0.1), passage(0.9)
        if rise > 0 and t10 and t90:
            seconds = (t90[0] - t10[0]) / fs
            low = math.hypot(self.f1, 0.9 * preload.force) / t10[1]
            high = math.hypot(self.f1, 0.9 * self.f1) / t90[1]
            s.values["time_to_peak_s"] = Value(seconds, math.hypot(low, high))
            s.values["loading_rate_n_per_s"] = Value(0.8 * rise / seconds)

    def peak(self):
        r, f = self.r, self.r.force
        i, _, value = peak_between(f, self.begin, self.end, r.fs)
        return Value(value - noise_bias(f, i, r.fs, r.quick_f * r.noise.slope), self.f1, 0, 1)

    def preload(self):
        r = self.r
        part = r.force[max(self.lean - int(0.3 * r.fs), self.begin) : self.lean + 1]
        return Value(np.median(part), r.noise.moving_median(r.sf, part), 0, 1)

    def between(self):
        r, n = self.r, max(1, rnd(0.05 * self.r.fs))
        part = r.force[self.springs[0].p : self.springs[-1].p]
        if len(part) < n:
            return None
        low = min(part[i : i + n].mean() for i in range(len(part) - n + 1))
        return Value(low, math.sqrt(2) * r.sf * r.noise.norm(np.full(n, 1 / n)), 0, 1)

    def at_force(self, force):
        """§3.7."""
        r, f, x = self.r, self.r.force, self.r.x
        i = next((i for i in range(self.begin, self.lean + 1) if f[i] >= force), None)
        if i is None:
            return None
        slope, value = math.inf, x[i]
        if i > 0 and f[i] > f[i - 1]:
            value = x[i - 1] + (force - f[i - 1]) / (f[i] - f[i - 1]) * (x[i] - x[i - 1])
            k = max(1, int(0.05 * r.fs))
            a, b = max(0, i - k), min(len(f) - 1, i + k)
            slope = (f[b] - f[a]) / (x[b] - x[a])
            slope = slope if slope > 0 else math.inf
        return Value(value, self.f1 / slope, self.x1, -1 / slope)

    def touch(self):
        r, c, knee = self.r, self.begin, self.fit.knee
        x, damping, seen = r.x[c : self.lean], self.fit.k[2] if knee else 0.0, self.at_force(r.force[c])
        v = np.gradient(x) * r.fs
        f = r.force[c : self.lean] - damping * v
        limit = min(r.force[c], max(1.0, 5 * self.f1))
        end = next((i for i in range(len(f)) if f[i] > 3 * limit), None)
        if end is None:
            return None
        settled = math.ceil(0.06 * r.fs)
        line = self.touch_line(x[settled:end], f[settled:end], v[settled:end], damping) if end >= settled + 5 else None
        if line and not (knee and damping * v[0] > limit):
            return line
        if not knee:
            return seen, 0.0
        toe = self.fit.unloaded()
        by_law = min(abs(toe - one.value) for one in [seen] + ([line[0]] if line else [])) / math.sqrt(3)
        return Value(toe, seen.force, seen.x, seen.zero), by_law

    def touch_line(self, x, f, v, damping):
        r = self.r
        mx, mf, s = x.mean(), f.mean(), ((x - x.mean()) ** 2).sum()
        b = ((x - mx) * (f - mf)).sum() / s if s > 0 else 0.0
        reach = 3 * (x[-1] - x[0])
        if b <= 0 or abs(mf / b) > reach:
            return None
        w = mf / b**2 * (x - mx) / s - 1 / (len(x) * b)
        by_x, by_law = b * w + damping * differences(len(x), r.fs).T @ w, 0.0
        if self.fit.knee:
            apart = min(abs(self.fit.unloaded() - (mx - mf / b)), reach)
            u_damping = math.hypot(*self.fit.p.reported({3: 1.0}))
            by_law = math.hypot((w @ v) * u_damping, apart / math.sqrt(12))
        return Value(mx - mf / b, r.sf * r.noise.norm(w), r.sx * r.noise.norm(by_x), -1 / b), by_law

    def window(self, counted, loads):
        """§3.5."""
        f, (low, high) = self.r.force, loads
        for s in counted:
            start = s.start.lowest if s.start.rest is None else s.start.rest.stop - 1
            end = next((i for i in range(start, s.p) if f[i] > high), None)
            if end is not None and f[start] <= low:
                return self.between_loads(start, end, low, high)
        p = self.springs[0].p
        if f[self.begin] > low or f[p] < high:
            return None
        return self.between_loads(self.begin, p, low, high)

    def between_loads(self, i0, i1, low, high):
        f, s = self.r.force, self.f1
        found = self.slope(i0, i1, f, low, high)
        for edges in ([(low - s, high), (low + s, high)], [(low, high - s), (low, high + s)]):
            less, more = (self.slope(i0, i1, f, *e) for e in edges)
            if found and less and more:
                found.force = math.hypot(found.force, (more.value - less.value) / 2)
        return found

    def rate(self, counted):
        n, span = len(self.springs), (self.springs[-1].peak_at - self.springs[0].peak_at) * self.r.h
        if n > 1:
            bend = curvature(self.r.x, counted.p, self.r.fs)
            u_t = self.r.sx * self.r.noise.slope / bend if bend > 0 else 0.0
            rate = (n - 1) / span
            self.put("spring_rate_hz", rate, [(rate * math.sqrt(2) * u_t / span, self.r.df)])

    def steadiness(self):
        """§2.7, §2.8."""
        r, x = self.r, self.r.x
        base = x[self.begin]
        mark = base + 0.95 * (self.springs[0].start.level - base)
        begin = next((i for i in range(self.begin, self.lean) if x[i] >= mark), None)
        if begin is None or self.lean - begin < 0.3 * r.fs:
            return
        f = r.force[begin : self.lean]
        n, i = len(f), np.arange(len(f)) - (len(f) - 1) / 2
        left = f - f.mean() - (i * (f - f.mean())).sum() / (i * i).sum() * i
        s2 = max(0.0, (left**2).sum() / (n - 2) - self.f1**2)
        along = (r.sf * r.noise.norm(2 * left / (n - 2))) ** 2
        of_noise = 2 * self.f1**4 / max(2.0, n * r.noise.share)
        a, b = max(0, begin - 5), min(len(x) - 1, begin + 5)
        moves = math.hypot(self.x1 * (b - a) / abs(x[b] - x[a]), 1 / math.sqrt(12))
        edge = moves * abs(left[0] ** 2 - (left**2).sum() / (n - 2)) / (n - 2)
        root = lambda u2: math.sqrt(u2) if s2 == 0 else min(u2 / (2 * math.sqrt(s2)), math.sqrt(u2))
        by_noise = math.sqrt(max(along - of_noise, of_noise))
        self.put("steadiness_n", math.sqrt(s2), [(root(by_noise), r.df), (root(edge), r.df)])
