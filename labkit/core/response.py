"""`Response`: a complex gain over frequency, and the numbers a person reads off its curve.

The array functions (`gain_db`, `peak_on_grid`, `minus_3db_on_grid`) work on stacks of curves with
frequency as the last axis; `Response` is a thin shell over them for one curve or a stack.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from labkit.core.errors import InputError
from labkit.core.frames import dataframe, dataset
from labkit.core.grid import HIGHEST_HZ, LOWEST_HZ, REFERENCE_HZ, frequency_grid
from labkit.core.units import format_quantity

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


def touchstone(frequency_hz: np.ndarray, impedance: np.ndarray, said: str) -> str:
    """Return an impedance as a Touchstone one-port, version 1: the reflection against 50 Ω, in 17 digits.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,), rising
    impedance : ndarray, shape (F,), complex, Ω
    said : str
        What it is; stands in the file as a comment.

    >>> print(touchstone(np.array([1000.0]), np.array([150.0 + 0j]), "a resistor"), end="")
    ! a resistor
    # HZ S RI R 50
    1000 0.5 0
    """
    reflection = (impedance - 50) / (impedance + 50)
    rows = [f"{f:.17g} {s.real:.17g} {s.imag:.17g}" for f, s in zip(frequency_hz, reflection)]
    return "\n".join([f"! {' '.join(said.split())}", "# HZ S RI R 50", *rows, ""])


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
class Band:
    """What lies around a curve: lowest and highest level at every frequency, as `plot_responses` draws it.

    Attributes
    ----------
    frequency_hz : ndarray, shape (F,), Hz
    low_db, high_db : ndarray, shape (F,), dB
    name : str
        What the band holds, such as "90 % of all variants".
    """

    frequency_hz: np.ndarray
    low_db: np.ndarray
    high_db: np.ndarray
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
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
    unit : str
        Of the values: "V/V" unless stated, "1" for the ratio of two responses.
    """

    frequency_hz: np.ndarray
    values: np.ndarray
    name: str = ""
    evaluate: Callable[[np.ndarray], np.ndarray] | None = field(default=None, compare=False)
    unit: str = "V/V"

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

    def __repr__(self) -> str:
        low, high = (
            format_quantity(float(f"{end:.3g}"), "Hz") for end in (self.frequency_hz[0], self.frequency_hz[-1])
        )
        words = f"Response '{self.name}': {self.frequency_hz.size} points, {low} to {high}"
        if self.values.ndim > 1:
            return f"<{words}, a stack of {' × '.join(map(str, self.values.shape[:-1]))} curves>"
        peak = self.peak
        if peak is None:
            return f"<{words}, {'silent' if self.is_silent else 'no peak'}>"
        place = format_quantity(float(f"{peak.frequency_hz:.3g}"), "Hz")
        return f"<{words}, peak at {place}, {peak.height_db:+.1f} dB over 100 Hz>"

    def _repr_html_(self) -> str:
        from labkit import notebook_html  # drawings belong to a layer above, which the public face loads when asked

        return notebook_html(self)

    def plot(self, *, ax: Any = None, band: Band | None = None) -> Any:
        """Draw the curve with matplotlib and return its axes; several curves: `labkit.plot_responses`.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure by default.
        band : Band, optional
            Drawn behind the curve: of `ToleranceResult.band`, or a fit's `prediction`.
        """
        from labkit import plot_responses

        return plot_responses(self, ax=ax, band=band)

    def __truediv__(self, other: Response) -> Response:
        """Return the ratio of two responses on the grid of the first; its ``gain_db`` is the difference of levels, dB.

        >>> grid = np.array([100.0, 1000.0])
        >>> a, b = (Response(frequency_hz=grid, values=np.full(2, level)) for level in (1.0, 0.5))
        >>> (a / b).gain_db.round(2).tolist(), (a / b).unit
        ([6.02, 6.02], '1')
        """
        if not isinstance(other, Response):
            return NotImplemented

        def ratio(mine: np.ndarray, theirs: np.ndarray) -> np.ndarray:
            if not np.all(theirs):
                raise InputError(f"'{other.name}' is exactly zero at a frequency, and nothing can be divided by it")
            quotient: np.ndarray = mine / theirs
            return quotient

        return self._with(other, ratio, "over", unit="1")

    def minus(self, other: Response) -> Response:
        """Return what is left when the other response is subtracted, with its phase, on the grid of the first.

        This is what a null test leaves: small only where level and phase agree. The difference of levels in dB is
        ``(a / b).gain_db``.

        Raises
        ------
        InputError
            If the two have different units.

        >>> grid = np.array([100.0, 1000.0])
        >>> a, b = (Response(frequency_hz=grid, values=np.full(2, level)) for level in (1.0, 0.5))
        >>> abs(a.minus(b).values).tolist(), a.minus(b).unit
        ([0.5, 0.5], 'V/V')
        """
        return self._with(other, np.subtract, "minus", unit=self.unit)

    def _with(
        self, other: Response, operation: Callable[[np.ndarray, np.ndarray], np.ndarray], word: str, *, unit: str
    ) -> Response:
        if other.unit != self.unit:
            raise InputError(f"'{self.name}' is in {self.unit} and '{other.name}' in {other.unit}; they do not compare")
        both = None
        if self.evaluate is not None and other.evaluate is not None:
            mine, theirs = self.evaluate, other.evaluate

            def both(frequency_hz: np.ndarray) -> np.ndarray:
                return operation(mine(frequency_hz), theirs(frequency_hz))

        same = np.array_equal(self.frequency_hz, other.frequency_hz)
        return Response(
            frequency_hz=self.frequency_hz,
            values=operation(self.values, other.values if same else other.at(self.frequency_hz)),
            name=f"{self.name} {word} {other.name}",
            evaluate=both,
            unit=unit,
        )

    def to_dataframe(self) -> Any:
        """Return the curve as a ``pandas.DataFrame``: frequency_hz, gain_db, phase_deg; units in ``attrs["units"]``.

        Raises
        ------
        InputError
            If pandas is not installed, or the response is a stack, which `to_xarray` takes.
        """
        single = self._single()
        columns = {"frequency_hz": single.frequency_hz, "gain_db": single.gain_db, "phase_deg": single.phase_deg}
        return dataframe(columns, {"frequency_hz": "Hz", "gain_db": "dB", "phase_deg": "degree"})

    def to_xarray(self) -> Any:
        """Return the response as an ``xarray.Dataset``: gain_db, phase_deg and the complex values over frequency_hz.

        A stack has the axes ``variant`` (or ``variant1``, ``variant2``, …) before the frequency.

        Raises
        ------
        InputError
            If xarray is not installed.
        """
        depth = self.values.ndim - 1
        axes = [*(f"variant{number}" if depth > 1 else "variant" for number in range(1, depth + 1)), "frequency_hz"]
        return dataset(
            {
                "gain_db": (axes, self.gain_db, "dB"),
                "phase_deg": (axes, self.phase_deg, "degree"),
                "values": (axes, self.values, self.unit),
            },
            {"frequency_hz": (self.frequency_hz, "Hz")},
            name=self.name,
        )

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
            if single.frequency_hz.size < 3:
                return None
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
