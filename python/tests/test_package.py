"""What a user may count on, and what goes wrong said well."""

import concurrent.futures
import doctest
import gc
import importlib
import os
import pathlib
import pickle
import pkgutil
import signal
import subprocess
import sys
import tempfile
import textwrap
import threading
import time
import unittest

import duckdb
import numpy as np
import pandas
import polars
import pyarrow
import scipy.signal

import tautpoint
from common import ROOT, study
from tautpoint._analysis import _ABOUT

PRESS = tautpoint.simulate(seed=1)


def analysed(**more):
    return tautpoint.analyze_trace(PRESS.time_s, PRESS.force_n, PRESS.displacement_mm, **more)


class Tables(unittest.TestCase):
    def test_other_libraries_take_a_table_as_it_is(self):
        springs = analysed(level="L3", side="left").springs
        expected = springs["peak_n"]
        self.assertEqual(polars.DataFrame(springs)["peak_n"].to_list(), expected)
        self.assertEqual(pandas.DataFrame.from_arrow(springs)["peak_n"].tolist(), expected)
        self.assertEqual(springs.to_pandas()["peak_n"].tolist(), springs.to_polars()["peak_n"].to_list())
        self.assertEqual(pyarrow.table(springs)["peak_n"].to_pylist(), expected)
        self.assertEqual(duckdb.sql("select max(peak_n) from springs").fetchall(), [(max(expected),)])
        # A stream is read once; the table makes a new one each time.
        self.assertEqual(duckdb.sql("select count(*) from springs where counted").fetchall(), [(2,)])

    def test_nothing_is_copied_on_the_way_to_arrow(self):
        springs = analysed().springs
        address = [pyarrow.table(springs)["peak_n"].chunk(0).buffers()[1].address for _ in range(2)]
        self.assertEqual(*address)

    def test_missing_is_null_and_words_are_text(self):
        tests = pyarrow.table(analysed().tests)
        self.assertEqual(tests["subject"].null_count, 1)
        self.assertEqual(tests["springs"].to_pylist(), [3])
        self.assertEqual(tests.schema.field("knee_found").type, pyarrow.bool_())
        self.assertTrue(pyarrow.types.is_large_string(tests.schema.field("notes").type))

    def test_an_arrow_table_outlives_what_it_came_from(self):
        table = pyarrow.table(analysed().springs)
        gc.collect()
        self.assertEqual(table.num_rows, 3)
        self.assertTrue(all(v > 60 for v in table["peak_n"].to_pylist()))

    def test_a_table_of_no_rows_keeps_its_types(self):
        findings = analysed().findings
        self.assertEqual(len(findings), 0)
        self.assertEqual(polars.DataFrame(findings).schema["asymmetry_percent"], polars.Float64)
        self.assertEqual(len(pandas.DataFrame.from_arrow(findings)), 0)
        self.assertEqual(pyarrow.table(findings).num_rows, 0)

    def test_a_schema_alone_can_be_asked_for(self):
        self.assertIn("peak_n", pyarrow.schema(analysed().springs).names)

    def test_a_column_that_is_not_there_is_named(self):
        with self.assertRaisesRegex(KeyError, 'no column "peak"'):
            analysed().springs["peak"]
        with self.assertRaises(TypeError):
            analysed().springs[0]
        with self.assertRaises(TypeError):
            analysed().tests.to_numpy("notes")


