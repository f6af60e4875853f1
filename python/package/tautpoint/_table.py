"""Tables of results."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

from . import _native
from ._arrays import of_bytes

if TYPE_CHECKING:
    import numpy as np
    import pandas
    import polars
    from numpy.typing import NDArray

_SHOWN = 20


class Table:
    """A table of results, with the columns and types that its Parquet file has.

    It speaks the Arrow PyCapsule interface: `polars.DataFrame(table)`, `pandas.DataFrame.from_arrow(table)`,
    `pyarrow.table(table)` and a query of duckdb take it as it is, without a copy.

    Examples
    --------
    >>> press = simulate(seed=1)
    >>> springs = analyze_trace(press.time_s, press.force_n, press.displacement_mm, name="press").springs
    >>> len(springs), springs["counted"]
    (3, [False, True, True])
    >>> springs.to_numpy("peak_n").round(1)
    array([66.1, 65.9, 66.5])
    """

    def __init__(self, native: _native.Table) -> None:
        self._native = native

    @property
    def name(self) -> str:
        """Name, as its file has it."""
        return self._native.name

    @property
    def columns(self) -> list[str]:
        """Names of the columns."""
        return self._native.column_names

    def __len__(self) -> int:
        return len(self._native)

    def __getitem__(self, column: str) -> list[Any]:
        """The cells of a column as a list; missing is None."""
        if not isinstance(column, str):
            raise TypeError(f"a column is asked for by its name, not by a {type(column).__name__}")
        return self._native.column(column)

    def to_numpy(self, column: str) -> NDArray[np.float64]:
        """The cells of a column of numbers; missing is NaN."""
        kinds = dict(zip(self.columns, (about[0] for about in self._native.about())))
        if kinds.get(column) in ("text", "list"):
            raise TypeError(f"{column} holds text; ask for table[{column!r}]")
        return of_bytes(self._native.doubles(column))

    def rows(self) -> list[dict[str, Any]]:
        """One dictionary a row; missing is None."""
        return self._native.rows()

    def codebook(self) -> list[dict[str, str]]:
        """Of each column its kind, unit, meaning and section of METHODS.md."""
        heads = ("kind", "unit", "meaning", "section")
        return [
            {"column": name, **dict(zip(heads, about))} for name, about in zip(self.columns, self._native.about())
        ]

    def to_csv(self) -> str:
        """The table as its file of the result folder holds it."""
        return self._native.to_csv()

    def to_polars(self) -> polars.DataFrame:
        """The table as a frame of polars."""
        import polars

        return polars.DataFrame(self)

    def to_pandas(self) -> pandas.DataFrame:
        """The table as a frame of pandas."""
        import pandas

        return pandas.DataFrame.from_arrow(self)  # type: ignore[attr-defined, no-any-return, unused-ignore]

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        return self._native.__arrow_c_stream__(requested_schema)

    def __arrow_c_schema__(self) -> object:
        return self._native.__arrow_c_schema__()

    def __repr__(self) -> str:
        return f"<Table {self.name}: {len(self)} rows, {len(self.columns)} columns>"

    def _repr_html_(self) -> str:
        rows = self.rows()
        # A column that is empty throughout tells nothing on a screen; it is there for programs.
        shown = [c for c in self.columns if any(row[c] is not None for row in rows)] or self.columns
        heads = "".join(f"<th>{escape(c)}</th>" for c in shown)
        body = "".join(
            "<tr>" + "".join(f"<td>{_cell(row[c])}</td>" for c in shown) + "</tr>" for row in rows[:_SHOWN]
        )
        more = f"<p>… {len(rows) - _SHOWN} more rows</p>" if len(rows) > _SHOWN else ""
        caption = f"<caption>{escape(self.name)}</caption>"
        return f"<table>{caption}<thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table>{more}"


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:.6g}" if isinstance(value, float) else escape(str(value))
