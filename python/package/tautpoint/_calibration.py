"""Readings under known loads to a calibration."""

from __future__ import annotations

import json
import os
import warnings
from collections.abc import Mapping
from typing import Any

from . import _native
from ._agreement import columns_as_text
from ._errors import ReadError

_LOADS = (
    "applied_n",
    "applied_kn",
    "applied_gf",
    "applied_kgf",
    "applied_lbf",
    "mass_kg",
    "mass_g",
    "applied_mm",
    "applied_um",
    "applied_m",
    "applied_in",
)


class Calibration:
    """A sensor's calibration.

    Attributes
    ----------
    numbers : dict
        The object that ``tautpoint calibrate --json`` prints.
    certificate : str
        The certificate (TOML) that a study keeps in ``calibrations/``.
    report : str
        The page for people.
    """

    def __init__(self, numbers: dict[str, Any], certificate: str, report: str) -> None:
        self.numbers = numbers
        self.certificate = certificate
        self.report = report

    def __repr__(self) -> str:
        return f"<Calibration {self.numbers.get('name')}>"


def calibrate(
    readings: Any,
    *,
    name: str = "calibration",
    sensor: str | None = None,
    made: str | None = None,
    expires: str | None = None,
    degree: int | None = None,
    gravity: float | None = None,
    load_u_percent: float | None = None,
) -> Calibration:
    """Calibrate a load cell or a displacement sensor.

    Parameters
    ----------
    readings : path, dict or table
        What was applied (``applied_n``, ``mass_kg``, ``applied_mm``, …) and ``indicated``; optional ``run`` and
        ``direction`` (up or down). A file, a dictionary of columns or any frame.
    name : str
        Name by which sidecars call for the calibration.
    sensor : str, optional
        Code of the sensor.
    made, expires : str, optional
        Days as YYYY-MM-DD; made today when not given.
    degree : int, optional
        Degree of the curve, 1 to 3; by F test when not given.
    gravity : float, optional
        Local gravity in m/s².
    load_u_percent : float, optional
        Standard uncertainty of the loads themselves.

    Returns
    -------
    Calibration

    Examples
    --------
    >>> loads = [0, 20, 40, 60, 80, 100] * 3
    >>> counts = [812 + 41.5 * n + (-1) ** i * 0.4 for i, n in enumerate(loads)]
    >>> made = calibrate({"applied_n": loads, "indicated": counts}, name="cell-4", load_u_percent=0.05)
    >>> made.numbers["degree"], made.certificate.splitlines()[0][:6]
    (1, 'format')
    """
    if isinstance(readings, (str, os.PathLike)):
        try:
            with open(readings, encoding="utf-8") as file:
                text = file.read()
        except OSError as error:
            name_of = os.fspath(readings)
            raise ReadError(f"{name_of}: {error.strerror}; give the path of a table of readings", error.errno, name_of) from error
    else:
        there = readings.keys() if isinstance(readings, Mapping) else getattr(readings, "columns", [])
        loads = tuple(load for load in _LOADS if load in list(there))
        if not loads:
            raise KeyError(f"no column of what was applied; it is called one of {', '.join(_LOADS)}")
        wanted = (*loads, "indicated", "run", "direction")
        text = columns_as_text(readings, wanted, ("indicated",))
    numbers, certificate, report, told = _native.calibrate(
        text, name, sensor, made, expires, degree, gravity, load_u_percent
    )
    for line in told:
        warnings.warn(line, stacklevel=2)
    return Calibration(json.loads(numbers), certificate, report)