class Arrays(unittest.TestCase):
    def test_every_kind_of_array_gives_the_same(self):
        expected = analysed().tests.rows()
        columns = (PRESS.time_s, PRESS.force_n, PRESS.displacement_mm)
        read_only = [c.copy() for c in columns]
        for c in read_only:
            c.flags.writeable = False
        both = np.stack(columns, axis=1)
        wide = [np.repeat(c, 3)[::3] for c in columns]
        backwards = [c[::-1].copy()[::-1] for c in columns]
        swapped = [c.astype(">f8") for c in columns]
        frame = polars.DataFrame(dict(zip("tfx", columns)))
        kinds = {
            "read-only": read_only,
            "columns of a matrix": [both[:, i] for i in range(3)],
            "strided": wide,
            "backwards": backwards,
            "other byte order": swapped,
            "lists": [c.tolist() for c in columns],
            "polars": [frame[c] for c in "tfx"],
            "pandas": [pandas.Series(c) for c in columns],
            "pyarrow": [pyarrow.array(c) for c in columns],
            "memoryview": [memoryview(c) for c in columns],
            "objects": [c.astype(object) for c in columns],
            "masked": [np.ma.masked_invalid(c) for c in columns],
        }
        for kind, given in kinds.items():
            self.assertEqual(tautpoint.analyze_trace(*given).tests.rows(), expected, kind)

    def test_missing_values_are_missing_however_they_are_said(self):
        force = PRESS.force_n.copy()
        force[700:705] = np.nan
        expected = tautpoint.analyze_trace(PRESS.time_s, force, PRESS.displacement_mm).tests.rows()
        masked = np.ma.array(PRESS.force_n, mask=np.isnan(force))
        nulls = polars.Series([None if v != v else v for v in force.tolist()])
        nullable = pandas.Series(force).astype("Float64")
        nones = [None if v != v else v for v in force.tolist()]
        for given in (masked, nulls, nullable, nones):
            found = tautpoint.analyze_trace(PRESS.time_s, given, PRESS.displacement_mm).tests.rows()
            self.assertEqual(found, expected, type(given))

    def test_what_is_no_column_of_numbers_is_refused_by_name(self):
        t, f, x = PRESS.time_s, PRESS.force_n, PRESS.displacement_mm
        for given, error, words in [
            ((t, f.reshape(-1, 1)), ValueError, "force_n has 2 dimensions"),
            ((t, np.float64(3.0)), TypeError, "force_n is a float64"),
            ((t, "force"), TypeError, "force_n is a str"),
            ((t, f.astype(complex)), TypeError, "force_n holds complex128"),
            ((t, f > 3), TypeError, "force_n holds bool"),
            ((t, f.astype(str)), TypeError, "force_n holds <U"),
            ((t.astype("datetime64[s]"), f), TypeError, "time_s holds datetime64"),
            ((t, [{}] * len(t)), TypeError, "force_n holds a dict at index 0"),
            ((t, [object()] * len(t)), TypeError, "force_n holds a object"),
            ((t, f[:-1]), tautpoint.DataError, "column force_n: found"),
            ((t, f, x[:-1]), tautpoint.DataError, "column displacement_mm"),
            (([], []), tautpoint.DataError, "trace"),
            ((t, np.full_like(f, np.nan)), tautpoint.DataError, "trace"),
            ((t, np.full_like(f, np.inf)), tautpoint.DataError, "column force_n: found inf at index 0"),
            ((np.full_like(t, np.nan), f), tautpoint.DataError, "no time in any row"),
            ((t[::-1], f), tautpoint.DataError, "column time_s"),
            ((t,), tautpoint.DataError, "no force column"),
        ]:
            with self.assertRaisesRegex(error, words, msg=words):
                tautpoint.analyze_trace(*given)

    def test_rows_without_a_time_are_left_out_and_told(self):
        time = PRESS.time_s.copy()
        time[100:103] = np.nan
        found = tautpoint.analyze_trace(time, PRESS.force_n, PRESS.displacement_mm)
        self.assertIn("3 rows without a time", found.problems["found"][0])

    def test_what_the_sidecar_would_say_is_checked_like_one(self):
        with self.assertRaises(tautpoint.DataError) as caught:
            analysed(level="L9")
        self.assertEqual(caught.exception.column, "level")
        for argument, words in [({"levle": "L3"}, "do you mean level"), ({"displacment_mm": PRESS.force_n}, "displacement_mm")]:
            with self.assertRaisesRegex(TypeError, words):
                analysed(**argument)
        # Each that may be said is one that a sidecar may hold, and none of these is told to have no effect.
        said = dict(
            subject="V-01", examiner="L-01", session="2026-10-14", recorded_at="2026-10-14T10:00:00", site="hall", device="d",
            level="L3", side="left", landmark="spinous process", contact="thumb", contact_area_mm2=400.0, posture="prone",
            surface="plinth", line_of_drive_deg=0.0, covers=["L4"], breath="end of exhalation", trial=1, feedback="none",
            station="A",
        )
        self.assertEqual(set(said) | {"excluded", "known_weight_n"}, set(_ABOUT))
        self.assertEqual([p for p in analysed(**said).problems.rows() if "unknown" in p["found"]], [])

    def test_arrays_are_never_changed(self):
        before = [c.tobytes() for c in (PRESS.time_s, PRESS.force_n, PRESS.displacement_mm)]
        analysed()
        self.assertEqual(before, [c.tobytes() for c in (PRESS.time_s, PRESS.force_n, PRESS.displacement_mm)])


