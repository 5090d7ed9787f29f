"""Every built-in harness drawn: without fault, and joining exactly what the circuit that is solved joins."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from random import Random

import pytest

from labkit.catalogue import catalogue
from labkit.circuit.elements import GROUND, Contact
from labkit.core.errors import CircuitError, InputError
from labkit.pickup.network import coil_of_terminal
from labkit.rig.devices import fit
from labkit.rig.devices.fit import fit_devices
from labkit.rig.devices.plan import harness_as_soldered, solder_plan
from labkit.rig.harness import Harness
from labkit.rig.parts.parts import Switch
from labkit.rig.rewiring import demo_rig
from labkit.rig.rig import Rig
from labkit.view.notebook import notebook_html
from labkit.view.schematic import DrawnCircuit, DrawnPart, crossings, draw, faults
from labkit.view.schematic.drawing import SymbolBox
from labkit.view.schematic.from_rig import drawing_of, element_parts, short_quantity
from labkit.view.schematic.svg import summary_rows, to_svg
from tests.rig.random_rigs import corner_rigs, harnesses, random_rig

SETTINGS_EACH = 2


class Sets:
    """Nodes that are one."""

    def __init__(self) -> None:
        self.parent: dict[str, str] = {}

    def root(self, node: str) -> str:
        while self.parent.setdefault(node, node) != node:
            node = self.parent[node]
        return node

    def join(self, one: str, other: str) -> None:
        self.parent[self.root(one)] = self.root(other)


@pytest.mark.parametrize("harness", harnesses(), ids=lambda harness: harness.name)
def test_every_harness_is_drawn_without_fault_flag_or_crossing(harness: Harness) -> None:
    for rig in corner_rigs(harness, SETTINGS_EACH):
        wanted = drawing_of(rig)
        drawing = draw(wanted)
        assert faults(drawing, wanted) == []
        assert drawing.flags == 0
        assert crossings(drawing) <= 1


def circuit_terminals(rig: Rig) -> dict[tuple[str, str], str]:
    """Return the node of every terminal of the circuit that is solved, with all that is shorted taken as one node."""
    sets = Sets()
    for contact in rig.circuit.of_kind(Contact):
        if contact.closed:
            sets.join(*contact.nodes)
    found: dict[tuple[str, str], str] = {}
    for element in rig.circuit.elements:
        for number, node in enumerate(element.nodes):
            found[element.name, str(number)] = sets.root(node)
    for part in rig.harness.parts.values():
        if (f"{part.name}.resistance", "1") in found:  # an inductor ends behind its winding's resistance
            found[part.name, "1"] = found[f"{part.name}.resistance", "1"]
    for slot, pickup in rig.pickups.items():
        for coil in pickup.coils:
            for end in ("start", "finish"):
                found[f"{slot}.{coil}", end] = sets.root(f"{slot}.{coil_of_terminal(pickup, slot, coil)}.{end}")
    found["output", "0"] = sets.root(rig.circuit.output)
    found[GROUND, "0"] = sets.root(GROUND)
    return found


def drawn_terminals(drawn: DrawnCircuit) -> dict[tuple[str, str], str]:
    """Return the node of every terminal of the drawing under the circuit's names; contacts and cables join."""
    sets = Sets()
    for part in drawn.parts:
        if part.kind in ("connector", "line"):
            sets.join(part.nodes[0], part.nodes[1])
        elif part.kind in ("contact", "pole"):
            for index, node in enumerate(part.nodes[1:]):
                if part.is_closed(index):
                    sets.join(part.nodes[0], node)
    found: dict[tuple[str, str], str] = {(GROUND, "0"): sets.root(GROUND)}
    for part in drawn.parts:
        nodes = [sets.root(node) for node in part.nodes]
        if part.kind in ("coil", "reversed coil"):
            found[part.name, "start"], found[part.name, "finish"] = nodes
        elif part.kind == "pot":
            for name, leg in (("upper", 0), ("lower", 1)):
                found[f"{part.name}.{name}", "0"], found[f"{part.name}.{name}", "1"] = nodes[leg : leg + 2]
        else:
            if part.kind == "line":  # solved as its capacitance from conductor to screen
                nodes = [nodes[0], nodes[2]]
            for number, node in enumerate(nodes):
                found[part.name, str(number)] = node
    return found


