"""`Response`: a complex gain over frequency, and the numbers a person reads off its curve.

The array functions (`gain_db`, `peak_on_grid`, `minus_3db_on_grid`) work on stacks of curves with
frequency as the last axis; `Response` is a thin shell over them for one curve or a stack.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from labkit.core.errors import InputError
from labkit.core.grid import HIGHEST_HZ, LOWEST_HZ, REFERENCE_HZ, frequency_grid

SEARCH_POINTS = 480
"""Points of the log grid on which a peak is first looked for: 48 a decade-third, so that a hump of Q 30 shows."""

FLOOR = 1e-30
"""Gain below which decibels stop falling (−600 dB), so that an exact zero stays a number."""

SILENT_DB = -100.0
"""A rig below this level at every frequency is silent: ten times less than the thermal noise of any real one."""

LEAST_RISE_DB = 1e-4
"""A maximum must stand this far above the lower end of the grid to count as a peak (rounding is 1e-12 dB)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """The highest maximum inside the audio range.

    Attributes
    ----------
    frequency_hz : float
        Where it sits.
    gain_db : float
        Gain there, dB.
    height_db : float
        Gain there minus the gain at 100 Hz, dB.
    """

    frequency_hz: float
    gain_db: float
    height_db: float


def gain_db(values: np.ndarray) -> np.ndarray:
    """Return 20·log10|values|, dB, any shape; an exact zero gives −600 dB.

    >>> float(gain_db(np.array([10.0 + 0j]))[0])
    20.0
    """
    decibels: np.ndarray = 20.0 * np.log10(np.maximum(np.abs(values), FLOOR))
    return decibels


def peak_on_grid(
    frequency_hz: np.ndarray, decibels: np.ndarray, *, least_rise_db: float = LEAST_RISE_DB
) -> tuple[np.ndarray, np.ndarray]:
    """Return frequency and gain of the highest inner maximum of each curve.

    A parabola through the three points around the maximum, over log frequency, refines both.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,), Hz, rising
    decibels : ndarray, shape (..., F), dB
    least_rise_db : float, dB
        How far a maximum must stand above the lower end of the grid.

    Returns
    -------
    frequency_hz, gain_db : ndarrays, shape (...)
        NaN where a curve has no inner maximum.
    """
    middle = decibels[..., 1:-1]
    is_maximum = (middle > decibels[..., :-2]) & (middle >= decibels[..., 2:])
    is_maximum &= middle > decibels[..., :1] + least_rise_db
    candidates = np.where(is_maximum, middle, -np.inf)
    index = np.argmax(candidates, axis=-1)
    found = np.take_along_axis(is_maximum, index[..., None], axis=-1)[..., 0]
    below, centre, above = (
        np.take_along_axis(decibels, (index + offset)[..., None], axis=-1)[..., 0] for offset in (0, 1, 2)
    )
    x = np.log(frequency_hz)
    x_below, x_centre, x_above = (x[index + offset] for offset in (0, 1, 2))
    slope_left = (centre - below) / (x_centre - x_below)
    slope_right = (above - centre) / (x_above - x_centre)
    curvature = (slope_right - slope_left) / (x_above - x_below)
    safe = np.where(curvature < 0, curvature, -1.0)
    slope_centre = slope_left + curvature * (x_centre - x_below)
    shift = np.where(curvature < 0, -slope_centre / (2 * safe), 0.0)
    peak_hz = np.exp(x_centre + shift)
    peak_db = centre + slope_centre * shift + np.where(curvature < 0, curvature, 0.0) * shift**2
    return np.where(found, peak_hz, np.nan), np.where(found, peak_db, np.nan)


