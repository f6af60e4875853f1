"""Only reading: every recording of a folder with polars, which uses all cores for each file.

    python3 benches/read_peer.py FOLDER
"""

import glob
import os
import sys
import time

import polars as pl


def main():
    pattern = os.path.join(sys.argv[1], "**", "*.csv")
    paths = sorted(p for p in glob.glob(pattern, recursive=True) if os.path.basename(p) not in ("roster.csv", "calls.csv"))
    begin = time.perf_counter()
    samples = sum(pl.read_csv(path).height for path in paths)
    wall = time.perf_counter() - begin
    print(f"{len(paths)} recordings, {samples} samples read in {wall:.2f} s by polars {pl.__version__}")


if __name__ == "__main__":
    main()
