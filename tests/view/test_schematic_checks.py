"""Every check catches the mistake it is there for: right drawings are spoilt in every place, one mistake at a time."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import combinations

import pytest

from labkit.view.schematic import Drawing, DrawnCircuit, crossings, draw, faults, read_back
from labkit.view.schematic.drawing import SymbolPin, WireLine
from tests.view.schematic_random import random_circuit
from tests.view.schematic_wirings import circuit

SPOILT = (
    "treble bleed, parallel",
    "three pickups, five-way of two poles",
    "phase switch",
    "blend by one track, wiper out",
    "buffer after the volume",
    "a track tied end to end",
)


@cache
def right(name: str) -> tuple[Drawing, DrawnCircuit]:
    wanted = circuit(name)
    drawing = draw(wanted)
    assert faults(drawing, wanted) == []
    return drawing, wanted


def kinds(drawing: Drawing, wanted: DrawnCircuit) -> set[str]:
    return {fault.kind for fault in faults(drawing, wanted)}


def without(items: tuple, index: int) -> tuple:
    return (*items[:index], *items[index + 1 :])


def changed(items: tuple, index: int, item: object) -> tuple:
    return (*items[:index], item, *items[index + 1 :])


@pytest.mark.parametrize("name", SPOILT)
def test_no_wire_can_be_left_out(name: str) -> None:
    drawing, wanted = right(name)
    for index in range(len(drawing.wires)):
        spoilt = replace(drawing, wires=without(drawing.wires, index))
        found = kinds(spoilt, wanted)
        if read_back(spoilt) == wanted.netlist():  # the lead of an end that is open anyhow
            assert "bare end" in found
            assert "-" in {node for part in wanted.parts for node in part.nodes}
        else:
            assert "netlist" in found


@pytest.mark.parametrize("name", SPOILT)
def test_no_wire_can_be_shortened_lengthened_or_moved(name: str) -> None:
    drawing, wanted = right(name)
    for index, wire in enumerate(drawing.wires):
        dx, dy = (4.0, 0.0) if wire.is_horizontal else (0.0, 4.0)
        ways = [
            WireLine((wire.a[0] + dx, wire.a[1] + dy), wire.b, wire.net),
            WireLine((wire.a[0] - dx, wire.a[1] - dy), wire.b, wire.net),
            wire.shifted(dy, dx),
        ]
        for way in ways:
            assert kinds(replace(drawing, wires=changed(drawing.wires, index, way)), wanted), wire


@pytest.mark.parametrize("name", SPOILT)
def test_no_dot_can_be_left_out_or_moved(name: str) -> None:
    drawing, wanted = right(name)
    assert drawing.dots
    for index, (x, y) in enumerate(drawing.dots):
        gone = replace(drawing, dots=without(drawing.dots, index))
        assert "netlist" in kinds(gone, wanted)
        assert "missing dot" in kinds(gone, wanted)
        moved = replace(drawing, dots=changed(drawing.dots, index, (x + 3.0, y + 3.0)))
        assert {"netlist", "stray dot"} <= kinds(moved, wanted)


def test_a_dot_on_a_crossing_joins_two_nets_and_is_caught() -> None:
    drawing, wanted = right("three pickups, five-way of two poles")
    found = 0
    for one, other in combinations(drawing.wires, 2):
        if one.is_horizontal == other.is_horizontal:
            continue
        flat, tall = (one, other) if one.is_horizontal else (other, one)
        point = (tall.a[0], flat.a[1])
        inside = flat.box.x0 < point[0] < flat.box.x1 and tall.box.y0 < point[1] < tall.box.y1
        if inside and point not in drawing.dots:
            found += 1
            assert "netlist" in kinds(replace(drawing, dots=(*drawing.dots, point)), wanted)
    assert found == crossings(drawing) > 0


@pytest.mark.parametrize("name", SPOILT)
def test_no_ground_or_flag_can_be_left_out(name: str) -> None:
    drawing, wanted = right(name)
    for index in range(len(drawing.terminals)):
        assert "dangling end" in kinds(replace(drawing, terminals=without(drawing.terminals, index)), wanted)


def test_a_misspelt_flag_is_caught() -> None:
    for seed in range(2000):
        wanted = random_circuit(seed)
        drawing = draw(wanted)
        flags = [index for index, end in enumerate(drawing.terminals) if end.kind == "flag"]
        if flags:
            break
    for index in flags:
        spoilt = changed(drawing.terminals, index, replace(drawing.terminals[index], net="elsewhere"))
        assert "netlist" in kinds(replace(drawing, terminals=spoilt), wanted)


@pytest.mark.parametrize("name", SPOILT)
def test_no_symbol_can_be_left_out_moved_or_drawn_twice(name: str) -> None:
    drawing, wanted = right(name)
    for index, symbol in enumerate(drawing.symbols):
        gone = replace(drawing, symbols=without(drawing.symbols, index))
        assert {"dropped pin", "netlist"} <= kinds(gone, wanted)
        moved = replace(drawing, symbols=changed(drawing.symbols, index, symbol.shifted(5.0, 5.0)))
        assert {"netlist", "dangling end"} <= kinds(moved, wanted)
        twice = replace(drawing, symbols=(*drawing.symbols, symbol))
        assert "body–body" in kinds(twice, wanted)


@pytest.mark.parametrize("name", SPOILT)
def test_no_two_pins_of_different_nets_can_be_exchanged(name: str) -> None:
    drawing, wanted = right(name)
    nets = {key: net for net in wanted.netlist() for key in net}
    exchanged = 0
    for index, symbol in enumerate(drawing.symbols):
        for one, other in combinations(symbol.pins, 2):
            if nets[one.keys[0]] == nets[other.keys[0]]:
                continue
            rest = tuple(pin for pin in symbol.pins if pin not in (one, other))
            swapped = replace(symbol, pins=(SymbolPin(one.at, other.keys), SymbolPin(other.at, one.keys), *rest))
            spoilt = replace(drawing, symbols=changed(drawing.symbols, index, swapped))
            assert "netlist" in kinds(spoilt, wanted), symbol.owner
            exchanged += 1
    assert exchanged > 0


@pytest.mark.parametrize("name", SPOILT)
def test_no_label_can_lie_on_a_body_a_label_or_a_wire(name: str) -> None:
    drawing, wanted = right(name)
    for index, label in enumerate(drawing.labels):
        box = label.box

        def at(x: float, y: float, index: int = index, label: object = label, box: object = box) -> set[str]:
            moved = label.shifted(x - box.x0, y - box.y0)
            return kinds(replace(drawing, labels=changed(drawing.labels, index, moved)), wanted)

        body = drawing.symbols[(index + 1) % len(drawing.symbols)].body
        assert "body–label" in at(body.x0, body.y0)
        other = drawing.labels[(index + 1) % len(drawing.labels)].box
        assert "label–label" in at(other.x0, other.y0)
        wire = max(drawing.wires, key=lambda wire: wire.box.x1 - wire.box.x0)
        assert "label–wire" in at((wire.a[0] + wire.b[0]) / 2, wire.a[1] - 5.0)


@pytest.mark.parametrize("name", SPOILT)
def test_no_wire_can_run_through_a_body_or_a_ground(name: str) -> None:
    drawing, wanted = right(name)
    for box in [symbol.body for symbol in drawing.symbols] + [end.box for end in drawing.terminals]:
        middle = (box.y0 + box.y1) / 2
        through = WireLine((box.x0 - 3.0, middle), (box.x1 + 3.0, middle), "stray")
        assert "body–wire" in kinds(replace(drawing, wires=(*drawing.wires, through)), wanted)


@pytest.mark.parametrize("name", SPOILT)
def test_no_foreign_wire_can_run_beside_a_long_one(name: str) -> None:
    drawing, wanted = right(name)
    for wire in drawing.wires:
        dx, dy = (0.0, 3.0) if wire.is_horizontal else (3.0, 0.0)
        beside = replace(wire.shifted(dx, dy), net="stray")
        assert "wires too close" in kinds(replace(drawing, wires=(*drawing.wires, beside)), wanted)


def test_every_short_between_two_nets_is_read_as_one_net() -> None:
    drawing, wanted = right("two volumes, two tones")
    tall = [wire for wire in drawing.wires if not wire.is_horizontal]
    found = 0
    for one, other in combinations(tall, 2):
        y0, y1 = max(one.box.y0, other.box.y0), min(one.box.y1, other.box.y1)
        if one.net == other.net or y1 - y0 < 2.0:
            continue
        y = (y0 + y1) / 2
        bridge = WireLine((one.a[0], y), (other.a[0], y), one.net)
        spoilt = replace(drawing, wires=(*drawing.wires, bridge), dots=(*drawing.dots, bridge.a, bridge.b))
        assert read_back(spoilt) != wanted.netlist()
        found += 1
    assert found > 10


def test_a_pin_that_belongs_to_no_part_is_reported() -> None:
    drawing, wanted = right("treble bleed, parallel")
    fewer = DrawnCircuit(name=wanted.name, parts=tuple(part for part in wanted.parts if part.name != "bleed"))
    assert "foreign pin" in kinds(drawing, fewer)
