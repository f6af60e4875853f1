"""Arrays of any library to what the analysis reads: doubles, one a sample, NaN where one is missing."""

from __future__ import annotations

import numbers
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def doubles(what: str, values: Any) -> NDArray[np.float64]:
    """Take an array, a Series, a column or a list as doubles.

    Parameters
    ----------
    what : str
        Name of the argument, for messages.
    values : array_like
        Whole or floating-point numbers, one-dimensional; missing ones are NaN, masked or null.

    Returns
    -------
    numpy.ndarray
        The same numbers as float64.

    Raises
    ------
    TypeError
        For anything that is no array of real numbers.
    ValueError
        For an array of another dimension than one.
    """
    import numpy as np

    if isinstance(values, (str, bytes, dict, set, numbers.Number, np.generic)):
        raise TypeError(f"{what} is a {type(values).__name__}; expected an array of numbers")
    if isinstance(values, np.ma.MaskedArray):
        if values.dtype.kind not in "iuf":
            raise TypeError(f"{what} holds {values.dtype}; expected real numbers")
        values = np.where(np.ma.getmaskarray(values), np.nan, np.ma.getdata(values).astype(np.float64))
    try:
        array = np.asarray(values)
    except Exception as error:  # Whatever an object of another library raises of itself.
        raise TypeError(f"{what} cannot be read as an array of numbers: {error}") from error
    if array.dtype.kind == "O":
        array = _of_objects(what, array, values)
    if array.dtype.kind not in "iuf":
        raise TypeError(f"{what} holds {array.dtype}; expected real numbers")
    if array.ndim != 1:
        shape = " × ".join(str(n) for n in array.shape) or "a single value"
        raise ValueError(f"{what} has {array.ndim} dimensions ({shape}); expected one, a value a sample")
    with np.errstate(over="ignore"):
        return np.require(array, dtype=np.float64, requirements=["C", "ALIGNED"])


def _of_objects(what: str, array: NDArray[Any], values: Any) -> NDArray[Any]:
    """Numbers and None, as columns with missing values often come."""
    import numpy as np

    if array.ndim != 1:
        raise TypeError(f"{what} holds objects of {type(values).__name__}; expected an array of numbers")
    out = np.empty(array.shape, dtype=np.float64)
    for at, value in enumerate(array):
        if value is None or type(value).__name__ in ("NAType", "NaTType"):
            out[at] = np.nan
        elif isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, (bool, np.bool_)):
            try:
                out[at] = float(value)
            except OverflowError as error:
                raise ValueError(f"{what} holds {str(value)[:20]}… at index {at}; expected a number") from error
        else:
            raise TypeError(f"{what} holds a {type(value).__name__} at index {at}; expected a number")
    return out


def of_bytes(held: bytes) -> NDArray[np.float64]:
    """Doubles of this machine as an array of their own."""
    import numpy as np

    return np.frombuffer(held, dtype=np.float64).copy()
