"""How far repeated tests and ratings agree."""

from __future__ import annotations

import csv
import io
import json
import os
import warnings
from collections.abc import Mapping
from typing import Any

from . import _native
from ._analysis import Analysis, Figures, Paths, _paths
from ._table import Table
from ._threads import needed


class Agreement:
    """Coefficients of agreement, errors of measurement and limits of agreement.

    Attributes
    ----------
    numbers : dict
        The object that ``tautpoint agree --json`` prints.
    """

    def __init__(self, native: _native.Agreement) -> None:
        self._native = native
        self.numbers: dict[str, Any] = json.loads(native.json())

    @property
    def measures(self) -> dict[str, Any]:
        """By name of measure the numbers of the design that stands first, and each design under its own name."""
        found: dict[str, Any] = self.numbers["measures"]
        return found

    @property
    def tables(self) -> dict[str, Table]:
        """Its tables by name."""
        return {table.name: Table(table) for table in self._native.tables()}

    @property
    def figures(self) -> Figures:
        """Limits of agreement, and what each examiner just detects."""
        return Figures(self._native.figures())

    def report(self) -> str:
        """The whole page, that stands alone."""
        return self._native.page()

    def __repr__(self) -> str:
        return f"<Agreement: {', '.join(self.measures) or 'of nothing'}>"


def agree(study: Paths | Analysis | None = None, *, ratings: Any = None) -> Agreement:
    """Reliability of repeated tests and calls, or of any ratings.

    Parameters
    ----------
    study : path, iterable of paths or Analysis
        A study, folders of recordings, or an analysis with repeated tests (`compare`).
    ratings : dict or table, optional
        Instead of a study: columns ``subject``, ``rater`` and ``value``, of a dictionary or of any frame.

    Returns
    -------
    Agreement

    Examples
    --------
    >>> found = agree(ratings={"subject": [1, 1, 2, 2, 3, 3], "rater": list("abab" "ab"), "value": [1, 2, 4, 5, 8, 8]})
    >>> round(found.measures["value"]["icc_a1"], 3)
    0.969
    """
    if (study is None) == (ratings is None):
        raise TypeError("give a study, or ratings=")
    if ratings is not None:
        found = Agreement(_native.agree_on_ratings(_as_text(ratings)))
        for problem in found.numbers["problems"]:
            what = f"ratings, line {problem['line']}: found {problem['found']}; expected {problem['expected']}; {problem['advice']}"
            warnings.warn(what, stacklevel=2)
        return found
    if isinstance(study, Analysis):
        return study.agreement()
    assert study is not None
    needed()
    return Agreement(_native.agree_on_paths(_paths(study)))


def _as_text(table: Any) -> str:
    """Columns of a dictionary or frame as delimited text; numbers lose nothing."""
    names = ("subject", "rater", "value")
    return columns_as_text(table, names, names)


def columns_as_text(table: Any, wanted: tuple[str, ...], needed: tuple[str, ...]) -> str:
    """Columns of a dictionary or frame as delimited text; those not wanted are left out."""
    if isinstance(table, (str, bytes, os.PathLike)):
        raise TypeError("a path is no table; read it first, or give a dictionary of columns")
    there = list(table.keys() if isinstance(table, Mapping) else getattr(table, "columns", []))
    lacking = [name for name in needed if name not in there]
    if lacking:
        raise KeyError(f"no column {lacking[0]!r}; there are {', '.join(map(str, there)) or 'none'}")
    columns = [(name, list(table[name])) for name in wanted if name in there]
    lengths = {len(values) for _, values in columns}
    if len(lengths) > 1:
        raise ValueError(f"columns of unequal lengths: {', '.join(f'{n} {len(v)}' for n, v in columns)}")
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([name for name, _ in columns])
    writer.writerows([[_plain(v) for v in row] for row in zip(*(values for _, values in columns))])
    return text.getvalue()


def _plain(value: Any) -> str:
    """A number as short as it can be and still reads back to itself; missing is empty."""
    value = value.item() if hasattr(value, "item") else value
    if value is None or type(value).__name__ in ("NAType", "NaTType") or value != value:
        return ""
    return repr(value).removesuffix(".0") if isinstance(value, float) else str(value)