class Errors(unittest.TestCase):
    def test_a_fault_in_a_file_names_file_line_and_column(self):
        folder = pathlib.Path(tempfile.mkdtemp())
        (folder / "bad.csv").write_text("time_s,force_n\n0,1\n0.001,one\n0.002,3\n")
        with self.assertRaises(tautpoint.DataError) as caught:
            tautpoint.analyze(folder / "bad.csv")
        error = caught.exception
        self.assertEqual((error.file, error.line, error.column), ("bad.csv", 3, "force_n"))
        self.assertIn("one", error.found)
        self.assertEqual(len(error.problems), 1)
        again = pickle.loads(pickle.dumps(error))
        self.assertEqual((str(again), again.line), (str(error), 3))

    def test_one_bad_file_stops_nothing(self):
        folder = pathlib.Path(tempfile.mkdtemp())
        (folder / "good.csv").write_text(PRESS.to_csv())
        (folder / "bad.csv").write_text("time_s,force_n\n0,one\n")
        (folder / "empty.csv").write_text("")
        (folder / "noise.parquet").write_bytes(bytes(range(256)))
        found = tautpoint.analyze(folder)
        self.assertEqual(len(found), 1)
        self.assertEqual(sorted(set(found.problems["file"])), ["bad.csv", "empty.csv", "noise.parquet"])

    def test_paths_and_settings_that_cannot_be_meant(self):
        with self.assertRaises(tautpoint.ReadError) as caught:
            tautpoint.analyze("no/such/folder")
        self.assertIsInstance(caught.exception, OSError)
        self.assertRegex(str(caught.exception), "no/such/folder.*; check")
        self.assertEqual(str(pickle.loads(pickle.dumps(caught.exception))), str(caught.exception))
        for nothing in (lambda: tautpoint.analyze([]), lambda: tautpoint.compare([])):
            with self.assertRaises(ValueError):
                nothing()
        with self.assertWarnsRegex(UserWarning, "line 2: found .*x"):
            tautpoint.agree(ratings={"subject": [1, 2], "rater": ["a", "b"], "value": ["x", "y"]})
        for settings, words in [
            ({"compare.treshold_percent": 3}, "write compare.threshold_percent"),
            ({"compare.threshold_percent": -3}, "compare.threshold_percent"),
            ({"compare.threshold_percent": "12"}, "compare.threshold_percent"),
            ({"filter.low_pass_hz": float("nan")}, "filter.low_pass_hz"),
            ({"compare": 3}, "compare"),
        ]:
            with self.assertRaisesRegex(tautpoint.DataError, words):
                analysed(settings=settings)
        with self.assertRaises(TypeError):
            analysed(settings={"a b": 1})
        with self.assertRaises(TypeError):
            analysed(settings=[1])
        with self.assertRaises(tautpoint.SettingError):
            analysed(plan="no-such-plan")

    def test_what_cannot_be_meant_is_said_in_words(self):
        press = tautpoint.simulate(seed=1)
        with self.assertWarnsRegex(tautpoint.DoubtWarning, "turn the headings round"):
            tautpoint.analyze_trace(press.time_s, press.displacement_mm, press.force_n, level="L3", side="left")
        with self.assertRaises(tautpoint.ReadError) as caught:
            tautpoint.calibrate("nowhere.csv")
        self.assertEqual(caught.exception.filename, "nowhere.csv")
        for wrong in (3, None):
            with self.assertRaisesRegex(TypeError, "is no path"):
                tautpoint.analyze(wrong)
        with open(__file__, encoding="utf-8") as file, self.assertRaisesRegex(TypeError, "is no path"):
            tautpoint.analyze(file)
        with self.assertRaisesRegex(ValueError, "an empty path"):
            tautpoint.analyze("")
        with self.assertRaisesRegex(TypeError, "what analyze_trace"):
            tautpoint.compare([1, 2])
        with self.assertRaisesRegex(TypeError, "no table"):
            tautpoint.agree(ratings="ratings.csv")
        for seed in ("1", None):
            with self.assertRaisesRegex(TypeError, "whole number"):
                tautpoint.simulate(seed)
        with self.assertRaisesRegex(ValueError, "springs is -1"):
            tautpoint.simulate(1, springs=-1)

    def test_a_folder_with_other_things_is_left_alone(self):
        folder = pathlib.Path(tempfile.mkdtemp())
        (folder / "thesis.txt").write_text("mine")
        with self.assertRaises(tautpoint.RefusedError):
            analysed().write(folder)
        self.assertEqual((folder / "thesis.txt").read_text(), "mine")


