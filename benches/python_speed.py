"""The Python package beside the Rust stage it calls, and beside a numpy/scipy script, in one run.

    pip install ./python polars scipy pandas
    python3 benches/python_speed.py [--traces 1000] [--cores 2] [--rounds 5]

Traces are simulated, some 6.5 s at 1 kHz. First `analyze_trace` on arrays against the Rust stage that it calls, on the same samples held
by Rust already, and against the bare `measure_trace`, which neither reads nor holds forces against ceilings nor compares: the fastest of
several, trace by trace, by processor time.
Then all traces out of one polars frame, in threads, against `peer.measures` (simple measures only, no uncertainty) in as many
processes, in turn. Prints times and ratios. Nothing is asserted: machines differ.
"""

import argparse
import multiprocessing
import statistics
import time
import warnings
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import polars

import peer
import tautpoint
from tautpoint import _native


def fastest(rounds, work):
    times = []
    for _ in range(rounds):
        begun = time.process_time()
        work()
        times.append(time.process_time() - begun)
    return min(times)


def beside_the_stage(presses, rounds):
    times = []
    for press in presses:
        arrays = (press.time_s, press.force_n, press.displacement_mm)
        columns = list(zip(("time_s", "force_n", "displacement_mm"), arrays))
        held = _native.Recording("trace", columns, 'level = "L3"\nside = "left"')
        stage = fastest(rounds, lambda: _native.analyze_held([held], None, None))
        bare = fastest(rounds, lambda: _native.stage_s(*arrays, 1))
        python = fastest(rounds, lambda: tautpoint.analyze_trace(*arrays, level="L3", side="left"))
        times.append((stage, bare, python, python / stage, python / bare))
    stage, bare, python = (statistics.median(t[i] for t in times) * 1e3 for i in range(3))
    ratios = [statistics.median(t[i] for t in times) for i in (3, 4)]
    print(
        f"analyze_trace {python:.2f} ms, its Rust stage {stage:.2f} ms: {ratios[0]:.3f} times, at worst "
        f"{max(t[3] for t in times):.3f}; measure_trace alone {bare:.2f} ms: {ratios[1]:.3f} times"
    )


def ours(group):
    (number,), rows = group
    found = tautpoint.analyze_trace(
        rows["time_s"], rows["force_n"], rows["displacement_mm"], name=f"press-{number}", level="L3", side="left"
    )
    return found[0]["end_feel_n_per_mm"]


def theirs(arrays):
    return peer.measures(*arrays)["end_feel_n_per_mm"]


def from_a_frame(presses, cores, rounds):
    frame = polars.concat(
        polars.DataFrame({"press": n, "time_s": p.time_s, "force_n": p.force_n, "displacement_mm": p.displacement_mm})
        for n, p in enumerate(presses)
    )
    groups = list(frame.group_by("press", maintain_order=True))
    arrays = [[rows[c].to_numpy() for c in ("time_s", "force_n", "displacement_mm")] for _, rows in groups]
    mine, peers = [], []
    with ThreadPoolExecutor(cores) as threads, multiprocessing.Pool(cores) as processes:
        for _ in range(rounds):
            begun = time.perf_counter()
            found = list(threads.map(ours, groups))
            mine.append(time.perf_counter() - begun)
            begun = time.perf_counter()
            simple = processes.map(theirs, arrays, chunksize=8)
            peers.append(time.perf_counter() - begun)
    off = np.nanmedian(np.abs(np.array(found) / np.array(simple) - 1))
    ratio = statistics.median(a / b for a, b in zip(mine, peers))
    print(
        f"{len(presses)} traces, {cores} cores: tautpoint {min(mine):.2f} s, numpy and scipy {min(peers):.2f} s: "
        f"{ratio:.2f} times; end-feel apart by {off:.1%}"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--traces", type=int, default=1000)
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=5)
    arguments = parser.parse_args()
    warnings.simplefilter("ignore", tautpoint.CeilingWarning)
    presses = [tautpoint.simulate(seed=n) for n in range(arguments.traces)]
    beside_the_stage(presses[:20], arguments.rounds)
    from_a_frame(presses, arguments.cores, min(arguments.rounds, 3))


if __name__ == "__main__":
    main()
