"""Dashed lines between the contacts that one knob or lever moves, so that a switch with several poles reads as one.

A line leaves a drawn thing, crosses wires where it must and never runs on one, and keeps off everything else.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from labkit.view.grid import NEVER, Cell, Grid
from labkit.view.schematic.drawing import Drawing, Point, Stroke, SymbolBox
from labkit.view.schematic.parts import DrawnCircuit

LEGEND = "dashed lines join what one knob or lever moves"
"""Under the heading of a drawing with such lines."""
_STEP = 6.0
_MARGIN = 18.0
_BEND, _CROSSING = 3.0, 5.0


def with_gangs(drawing: Drawing, circuit: DrawnCircuit) -> Drawing:
    """Return a drawing with a line through all things of each gang; what no line reaches is left apart."""
    owners: dict[str, list[str]] = {}
    for part in circuit.parts:
        if part.gang:
            owners.setdefault(part.gang, []).append(part.name)
    lines: list[Stroke] = []
    for names in owners.values():
        bodies = [symbol.body for symbol in drawing.symbols if symbol.owner in names]
        if len(bodies) > 1:
            lines += _lines(drawing, bodies)
    if not lines:
        return drawing
    return replace(drawing, gangs=tuple(lines), summary=" · ".join(filter(None, (drawing.summary, LEGEND))))


def _lines(drawing: Drawing, bodies: Sequence[SymbolBox]) -> Iterator[Stroke]:
    room = drawing.box.grown(_MARGIN)
    width, height = int((room.x1 - room.x0) / _STEP) + 1, int((room.y1 - room.y0) / _STEP) + 1
    xs, ys = room.x0 + _STEP * np.arange(width), room.y0 + _STEP * np.arange(height)
    grid = Grid(width, height, bend=_BEND, limit=60.0)
    price = _prices(drawing, xs, ys)
    cells = [_inside(body, xs, ys) for body in bodies]
    line = dict.fromkeys(cells[0], 0.0)
    left = list(range(1, len(bodies)))
    while left:
        found = grid.way(price, line, {cell: 0.0 for index in left for cell in cells[index]})
        if found is None:
            return
        way, _ = found
        left = [index for index in left if way[-1] not in cells[index]]
        line |= dict.fromkeys((*way, *(cell for each in cells if way[-1] in each for cell in each)), 0.0)
        ends = [(float(xs[x]), float(ys[y])) for x, y in way]
        yield Stroke(tuple(zip("M" + "L" * len(way), _between(ends, bodies))), "dashed")


def _inside(box: SymbolBox, xs: np.ndarray, ys: np.ndarray) -> list[Cell]:
    """Return the places of the grid in a box."""
    across = np.flatnonzero((xs >= box.x0) & (xs <= box.x1))
    down = np.flatnonzero((ys >= box.y0) & (ys <= box.y1))
    return [(int(x), int(y)) for x in across for y in down]


def _prices(drawing: Drawing, xs: np.ndarray, ys: np.ndarray) -> np.ndarray:
    """What each place costs on a way across it and on a way down it, shape (2 · places,)."""
    price = np.zeros((2, ys.size, xs.size))
    for wire in drawing.wires:
        box = wire.box.grown(_STEP - 1.0)
        near = np.ix_((ys >= box.y0) & (ys <= box.y1), (xs >= box.x0) & (xs <= box.x1))
        along, over = (0, 1) if wire.is_horizontal else (1, 0)
        price[along][near] = NEVER
        price[over][near] += _CROSSING
    boxes = [thing.box for layer in (drawing.symbols, drawing.terminals, drawing.labels) for thing in layer]
    for box in (each.grown(3.0) for each in boxes):
        price[:, (ys >= box.y0) & (ys <= box.y1)] += np.where((xs >= box.x0) & (xs <= box.x1), NEVER, 0.0)
    return price.reshape(-1)


def _between(ends: Sequence[Point], bodies: Sequence[SymbolBox]) -> list[Point]:
    """Return a line's corners, its two ends on the edge of the body that they stand in."""

    def at_edge(end: Point, following: Point) -> Point:
        for box in bodies:
            if box.x0 <= end[0] <= box.x1 and box.y0 <= end[1] <= box.y1:
                return min(max(following[0], box.x0), box.x1), min(max(following[1], box.y0), box.y1)
        return end

    corners = [at_edge(ends[0], ends[1]), *ends[1:-1], at_edge(ends[-1], ends[-2])]
    turns = [
        here
        for before, here, after in zip(corners, corners[1:], corners[2:])
        if (before[0] != after[0]) and (before[1] != after[1])
    ]
    return [corners[0], *turns, corners[-1]]
