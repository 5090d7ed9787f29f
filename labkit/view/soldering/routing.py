"""Ways for wires on a grid: along its lines, round bodies and words, with few crossings and none on top of another.

Each wire takes the cheapest way past those that lie there already: steps, bends and crossings cost. Then each is lifted
and laid anew until nothing changes. Where several lugs of one node would do as its end, the way decides. At last each
part is lifted with its wires and put down, turned as it may be, where the ways to what they join are cheapest.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from labkit.circuit.elements import GROUND
from labkit.core.joined import Joined
from labkit.rig.devices.plan import CAN, WIRES_A_LUG, Lug, SolderPlan, SolderWire, wire_between
from labkit.view.grid import NEVER, Cell, Grid
from labkit.view.soldering.layout import Layout, Placed
from labkit.view.soldering.shapes import Footprint

FIXED = ("pickup", "jack", "bridge")
"""Kinds of parts that keep their place."""
BEND = 1.5
CROSSING = 60.0
NEAR_A_LUG = 1.5
IN_THE_WAY = 1.0
NOT_A_CAN = 12.0
"""What bends, crossings, the place beside a lug, a wire under a part that is moved, and a ground on another lug than a
can cost, in steps."""
LEG = 2.0
"""A leg of a small part counts as so many times its length, for it should be no longer than a leg."""
_OVERLAP = 60.0
_PASSES = 4
_HOPE = CROSSING
"""What a change may cost that is worked on, for wires that are laid anew may still become better."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """A wire and the places it runs through, from its first lug to its other."""

    wire: SolderWire
    cells: tuple[Cell, ...]

    def corners(self) -> tuple[Cell, ...]:
        """Return its ends and the places where it turns."""
        cells = self.cells
        turns = [
            cell
            for before, cell, after in zip(cells, cells[1:], cells[2:])
            if before[0] != after[0] and before[1] != after[1]
        ]
        return cells[0], *turns, cells[-1]


class Router:
    """Lays the wires of a plan between the lugs of placed parts, and moves parts to where their wires lie better.

    Parameters
    ----------
    plan : SolderPlan
    layout : Layout
    shapes : mapping of str to tuple of Footprint
        The ways in which each part may be drawn.
    """

    def __init__(self, plan: SolderPlan, layout: Layout, shapes: Mapping[str, tuple[Footprint, ...]]) -> None:
        self.plan, self.sheet, self.shapes = plan, layout, shapes
        self.parts: dict[str, Placed] = {}
        self.places: dict[Lug, tuple[Cell, ...]] = {}
        self.lug_at: dict[Cell, Lug] = {}
        self.grid = Grid(layout.width, layout.height, bend=BEND, limit=CROSSING + 15.0)
        self.taken = np.zeros((layout.height, layout.width), dtype=int)
        self.beside = np.zeros((layout.height, layout.width))
        for x, y in layout.margin():
            self.taken[y, x] = 1
        for part in layout.parts.values():
            self._stand(part)
        self.wires = list(plan.wires)
        self.cells: dict[int, tuple[Cell, ...]] = {}
        self.used: dict[Cell, dict[int, str]] = {}
        self.ways = np.zeros((2, self.grid.size), dtype=int)

    @property
    def layout(self) -> Layout:
        """Where the parts stand now."""
        return replace(self.sheet, parts=self.parts)

    def _stand(self, part: Placed, change: int = 1) -> None:
        """Put a part at its place, or take it away where the change is -1."""
        lugs = {cell: Lug(part.part, lug) for lug in part.shape.lugs for cell in part.cells(lug)}
        for x, y in part.blocked() | set(lugs):
            if 0 <= x < self.grid.width and 0 <= y < self.grid.height:
                self.taken[y, x] += change
        for x, y in lugs:
            for across, down in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                self.beside[y + down, x + across] += change * NEAR_A_LUG
        if change > 0:
            self.parts[part.part] = part
            self.lug_at |= lugs
            self.places |= {Lug(part.part, lug): part.cells(lug) for lug in part.shape.lugs}
        else:
            for cell in lugs:
                del self.lug_at[cell]
        price = self.beside + np.where(self.taken > 0, NEVER, 0.0)
        self.price = np.concatenate([price.reshape(-1)] * 2)

    @property
    def routes(self) -> tuple[Route, ...]:
        """The ways of all wires that found one, in the order of the plan's wires."""
        return tuple(
            Route(wire=wire, cells=self.cells[number]) for number, wire in enumerate(self.wires) if number in self.cells
        )

    def lay(self, passes: int = 1) -> None:
        """Lay all wires, and so many times each anew; what finds no way is left out."""
        order = sorted(range(len(self.wires)), key=lambda number: self._far(self.wires[number]))
        for number in [each for each in order if each not in self.cells]:
            self._lay(number, self._sources(number))
        best: tuple[float, dict[int, tuple[Cell, ...]], list[SolderWire]] | None = None
        for _ in range(passes):
            for number in [each for each in order if each not in self.cells]:
                self._push_in(number)
            before = dict(self.cells)
            for number in sorted(self.cells, key=lambda each: -len(self.cells[each])):
                self._lay_anew(number)
            if best is None or self.score < best[0]:
                best = self.score, dict(self.cells), list(self.wires)
            if self.cells == before and len(self.cells) == len(self.wires):
                break
        if best is not None:
            self._restore(best[1], best[2])

    def settle(self) -> bool:
        """Lay wires that are missing, move parts and disentangle wires once; say whether anything became better."""
        if len(self.cells) < len(self.wires):
            self.lay(_PASSES)
        return self.improve() | self._untangle()

    @property
    def score(self) -> float:
        """What its wires cost together: those that found no way, crossings and length."""
        missing = len(self.wires) - len(self.cells)
        crossings = sum(len(wires) > 1 for wires in self.used.values())
        length = sum(len(cells) * (LEG if self.wires[number].is_leg else 1.0) for number, cells in self.cells.items())
        return 1e4 * missing + CROSSING * crossings + length

    def _restore(self, cells: Mapping[int, tuple[Cell, ...]], wires: Iterable[SolderWire]) -> None:
        for number in list(self.cells):
            if cells.get(number) != self.cells[number]:
                self._lift(number)
        self.wires = list(wires)
        for number, way in cells.items():
            if number not in self.cells:
                self._put(number, way)

    def _untangle(self) -> bool:
        """Lay each wire that crosses others first, and those after it; keep what is better. Say whether any was."""
        is_better = False
        order = sorted(self.cells, key=lambda number: -len(self._crossed_by(number)))
        for number in order:
            others = self._crossed_by(number) if number in self.cells else []
            if not others:
                continue
            score, cells, wires = self.score, dict(self.cells), list(self.wires)
            for each in (number, *others):
                self._lift(each)
            if all(self._lay(each, self._sources(each)) for each in (number, *others)) and self.score < score + _HOPE:
                for each in (*others, number):
                    self._lay_anew(each)
            if self.score < score:
                is_better = True
            else:
                self._restore(cells, wires)
        return is_better

    def improve(self) -> bool:
        """Move each part, with its wires, to where these lie best; say whether anything became better."""
        is_better = False
        for name in list(self.parts):
            if self.shapes[name] and self._move(name):
                is_better = True
        return is_better

    def _move(self, name: str) -> bool:
        numbers = [number for number in self.cells if name in self._names(number)]
        if all(map(self._is_plain, numbers)):
            return False
        score, cells, wires, part = self.score, dict(self.cells), list(self.wires), self.parts[name]
        for number in numbers:
            self._lift(number)
        self._stand(part, -1)
        best = self._best_place(part, numbers)
        self._stand(best)
        ground = best.blocked() | {cell for lug in best.shape.lugs for cell in best.cells(lug)}
        numbers += list(dict.fromkeys(number for cell in ground for number in self.used.get(cell, ())))
        for number in [each for each in numbers if each in self.cells]:
            self._lift(number)
        is_laid = all(self._lay(number, self._sources(number)) for number in sorted(numbers, key=self._far_of))
        if is_laid and self.score < score + _HOPE:
            for number in numbers:
                self._lay_anew(number)
            if self.score < score:
                return True
        for number in [each for each in numbers if each in self.cells]:
            self._lift(number)
        self._stand(self.parts[name], -1)
        self._stand(part)
        self._restore(cells, wires)
        return False

    def _names(self, number: int) -> tuple[str, str]:
        return self.wires[number].one.part, self.wires[number].other.part

    def _best_place(self, part: Placed, numbers: Sequence[int]) -> Placed:
        """Where the ways from what its wires join to its lugs cost least, for all places with room and all turns."""
        prices = self._prices(overlap=NEVER)
        maps: list[tuple[str, np.ndarray]] = []
        pulled = {number: self.wires[number] for number in numbers}
        for wire in pulled.values():
            mine, other = (wire.one, wire.other) if wire.one.part == part.part else (wire.other, wire.one)
            if other.part == part.part:
                continue
            others = [each for number, each in enumerate(self.wires) if number not in pulled and each.node == wire.node]
            joined = Joined((each.one, each.other) for each in others)
            used = Counter(lug for each in others for lug in (each.one, each.other))
            lugs = dict.fromkeys((other, *(lug for each in others for lug in (each.one, each.other))))
            cells = {
                cell: 0.0
                for lug in lugs
                if joined.same(lug, other)
                and used[lug] < self.plan.parts[lug.part].room(lug.lug)
                and lug.part != part.part
                for cell in self.places[lug]
            }
            maps.append((mine.lug, self.grid.costs(prices, cells) * (LEG if wire.is_leg else 1.0)))
        is_free = self.taken == 0
        wires = (self.ways.sum(axis=0).reshape(is_free.shape) > 0) * IN_THE_WAY
        best = (math.inf, part)
        for shape in self.shapes[part.part]:
            cost, room = self._cost_of_places(shape, maps, is_free, wires)
            if self.plan.parts[part.part].kind in FIXED:
                room[:] = False
                room[part.y, part.x] = True
            cost[~room] = math.inf
            y, x = np.unravel_index(int(np.argmin(cost)), cost.shape)
            if cost[y, x] < best[0]:
                best = float(cost[y, x]), Placed(part=part.part, shape=shape, x=int(x), y=int(y))
        return best[1]

    def _cost_of_places(
        self, shape: Footprint, maps: Iterable[tuple[str, np.ndarray]], is_free: np.ndarray, wires: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Cost of the ways, and whether there is room, for each place of a shape's corner; shape (height, width)."""
        height, width = is_free.shape
        cells = Placed(part="", shape=shape, x=0, y=0).blocked() | {
            cell for each in shape.lugs.values() for cell in each
        }
        left, right = min(x for x, _ in cells), max(x for x, _ in cells)
        top, bottom = min(y for _, y in cells), max(y for _, y in cells)

        def shifted(values: np.ndarray, x: int, y: int, fill: float | bool) -> np.ndarray:
            found = np.full_like(values, fill)
            inner = values[max(0, y) : height + min(0, y), max(0, x) : width + min(0, x)]
            found[max(0, -y) : max(0, -y) + inner.shape[0], max(0, -x) : max(0, -x) + inner.shape[1]] = inner
            return found

        def all_of(values: np.ndarray, x0: int, x1: int, y0: int, y1: int) -> np.ndarray:
            across = np.all([shifted(values, x, 0, False) for x in range(x0, x1 + 1)], axis=0)
            return np.asarray(np.all([shifted(across, 0, y, False) for y in range(y0, y1 + 1)], axis=0))

        room = all_of(is_free, left - 1, right + 1, top - 1, bottom + 1)
        across = np.sum([shifted(wires, x, 0, 0.0) for x in range(left, right + 1)], axis=0)
        cost = np.sum([shifted(across, 0, y, 0.0) for y in range(top, bottom + 1)], axis=0)
        for lug, values in maps:
            cost += np.min([shifted(values, x, y, math.inf) for x, y in shape.lugs[lug]], axis=0)
        return cost, room

    def _crossed_by(self, number: int) -> list[int]:
        others = [other for cell in self.cells[number] for other in self.used.get(cell, {}) if other != number]
        return list(dict.fromkeys(others))

    def _far_of(self, number: int) -> int:
        return self._far(self.wires[number])

    def _far(self, wire: SolderWire) -> int:
        return min(
            abs(one[0] - other[0]) + abs(one[1] - other[1])
            for one in self.places[wire.one]
            for other in self.places[wire.other]
        )

    def _is_fixed(self, wire: SolderWire) -> bool:
        """Say whether both ends must stay: a lug's link to its own can, and what a screened lead is soldered to."""
        kinds = [self.plan.parts[lug.part].kind for lug in (wire.one, wire.other)]
        is_own_can = wire.mark == "link" and CAN in (wire.one.lug, wire.other.lug)
        return is_own_can or "screened lead" in kinds

    def _ends(self, number: int) -> tuple[list[Lug], list[Lug]]:
        """The lugs that a wire may join: those on its one side and those on its other, where there is room."""
        wire = self.wires[number]
        if self._is_fixed(wire):
            return [wire.one], [wire.other]
        others = [each for index, each in enumerate(self.wires) if index != number and each.node == wire.node]
        joined = Joined((each.one, each.other) for each in others)
        used = Counter(lug for each in others for lug in (each.one, each.other))
        lugs = dict.fromkeys((wire.one, wire.other, *(lug for each in others for lug in (each.one, each.other))))
        sides: list[list[Lug]] = []
        for end in (wire.one, wire.other):
            side = [
                lug for lug in lugs if joined.same(lug, end) and used[lug] < self.plan.parts[lug.part].room(lug.lug)
            ]
            sides.append(side)
        hubs = [[lug for lug in side if self.plan.parts[lug.part].room(lug.lug) > 1] for side in sides]
        if any(hubs):  # two bare ends are twisted together only where there is no lug
            sides = [side if other else hub or side for side, hub, other in zip(sides, hubs, (hubs[1], hubs[0]))]
        return sides[0], sides[1]

    def _sources(self, number: int) -> tuple[dict[Cell, float], dict[Cell, float]]:
        wire = self.wires[number]
        ended = Counter(cell for cells in self.cells.values() for cell in (cells[0], cells[-1]))
        found: list[dict[Cell, float]] = []
        for side in self._ends(number):
            cells: dict[Cell, float] = {}
            for lug in side:
                is_poor = (
                    wire.node == GROUND
                    and lug.lug != CAN
                    and self.plan.parts[lug.part].room(lug.lug) > 1
                    and lug not in (wire.one, wire.other)
                )
                for cell in self.places[lug]:
                    if ended[cell] < WIRES_A_LUG:
                        cells[cell] = NOT_A_CAN if is_poor else 0.0
            found.append(cells)
        return found[0], found[1]

    def _prices(self, *, overlap: float) -> np.ndarray:
        """What each place costs with the wires that lie there: across it, and down it."""
        is_crossed = (self.ways.sum(axis=0) > 0) * CROSSING
        return self.price + np.where(self.ways > 0, overlap, is_crossed).reshape(-1)

    def _lay(
        self, number: int, ends: tuple[Mapping[Cell, float], Mapping[Cell, float]], overlap: float = NEVER
    ) -> bool:
        found = self.grid.way(self._prices(overlap=overlap), *ends)
        if found is None:
            return False
        self._put(number, found[0])
        return True

    def _put(self, number: int, cells: tuple[Cell, ...]) -> None:
        one, other = self.lug_at[cells[0]], self.lug_at[cells[-1]]
        self.wires[number] = wire_between(self.plan.parts, one, other, self.wires[number].node)
        self.cells[number] = cells
        self._mark(number, 1)

    def _mark(self, number: int, change: int) -> None:
        """Enter a wire among those that lie at its places, or strike it out where the change is -1."""
        across, down = [], []
        cells = self.cells[number]
        for before, cell, after in zip(cells, cells[1:], cells[2:]):
            way = "across" if before[1] == after[1] else "down" if before[0] == after[0] else "bend"
            if way != "down":
                across.append(self.grid.at(cell))
            if way != "across":
                down.append(self.grid.at(cell))
            if change > 0:
                self.used.setdefault(cell, {})[number] = way
            elif len(self.used[cell]) == 1:
                del self.used[cell]
            else:
                del self.used[cell][number]
        self.ways[0, across] += change
        self.ways[1, down] += change

    def _lift(self, number: int) -> tuple[Cell, ...]:
        self._mark(number, -1)
        return self.cells.pop(number)

    def _is_plain(self, number: int) -> bool:
        """Say whether a wire could not lie better: as short as may be, with no crossing."""
        cells = self.cells[number]
        shortest = abs(cells[0][0] - cells[-1][0]) + abs(cells[0][1] - cells[-1][1]) + 1
        return len(cells) == shortest and all(len(self.used[cell]) == 1 for cell in cells[1:-1])

    def _lay_anew(self, number: int) -> None:
        if number not in self.cells or self._is_plain(number):
            return
        wire, cells = self.wires[number], self._lift(number)
        if not self._lay(number, self._sources(number)):
            self.wires[number] = wire
            self._lay(number, ({cells[0]: 0.0}, {cells[-1]: 0.0}))

    def _push_in(self, number: int) -> None:
        """Lay a wire over others where it must, and lay those anew."""
        if not self._lay(number, self._sources(number), overlap=_OVERLAP):
            return
        over = [
            other
            for cell in self.cells[number]
            for other, way in self.used.get(cell, {}).items()
            if other != number and (way == "bend" or self.used[cell].get(number) in (way, "bend"))
        ]
        for other in dict.fromkeys(over):
            self._lift(other)
        for other in dict.fromkeys(over):
            self._lay(other, self._sources(other))
