"""Recordings to tables, figures and pages."""

from __future__ import annotations

import difflib
import json
import os
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from html import escape
from typing import TYPE_CHECKING, Any

from . import _native
from ._arrays import doubles
from ._errors import CeilingWarning, DataError, DoubtWarning
from ._table import Table
from ._threads import needed

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from ._agreement import Agreement

Paths = str | os.PathLike[str] | Iterable[str | os.PathLike[str]]
Progress = Callable[[int, int], object]

# What a sidecar says of a recording, but for how its file is to be read.
_ABOUT = (
    "subject",
    "examiner",
    "session",
    "recorded_at",
    "site",
    "device",
    "level",
    "side",
    "landmark",
    "contact",
    "contact_area_mm2",
    "posture",
    "surface",
    "line_of_drive_deg",
    "covers",
    "breath",
    "trial",
    "feedback",
    "station",
    "excluded",
    "known_weight_n",
)


class Figure:
    """A figure that shows itself in a notebook.

    Attributes
    ----------
    name : str
        Name, as its file has it.
    svg : str
        The whole document.
    alt : str
        What is to be seen, in words.
    """

    def __init__(self, drawn: _native._Drawn) -> None:
        self.name, self.svg, self.alt = drawn

    def _repr_svg_(self) -> str:
        return self.svg

    def __repr__(self) -> str:
        return f"<Figure {self.name}: {self.alt}>"


class Figures(Mapping[str, Figure]):
    """Figures by name, in the order of the report; in a notebook they show themselves below each other."""

    def __init__(self, drawn: Sequence[_native._Drawn]) -> None:
        self._all = {name: Figure((name, svg, alt)) for name, svg, alt in drawn}

    def __getitem__(self, name: str) -> Figure:
        return self._all[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._all)

    def __len__(self) -> int:
        return len(self._all)

    def __repr__(self) -> str:
        return f"<Figures: {', '.join(self._all)}>"

    def _repr_html_(self) -> str:
        return "".join(f"<figure>{f.svg}</figure>" for f in self._all.values())


