"""Drawings of the trade's wirings and of random circuits: nothing overlaps, and the wires give back the netlist."""

from __future__ import annotations

import pytest

from labkit.view.schematic import GROUND, DrawnCircuit, DrawnPart, crossings, draw, faults, read_back
from tests.view.schematic_random import arbitrary_circuit, random_circuit
from tests.view.schematic_wirings import WIRINGS, circuit

RANDOM_CIRCUITS = 300


def drawn(kind: str, name: str, *nodes: str, **more: object) -> DrawnPart:
    return DrawnPart(kind=kind, name=name, nodes=nodes, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("name", WIRINGS)
def test_every_wiring_of_the_trade_is_drawn_without_fault(name: str) -> None:
    wanted = circuit(name)
    drawing = draw(wanted)
    assert faults(drawing, wanted) == []
    assert read_back(drawing) == wanted.netlist()


def test_wirings_of_the_trade_need_no_flags_and_hardly_a_crossing() -> None:
    # Quality, not correctness. The tone bus that a second pole gathers from three pickups crosses their buses by
    # necessity (3 and 2 crossings), the two preset circuits cross once: 6 in all and no flag.
    drawings = {name: draw(circuit(name)) for name in WIRINGS}
    assert {name: drawing.flags for name, drawing in drawings.items() if drawing.flags} == {}
    assert sum(crossings(drawing) for drawing in drawings.values()) <= 6


@pytest.mark.parametrize("decade", range(RANDOM_CIRCUITS // 10))
def test_random_realistic_circuits_are_drawn_without_fault(decade: int) -> None:
    for seed in range(10 * decade, 10 * decade + 10):
        wanted = random_circuit(seed)
        assert faults(draw(wanted), wanted) == [], wanted.name


@pytest.mark.parametrize("decade", range(10))
def test_parts_thrown_together_without_sense_are_drawn_without_fault(decade: int) -> None:
    for seed in range(10 * decade, 10 * decade + 10):
        wanted = arbitrary_circuit(seed)
        assert faults(draw(wanted), wanted) == [], wanted.name


def test_random_circuits_cover_the_sizes_of_the_trade() -> None:
    sizes = sorted(len(random_circuit(seed).parts) for seed in range(RANDOM_CIRCUITS))
    assert sizes[0] <= 7
    assert sizes[-1] >= 27


def test_the_same_circuit_always_gives_the_same_drawing() -> None:
    name = "three pickups, four poles, splits in between"
    assert draw(circuit(name)) == draw(circuit(name))


def test_a_rheostat_is_recognised_only_where_a_lug_is_open_or_tied_to_the_wiper() -> None:
    def pins_of(nodes: tuple[str, str, str]) -> int:
        parts = (
            drawn("coil", "pickup", "a", GROUND),
            drawn("pot", "pot", *nodes),
            drawn("resistor", "load", "b", GROUND),
            drawn("output", "out", "a"),
        )
        wanted = DrawnCircuit(name="one pot", parts=parts)
        drawing = draw(wanted)
        assert faults(drawing, wanted) == []
        return len(next(symbol for symbol in drawing.symbols if symbol.owner == "pot").pins)

    assert pins_of(("a", "b", "-")) == 2
    assert pins_of(("-", "b", "a")) == 2
    assert pins_of(("a", "b", "b")) == 2
    assert pins_of(("b", GROUND, GROUND)) == 2
    # The traps: a track tied end to end, and a grounded wiper between two live ends, are no rheostats.
    assert pins_of(("a", "b", "a")) == 3
    assert pins_of(("a", GROUND, "b")) == 3


@pytest.mark.parametrize(
    "parts",
    [
        pytest.param([drawn("resistor", "r", "a", "a"), drawn("coil", "c", "a", GROUND)], id="both ends on one net"),
        pytest.param([drawn("resistor", "r", GROUND, GROUND), drawn("coil", "c", "a", GROUND)], id="grounded twice"),
        pytest.param([drawn("contact", "s", "-", "-"), drawn("coil", "c", "a", GROUND)], id="both ends open"),
        pytest.param([drawn("coil", "c", "a", "-"), drawn("output", "o", "a")], id="coil with one lead off"),
        pytest.param([drawn("pot", "p", "-", "a", "-"), drawn("coil", "c", "a", GROUND)], id="pot on its wiper alone"),
        pytest.param([drawn("pot", "p", GROUND, GROUND, GROUND)], id="pot grounded thrice"),
        pytest.param([drawn("pot", "p", GROUND, "a", GROUND), drawn("coil", "c", "a", GROUND)], id="ends grounded"),
        pytest.param([drawn("pot", "p", "a", "a", "a"), drawn("coil", "c", "a", GROUND)], id="pot shorted"),
        pytest.param([drawn("pot", "p", "a", "-", "b"), drawn("coil", "c", "a", "b")], id="wiper open"),
        pytest.param([drawn("buffer", "b", "a", "a"), drawn("coil", "c", "a", GROUND)], id="buffer on itself"),
        pytest.param([drawn("buffer", "b", GROUND, "a"), drawn("output", "o", "a")], id="buffer with grounded input"),
        pytest.param([drawn("line", "l", "a", "b", "b"), drawn("coil", "c", "a", GROUND)], id="shield on the hot wire"),
        pytest.param([drawn("pole", "p", "a", "b", "b", GROUND), drawn("coil", "c", "a", "b")], id="throws joined"),
        pytest.param([drawn("pole", "p", "a", "a", "b"), drawn("coil", "c", "a", "b")], id="throw on its common"),
        pytest.param([drawn("output", "o", GROUND), drawn("coil", "c", "a", GROUND)], id="output grounded"),
        pytest.param([drawn("output", "o", "x"), drawn("coil", "c", "a", GROUND)], id="output on nothing"),
        pytest.param([drawn("resistor", "r", "a", "b"), drawn("resistor", "q", "c", "d")], id="two islands"),
    ],
)
def test_odd_circuits_are_drawn_too(parts: list[DrawnPart]) -> None:
    wanted = DrawnCircuit(name="odd", parts=tuple(parts))
    assert faults(draw(wanted), wanted) == []


def test_a_selector_is_drawn_whole_where_pickups_meet_and_apart_where_they_do_not() -> None:
    whole = draw(circuit("three pickups, five-way, one volume and two tones"))
    assert [len(symbol.pins) for symbol in whole.symbols if symbol.owner == "selector"] == [4]
    apart = draw(circuit("rotary tone"))
    assert [len(symbol.pins) for symbol in apart.symbols if symbol.owner == "rotary"] == [2] * 5
