"""Checks of poles, magnets and their losses: field formulas, demagnetising factors, measured coils, finite elements."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from labkit.pickup.losses.cylinder import CoreInductance, added_resistance
from labkit.pickup.magnetics.assembly import Assembly, StandingBar, StandingPole, interaction
from labkit.pickup.magnetics.bar import PoleRows, bar_inductance_factor, row_charge
from labkit.pickup.magnetics.field import axis_field, uniform_block_field, uniform_rod_field
from labkit.pickup.magnetics.magnet import magnet, operating_point
from labkit.pickup.magnetics.poles import PoleInductance, pole_inductance
from labkit.pickup.magnetics.slices import Rods, disc_field_over_disc, interaction_matrix, magnetise, row_positions
from labkit.pickup.materials.materials import metal
from labkit.pickup.predict.output import level_from_inductance_db
from labkit.pickup.winding.inductance import MU_0, inductance_integral
from labkit.pickup.winding.spectral import CoilShape, coupling_of_pair, spectral_inductance

_STEEL = "low-carbon steel"


def cylinder_axis(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Field on the axis of a uniformly magnetised cylinder, mT, at each distance."""
    return {
        f"field_{1e3 * distance:g}_mm": 1e3
        * float(
            uniform_rod_field(
                polarisation=inputs["polarisation_T"],
                radius=inputs["diameter_m"] / 2,
                length=inputs["length_m"],
                distance=distance,
            )
        )
        for distance in inputs["distance_m"]
    }


