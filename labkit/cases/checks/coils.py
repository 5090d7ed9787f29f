"""Checks of windings, air coils and wire: published tables and worked numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from labkit.pickup.magnetics.slices import coil_field
from labkit.pickup.materials.wire import gauge_law_diameter, resistance_per_length, wire
from labkit.pickup.winding.capacitance import (
    capacitance_from_resonance,
    coil_capacitance,
    cover_capacitance,
    layer_factor,
    layered_capacitance,
)
from labkit.pickup.winding.inductance import (
    MU_0,
    inductance_closed_form,
    inductance_integral,
    stacked_mutual_inductance,
)
from labkit.pickup.winding.spectral import CoilShape, coupling_of_pair, spectral_inductance
from labkit.pickup.winding.winding import build_up, coil_resistance, mean_turn

_THIN = 1e-6
"""Build-up that stands for a current sheet, in radii: it takes 1e-5 off the inductance of a short coil."""


def nagaoka(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Thin round coils of unit radius: K = L/(μ0·π·r²/l), one for each length over diameter."""
    results = {}
    for ratio in inputs["length_over_diameter"]:
        length = 2.0 * ratio
        inductance = inductance_integral(
            turns=1, straight_length=0, end_radius=1 - _THIN / 2, winding_height=length, build_up=_THIN
        )
        results[f"K_{ratio:g}"] = float(inductance) / (MU_0 * math.pi / length)
    return results


