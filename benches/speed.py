"""tautpoint's whole job against peer.py's simple measures, on the same recordings, in one run.

    cargo build --release
    python3 benches/speed.py [--recordings 1000] [--rounds 3] [--program target/release/tautpoint]

Makes the recordings once (10 s at 1 kHz, simulated), then runs the two in turn and prints the ratio of their wall
times, round by round, with the largest resident memory of each. Nothing is asserted: machines differ.
"""

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time


def run(command):
    """Wall seconds and largest resident megabytes of a command and its children."""
    begin = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    wall = time.perf_counter() - begin
    if os.waitstatus_to_exitcode(status) != 0:
        sys.exit(f"failed: {' '.join(command)}")
    return wall, usage.ru_maxrss / 1024


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--recordings", type=int, default=1000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--program", default=os.path.join("target", "release", "tautpoint"))
    arguments = parser.parse_args()
    work = tempfile.mkdtemp(prefix="tautpoint-speed-")
    study = os.path.join(work, "study")
    subjects = max(arguments.recordings // 50, 1)
    levels = "L5,L4,L3,L2,L1"
    subprocess.run(
        [arguments.program, "--quiet", "simulate", "study", "--out", study, "--seed", "1", "--subjects", str(subjects)]
        + ["--trials", "5", "--levels", levels, "--rate-hz", "1000"],
        check=True,
    )
    files = [f for f in os.listdir(os.path.join(study, "recordings")) if f.endswith(".csv")]
    size = sum(os.path.getsize(os.path.join(study, "recordings", f)) for f in files)
    print(f"{len(files)} recordings, {size / 1e6:.0f} MB of CSV, {os.cpu_count()} cores")
    here = os.path.dirname(os.path.abspath(__file__))
    ratios = []
    for number in range(arguments.rounds):
        ours = run([arguments.program, "--quiet", "analyze", study, "--out", os.path.join(work, "results")])
        peer = run([sys.executable, os.path.join(here, "peer.py"), study, os.path.join(work, "peer.csv")])
        ratios.append(peer[0] / ours[0])
        print(
            f"round {number + 1}: tautpoint {ours[0]:.2f} s, {ours[1]:.0f} MB; "
            f"peer {peer[0]:.2f} s; ratio {ratios[-1]:.2f}"
        )
    print(f"median ratio {statistics.median(ratios):.2f}")
    shutil.rmtree(work)


if __name__ == "__main__":
    main()
