"""Simulated presses with known truth. Invented: nobody is touched."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from . import _native
from ._arrays import of_bytes

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class Press:
    """A simulated press.

    Attributes
    ----------
    time_s, force_n : numpy.ndarray
        As the sensors read it.
    displacement_mm : numpy.ndarray or None
        None where there is no such sensor.
    truth : dict
        What a perfect measurement would find.
    """

    def __init__(self, made: dict[str, Any]) -> None:
        self.time_s: NDArray[np.float64] = of_bytes(made["time_s"])
        self.force_n: NDArray[np.float64] = of_bytes(made["force_n"])
        displacement = made["displacement_mm"]
        self.displacement_mm: NDArray[np.float64] | None = None if displacement is None else of_bytes(displacement)
        self.truth: dict[str, Any] = made["truth"]

    def to_csv(self) -> str:
        """The press as a recording's file holds it, every number in full; a missing one is an empty cell."""
        columns = {"time_s": self.time_s, "force_n": self.force_n}
        if self.displacement_mm is not None:
            columns["displacement_mm"] = self.displacement_mm
        rows = zip(*(values.tolist() for values in columns.values()))
        lines = [",".join("" if v != v else repr(v) for v in row) for row in rows]
        return "\n".join([",".join(columns), *lines, ""])

    def __repr__(self) -> str:
        return f"<Press: {len(self.time_s)} samples, {self.truth['springs']} springs>"


def simulate(
    seed: int,
    *,
    condition: str | None = None,
    onset_mm: float | None = None,
    take_up_n_per_mm: float | None = None,
    end_feel_n_per_mm: float | None = None,
    rate_hz: float | None = None,
    force_noise_n: float | None = None,
    displacement_noise_mm: float | None = None,
    springs: int | None = None,
) -> Press:
    """Make a press by the models of METHODS.md §10; the same seed gives the same numbers on every machine.

    Parameters
    ----------
    seed : int
        Whole number that all random choices follow from.
    condition : str, optional
        A kind of trace whose tissue and hand are drawn (``clean``, ``noisy``, ``rate-80``, ``force-only``, …); without
        one a plain clean test, to which the other arguments apply.
    onset_mm, take_up_n_per_mm, end_feel_n_per_mm : float, optional
        The tissue.
    rate_hz, force_noise_n, displacement_noise_mm : float, optional
        The sensors.
    springs : int, optional
        How many springs.

    Returns
    -------
    Press

    Examples
    --------
    >>> press = simulate(seed=5, onset_mm=7)
    >>> press.truth["onset_mm"], press.time_s[:3]
    (7.0, array([0.   , 0.001, 0.002]))
    """
    own = (onset_mm, take_up_n_per_mm, end_feel_n_per_mm, rate_hz, force_noise_n, displacement_noise_mm, springs)
    if condition is not None and any(value is not None for value in own):
        raise TypeError("a condition draws tissue, hand and sensors by itself; give it or the other arguments")
    if not isinstance(seed, int):
        raise TypeError(f"seed is a {type(seed).__name__}; expected a whole number")
    if springs is not None and not 0 <= springs < 2**31:
        raise ValueError(f"springs is {springs}; expected a whole number from 0 on")
    if not 0 <= seed < 2**63:
        raise ValueError(f"seed is {seed}; expected a whole number from 0 to 2**63 - 1")
    return Press(_native.simulate(seed, condition, *own))
