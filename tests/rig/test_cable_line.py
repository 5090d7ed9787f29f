"""A cable as one capacitance against the same cable as a line of many short pieces."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.circuit.elements import GROUND, Capacitor, Circuit, Inductor, Resistor
from labkit.circuit.solve.solver import solve
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig, set_value

PIECES = 60
OHM_PER_METRE = 0.1
"""Core and screen of thin instrument cable together (common practice, no source: 0.05 to 0.15 Ω/m)."""
HENRY_PER_METRE = 0.4e-6
"""Of a coaxial line of 50 to 100 Ω with 100 pF/m: L' = Z²C' = 0.25 to 1 µH/m."""


def as_line(rig: Rig, length: float) -> Circuit:
    """Return the rig's circuit with its cable cut into pieces of series R and L and shunt C."""
    whole = rig.circuit
    cable = whole["cable"]
    assert isinstance(cable, Capacitor)
    start = cable.nodes[0]
    kept = []
    for element in whole.elements:
        if element is cable:
            continue
        if element.name.startswith("input"):  # hangs on the far end now
            element = type(element)(
                **{**{f: getattr(element, f) for f in element.__dataclass_fields__}, "nodes": ("far", GROUND)}
            )
        kept.append(element)
    node = start
    for piece in range(PIECES):
        after = "far" if piece == PIECES - 1 else f"line{piece}"
        middle = f"core{piece}"
        kept += [
            Resistor(name=f"r{piece}", nodes=(node, middle), resistance=OHM_PER_METRE * length / PIECES),
            Inductor(name=f"l{piece}", nodes=(middle, after), inductance=HENRY_PER_METRE * length / PIECES),
            Capacitor(name=f"c{piece}", nodes=(after, GROUND), capacitance=cable.capacitance / PIECES),
        ]
        node = after
    return Circuit(elements=tuple(kept), output="far", name="line")


@pytest.mark.parametrize("length", [3.0, 10.0, 30.0])
@pytest.mark.parametrize("volume", [10.0, 5.0])
def test_a_lumped_cable_is_right_below_20_khz(length, volume):
    rig = set_value(load_rig("Saltmarsh Lane, narrow single coil"), "cable.length", f"{length} m")
    rig = rig.replace(settings={"volume": volume})
    frequency = np.geomspace(20, 20e3, 120)
    lumped = solve(rig.circuit, frequency).transfer
    line = solve(as_line(rig, length), frequency).transfer
    # what the cable's description promises to users up to 30 m
    assert np.max(np.abs(20 * np.log10(np.abs(line / lumped)))) < 0.05


def test_the_comparison_can_fail():
    rig = set_value(load_rig("Saltmarsh Lane, narrow single coil"), "cable.length", "3000 m!")
    frequency = np.array([20e3])
    ratio = solve(as_line(rig, 3000.0), frequency).transfer / solve(rig.circuit, frequency).transfer
    assert abs(20 * np.log10(abs(ratio[0]))) > 0.05
