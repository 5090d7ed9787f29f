"""Where the parts of a soldering drawing stand: pickups at the left, switches above, pots below, the jack at the right.

The order in the rows is searched: parts are exchanged, moved and mirrored as long as straight lines between their lugs
cross less often and are shorter. Cavities of real instruments are not imitated.
"""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from labkit.rig.devices.plan import Lug, SolderPlan, joined_up
from labkit.view.grid import Cell
from labkit.view.soldering.shapes import Footprint, variants

WIDTH, HEIGHT = 85, 60
"""Of a drawing, steps: 1275 × 900 pixels, as wide to high as A4 lying. A crowded one grows."""
HEAD, FOOT = 6, 4
_PICKUPS_AT = 6
_ROWS_FROM = 22
_RIGHT = 13
"""Kept for the jack and the way to it, steps."""
_GAP = 2
_CHANNEL = 4
"""Between two rows, steps."""
_CROSSING, _BLOCKED, _LENGTH, _LEG_LENGTH = 10.0, 7.0, 0.15, 0.2
_MOVES = 600
_HOT, _COLD = 30.0, 0.5
"""How much worse a change may be that is still tried, at first and at last."""
_SEED = 3

ABOVE, BETWEEN, BELOW = range(3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A part's shape at a place: column and row of its upper left corner."""

    part: str
    shape: Footprint
    x: int
    y: int

    def cells(self, lug: str) -> tuple[Cell, ...]:
        """Return the places of a lug on the grid."""
        return tuple((x + self.x, y + self.y) for x, y in self.shape.lugs[lug])

    def blocked(self) -> set[Cell]:
        """Return what lies under its bodies and words."""
        found = {(x + self.x, y + self.y) for x, y in self.shape.kept_free}
        for body in self.shape.bodies:
            found |= {(x + self.x, y + self.y) for x, y in body.cells()}
        for line in self.shape.words:
            found |= replace(line, x=line.x + self.x, y=line.y + self.y).cells()
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Placed parts by name, and the size of the drawing in steps."""

    parts: Mapping[str, Placed]
    width: int
    height: int

    def places(self) -> dict[Lug, tuple[Cell, ...]]:
        """Return where every lug stands."""
        return {Lug(name, lug): part.cells(lug) for name, part in self.parts.items() for lug in part.shape.lugs}

    def words(self) -> set[Cell]:
        """Return the places under words."""
        found: set[Cell] = set()
        for part in self.parts.values():
            for line in part.shape.words:
                found |= replace(line, x=line.x + part.x, y=line.y + part.y).cells()
        return found

    def margin(self) -> set[Cell]:
        """Return the places at its edges that no wire runs through."""
        rows = (*range(HEAD - 1), *range(self.height - FOOT, self.height))
        found = {(x, y) for x in range(self.width) for y in rows}
        return found | {(x, y) for x in (0, self.width - 1) for y in range(self.height)}


@dataclass(frozen=True, slots=True)
class _Order:
    """Parts of the three rows from left to right, and which of its variants each part is drawn in."""

    rows: tuple[tuple[str, ...], ...]
    variant: tuple[int, ...]


def layouts(plan: SolderPlan, count: int) -> list[Layout]:
    """Return some good layouts of a plan's parts, the best by its straight lines first."""
    return _Search(plan).best(count)


class _Search:
    def __init__(self, plan: SolderPlan) -> None:
        self.plan = plan
        self.shapes = {name: variants(part) for name, part in plan.parts.items()}
        self.index = {name: index for index, name in enumerate(plan.parts)}
        self.turnable = [name for name, shapes in self.shapes.items() if len(shapes) > 1]
        self.random = random.Random(_SEED)
        self.kinds = {name: part.kind for name, part in plan.parts.items()}

    def best(self, count: int) -> list[Layout]:
        """Improve the first order by small changes, and keep the best ones that were met."""
        order = self._first()
        found: dict[_Order, float] = {order: self._cost(order)}
        present = order
        for step in range(_MOVES):
            heat = _HOT * (_COLD / _HOT) ** (step / _MOVES)
            changed = self._changed(present)
            if changed not in found:
                found[changed] = self._cost(changed)
            if found[changed] <= found[present] - heat * math.log(1 - self.random.random()):
                present = changed
        ranked: dict[tuple[tuple[str, ...], ...], _Order] = {}
        for each in sorted(found, key=lambda each: found[each]):
            ranked.setdefault(each.rows, each)
        return [self._layout(each) for each in itertools.islice(ranked.values(), count)]

    def _movable(self) -> list[str]:
        return [name for name, kind in self.kinds.items() if kind not in ("pickup", "jack", "bridge", "battery")]

    def _first(self) -> _Order:
        """Switches above, pots below, small parts beside what they share a node with."""
        above = [name for name in self._movable() if self.kinds[name] == "switch"]
        below = [name for name in self._movable() if self.kinds[name] == "pot"]
        for name in self._movable():
            if name in (*above, *below):
                continue
            row, at = self._beside(name, above, below)
            row.insert(at, name)
        return _Order((tuple(above), (), tuple(below)), (0,) * len(self.index))

    def _beside(self, name: str, above: list[str], below: list[str]) -> tuple[list[str], int]:
        mine = set(self.plan.parts[name].nodes.values()) - {"ground"}
        for row in (below, above):
            for at, other in enumerate(row):
                if mine & set(self.plan.parts[other].nodes.values()):
                    return row, at + 1
        return below, len(below)

    def _changed(self, order: _Order) -> _Order:
        """Turn a part, exchange two of a row, or move one."""
        rows = [list(row) for row in order.rows]
        names = [name for row in rows for name in row]
        move = self.random.random()
        if self.turnable and (move < 0.35 or not names):
            name = self.random.choice(self.turnable)
            variant = list(order.variant)
            variant[self.index[name]] = self.random.randrange(len(self.shapes[name]))
            return replace(order, variant=tuple(variant))
        if not names:
            return order
        name = self.random.choice(names)
        row = next(each for each in rows if name in each)
        if move < 0.6 and len(row) > 1:
            at, other = row.index(name), self.random.randrange(len(row))
            row[at], row[other] = row[other], row[at]
        else:
            row.remove(name)
            levels = {"pot": [rows[BELOW]], "switch": [rows[ABOVE], rows[BETWEEN]]}.get(self.kinds[name], rows)
            target = row if self.random.random() < 0.4 else self.random.choice(levels)
            target.insert(self.random.randint(0, len(target)), name)
        return replace(order, rows=tuple(map(tuple, rows)))

    def _shape(self, name: str, order: _Order) -> Footprint:
        return self.shapes[name][order.variant[self.index[name]]]

    def _layout(self, order: _Order) -> Layout:
        parts: dict[str, Placed] = {}
        y = HEAD + 1
        for name, kind in self.kinds.items():
            if kind == "pickup":
                shape = self._shape(name, order)
                parts[name] = Placed(part=name, shape=shape, x=_PICKUPS_AT, y=y)
                y += shape.height + 2
        bottom = y
        left = _ROWS_FROM - 11 + max(part.shape.width for part in parts.values())
        widths = [self._row_width(row, order) for row in order.rows]
        width = max(WIDTH, left + max(widths) + _RIGHT)
        tall = [max((self._shape(name, order).height for name in row), default=0) for row in order.rows]
        rows = sum(each > 0 for each in tall)
        needed = HEAD + 2 + sum(tall) + _CHANNEL * max(0, rows - 1) + 5 + FOOT
        height = max(HEIGHT, needed, bottom + 6 + FOOT)
        spare_rows = (height - needed) // (rows + 1)
        upper = HEAD + 2 + min(2, spare_rows)
        lower = height - FOOT - 5 - tall[BELOW]
        middle = (upper + tall[ABOVE] + lower - tall[BETWEEN]) // 2 if tall[ABOVE] else lower - _CHANNEL - tall[BETWEEN]
        for row, names in enumerate(order.rows):
            spare = min((width - _RIGHT - left - widths[row]) / (len(names) + 1), 8.0)
            x = left + spare
            for name in names:
                shape = self._shape(name, order)
                sunk = tall[row] - shape.height if self.kinds[name] == "pot" else 2 if row == BELOW else 0
                sunk = min(sunk, tall[row] - shape.height)
                parts[name] = Placed(part=name, shape=shape, x=round(x), y=(upper, middle, lower)[row] + sunk)
                x += shape.width + _GAP + spare
        return Layout(parts=parts | self._at_the_right(width, lower, bottom, height), width=width, height=height)

    def _row_width(self, row: tuple[str, ...], order: _Order) -> int:
        return sum(self._shape(name, order).width + _GAP for name in row)

    def _at_the_right(self, width: int, lower: int, bottom: int, height: int) -> dict[str, Placed]:
        found: dict[str, Placed] = {}
        for name, kind in self.kinds.items():
            shape = self.shapes[name][0]
            if kind == "jack":
                found[name] = Placed(part=name, shape=shape, x=width - 10, y=lower - 1)
            elif kind == "battery":
                found[name] = Placed(part=name, shape=shape, x=width - 10, y=max(HEAD + 2, lower - 14))
            elif kind == "bridge":
                y = max(bottom + 1, min(lower + 5, height - FOOT - 5))
                found[name] = Placed(part=name, shape=shape, x=_PICKUPS_AT, y=y)
        return found

    def _cost(self, order: _Order) -> float:
        """Crossings of straight lines between lugs, lines over other bodies, and length."""
        layout = self._layout(order)
        places = {lug: cells[0] for lug, cells in layout.places().items()}

        def far(one: Lug, other: Lug) -> float:
            if one not in places or other not in places:  # a tag strip that is not placed yet
                return 20.0
            (x, y), (u, v) = places[one], places[other]
            return abs(x - u) + abs(y - v)

        plan = joined_up(self.plan, far)
        wires = [wire for wire in plan.wires if wire.one in places and wire.other in places]
        lines = np.array([(*places[wire.one], *places[wire.other]) for wire in wires], dtype=float)
        lengths = np.abs(lines[:, 0] - lines[:, 2]) + np.abs(lines[:, 1] - lines[:, 3])
        weights = np.array([_LEG_LENGTH if wire.is_leg else _LENGTH for wire in wires])
        bodies = [(name, part, body) for name, part in layout.parts.items() for body in part.shape.bodies]
        boxes = np.array(
            [(part.x + body.x0, part.y + body.y0, part.x + body.x1, part.y + body.y1) for _, part, body in bodies]
        )
        extra = 2.0 * (layout.width - WIDTH) + 2.0 * (layout.height - HEIGHT)
        over = _over_bodies(lines, boxes)
        return _CROSSING * _crossings(lines) + _BLOCKED * over + float(lengths @ weights) + extra


def _crossings(lines: np.ndarray) -> int:
    """Count the pairs of lines, shape (N, 4), that cross; a common end is no crossing."""
    start, end = lines[:, :2], lines[:, 2:]

    def side(point: np.ndarray) -> np.ndarray:
        along = end - start
        away = point[None, :, :] - start[:, None, :]
        return np.asarray(np.sign(along[:, None, 0] * away[..., 1] - along[:, None, 1] * away[..., 0]))

    apart = side(start) * side(end)
    return int(np.sum((apart < 0) & (apart.T < 0)) // 2)


def _over_bodies(lines: np.ndarray, boxes: np.ndarray) -> int:
    """Count where lines, shape (N, 4), run over boxes, shape (B, 4), those of the parts they join included."""
    along = np.linspace(0.1, 0.9, 7)[None, :, None]
    xs = lines[:, 0, None, None] + (lines[:, 2] - lines[:, 0])[:, None, None] * along
    ys = lines[:, 1, None, None] + (lines[:, 3] - lines[:, 1])[:, None, None] * along
    left, top, right, bottom = boxes.T
    inside = (xs > left) & (xs < right) & (ys > top) & (ys < bottom)
    return int(np.sum(inside.any(axis=1)))


def all_words(layout: Layout) -> Iterator[tuple[str, tuple[float, float, float, float]]]:
    """Yield the part and the box, pixels, of every line of words."""
    for name, part in layout.parts.items():
        for line in part.shape.words:
            yield name, replace(line, x=line.x + part.x, y=line.y + part.y).box()
