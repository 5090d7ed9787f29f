"""Checks of a string over a pole: magnetisation against finite elements, splitting against a published order."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from labkit.pickup.magnetics.slices import Rods, interaction_matrix
from labkit.pickup.predict.built import load_built
from labkit.pickup.predict.pull import NECK_PART, pull_on_strings
from labkit.pickup.string.fields import along_strings, charged_rods, gap_weights, pole_basis, rod_charge
from labkit.pickup.string.steel import StringSteel
from labkit.pickup.string.wire import StringGrid, StringWire, magnetise_wires
from labkit.pickup.winding.inductance import MU_0

_INCH = 0.0254


def wire_over_a_rod(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Axial magnetisation of a linear wire across a lone rod of rigid polarisation, kA/m, at places along the wire."""
    rods = Rods(positions=((0.0, 0.0),), radius=inputs["rod_diameter_m"] / 2, length=inputs["rod_length_m"])
    inverse = 1 / (inputs["recoil_permeability"] - 1)
    source = np.full(rods.slices, inputs["polarisation_T"] / MU_0 * inverse)
    state = np.linalg.solve(np.eye(rods.slices) * inverse - interaction_matrix(rods), source)
    grid, wires = StringGrid(), (StringWire(core=inputs["wire_diameter_m"]),)
    table = along_strings(pole_basis(charged_rods(rods), (0.0,), grid), rod_charge(rods, state[None]))
    applied = np.einsum("z,zy->y", gap_weights(np.array(inputs["gap_m"]))[0], table[0, ..., 1])
    linear = StringSteel(susceptibility=inputs["susceptibility"], saturation=1e4, knee=1.0)
    found = magnetise_wires(applied[None, None], grid.interaction(wires), wires, linear)
    along = np.interp(inputs["place_m"], grid.centres, found.moment[0, 0]) / wires[0].core_area / 1e3
    return {f"at_{1e3 * place:g}_mm": float(value) for place, value in zip(inputs["place_m"], along, strict=True)}


def splitting_of_a_string(inputs: Mapping[str, Any]) -> dict[str, float]:
    """How far the magnets of a pickup near the neck set the two directions of an open string apart, Hz."""
    build = load_built(inputs["pickup"], {"string_distance": f"{1e3 * inputs['gap_m']:g} mm"}).build
    pulls = pull_on_strings([(build, NECK_PART * inputs["scale_in"] * _INCH)])
    return {"splitting": next(pull.splitting_hz for pull in pulls if pull.string == inputs["string"])}
