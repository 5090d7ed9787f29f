"""`Sweep`: one measured curve of a pickup, and the numbers read straight off it.

A sweep is what came out of the instrument, in SI, with sentences on how it was understood. Nothing here knows
a fixture or a model.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from labkit.core.errors import InputError
from labkit.core.response import FLOOR

SweepKind = Literal["impedance", "divider", "exciter"]
"""Impedance: volts per ampere at the leads, Ω. Divider: coil voltage over source voltage behind a series
resistor. Exciter: coil voltage while a small driven coil sits on the pickup, in any unit of level."""

FEWEST_POINTS = 8
"""Fewer points cannot hold R, L, C and one eddy section (5 numbers) with anything left to judge the fit by."""

FEWEST_COMPLEX_POINTS = 4
"""… of an impedance or divider with its phase, where every point is two numbers: the frequencies of an LCR meter."""

CONSTANT_DB = 0.01
"""A curve that moves less than this is constant: every coil moves by far more between its corner and its peak."""


def fewest_points(kind: SweepKind | None, *, has_phase: bool) -> int:
    """Return how many points a sweep of a kind needs; the phase of an exciter's curve is not used."""
    return FEWEST_COMPLEX_POINTS if has_phase and kind in ("impedance", "divider") else FEWEST_POINTS


def too_few_points(name: str, got: int, fewest: int) -> InputError:
    """Return the refusal of a sweep that is too short."""
    phase = "" if fewest == FEWEST_COMPLEX_POINTS else f" ({FEWEST_COMPLEX_POINTS} of an impedance with its phase)"
    return InputError(
        f"{name}: a sweep needs at least {fewest} points{phase} to tell R, L and C apart; got {got}. "
        "Measure more frequencies, best 20 or more per decade"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """One measured curve.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,), Hz, rising
    magnitude : ndarray, shape (F,), above 0
        Linear: Ω for an impedance, V/V for a divider, any unit for an exciter curve.
    phase_deg : ndarray, shape (F,), degrees, or None
        None for a magnitude-only instrument.
    kind : "impedance", "divider", "exciter" or None
        None while nobody has said and the data do not show it.
    name : str
        File or label it came from.
    understood : tuple of str
        What the reader took the columns, units and separators to be, one sentence each.
    warnings : tuple of str
        What a careful person should look at before trusting the curve.
    sigma_db : ndarray, shape (F,), dB, or None
        Standard deviation of each point's level as its instrument states it; its phase is then good to the same
        share (1 dB and 6.6° are the same distance in the plane). None where nobody knows it.

    Raises
    ------
    InputError
        If there are fewer than 8 points (4 with a phase that counts), the magnitude is constant, or the arrays do not
        fit each other.
    """

    frequency_hz: np.ndarray
    magnitude: np.ndarray
    phase_deg: np.ndarray | None = None
    kind: SweepKind | None = None
    name: str = "sweep"
    understood: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    sigma_db: np.ndarray | None = None

    def __post_init__(self) -> None:
        frequency = np.array(self.frequency_hz, dtype=float)
        magnitude = np.array(self.magnitude, dtype=float)
        if frequency.ndim != 1 or frequency.shape != magnitude.shape:
            raise InputError(f"{self.name}: frequencies and magnitudes must be two rows of equal length")
        fewest = fewest_points(self.kind, has_phase=self.phase_deg is not None)
        if frequency.size < fewest:
            raise too_few_points(self.name, frequency.size, fewest)
        if not (np.all(np.isfinite(frequency)) and np.all(frequency > 0) and np.all(np.diff(frequency) > 0)):
            raise InputError(f"{self.name}: frequencies must be positive, finite and rising")
        if not (np.all(np.isfinite(magnitude)) and np.all(magnitude > 0)):
            raise InputError(f"{self.name}: magnitudes must be positive and finite")
        level = 20 * np.log10(magnitude)
        if np.ptp(level) < CONSTANT_DB:
            raise InputError(
                f"{self.name}: every magnitude is {magnitude[0]:.4g} within {CONSTANT_DB} dB; a coil's curve is never "
                "constant. Check that the pickup was connected and that the right column was exported"
            )
        for array in (frequency, magnitude):
            array.flags.writeable = False
        object.__setattr__(self, "frequency_hz", frequency)
        object.__setattr__(self, "magnitude", magnitude)
        if self.phase_deg is not None:
            phase = np.array(self.phase_deg, dtype=float)
            if phase.shape != frequency.shape or not np.all(np.isfinite(phase)):
                raise InputError(f"{self.name}: phases must be finite, one for each frequency")
            phase.flags.writeable = False
            object.__setattr__(self, "phase_deg", phase)

        if self.sigma_db is not None:
            sigma = np.array(self.sigma_db, dtype=float)
            if sigma.shape != frequency.shape or not np.all(np.isfinite(sigma) & (sigma >= 0)):
                raise InputError(f"{self.name}: uncertainties must be 0 dB or more and finite, one for each frequency")
            sigma.flags.writeable = False
            object.__setattr__(self, "sigma_db", sigma)

    @property
    def level_db(self) -> np.ndarray:
        """Magnitude in dB, shape (F,)."""
        level: np.ndarray = 20 * np.log10(np.maximum(self.magnitude, FLOOR))
        return level
