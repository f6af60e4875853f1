"""The whole-trace fit as a lab would write it with scipy today: the same law, the same data, by least squares.

F(t) = F0 + k1 x + (k2 - k1) s(x) + c v with s(x) = w (softplus((x - xk)/w) - softplus(-xk/w)), put through the same
zero-phase low pass as the data, thinned to 200 samples a second. Six parameters go to scipy.optimize.least_squares with
its own derivatives by differences, from several starting knees, since the sum of squares has several minima. No
uncertainty, no judgement of the knee, no relaxation.

    python3 benches/fit_peer.py FOLDER [--recordings 20]
"""

import argparse
import glob
import multiprocessing
import os
import time

import numpy as np
import pandas as pd
from scipy.optimize import least_squares
from scipy.signal import butter, find_peaks, sosfiltfilt

THINNED_HZ = 200.0
STARTS = 8


def prepared(path):
    """Time step, force and displacement from first contact to the end of the springs."""
    table = pd.read_csv(path, engine="c", comment="#")
    rate = 1.0 / np.median(np.diff(table["time_s"].to_numpy()))
    sos = butter(2, 20.0 / 0.802, fs=rate, output="sos")
    f = sosfiltfilt(sos, table["force_n"].to_numpy())
    x = sosfiltfilt(sos, table["displacement_mm"].to_numpy())
    f = f - np.median(f[: int(0.4 * rate)])
    start = int(np.argmax(f > 1.0))
    peaks, _ = find_peaks(x, prominence=0.5, wlen=2 * int(0.75 * rate) + 1)
    end = min(peaks[-1] + int(0.4 * rate), len(x)) if len(peaks) else len(x)
    every = max(int(rate // THINNED_HZ), 1)
    return rate / every, f[start:end:every], x[start:end:every]


def softplus(u):
    return np.logaddexp(0.0, u)


def fit(data):
    rate, f, x = data
    sos = butter(2, 20.0 / 0.802, fs=rate, output="sos")
    v = np.gradient(x, 1.0 / rate)
    span = x.max() - x.min()

    def residual(p):
        constant, k1, dk, damping, knee, log_width = p
        w = np.exp(log_width)
        s = sosfiltfilt(sos, w * (softplus((x - knee) / w) - softplus(-knee / w)))
        return f - (constant + k1 * x + dk * s + damping * v)

    best = None
    for share in np.linspace(0.1, 0.9, STARTS):
        start = [0.0, 1.0, 5.0, 0.05, x.min() + share * span, np.log(0.05 * span)]
        try:
            found = least_squares(residual, start, x_scale="jac", max_nfev=200)
        except (ValueError, np.linalg.LinAlgError):
            continue
        if best is None or found.cost < best.cost:
            best = found
    return best.x if best is not None else np.full(6, np.nan)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder")
    parser.add_argument("--recordings", type=int, default=20)
    arguments = parser.parse_args()
    pattern = os.path.join(arguments.folder, "**", "*.csv")
    paths = sorted(p for p in glob.glob(pattern, recursive=True) if os.path.basename(p) not in ("roster.csv", "calls.csv"))
    paths = paths[:: max(len(paths) // arguments.recordings, 1)][: arguments.recordings]
    data = [prepared(p) for p in paths]
    os.environ["OMP_NUM_THREADS"] = "1"
    with multiprocessing.Pool(os.cpu_count()) as pool:
        begin = time.perf_counter()
        found = np.array(pool.map(fit, data, chunksize=1))
        wall = time.perf_counter() - begin
    print(f"{len(data)} fits, {1e3 * wall / len(data):.2f} ms a recording on {os.cpu_count()} cores")
    print(f"median onset {np.median(found[:, 4]):.3f} mm, end-feel {np.median(found[:, 1] + found[:, 2]):.3f} N/mm")


if __name__ == "__main__":
    main()