def minus_3db_on_grid(frequency_hz: np.ndarray, decibels: np.ndarray, reference_db: np.ndarray) -> np.ndarray:
    """Return the highest frequency at which each curve falls through ``reference_db`` − 3.0103 dB.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,), Hz, rising
    decibels : ndarray, shape (..., F), dB
    reference_db : ndarray, shape (...), dB

    Returns
    -------
    ndarray, shape (...), Hz; NaN where the curve ends above that level or never was above it
    """
    level = decibels - (np.asarray(reference_db)[..., None] - 10 * np.log10(2.0))
    falls = (level[..., :-1] >= 0) & (level[..., 1:] < 0)
    index = falls.shape[-1] - 1 - np.argmax(falls[..., ::-1], axis=-1)
    found = np.take_along_axis(falls, index[..., None], axis=-1)[..., 0]
    here = np.take_along_axis(level, index[..., None], axis=-1)[..., 0]
    there = np.take_along_axis(level, (index + 1)[..., None], axis=-1)[..., 0]
    part = np.where(found, here / np.where(found, here - there, 1.0), 0.0)
    x = np.log(frequency_hz)
    crossing = np.exp(x[index] + part * (x[index + 1] - x[index]))
    return np.where(found, crossing, np.nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """A complex gain over frequency.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,), Hz, rising
    values : ndarray, shape (..., F), complex
        Voltage at the output over the EMF, V/V (or another ratio named by whoever made it).
    name : str
        What the curve is of.
    evaluate : callable, optional
        ``evaluate(frequency_hz) -> complex array`` gives the same response at any other frequencies.
        With it, peaks and −3 dB points are exact to the solver; without it they are read off the grid.
    """

    frequency_hz: np.ndarray
    values: np.ndarray
    name: str = ""
    evaluate: Callable[[np.ndarray], np.ndarray] | None = field(default=None, repr=False, compare=False)

    def __post_init__(self) -> None:
        frequency = np.array(self.frequency_hz, dtype=float)
        values = np.array(self.values, dtype=complex)
        if frequency.ndim != 1 or frequency.size == 0:
            raise InputError(f"frequencies must be one row of numbers; got shape {frequency.shape}")
        if values.shape[-1:] != frequency.shape:
            raise InputError(f"values must end in {frequency.size} frequencies; got shape {values.shape}")
        if not (np.all(np.isfinite(frequency)) and np.all(frequency > 0) and np.all(np.diff(frequency) > 0)):
            raise InputError("frequencies must be positive, finite and rising")
        frequency.flags.writeable = False
        values.flags.writeable = False
        object.__setattr__(self, "frequency_hz", frequency)
        object.__setattr__(self, "values", values)

    @property
    def gain_db(self) -> np.ndarray:
        """Gain in dB, shape (..., F)."""
        return gain_db(self.values)

    @property
    def shown_gain_db(self) -> np.ndarray:
        """Gain of a single curve for people, dB: silence is that of an exact zero, not what rounding leaves of it."""
        return gain_db(np.zeros_like(self.values)) if self.is_silent else self.gain_db

    @property
    def phase_deg(self) -> np.ndarray:
        """Phase in degrees, unwrapped along frequency, shape (..., F)."""
        phase: np.ndarray = np.degrees(np.unwrap(np.angle(self.values), axis=-1))
        return phase

    def at(self, frequency_hz: np.ndarray | float) -> np.ndarray:
        """Return the complex gain at other frequencies.

        Parameters
        ----------
        frequency_hz : float or ndarray, shape (K,), Hz

        Returns
        -------
        ndarray, shape (..., K), complex
            From ``evaluate`` where the response has one, else interpolated (dB and phase over log frequency).

        Raises
        ------
        InputError
            If a frequency lies outside the grid of a response without ``evaluate``.
        """
        wanted = np.atleast_1d(np.asarray(frequency_hz, dtype=float))
        if self.evaluate is not None:
            return self.evaluate(wanted)
        low, high = self.frequency_hz[0], self.frequency_hz[-1]
        if wanted.min() < low * (1 - 1e-12) or wanted.max() > high * (1 + 1e-12):
            raise InputError(
                f"this curve runs from {low:g} Hz to {high:g} Hz; asked for {wanted.min():g} to {wanted.max():g} Hz"
            )
        x, x_wanted = np.log(self.frequency_hz), np.log(wanted)
        flat_db = self.gain_db.reshape(-1, x.size)
        flat_phase = np.radians(self.phase_deg).reshape(-1, x.size)
        decibels = np.stack([np.interp(x_wanted, x, row) for row in flat_db])
        phase = np.stack([np.interp(x_wanted, x, row) for row in flat_phase])
        interpolated: np.ndarray = (10 ** (decibels / 20) * np.exp(1j * phase)).reshape(
            *self.values.shape[:-1], wanted.size
        )
        return interpolated

    def gain_db_at(self, frequency_hz: float) -> float:
        """Return the gain of a single curve at one frequency, dB."""
        return float(gain_db(self._single().at(frequency_hz))[..., 0])

    @property
    def is_silent(self) -> bool:
        """True where practically nothing arrives: below −100 dB at every frequency of the range."""
        single = self._single()
        levels = (
            single.gain_db if single.evaluate is None else gain_db(single.evaluate(frequency_grid(*self._range(), 31)))
        )
        return bool(np.all(levels < SILENT_DB))

    @property
    def peak(self) -> Peak | None:
        """The highest maximum inside the range, or None where the curve is silent, or only falls or rises.

        With ``evaluate`` the search uses its own grid (480 points over the range), then two finer ones
        of 33 points around the maximum and a parabola: the frequency is exact to about 1e-6.
        """
        single = self._single()
        if single.evaluate is None:
            frequency, level = peak_on_grid(single.frequency_hz, single.gain_db)
            if np.isnan(frequency) or level < SILENT_DB:
                return None
            reference = single.gain_db_at(float(np.clip(REFERENCE_HZ, single.frequency_hz[0], single.frequency_hz[-1])))
            return Peak(frequency_hz=float(frequency), gain_db=float(level), height_db=float(level) - reference)
        grid = frequency_grid(*self._range(), SEARCH_POINTS)
        frequency, level = peak_on_grid(grid, gain_db(single.evaluate(grid)))
        if np.isnan(frequency) or level < SILENT_DB:
            return None
        step = float(np.log(grid[1] / grid[0]))
        for _ in range(2):
            fine = float(frequency) * np.exp(np.linspace(-step, step, 33))
            better, better_level = peak_on_grid(fine, gain_db(single.evaluate(fine)), least_rise_db=0.0)
            if np.isnan(better):
                break
            frequency, level, step = better, better_level, step / 12
        reference = single.gain_db_at(REFERENCE_HZ)
        return Peak(frequency_hz=float(frequency), gain_db=float(level), height_db=float(level) - reference)

    @property
    def minus_3db_hz(self) -> float | None:
        """Frequency above which the gain stays over 3.01 dB below that at 100 Hz; None without one, and in silence."""
        single = self._single()
        if single.evaluate is None:
            grid, values = single.frequency_hz, single.values
            reference = single.gain_db_at(float(np.clip(REFERENCE_HZ, grid[0], grid[-1])))
        else:
            grid = frequency_grid(*self._range(), SEARCH_POINTS)
            values, reference = single.evaluate(grid), single.gain_db_at(REFERENCE_HZ)
        levels = gain_db(values)
        crossing = minus_3db_on_grid(grid, levels, np.array(reference))
        if np.isnan(crossing) or np.all(levels < SILENT_DB):
            return None
        if single.evaluate is not None:
            step = float(np.log(grid[1] / grid[0]))
            fine = float(crossing) * np.exp(np.linspace(-step, step, 65))
            better = minus_3db_on_grid(fine, gain_db(single.evaluate(fine)), np.array(reference))
            crossing = crossing if np.isnan(better) else better
        return float(crossing)

    def _single(self) -> Response:
        if self.values.ndim != 1:
            raise InputError(
                f"this number belongs to one curve; the response holds a stack of shape {self.values.shape[:-1]}"
            )
        return self

    def _range(self) -> tuple[float, float]:
        """20 Hz to 20 kHz, and the response's own grid where that reaches further."""
        low, high = min(LOWEST_HZ, self.frequency_hz[0]), max(HIGHEST_HZ, self.frequency_hz[-1])
        return float(low), float(high)