class Ceilings(unittest.TestCase):
    def test_a_push_over_the_ceiling_is_a_warning(self):
        with self.assertWarnsRegex(tautpoint.CeilingWarning, "ceiling"):
            found = tautpoint.analyze_trace(
                PRESS.time_s, PRESS.force_n, PRESS.displacement_mm, level="L3", side="left", settings={"ceiling_n.lumbar": 50}
            )
        self.assertIn("ceiling", found.over_ceilings[0])
        self.assertIn("over_ceiling", " ".join(found.technique["finding"]))
        self.assertIn("ceiling", found._repr_html_())

    def test_also_where_the_recording_cannot_be_used(self):
        # The press as it was, told to be two presses by a clock that was reset.
        time = np.concatenate([PRESS.time_s, PRESS.time_s])
        force = np.concatenate([PRESS.force_n, PRESS.force_n])
        with self.assertWarnsRegex(tautpoint.CeilingWarning, "ceiling"), self.assertRaises(tautpoint.DataError):
            tautpoint.analyze_trace(time, force, level="L3", side="left", settings={"ceiling_n.lumbar": 50})


class Threads(unittest.TestCase):
    def test_other_threads_run_while_an_analysis_does(self):
        ticks, ended = [], threading.Event()

        def tick():
            while not ended.is_set():
                ticks.append(time.perf_counter())
                time.sleep(0.001)

        clock = threading.Thread(target=tick)
        clock.start()
        begun = time.perf_counter()
        for _ in range(5):
            analysed()
        took = time.perf_counter() - begun
        ended.set()
        clock.join()
        within = sum(begun <= t <= begun + took for t in ticks)
        # One that holds the lock lets the clock tick once or twice between two calls.
        self.assertGreater(within, 12, (within, took))

    def test_many_threads_give_what_one_gives(self):
        def one(seed):
            press = tautpoint.simulate(seed=seed)
            return tautpoint.analyze_trace(press.time_s, press.force_n, press.displacement_mm).tests.rows()

        with concurrent.futures.ThreadPoolExecutor(4) as pool:
            together = list(pool.map(one, range(6)))
        self.assertEqual(together, [one(seed) for seed in range(6)])

    @unittest.skipUnless(hasattr(os, "fork"), "no such system call")
    def test_a_forked_process_is_told_what_it_cannot_do_and_does_the_rest(self):
        script = """
            import multiprocessing, tempfile, warnings
            import tautpoint
            warnings.simplefilter("ignore")
            def trace(seed):
                press = tautpoint.simulate(seed=seed)
                return tautpoint.analyze_trace(press.time_s, press.force_n, press.displacement_mm, level="L3", side="left")
            def child(seed):
                found = trace(seed)
                assert found[0]._repr_svg_() and found[0].curve
                try:
                    found.write(tempfile.mkdtemp() + "/results")
                    return "written"
                except tautpoint.RefusedError as error:
                    return "spawn" if "spawn" in str(error) else str(error)
            fork = multiprocessing.get_context("fork")
            trace(1)
            with fork.Pool(2) as pool:
                print(pool.map(child, [2, 3]))
            trace(1).write(tempfile.mkdtemp() + "/results")
            with fork.Pool(2) as pool:
                print(pool.map(child, [2, 3]))
            """
        done = subprocess.run(
            [sys.executable, "-c", textwrap.dedent(script)], capture_output=True, text=True, timeout=240
        )
        self.assertEqual(done.stdout.split("\n")[:2], ["['written', 'written']", "['spawn', 'spawn']"], done.stderr)

    def test_progress_is_told_and_its_exceptions_are_raised(self):
        told = []
        tautpoint.analyze(study(), progress=lambda done, of: told.append((done, of)))
        self.assertEqual(told, sorted(set(told)))
        self.assertTrue(all(0 < done <= of for done, of in told))

        def stop(done, of):
            raise RuntimeError(f"stopped at {done}")

        folder = many(60)
        with self.assertRaisesRegex(RuntimeError, "stopped at"):
            tautpoint.analyze(folder, progress=stop)

    @unittest.skipIf(os.name == "nt", "no such signal")
    def test_ctrl_c_stops_an_analysis(self):
        script = f"import tautpoint\nprint('begun', flush=True)\ntautpoint.analyze({str(many(600))!r})\nprint('done')\n"
        child = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        child.stdout.readline()
        time.sleep(0.7)
        child.send_signal(signal.SIGINT)
        begun = time.perf_counter()
        out, error = child.communicate(timeout=60)
        self.assertIn("KeyboardInterrupt", error)
        self.assertNotIn("done", out)
        self.assertLess(time.perf_counter() - begun, 20)


