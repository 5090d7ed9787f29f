"""Parts of a harness and stages of a chain by hand: tapers, pots, capacitors, cables, inputs, buffers, dummy coils."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from labkit.catalogue import catalogue
from labkit.circuit.elements import GROUND, Circuit, Element, Resistor, Source
from labkit.circuit.solve.solver import solve
from labkit.core.sheet import Table
from labkit.rig.chain.chain import Cable
from labkit.rig.chain.stages import ValveInput, VolumePedal
from labkit.rig.parts.active import DummyCoil, OnboardBuffer
from labkit.rig.parts.parts import FixedCapacitor, Part, Pot
from labkit.rig.parts.taper import parse_taper


def read(kind: type, **keys: Any) -> Any:
    """Read a part or stage as from a sheet."""
    return kind.read("it", Table(keys, "a test", ""))


def gain(*elements: Element, output: str = "out", hz: float = 1000.0) -> float:
    """Voltage at the output for 1 V at node ``in``."""
    source = Source(name="emf", nodes=("in", GROUND))
    return float(abs(solve(Circuit(elements=(source, *elements), output=output), np.array([hz])).transfer[0]))


def impedance(*elements: Element, hz: float) -> complex:
    """Impedance from node ``out`` to ground."""
    return complex(solve(Circuit(elements=elements, output="out"), np.array([hz])).output_impedance[0])


@pytest.mark.parametrize(
    ("taper", "parts"),
    [
        ("linear", {0.25: 0.25, 0.75: 0.75}),
        # two straight pieces that meet at half rotation
        ("audio 10 %", {0.25: 0.05, 0.5: 0.10, 0.75: 0.55}),
        ("reverse audio 10 %", {0.25: 0.45, 0.5: 0.90, 0.75: 0.95}),
        ("blend rising", {0.25: 0.5, 0.5: 1.0, 0.75: 1.0}),
        ("blend falling", {0.25: 1.0, 0.5: 1.0, 0.75: 0.5}),
        # pairs of rotation and part, in this order
        ([["50 %", "15 %"], ["80 %", "60 %"]], {0.25: 0.075, 0.5: 0.15, 0.65: 0.375, 0.8: 0.6, 0.9: 0.8}),
    ],
)
def test_a_taper_runs_straight_between_its_corners(taper: Any, parts: dict[float, float]) -> None:
    law = parse_taper(taper)
    assert [law(rotation) for rotation in parts] == pytest.approx(list(parts.values()))
    assert law(0.0) == (1.0 if taper == "blend falling" else 0.0)
    assert law(1.0) == (0.0 if taper == "blend falling" else 1.0)


def volume(position: float, **keys: Any) -> float:
    pot = read(Pot, nodes=["in", "out", GROUND], value="250k", **{"taper": "audio 10 %", **keys})
    return gain(*pot.elements(position))


def test_a_volume_pot_divides_by_the_part_of_its_track_below_the_wiper() -> None:
    assert [volume(position) for position in (10.0, 7.5, 5.0, 2.5)] == pytest.approx([1.0, 0.55, 0.10, 0.05])
    assert volume(5.0, taper="linear") == pytest.approx(0.5)


def test_what_is_left_at_the_ends_of_a_track_is_heard_at_both() -> None:
    # 1 kΩ at each end of 250 kΩ, by hand: 1/252 turned down, 251/252 turned up
    assert volume(0.0, end_resistance="1k") == pytest.approx(1 / 252)
    assert volume(10.0, end_resistance="1k") == pytest.approx(251 / 252)
    pot: Pot = read(Pot, nodes=["in", "out", GROUND], value="250k", taper="linear", end_resistance="1k")
    together = pot.element_values(np.array([0.0, 5.0, 10.0]), {})
    assert together is not None
    assert together["it.upper"] == pytest.approx([251e3, 126e3, 1e3])
    assert together["it.lower"] == pytest.approx([1e3, 126e3, 251e3])


def test_the_loss_of_a_capacitor_is_a_resistance_in_series_that_falls_with_frequency() -> None:
    """Handbooks: the equivalent series resistance of a loss tangent is tan δ/(ωC), to 1 + tan² δ."""
    part: Part = read(FixedCapacitor, nodes=["out", GROUND], value="22n", loss_tangent="3 %")
    for hz in (100.0, 1000.0, 5000.0):
        found = impedance(*part.elements(None), hz=hz)
        assert found.real == pytest.approx(0.03 / (2 * math.pi * hz * 22e-9) / (1 + 0.03**2), rel=1e-9)
        assert found.real / -found.imag == pytest.approx(0.03, rel=1e-9)


@pytest.mark.parametrize("name", catalogue().names("dielectric"))
def test_a_capacitor_loses_what_its_dielectric_states(name: str) -> None:
    part: Part = read(FixedCapacitor, nodes=["out", GROUND], value="22n", dielectric=name)
    stated = catalogue().load("dielectric", name).loss_tangent.value
    found = impedance(*part.elements(None), hz=1000.0)
    assert found.real / -found.imag == pytest.approx(stated, rel=1e-9)


def test_a_cable_is_its_length_and_its_plugs() -> None:
    # by hand: 5 m of 100 pF/m and 20 pF of plugs
    cable = read(Cable, length="5 m", capacitance="100 pF/m", plugs="20p")
    assert impedance(*cable.elements("out", "out"), hz=1000.0).imag == pytest.approx(-1 / (2 * math.pi * 1e3 * 520e-12))


def test_a_grid_sees_its_anode_as_often_as_the_stage_amplifies_and_once_more() -> None:
    # Miller, by hand: 1.6 + 1.6·(1 + 60) + 0.8 = 100 pF at the grid, behind 68 kΩ: −3 dB at 23.4 kHz
    stage = read(
        ValveInput, stopper="68k", leak="1M", grid_cathode="1.6p", grid_anode="1.6p", stage_gain=60, stray="0.8p"
    )
    corner = 1 / (2 * math.pi * 68e3 * 100e-12)
    assert gain(*stage.elements("in", "out"), hz=corner) == pytest.approx(math.sqrt(0.5), rel=1e-9)


def test_a_volume_pedal_is_silent_at_the_heel_and_open_at_the_toe() -> None:
    levels = [gain(*read(VolumePedal, value="250k", position=at).elements("in", "out")) for at in (0.0, 5.0, 10.0)]
    # an audio taper of 10 % where none is given
    assert levels == pytest.approx([0.0, 0.1, 1.0], abs=1e-9)


def test_a_buffer_of_six_decibels_doubles_the_voltage() -> None:
    part = read(OnboardBuffer, nodes=["in", "out"], gain="6.0206 dB", output_resistance="1k")
    load = Resistor(name="load", nodes=("out", GROUND), resistance=1e3)
    # behind its output resistance an equal load halves it again
    assert gain(*part.elements(None), load) == pytest.approx(1.0, rel=1e-5)


def test_a_dummy_coil_hears_no_string() -> None:
    part = read(DummyCoil, nodes=["out", GROUND], resistance="6k", inductance="2.4 H")
    elements = part.elements(None)
    assert [element.voltage for element in elements if isinstance(element, Source)] == [0.0]
    solved = solve(Circuit(elements=elements, output="out"), np.array([1000.0]))
    assert solved.transfer[0] == 0
    assert solved.output_impedance[0] == pytest.approx(6e3 + 2j * math.pi * 1000 * 2.4)
