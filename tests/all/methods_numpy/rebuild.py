"""Rebuilds results from recordings by METHODS.md alone, and compares them with the program's tables.

    rebuild.py RESULTS RECORDINGS

RESULTS holds tests.csv, springs.csv, findings.csv and curves/; RECORDINGS is the folder that the tables' recording names
start from. Needs numpy and nothing else. Written from the text of METHODS.md; the numbers after § are its sections. Covers
recordings of one side with force in N and displacement in mm, without calibration or mat, at the default settings.
Prints one JSON object: for each column how many cells were compared, the largest difference (relative to the value or
to the column's floor, whichever is larger), and where it is.
"""

import csv
import json
import math
import os
import sys

import numpy as np

from comparison import KEY, findings
from recording import Recording
from springs import Test


class Report:
    def __init__(self):
        self.columns = {}

    def cell(self, column, where, program, rebuilt, floor=1e-9):
        entry = self.columns.setdefault(column, {"cells": 0, "worst": 0.0, "where": ""})
        entry["cells"] += 1
        if program == "" or rebuilt is None or rebuilt == "" or isinstance(rebuilt, str):
            off = 0.0 if program == ("" if rebuilt is None else rebuilt) else math.inf
        else:
            off = abs(float(program) - rebuilt) / max(abs(float(program)), floor)
        if not off <= entry["worst"]:
            entry["worst"], entry["where"] = off, f"{where}: {program} in the table, {rebuilt} rebuilt"


    def curve(self, column, where, program, rebuilt):
        entry = self.columns.setdefault(column, {"cells": 0, "worst": 0.0, "where": ""})
        entry["cells"] += len(program)
        off = np.max(np.abs(program - rebuilt)) if len(program) == len(rebuilt) else math.inf
        if not off <= entry["worst"]:
            entry["worst"], entry["where"] = float(off), where


def table(folder, name):
    with open(os.path.join(folder, name), newline="", encoding="utf-8") as f:
        return list(csv.DictReader(f))


SPRING_VALUES = (
    "preload_n peak_n excursion_mm end_feel_n_per_mm secant_n_per_mm loading_work_mj loss_mj loss_ratio "
    "recoil_ratio time_to_peak_s loading_rate_n_per_s"
).split()


def compare_springs(report, name, test, rows):
    report.cell("springs.rows", name, str(len(rows)), len(test.springs))
    r = test.r
    for row, s in zip(rows, test.springs):
        where = f"{name} spring {row['spring']}"
        at = lambda i: r.t0 + i * r.h
        for column, value in (
            ("start_s", at(s.a)), ("peak_s", at(s.peak_at)), ("end_s", at(s.b)),
            ("start_mm", s.start.level), ("peak_mm", s.x_p), ("end_mm", s.stop.level if s.stop.ok else None),
        ):
            report.cell("springs." + column, where, row[column], value, 1.0)
        report.cell("springs.counted", where, row["counted"], str(s.counted).upper())
        for column in SPRING_VALUES:
            value = s.values.get(column)
            report.cell("springs." + column, where, row[column], None if value is None else value.value, 0.1)


def compare_test(report, name, test, row):
    measures = [c.removesuffix("_u95") for c in row if c.endswith("_u95")]
    for column in measures + ["total_peak_n", "samples", "fit_residual_percent"]:
        value, half, sd, _ = test.out.get(column, (None, None, None, None))
        report.cell("tests." + column, name, row[column], value, 0.1)
        if column in measures:
            report.cell(f"tests.{column}_u95", name, row[column + "_u95"], half, 1e-3)
        if column + "_sd" in row:
            report.cell(f"tests.{column}_sd", name, row[column + "_sd"], sd, 1e-3)
    report.cell("tests.springs", name, row["springs"], len(test.springs))
    report.cell("tests.knee_found", name, row["knee_found"], str(bool(test.fit.knee)).upper())


def compare_curve(report, folder, name, test, marks):
    """The conditioned curve of a test: from 0.4 s before its contact to 0.4 s after, as far as it was recorded."""
    r, margin = test.r, math.floor(0.4 * test.r.fs + 0.5)
    first, last = max(0, test.begin - margin), min(len(r.force), test.end + margin)
    rows = table(os.path.join(folder, "curves"), marks[0]["file"])
    column = lambda c: np.array([float(row[c]) for row in rows])
    report.curve("curves.time_s", name, column("time_s"), r.t0 + r.h * np.arange(first, last))
    report.curve("curves.force_n", name, column("force_n"), r.force[first:last])
    report.curve("curves.displacement_mm", name, column("displacement_mm"), r.x[first:last])
    peaks = [m for m in marks if m["mark"] == "spring_peak"]
    report.cell("curves.peaks", name, str(len(peaks)), len(test.springs))
    for mark, s in zip(peaks, test.springs):
        report.cell("curves.peak_s", name, mark["time_s"], r.t0 + s.peak_at * r.h, 1.0)
        on_line = np.interp(float(mark["time_s"]), r.t0 + r.h * np.arange(len(r.force)), r.force)
        report.cell("curves.peak_n", name, mark["force_n"], float(on_line), 0.1)


# A p near 1 is the sum of two tails, one near 0 a tail far out.
FLOORS = {"standard_error": 1e-3, "p_value": 1e-3, "p_adjusted": 1e-3}


def main():
    results, recordings = sys.argv[1:3]
    report, tests, springs = Report(), table(results, "tests.csv"), table(results, "springs.csv")
    marks = table(os.path.join(results, "curves"), "marks.csv")
    for row in tests:
        name = row["recording"]
        r = Recording(os.path.join(recordings, name))
        report.cell("tests.rate_hz", name, row["rate_hz"], r.fs)
        window_n = [float(v) for v in row["window"].removesuffix(" N").split("-")]
        test = Test(r, r.contacts[int(row["test"]) - 1], window_n)
        compare_test(report, name, test, row)
        of_test = [m for m in marks if m["recording"] == name and m["test"] == row["test"]]
        compare_curve(report, results, name, test, of_test)
        row["u"] = {column: u for column, (_, _, _, u) in test.out.items()}
        compare_springs(report, name, test, [s for s in springs if s["recording"] == name and s["test"] == row["test"]])
    rebuilt = findings(tests)
    rows = table(results, "findings.csv")
    report.cell("findings.rows", "all", str(len(rows)), len(rebuilt))
    for row in rows:
        key = tuple(row[c] for c in KEY)
        found = rebuilt.get((row["comparison"], key, row["measure"]), {})
        where = " ".join((row["level"], row["contact"], row["comparison"], row["measure"]))
        for column in (
            "left right left_trials right_trials asymmetry_percent low_percent high_percent threshold_percent "
            "mdc_percent spread_source side_of_resistance trials_to_decide difference difference_low difference_high "
            "standard_error degrees_of_freedom p_value p_adjusted variance_rule raised_to_measurement"
        ).split():
            report.cell("findings." + column, where, row[column], found.get(column), FLOORS.get(column, 0.1))
    for entry in report.columns.values():
        # One side missing is an infinite difference, which JSON has no number for.
        entry["worst"] = entry["worst"] if math.isfinite(entry["worst"]) else None
    json.dump(report.columns, sys.stdout)


main()
