"""Ways for wires on a grid: along its lines, round bodies and words, with few crossings and none on top of another.

Each wire takes the cheapest way past those that lie there already: steps, bends and crossings cost. Then each is lifted
and laid anew until nothing changes. Where several lugs of one node would do as its end, the way decides.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from labkit.circuit.elements import GROUND
from labkit.core.joined import Joined
from labkit.rig.devices.plan import CAN, WIRES_A_LUG, Lug, SolderPlan, SolderWire, wire_between
from labkit.view.soldering.shapes import Cell

BEND = 1.5
CROSSING = 16.0
NEAR_A_LUG = 1.5
NOT_A_CAN = 12.0
"""What bends, crossings, the place beside a lug and a ground on another lug than a can cost, in steps."""
_OVERLAP = 60.0
_NEVER = 1e6
_PASSES = 6


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


class _Grid:
    """Two layers of places, one for ways across and one for ways down; a bend is a step from one to the other."""

    def __init__(self, width: int, height: int, open_places: np.ndarray) -> None:
        self.width, self.height, self.size = width, height, width * height
        index = np.arange(self.size).reshape(height, width)
        across, down = index, index + self.size
        pairs = [(across[:, :-1], across[:, 1:]), (down[:-1], down[1:]), (across, down)]
        base = [1.0, 1.0, BEND]
        rows, columns, costs = [], [], []
        for (one, other), each in zip(pairs, base):
            rows += [one.ravel(), other.ravel()]
            columns += [other.ravel(), one.ravel()]
            costs.append(np.full(2 * one.size, each))
        self.start = 2 * self.size
        every = np.arange(2 * self.size)
        row = np.concatenate([*rows, np.full(every.size, self.start)])
        column = np.concatenate([*columns, every])
        cost = np.concatenate([*costs, np.full(every.size, _NEVER)])
        is_open = np.append(np.tile(open_places, 2), True)
        kept = is_open[row] & is_open[column]
        row, column, cost = row[kept].astype(np.int32), column[kept].astype(np.int32), cost[kept]
        order = np.lexsort((column, row))
        self.row, self.column, self.base = row[order], column[order], cost[order]
        self.start_edge = np.full(2 * self.size, -1)
        pointers = np.searchsorted(self.row, np.arange(self.start + 2))
        self.graph = csr_matrix((self.base.copy(), self.column, pointers), shape=(self.start + 1, self.start + 1))
        self.inner = int(pointers[self.start])
        self.start_edge[self.column[self.inner :]] = np.arange(self.inner, len(self.column))

    def at(self, cell: Cell) -> int:
        return cell[1] * self.width + cell[0]

    def way(
        self, price: np.ndarray, sources: Mapping[Cell, float], targets: Mapping[Cell, float]
    ) -> tuple[tuple[Cell, ...], float] | None:
        """Return the cheapest way from any source to any target, each with a cost of its own."""
        price = price.copy()
        ends = [self.at(cell) for cell in (*sources, *targets)]
        price[ends] = 0
        price[[end + self.size for end in ends]] = 0
        data = self.graph.data
        data[:] = self.base
        inner = self.inner
        data[:inner] += 0.5 * (price[self.row[:inner]] + price[self.column[:inner]])
        for cell, cost in sources.items():
            data[self.start_edge[list(self._both(cell))]] = cost + 1e-9
        costs, before = dijkstra(self.graph, indices=self.start, return_predecessors=True)
        best = min(
            ((costs[node] + cost, node) for cell, cost in targets.items() for node in self._both(cell)),
            default=(_NEVER, 0),
        )
        if best[0] >= _NEVER / 2:
            return None
        cells: list[Cell] = []
        node = best[1]
        while node != self.start:
            place = node % self.size
            cell = (int(place % self.width), int(place // self.width))
            if not cells or cells[-1] != cell:
                cells.append(cell)
            node = int(before[node])
        return tuple(reversed(cells)), float(best[0])

    def _both(self, cell: Cell) -> tuple[int, int]:
        return self.at(cell), self.at(cell) + self.size


class Router:
    """Lays the wires of a plan between lugs at given places.

    Parameters
    ----------
    plan : SolderPlan
    places : mapping of Lug to tuple of cell
        Where each lug stands; a can has several places.
    blocked : iterable of cell
        What lies under bodies and words.
    width, height : int
        Of the grid.
    """

    def __init__(
        self,
        plan: SolderPlan,
        places: Mapping[Lug, tuple[Cell, ...]],
        blocked: Iterable[Cell],
        *,
        width: int,
        height: int,
    ) -> None:
        self.plan, self.places = plan, places
        self.lug_at = {cell: lug for lug, cells in places.items() for cell in cells}
        price = np.zeros((2, height, width))
        for x, y in self.lug_at:
            for across, down in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                if 0 <= x + across < width and 0 <= y + down < height:
                    price[:, y + down, x + across] += NEAR_A_LUG
        price[:, :, [0, -1]] = _NEVER
        price[:, [0, -1], :] = _NEVER
        for x, y in blocked:
            if 0 <= x < width and 0 <= y < height:
                price[:, y, x] = _NEVER
        for x, y in self.lug_at:
            price[:, y, x] = _NEVER
        open_places = price[0].reshape(-1) < _NEVER
        for x, y in self.lug_at:
            open_places[y * width + x] = True
        self.grid = _Grid(width, height, open_places)
        self.price = price.reshape(-1)
        self.wires = list(plan.wires)
        self.cells: dict[int, tuple[Cell, ...]] = {}
        self.used: dict[Cell, dict[int, str]] = {}
        self.ways = np.zeros((2, self.grid.size), dtype=int)

    def routes(self, passes: int = _PASSES) -> tuple[Route, ...]:
        """Lay all wires and return their ways in the order of the plan's wires; what finds no way is left out."""
        order = sorted(range(len(self.wires)), key=lambda number: self._far(self.wires[number]))
        for number in order:
            self._lay(number, self._sources(number))
        best: tuple[float, dict[int, tuple[Cell, ...]], list[SolderWire]] | None = None
        for _ in range(passes):
            for number in [each for each in order if each not in self.cells]:
                self._push_in(number)
            before = dict(self.cells)
            for number in sorted(self.cells, key=lambda each: -len(self.cells[each])):
                self._lay_anew(number)
            score = self._score()
            if best is None or score < best[0]:
                best = score, dict(self.cells), list(self.wires)
            if self.cells == before and len(self.cells) == len(self.wires):
                break
        assert best is not None
        self._restore(best[1], best[2])
        for _ in range(passes - 1):
            if not self._untangle():
                break
        return tuple(
            Route(wire=wire, cells=self.cells[number]) for number, wire in enumerate(self.wires) if number in self.cells
        )

    def _score(self) -> float:
        missing = len(self.wires) - len(self.cells)
        crossings = sum(len(wires) > 1 for wires in self.used.values())
        return 1e4 * missing + CROSSING * crossings + sum(map(len, self.cells.values()))

    def _restore(self, cells: Mapping[int, tuple[Cell, ...]], wires: Iterable[SolderWire]) -> None:
        for number in list(self.cells):
            self._lift(number)
        self.wires = list(wires)
        for number, way in cells.items():
            self._put(number, way)

    def _untangle(self) -> bool:
        """Lay each wire that crosses others first, and those after it; keep what is better. Say whether any was."""
        is_better = False
        order = sorted(self.cells, key=lambda number: -len(self._crossed_by(number)))
        for number in order:
            others = self._crossed_by(number) if number in self.cells else []
            if not others:
                continue
            score, cells, wires = self._score(), dict(self.cells), list(self.wires)
            for each in (number, *others):
                self._lift(each)
            laid = [self._lay(each, self._sources(each)) for each in (number, *others)]
            if all(laid):
                for each in (*others, number):
                    self._lay_anew(each)
            if self._score() < score:
                is_better = True
            else:
                self._restore(cells, wires)
        return is_better

    def _crossed_by(self, number: int) -> list[int]:
        others = [other for cell in self.cells[number] for other in self.used.get(cell, {}) if other != number]
        return list(dict.fromkeys(others))

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
        self, number: int, ends: tuple[Mapping[Cell, float], Mapping[Cell, float]], overlap: float = _NEVER
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
        for before, cell, after in zip(cells, cells[1:], cells[2:]):
            way = "across" if before[1] == after[1] else "down" if before[0] == after[0] else "bend"
            self.used.setdefault(cell, {})[number] = way
            self._count(cell, way, 1)

    def _count(self, cell: Cell, way: str, change: int) -> None:
        at = self.grid.at(cell)
        if way != "down":
            self.ways[0, at] += change
        if way != "across":
            self.ways[1, at] += change

    def _lift(self, number: int) -> tuple[Cell, ...]:
        cells = self.cells.pop(number)
        for cell in cells:
            mine = self.used.get(cell)
            if mine is not None and number in mine:
                self._count(cell, mine.pop(number), -1)
                if not mine:
                    del self.used[cell]
        return cells

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