class Test(Mapping[str, Any]):
    """One test: from the hand's touching to its leaving, on one side. It holds the row of `tests` by column.

    Examples
    --------
    >>> press = simulate(seed=1)
    >>> test = analyze_trace(press.time_s, press.force_n, press.displacement_mm)[0]
    >>> 8 < test["onset_travel_mm"] < 8.5, test["knee_found"]
    (True, True)
    >>> [line["source"] for line in test.budget("end_feel_n_per_mm")][:2]
    ['force noise', 'displacement noise']
    >>> [mark["mark"] for mark in test.marks.rows()][:3]
    ['first_contact', 'onset', 'hold_begin']
    """

    __test__ = False  # Not one of a test runner's.

    def __init__(self, analysis: Analysis, at: int, row: Mapping[str, Any]) -> None:
        self._analysis = analysis
        self._at = at
        self._row = row
        self._curve: tuple[Table, Table] | None = None

    def __getitem__(self, column: str) -> Any:
        return self._row[column]

    def __iter__(self) -> Iterator[str]:
        return iter(self._row)

    def __len__(self) -> int:
        return len(self._row)

    def _own(self, rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
        key = ("recording", "test", "side")
        return [row for row in rows if all(row[k] == self[k] for k in key)]

    @property
    def springs(self) -> list[dict[str, Any]]:
        """Its rows of `springs`."""
        return self._own(self._analysis.springs.rows())

    def budget(self, measure: str) -> list[dict[str, Any]]:
        """The lines of a measure's uncertainty budget.

        Parameters
        ----------
        measure : str
            Name of the column, such as ``end_feel_n_per_mm``.

        Returns
        -------
        list of dict
            ``source``, ``u`` (standard uncertainty in the measure's unit), ``degrees_of_freedom`` (None: taken as known)
            and ``share`` of the combined variance.
        """
        if measure not in self._row:
            raise KeyError(measure)
        rows = self._own(self._analysis.budget.rows())
        wanted = ("source", "u", "degrees_of_freedom", "share")
        return [{k: row[k] for k in wanted} for row in rows if row["measure"] == measure]

    def _curves(self) -> tuple[Table, Table]:
        if self._curve is None:
            tables = self._analysis._native.curve(self._at)
            if tables is None:
                raise LookupError("a blind study hides this curve until it is opened")
            self._curve = (Table(tables[0]), Table(tables[1]))
        return self._curve

    @property
    def curve(self) -> Table:
        """Conditioned force and displacement at every sample, with 0.4 s of the open before and after."""
        return self._curves()[0]

    @property
    def marks(self) -> Table:
        """Where contact, onset and springs begin and end in the curve."""
        return self._curves()[1]

    def arrays(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Time, force and displacement of the curve as arrays; displacement is NaN without a sensor."""
        curve = self.curve
        return curve.to_numpy("time_s"), curve.to_numpy("force_n"), curve.to_numpy("displacement_mm")

    @property
    def figure(self) -> Figure:
        """Force against time with its phases, and against displacement with the onset and the loops."""
        drawn = self._analysis._native.test_figure(self._at)
        if drawn is None:
            raise LookupError("a blind study hides this figure until it is opened")
        return Figure(drawn)

    def _repr_svg_(self) -> str:
        return self.figure.svg

    def __repr__(self) -> str:
        where = " ".join(str(self[k]) for k in ("recording", "test", "level", "side") if self[k] is not None)
        return f"<Test {where}>"


class Analysis(Sequence[Test]):
    """What one analysis found: its tests in order, every table, and the figures and pages made of them.

    Attributes
    ----------
    tests, springs, findings, technique, reference, unpaired, exclusions, problems, budget : Table
        As docs/README.md describes them; `problems` is what is wrong with the inputs, `budget` every line of every
        uncertainty budget.
    """

    def __init__(self, native: _native.Analysis) -> None:
        self._native = native
        self._tables: dict[str, Table] = {}
        self._tests: list[Test] | None = None

    def table(self, name: str) -> Table:
        """The table of that name; see `tables`."""
        if name not in self._tables:
            native = self._native.table(name)
            if native is None:
                raise KeyError(f"no table {name!r}; there are {', '.join(self.tables)}")
            self._tables[name] = Table(native)
        return self._tables[name]

    @property
    def tables(self) -> list[str]:
        """Names of the tables."""
        return self._native.table_names()

    def __getattr__(self, name: str) -> Table:
        # Only what is no attribute comes here: the tables.
        if not name.startswith("_") and name in _native.Analysis.table_names():
            return self.table(name)
        raise AttributeError(f"{type(self).__name__} has no attribute {name!r}")

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *self.tables]

    def _all(self) -> list[Test]:
        if self._tests is None:
            self._tests = [Test(self, at, row) for at, row in enumerate(self.table("tests").rows())]
        return self._tests

    def __len__(self) -> int:
        return len(self._native)

    def __getitem__(self, at: Any) -> Any:
        return self._all()[at]

    @property
    def blinded(self) -> bool:
        """Whether a blind study hides its measured sides until it is opened."""
        return self._native.blinded

    @property
    def over_ceilings(self) -> list[str]:
        """Every push over a ceiling, and what could not be held against one, in words."""
        return self._native.over_ceilings()

    @property
    def figures(self) -> Figures:
        """The figures of the report: scans, then tests (beyond 60 those behind a finding or a problem)."""
        return Figures(self._native.figures())

    @property
    def summary(self) -> str:
        """What the program prints."""
        return self._native.text("summary")

    @property
    def budget_text(self) -> str:
        """The uncertainty budget of every measure in words."""
        return self._native.text("budget")

    def to_dict(self) -> dict[str, Any]:
        """The object that ``tautpoint analyze --json`` prints."""
        found: dict[str, Any] = json.loads(self._native.text("json"))
        return found

    def report(self) -> str:
        """The whole report as an HTML page that stands alone."""
        return self._native.page()

    def write(self, folder: str | os.PathLike[str]) -> None:
        """Write tables, figures and the report into a folder, whole or not at all.

        Parameters
        ----------
        folder : path
            A new folder, or one that an earlier analysis wrote.

        Raises
        ------
        RefusedError
            When the folder holds something else.
        ReadError
            When the system will not write.
        """
        needed()
        self._native.write(folder)

    def agreement(self) -> Agreement:
        """How far the repeated tests of this analysis agree; see `agree`."""
        from ._agreement import Agreement

        return Agreement(self._native.agreement())

    def __repr__(self) -> str:
        return f"<Analysis: {len(self)} tests, {len(self.table('problems'))} problems>"

    def _repr_html_(self) -> str:
        lines = "".join(f"<p><strong>{escape(line)}</strong></p>" for line in self.over_ceilings)
        return f"{lines}<pre>{escape(self.summary)}</pre>"


def _settings(settings: Mapping[str, Any] | None) -> str | None:
    """Settings as lines of study.toml."""
    if settings is None:
        return None
    if not isinstance(settings, Mapping):
        raise TypeError("settings is a dictionary, such as {'compare.threshold_percent': 12}")
    return "\n".join(f"{_key(key)} = {_toml(key, value)}" for key, value in settings.items())


def _key(key: object) -> str:
    if not isinstance(key, str) or not all(part and part.replace("_", "a").isalnum() and part.isascii() for part in key.split(".")):
        raise TypeError(f"{key!r} is no name of a setting; they are written like compare.threshold_percent")
    return key


def _toml(key: str, value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_toml(key, v) for v in value) + "]"
    if hasattr(value, "item"):  # A number of numpy's.
        return _toml(key, value.item())
    if isinstance(value, (int, float)):
        return repr(value)
    raise TypeError(f"{key} is a {type(value).__name__}; expected a number, text, or two numbers")


def _warned(native: _native.Analysis, level: int = 3) -> Analysis:
    """Ceilings never fail silently."""
    for line in native.over_ceilings():
        warnings.warn(line, CeilingWarning, stacklevel=level)
    return Analysis(native)


def _warn_of(error: DataError) -> None:
    for line in error.over_ceilings:
        warnings.warn(line, CeilingWarning, stacklevel=4)


def _paths(paths: Paths) -> list[str]:
    if isinstance(paths, (str, bytes, os.PathLike)):
        paths = [paths]
    if not isinstance(paths, Iterable) or hasattr(paths, "read"):
        raise TypeError(f"a {type(paths).__name__} is no path; give the paths of files or folders")
    named = [os.fsdecode(path) for path in paths]
    if not all(named):
        raise ValueError("an empty path; give at least one file or folder")
    if not named:
        raise ValueError("no recording is named; give at least one file or folder")
    return named


def analyze(
    paths: Paths,
    *,
    settings: Mapping[str, Any] | None = None,
    plan: str | None = None,
    strict: bool = False,
    as_detected: bool = False,
    progress: Progress | None = None,
) -> Analysis:
    """Analyse recordings, folders of them or a whole study, on all cores.

    A recording that cannot be used stands in `problems`; the others are analysed all the same. Ctrl-C stops the work.

    Parameters
    ----------
    paths : path or iterable of paths
        Recordings (.csv, .tsv, .txt, .parquet), folders of them, or a study (a folder with study.toml).
    settings : dict, optional
        Settings by dotted key, as study.toml has them; they win over the study's.
    plan : str, optional
        Name of a built-in plan for recordings of a whole scan.
    strict : bool
        A calibration that is expired or another sensor's is an error.
    as_detected : bool
        Leave out what people put right by hand.
    progress : callable, optional
        Called with how many recordings are done and how many there are.

    Returns
    -------
    Analysis

    Raises
    ------
    DataError
        When no recording at all could be used; it names the first reason, and its `problems` hold all.
    SettingError, ReadError, RefusedError

    Warns
    -----
    CeilingWarning
        For every push over a ceiling, and for what could not be held against one.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> press = simulate(seed=3)
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> _ = (folder / "press.csv").write_text(press.to_csv())
    >>> _ = (folder / "broken.csv").write_text("time_s,force_n\\n0,none\\n")
    >>> found = analyze(folder, settings={"filter.low_pass_hz": 25})
    >>> len(found), found.problems["file"]
    (1, ['broken.csv'])
    """
    needed()
    try:
        native = _native.analyze_paths(_paths(paths), _settings(settings), plan, strict, as_detected, progress)
    except DataError as error:
        _warn_of(error)
        raise
    return _warned(native)


def analyze_trace(
    time_s: Any,
    force_n: Any = None,
    displacement_mm: Any = None,
    *,
    force_left_n: Any = None,
    force_right_n: Any = None,
    displacement_left_mm: Any = None,
    displacement_right_mm: Any = None,
    marker: Any = None,
    drive_deg: Any = None,
    name: str = "trace",
    settings: Mapping[str, Any] | None = None,
    plan: str | None = None,
    **about: Any,
) -> Analysis:
    """Analyse one recording that lies in arrays.

    Parameters
    ----------
    time_s : array_like
        Time of each sample in s, which never runs backwards.
    force_n : array_like
        Force in N as the sensor gave it: neither filtered nor zeroed. NaN where a sample is missing.
    displacement_mm : array_like, optional
        Displacement in mm, larger as the hand goes in.
    force_left_n, force_right_n, displacement_left_mm, displacement_right_mm : array_like, optional
        Of two hands, instead of or beside the plain ones.
    marker, drive_deg : array_like, optional
        A number that steps up at each new test; the tilt of the push.
    name : str
        Name of the recording, which its rows and problems carry.
    settings, plan
        As in `analyze`.
    **about
        What a sidecar would say: ``level="L3"``, ``side="left"``, ``subject="V-03"``, ``examiner``, ``session``,
        ``contact``, ``posture``, ``trial``, ….

    Returns
    -------
    Analysis
        With one `Test` a test and side.

    Raises
    ------
    DataError
        When the recording cannot be used; `column` is the argument, or force or displacement with its side.
    TypeError, ValueError
        For what is no one-dimensional array of real numbers, and for an argument that is none.

    Examples
    --------
    >>> press = simulate(seed=1)
    >>> found = analyze_trace(press.time_s, press.force_n, press.displacement_mm, level="L3", side="left")
    >>> found[0]["level"], len(found.springs)
    ('L3', 3)
    >>> analyze_trace([0.0, 0.001], [1.0])
    Traceback (most recent call last):
        ...
    tautpoint._errors.DataError: trace, column force_n: found 1 values; expected as many as time_s has, 2; give every column one value a sample; a missing one is NaN
    """
    given = {
        "time_s": time_s,
        "force_n": force_n,
        "displacement_mm": displacement_mm,
        "force_left_n": force_left_n,
        "force_right_n": force_right_n,
        "displacement_left_mm": displacement_left_mm,
        "displacement_right_mm": displacement_right_mm,
        "marker": marker,
        "drive_deg": drive_deg,
    }
    columns = [(what, doubles(what, values)) for what, values in given.items() if values is not None]
    for key in about:
        if key not in _ABOUT:
            near = difflib.get_close_matches(key, [*_ABOUT, *given], 1)
            meant = f"; do you mean {near[0]}?" if near else ""
            raise TypeError(f"analyze_trace() has no argument {key!r}{meant}")
    if not isinstance(name, str) or not name:
        raise TypeError("name is the name of the recording, a text")
    sidecar = "\n".join(f"{_key(key)} = {_toml(key, value)}" for key, value in about.items() if value is not None)
    recording = _native.Recording(name, columns, sidecar)
    found = _held([recording], settings, plan)
    for problem in found.problems.rows():
        where = f", column {problem['column']}" if problem["column"] else ""
        what = f"{problem['file']}{where}: found {problem['found']}; expected {problem['expected']}; {problem['advice']}"
        warnings.warn(what, DoubtWarning, stacklevel=2)
    return found


def compare(
    analyses: Iterable[Analysis], *, settings: Mapping[str, Any] | None = None, plan: str | None = None
) -> Analysis:
    """Put analyses of `analyze_trace` together: left against right, technique across a scan, trials numbered.

    Parameters
    ----------
    analyses : iterable of Analysis
        Each recording with a name of its own, and with level and side.
    settings, plan
        As in `analyze`; every recording is analysed with them.

    Returns
    -------
    Analysis
        Of all recordings together, with `findings`.

    Examples
    --------
    >>> def press(seed, side, stiff):
    ...     made = simulate(seed=seed, end_feel_n_per_mm=stiff)
    ...     return analyze_trace(
    ...         made.time_s, made.force_n, made.displacement_mm, name=f"{side}-{seed}", level="L3", side=side
    ...     )
    >>> presses = [press(n, "left", 11) for n in (1, 2, 3)] + [press(n, "right", 19) for n in (4, 5, 6)]
    >>> findings = compare(presses).findings
    >>> [word for word in findings["side_of_resistance"] if word]
    ['right', 'right']
    """
    recordings: list[_native.Recording] = []
    for analysis in analyses:
        if not isinstance(analysis, Analysis):
            raise TypeError(f"compare() takes what analyze_trace() gave, not a {type(analysis).__name__}")
        held = analysis._native.held()
        if not held:
            raise TypeError("compare() takes what analyze_trace() gave; analyze() compares the recordings it was given")
        recordings.extend(held)
    if not recordings:
        raise ValueError("there is nothing to compare; give at least one analysis")
    return _held(recordings, settings, plan)


def _held(recordings: list[_native.Recording], settings: Mapping[str, Any] | None, plan: str | None) -> Analysis:
    if len(recordings) > 1:
        needed()
    try:
        native = _native.analyze_held(recordings, _settings(settings), plan)
    except DataError as error:
        _warn_of(error)
        raise
    return _warned(native, 4)
