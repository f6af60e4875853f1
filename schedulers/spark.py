"""A large study on a Spark cluster: one task a shard, then one combine.

    spark-submit schedulers/spark.py STUDY PARTS RESULTS --shards 64

STUDY, PARTS and RESULTS lie on a disk that every worker sees, and so does the program. A task that Spark runs again
takes up what the first one had done; two at once into one folder do not disturb each other, since the second refuses.
"""

import argparse
import subprocess
import sys

from pyspark.sql import SparkSession


def shard(number, arguments):
    """Runs one shard; 0 is done, 1 done with recordings that could not be used, 2 nothing done."""
    command = [arguments.program, "--quiet", "analyze", arguments.study]
    command += ["--shard", f"{number}/{arguments.shards}", "--out", f"{arguments.parts}/{number}", "--jobs", "1"]
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode not in (0, 1):
        # The task fails, and Spark tries it again.
        raise RuntimeError(f"shard {number}: {done.stderr}")
    return number, done.returncode, done.stderr


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("study")
    parser.add_argument("parts")
    parser.add_argument("results")
    parser.add_argument("--shards", type=int, default=64)
    parser.add_argument("--program", default="tautpoint")
    arguments = parser.parse_args()
    spark = SparkSession.builder.appName("tautpoint").getOrCreate()
    numbers = range(1, arguments.shards + 1)
    tasks = spark.sparkContext.parallelize(numbers, arguments.shards)
    for _, _, words in sorted(tasks.map(lambda number: shard(number, arguments)).collect()):
        sys.stderr.write(words)
    spark.stop()
    parts = [f"{arguments.parts}/{number}" for number in numbers]
    combine = [arguments.program, "--quiet", "combine", *parts, "--out", arguments.results, "--cohort"]
    sys.exit(subprocess.run(combine).returncode)


if __name__ == "__main__":
    main()