@pytest.mark.parametrize("harness", harnesses(), ids=lambda harness: harness.name)
def test_the_drawing_joins_what_the_circuit_of_the_real_switches_joins(harness: Harness) -> None:
    soldered = harness_as_soldered(solder_plan(harness))
    for rig in corner_rigs(harness, SETTINGS_EACH):
        built = rig.replace(harness=soldered)
        solved, drawn = circuit_terminals(built), drawn_terminals(drawing_of(rig))
        both = sorted(set(solved) & set(drawn))
        parts = {name for name, _ in both}
        values = [part for part in harness.parts.values() if part.kind in ("pot", "resistor", "capacitor", "inductor")]
        for part in values:
            assert parts & {part.name, f"{part.name}.upper", f"{part.name}.lower"}, part.name
        assert {f"{slot}.{coil}" for slot, pickup in rig.pickups.items() for coil in pickup.coils} <= parts
        assert "output" in parts
        pairing: dict[str, str] = {}
        for terminal in both:
            assert pairing.setdefault(solved[terminal], drawn[terminal]) == drawn[terminal], terminal
        assert len(set(pairing.values())) == len(pairing)


def test_random_rigs_are_drawn_without_fault() -> None:
    for seed in range(25):
        wanted = drawing_of(random_rig(Random(seed)))
        assert faults(draw(wanted), wanted) == [], seed


def test_the_position_of_a_switch_is_drawn() -> None:
    harness = next(found for found in harnesses() if found.name == "two pickups, one volume, one tone, three-way")
    states = {}
    for rig in corner_rigs(harness, 100):
        selector = next(part for part in drawing_of(rig).parts if part.kind == "pole")
        states[rig.settings["selector"]] = sum(selector.closed)
        assert str(rig.settings["selector"]) in selector.lines
    assert states == {"neck": 1, "both": 2, "bridge": 1}


def test_settings_are_the_line_under_the_heading() -> None:
    rig = next(corner_rigs(harnesses()[0], 1))
    summary = drawing_of(rig).summary
    for name, where in rig.settings.items():
        shown = f"{where:g}" if isinstance(where, float) else where
        assert f"{name} {shown}".replace("_", " ") in summary


def test_a_stage_of_an_unknown_kind_is_drawn_by_its_elements() -> None:
    rig = next(corner_rigs(harnesses()[0], 1))
    parts = list(element_parts(rig.circuit.elements))
    assert {part.kind for part in parts} >= {"resistor", "capacitor", "inductor"}
    joined = {part.name: part.nodes for part in parts}
    for element in rig.circuit.elements:
        assert joined.get(element.name, element.nodes) == element.nodes


def test_values_are_short_and_do_not_break() -> None:
    assert short_quantity(22e-9, "F") == "22\u00a0nF"
    assert short_quantity(123456.0, "Ω") == "123\u00a0kΩ"


def test_wrong_parts_are_refused_with_the_next_step() -> None:
    with pytest.raises(CircuitError, match=r"pot 'volume' needs 3 nodes \(cw, wiper, ccw\); got 2"):
        DrawnPart(kind="pot", name="volume", nodes=("a", "b"))
    with pytest.raises(CircuitError, match=r"got 'resister'\. Did you mean 'resistor'"):
        DrawnPart(kind="resister", name="r", nodes=("a", "b"))  # type: ignore[arg-type]
    with pytest.raises(CircuitError, match="has 2 contacts to be open or closed; got 1 states"):
        DrawnPart(kind="pole", name="s", nodes=("a", "b", "c"), closed=(True,))
    with pytest.raises(CircuitError, match="two parts are named 'r'"):
        DrawnCircuit(name="twice", parts=(DrawnPart(kind="output", name="r", nodes=("a",)),) * 2)
    with pytest.raises(CircuitError, match="there is nothing to draw"):
        DrawnCircuit(name="empty", parts=())


def test_a_dot_shows_the_sense_of_winding_and_the_drawing_says_so():
    rig = demo_rig(catalogue().load("harness", "dummy coil in series"))
    drawing = draw(drawing_of(rig))
    assert {part.name: part.kind for part in drawing_of(rig).parts if "coil" in part.kind} == {
        "bridge.main": "coil",
        "dummy": "reversed coil",
    }
    dots = {
        symbol.owner: [stroke.points()[0][1] - symbol.body.y0 for stroke in symbol.strokes if stroke.filled]
        for symbol in drawing.symbols
        if symbol.owner in ("bridge.main", "dummy")
    }
    # drawn one over the other, hot at the top: the dots face each other, so that a uniform field cancels
    assert dots["bridge.main"][0] > 24 > dots["dummy"][0]
    assert "a dot marks the start of a coil wound clockwise" in " ".join(summary_rows(drawing))
    assert "dot at its finish" in drawing.description


