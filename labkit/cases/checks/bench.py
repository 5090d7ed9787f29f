"""Checks of the bench: meter readings, joined coils, faults, hum of opposed coils."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from labkit.bench.diagnose.faults import GAUGE_STEP, with_shorted_turns, with_wire
from labkit.bench.diagnose.meter import (
    coupling_from_sum,
    dc_resistance_at,
    expected_lcr,
    in_circuit_reading,
    inductance_from_lr_corner,
    lcr_reading,
    resistance_behind_pots,
)
from labkit.bench.fit.fixture import constant_current_ratio, first_order_loss_db, largest_exciter_inductance
from labkit.core.sourced import Interval
from labkit.pickup.electrical import Coil, EddySection, Pickup
from labkit.pickup.network import joined_inductance, pickup_impedance
from labkit.rig import hum
from labkit.rig.sheet import load_rig


def _pickup(inputs: Mapping[str, Any]) -> Pickup:
    eddy: tuple[EddySection, ...] = ()
    if "K_eddy" in inputs:
        eddy = (EddySection(fraction=inputs["K_eddy"], corner_hz=inputs["f_eddy_Hz"]),)
    coil = Coil(resistance=inputs["R_ohm"], inductance=inputs["L_H"], capacitance=inputs.get("C_F", 0.0), eddy=eddy)
    return Pickup(name="coil", coils={"main": coil})


def lcr_readings(inputs: Mapping[str, Any]) -> dict[str, float]:
    """What an LCR meter shows of a coil: Ls and Lp (H), Rs and Rp (Ω), Q, at each frequency."""
    results: dict[str, float] = {}
    for frequency in inputs["f_Hz"]:
        found = expected_lcr(_pickup(inputs), float(frequency))
        results |= {
            f"Ls_{frequency:g}Hz": found.series_inductance,
            f"Lp_{frequency:g}Hz": found.parallel_inductance,
            f"Rs_{frequency:g}Hz": found.series_resistance,
            f"Rp_{frequency:g}Hz": found.parallel_resistance,
            f"Q_{frequency:g}Hz": found.quality,
        }
    return results


def lcr_conversion(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Parallel over series inductance and resistance of an impedance of each Q."""
    results = {}
    for quality in inputs["Q"]:
        found = lcr_reading(complex(1e3, 1e3 * quality), 1e3)
        results[f"Lp_over_Ls_{quality:g}"] = found.parallel_inductance / found.series_inductance
        results[f"Rp_over_Rs_{quality:g}"] = found.parallel_resistance / found.series_resistance
    return results


