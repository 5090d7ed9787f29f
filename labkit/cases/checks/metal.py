"""Checks of metals and magnets by themselves: copper wire, skin effect, fields over rods, charge, warmth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from labkit.pickup.losses.cylinder import cylinder_permeability, skin_depth
from labkit.pickup.magnetics.field import axis_field, estimate_charge, uniform_rod_field
from labkit.pickup.magnetics.magnet import magnet, operating_point
from labkit.pickup.magnetics.slices import Rods, row_positions
from labkit.pickup.materials.wire import COPPER_DENSITY, copper_resistivity, gauge_law_diameter, resistance_per_length

_FOOT, _POUND = 0.3048, 0.45359237


def feet_per_pound(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Feet of bare copper wire in a pound, by the exact gauge law."""
    return {
        f"gauge_{gauge}": _POUND / (COPPER_DENSITY * math.pi / 4 * float(gauge_law_diameter(gauge)) ** 2) / _FOOT
        for gauge in inputs["gauge"]
    }


def length_of_wire(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Resistance of a length of copper wire by the exact gauge law at a temperature: whole (Ω), per m and per ft."""
    per_metre = float(
        resistance_per_length(
            bare_diameter=gauge_law_diameter(inputs["gauge"]),
            resistivity=copper_resistivity(temperature_c=inputs.get("temperature_C", 20.0)),
        )
    )
    return {
        "resistance": per_metre * inputs.get("length_ft", 1.0) * _FOOT,
        "per_metre": per_metre,
        "per_1000_ft": per_metre * 1000 * _FOOT,
    }


def standard_copper(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Resistance of 1 m of 1 mm² of annealed copper at 20 °C, Ω."""
    return {"resistance": float(copper_resistivity()) / 1e-6}


def skin_effect_of_a_round_wire(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Resistance of a round wire over that at direct current for each x = √2·radius/skin depth.

    The same Bessel functions as in the rod: Z/R0 = (kR/2)·J0(kR)/J1(kR) = μ/μ̃.
    """
    results = {}
    for x in inputs["x"]:
        # radius 1 m, resistivity 1 Ω·m, permeability 1: |kR|² = ω·μ0 = x²
        frequency = x**2 / (2 * math.pi * 4e-7 * math.pi)
        ratio = cylinder_permeability(frequency_hz=frequency, relative_permeability=1.0, radius=1.0, resistivity=1.0)
        results[f"ratio_{x:g}"] = float((1 / ratio).real)
    return results


def skin_depth_of_copper(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Skin depth of copper at each frequency, mm."""
    return {
        f"depth_{hertz:g}_Hz": 1e3
        * float(skin_depth(frequency_hz=hertz, relative_permeability=1.0, resistivity=float(copper_resistivity())))
        for hertz in inputs["f_Hz"]
    }


def _rods(inputs: Mapping[str, Any]) -> Rods:
    positions = row_positions(count=inputs.get("count", 1), pitch=inputs.get("pitch_m", 0.0104))
    return Rods(positions=positions, radius=inputs["diameter_m"] / 2, length=inputs["length_m"])


def reading_over_rods(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Field over the middle of rods of each grade, mT, at each distance; and of the first grade over the second."""
    rods, at = _rods(inputs), np.array(inputs["distance_m"])
    results: dict[str, float] = {}
    found = []
    for grade in inputs["grades"]:
        state = operating_point(rods, magnet(grade))
        field = 1e3 * axis_field(rods, magnetisation=state.magnetisation, distance=at).mean(axis=0)
        found.append(field)
        results |= {f"{grade}, {1e3 * d:g} mm": float(value) for d, value in zip(at, field)}
    if len(found) > 1:
        results |= {f"ratio, {1e3 * d:g} mm": float(a / b) for d, a, b in zip(at, *found[:2])}
    return results


def charge_of_a_reading(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Charge, %, that a reading over a lone rod stands for, the reading from the formula of a uniform cylinder.

    A hard ferrite keeps its remanence in its own field, so the formula holds for it; each ``charge`` scales it.
    """
    rods, grade = _rods(inputs), magnet(inputs["grade"])
    at = inputs["distance_m"]
    full = uniform_rod_field(polarisation=grade.remanence.value, radius=rods.radius, length=rods.length, distance=at)
    results = {}
    for share in inputs["charge"]:
        estimate = estimate_charge(rods, grade, reading=share * float(full), gap=at, sensor_depth=0.0)
        results[f"charge_{share:g}"] = 100 * estimate.charge.value
    return results