def block_axis(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Field on the axis of a uniformly magnetised block, T, at each distance."""
    return {
        f"field_{1e3 * distance:g}_mm": float(
            uniform_block_field(
                polarisation=inputs["polarisation_T"],
                width=inputs["width_m"],
                depth=inputs["depth_m"],
                length=inputs["length_m"],
                distance=distance,
            )
        )
        for distance in inputs["distance_m"]
    }


def uniform_rod_factor(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Magnetometric demagnetising factor of a uniformly magnetised cylinder, averaged over its length."""
    results = {}
    nodes, weights = np.polynomial.legendre.leggauss(200)
    for slenderness in inputs["length_over_diameter"]:
        place = slenderness * (nodes + 1)  # radius 1: length is twice the slenderness
        mean = float(disc_field_over_disc(place, 1.0) @ weights) / 2
        results[f"N_{slenderness:g}"] = 2 * mean
    return results


def soft_rod_factor(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Mid-section demagnetising factor of a very permeable rod in a uniform field, by slices."""
    results = {}
    for slenderness in inputs["length_over_diameter"]:
        rods = Rods(positions=((0.0, 0.0),), radius=1e-3, length=2e-3 * slenderness, slices=20)
        state = magnetise(rods, field=1.0, relative_permeability=1e6)[0]
        results[f"N_{slenderness:g}"] = float(1 / state[9:11].mean())
    return results


def _coil(inputs: Mapping[str, Any], **changed: float) -> dict[str, float]:
    shape = {
        "straight_length": inputs["straight_m"],
        "end_radius": inputs["end_radius_m"],
        "winding_height": inputs["height_m"],
    } | changed
    area = inputs["turns"] * inputs["overall_m"] ** 2
    return shape | {"build_up": area / (inputs["packing"] * shape["winding_height"])}


def _row(inputs: Mapping[str, Any]) -> Rods:
    positions = row_positions(count=inputs["count"], pitch=inputs["pitch_m"])
    return Rods(positions=positions, radius=inputs["diameter_m"] / 2, length=inputs["length_m"])


def _permeability(material: str) -> float:
    return metal(_STEEL).permeability.value if material == "steel" else magnet(material).signal_permeability.value


def rods_in_a_coil(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Inductance with rods of each material, H, of a coil whose end radius is set by its reading in air."""
    turns, air, rods = inputs["turns"], inputs["air_H"], _row(inputs)

    def in_air(end_radius: float) -> float:
        return float(inductance_integral(turns=turns, **_coil(inputs, end_radius=end_radius)))

    low, high = 1e-3, 12e-3
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if in_air(middle) < air else (low, middle)
    shape = _coil(inputs, end_radius=low)
    results = {}
    for material in inputs["materials"]:
        added = pole_inductance(rods, turns=turns, relative_permeability=_permeability(material), **shape)
        results[f"inductance_{material.lower().replace(' ', '_')}"] = air + added.inductance
    return results


def _core(added: PoleInductance, material: str, radius: float) -> CoreInductance:
    stuff = metal(_STEEL) if material == "steel" else magnet(material)
    return CoreInductance(
        stored=added.stored,
        demagnetising_factor=added.demagnetising_factor,
        relative_permeability=_permeability(material),
        radius=radius,
        resistivity=stuff.resistivity.value,
    )


def eddy_resistance_of_rods(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Series resistance that eddy currents in the rods of one coil add, Ω."""
    rods, material = _row(inputs), inputs["material"]
    added = pole_inductance(rods, turns=inputs["turns"], relative_permeability=_permeability(material), **_coil(inputs))
    core = _core(added, material, rods.radius)
    return {
        f"resistance_{frequency:g}_Hz": float(
            added_resistance(frequency_hz=frequency, inductance=core.inductance(np.array(float(frequency))))
        )
        for frequency in inputs["frequency_Hz"]
    }


def two_coils_with_steel_poles(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Two coils in series with steel poles: with poles only, with bar and keeper, H; added resistance, Ω."""
    spacing, turns, shape = inputs["spacing_m"], inputs["turns"], _coil(inputs)
    coil = CoilShape(**shape)
    one = spectral_inductance(coil, turns=turns)
    air = 2 * one * (1 + coupling_of_pair(coil, coil, spacing=spacing))
    rows = [
        row_positions(count=inputs["count"], pitch=inputs["pitch_m"], across=side * spacing / 2) for side in (1, -1)
    ]
    rods = Rods(positions=rows[0] + rows[1], radius=inputs["diameter_m"] / 2, length=inputs["length_m"])
    mu = _permeability("steel")
    added = pole_inductance(rods, turns=turns, relative_permeability=mu, pair_spacing=spacing, **shape)
    core = _core(added, "steel", rods.radius)
    poles = air + added.inductance
    return {
        "poles_only": poles,
        "bar_and_keeper": poles * bar_inductance_factor(family="alnico", keeper=True).value,
    } | {
        f"resistance_{frequency:g}_Hz": float(
            added_resistance(frequency_hz=frequency, inductance=core.inductance(np.array(float(frequency))))
        )
        for frequency in inputs["frequency_Hz"]
    }


def lone_magnet_rod(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Mean flux density inside a lone rod, T."""
    rods = Rods(positions=((0.0, 0.0),), radius=inputs["diameter_m"] / 2, length=inputs["length_m"])
    state = operating_point(
        rods, magnet(inputs["grade"]), remanence=inputs["remanence_T"], coercivity=inputs["coercivity_A_per_m"]
    )
    inside = state.magnetisation.ravel()
    field = interaction_matrix(rods) @ inside
    weight = np.diff(rods.edges) / rods.length
    return {"mean_flux_density": float(MU_0 * weight @ (inside + field))}


def field_of_a_row(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Field over the poles of a fully charged row, mean of the row, mT."""
    rods = _row(inputs)
    state = operating_point(rods, magnet(inputs["grade"]))
    field = axis_field(rods, magnetisation=state.magnetisation, distance=inputs["distance_m"]).mean(axis=0)
    return {
        f"field_{1e3 * distance:g}_mm": 1e3 * float(value)
        for distance, value in zip(inputs["distance_m"], field, strict=True)
    }


def charged_pole(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Magnetic charge of a lone pole at unit potential over its radius, as the capacitance of a solid cylinder."""
    results = {}
    for slenderness in inputs["length_over_diameter"]:
        radius = 2e-3
        rows = PoleRows(count=1, pitch=0.0, radius=radius, length=2 * radius * slenderness, spacing=100.0)
        results[f"charge_{slenderness:g}"] = float(row_charge(rows).sum()) / radius
    return results


def level_from_inductance(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Level of one coil over another by the square-root rule of inductance, dB."""
    level = float(level_from_inductance_db(inductance=inputs["L_H"], reference=inputs["reference_H"]))
    return {"level": level if math.isfinite(level) else math.nan}


def bar_in_its_own_field(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Demagnetising factor of a bar along each of its sides, 1, and their sum."""
    far = StandingPole(along=10.0, radius=1e-3, length=1e-2, top=0.0, string=0, permeability=1.001)
    found = {}
    for name, order in (("across", (0, 1, 2)), ("along", (1, 0, 2)), ("upright", (0, 2, 1))):
        size = tuple(inputs["size_m"][index] for index in order)
        bar = StandingBar(centre=(0.0, 0.0, 0.0), size=size, axis=1, sign=1, grade=magnet("hard ferrite"))
        found[name] = -float(interaction(Assembly(poles=(far,), bars=(bar,)))[-1, -1])
    return found | {"sum": sum(found.values())}