_MANY = {}


def many(count):
    """A folder of so many recordings of presses that all differ."""
    if count not in _MANY:
        folder = pathlib.Path(tempfile.mkdtemp())
        text = PRESS.to_csv()
        for i in range(count):
            (folder / f"press-{i:04}.csv").write_text(text.replace("force_n", "force_n", 1) + f"{9 + i / 1e6!r},0.0,0.0\n")
        _MANY[count] = folder
    return _MANY[count]


class Curves(unittest.TestCase):
    def test_the_filter_is_scipys(self):
        """A second-order Butterworth forward and backward; 20 Hz is the cut-off of both passes (METHODS.md §1.7)."""
        press = tautpoint.simulate(seed=4, force_noise_n=0.2)
        test = tautpoint.analyze_trace(press.time_s, press.force_n, press.displacement_mm)[0]
        time, force, displacement = test.arrays()
        warped = np.tan(np.pi * 20 / 1000) / (2**0.5 - 1) ** 0.25
        sos = scipy.signal.butter(2, 1000 / np.pi * np.arctan(warped), fs=1000, output="sos")
        raw = scipy.signal.sosfiltfilt(sos, press.force_n)
        first = int(np.argmin(np.abs(press.time_s - time[0])))
        inside = slice(300, len(time) - 300)
        difference = (force - raw[first : first + len(force)])[inside]
        # What is left beside the filter is the zero, which is a straight line.
        straight = np.polyval(np.polyfit(time[inside], difference, 1), time[inside])
        self.assertLess(np.abs(difference - straight).max(), 0.02)
        self.assertLess(np.abs(np.diff(time) - 0.001).max(), 1e-9)
        self.assertFalse(np.isnan(displacement).any())

    def test_marks_lie_on_the_curve(self):
        test = analysed(level="L3", side="left")[0]
        curve, marks = test.curve, test.marks
        peaks = [m for m in marks.rows() if m["mark"] == "spring_peak"]
        self.assertEqual([m["time_s"] for m in peaks], [s["peak_s"] for s in test.springs])
        self.assertGreater(len(curve), 3000)
        self.assertEqual(curve.columns, ["time_s", "force_n", "displacement_mm"])

    def test_curves_of_files_are_read_again_and_changes_are_told(self):
        folder = pathlib.Path(tempfile.mkdtemp())
        (folder / "press.csv").write_text(PRESS.to_csv())
        found = tautpoint.analyze(folder)
        self.assertEqual(found[0].curve.to_csv(), analysed()[0].curve.to_csv())
        (folder / "press.csv").write_text(PRESS.to_csv()[:-40])
        again = tautpoint.analyze(folder)
        (folder / "press.csv").write_text(PRESS.to_csv())
        with self.assertRaisesRegex(tautpoint.RefusedError, "is not what it was"):
            again[0].curve


