"""What fixtures show of a coil, and the least-squares problem behind a fit.

A coil in a fixture is a circuit of one node, so its closed formula (`labkit.pickup.network`) serves a fit's thousands
of calls. The measured points of all sweeps stand in one row with what their fixtures add; the residual is in dB.
The unknowns are logarithms (resistance, inductance, capacitance, corners, levels), so that intervals cannot cross
zero and one step means the same percentage everywhere; eddy fractions stay plain numbers between 0 and 1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from labkit.bench.fit.fixture import Fixture, Measurement
from labkit.bench.read.sweep import fewest_points
from labkit.core.errors import InputError
from labkit.core.response import Response
from labkit.pickup.electrical import Coil
from labkit.pickup.network import branch_impedance, coil_branch, coil_shunt

DECIBEL_PER_NEPER = 20 / math.log(10)
"""One radian of phase weighs as much as one neper (8.69 dB) of level: both are the same distance in the plane."""


def fixture_reading(coil: Coil, fixture: Fixture, frequency_hz: np.ndarray) -> np.ndarray:
    """Return what a fixture records of one coil, shape (F,), complex.

    Impedance: Z ∥ meter ∥ load, Ω. Divider: that over itself plus the series resistor. Exciter: the coil's EMF
    divided between its branch and everything across its leads, times jf/1 kHz for an exciter that
    differentiates, times the rig's first-order roll-off; 1 V of EMF at 1 kHz.

    Parameters
    ----------
    coil : Coil
    fixture : Fixture
    frequency_hz : ndarray, shape (F,), Hz
    """
    if fixture.kind == "divider" and fixture.series_resistance is None:
        raise InputError("a divider sweep needs the value of its series resistor, such as 1 MΩ")
    frequency = np.asarray(frequency_hz, dtype=float)
    at = _fixture_rows(fixture, frequency, rig_corner_hz=fixture.rig_corner_hz)
    across = coil_shunt(coil, frequency) + at.pop("admittance")
    return _reading(coil_branch(coil, frequency), across, **at)


def fixture_response(coil: Coil, fixture: Fixture, frequency_hz: np.ndarray, *, name: str = "") -> Response:
    """Return `fixture_reading` as a `Response` that can be evaluated anywhere."""

    def evaluate(frequency: np.ndarray) -> np.ndarray:
        return fixture_reading(coil, fixture, frequency)

    return Response(
        frequency_hz=frequency_hz, values=evaluate(np.asarray(frequency_hz, dtype=float)), name=name, evaluate=evaluate
    )


def _fixture_rows(fixture: Fixture, frequency: np.ndarray, *, rig_corner_hz: float) -> dict[str, np.ndarray]:
    """What a fixture adds at each frequency: load box and meter (S), series resistor (Ω), its kind, its drive."""
    capacitance = fixture.load.capacitance + (fixture.meter_capacitance or 0.0)
    conductance = 1 / fixture.load.resistance + 1 / fixture.meter_resistance
    drive = np.ones(frequency.size, dtype=complex)
    if fixture.kind == "exciter":
        if fixture.exciter_differentiates:
            drive = 1j * frequency / 1000.0
        if math.isfinite(rig_corner_hz):
            drive = drive / (1 + 1j * frequency / rig_corner_hz)
    return {
        "admittance": 2j * np.pi * frequency * capacitance + conductance,
        "series": np.full(frequency.size, fixture.series_resistance or 0.0),
        "is_exciter": np.full(frequency.size, fixture.kind == "exciter"),
        "is_divider": np.full(frequency.size, fixture.kind == "divider"),
        "drive": drive,
    }


def _reading(
    branch: np.ndarray,
    across: np.ndarray,
    *,
    series: np.ndarray,
    is_exciter: np.ndarray,
    is_divider: np.ndarray,
    drive: np.ndarray,
) -> np.ndarray:
    divided = 1 / (1 + branch * across)
    impedance = branch * divided
    reading = np.where(is_exciter, divided * drive, impedance)
    if is_divider.any():
        reading = np.where(is_divider, impedance / (impedance + series + ~is_divider), reading)
    return np.asarray(reading)


@dataclass(slots=True, kw_only=True)
class Points:
    """All measured points in one row, with what the fixture adds at each."""

    frequency_hz: np.ndarray
    log_magnitude: np.ndarray
    phase: np.ndarray
    has_phase: np.ndarray
    sweep: np.ndarray
    admittance: np.ndarray
    series: np.ndarray
    is_exciter: np.ndarray
    is_divider: np.ndarray
    drive: np.ndarray
    rolls_off: np.ndarray
    level_free: tuple[bool, ...]
    names: tuple[str, ...]


def gather(measurements: Sequence[Measurement], *, band_hz: tuple[float, float], use_exciter_phase: bool) -> Points:
    """Put the points of all sweeps inside the band into one row."""
    parts: dict[str, list[np.ndarray]] = {}
    for number, measurement in enumerate(measurements):
        sweep, fixture = measurement.sweep, measurement.fixture
        inside = (sweep.frequency_hz >= band_hz[0]) & (sweep.frequency_hz <= band_hz[1])
        fewest = fewest_points(fixture.kind, has_phase=sweep.phase_deg is not None)
        if inside.sum() < fewest:
            raise InputError(
                f"{sweep.name}: only {int(inside.sum())} points lie between {band_hz[0]:g} and {band_hz[1]:g} Hz; "
                f"{fewest} or more are needed"
            )
        frequency = sweep.frequency_hz[inside]
        size = frequency.size
        exciter = fixture.kind == "exciter"
        trusts_phase = sweep.phase_deg is not None and (not exciter or use_exciter_phase)
        phase = np.radians(sweep.phase_deg[inside]) if sweep.phase_deg is not None else np.zeros(size)
        for key, row in {
            "frequency_hz": frequency,
            "log_magnitude": np.log(sweep.magnitude[inside]),
            "phase": phase,
            "has_phase": np.full(size, trusts_phase),
            "sweep": np.full(size, number),
            "rolls_off": np.full(size, fixture.fit_rig_corner),
            **_fixture_rows(
                fixture, frequency, rig_corner_hz=math.inf if fixture.fit_rig_corner else fixture.rig_corner_hz
            ),
        }.items():
            parts.setdefault(key, []).append(row)
    joined = {key: np.concatenate(rows) for key, rows in parts.items()}
    return Points(
        **joined,
        level_free=tuple(not measurement.fixture.has_absolute_level for measurement in measurements),
        names=tuple(measurement.sweep.name for measurement in measurements),
    )


def predicted(points: Points, values: Mapping[str, float], sections: int) -> np.ndarray:
    """Return the complex reading at every point for one set of unknowns, levels left out."""
    branch = branch_impedance(
        points.frequency_hz,
        resistance=math.exp(values["log_resistance"]),
        inductance=math.exp(values["log_inductance"]),
        fractions=[values[f"fraction_{number}"] for number in range(sections)],
        corners_hz=[math.exp(values[f"log_corner_{number}"]) for number in range(sections)],
    )
    across = 2j * np.pi * points.frequency_hz * math.exp(values["log_capacitance"]) + points.admittance
    if "log_loss" in values:
        across = across + math.exp(-values["log_loss"])
    drive = points.drive
    if "log_rig_corner" in values:
        roll_off = 1 / (1 + 1j * points.frequency_hz / math.exp(values["log_rig_corner"]))
        drive = np.where(points.rolls_off, drive * roll_off, drive)
    return _reading(
        branch,
        across,
        series=points.series,
        is_exciter=points.is_exciter,
        is_divider=points.is_divider,
        drive=drive,
    )


def residual_db(points: Points, values: Mapping[str, float], sections: int) -> np.ndarray:
    """Return measured minus predicted: levels in dB, then phases (where they are used) in dB-equivalents."""
    reading = predicted(points, values, sections)
    log_reading = np.log(np.abs(reading))
    for number, is_free in enumerate(points.level_free):
        if is_free:
            log_reading = log_reading + np.where(points.sweep == number, values[f"level_{number}"], 0.0)
    level: np.ndarray = (points.log_magnitude - log_reading) * DECIBEL_PER_NEPER
    if not points.has_phase.any():
        return level
    turn = points.phase[points.has_phase] - np.angle(reading[points.has_phase])
    for_exciter = points.is_exciter[points.has_phase]
    turn = np.where(for_exciter, np.angle(np.exp(2j * turn)) / 2, np.angle(np.exp(1j * turn)))
    return np.concatenate([level, turn * DECIBEL_PER_NEPER])


def best_levels(points: Points, values: Mapping[str, float], sections: int) -> dict[str, float]:
    """Return the free level of each sweep (natural log) that fits best for given coil values."""
    log_reading = np.log(np.abs(predicted(points, values, sections)))
    return {
        f"level_{number}": float(np.mean((points.log_magnitude - log_reading)[points.sweep == number]))
        for number, is_free in enumerate(points.level_free)
        if is_free
    }


def start_values(measurements: Sequence[Measurement], points: Points, *, resistance: float | None) -> dict[str, float]:
    """Guess the unknowns from the data: low-frequency impedance, and resonances under different loads.

    Two resonances under loads of different capacitance give L = (1/ω₁² − 1/ω₂²)/(C₁ − C₂); one resonance needs a
    usual winding capacitance (120 pF, common practice) beside the known load.
    """
    usual_capacitance = 120e-12
    start_resistance = resistance or 8000.0
    resonances: list[tuple[float, float]] = []
    inductance = None
    for number, measurement in enumerate(measurements):
        own = points.sweep == number
        frequency, level = points.frequency_hz[own], np.exp(points.log_magnitude[own])
        if measurement.fixture.kind == "divider":
            ratio = np.minimum(level, 0.95)
            level = (measurement.fixture.series_resistance or 1e6) * ratio / (1 - ratio)
        flat = level / np.abs(points.drive[own])
        if measurement.fixture.kind != "exciter":
            if resistance is None:
                start_resistance = float(np.min(level[: max(3, frequency.size // 20)]))
            middle = int(np.argmin(np.abs(frequency - 1000.0)))
            reactance = math.sqrt(max(level[middle] ** 2 - start_resistance**2, (0.1 * level[middle]) ** 2))
            inductance = reactance / (2 * math.pi * frequency[middle])
        top = int(np.argmax(flat))
        if 3 <= top < frequency.size - 3 and frequency[top] > 300:
            capacitance = measurement.fixture.load.capacitance + (measurement.fixture.meter_capacitance or 0.0)
            resonances.append((float(frequency[top]), capacitance))
    capacitance = usual_capacitance
    resonances.sort(key=lambda pair: pair[1])
    if len(resonances) >= 2 and resonances[-1][1] > 2 * (resonances[0][1] + usual_capacitance):
        (high, small), (low, large) = resonances[0], resonances[-1]
        if low < high:
            slope = (1 / low**2 - 1 / high**2) / (4 * math.pi**2 * (large - small))
            inductance = slope
            capacitance = 1 / ((2 * math.pi * high) ** 2 * slope) - small
    elif resonances:
        frequency_hz, outside = resonances[0]
        if inductance is None:
            inductance = 1 / ((2 * math.pi * frequency_hz) ** 2 * (usual_capacitance + outside))
        capacitance = 1 / ((2 * math.pi * frequency_hz) ** 2 * inductance) - outside
    return {
        "log_resistance": math.log(np.clip(start_resistance, 50.0, 200e3)),
        "log_inductance": math.log(np.clip(inductance or 3.0, 0.01, 100.0)),
        "log_capacitance": math.log(np.clip(capacitance, 20e-12, 5e-9)),
    }