def round_coil(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Round coil of rectangular section by both routes, µH."""
    shape = {
        "straight_length": 0.0,
        "end_radius": inputs["mean_radius_m"] - inputs["depth_m"] / 2,
        "winding_height": inputs["length_m"],
        "build_up": inputs["depth_m"],
    }
    turns = inputs["turns"]
    return {
        "integral": float(inductance_integral(turns=turns, **shape)) * 1e6,
        "spectral": spectral_inductance(CoilShape(**shape), turns=turns) * 1e6,
    }


def coaxial_circles(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Mutual inductance of two coaxial circles, µH, as coils of a thread's section."""
    radii = (inputs["radius_m"], inputs["other_radius_m"])
    thread = 1e-3 * min(*radii, inputs["distance_m"])
    mutual = stacked_mutual_inductance(
        turns=(1, 1),
        straight_length=0,
        end_radius=(radii[0] - thread / 2, radii[1] - thread / 2),
        winding_height=(thread, thread),
        build_up=(thread, thread),
        distance=inputs["distance_m"],
    )
    return {"mutual": float(mutual) * 1e6}


def multilayer_formula(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Error of L = 0.8·a²·n²/(6a + 9b + 10c) (inches, µH) against the integral, for each coil (a, b, c), %."""
    results = {}
    for a, b, c in inputs["mean_radius_length_depth_in"]:
        formula = 0.8e-6 * a**2 / (6 * a + 9 * b + 10 * c)
        exact = inductance_integral(
            turns=1,
            straight_length=0,
            end_radius=(a - c / 2) * 0.0254,
            winding_height=b * 0.0254,
            build_up=c * 0.0254,
        )
        results[f"error_{a:g}_{b:g}_{c:g}"] = 100 * (formula / float(exact) - 1)
    return results


def winding(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Obround winding: build-up, mean turn, resistance over temperature, capacitance, and three routes to L."""
    core = {"straight_length": inputs["straight_m"], "end_radius": inputs["end_radius_m"]}
    height, turns = inputs["height_m"], inputs["turns"]
    depth = float(
        build_up(turns=turns, overall_diameter=inputs["overall_m"], winding_height=height, packing=inputs["packing"])
    )
    turn = float(mean_turn(**core, build_up=depth))
    results = {
        "build_up": depth * 1e3,
        "mean_turn": turn * 1e3,
        "capacitance": float(coil_capacitance(mean_turn=turn, winding_height=height, build_up=depth)) * 1e12,
    }
    for celsius in inputs.get("temperature_C", []):
        resistance = coil_resistance(
            wire_length=turns * turn, bare_diameter=inputs["bare_m"], temperature_c=float(celsius)
        )
        results[f"resistance_{celsius:g}_C"] = float(resistance)
    shape = {**core, "winding_height": height, "build_up": depth}
    integral = float(inductance_integral(turns=turns, **shape))
    spectral = spectral_inductance(CoilShape(**shape), turns=turns)
    closed = float(inductance_closed_form(turns=turns, **shape))
    return results | {
        "inductance": integral,
        "spectral_over_integral": spectral / integral,
        "closed_form_over_integral": closed / integral,
    }


def field_in_a_coil(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Axial field at the middle of a thick round coil of one ampere-turn, A/m."""
    field = coil_field(
        x=0.0,
        y=0.0,
        z=0.0,
        straight_length=0.0,
        end_radius=inputs["inner_radius_m"],
        build_up=inputs["depth_m"],
        winding_height=inputs["length_m"],
    )
    return {"field": float(field)}


def coil_coupling(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Coupling of two equal air coils side by side."""
    shape = CoilShape(
        straight_length=inputs["straight_m"],
        end_radius=inputs["end_radius_m"],
        winding_height=inputs["height_m"],
        build_up=inputs["build_up_m"],
    )
    return {"coupling": coupling_of_pair(shape, shape, spacing=inputs["spacing_m"])}


def self_resonance(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Capacitance (pF) and Q of an inductor from its self-resonance."""
    inductance, frequency = inputs["L_H"], inputs["f_Hz"]
    capacitance = float(capacitance_from_resonance(inductance=inductance, frequency_hz=frequency))
    return {"capacitance": capacitance * 1e12, "Q": math.sqrt(inductance / capacitance) / inputs["R_ohm"]}


def layer_capacitance(inputs: Mapping[str, Any]) -> dict[str, float]:
    """End-to-end capacitance of a layer winding, in units of that between two layers."""
    return {
        f"{wound.replace(' ', '_')}_{layers}": float(
            layered_capacitance(between_layers=1.0, layers=layers, wound=wound)
        )
        for layers in inputs["layers"]
        for wound in ("back and forth", "same direction")
    }


def gauge_law(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Exact gauge law: diameter (mm) and resistance of copper (Ω per 1000 ft) at 20 °C."""
    results = {}
    for gauge in inputs["gauge"]:
        diameter = gauge_law_diameter(gauge)
        results[f"diameter_{gauge}"] = float(diameter) * 1e3
        results[f"resistance_{gauge}"] = float(resistance_per_length(bare_diameter=diameter)) * 304.8
    return results


def catalogue_wire(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Resistance (Ω/m) of catalogue wires under a stated convention."""
    convention = inputs["convention"]
    return {name: wire(name).resistance_per_length(convention) for name in inputs["wire"]}


def capacitance_to_a_cover(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Capacitance of a coil to a grounded cover with its outer and with its inner end hot, pF."""
    shape = {
        "perimeter": inputs["perimeter_m"],
        "mean_turn": inputs["mean_turn_m"],
        "winding_height": inputs["height_m"],
        "build_up": inputs["build_up_m"],
        "gap": inputs["top_gap_m"],
        "side_gap": inputs["side_gap_m"],
    }
    return {
        f"{hot}_end_hot": 1e12
        * float(cover_capacitance(**shape, inner=float(hot == "inner"), outer=float(hot == "outer")))
        for hot in ("outer", "inner")
    }


def turn_after_turn(inputs: Mapping[str, Any]) -> dict[str, float]:
    """What wax in the gaps multiplies the cell of two neighbouring turns by, square and nested, 1."""
    wire = {"bare_diameter": inputs["bare_m"], "overall_diameter": inputs["overall_m"], "gap": inputs["gap_m"]}
    return {
        name: float(
            layer_factor(**wire, nesting=part, between=inputs["wax_permittivity"]) / layer_factor(**wire, nesting=part)
        )
        for name, part in (("square", 0.0), ("nested", 1.0))
    }
