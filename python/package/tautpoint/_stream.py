"""The detector that follows a running station, sample by sample: the one that also reads files."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from . import _native
from ._arrays import doubles


@dataclass(frozen=True)
class Event:
    """Something that happened.

    Attributes
    ----------
    what : str
        ``contact began``, ``spring`` (its peak) or ``contact ended``.
    time_s : float
        When, in the clock that came with the samples.
    cut_off : bool
        Whether the recording ended before the hand left.
    """

    what: str
    time_s: float
    cut_off: bool = False


class Detector:
    """Follows a stream of samples of one side.

    Parameters
    ----------
    rate_hz : float
        Samples a second, as the device says.
    displacement : bool
        Whether there is a displacement sensor.

    Examples
    --------
    >>> press = simulate(seed=1)
    >>> detector = Detector(rate_hz=1000)
    >>> events = []
    >>> for sample in zip(press.time_s, press.force_n, press.displacement_mm):
    ...     events += detector.push(*sample)
    >>> [event.what for event in events + detector.finish()]
    ['contact began', 'spring', 'spring', 'spring', 'contact ended']
    """

    def __init__(self, rate_hz: float, *, displacement: bool = True) -> None:
        self._native = _native.Detector(rate_hz, displacement)

    def push(self, time_s: float, force_n: float, displacement_mm: float | None = None) -> list[Event]:
        """Take one sample; NaN is a missing value. Gives what it made certain."""
        return [Event(*told) for told in self._native.push(time_s, force_n, displacement_mm)]

    def push_all(self, time_s: Any, force_n: Any, displacement_mm: Any = None) -> list[Event]:
        """Take arrays of samples, one after the other."""
        displacement = None if displacement_mm is None else doubles("displacement_mm", displacement_mm)
        told = self._native.push_all(doubles("time_s", time_s), doubles("force_n", force_n), displacement)
        return [Event(*one) for one in told]

    def finish(self) -> list[Event]:
        """Say that no more samples come."""
        return [Event(*told) for told in self._native.finish()]

    @property
    def zero_n(self) -> float | None:
        """The running force zero; None until it is known."""
        return self._native.zero_n

    @property
    def limit_n(self) -> float | None:
        """Force over the zero that counts as contact; None until noise was measured."""
        return self._native.limit_n

    @property
    def look_ahead_s(self) -> float | None:
        """Seconds after an instant until the detector has spoken of it."""
        return self._native.look_ahead_s
