"""The netlist of a finished drawing, read from nothing but its geometry, as a person reads it.

Wires join where ends meet; an end on the middle of a wire, a crossing, or a third wire at a corner joins only with
a dot.
"""

from __future__ import annotations

from collections import defaultdict

from labkit.view.schematic.drawing import Drawing, Point, Wire
from labkit.view.schematic.parts import GROUND, PinKey

TOUCH = 0.05
"""Distance, in drawing units, within which two points are one to the eye (a twentieth of a pixel)."""


def near(a: Point, b: Point) -> bool:
    """Say whether two points are one."""
    return abs(a[0] - b[0]) <= TOUCH and abs(a[1] - b[1]) <= TOUCH


def passes(wire: Wire, point: Point) -> bool:
    """Say whether a wire runs through a point, its ends included."""
    (ax, ay), (bx, by), (x, y) = wire.a, wire.b, point
    if ay == by:
        return abs(y - ay) <= TOUCH and min(ax, bx) - TOUCH <= x <= max(ax, bx) + TOUCH
    return abs(x - ax) <= TOUCH and min(ay, by) - TOUCH <= y <= max(ay, by) + TOUCH


def read_back(drawing: Drawing) -> frozenset[frozenset[PinKey]]:
    """Return the nets of the drawing as sets of pins, in the form of `DrawnCircuit.netlist`.

    Pins that the circuit leaves open stand alone, drawn or not. Flags of one name are one net, as are all grounds.
    """
    nodes = _Groups()
    wires = [("wire", index) for index in range(len(drawing.wires))]
    ends: list[tuple[Point, tuple[str, int]]] = []
    ends += [(end, name) for name, wire in zip(wires, drawing.wires) for end in (wire.a, wire.b)]
    pins = [(pin.at, ("pin", index)) for index, pin in enumerate(_pins(drawing))]
    terminals = [(terminal.at, ("terminal", index)) for index, terminal in enumerate(drawing.terminals)]
    ends += pins + terminals
    for index, (point, name) in enumerate(ends):
        for other, other_name in ends[index + 1 :]:
            if near(point, other):
                nodes.join(name, other_name)
    for dot in drawing.dots:
        touching = [name for name, wire in zip(wires, drawing.wires) if passes(wire, dot)]
        touching += [name for point, name in pins + terminals if near(point, dot)]
        for name in touching[1:]:
            nodes.join(touching[0], name)
    first_of: dict[str, tuple[str, int]] = {}
    for index, terminal in enumerate(drawing.terminals):
        if terminal.kind != "open":
            name = GROUND if terminal.kind == "ground" else f"flag {terminal.net}"
            nodes.join(first_of.setdefault(name, ("terminal", index)), ("terminal", index))
    nets: dict[tuple[str, int], set[PinKey]] = defaultdict(set)
    for index, pin in enumerate(_pins(drawing)):
        nets[nodes.root(("pin", index))].update(key for key in pin.keys)
    if GROUND in first_of:
        nets[nodes.root(first_of[GROUND])].add((GROUND, ""))
    return _tied_together([frozenset(net) for net in nets.values()], drawing.open_pins)


def _pins(drawing: Drawing) -> list:
    return [pin for symbol in drawing.symbols for pin in symbol.pins]


def _tied_together(nets: list[frozenset[PinKey]], open_pins: frozenset[PinKey]) -> frozenset[frozenset[PinKey]]:
    """Unite nets that share a pin (a common drawn at each of its contacts) and add the open pins."""
    groups = _Groups()
    for net in nets:
        members = sorted(net)
        for member in members:
            groups.join(members[0], member)
    for pin in open_pins:
        groups.root(pin)
    united: dict[object, set[PinKey]] = defaultdict(set)
    for member in groups.members():
        united[groups.root(member)].add(member)
    return frozenset(frozenset(net) for net in united.values())


class _Groups:
    """Disjoint sets."""

    def __init__(self) -> None:
        self._parent: dict = {}

    def root(self, item):  # noqa: ANN001, ANN202
        self._parent.setdefault(item, item)
        while self._parent[item] != item:
            self._parent[item] = self._parent[self._parent[item]]
            item = self._parent[item]
        return item

    def join(self, one, other) -> None:  # noqa: ANN001
        self._parent[self.root(other)] = self.root(one)

    def members(self) -> list:
        return list(self._parent)
