"""What fixtures show of a coil, and the least-squares problem behind a fit.

A pickup at its leads is an impedance and an open voltage, both in closed form (`labkit.pickup.network`), so a fit can
ask for them thousands of times. The measured points of all sweeps stand in one row with what their fixtures add; the
residual is in dB. Unknowns are logarithms (resistance, inductance, capacitance, corners, levels), so that intervals
cannot cross zero and one step means the same percentage everywhere; eddy fractions stay plain numbers between 0 and 1;
a fixture part of doubtful value is an unknown too, in standard deviations of its doubt, so its prior is 0 ± 1.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from labkit.bench.fit.fixture import Fixture, FixturePart, Measurement
from labkit.bench.read.sweep import fewest_points
from labkit.core.errors import InputError
from labkit.core.response import Response
from labkit.core.sourced import Interval
from labkit.pickup.electrical import Coil, EddySection
from labkit.pickup.network import at_leads, branch_impedance, coil_branch, coil_shunt

DECIBEL_PER_NEPER = 20 / math.log(10)
"""One radian of phase weighs as much as one neper (8.69 dB) of level: both are the same distance in the plane."""

Core = Literal["none", "one section", "two sections", "three sections", "four sections", "spread"]
"""How the losses of a core are written: up to four eddy sections, or spread over frequency as in a thick conducting
core, L·(1 − K·√x/(1 + √x)), x = jf/f_e, whose loss rises with half an order less than a section's."""

SECTIONS: Mapping[Core, int] = {
    "none": 0,
    "one section": 1,
    "two sections": 2,
    "three sections": 3,
    "four sections": 4,
    "spread": 1,
}
CORE_OF: tuple[Core, ...] = ("none", "one section", "two sections", "three sections", "four sections")

_PLACES = 2.1 * np.arange(-3, 4)
SPREAD_CORNERS = np.exp(_PLACES)
SPREAD_SHARES = (1 / np.cosh(_PLACES / 2)) / (1 / np.cosh(_PLACES / 2)).sum()
"""√x/(1 + √x) is a sum of first-order terms with weights sech(u/2)/(2π) du over u = ln(corner/f_e), by the residue of
1/(1 + √x) on its cut; seven of them, normalised, stay a network of inductors and resistors, and leave out 2 % of the
loss at either end."""

BOUNDS: Mapping[str, tuple[float, float]] = {
    "log_resistance": (math.log(10.0), math.log(1e6)),
    "log_inductance": (math.log(1e-3), math.log(200.0)),
    "log_capacitance": (math.log(1e-13), math.log(1e-7)),
    "log_loss": (math.log(1e4), math.log(1e9)),
    "log_rig_corner": (math.log(300.0), math.log(1e6)),
    "fraction": (0.0, 0.9),
    "log_corner": (math.log(800.0), math.log(60e3)),
    "coupling": (-0.9, 0.9),
    "share": (0.02, 0.98),
}
"""Wider than any guitar pickup, narrow enough to keep the search on the ground. An eddy corner below 800 Hz would be a
way of writing another inductance: measured ones lie at 2 kHz and up."""


def base_name(key: str) -> str:
    """Return an unknown's kind: its name without the coil it belongs to and without its number."""
    key = key.rpartition(".")[2]
    return key if key in BOUNDS else key.rsplit("_", 1)[0]


def bounds_of(names: Sequence[str]) -> tuple[np.ndarray, np.ndarray]:
    """Return the lowest and highest value of each unknown."""
    edges = [BOUNDS.get(base_name(name), (-math.inf, math.inf)) for name in names]
    return np.array([low for low, _ in edges]), np.array([high for _, high in edges])


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
    frequency = np.asarray(frequency_hz, dtype=float)
    leads = at_leads([coil_branch(coil, frequency)], [coil_shunt(coil, frequency)], np.zeros(1), [1.0], "series")
    parts = {part.name: part.value for part in fixture.parts()}
    return _reading(
        *leads,
        admittance=sum((_across(part, frequency) for part in fixture.parts()), np.zeros(frequency.size, dtype=complex)),
        series=np.full(frequency.size, parts.get("series resistor", 0.0)),
        is_exciter=np.full(frequency.size, fixture.kind == "exciter"),
        is_divider=np.full(frequency.size, fixture.kind == "divider"),
        drive=_drive(fixture, frequency, fixture.rig_corner_hz),
    )