def reading_in_the_instrument(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Reading at the jack of a coil behind pots, and the coil behind that reading, Ω."""
    pots = inputs["pots_ohm"]
    reading = in_circuit_reading(resistance=inputs["R_ohm"], parallel=pots)
    behind = resistance_behind_pots(
        reading=inputs.get("reading_ohm", reading), parallel=[Interval.relative(pot, 0.2) for pot in pots]
    )
    return {"reading": reading, "coil": behind.value}


def warm_coil(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Resistance of a copper coil over that at 20 °C, and what a kelvin adds (%), at each temperature."""
    results: dict[str, float] = {}
    for celsius in inputs["temperature_C"]:
        here, warmer = (dc_resistance_at(resistance_at_20=1.0, temperature_c=float(celsius + step)) for step in (0, 1))
        results |= {f"ratio_{celsius:g}_C": here, f"per_kelvin_at_{celsius:g}_C": 100 * (warmer / here - 1)}
    return results


def inductance_from_a_corner(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Inductance from the corner of a coil into a resistor, H."""
    return {"L": inductance_from_lr_corner(total_resistance=inputs["R_ohm"], corner_hz=inputs["f_corner_Hz"])}


def sweep_rig(inputs: Mapping[str, Any]) -> dict[str, float]:
    """What a measuring rig adds: drop of the "constant" current, limit of the exciter coil (µH), loss in band (dB)."""
    results = {}
    if "Z_coil_ohm" in inputs:
        results["current_ratio"] = constant_current_ratio(
            source_resistance=inputs["R_source_ohm"],
            sense_resistance=inputs["R_sense_ohm"],
            coil_impedance=inputs["Z_coil_ohm"],
            reference_impedance=inputs["R_dc_ohm"],
        )
    if "f_corner_Hz" in inputs:
        corner = inputs["f_corner_Hz"]
        limit = largest_exciter_inductance(total_resistance=inputs["R_total_ohm"], corner_hz=corner)
        results |= {"L_max": limit * 1e6, "loss_at_20kHz": first_order_loss_db(frequency_hz=20e3, corner_hz=corner)}
    return results


def joined_coils(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Two coils in series, opposed, in parallel (H), their resistance (Ω), and the coupling behind ``L_series_H``."""
    first, second = inputs["L1_H"], inputs["L2_H"]
    results = {}
    coupling = inputs.get("coupling", 0.0)
    if "L_series_H" in inputs:
        coupling = coupling_from_sum(first=first, second=second, series=inputs["L_series_H"])
        results["coupling"] = coupling
    mutual = coupling * math.sqrt(first * second)
    results |= {
        "series": float(joined_inductance("series", [first, second], mutual)),
        "opposed": float(joined_inductance("series", [first, second], -mutual)),
        "parallel": float(joined_inductance("parallel", [first, second], mutual)),
    }
    if "R1_ohm" in inputs:
        coils = {
            name: Coil(resistance=inputs[key], inductance=first) for name, key in (("a", "R1_ohm"), ("b", "R2_ohm"))
        }
        for connection in ("series", "parallel"):
            pair = Pickup(name="pair", coils=coils, connection=connection)
            results[f"resistance_{connection}"] = float(pickup_impedance(pair, np.array([1e-3]))[0].real)
    return results


def shorted_turns(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Series resistance (Ω) and fall of inductance (%) that shorted turns bring, at each frequency.

    Both count from the coil with those turns out of the chain at low frequency; its L is given against the sound one's.
    """
    sound = _pickup(inputs)
    frequency = np.array(inputs["f_Hz"], dtype=float)
    results = {}
    for count in inputs["shorted"]:
        short = with_shorted_turns(sound.coils["main"], count / inputs["turns"])
        impedance = pickup_impedance(replace(sound, coils={"main": short}), frequency)
        inductance = impedance.imag / (2 * np.pi * frequency)
        for at, z, henry in zip(inputs["f_Hz"], impedance, inductance):
            results[f"{count} turns: added at {at:g} Hz"] = float(z.real) - short.resistance
            results[f"{count} turns: fall of L at {at:g} Hz"] = 100 * (1 - float(henry) / short.inductance)
            results[f"{count} turns: L left at low frequency"] = 100 * short.inductance / sound.coils["main"].inductance
            results[f"{count} turns: change of DCR"] = 100 * (short.resistance / sound.coils["main"].resistance - 1)
    return results


def gauge_steps(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Resistance of a coil wound with wire so many gauges thinner, over the planned one."""
    coil = Coil(resistance=1.0, inductance=1.0)
    return {f"{step} thinner": with_wire(coil, GAUGE_STEP**-step).resistance for step in inputs["steps"]}


def hum_of_a_mismatch(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Hum of two opposed coils in series over one of them, dB, for each mismatch of turns."""
    results = {}
    for mismatch in inputs["mismatch"]:
        coils = {
            name: Coil(resistance=6e3, inductance=2.4, turns=turns, area=6e-4, wound=wound, facing=facing)  # type: ignore[arg-type]
            for name, turns, wound, facing in (
                ("a", 8000.0, "clockwise", "north"),
                ("b", 8000.0 * (1 - mismatch), "counter-clockwise", "south"),
            )
        }
        rig = load_rig(inputs["rig"])
        slot = next(iter(rig.pickups))
        residual = hum.hum_residual(rig.replace(pickups={slot: Pickup(name="pair", coils=coils)}))
        results[f"{100 * mismatch:g} %"] = residual.level_db
    return results


def phase_table(inputs: Mapping[str, Any]) -> dict[str, float]:
    """1 where two pickups are in phase, or cancel hum, by winding and magnet; 0 where not."""
    words = {True: "same", False: "opposite"}
    results: dict[str, float] = {}
    for row in hum.phase_table():
        name = f"{words[row.same_wind]} wind, {words[row.same_magnet]} magnet"
        results |= {f"{name}: in phase": float(row.in_phase), f"{name}: hum cancels": float(row.cancels_hum)}
    return results
