"""What a fit says of a fixture it has not seen: the curve, its peak and its height, each with a 95 % band.

The band holds the doubt of the unknowns (and in it what a smooth error of the sweeps does to them), the rival ways to
write the core's losses, the tolerance of the fixture's parts, and a discrepancy so large that the model is in question.
It does not hold the error of another sweep that is held against it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from labkit.bench.fit.fixture import STANDARD_LOAD, Fixture, FixturePart, Load
from labkit.bench.fit.model import Core, bounds_of, coil_of, fixture_reading
from labkit.bench.fit.solve import smooth_basis
from labkit.core.sourced import Interval
from labkit.core.units import format_quantity

DRAWS = 400
"""Draws behind a band: its edges are then good to a tenth of its width."""

HEIGHT_OVER_HZ = 100.0
"""A height is the level of the peak minus the level here."""

LOWEST_PEAK_HZ = 400.0

MISFIT_DB = 0.5
"""A smooth discrepancy up to this is laid to the instrument (public sweeps of single coils fit within 0.1 to 0.5 dB); a
larger one to the coil, whose prediction is then no better than it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """One way to write the core's losses, as solved, and how much the data speak for it (all weights sum to 1).

    ``vector`` and ``covariance`` are on the fit's own scale (logarithms, fractions, standard deviations of a part), in
    the order of ``names``; ``discrepancy_db`` and ``width`` are those of `labkit.bench.fit.solve.Errors`.
    """

    core: Core
    weight: float
    names: tuple[str, ...]
    vector: np.ndarray
    covariance: np.ndarray
    parts: tuple[FixturePart, ...]
    discrepancy_db: float
    width: float
    freedom: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PeakBand:
    """Where a predicted curve peaks (Hz), and how high over its level at 100 Hz (dB), with 95 % bounds."""

    frequency_hz: Interval
    height_db: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictedCurve:
    """A predicted curve with its 95 % band.

    Attributes
    ----------
    fixture : Fixture
    frequency_hz, level_db, low_db, high_db : ndarray, shape (F,), Hz and dB
        As recorded; an exciter's level starts at 0 dB at 100 Hz.
    peak : PeakBand or None
        None where some draws have no peak inside the band.
    """

    fixture: Fixture
    frequency_hz: np.ndarray
    level_db: np.ndarray
    low_db: np.ndarray
    high_db: np.ndarray
    peak: PeakBand | None

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> PredictedCurve:
        """Return the prediction that `as_dict` wrote."""
        peak = data["peak"]
        load = Load(resistance=data["load_resistance_ohm"] or math.inf, capacitance=data["load_capacitance_f"])
        return cls(
            fixture=open_voltage(load),
            frequency_hz=np.array(data["frequency_hz"]),
            level_db=np.array(data["gain_db"]["value"]),
            low_db=np.array(data["gain_db"]["low"]),
            high_db=np.array(data["gain_db"]["high"]),
            peak=None if peak is None else PeakBand(**{key: Interval(**bounds) for key, bounds in peak.items()}),
        )

    @property
    def sentence(self) -> str:
        """Where the curve peaks and how high, with bounds."""
        load = load_in_words(self.fixture.load)
        if self.peak is None:
            return f"Into {load} no peak is certain."
        f, h = self.peak.frequency_hz, self.peak.height_db
        value, low, high = (format_quantity(float(f"{x:.3g}"), "Hz") for x in (f.value, f.low, f.high))
        return (
            f"Into {load} its peak is at {value} ({low} to {high}), "
            f"{_decibels(h.value)} ({_decibels(h.low)} to {_decibels(h.high)}) over the level at 100 Hz."
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        load = self.fixture.load
        return {
            "load_resistance_ohm": load.resistance if math.isfinite(load.resistance) else None,
            "load_capacitance_f": load.capacitance,
            "frequency_hz": self.frequency_hz.tolist(),
            "gain_db": {"value": self.level_db.tolist(), "low": self.low_db.tolist(), "high": self.high_db.tolist()},
            "peak": None
            if self.peak is None
            else {
                "frequency_hz": self.peak.frequency_hz.as_dict(),
                "height_db": self.peak.height_db.as_dict(),
            },
        }


def _decibels(value: float) -> str:
    return f"{value:.1f} dB".replace("-", "−")


def load_in_words(load: Load) -> str:
    """Return a load as a person says it."""
    parts = []
    if math.isfinite(load.resistance):
        parts.append(format_quantity(float(f"{load.resistance:.4g}"), "Ω"))
    if load.capacitance:
        parts.append(format_quantity(float(f"{load.capacitance:.4g}"), "F"))
    return " parallel to ".join(parts) if parts else "no load"


def open_voltage(load: Load = STANDARD_LOAD) -> Fixture:
    """Return the fixture that shows a coil's voltage over its EMF with a load across it and no meter."""
    return Fixture(kind="exciter", load=load, meter_resistance=math.inf, exciter_differentiates=False)


def peak_of(frequency_hz: np.ndarray, level_db: np.ndarray) -> tuple[float, float] | None:
    """Return frequency (Hz) and level (dB) of the highest point above 400 Hz, by a parabola; None at an edge."""
    above = np.flatnonzero(frequency_hz >= LOWEST_PEAK_HZ)
    top = int(above[np.argmax(level_db[above])])
    if not above[0] < top < frequency_hz.size - 1:
        return None
    x = np.log(frequency_hz[top - 1 : top + 2])
    a, b, c = np.polyfit(x - x[1], level_db[top - 1 : top + 2], 2)
    move = float(np.clip(-b / (2 * a), x[0] - x[1], x[2] - x[1])) if a < 0 else 0.0
    return float(math.exp(x[1] + move)), float(a * move**2 + b * move + c)


def draw(rivals: Sequence[Rival], count: int, random: np.random.Generator) -> list[tuple[Rival, dict[str, float]]]:
    """Draw sets of unknowns: the rival by its weight, its unknowns from a multivariate t."""
    weights = np.array([rival.weight for rival in rivals])
    picked = random.choice(len(rivals), size=count, p=weights / weights.sum())
    roots = []
    for rival in rivals:
        values, vectors = np.linalg.eigh(rival.covariance)
        roots.append(vectors * np.sqrt(np.maximum(values, 0.0)))
    drawn = []
    for at in picked:
        rival = rivals[at]
        tail = math.sqrt(rival.freedom / random.chisquare(rival.freedom))
        vector = rival.vector + tail * roots[at] @ random.standard_normal(rival.vector.size)
        vector = np.clip(vector, *bounds_of(rival.names))
        drawn.append((rival, dict(zip(rival.names, vector.tolist()))))
    return drawn


def _set(fixture: Fixture, rival: Rival, values: dict[str, float], random: np.random.Generator | None) -> Fixture:
    """Return the fixture with its parts as drawn: a part that was in the fit as the fit found it, else anew."""
    load, changed = fixture.load, fixture
    for part in fixture.parts():
        known = rival.parts.index(part) if part in rival.parts else None
        anew = 0.0 if random is None else float(random.standard_normal())
        z = values[f"part_{known}"] if known is not None else anew
        value = part.value * math.exp(part.spread * float(np.clip(z, -8, 8)))
        if part.name == "load resistor":
            load = replace(load, resistance=value)
        elif part.name == "load capacitor":
            load = replace(load, capacitance=value)
        elif part.name == "series resistor":
            changed = replace(changed, series_resistance=value)
        elif part.unit == "F":
            changed = replace(changed, meter_capacitance=value)
        else:
            changed = replace(changed, meter_resistance=value)
    return replace(_with_corner(changed, values), load=load)


def as_fitted(fixture: Fixture, rival: Rival) -> Fixture:
    """Return the fixture of a sweep with its parts and the rig's corner as the fit found them."""
    return _set(fixture, rival, dict(zip(rival.names, rival.vector.tolist())), None)


def _with_corner(fixture: Fixture, values: dict[str, float]) -> Fixture:
    """Carry the fitted corner over to a fixture of the same rig."""
    if not fixture.fit_rig_corner or "log_rig_corner" not in values:
        return fixture
    return replace(fixture, rig_corner_hz=math.exp(values["log_rig_corner"]))


def predict(rivals: Sequence[Rival], fixture: Fixture, frequency_hz: np.ndarray, *, seed: int = 1) -> PredictedCurve:
    """Return what a fixture would show, with its 95 % band.

    Parameters
    ----------
    rivals : sequence of Rival
        From a fit, the best first.
    fixture : Fixture
        Its doubtful parts are drawn from their tolerance, or from the fit where they are the same parts.
    frequency_hz : ndarray, shape (F,), Hz
    seed : int
        Of the draws.
    """
    random = np.random.default_rng(seed)
    frequency = np.asarray(frequency_hz, dtype=float)
    fine = np.geomspace(max(frequency[0], 50.0), frequency[-1], 600)
    everywhere = np.concatenate([[HEIGHT_OVER_HZ], frequency, fine])
    relative = fixture.kind == "exciter"

    def parts_of(level: np.ndarray) -> tuple[np.ndarray, tuple[float, float] | None]:
        top = peak_of(fine, level[1 + frequency.size :])
        zero = level[0]
        peak = None if top is None else (top[0], top[1] - zero)
        return level[1 : 1 + frequency.size] - (zero if relative else 0.0), peak

    def level_of(rival: Rival, values: dict[str, float], used: Fixture) -> np.ndarray:
        reading = fixture_reading(coil_of(values, rival.core), used, everywhere)
        return np.asarray(20 * np.log10(np.maximum(np.abs(reading), 1e-300)))

    best = rivals[0]
    at_best = dict(zip(best.names, best.vector.tolist()))
    level, peak = parts_of(level_of(best, at_best, _with_corner(fixture, at_best)))
    bases = {rival.width: smooth_basis(np.log(everywhere), rival.width) for rival in rivals}
    curves, peaks = [], []
    for rival, values in draw(rivals, DRAWS, random):
        drawn = level_of(rival, values, _set(fixture, rival, values, random))
        basis = bases[rival.width]
        if rival.discrepancy_db > MISFIT_DB:
            drawn = drawn + rival.discrepancy_db * basis @ random.standard_normal(basis.shape[1])
        curve, top = parts_of(drawn)
        curves.append(curve)
        peaks.append(top)
    low, high = np.percentile(curves, [2.5, 97.5], axis=0)
    found = np.array([top for top in peaks if top is not None])
    band = None
    if peak is not None and len(found) >= 0.9 * DRAWS:
        (f_low, h_low), (f_high, h_high) = np.percentile(found, [2.5, 97.5], axis=0)
        band = PeakBand(
            frequency_hz=Interval(value=peak[0], low=min(f_low, peak[0]), high=max(f_high, peak[0])),
            height_db=Interval(value=peak[1], low=min(h_low, peak[1]), high=max(h_high, peak[1])),
        )
    return PredictedCurve(
        fixture=fixture,
        frequency_hz=frequency,
        level_db=level,
        low_db=np.minimum(low, level),
        high_db=np.maximum(high, level),
        peak=band,
    )
