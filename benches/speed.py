"""tautpoint beside what people would use today, on the same recordings, in one run.

    cargo build --release
    python3 benches/speed.py [--recordings 1000] [--rounds 3] [--program target/release/tautpoint]

Makes the recordings once (10 s at 1 kHz, simulated), then runs in turn, round by round: the whole job of tautpoint from
CSV; peer.py, the simple measures only (numpy, scipy, pandas on all cores); read_peer.py, only reading (polars); and last
once: fit_peer.py, the same whole-trace fit by scipy on a few recordings; tautpoint from Parquet; and a tenth of the
recordings, for how the time grows. Prints the ratios. Nothing is asserted: machines differ.
"""

import argparse
import glob
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time

HERE = os.path.dirname(os.path.abspath(__file__))


def run(command, fails=False):
    """Wall seconds, largest resident megabytes and what was printed of a command and its children."""
    begin = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    words = process.stdout.read()
    _, status, usage = os.wait4(process.pid, 0)
    wall = time.perf_counter() - begin
    if os.waitstatus_to_exitcode(status) != 0:
        if fails:
            return None, None, None
        sys.exit(f"failed: {' '.join(command)}")
    return wall, usage.ru_maxrss / 1024, words


def simulate(program, out, recordings):
    subjects = max(recordings // 100, 1)
    command = [program, "--quiet", "simulate", "study", "--out", out, "--seed", "1", "--subjects", str(subjects)]
    subprocess.run(command + ["--trials", "10", "--levels", "L5,L4,L3,L2,L1", "--rate-hz", "1000"], check=True)
    return glob.glob(os.path.join(out, "recordings", "*.csv"))


def python(script, *arguments):
    return [sys.executable, os.path.join(HERE, script), *arguments]


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--recordings", type=int, default=1000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--program", default=os.path.join("target", "release", "tautpoint"))
    arguments = parser.parse_args()
    program = os.path.abspath(arguments.program)
    work = tempfile.mkdtemp(prefix="tautpoint-speed-")
    try:
        compare(program, work, arguments)
    finally:
        shutil.rmtree(work)


def compare(program, work, arguments):
    study = os.path.join(work, "study")
    files = simulate(program, study, arguments.recordings)
    size = sum(os.path.getsize(f) for f in files)
    print(f"{len(files)} recordings, {size / 1e6:.0f} MB of CSV, {os.cpu_count()} cores")
    analyze = [program, "--quiet", "analyze"]
    ours, peers, readers = [], [], []
    for number in range(arguments.rounds):
        wall, megabytes, _ = run(analyze + [study, "--out", os.path.join(work, "results")])
        peer, _, _ = run(python("peer.py", study, os.path.join(work, "peer.csv")))
        reader, _, _ = run(python("read_peer.py", study), fails=True)
        ours.append(wall)
        peers.append(peer / wall)
        words = f"round {number + 1}: tautpoint {wall:.2f} s, {megabytes:.0f} MB; simple measures {peer:.2f} s, {peers[-1]:.2f} times"
        if reader is not None:
            readers.append(reader / wall)
            words += f"; only reading by polars {reader:.2f} s, {readers[-1]:.2f} times"
        print(words, flush=True)
    print(f"median: simple measures take {statistics.median(peers):.2f} times as long")
    if readers:
        print(f"median: only reading by polars takes {statistics.median(readers):.2f} times as long")
    ours_ms = 1e3 * statistics.median(ours) / len(files)
    _, _, words = run(python("fit_peer.py", study, "--recordings", "20"))
    fit_ms = float(re.search(r"([\d.]+) ms a recording", words).group(1))
    print(f"the same whole-trace fit by scipy: {fit_ms:.1f} ms a recording, {fit_ms / ours_ms:.0f} times all of tautpoint's {ours_ms:.2f} ms")
    print("  (the fit alone: `cargo bench --bench stages` gives one core's milliseconds)")
    parquet = os.path.join(work, "parquet")
    run([program, "--quiet", "convert", study, "--out", parquet])
    size_parquet = sum(os.path.getsize(f) for f in glob.glob(os.path.join(parquet, "recordings", "*.parquet")))
    walls = [run(analyze + [parquet, "--out", os.path.join(work, "results")])[0] for _ in range(arguments.rounds)]
    ratio = statistics.median(ours) / statistics.median(walls)
    print(f"from Parquet ({size_parquet / 1e6:.0f} MB): {statistics.median(walls):.2f} s, {ratio:.2f} times as fast as from CSV")
    tenth = os.path.join(work, "tenth")
    few = simulate(program, tenth, arguments.recordings // 10)
    walls = [run(analyze + [tenth, "--out", os.path.join(work, "results")])[0] for _ in range(arguments.rounds)]
    growth = statistics.median(ours) / statistics.median(walls)
    print(f"{len(few)} recordings take {statistics.median(walls):.2f} s: {len(files) / len(few):.1f} times the recordings, {growth:.2f} times the time")


if __name__ == "__main__":
    main()
