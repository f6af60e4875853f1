"""What a lab would write today: the simple measures of every recording in a folder, on all cores.

Vectorised numpy, scipy and pandas (C-engine reader, multiprocessing): zero-phase filter, peaks, end-feel slopes, loop
areas and a two-line knee of the lean. No phases, no whole-trace fit, no uncertainty, no comparison, no report.

    python3 benches/peer.py FOLDER OUT.csv
"""

import glob
import multiprocessing
import os
import sys

import numpy as np
import pandas as pd
from scipy.signal import butter, find_peaks, sosfiltfilt


def two_line_knee(x, f):
    """Onset by the best continuous two-line fit over 200 candidate knees."""
    candidates = np.linspace(x.min() + 0.3, x.max() - 0.3, 200)
    best = (np.inf, np.nan)
    ones = np.ones_like(x)
    for knee in candidates:
        design = np.column_stack((ones, x, np.maximum(x - knee, 0.0)))
        coefficients = np.linalg.solve(design.T @ design, design.T @ f)
        rss = float(np.sum((f - design @ coefficients) ** 2))
        if rss < best[0]:
            best = (rss, knee)
    return best[1]


def one(path):
    table = pd.read_csv(path, engine="c", comment="#")
    columns = [table[name].to_numpy() for name in ("time_s", "force_n", "displacement_mm")]
    return {"file": os.path.basename(path), **measures(*columns)}


def measures(t, force_n, displacement_mm):
    """The simple measures of one recording."""
    rate = 1.0 / np.median(np.diff(t))
    sos = butter(2, 20.0 / 0.802, fs=rate, output="sos")
    f = sosfiltfilt(sos, force_n)
    x = sosfiltfilt(sos, displacement_mm)
    f = f - np.median(f[: int(0.4 * rate)])
    window = int(0.75 * rate)
    peaks, _ = find_peaks(x, prominence=0.5, wlen=2 * window + 1)
    slopes, losses = [], []
    for p in peaks:
        a, b = max(p - window // 3, 0), min(p + window // 3, len(x) - 1)
        rise = x[p] - x[a]
        limb = slice(a, p + 1)
        inside = (x[limb] > x[a] + 0.2 * rise) & (x[limb] < x[a] + 0.8 * rise)
        if inside.sum() > 3:
            slopes.append(np.polyfit(x[limb][inside], f[limb][inside], 1)[0])
        losses.append(np.trapezoid(f[a : b + 1], x[a : b + 1]))
    first = peaks[0] - window // 3 if len(peaks) else len(x) - 1
    start = int(np.argmax(f > 1.0))
    lean = slice(start, max(first, start + 50))
    knee = two_line_knee(x[lean][::5], f[lean][::5])
    return {
        "springs": len(peaks),
        "peak_n": f.max(),
        "onset_mm": knee,
        "end_feel_n_per_mm": np.mean(slopes[1:]) if len(slopes) > 1 else np.nan,
        "loss_mj": np.mean(losses[1:]) if len(losses) > 1 else np.nan,
    }


def main():
    folder, out = sys.argv[1], sys.argv[2]
    paths = sorted(glob.glob(os.path.join(folder, "**", "*.csv"), recursive=True))
    paths = [p for p in paths if os.path.basename(p) not in ("roster.csv", "calls.csv")]
    with multiprocessing.Pool(os.cpu_count()) as pool:
        rows = pool.map(one, paths, chunksize=8)
    pd.DataFrame(rows).to_csv(out, index=False)


if __name__ == "__main__":
    main()