class Notebook(unittest.TestCase):
    def test_figures_and_tables_show_themselves(self):
        found = analysed(level="L3", side="left")
        self.assertTrue(found[0]._repr_svg_().startswith("<svg"))
        self.assertIn("<svg", found.figures._repr_html_())
        self.assertIn("<td>", found.springs._repr_html_())
        self.assertIn("onset", found._repr_html_())
        self.assertIn("<!DOCTYPE html>", found.report()[:40])

    def test_text_from_outside_is_no_markup(self):
        found = analysed(name="<script>alert(1)</script>")
        for html in (found._repr_html_(), found.springs._repr_html_(), found.figures._repr_html_(), found.report()):
            self.assertNotIn("<script>alert", html)


class Blind(unittest.TestCase):
    def test_what_a_blind_study_hides_is_nowhere(self):
        folder = pathlib.Path(tempfile.mkdtemp())
        (folder / "recordings").mkdir()
        (folder / "study.toml").write_text("blind = true\n")
        for side in ("left", "right"):
            (folder / "recordings" / f"{side}.csv").write_text(PRESS.to_csv())
            (folder / "recordings" / f"{side}.toml").write_text(f'level = "L3"\nside = "{side}"\n')
        found = tautpoint.analyze(folder)
        self.assertTrue(found.blinded)
        self.assertEqual([v for v in found.tests["end_feel_n_per_mm"] if v is not None], [])
        self.assertEqual(len(found.budget), 0)
        for hidden in (lambda: found[0].curve, lambda: found[0].figure):
            with self.assertRaisesRegex(LookupError, "blind"):
                hidden()
        with self.assertRaises(tautpoint.RefusedError):
            found.agreement()


class Stream(unittest.TestCase):
    def test_the_detector_finds_what_the_file_analysis_finds(self):
        detector = tautpoint.Detector(rate_hz=1000)
        events = detector.push_all(PRESS.time_s, PRESS.force_n, PRESS.displacement_mm) + detector.finish()
        one = tautpoint.Detector(rate_hz=1000)
        singly = [e for s in zip(PRESS.time_s, PRESS.force_n, PRESS.displacement_mm) for e in one.push(*s)]
        self.assertEqual(events, singly + one.finish())
        peaks = [e.time_s for e in events if e.what == "spring"]
        for peak, spring in zip(peaks, analysed()[0].springs, strict=True):
            self.assertAlmostEqual(peak, spring["peak_s"], delta=0.03)

    def test_what_is_no_sample_is_refused(self):
        detector = tautpoint.Detector(rate_hz=1000, displacement=False)
        for sample in [(np.nan, 1.0), (0.0, np.inf)]:
            with self.assertRaises(ValueError):
                detector.push(*sample)
        with self.assertRaises(ValueError):
            tautpoint.Detector(rate_hz=0)
        with self.assertRaises(ValueError):
            detector.push_all([0.0, 1.0], [1.0])


class Program(unittest.TestCase):
    def test_the_program_is_in_the_package(self):
        done = subprocess.run([sys.executable, "-m", "tautpoint", "--version"], capture_output=True, text=True)
        self.assertEqual(done.stdout.strip(), f"tautpoint {tautpoint.__version__}")
        done = subprocess.run([sys.executable, "-m", "tautpoint", "analyze", "nowhere"], capture_output=True, text=True)
        self.assertEqual(done.returncode, 2)

    def test_the_program_needs_no_numpy(self):
        script = textwrap.dedent(
            """
            import sys
            sys.modules["numpy"] = None
            sys.argv = ["tautpoint", "--version"]
            import tautpoint.__main__
            sys.exit(tautpoint.__main__.main())
            """
        )
        subprocess.run([sys.executable, "-c", script], check=True, capture_output=True)

    def test_the_version_is_that_of_the_manifest(self):
        manifest = (ROOT / "Cargo.toml").read_text()
        self.assertIn(f'version = "{tautpoint.__version__}"', manifest)


def load_tests(loader, tests, ignored):
    """The examples in the package's docstrings run too."""
    for module in pkgutil.iter_modules(tautpoint.__path__):
        if module.name not in ("_native", "__main__"):
            found = importlib.import_module(f"tautpoint.{module.name}")
            tests.addTests(doctest.DocTestSuite(found, globs={**vars(tautpoint), **vars(found)}))
    tests.addTests(doctest.DocTestSuite(tautpoint))
    return tests


if __name__ == "__main__":
    unittest.main()
