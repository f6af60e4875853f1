"""Arrays of every dtype, shape, stride and content into `analyze_trace`: a result or a clear exception, and never a crash.

    python fuzz_arrays.py [ROUNDS] [SEED]

Run in a process of its own: a crash ends it.
"""

import collections
import faulthandler
import sys
import warnings

import numpy as np

import tautpoint

faulthandler.enable()
warnings.simplefilter("ignore")
CLEAR = (tautpoint.TautpointError, TypeError, ValueError)


class Odd:
    """An object whose ways of being an array go wrong."""

    def __init__(self, how):
        self.how = how

    def __array__(self, dtype=None, copy=None):
        if self.how == "raises":
            raise RuntimeError("no array of mine")
        return np.array([[1.0]]) if self.how == "shape" else np.array(["x"])

    def __len__(self):
        return -1 if self.how == "length" else 3

    def __getitem__(self, at):
        raise IndexError(at) if self.how == "index" else ZeroDivisionError(at)


def mangled(rng, values):
    """One column, with dtype, shape, stride, content or container changed."""
    how = rng.integers(24)
    if how < 3:
        return values
    if how == 3:
        kinds = ["f2", "f4", ">f8", "<f8", "i1", "u1", "i8", ">i4", "u8", "c8", "c16", "?", "S4", "U3", "M8[s]", "m8[s]", "g", "O"]
        kind = rng.choice(kinds)
        return values.astype("M8[ns]").astype(kind) if kind[0] in "Mm" and kind != "m8[s]" else np.nan_to_num(values).astype(kind)
    if how == 4:
        return values.reshape(rng.choice([1, len(values)]), -1)
    if how == 5:
        step = int(rng.choice([-3, -2, -1, 2, 3]))
        return np.repeat(values, abs(step))[::step]
    if how == 6:
        return np.lib.stride_tricks.as_strided(values, shape=(len(values),), strides=(0,))
    if how == 7:
        out = values.copy()
        out.flags.writeable = False
        return out
    if how == 8:
        out = values.copy()
        out[rng.random(len(out)) < rng.random()] = rng.choice([np.nan, np.inf, -np.inf, 0.0, -0.0, 1e308, -1e308, 5e-324])
        return out
    if how == 9:
        return values[: rng.integers(len(values) + 1)]
    if how == 10:
        return rng.choice([None, 3, "x", b"x", 1.5, True, {}, ()], 1).tolist()[0]
    if how == 11:
        return Odd(rng.choice(["raises", "shape", "text", "length", "index"]))
    if how == 12:
        out = values.astype(object)
        out[rng.integers(len(out))] = rng.choice(np.array([None, "x", 10**400, 1j, [], True], dtype=object))
        return out
    if how == 13:
        return np.ma.masked_where(rng.random(len(values)) < 0.1, values)
    if how == 14:
        raw = np.zeros(len(values) * 8 + 1, dtype=np.uint8)
        return np.frombuffer(raw.data, dtype=np.float64, offset=1, count=len(values))
    if how == 15:
        return np.zeros(len(values), dtype=[("force", "f8"), ("other", "i2")])
    if how == 16:
        return np.zeros(len(values), dtype=[("force", "f8"), ("other", "i2")])["force"]
    if how == 17:
        return values[::-1]
    if how == 18:
        return rng.permutation(values)
    if how == 19:
        return values * 10.0 ** rng.integers(-320, 300)
    if how == 20:
        return memoryview(values)[:: int(rng.choice([1, 2, -1]))]
    if how == 21:
        return iter(values.tolist())
    if how == 22:
        return np.empty(0) if rng.random() < 0.5 else np.array(3.0)
    return np.round(values, int(rng.integers(-2, 3)))


def main(rounds, seed):
    rng = np.random.default_rng(seed)
    seen = collections.Counter()
    press = tautpoint.simulate(seed=1, rate_hz=100)
    names = ["time_s", "force_n", "displacement_mm", "force_left_n", "force_right_n", "displacement_left_mm", "marker", "drive_deg"]
    columns = dict(
        zip(names, [press.time_s, press.force_n, press.displacement_mm, press.force_n, press.force_n * 0.9, press.displacement_mm])
    )
    columns["marker"] = np.ones(len(press.time_s))
    columns["drive_deg"] = np.zeros(len(press.time_s))
    for round_ in range(rounds):
        given = {n: columns[n] for n in names if n in names[:2] or rng.random() < (0.8 if n == "displacement_mm" else 0.15)}
        for name in rng.choice(list(given), rng.integers(1, 4)):
            with np.errstate(all="ignore"):
                try:
                    given[name] = mangled(rng, columns[name])
                except (TypeError, ValueError, OverflowError):
                    continue
        try:
            time_s = given.pop("time_s")
            found = tautpoint.analyze_trace(time_s, **given)
            for test in found:
                test.curve, test.marks, test.figure
            seen["analysed"] += 1
        except CLEAR as error:
            assert str(error), type(error)
            seen[type(error).__name__] += 1
        except BaseException:
            print(f"round {round_} of seed {seed}", {k: type(v) for k, v in given.items()}, file=sys.stderr)
            raise
    detector = tautpoint.Detector(rate_hz=1000)
    for _ in range(rounds):
        try:
            detector.push(*[float(rng.choice([np.nan, np.inf, 0, 1e308, -1e308, rng.normal() * 100])) for _ in range(3)])
            seen["pushed"] += 1
        except CLEAR:
            seen["not pushed"] += 1
    print(", ".join(f"{count} {what}" for what, count in sorted(seen.items())))


if __name__ == "__main__":
    given = [int(argument) for argument in sys.argv[1:3]]
    main(*given, *[300, 1][len(given) :])