def fixture_response(coil: Coil, fixture: Fixture, frequency_hz: np.ndarray, *, name: str = "") -> Response:
    """Return `fixture_reading` as a `Response` that can be evaluated anywhere."""

    def evaluate(frequency: np.ndarray) -> np.ndarray:
        return fixture_reading(coil, fixture, frequency)

    return Response(
        frequency_hz=frequency_hz, values=evaluate(np.asarray(frequency_hz, dtype=float)), name=name, evaluate=evaluate
    )


def _across(part: FixturePart, frequency: np.ndarray) -> np.ndarray:
    """Admittance of a part across the leads, S; none of a series resistor."""
    if part.name == "series resistor":
        return np.zeros(frequency.size, dtype=complex)
    if part.unit == "F":
        return np.asarray(2j * np.pi * frequency * part.value)
    return np.full(frequency.size, 1 / part.value + 0j)


def _drive(fixture: Fixture, frequency: np.ndarray, rig_corner_hz: float) -> np.ndarray:
    drive = np.ones(frequency.size, dtype=complex)
    if fixture.kind == "exciter":
        if fixture.exciter_differentiates:
            drive = 1j * frequency / 1000.0
        if math.isfinite(rig_corner_hz):
            drive = drive / (1 + 1j * frequency / rig_corner_hz)
    return drive


def _reading(
    impedance: np.ndarray,
    voltage: np.ndarray,
    *,
    admittance: np.ndarray,
    series: np.ndarray,
    is_exciter: np.ndarray,
    is_divider: np.ndarray,
    drive: np.ndarray,
) -> np.ndarray:
    loaded = 1 / (1 + impedance * admittance)
    across = impedance * loaded
    reading = np.where(is_exciter, voltage * loaded * drive, across)
    if is_divider.any():
        reading = np.where(is_divider, across / (across + series + ~is_divider), reading)
    return np.asarray(reading)


@dataclass(slots=True, kw_only=True)
class Points:
    """All measured points in one row, with what the fixture adds at each.

    ``parts`` holds each doubtful fixture part with the admittance (S, complex) that it adds at every point, zero where
    it was not there; ``admittance`` holds the parts that are exact.
    """

    frequency_hz: np.ndarray
    log_magnitude: np.ndarray
    phase: np.ndarray
    has_phase: np.ndarray
    sigma_db: np.ndarray
    sweep: np.ndarray
    admittance: np.ndarray
    series: np.ndarray
    is_exciter: np.ndarray
    is_divider: np.ndarray
    drive: np.ndarray
    rolls_off: np.ndarray
    level_free: tuple[bool, ...]
    level_doubt_db: tuple[float, ...]
    names: tuple[str, ...]
    parts: tuple[tuple[FixturePart, np.ndarray], ...]
    series_parts: tuple[tuple[FixturePart, np.ndarray], ...]

    @property
    def doubtful(self) -> tuple[FixturePart, ...]:
        """The fixture parts whose value is an unknown of the fit."""
        return tuple(part for part, _ in (*self.parts, *self.series_parts))


