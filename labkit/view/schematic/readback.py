"""The netlist of a finished drawing, read from nothing but its geometry, as a person reads it.

Wires join where their ends meet; an end on the middle of another wire, or a crossing, joins only with a dot.
"""

from __future__ import annotations

from collections import defaultdict

from labkit.view.schematic.drawing import Drawing, Pin, Point, Wire
from labkit.view.schematic.parts import GROUND, PinKey

_Thing = tuple[str, int]
"""A wire, pin or terminal, by its number."""

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
    A pin drawn in two places (the common of a pole at each of its contacts) must be joined by wires: its places are
    not taken for one, so that the result has the pin in two nets when the wires leave them apart.
    """
    nodes = _Groups()
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
        for name in touching[1:]:
            nodes.join(touching[0], name)
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


def _pins(drawing: Drawing) -> list[Pin]:
    return [pin for symbol in drawing.symbols for pin in symbol.pins]


class _Groups:
    """Disjoint sets."""

    def __init__(self) -> None:
        self._parent: dict[_Thing, _Thing] = {}

    def root(self, item: _Thing) -> _Thing:
        self._parent.setdefault(item, item)
        while self._parent[item] != item:
            self._parent[item] = self._parent[self._parent[item]]
            item = self._parent[item]
        return item

    def join(self, one: _Thing, other: _Thing) -> None:
        self._parent[self.root(other)] = self.root(one)
