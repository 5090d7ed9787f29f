"""The numbers a study reads off every variant: resonance, height, levels, noise; and windows they shall lie in.

Everything is read off one frequency grid. Peaks are fitted by a parabola in f² through the three points around the
maximum: on 64 points from 50 Hz to 20 kHz the resonance of a loaded pickup is then right within 0.2 % and its height
within 0.02 dB, on 512 points within 0.01 % and 0.001 dB. Noise is no curve's: it is added up on a grid of its own.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labkit.circuit.elements import Circuit, ValuesByName
from labkit.circuit.solve.noise import noise_density
from labkit.core.errors import InputError, QuantityError, did_you_mean
from labkit.core.grid import REFERENCE_HZ, frequency_grid
from labkit.core.response import LEAST_RISE_DB, SILENT_DB, peak_on_grid
from labkit.core.units import format_quantity, name_and_value, parse_quantity
from labkit.rig.noise import NOISE_BAND_HZ, TEMPERATURE_C, band_power

RESONANCE, HEIGHT, LEVEL = "resonance", "height", "level"
NOISE, WEIGHTED_NOISE = "noise", "A-weighted noise"
KNOWN = (RESONANCE, HEIGHT, LEVEL, NOISE, WEIGHTED_NOISE)
NOISE_POINTS = 128
"""Points, 20 Hz to 20 kHz, on which the noise of a variant is added up: within 0.05 dB up to a Q of 10."""

_NOISE_ROWS = 256
LOW_HZ, HIGH_HZ = 50.0, 20_000.0
FLOOR_POWER = 1e-60
"""−600 dB, below which decibels stop falling."""


@dataclass(frozen=True, slots=True)
class Measure:
    """One number of a curve.

    Attributes
    ----------
    name : str
        ``resonance`` (Hz), ``height`` (dB over the level at 100 Hz), ``level`` (dB at 100 Hz), ``level at 3 kHz`` (dB),
        ``noise`` and ``A-weighted noise`` at the last input, 20 Hz to 20 kHz (dB over 1 V).
    frequency_hz : float
        Where a level is taken; 100 Hz for the others.
    """

    name: str
    frequency_hz: float = REFERENCE_HZ

    @property
    def unit(self) -> str:
        """``Hz`` or ``dB``."""
        return "Hz" if self.name == RESONANCE else "dB"

    @property
    def spoken(self) -> str:
        """What a sentence calls it: the resonance of a loaded pickup is its peak."""
        return "peak" if self.name == RESONANCE else self.name

    @property
    def is_noise(self) -> bool:
        """Whether it is read off the noise, not off the curve."""
        return self.name in (NOISE, WEIGHTED_NOISE)

    @property
    def key(self) -> str:
        """Key of JSON outputs: ``resonance_hz``, ``level_at_3000_hz_db``, ``noise_dbv`` …"""
        if self.is_noise:
            return {NOISE: "noise_dbv", WEIGHTED_NOISE: "a_weighted_noise_dbv"}[self.name]
        plain = self.name if self.name in (RESONANCE, HEIGHT, LEVEL) else f"level_at_{self.frequency_hz:g}_hz"
        return f"{plain}_{self.unit.lower()}"

    def shown(self, value: float) -> str:
        """Return a value for people."""
        if self.unit == "Hz":
            return format_quantity(value, "Hz", digits=3)
        if self.is_noise:
            return f"{value:.1f} dBV"
        return "silent" if self.name != HEIGHT and value < SILENT_DB else f"{value:+.2f} dB"


def parse_measure(text: str) -> Measure:
    """Read a measure: ``resonance``, ``height``, ``level``, or ``level at 3 kHz``.

    >>> parse_measure("level at 3 kHz")
    Measure(name='level at 3 kHz', frequency_hz=3000.0)
    """
    words = " ".join(text.split())
    if words in KNOWN:
        return Measure(words)
    match = re.fullmatch(r"level at (.+)", words)
    if match is None:
        raise InputError(
            f"'{text}' is not a number of a curve; known are {', '.join(KNOWN)}, and level at 3 kHz (or any "
            f"frequency).{did_you_mean(words, KNOWN, listing=False)}"
        )
    try:
        frequency = parse_quantity(match[1], "Hz")
    except QuantityError as error:
        raise InputError(f"'{text}': {error}") from None
    if not LOW_HZ <= frequency <= HIGH_HZ:
        raise InputError(f"'{text}': a level is taken between {LOW_HZ:g} Hz and {HIGH_HZ / 1e3:g} kHz")
    return Measure(f"level at {format_quantity(frequency, 'Hz')}", frequency)


@dataclass(frozen=True, slots=True)
class Window:
    """Where a number of a curve shall lie, both ends included."""

    measure: Measure
    low: float
    high: float

    @property
    def text(self) -> str:
        """``resonance 3.8 kHz to 4.2 kHz``."""
        return f"{self.measure.name} {self.measure.shown(self.low)} to {self.measure.shown(self.high)}"


def parse_window(text: str) -> Window:
    """Read a window: ``"resonance=3.8k to 4.2k"``, ``"height=3 dB to 6 dB"``.

    >>> parse_window("resonance=3.8 kHz to 4.2 kHz").high
    4200.0
    """
    requirement = "a window is written NAME=LOW to HIGH, such as resonance=3.8k to 4.2k"
    name, span = name_and_value(text, requirement)
    ends = re.split(r"\s+to\s+", span)
    if len(ends) != 2:
        raise InputError(f"{requirement}; got '{text}'")
    measure = parse_measure(name)
    low, high = (_number(measure, end) for end in ends)
    if not low <= high:
        raise InputError(f"a window runs from low to high; got '{text}'")
    return Window(measure, low, high)


def _number(measure: Measure, text: str) -> float:
    try:
        return float(text) if measure.unit == "dB" else parse_quantity(text, "Hz")
    except ValueError:
        pass
    try:
        return parse_quantity(text, measure.unit)
    except QuantityError as error:
        raise InputError(f"{measure.name}: {error}") from None


def study_grid(
    points: int, measures: Sequence[Measure], low_hz: float = LOW_HZ, high_hz: float = HIGH_HZ
) -> np.ndarray:
    """Return a log grid of ``points`` frequencies on which every measure's frequency is a point, shape (points,), Hz.

    The nearest inner point is moved to each of them, so the number of points stays.
    """
    if points < 16:
        raise InputError(f"a study needs at least 16 frequencies to find a peak; got {points}")
    grid = np.array(frequency_grid(low_hz, high_hz, points))
    taken: set[int] = set()
    for frequency in sorted({REFERENCE_HZ, *(measure.frequency_hz for measure in measures)}):
        place = int(np.argmin(np.abs(np.log(grid / frequency))))
        while place in taken:
            place += 1
        taken.add(place)
        grid[place] = frequency
    if np.any(np.diff(grid) <= 0):
        raise InputError("the wanted frequencies lie too close together for this number of points; take more points")
    grid.flags.writeable = False
    return grid


def decibels(curves: np.ndarray) -> np.ndarray:
    """Return levels, dB, shape as given: 10·log10(re² + im²), which costs half of a logarithm of the modulus."""
    power: np.ndarray = curves.real * curves.real
    power += curves.imag * curves.imag
    np.maximum(power, FLOOR_POWER, out=power)
    np.log10(power, out=power)
    power *= 10.0
    return power


def noise_levels(
    measures: Sequence[Measure], circuit: Circuit, values: ValuesByName | None = None, variants: int = 1
) -> np.ndarray:
    """Return the noise of variants of a circuit, dB over 1 V, shape (measures of noise, V), or no rows.

    Parameters
    ----------
    measures : sequence of Measure
    circuit : Circuit
    values : mapping of str to float or ndarray of shape (V,), optional
        As for `labkit.circuit.solve.solver.solve`.
    variants : int
        V.
    """
    wanted = [measure for measure in measures if measure.is_noise]
    found = np.empty((len(wanted), variants))
    grid = frequency_grid(*NOISE_BAND_HZ, NOISE_POINTS)
    for first in range(0, variants if wanted else 0, _NOISE_ROWS):
        rows = slice(first, min(first + _NOISE_ROWS, variants))
        own = {name: value[rows] if np.ndim(value) else value for name, value in (values or {}).items()}  # type: ignore[index]
        power = noise_density(circuit, grid, own, temperature_c=TEMPERATURE_C).total
        for place, measure in enumerate(wanted):
            found[place, rows] = 10 * np.log10(band_power(power, grid, weighted=measure.name == WEIGHTED_NOISE))
    return found


def read_measures(
    measures: Sequence[Measure], frequency_hz: np.ndarray, levels: np.ndarray, noise: np.ndarray | None = None
) -> np.ndarray:
    """Return the measures of every curve.

    Parameters
    ----------
    measures : sequence of Measure
    frequency_hz : ndarray, shape (F,), Hz
        From `study_grid`.
    levels : ndarray, shape (V, F), dB
    noise : ndarray, shape (measures of noise, V), optional
        From `noise_levels`, where noise is among the measures.

    Returns
    -------
    ndarray, shape (measures, V)
        NaN where a curve has no peak, or is silent.
    """
    peak_hz = peak_db = None
    if any(measure.name in (RESONANCE, HEIGHT) for measure in measures):
        peak_hz, peak_db = read_peaks(frequency_hz, levels)
        is_silent = peak_db < SILENT_DB
        peak_hz[is_silent] = peak_db[is_silent] = np.nan
    found = np.empty((len(measures), levels.shape[0]))
    noises = iter(() if noise is None else noise)
    for row, measure in enumerate(measures):
        at = int(np.searchsorted(frequency_hz, measure.frequency_hz))
        if measure.name == RESONANCE:
            found[row] = peak_hz
        elif measure.is_noise:
            found[row] = next(noises)
        elif measure.name == HEIGHT:
            found[row] = peak_db - levels[:, at]
        else:
            found[row] = levels[:, at]
    return found


def read_peaks(frequency_hz: np.ndarray, levels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return frequency and level of the highest inner maximum of each curve.

    For a resonance 1/|H|² is a parabola over f² (exactly so for R, L and C), so one through the three points around
    the maximum finds it even on a coarse grid.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,), Hz, rising
    levels : ndarray, shape (V, F), dB

    Returns
    -------
    frequency_hz, level_db : ndarrays, shape (V,)
        NaN where a curve has no inner maximum.
    """
    place = np.argmax(levels, axis=1)
    rows = np.arange(levels.shape[0])
    inner = (place > 0) & (place < levels.shape[1] - 1)
    inner &= levels[rows, place] > levels[:, 0] + LEAST_RISE_DB
    edge = ~inner
    place = np.clip(place, 1, levels.shape[1] - 2)
    x = frequency_hz * frequency_hz
    middle = levels[rows, place]
    # Relative to the middle, so that curves of any level are fitted alike.
    y_below, y_above = (10.0 ** ((middle - levels[rows, place + step]) / 10) - 1 for step in (-1, 1))
    d_below, d_above = x[place - 1] - x[place], x[place + 1] - x[place]
    curvature = (y_above / d_above - y_below / d_below) / (d_above - d_below)
    slope = y_below / d_below - curvature * d_below
    usable = curvature > 0
    shift = np.where(usable, -slope / (2 * np.where(usable, curvature, 1.0)), 0.0)
    deepest = 1 + shift * (slope + curvature * shift)
    usable &= deepest > 0
    # Between the two neighbours in any case; curves without an inner maximum are read again below.
    peak_hz = np.sqrt(x[place] + np.clip(np.where(usable, shift, 0.0), d_below, d_above))
    peak_db = middle - 10 * np.log10(np.where(usable, deepest, 1.0))
    if np.any(edge):
        # A curve that is highest at an end may still have a hump further in.
        peak_hz[edge], peak_db[edge] = peak_on_grid(frequency_hz, levels[edge])
    return peak_hz, peak_db