def test_a_switch_is_drawn_by_the_lugs_of_its_real_device() -> None:
    harness = next(found for found in harnesses() if found.name == "two two-coil pickups, five-way with splits")
    fit = fit_devices(harness)["selector"]
    for rig in corner_rigs(harness, 100):
        drawn = drawing_of(rig)
        poles = [part for part in drawn.parts if part.kind in ("pole", "contact")]
        assert fit.device is not None
        joined = {throw for _, throw in fit.device.joined(fit.order.index(str(rig.settings["selector"])))}
        contacts = [
            (set(label.split()[1:]), part.is_closed(index))
            for part in poles
            for index, label in enumerate(part.throw_labels or part.lines)
        ]
        assert {lug for lugs, _ in contacts for lug in lugs} == {lug for lug in fit.nodes if not lug.endswith("C")}
        assert all(bool(lugs & joined) == is_closed for lugs, is_closed in contacts)
        assert fit.words.rstrip(".") in drawn.summary


def three_way(device: str | None) -> Rig:
    """Return the three-way wiring with its switch named, or with nothing found for it."""
    harness = next(found for found in harnesses() if found.name == "two pickups, one volume, one tone, three-way")
    switch = harness.parts["selector"]
    assert isinstance(switch, Switch)
    return demo_rig(harness.with_part(replace(switch, device=device)))


def test_a_wiring_that_no_real_switch_makes_is_refused_with_the_reason_and_the_next_step() -> None:
    rig = three_way("toggle, 1 pole, 3 positions, off in the middle")
    with pytest.raises(InputError) as drawn:
        drawing_of(rig)
    with pytest.raises(InputError) as soldered:
        solder_plan(rig.harness)
    assert "cannot be drawn as it stands: switch 'selector': position 'both'" in str(drawn.value)
    assert "'toggle, 1 pole, 3 positions, off in the middle' joins nothing there" in str(drawn.value)
    assert "'labkit catalogue device' lists the switches" in str(drawn.value)
    assert str(soldered.value) == str(drawn.value).replace("drawn", "soldered")
    shown = notebook_html(rig)  # its curve asks for joins only
    assert "cannot be drawn as it stands" in shown
    assert "polyline" in shown or "<path" in shown


def test_joins_whose_switch_was_not_found_in_time_are_drawn_as_the_sheet_has_them_with_the_reason(monkeypatch) -> None:
    monkeypatch.setattr(fit, "BUDGET", 0)
    monkeypatch.setattr(fit, "_fits", fit._fits.__wrapped__)  # nothing is remembered of this search
    drawn = drawing_of(three_way("toggle, 1 pole, 3 positions, both throws joined in the middle"))
    assert "joins as in the sheet, for switch 'selector': no wiring of" in drawn.summary
    assert "was found in 0 tries" in drawn.summary
    selector = next(part for part in drawn.parts if part.kind == "pole")
    assert "neck" in " ".join(selector.throw_labels)


@pytest.mark.parametrize("name", ["two two-coil pickups, five-way with splits", "two pickups, blend"])
def test_dashed_lines_join_all_contacts_of_a_switch_and_all_tracks_of_a_pot(name: str) -> None:
    circuit = drawing_of(demo_rig(catalogue().load("harness", name)))
    drawing = draw(circuit)
    gangs = {part.name: part.gang for part in circuit.parts if part.gang}
    moved = [(gangs[symbol.owner], symbol.body.grown(0.1)) for symbol in drawing.symbols if symbol.owner in gangs]
    lines = [stroke.points() for stroke in drawing.gangs]
    assert len(lines) == len(moved) - len(set(gangs.values()))

    def is_in(box: SymbolBox, at: tuple[float, float]) -> bool:
        return box.x0 <= at[0] <= box.x1 and box.y0 <= at[1] <= box.y1

    reached = Sets()
    for index, corners in enumerate(lines):
        ends = [corners[0], corners[-1]]
        touched = [f"thing {number}" for number, (_, box) in enumerate(moved) if any(is_in(box, end) for end in ends)]
        on = [
            f"line {other}"
            for other, run in enumerate(lines)
            for (ax, ay), (bx, by) in pairwise(run)
            if other != index
            for x, y in ends
            if min(ax, bx) - 0.1 <= x <= max(ax, bx) + 0.1 and min(ay, by) - 0.1 <= y <= max(ay, by) + 0.1
        ]
        for each in (*touched, *on):
            reached.join(f"line {index}", each)
        for (ax, ay), (bx, by) in pairwise(corners):
            run = SymbolBox(min(ax, bx), min(ay, by), max(ax, bx), max(ay, by))
            for thing in (*drawing.labels, *drawing.terminals):
                assert not run.grown(0.5).overlaps(thing.box)
            wires = [wire.box for wire in drawing.wires if wire.is_horizontal == (ay == by)]
            assert not any(run.grown(1.0).overlaps(box.grown(1.0)) for box in wires)
    for switch in set(gangs.values()):
        roots = {reached.root(f"thing {number}") for number, (mover, _) in enumerate(moved) if mover == switch}
        assert len(roots) == 1, switch
    assert 'id="schematic-gangs"' in to_svg(drawing)
