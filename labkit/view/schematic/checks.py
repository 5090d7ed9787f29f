"""What must hold of every drawing: nothing overlaps, nothing dangles, and the wires give back the netlist."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, product

from labkit.view.schematic.drawing import Box, Drawing, Point
from labkit.view.schematic.parts import GROUND, DrawnCircuit, PinKey
from labkit.view.schematic.readback import TOUCH, near, passes, read_back

SLACK = 0.5
"""Overlap, in drawing units, that is a matter of line widths and not a fault (half a pixel)."""
LEAST_DISTANCE = 6.0
"""Parallel wires nearer than this look like one thick wire on paper: four line widths."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a drawing: what kind, and a sentence that names the culprits."""

    kind: str
    message: str


def faults(drawing: Drawing, circuit: DrawnCircuit) -> list[Fault]:
    """Return everything that is wrong with a drawing of ``circuit``; an empty list when it is right."""
    return [
        *_overlaps(drawing),
        *_wires_through_things(drawing),
        *_wires_too_close(drawing),
        *_dangling(drawing),
        *_bare(drawing),
        *_missing_dots(drawing),
        *_pins(drawing, circuit),
        *_netlist(drawing, circuit),
    ]


def _things(drawing: Drawing) -> list[tuple[str, str, Box]]:
    bodies = [("body", symbol.owner, symbol.body) for symbol in drawing.symbols]
    ends = [("body", f"{end.kind} {end.net}".strip(), end.box) for end in drawing.terminals]
    return [*bodies, *ends, *(("label", label.owner, label.box) for label in drawing.labels)]


def _overlaps(drawing: Drawing) -> Iterator[Fault]:
    for (kind, name, box), (other_kind, other, other_box) in combinations(_things(drawing), 2):
        if box.overlaps(other_box, SLACK):
            kinds = "–".join(sorted((kind, other_kind)))
            yield Fault(kinds, f"the {kind} of '{name}' overlaps the {other_kind} of '{other}'")


def _wires_through_things(drawing: Drawing) -> Iterator[Fault]:
    runs = [(wire, wire.box) for wire in drawing.wires]
    for kind, name, box in _things(drawing):
        inner = box.grown(-SLACK)
        for wire, run in runs:
            if run.x0 < inner.x1 and run.x1 > inner.x0 and run.y0 < inner.y1 and run.y1 > inner.y0:
                yield Fault(f"{kind}–wire", f"a wire of '{wire.net}' runs through the {kind} of '{name}'")


def _wires_too_close(drawing: Drawing) -> Iterator[Fault]:
    runs = [(wire, wire.is_horizontal, wire.box) for wire in drawing.wires]
    for (one, is_flat, a), (other, is_other_flat, b) in combinations(runs, 2):
        if is_flat != is_other_flat or one.net == other.net:
            continue
        if is_flat:
            apart, along = abs(a.y0 - b.y0), min(a.x1, b.x1) - max(a.x0, b.x0)
        else:
            apart, along = abs(a.x0 - b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)
        if apart < LEAST_DISTANCE - SLACK and along > SLACK:
            yield Fault("wires too close", f"wires of '{one.net}' and '{other.net}' run {apart:.1f} apart")


def _anchors(drawing: Drawing) -> list[Point]:
    return [pin.at for symbol in drawing.symbols for pin in symbol.pins] + [end.at for end in drawing.terminals]


def _dangling(drawing: Drawing) -> Iterator[Fault]:
    anchors = _anchors(drawing)
    for index, wire in enumerate(drawing.wires):
        others = [*drawing.wires[:index], *drawing.wires[index + 1 :]]
        for end in (wire.a, wire.b):
            if not any(near(end, anchor) for anchor in anchors) and not any(passes(other, end) for other in others):
                yield Fault("dangling end", f"a wire of '{wire.net}' ends at {end} on nothing")


def _bare(drawing: Drawing) -> Iterator[Fault]:
    """A pin or terminal that nothing touches."""
    for index, anchor in enumerate(anchors := _anchors(drawing)):
        others = [*anchors[:index], *anchors[index + 1 :]]
        if not any(passes(wire, anchor) for wire in drawing.wires) and not any(near(anchor, end) for end in others):
            yield Fault("bare end", f"no wire leads to the pin or terminal at {anchor}")


def _missing_dots(drawing: Drawing) -> Iterator[Fault]:
    """A wire that ends on the middle of another must say whether it joins: without a dot it reads as it does not."""
    for wire in drawing.wires:
        for end in (wire.a, wire.b):
            for other in drawing.wires:
                inside = passes(other, end) and not near(other.a, end) and not near(other.b, end)
                if other is not wire and inside and not any(near(dot, end) for dot in drawing.dots):
                    yield Fault(
                        "missing dot", f"a wire of '{wire.net}' meets one of '{other.net}' at {end} without dot"
                    )
    for dot in drawing.dots:
        if not any(passes(wire, dot) for wire in drawing.wires):
            yield Fault("stray dot", f"the dot at {dot} is on no wire")


def _pins(drawing: Drawing, circuit: DrawnCircuit) -> Iterator[Fault]:
    drawn = {key for symbol in drawing.symbols for pin in symbol.pins for key in pin.keys} | drawing.open_pins
    wanted = {(part.name, pin) for part in circuit.parts for pin in part.pin_names}
    for part, pin in sorted(wanted - drawn):
        yield Fault("dropped pin", f"pin {pin} of '{part}' is not drawn")
    for part, pin in sorted(drawn - wanted):
        yield Fault("foreign pin", f"pin {pin} of '{part}' is drawn and not in the circuit")


def _netlist(drawing: Drawing, circuit: DrawnCircuit) -> Iterator[Fault]:
    drawn, wanted = read_back(drawing), circuit.netlist()
    if drawn == wanted:
        return
    yield from _differences(drawn - wanted, wanted - drawn)


def _differences(drawn: frozenset[frozenset[PinKey]], wanted: frozenset[frozenset[PinKey]]) -> Iterator[Fault]:
    def words(net: frozenset[PinKey]) -> str:
        return ", ".join(GROUND if part == GROUND else f"{part}:{pin}" for part, pin in sorted(net))

    for net in sorted(drawn, key=sorted):
        yield Fault("netlist", f"the drawing joins {words(net)}, which is no net of the circuit")
    for net in sorted(wanted, key=sorted):
        yield Fault("netlist", f"the circuit's net {words(net)} is not drawn as one")


def crossings(drawing: Drawing) -> int:
    """Count the places where two wires cross without joining."""
    flat = [wire.box for wire in drawing.wires if wire.is_horizontal]
    tall = [wire.box for wire in drawing.wires if not wire.is_horizontal]
    points = [
        (b.x0, a.y0)
        for a, b in product(flat, tall)
        if a.x0 + TOUCH < b.x0 < a.x1 - TOUCH and b.y0 + TOUCH < a.y0 < b.y1 - TOUCH
    ]
    return sum(not any(near(point, dot) for dot in drawing.dots) for point in points)
