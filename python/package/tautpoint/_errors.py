"""What goes wrong, as exceptions."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ._native import Table


class TautpointError(Exception):
    """Everything that this package raises of itself."""


class DataError(TautpointError, ValueError):
    """An input cannot be used.

    Attributes
    ----------
    file : str
        Name of the recording or file.
    line : int or None
        Line of the file, from 1.
    column : str or None
        Heading of the column, or key of a TOML file or of `about`.
    found, expected, advice : str
        What stands there, what should, and what to do.
    problems : Table or None
        Every problem of the analysis, when none of its inputs could be used.
    over_ceilings : list of str
        Pushes over a ceiling that were seen all the same.
    """

    def __init__(
        self,
        message: str,
        *,
        file: str = "",
        line: int | None = None,
        column: str | None = None,
        found: str = "",
        expected: str = "",
        advice: str = "",
    ) -> None:
        super().__init__(message)
        self.file = file
        self.line = line
        self.column = column
        self.found = found
        self.expected = expected
        self.advice = advice
        self.problems: Table | None = None
        self.over_ceilings: list[str] = []

    def __reduce__(self) -> tuple[object, ...]:
        # Exceptions go from process to process; a table does not.
        state = {k: v for k, v in self.__dict__.items() if k != "problems"}
        return (type(self), (str(self),), {**state, "problems": None})


class SettingError(TautpointError, ValueError):
    """A setting or an argument that cannot be meant.

    Attributes
    ----------
    what, found, expected : str
        The setting, what it was set to, and what it may be.
    """

    def __init__(self, message: str, what: str = "", found: str = "", expected: str = "") -> None:
        super().__init__(message)
        self.what = what
        self.found = found
        self.expected = expected


class ReadError(TautpointError, OSError):
    """The system would not read or write.

    Attributes
    ----------
    errno : int or None
        The system's number of the error.
    filename : str
        Where.
    """

    def __init__(self, message: str, errno: int | None = None, filename: str = "") -> None:
        super().__init__(message)
        self.errno = errno
        self.filename = filename
        self._message = message

    def __str__(self) -> str:
        # An OSError makes its own of number and name, without what to do.
        return self._message

    def __reduce__(self) -> tuple[object, ...]:
        return (type(self), (self._message, self.errno, self.filename))


class RefusedError(TautpointError):
    """The package declines, to protect something that is there."""


class DoubtWarning(UserWarning):
    """What a recording shows makes its numbers doubtful: a row of `problems`."""


class CeilingWarning(UserWarning):
    """A push over a ceiling, or a force that could not be held against one."""
