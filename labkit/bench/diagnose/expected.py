"""What each reading should be under a situation, in one measure: distance in standard deviations."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from labkit.bench.diagnose.faults import Situation, dc_of, every_coil
from labkit.bench.diagnose.meter import dc_resistance_at, expected_lcr, in_circuit_reading, lcr_reading
from labkit.bench.diagnose.readings import OPEN, LcrValue, PeakValue, Plan, Readings
from labkit.bench.diagnose.verdicts import JudgedReading
from labkit.bench.fit.fixture import NO_LOAD, STANDARD_LOAD, Load
from labkit.core.errors import InputError, did_you_mean
from labkit.core.grid import HIGHEST_HZ, REFERENCE_HZ, frequency_grid
from labkit.core.response import gain_db, peak_on_grid
from labkit.core.units import format_quantity
from labkit.pickup.electrical import Coil, Pickup
from labkit.pickup.network import coil_impedance, pickup_impedance, pickup_transfer

ROOM_C = 20.0
"""Temperature taken for a coil whose temperature was not read; the doubt is in the fault "warm coil"."""


_GRID = frequency_grid(REFERENCE_HZ, HIGHEST_HZ, 400)


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """One reading on a scale of its own, and how to predict it.

    Attributes
    ----------
    label, unit : str
    observed : float
        Logarithm of the reading, or the reading itself when ``is_logarithmic`` is False.
    spread : float
        One standard deviation: meter accuracy and what the plan's tolerance allows, together.
    predict : callable
        From a situation to the value on the same scale.
    planned : float
        What the plan itself predicts.
    """

    label: str
    unit: str
    observed: float
    spread: float
    predict: Callable[[Situation], float]
    planned: float
    is_logarithmic: bool = True

    @property
    def within(self) -> bool:
        """Whether the reading lies within the 95 % bounds of the plan."""
        return abs(self.observed - self.planned) <= 1.96 * self.spread

    def distinguishes(self, predicted: float) -> bool:
        """Whether a prediction, on the same scale, is clearly another than the plan's."""
        return abs(predicted - self.planned) > 2 * self.spread

    def sentence(self, predicted: float | None = None) -> str:
        """Say what was read, what was planned, and what a cause would give."""
        parts = [f"{self.label}: read {self._shown(self.observed)}, planned {self._shown(self.planned)}"]
        if self.is_logarithmic:
            parts.append(f" ({100 * math.expm1(self.observed - self.planned):+.1f} %)")
        else:
            parts.append(f" ({self.observed - self.planned:+.1f} {self.unit})")
        if predicted is not None:
            parts.append(f"; this cause gives {self._shown(predicted)}")
        return "".join(parts)

    def judged(self) -> JudgedReading:
        """Return the reading with the bounds that the plan allows it."""
        scale = math.exp if self.is_logarithmic else float
        half = 1.96 * self.spread
        low, high, reading = (scale(value) for value in (self.planned - half, self.planned + half, self.observed))
        return JudgedReading(quantity=self.label, unit=self.unit, low=low, high=high, reading=reading)

    def _shown(self, value: float) -> str:
        number = math.exp(value) if self.is_logarithmic else value
        return format_quantity(number, self.unit, digits=4) if self.unit != "dB" else f"{number:.1f} dB"


def _feature(
    label: str,
    unit: str,
    observed: float,
    spread: float,
    predict: Callable[[Situation], float],
    plan: Plan,
    *,
    is_logarithmic: bool = True,
) -> Feature:
    return Feature(
        label=label,
        unit=unit,
        observed=observed,
        spread=spread,
        predict=predict,
        planned=predict(Situation(pickup=plan.pickup)),
        is_logarithmic=is_logarithmic,
    )


def features(plan: Plan, readings: Readings) -> list[Feature]:
    """Return every reading of the coil that can be held against the plan."""
    found: list[Feature] = []
    temperature = ROOM_C if readings.temperature_c is None else readings.temperature_c
    if readings.resistance is not None and readings.resistance != OPEN:
        found.append(_resistance(plan, readings, readings.resistance, temperature))
    for name, value in readings.coil_resistance.items():
        if value != OPEN:
            found.append(_coil_resistance(plan, readings, name, value, temperature))
    for lcr in readings.lcr:
        found += _lcr(plan, lcr, temperature)
    if readings.peak is not None:
        found += _peak(plan, readings.peak)
    return found


