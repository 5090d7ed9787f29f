"""Single readings: what an ohmmeter or an LCR meter shows, and what stands behind its number.

Every function is a closed sum that a person at the bench could do by hand; they are here so that meter and sheet are
compared in the same terms.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from labkit.core.errors import InputError
from labkit.core.sourced import Interval
from labkit.core.validity import range_called
from labkit.pickup.electrical import Coil, Pickup
from labkit.pickup.materials.wire import copper_resistivity
from labkit.pickup.network import pickup_impedance

LcrModel = Literal["series", "parallel"]

LCR_FREQUENCY = range_called("lcr_frequency")
METER_TEMPERATURE = range_called("meter_temperature")


def dc_resistance_at(*, resistance_at_20: float, temperature_c: float) -> float:
    """Return the resistance of a copper coil at a temperature: R = R20·(1 + 0.00393·(T − 20 °C)), Ω.

    Source: IEC 60028, annealed copper.

    >>> round(dc_resistance_at(resistance_at_20=6000, temperature_c=30), 1)
    6235.8
    """
    METER_TEMPERATURE.check(temperature_c)
    return float(resistance_at_20 * copper_resistivity(temperature_c=temperature_c) / copper_resistivity())


def in_circuit_reading(*, resistance: float, parallel: Sequence[float] = ()) -> float:
    """Return what an ohmmeter at the jack shows: the coil parallel to every pot full up, Ω.

    >>> round(in_circuit_reading(resistance=6000, parallel=[250e3]))
    5859
    """
    conductance = 1 / resistance + sum(1 / value for value in parallel)
    return 1 / conductance


def resistance_behind_pots(*, reading: float, parallel: Sequence[Interval]) -> Interval:
    """Return the coil's own resistance from a reading in the instrument: 1/R = 1/reading − Σ 1/pot, Ω.

    Parameters
    ----------
    reading : float, Ω
        Through the volume pot full up; a tone pot with its capacitor draws no direct current and is not listed.
    parallel : sequence of Interval, Ω
        Pots across the coil with their bounds (±20 % is usual).

    Raises
    ------
    InputError
        If the reading is above what the pots alone would show: then the coil is open.
    """

    def behind(values: Sequence[float]) -> float:
        rest = 1 / reading - sum(1 / value for value in values)
        return 1 / rest if rest > 0 else math.inf

    if not reading > 0:
        raise InputError(f"a resistance reading must be above 0 Ω; got {reading} Ω")
    value = behind([pot.value for pot in parallel])
    low, high = behind([pot.high for pot in parallel]), behind([pot.low for pot in parallel])
    if math.isinf(value):
        pots = in_circuit_reading(resistance=math.inf, parallel=[pot.value for pot in parallel])
        raise InputError(
            f"a reading of {reading:.4g} Ω is what the pots alone show ({pots:.4g} Ω): the coil is open, or "
            "disconnected by "
            "a switch; read it at its own leads"
        )
    return Interval(value=value, low=low, high=high)


@dataclass(frozen=True, slots=True, kw_only=True)
class LcrReading:
    """What an LCR meter shows of one impedance at one frequency, in both models.

    Attributes
    ----------
    frequency_hz : float
    series_inductance, parallel_inductance : float, H
        Negative where the part is capacitive.
    series_resistance, parallel_resistance : float, Ω
    quality : float
        X/R, negative where capacitive.
    """

    frequency_hz: float
    series_inductance: float
    parallel_inductance: float
    series_resistance: float
    parallel_resistance: float
    quality: float


def lcr_reading(impedance: complex, frequency_hz: float) -> LcrReading:
    """Return the meter's view of an impedance: Ls = X/ω, Rs = R, Q = X/R, Lp = Ls·(1 + 1/Q²), Rp = Rs·(1 + Q²)."""
    LCR_FREQUENCY.check(frequency_hz)
    omega = 2 * math.pi * frequency_hz
    resistance, reactance = impedance.real, impedance.imag
    if resistance == 0 or reactance == 0:
        raise InputError("an LCR reading needs both a resistance and a reactance")
    magnitude = abs(impedance) ** 2
    return LcrReading(
        frequency_hz=frequency_hz,
        series_inductance=reactance / omega,
        parallel_inductance=magnitude / (omega * reactance),
        series_resistance=resistance,
        parallel_resistance=magnitude / resistance,
        quality=reactance / resistance,
    )


def expected_lcr(pickup: Pickup, frequency_hz: float) -> LcrReading:
    """Return what an LCR meter on the leads of a pickup should show."""
    impedance = pickup_impedance(pickup, np.array([frequency_hz]))[0]
    return lcr_reading(complex(impedance), frequency_hz)


def inductance_from_lr_corner(*, total_resistance: float, corner_hz: float) -> float:
    """Return L from the −3 dB corner of a coil into a resistor: L = R/(2πf), H; R is shunt plus coil resistance.

    Source: C. E. LaForest, "Characterizing Magnetic Guitar Pickups (and Other Large Inductors)", section
    "Measuring A Known Inductor".

    >>> round(inductance_from_lr_corner(total_resistance=10e3, corner_hz=15915.494), 6)
    0.1
    """
    return total_resistance / (2 * math.pi * corner_hz)


def coupling_from_sum(*, first: float, second: float, series: float) -> float:
    """Return k from the inductance of each coil and of both in series: (L − L₁ − L₂)/(2√(L₁L₂)).

    Raises
    ------
    InputError
        If the three readings would need a coupling of 1 or more.
    """
    coupling = (series - first - second) / (2 * math.sqrt(first * second))
    if abs(coupling) >= 1:
        raise InputError(
            f"readings of {first:.3g}, {second:.3g} and {series:.3g} H in series would need a coupling of "
            f"{coupling:.2f}; "
            "were all three taken at the same frequency and model?"
        )
    return coupling


def are_in_phase(first: Coil, second: Coil) -> bool:
    """Say whether two coils add up for the same string motion: wind times pole must agree."""
    return first.sense == second.sense


def cancel_hum(first: Coil, second: Coil) -> bool | None:
    """Say whether two coils in phase cancel hum: both wind and pole must differ; None where a sense is not known."""
    if None in (first.wound, second.wound, first.facing, second.facing):
        return None
    return first.wound != second.wound and first.facing != second.facing


def hum_residual_db(*, mismatch: float) -> float:
    """Return the hum left by two opposed coils, dB re one coil: 20·log10 of the mismatch in turns × area.

    >>> [round(hum_residual_db(mismatch=m), 1) for m in (0.01, 0.02, 0.05, 0.10)]
    [-40.0, -34.0, -26.0, -20.0]
    """
    return 20 * math.log10(max(abs(mismatch), 1e-6))