def gather(measurements: Sequence[Measurement], *, band_hz: tuple[float, float], use_exciter_phase: bool) -> Points:
    """Put the points of all sweeps inside the band into one row."""
    rows: dict[str, list[np.ndarray]] = {}
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
        trusts_phase = sweep.phase_deg is not None and (fixture.kind != "exciter" or use_exciter_phase)
        for key, row in {
            "frequency_hz": frequency,
            "log_magnitude": np.log(sweep.magnitude[inside]),
            "phase": np.radians(sweep.phase_deg[inside]) if sweep.phase_deg is not None else np.zeros(size),
            "has_phase": np.full(size, trusts_phase),
            "sigma_db": np.full(size, np.nan) if sweep.sigma_db is None else sweep.sigma_db[inside],
            "sweep": np.full(size, number),
            "is_exciter": np.full(size, fixture.kind == "exciter"),
            "is_divider": np.full(size, fixture.kind == "divider"),
            "rolls_off": np.full(size, fixture.fit_rig_corner),
            "drive": _drive(fixture, frequency, math.inf if fixture.fit_rig_corner else fixture.rig_corner_hz),
        }.items():
            rows.setdefault(key, []).append(row)
    joined = {key: np.concatenate(parts) for key, parts in rows.items()}
    admittance, series = np.zeros(joined["sweep"].size, dtype=complex), np.zeros(joined["sweep"].size)
    across: dict[FixturePart, np.ndarray] = {}
    through: dict[FixturePart, np.ndarray] = {}
    for number, measurement in enumerate(measurements):
        own = joined["sweep"] == number
        for part in measurement.fixture.parts():
            added = np.where(own, _across(part, joined["frequency_hz"]), 0.0)
            if part.name == "series resistor":
                row = np.where(own, part.value, 0.0)
                series = series + (row if part.spread == 0 else 0.0)
                if part.spread > 0:
                    through[part] = through.get(part, 0.0) + row
            elif part.spread == 0:
                admittance = admittance + added
            else:
                across[part] = across.get(part, 0.0) + added
    return Points(
        **joined,
        admittance=admittance,
        series=series,
        level_free=tuple(
            not measurement.fixture.has_absolute_level or measurement.fixture.level_doubt_db > 0
            for measurement in measurements
        ),
        level_doubt_db=tuple(
            measurement.fixture.level_doubt_db if measurement.fixture.has_absolute_level else 0.0
            for measurement in measurements
        ),
        names=tuple(measurement.sweep.name for measurement in measurements),
        parts=tuple(across.items()),
        series_parts=tuple(through.items()),
    )


def coil_of(values: Mapping[str, float], core: Core, *, owner: str = "") -> Coil:
    """Return the coil that a set of unknowns means; ``owner`` is the prefix of a coil of a pair, such as ``first.``."""

    def value(key: str) -> float:
        return values[owner + key]

    fractions, corners = _eddy(values, core, owner)
    fractions = np.maximum(fractions, 0.0)
    fractions = fractions * min(1.0, 0.99 / max(float(fractions.sum()), 1e-12))
    order = np.argsort(corners)
    return Coil(
        resistance=math.exp(value("log_resistance")),
        inductance=math.exp(value("log_inductance")),
        capacitance=math.exp(value("log_capacitance")),
        loss_resistance=math.exp(value("log_loss")) if owner + "log_loss" in values else math.inf,
        eddy=tuple(EddySection(fraction=float(fractions[at]), corner_hz=float(corners[at])) for at in order),
    )


def _eddy(values: Mapping[str, float], core: Core, owner: str) -> tuple[np.ndarray, np.ndarray]:
    """Fractions and corners (Hz) of the eddy sections that a core's unknowns mean.

    An unknown fraction is a share of what the sections before it leave, so that no core loses more than it has.
    """
    if core == "spread":
        return (
            values[owner + "fraction_0"] * SPREAD_SHARES,
            math.exp(values[owner + "log_corner_0"]) * SPREAD_CORNERS,
        )
    count = range(SECTIONS[core])
    shares = np.array([values[f"{owner}fraction_{number}"] for number in count])
    return (
        shares * left_before(shares),
        np.array([math.exp(values[f"{owner}log_corner_{number}"]) for number in count]),
    )


