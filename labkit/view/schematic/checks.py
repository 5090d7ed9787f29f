"""What must hold of every drawing: nothing overlaps, nothing dangles, and the wires give back the netlist.

The netlist is read from nothing but the geometry, as a person reads it: wires join where their ends meet; an end on
the middle of another wire, or a crossing, joins only with a dot.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, product

from labkit.core.joined import Joined
from labkit.view.schematic.drawing import Drawing, Point, SymbolBox, SymbolPin, WireLine
from labkit.view.schematic.parts import GROUND, DrawnCircuit, PinKey

_Thing = tuple[str, int]
"""A wire, pin or terminal, by its number."""

TOUCH = 0.05
"""Distance, in drawing units, within which two points are one to the eye (a twentieth of a pixel)."""


def near(a: Point, b: Point) -> bool:
    """Say whether two points are one."""
    return abs(a[0] - b[0]) <= TOUCH and abs(a[1] - b[1]) <= TOUCH


def passes(wire: WireLine, point: Point) -> bool:
    """Say whether a wire runs through a point, its ends included."""
    (ax, ay), (bx, by), (x, y) = wire.a, wire.b, point
    if ay == by:
        return abs(y - ay) <= TOUCH and min(ax, bx) - TOUCH <= x <= max(ax, bx) + TOUCH
    return abs(x - ax) <= TOUCH and min(ay, by) - TOUCH <= y <= max(ay, by) + TOUCH


def read_back(drawing: Drawing) -> frozenset[frozenset[PinKey]]:
    """Return the nets of the drawing as sets of pins, in the form of `DrawnCircuit.netlist`.

    Pins that the circuit leaves open stand alone, drawn or not. Flags of one name are one net, as are all grounds.
    A pin drawn in two places (the common of a pole at each of its contacts) must be joined by wires: its places are
    not taken for one, so that the result has the pin in two nets when the wires leave them apart.
    """
    nodes: Joined[_Thing] = Joined()
    wires = [("wire", index) for index in range(len(drawing.wires))]
    ends: list[tuple[Point, tuple[str, int]]] = []
    ends += [(end, name) for name, wire in zip(wires, drawing.wires) for end in (wire.a, wire.b)]
    pins = [(pin.at, ("pin", index)) for index, pin in enumerate(_pins(drawing))]
    terminals = [(terminal.at, ("terminal", index)) for index, terminal in enumerate(drawing.terminals)]
    ends += pins + terminals
    ends.sort(key=lambda end: end[0])
    for index, (point, name) in enumerate(ends):
        for other, other_name in ends[index + 1 :]:
            if other[0] - point[0] > TOUCH:
                break
            if near(point, other):
                nodes.join(name, other_name)
    for dot in drawing.dots:
        touching = [name for name, wire in zip(wires, drawing.wires) if passes(wire, dot)]
        touching += [name for point, name in pins + terminals if near(point, dot)]
        if touching:
            nodes.join(*touching)
    first_of: dict[str, tuple[str, int]] = {}
    for index, terminal in enumerate(drawing.terminals):
        if terminal.kind != "open":
            net = GROUND if terminal.kind == "ground" else f"flag {terminal.net}"
            nodes.join(first_of.setdefault(net, ("terminal", index)), ("terminal", index))
    nets: dict[tuple[str, int], set[PinKey]] = defaultdict(set)
    for index, pin in enumerate(_pins(drawing)):
        nets[nodes.root(("pin", index))].update(pin.keys)
    if GROUND in first_of:
        nets[nodes.root(first_of[GROUND])].add((GROUND, ""))
    undrawn = [frozenset({pin}) for pin in drawing.open_pins]
    return frozenset([*(frozenset(net) for net in nets.values()), *undrawn])


def _pins(drawing: Drawing) -> list[SymbolPin]:
    return [pin for symbol in drawing.symbols for pin in symbol.pins]


SLACK = 0.5
"""Overlap, in drawing units, that is a matter of line widths and not a fault (half a pixel)."""
LEAST_DISTANCE = 6.0
"""Parallel wires nearer than this look like one thick wire on paper: four line widths."""


@dataclass(frozen=True, slots=True)
class DrawingFault:
    """One thing wrong with a drawing: what kind, and a sentence that names the culprits."""

    kind: str
    message: str


def faults(drawing: Drawing, circuit: DrawnCircuit) -> list[DrawingFault]:
    """Return everything that is wrong with a drawing of ``circuit``; an empty list when it is right."""
    return [
        *_overlaps(drawing),
        *_wires_through_things(drawing),
        *_wires_too_close(drawing),
        *_dangling(drawing),
        *_bare(drawing),
        *_missing_dots(drawing),
        *_missing_pins(drawing, circuit),
        *_netlist(drawing, circuit),
    ]


def _things(drawing: Drawing) -> list[tuple[str, str, SymbolBox]]:
    bodies = [("body", symbol.owner, symbol.body) for symbol in drawing.symbols]
    ends = [("body", f"{end.kind} {end.net}".strip(), end.box) for end in drawing.terminals]
    return [*bodies, *ends, *(("label", label.owner, label.box) for label in drawing.labels)]


def _overlaps(drawing: Drawing) -> Iterator[DrawingFault]:
    for (kind, name, box), (other_kind, other, other_box) in combinations(_things(drawing), 2):
        if box.overlaps(other_box, SLACK):
            kinds = "–".join(sorted((kind, other_kind)))
            yield DrawingFault(kinds, f"the {kind} of '{name}' overlaps the {other_kind} of '{other}'")


def _wires_through_things(drawing: Drawing) -> Iterator[DrawingFault]:
    runs = [(wire, wire.box) for wire in drawing.wires]
    for kind, name, box in _things(drawing):
        inner = box.grown(-SLACK)
        for wire, run in runs:
            if run.x0 < inner.x1 and run.x1 > inner.x0 and run.y0 < inner.y1 and run.y1 > inner.y0:
                yield DrawingFault(f"{kind}–wire", f"a wire of '{wire.net}' runs through the {kind} of '{name}'")


def _wires_too_close(drawing: Drawing) -> Iterator[DrawingFault]:
    runs = [(wire, wire.is_horizontal, wire.box) for wire in drawing.wires]
    for (one, is_flat, a), (other, is_other_flat, b) in combinations(runs, 2):
        if is_flat != is_other_flat or one.net == other.net:
            continue
        if is_flat:
            apart, along = abs(a.y0 - b.y0), min(a.x1, b.x1) - max(a.x0, b.x0)
        else:
            apart, along = abs(a.x0 - b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)
        if apart < LEAST_DISTANCE - SLACK and along > SLACK:
            yield DrawingFault("wires too close", f"wires of '{one.net}' and '{other.net}' run {apart:.1f} apart")


def _anchors(drawing: Drawing) -> list[Point]:
    return [pin.at for symbol in drawing.symbols for pin in symbol.pins] + [end.at for end in drawing.terminals]


def _dangling(drawing: Drawing) -> Iterator[DrawingFault]:
    anchors = _anchors(drawing)
    for index, wire in enumerate(drawing.wires):
        others = [*drawing.wires[:index], *drawing.wires[index + 1 :]]
        for end in (wire.a, wire.b):
            if not any(near(end, anchor) for anchor in anchors) and not any(passes(other, end) for other in others):
                yield DrawingFault("dangling end", f"a wire of '{wire.net}' ends at {end} on nothing")


def _bare(drawing: Drawing) -> Iterator[DrawingFault]:
    """A pin or terminal that nothing touches."""
    for index, anchor in enumerate(anchors := _anchors(drawing)):
        others = [*anchors[:index], *anchors[index + 1 :]]
        if not any(passes(wire, anchor) for wire in drawing.wires) and not any(near(anchor, end) for end in others):
            yield DrawingFault("bare end", f"no wire leads to the pin or terminal at {anchor}")


def _missing_dots(drawing: Drawing) -> Iterator[DrawingFault]:
    """A wire that ends on the middle of another must say whether it joins: without a dot it reads as it does not."""
    for wire in drawing.wires:
        for end in (wire.a, wire.b):
            for other in drawing.wires:
                inside = passes(other, end) and not near(other.a, end) and not near(other.b, end)
                if other is not wire and inside and not any(near(dot, end) for dot in drawing.dots):
                    yield DrawingFault(
                        "missing dot", f"a wire of '{wire.net}' meets one of '{other.net}' at {end} without dot"
                    )
    for dot in drawing.dots:
        if not any(passes(wire, dot) for wire in drawing.wires):
            yield DrawingFault("stray dot", f"the dot at {dot} is on no wire")


def _missing_pins(drawing: Drawing, circuit: DrawnCircuit) -> Iterator[DrawingFault]:
    drawn = {key for symbol in drawing.symbols for pin in symbol.pins for key in pin.keys} | drawing.open_pins
    wanted = {(part.name, pin) for part in circuit.parts for pin in part.pin_names}
    for part, pin in sorted(wanted - drawn):
        yield DrawingFault("dropped pin", f"pin {pin} of '{part}' is not drawn")
    for part, pin in sorted(drawn - wanted):
        yield DrawingFault("foreign pin", f"pin {pin} of '{part}' is drawn and not in the circuit")


def _netlist(drawing: Drawing, circuit: DrawnCircuit) -> Iterator[DrawingFault]:
    drawn, wanted = read_back(drawing), circuit.netlist()
    if drawn == wanted:
        return
    yield from _differences(drawn - wanted, wanted - drawn)


def _differences(drawn: frozenset[frozenset[PinKey]], wanted: frozenset[frozenset[PinKey]]) -> Iterator[DrawingFault]:
    def words(net: frozenset[PinKey]) -> str:
        return ", ".join(GROUND if part == GROUND else f"{part}:{pin}" for part, pin in sorted(net))

    for net in sorted(drawn, key=sorted):
        yield DrawingFault("netlist", f"the drawing joins {words(net)}, which is no net of the circuit")
    for net in sorted(wanted, key=sorted):
        yield DrawingFault("netlist", f"the circuit's net {words(net)} is not drawn as one")


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