def _resistance(plan: Plan, readings: Readings, value: float, temperature: float) -> Feature:
    def predict(situation: Situation) -> float:
        own = dc_of(situation.pickup, temperature_c=temperature + situation.temperature_offset)
        return math.log(in_circuit_reading(resistance=own, parallel=[pot for pot, _ in readings.pots]))

    planned = dc_of(plan.pickup, temperature_c=temperature)
    pots = [(planned / pot * tolerance / 1.96) ** 2 for pot, tolerance in readings.pots]
    spread = math.sqrt((plan.resistance_tolerance / 1.96) ** 2 + (readings.resistance_accuracy / 1.96) ** 2 + sum(pots))
    label = "DC resistance" if not readings.pots else "DC resistance in the instrument"
    return _feature(label, "Ω", math.log(value), spread, predict, plan)


def _coil_resistance(plan: Plan, readings: Readings, name: str, value: float, temperature: float) -> Feature:
    if name not in plan.pickup.coils:
        raise InputError(f"{readings.name}: the plan has no coil '{name}'.{did_you_mean(name, plan.pickup.coils)}")

    def predict(situation: Situation) -> float:
        coil = situation.pickup.coils.get(name)
        if coil is None:
            return math.log(1.0)
        celsius = temperature + situation.temperature_offset
        return math.log(dc_resistance_at(resistance_at_20=coil.resistance, temperature_c=celsius))

    spread = math.hypot(plan.resistance_tolerance, readings.resistance_accuracy) / 1.96
    return _feature(f"DC resistance of coil {name}", "Ω", math.log(value), spread, predict, plan)


ANGLE_SPREAD_DEG = 10.0
"""Near its resonance the phase of a coil swings through zero within a few percent of frequency; two readings of one
plan may differ by this much."""


def _angle(lcr: LcrValue, inductance: float, resistance: float) -> float:
    """Return the phase of an impedance from its display, degrees."""
    reactance = 2 * math.pi * lcr.frequency_hz * inductance
    if lcr.model == "series":
        return math.degrees(math.atan2(reactance, resistance))
    return (
        math.degrees(math.atan2(resistance, reactance))
        if reactance > 0
        else -math.degrees(math.atan2(resistance, -reactance))
    )


def _at(pickup: Pickup, celsius: float) -> Pickup:
    """Return the pickup with its copper at another temperature; core and inductance hardly move within a shop."""

    def warmed(coil: Coil) -> Coil:
        return replace(coil, resistance=dc_resistance_at(resistance_at_20=coil.resistance, temperature_c=celsius))

    return every_coil(pickup, warmed)


def _lcr(plan: Plan, lcr: LcrValue, temperature: float) -> list[Feature]:
    if lcr.coil is not None and lcr.coil not in plan.pickup.coils:
        raise InputError(f"the plan has no coil '{lcr.coil}'.{did_you_mean(lcr.coil, plan.pickup.coils)}")

    def reading(situation: Situation) -> tuple[float, float]:
        frequency = np.array([lcr.frequency_hz])
        pickup = _at(situation.pickup, temperature + situation.temperature_offset)
        if lcr.coil is not None and lcr.coil in pickup.coils:
            impedance = complex(coil_impedance(pickup.coils[lcr.coil], frequency)[0])
        else:
            impedance = complex(pickup_impedance(pickup, frequency)[0])
        shown = lcr_reading(impedance, lcr.frequency_hz)
        series = (lcr.model == "series") != situation.other_model
        return (
            (shown.series_inductance, shown.series_resistance)
            if series
            else (shown.parallel_inductance, shown.parallel_resistance)
        )

    whose = f" of coil {lcr.coil}" if lcr.coil else ""
    at = format_quantity(lcr.frequency_hz, "Hz")
    found = []
    planned_l, planned_r = reading(Situation(pickup=plan.pickup))
    resistance = lcr.resistance
    if resistance is None and lcr.quality is not None and lcr.quality != 0 and lcr.inductance is not None:
        reactance = 2 * math.pi * lcr.frequency_hz * lcr.inductance
        resistance = reactance / lcr.quality if lcr.model == "series" else reactance * lcr.quality
    if lcr.inductance is not None and lcr.inductance * planned_l > 0:
        sign = math.copysign(1.0, planned_l)

        def predict_l(situation: Situation) -> float:
            return math.log(max(sign * reading(situation)[0], 1e-6))

        spread = math.hypot(plan.inductance_tolerance, lcr.accuracy) / 1.96
        found.append(
            _feature(
                f"{lcr.model} inductance{whose} at {at}", "H", math.log(abs(lcr.inductance)), spread, predict_l, plan
            )
        )
    elif resistance is not None and lcr.inductance is not None:
        # coil on one side of its resonance in the plan, on the other in the reading: only the angle compares
        def predict_angle(situation: Situation) -> float:
            inductance, ohms = reading(situation)
            return _angle(lcr, inductance, ohms)

        angle = _angle(lcr, lcr.inductance, resistance)
        found.append(
            _feature(
                f"phase of the impedance{whose} at {at}",
                "°",
                angle,
                ANGLE_SPREAD_DEG,
                predict_angle,
                plan,
                is_logarithmic=False,
            )
        )
    if resistance is not None and resistance > 0 and planned_r > 0:

        def predict_r(situation: Situation) -> float:
            return math.log(max(reading(situation)[1], 1e-3))

        # the copper's part of the reading varies as the DC resistance may, the rest as the losses may
        copper = min(dc_of(plan.pickup, temperature_c=temperature) / planned_r, 1.0)
        allowed = math.hypot(copper * plan.resistance_tolerance, (1 - copper) * plan.loss_tolerance)
        spread = math.hypot(allowed, 2 * lcr.accuracy) / 1.96
        found.append(
            _feature(f"{lcr.model} resistance{whose} at {at}", "Ω", math.log(resistance), spread, predict_r, plan)
        )
    return found


