"""Every number is the command-line program's, to the last bit."""

import pathlib
import tempfile
import unittest
import warnings

import pyarrow
import pyarrow.parquet

import tautpoint
from common import ROOT, run, run_json, study

# Differs from build to build and says nothing of a number.
BUILD = ("build",)


def found_by_python(what, **more):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", tautpoint.CeilingWarning)
        return tautpoint.analyze(what, **more)


class CommandLine(unittest.TestCase):
    maxDiff = 2000

    def assert_same(self, python, program):
        for key in program:
            if key not in BUILD:
                self.assertEqual(python[key], program[key], key)
        self.assertEqual(list(python), list(program))

    def test_a_study_gives_the_same_object(self):
        self.assert_same(found_by_python(study()).to_dict(), run_json("analyze", study()))

    def test_settings_do_what_their_lines_in_study_toml_do(self):
        folder = pathlib.Path(tempfile.mkdtemp())
        (folder / "recordings").mkdir()
        made = tautpoint.simulate(seed=8)
        (folder / "recordings" / "press.csv").write_text(made.to_csv())
        (folder / "study.toml").write_text("[filter]\nlow_pass_hz = 25.0\n[ceiling_n]\nlumbar = 150.0\n")
        program = run_json("analyze", folder)
        (folder / "study.toml").write_text("")
        given = {"filter.low_pass_hz": 25, "ceiling_n.lumbar": 150}
        python = found_by_python(folder, settings=given).to_dict()
        for table in ("tests", "springs", "technique", "exclusions"):
            self.assertEqual(python[table], program[table], table)
        set_in = {setting["key"]: setting["set_in"] for setting in python["settings"]}
        self.assertEqual(set_in["filter.low_pass_hz"], "settings")

    def test_tables_hold_the_bits_and_types_of_the_parquet_files(self):
        out = pathlib.Path(tempfile.mkdtemp()) / "results"
        run("--quiet", "analyze", study(), "--out", out)
        found = found_by_python(study())
        for name in ("tests", "springs", "findings", "technique", "reference"):
            own, written = pyarrow.table(found.table(name)), pyarrow.parquet.read_table(out / f"{name}.parquet")
            self.assertEqual(own.column_names, written.column_names, name)
            for column in written.column_names:
                a, b = own[column].combine_chunks(), written[column].combine_chunks()
                a = a.cast(b.type) if pyarrow.types.is_large_string(a.type) else a
                self.assertEqual(a.type, b.type, (name, column))
                self.assertEqual(a.to_pylist(), b.to_pylist(), (name, column))
            self.assertEqual(found.table(name).to_csv(), (out / f"{name}.csv").read_text(), name)

    def test_arrays_give_what_their_file_gives(self):
        for condition in ("clean", "noisy", "rate-80", "force-only", "spiky", "dropped", "relaxing"):
            folder = pathlib.Path(tempfile.mkdtemp())
            made = tautpoint.simulate(seed=11, condition=condition)
            (folder / "press.csv").write_text(made.to_csv())
            (folder / "press.toml").write_text('level = "L3"\nside = "left"\nsubject = "V-01"\n')
            program = run_json("analyze", folder / "press.csv")
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", tautpoint.CeilingWarning)
                found = tautpoint.analyze_trace(
                    made.time_s,
                    made.force_n,
                    made.displacement_mm,
                    name="press.csv",
                    level="L3",
                    side="left",
                    subject="V-01",
                )
            self.assertEqual(len(program["tests"]), 1, condition)
            self.assert_same(found.to_dict(), program)

    def test_budgets_read_alike(self):
        made = tautpoint.simulate(seed=2)
        folder = pathlib.Path(tempfile.mkdtemp())
        (folder / "press.csv").write_text(made.to_csv())
        found = tautpoint.analyze_trace(made.time_s, made.force_n, made.displacement_mm, name="press.csv")
        self.assertEqual(found.budget_text, run("analyze", folder / "press.csv", "--budget"))

    def test_agreement_gives_the_same_object(self):
        self.assert_same(tautpoint.agree(study()).numbers, run_json("agree", study()))
        folder = pathlib.Path(tempfile.mkdtemp())
        ratings = {"subject": [], "rater": [], "value": []}
        for subject in range(8):
            for rater in "abc":
                value = 10 + subject / 3 + ord(rater) / 7 + (subject * 31 + ord(rater)) % 5 / 11
                for key, cell in zip(ratings, (f"s{subject}", rater, value)):
                    ratings[key].append(cell)
        rows = "".join(f"{s},{r},{v!r}\n" for s, r, v in zip(*ratings.values()))
        (folder / "ratings.csv").write_text("subject,rater,value\n" + rows)
        program = run_json("agree", "--ratings", folder / "ratings.csv")
        self.assert_same(tautpoint.agree(ratings=ratings).numbers, program)

    def test_a_calibration_gives_the_same_object(self):
        folder = pathlib.Path(tempfile.mkdtemp())
        rows = [f"{n},{812 + 41.5 * n + (-1) ** i * 0.37!r}" for i, n in enumerate([0, 25, 50, 75, 100] * 3)]
        (folder / "readings.csv").write_text("applied_n,indicated\n" + "\n".join(rows) + "\n")
        options = ("--made", "2026-09-01", "--expires", "2027-03-01", "--load-uncertainty", "0.05", "--name", "cell-4")
        program = run_json("calibrate", folder / "readings.csv", *options)
        given = dict(made="2026-09-01", expires="2027-03-01", load_u_percent=0.05, name="cell-4")
        self.assertEqual(tautpoint.calibrate(folder / "readings.csv", **given).numbers, program)
        columns = {"applied_n": [], "indicated": []}
        for row in rows:
            for key, cell in zip(columns, row.split(",")):
                columns[key].append(float(cell))
        self.assertEqual(tautpoint.calibrate(columns, **given).numbers, program)

    def test_a_written_folder_holds_the_same_tables(self):
        out, own = (pathlib.Path(tempfile.mkdtemp()) / name for name in ("program", "python"))
        recording = ROOT / "sample-data/recordings/V-03_L-05_2026-10-14_L3_left_1.csv"
        run("--quiet", "analyze", recording, "--out", out)
        found_by_python(recording).write(own)
        names = sorted(p.relative_to(out) for p in out.rglob("*.csv"))
        self.assertGreater(len(names), 5)
        for name in names:
            self.assertEqual((own / name).read_bytes(), (out / name).read_bytes(), name)


if __name__ == "__main__":
    unittest.main()