def left_before(shares: np.ndarray) -> np.ndarray:
    """Return what the sections before each leave of the inductance, from the share that each takes."""
    return np.cumprod(np.concatenate([[1.0], 1 - shares]))[:-1]


def coil_rows(
    values: Mapping[str, float], core: Core, frequency_hz: np.ndarray, owner: str = ""
) -> tuple[np.ndarray, np.ndarray]:
    """Return branch impedance (Ω) and shunt admittance (S) of the coil of a set of unknowns, shape (F,)."""
    fractions, corners = _eddy(values, core, owner)
    branch = branch_impedance(
        frequency_hz,
        resistance=math.exp(values[owner + "log_resistance"]),
        inductance=math.exp(values[owner + "log_inductance"]),
        fractions=fractions,  # type: ignore[arg-type]
        corners_hz=corners,  # type: ignore[arg-type]
    )
    shunt = 2j * np.pi * frequency_hz * math.exp(values[owner + "log_capacitance"])
    return branch, shunt + (math.exp(-values[owner + "log_loss"]) if owner + "log_loss" in values else 0.0)


Leads = Callable[[Mapping[str, float], np.ndarray], tuple[np.ndarray, np.ndarray]]
"""From the values of the unknowns and frequencies (Hz, shape (F,)) to impedance (Ω) and open voltage (V per volt of
EMF) at the leads, shape (F,), complex."""


