"""What each real part takes of a soldering drawing: its body, its lugs and its words, on a grid of `STEP` pixels.

Lugs stand outside the body, at least two steps apart, so that a wire passes between two of them with a step to spare.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from labkit.rig.devices.plan import CAN, PlanPart
from labkit.view.grid import Cell
from labkit.view.schematic.drawing import text_width

STEP = 15
"""Grid, CSS pixels; the least distance between wires, and of a wire from a lug that is not its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """An outline that no wire crosses: a box or a circle, in steps; round it ``metal`` steps of its lugs."""

    form: Literal["box", "round"]
    x0: float
    y0: float
    x1: float
    y1: float
    metal: float = 0.0

    def cells(self) -> set[Cell]:
        """Return the places of the grid under it."""
        found = {
            (x, y)
            for x in range(math.ceil(self.x0), math.floor(self.x1) + 1)
            for y in range(math.ceil(self.y0), math.floor(self.y1) + 1)
        }
        if self.form == "box":
            return found
        x, y, radius = (self.x0 + self.x1) / 2, (self.y0 + self.y1) / 2, (self.x1 - self.x0) / 2
        found = {
            (x, y)
            for x in range(math.floor(self.x0), math.ceil(self.x1) + 1)
            for y in range(math.floor(self.y0), math.ceil(self.y1) + 1)
        }
        radius += self.metal
        return {cell for cell in found if math.hypot(cell[0] - x, cell[1] - y) <= radius}


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """One line of text: its place in steps, its size in pixels, and whether wires keep off it."""

    x: float
    y: float
    text: str
    size: float = 11.0
    is_bold: bool = False
    anchor: Literal["start", "middle", "end"] = "middle"
    is_free: bool = False

    def box(self) -> tuple[float, float, float, float]:
        """Return its room, pixels: left, top, right, bottom."""
        width = text_width(self.text, self.size, is_bold=self.is_bold)
        left = self.x * STEP - {"start": 0.0, "middle": 0.5, "end": 1.0}[self.anchor] * width
        base = self.y * STEP
        return left, base - 0.8 * self.size, left + width, base + 0.25 * self.size

    def cells(self) -> set[Cell]:
        """Return the places of the grid that a wire would touch it at."""
        left, top, right, bottom = self.box()
        return {
            (x, y)
            for x in range(math.ceil((left - 3) / STEP), math.floor((right + 3) / STEP) + 1)
            for y in range(math.ceil((top - 3) / STEP), math.floor((bottom + 3) / STEP) + 1)
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Footprint:
    """A part in steps from its upper left corner.

    Attributes
    ----------
    width, height : int
        Room with lugs and words.
    bodies : tuple of Body
    lugs : mapping of str to tuple of cell
        One place for each lug; a can has several.
    labels : mapping of str to str
        What is printed in the lug, where something is.
    words : tuple of Words
    kept_free : tuple of cell
        Places beside its bodies that no wire runs through, such as a leg.
    """

    width: int
    height: int
    bodies: tuple[Body, ...]
    lugs: Mapping[str, tuple[Cell, ...]]
    labels: Mapping[str, str]
    words: tuple[Words, ...] = ()
    kept_free: tuple[Cell, ...] = ()

    def mirrored(self) -> Footprint:
        """Return the part with left and right exchanged."""

        def turned(x: float) -> float:
            return self.width - x

        anchors: dict[str, Literal["start", "middle", "end"]] = {"start": "end", "middle": "middle", "end": "start"}
        return replace(
            self,
            bodies=tuple(replace(body, x0=turned(body.x1), x1=turned(body.x0)) for body in self.bodies),
            lugs={lug: tuple((self.width - x, y) for x, y in places) for lug, places in self.lugs.items()},
            words=tuple(replace(line, x=turned(line.x), anchor=anchors[line.anchor]) for line in self.words),
            kept_free=tuple((self.width - x, y) for x, y in self.kept_free),
        )

    def with_lugs(self, names: Mapping[str, str]) -> Footprint:
        """Return the part with lugs exchanged: each name's places are those of the name it is given."""
        return replace(self, lugs={lug: self.lugs[names.get(lug, lug)] for lug in self.lugs})


def said(name: str) -> str:
    """Return a name in words."""
    return name.replace("_", " ")


def shape_of(part: PlanPart) -> Footprint:
    """Return the shape of a part of a plan."""
    if part.kind == "pickup":
        return _pickup(part)
    if part.kind == "pot":
        return _pot(part)
    if part.device.ring:
        return _ring(part)
    if part.device.columns:
        return _columns(part)
    return _small(part)


def variants(part: PlanPart) -> tuple[Footprint, ...]:
    """Return the ways in which a part may be turned without a change to what it is, the plain one first.

    A pot keeps its lugs up. Poles that do the same may change places, and their throws may run up or down together; a
    ring may be turned; a pickup's leads come out in any order; a small part stands on either leg.
    """
    plain = shape_of(part)
    if part.kind == "pickup":
        right = part.device.columns[1]
        return tuple(_pickup(part, order) for order in itertools.islice(itertools.permutations(right), 24))
    if part.device.ring:
        return tuple(_ring(part, turn) for turn in range(len(part.device.ring)))
    if part.kind == "switch":
        columns = part.device.columns
        is_equal = part.device.has_equal_poles
        orders = list(itertools.permutations(columns)) if is_equal else [columns]
        upside_down = [tuple(column[::-1] for column in order) for order in orders] if is_equal else []
        turned = [_columns(part, order) for order in (*orders, *upside_down)]
        if len(columns) == 1:
            turned += [shape.mirrored() for shape in turned]
        return tuple(turned)
    if part.kind in ("capacitor", "resistor", "inductor", "dummy coil"):
        (above,), (below,) = part.device.ends
        upside = plain.with_lugs({above: below, below: above})
        return plain, upside, plain.mirrored(), upside.mirrored()
    if part.kind in ("buffer", "screened lead", "tag strip", "other part"):
        return plain, plain.mirrored()
    return (plain,)


def _pickup(part: PlanPart, order: tuple[str, ...] = ()) -> Footprint:
    left, right = part.device.columns
    right = order or right
    rows = max(len(left), len(right), 1)
    height = 2 * rows + 2
    texts = [max((text_width(lug, 11) for lug in column), default=0) for column in (left, right)]
    wide = max(9, math.ceil((sum(texts) + 32) / STEP))
    lugs = {lug: ((0, 2 * row + 3),) for row, lug in enumerate(left)}
    lugs |= {lug: ((wide + 2, 2 * row + 3),) for row, lug in enumerate(right)}
    words = [Words(x=1 + wide / 2, y=1.5, text=said(part.name), size=13, is_bold=True)]
    for column, x, anchor in ((left, 1.5, "start"), (right, wide + 0.5, "end")):
        words += [
            Words(x=x, y=lugs[lug][0][1] + 0.27, text=lug, anchor=anchor)  # type: ignore[arg-type]
            for lug in column
        ]
    body = Body(form="box", x0=1, y0=0, x1=1 + wide, y1=height)
    return Footprint(width=wide + 2, height=height, bodies=(body,), lugs=lugs, labels={}, words=tuple(words))


def _pot(part: PlanPart) -> Footprint:
    """A can seen from behind: radius of three steps, lugs above, those of a second gang below."""
    x, y = 5, 5
    above, below = part.device.ends
    lugs: dict[str, tuple[Cell, ...]] = {lug: ((x + 2 * place - 2, y - 4),) for place, lug in enumerate(above)}
    lugs |= {lug: ((x + 2 * place - 2, y + 4),) for place, lug in enumerate(below)}
    lugs[CAN] = ((x - 4, y), (x + 4, y), (x, y + 4) if not below else (x + 4, y + 2))
    lines = [(line, 12.0, True) for line in _lines(said(part.name), 76, 12.0)][:2]
    lines += [(line, 11.0, False) for line in part.words[:1]]
    lines += [(line, 9.5, False) for line in _lines(" / ".join(part.words[1:]), 70, 9.5)][:2]
    words = tuple(
        Words(x=x, y=y + 0.28 + (row - (len(lines) - 1) / 2) * 0.95, text=line, size=size, is_bold=bold)
        for row, (line, size, bold) in enumerate(lines)
    )
    body = Body(form="round", x0=x - 3, y0=y - 3, x1=x + 3, y1=y + 3, metal=0.7)
    labels = {lug: lug for lug in lugs if lug != CAN}
    return Footprint(width=10, height=10, bodies=(body,), lugs=lugs, labels=labels, words=words)


def _lines(text: str, width: float, size: float) -> list[str]:
    """Break a text at its blanks into lines that are not wider than so many pixels, where it can be broken."""
    lines: list[str] = []
    for word in text.split():
        if lines and text_width(f"{lines[-1]} {word}", size) <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


_BODY, _BOARD = 5, 8
"""Width of a switch's body, and of one with words on both sides, steps."""
_NEXT_BODY = 13
"""From one body of a switch to its next, steps."""


def _columns(part: PlanPart, order: tuple[tuple[str, ...], ...] = ()) -> Footprint:
    """Bodies with a column of lugs left and right of each."""
    columns = order or part.device.columns
    is_switch = part.kind == "switch"
    sides = _sides(part)
    wide = _BOARD if len(columns) > 1 and not is_switch else _BODY
    rows = max(len(column) for column in columns)
    top = 2 if is_switch else 1
    height = top + 2 * rows + 1
    lugs: dict[str, tuple[Cell, ...]] = {}
    labels: dict[str, str] = {}
    bodies: list[Body] = []
    words: list[Words] = []
    width = 0
    for place, column in enumerate(columns):
        start, is_right = sides[place]
        if not is_right or not any(body.x0 == start + 1 for body in bodies):
            bodies.append(Body(form="box", x0=start + 1, y0=top - 0.5, x1=start + 1 + wide, y1=height - 0.5))
        x = start + (wide + 2 if is_right else 0)
        width = max(width, start + wide + 2)
        for row, lug in enumerate(column):
            lugs[lug] = ((x, top + 1 + 2 * row),)
            if is_switch:
                labels[lug] = lug[1:]
            else:
                at = x - 1.4 if is_right else x + 1.4
                words.append(Words(x=at, y=top + 1.27 + 2 * row, text=lug, anchor="end" if is_right else "start"))
        if is_switch:
            at = x - 1.7 if is_right else x + 1.7
            words.append(Words(x=at, y=top + rows + 0.3, text=column[0][0], size=12, is_bold=True))
    lines = {"bridge": "bridge, strings", "string ground": "bridge, strings"}.get(part.kind, said(part.name))
    middle = (bodies[0].x0 + bodies[-1].x1) / 2
    words.insert(0, Words(x=middle, y=top - 0.9, text=lines, size=13 if is_switch else 12, is_bold=True))
    if part.words and not is_switch and part.words[0] != part.kind:
        words.append(Words(x=middle, y=height + 0.5, text=part.words[0], size=10))
        height += 1
    return Footprint(width=width, height=height, bodies=tuple(bodies), lugs=lugs, labels=labels, words=tuple(words))


def _sides(part: PlanPart) -> list[tuple[int, bool]]:
    """For each column the left end of its body, and whether it stands right of that."""
    if part.kind == "bridge":
        return [(0, True)]
    return [(_NEXT_BODY * (place // 2), place % 2 == 1) for place in range(len(part.device.columns))]


def _ring(part: PlanPart, turn_by: int = 0) -> Footprint:
    """Lugs around a round body, clockwise from the top."""
    ring = part.device.ring[turn_by:] + part.device.ring[:turn_by]
    radius = 4.0
    while True:
        turns = [2 * math.pi * place / len(ring) for place in range(len(ring))]
        middle = math.ceil(radius)
        cells = [(middle + round(radius * math.sin(turn)), middle - round(radius * math.cos(turn))) for turn in turns]
        nearest = min(
            max(abs(one[0] - other[0]), abs(one[1] - other[1]))
            for index, one in enumerate(cells)
            for other in cells[:index]
        )
        if nearest >= 2:
            break
        radius += 0.5
    inner = radius - 1
    top = 2
    lugs: dict[str, tuple[Cell, ...]] = {lug: ((x, y + top),) for lug, (x, y) in zip(ring, cells)}
    body = Body(form="round", x0=middle - inner, y0=middle - inner + top, x1=middle + inner, y1=middle + inner + top)
    words = [Words(x=middle, y=middle + top + 0.3, text=said(part.name), size=13, is_bold=True)]
    is_single = len(part.device.poles) == 1
    for lug, turn in zip(ring, turns):
        if lug.endswith("C") and not is_single:
            x, y = middle + (inner - 0.9) * math.sin(turn), middle + top - (inner - 0.9) * math.cos(turn)
            words.append(Words(x=x, y=y + 0.3, text=lug[0], size=12, is_bold=True))
    size = 2 * middle
    metal = {
        (round(middle + reach * math.sin(turn)), top + round(middle - reach * math.cos(turn)))
        for turn in turns
        for reach in (radius - 0.75, radius - 0.5)
    }
    return Footprint(
        width=size,
        height=size + top,
        bodies=(body,),
        lugs=lugs,
        labels={lug: lug[1:] for lug in ring},
        words=tuple(words),
        kept_free=tuple(sorted(metal - {cell for cells in lugs.values() for cell in cells})),
    )


def _small(part: PlanPart) -> Footprint:
    """A small part on its two legs, upright, its value beside it."""
    (above,), (below,) = part.device.ends
    words = [Words(x=2.4, y=3.3, text=part.words[0], size=11, is_bold=True, anchor="start")] if part.words else []
    room = math.ceil(max((line.box()[2] for line in words), default=0) / STEP)
    return Footprint(
        width=max(2, room),
        height=6,
        bodies=(Body(form="box", x0=0.4, y0=1.3, x1=1.6, y1=4.7),),
        kept_free=((1, 1), (1, 5)),
        lugs={above: ((1, 0),), below: ((1, 6),)},
        labels={},
        words=tuple(words),
    )
