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

from labkit.bench.fit.model import pickup_impedance
from labkit.core.errors import InputError
from labkit.core.sourced import Interval
from labkit.core.validity import range_called
from labkit.pickup.electrical import Coil, Pickup
from labkit.pickup.materials.wire import copper_resistivity

LcrModel = Literal["series", "parallel"]

LCR_FREQUENCY = range_called("lcr_frequency")
METER_TEMPERATURE = range_called("meter_temperature")

LOW_QUALITY = 1.0
"""Below this Q an LCR meter's series and parallel L differ by a factor of 2 and more (Lp/Ls = 1 + 1/Q²)."""


def dc_resistance_at(*, resistance_at_20: float, temperature_c: float) -> float:
    """Return the resistance of a copper coil at a temperature: R = R20·(1 + 0.00393·(T − 20 °C)), Ω.

    Source: IEC 60028, annealed copper.

    >>> round(dc_resistance_at(resistance_at_20=6000, temperature_c=30), 1)
    6235.8
    """
    METER_TEMPERATURE.check(temperature_c)
    return float(resistance_at_20 * copper_resistivity(temperature_c=temperature_c) / copper_resistivity())


def temperature_of_coil(*, resistance: float, resistance_at_20: float) -> float:
    """Return the temperature, °C, at which a coil of known R20 reads ``resistance``."""
    return 20.0 + (resistance / resistance_at_20 - 1) / 0.00393


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


def impedance_from_lcr(
    *,
    frequency_hz: float,
    model: LcrModel,
    inductance: float,
    resistance: float | None = None,
    quality: float | None = None,
) -> complex:
    """Return the impedance behind an LCR-meter display, from L with R, or L with Q, in either model.

    Raises
    ------
    InputError
        If neither or both of resistance and quality are given.
    """
    if (resistance is None) == (quality is None):
        raise InputError("an LCR reading is an inductance with either a resistance or a Q")
    reactance = 2 * math.pi * frequency_hz * inductance
    if model == "series":
        return complex(resistance if resistance is not None else reactance / (quality or math.inf), reactance)
    if resistance is None:
        resistance = reactance * (quality or 0.0)
    return 1 / (1 / resistance + 1 / (1j * reactance))


def inductance_behind_reading(
    impedance: complex, frequency_hz: float, *, capacitance: Interval, resistance: float
) -> Interval:
    """Return the coil's inductance behind a meter reading once its capacitance is taken out, H.

    Z′ = 1/(1/Z − jωC); L = Im Z′/ω. Eddy currents are still inside: at 1 kHz they lower L by K·(f/f_e)².

    Parameters
    ----------
    impedance : complex, Ω
        As read, both parts.
    frequency_hz : float, Hz
    capacitance : Interval, F
        Winding and lead capacitance with its bounds.
    resistance : float, Ω
        DC resistance; a real part of Z′ below it shows that reading and DCR do not belong to the same coil.

    Raises
    ------
    InputError
        If the real part of the reading is below 0.9 of the DC resistance (losses can only add to it).
    """

    def behind(farads: float) -> complex:
        return 1 / (1 / impedance - 2j * math.pi * frequency_hz * farads)

    if impedance.real < 0.9 * resistance and frequency_hz < 2000:
        raise InputError(
            f"the meter's series resistance of {impedance.real:.4g} Ω lies below the DC resistance of "
            f"{resistance:.4g} Ω; "
            "losses only add to it. Was the parallel model shown, or another pickup read?"
        )
    found = [behind(farads).imag / (2 * math.pi * frequency_hz) for farads in (capacitance.high, capacitance.low)]
    value = behind(capacitance.value).imag / (2 * math.pi * frequency_hz)
    return Interval(value=value, low=min([value, *found]), high=max([value, *found]))


def lcr_advice(reading: LcrReading) -> tuple[str, ...]:
    """Return sentences on whether an LCR reading can be compared with another one."""
    said = []
    if reading.series_inductance < 0:
        said.append(
            f"at {reading.frequency_hz:g} Hz the pickup is above its resonance and capacitive: the meter shows a "
            "negative "
            "inductance; measure at 1 kHz or below"
        )
    elif reading.quality < LOW_QUALITY:
        ratio = reading.parallel_inductance / reading.series_inductance
        said.append(
            f"at {reading.frequency_hz:g} Hz Q is {reading.quality:.2f}: the parallel model shows {ratio:.1f} "
            "times the "
            "series inductance; compare series readings only"
        )
    return tuple(said)


def inductance_from_lr_corner(*, total_resistance: float, corner_hz: float) -> float:
    """Return L from the −3 dB corner of a coil into a resistor: L = R/(2πf), H; R is shunt plus coil resistance.

    Source: C. E. LaForest, "Characterizing Magnetic Guitar Pickups (and Other Large Inductors)", section
    "Measuring A Known Inductor".

    >>> round(inductance_from_lr_corner(total_resistance=10e3, corner_hz=15915.494), 6)
    0.1
    """
    return total_resistance / (2 * math.pi * corner_hz)


def series_inductance(*, first: float, second: float, coupling: float = 0.0) -> float:
    """Return L of two coils in series: L₁ + L₂ + 2k√(L₁L₂), H; k positive when the coils aid each other."""
    return first + second + 2 * coupling * math.sqrt(first * second)


def parallel_inductance(*, first: float, second: float, coupling: float = 0.0) -> float:
    """Return L of two coils in parallel: (L₁L₂ − M²)/(L₁ + L₂ − 2M), H."""
    mutual = coupling * math.sqrt(first * second)
    return (first * second - mutual**2) / (first + second - 2 * mutual)


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


def coupling_from_reversal(*, aiding: float, opposing: float, first: float, second: float) -> float:
    """Return k from the series pair with one coil reversed: M = (L_aid − L_opp)/4."""
    return (aiding - opposing) / 4 / math.sqrt(first * second)


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