def one_coil(core: Core) -> Leads:
    """Return the leads of a single coil."""

    def leads(values: Mapping[str, float], frequency_hz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        branch, shunt = coil_rows(values, core, frequency_hz)
        divided = 1 / (1 + branch * shunt)
        return branch * divided, divided

    return leads


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """Points, what stands at the leads, and what is held beforehand.

    Attributes
    ----------
    points : Points
    core : Core
    leads : Leads
    known : mapping of str to (float, float)
        Mean and standard deviation on the unknown's own scale.
    names : tuple of str
        The unknowns, in the order of every vector.
    """

    points: Points
    core: Core
    leads: Leads
    known: Mapping[str, tuple[float, float]]
    names: tuple[str, ...]

    def reading(self, values: Mapping[str, float]) -> np.ndarray:
        """Return the complex reading at every point, levels left out."""
        points = self.points
        admittance, series = points.admittance, points.series
        for number, (part, row) in enumerate(points.parts):
            power = 1.0 if part.unit == "F" else -1.0
            admittance = admittance + row * math.exp(power * part.spread * values[f"part_{number}"])
        for number, (part, row) in enumerate(points.series_parts, start=len(points.parts)):
            series = series + row * math.exp(part.spread * values[f"part_{number}"])
        drive = points.drive
        if "log_rig_corner" in values:
            roll_off = 1 / (1 + 1j * points.frequency_hz / math.exp(values["log_rig_corner"]))
            drive = np.where(points.rolls_off, drive * roll_off, drive)
        impedance, voltage = self.leads(values, points.frequency_hz)
        return _reading(
            impedance,
            voltage,
            admittance=admittance,
            series=series,
            is_exciter=points.is_exciter,
            is_divider=points.is_divider,
            drive=drive,
        )

    def residual(self, vector: np.ndarray) -> np.ndarray:
        """Return measured minus predicted: levels in dB, then phases (where they are used) in dB-equivalents."""
        points = self.points
        values = dict(zip(self.names, vector.tolist()))
        reading = self.reading(values)
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

    def resonance_hz(self, values: Mapping[str, float], number: int) -> float:
        """Return the undamped resonance of a coil with what one sweep's fixture hangs across it, Hz.

        Of a pair, that of the coil that resonates lowest.
        """
        points = self.points
        own = points.sweep == number
        across = points.admittance[own] + sum((row[own] for _, row in points.parts), np.zeros(int(own.sum())))
        outside = float(np.median(across.imag / (2 * np.pi * points.frequency_hz[own])))
        owners = [name.removesuffix("log_inductance") for name in self.names if name.endswith("log_inductance")]
        return min(
            1
            / (2 * math.pi * math.sqrt(math.exp(values[f"{owner}log_inductance"])))
            / math.sqrt(math.exp(values[f"{owner}log_capacitance"]) + outside)
            for owner in owners
        )

    @property
    def row_groups(self) -> np.ndarray:
        """Which sweep each residual belongs to; phases count on after the levels."""
        phases = self.points.sweep[self.points.has_phase] + len(self.points.names)
        return np.concatenate([self.points.sweep, phases])

    @property
    def row_frequency_hz(self) -> np.ndarray:
        """Frequency of each residual, Hz."""
        frequency = self.points.frequency_hz
        return np.concatenate([frequency, frequency[self.points.has_phase]])

    def with_best_levels(self, values: Mapping[str, float]) -> np.ndarray:
        """Return the vector of unknowns with the free level of each sweep that fits best."""
        points = self.points
        log_reading = np.log(np.abs(self.reading(values)))
        levels = {
            f"level_{number}": 0.0
            if points.level_doubt_db[number]
            else float(np.mean((points.log_magnitude - log_reading)[points.sweep == number]))
            for number, is_free in enumerate(points.level_free)
            if is_free
        }
        complete = {**values, **levels}
        return np.array([complete[name] for name in self.names])


def make_problem(
    points: Points, core: Core, coil_names: Sequence[str], known: Mapping[str, Interval], leads: Leads
) -> Problem:
    """Return the problem of given unknowns of the coil, with those of the fixture and its doubt added."""
    levels = [f"level_{number}" for number, is_free in enumerate(points.level_free) if is_free]
    gains = {
        f"level_{number}": (0.0, doubt / DECIBEL_PER_NEPER)
        for number, doubt in enumerate(points.level_doubt_db)
        if doubt > 0
    }
    parts = [f"part_{number}" for number in range(len(points.doubtful))]
    rig = ["log_rig_corner"] if points.rolls_off.any() else []
    held = {key: (math.log(interval.value), reading_spread(interval)) for key, interval in known.items()}
    return Problem(
        points=points,
        core=core,
        leads=leads,
        known={**held, **gains, **dict.fromkeys(parts, (0.0, 1.0))},
        names=(*coil_names, *rig, *levels, *parts),
    )


def coil_names(core: Core, *, fit_loss: bool) -> list[str]:
    """Return the unknowns of one coil."""
    eddy = [f"{kind}_{number}" for number in range(SECTIONS[core]) for kind in ("fraction", "log_corner")]
    return ["log_resistance", "log_inductance", "log_capacitance", *eddy, *(["log_loss"] if fit_loss else [])]


def reading_spread(held: Interval) -> float:
    """Standard deviation of the logarithm of a value with 95 % bounds; at least 0.01 %."""
    return max(math.log(held.high / max(held.low, 1e-6 * held.value)) / (2 * 1.96), 1e-4)


def start_values(measurements: Sequence[Measurement], points: Points, *, resistance: float | None) -> dict[str, float]:
    """Guess the unknowns of the coil and the rig from the data: low-frequency impedance, resonances under loads.

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
    corners = [m.fixture.rig_corner_hz for m in measurements if m.fixture.fit_rig_corner]
    known = [value for value in corners if math.isfinite(value)]
    return {
        "log_resistance": math.log(np.clip(start_resistance, 50.0, 200e3)),
        "log_inductance": math.log(np.clip(inductance or 3.0, 0.01, 100.0)),
        "log_capacitance": math.log(np.clip(capacitance, 20e-12, 5e-9)),
        **({"log_rig_corner": math.log(known[0] if known else 5000.0)} if corners else {}),
        **{f"part_{number}": 0.0 for number in range(len(points.doubtful))},
    }
