"""Measures manual spinal palpation from force and displacement against time.

A recording goes in, as a file or as arrays, and onset of pre-tension, end-feel stiffness, recoil and left against right come
out, each with its uncertainty. What is done is what the command-line program does, and every number is the same to the last
bit; METHODS.md defines each.

Units: seconds, newtons, millimetres, N/mm and mJ, and the unit ends the name. Left and right are the subject's.

>>> import tautpoint
>>> press = tautpoint.simulate(seed=1)
>>> found = tautpoint.analyze_trace(press.time_s, press.force_n, press.displacement_mm, level="L3", side="left")
>>> test = found[0]
>>> print(f"{test['end_feel_n_per_mm']:.1f} ± {test['end_feel_n_per_mm_u95']:.1f} N/mm, {len(test.springs)} springs")
11.0 ± 0.1 N/mm, 3 springs
"""

from __future__ import annotations

from ._agreement import Agreement, agree
from ._analysis import Analysis, Figure, Figures, Test, analyze, analyze_trace, compare
from ._calibration import Calibration, calibrate
from ._errors import CeilingWarning, DataError, DoubtWarning, ReadError, RefusedError, SettingError, TautpointError
from ._native import CAUTION, VERSION as __version__
from ._simulated import Press, simulate
from ._stream import Detector, Event
from ._table import Table

__all__ = [
    "CAUTION",
    "Agreement",
    "Analysis",
    "Calibration",
    "CeilingWarning",
    "DataError",
    "Detector",
    "DoubtWarning",
    "Event",
    "Figure",
    "Figures",
    "Press",
    "ReadError",
    "RefusedError",
    "SettingError",
    "Table",
    "TautpointError",
    "Test",
    "__version__",
    "agree",
    "analyze",
    "analyze_trace",
    "calibrate",
    "compare",
    "simulate",
]