def loaded_peak(pickup: Pickup, load: Load) -> tuple[float, float] | None:
    """Return frequency (Hz) and height above 100 Hz (dB) of a pickup's resonance under a load; None without a peak.

    On 400 log-spaced points with a parabola through the top: 1e-4 in frequency, far below any reading.
    """
    admittance = 2j * np.pi * _GRID * load.capacitance + 1 / load.resistance
    level = gain_db(pickup_transfer(pickup, _GRID, admittance))
    frequency, height = peak_on_grid(_GRID, level)
    if np.isnan(frequency):
        return None
    return float(frequency), float(height - level[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedReading:
    """What a meter should show of a sheet: quantity in words, value in ``unit``."""

    quantity: str
    unit: str
    value: float


METER_FREQUENCIES_HZ = (100.0, 120.0, 1000.0, 10_000.0)
"""Test frequencies of common LCR meters."""


def expected_readings(pickup: Pickup, *, temperature_c: float = ROOM_C) -> tuple[ExpectedReading, ...]:
    """Return what ohmmeter, LCR meter and sweep should show of a pickup, in the order of a bench.

    Parameters
    ----------
    pickup : Pickup
        Resistance at 20 °C.
    temperature_c : float, °C
        Of the coil while it is read.
    """
    rows = [
        ExpectedReading(
            quantity=f"DC resistance at {temperature_c:g} °C",
            unit="Ω",
            value=dc_of(pickup, temperature_c=temperature_c),
        )
    ]
    for frequency in METER_FREQUENCIES_HZ:
        at = format_quantity(frequency, "Hz")
        shown = expected_lcr(pickup, frequency)
        rows += [
            ExpectedReading(quantity=f"series inductance at {at}", unit="H", value=shown.series_inductance),
            ExpectedReading(quantity=f"series resistance at {at}", unit="Ω", value=shown.series_resistance),
            ExpectedReading(quantity=f"parallel inductance at {at}", unit="H", value=shown.parallel_inductance),
            ExpectedReading(quantity=f"Q at {at}", unit="1", value=shown.quality),
        ]
    for words, load in (("bare", NO_LOAD), ("with 200 kΩ and 470 pF", STANDARD_LOAD)):
        peak = loaded_peak(pickup, load)
        if peak is not None:
            rows.append(ExpectedReading(quantity=f"peak {words}", unit="Hz", value=peak[0]))
            rows.append(ExpectedReading(quantity=f"height of the peak {words}", unit="dB", value=peak[1]))
    return tuple(rows)


def _peak(plan: Plan, peak: PeakValue) -> list[Feature]:
    cache: dict[int, tuple[float, float] | None] = {}
    kept: list[Pickup] = []

    def found(situation: Situation) -> tuple[float, float]:
        key = id(situation.pickup)
        if key not in cache:
            kept.append(situation.pickup)  # keeps the id unique while the cache lives
            cache[key] = loaded_peak(situation.pickup, peak.load)
        return cache[key] or (20.0, 0.0)

    if loaded_peak(plan.pickup, peak.load) is None:
        return []
    result = [
        _feature(
            "loaded peak",
            "Hz",
            math.log(peak.frequency_hz),
            plan.peak_tolerance / 1.96,
            lambda situation: math.log(found(situation)[0]),
            plan,
        )
    ]
    if peak.height_db is not None:
        result.append(
            _feature(
                "height of the loaded peak",
                "dB",
                peak.height_db,
                plan.height_tolerance_db / 1.96,
                lambda situation: found(situation)[1],
                plan,
                is_logarithmic=False,
            )
        )
    return result
