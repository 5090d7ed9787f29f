"""`Grid`: the cheapest way between places along the lines of a grid, for wires and links of a drawing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

Cell = tuple[int, int]
"""Column and row of the grid."""
NEVER = 1e6
"""Cost of a place that no way takes."""


class Grid:
    """Ways on a grid of places: two layers, one for ways across and one for ways down; a bend is a step between them.

    Parameters
    ----------
    width, height : int
        Places.
    bend : float
        What a bend costs, in steps.
    limit : float
        A way is looked for first among those that cost no more than this beyond their straight length.
    """

    def __init__(self, width: int, height: int, *, bend: float, limit: float) -> None:
        self.width, self.height, self.size = width, height, width * height
        self.limits = (limit, NEVER / 2)
        index = np.arange(self.size).reshape(height, width)
        across, down = index, index + self.size
        pairs = [(across[:, :-1], across[:, 1:]), (down[:-1], down[1:]), (across, down)]
        base = [1.0, 1.0, bend]
        rows, columns, costs = [], [], []
        for (one, other), each in zip(pairs, base):
            rows += [one.ravel(), other.ravel()]
            columns += [other.ravel(), one.ravel()]
            costs.append(np.full(2 * one.size, each))
        self.start = 2 * self.size
        every = np.arange(2 * self.size)
        row = np.concatenate([*rows, np.full(every.size, self.start)])
        column = np.concatenate([*columns, every])
        cost = np.concatenate([*costs, np.full(every.size, NEVER)])
        order = np.lexsort((column, row))
        row, self.column, self.base = row[order], column[order].astype(np.int32), cost[order]
        pointers = np.searchsorted(row, np.arange(self.start + 2))
        self.graph = csr_matrix((self.base.copy(), self.column, pointers), shape=(self.start + 1, self.start + 1))
        self.inner = int(pointers[self.start])
        """Where the edges from the start begin: one to each place of both layers, in their order."""
        self.row = row[: self.inner].astype(np.int32)
        self.across, self.below = (each.reshape(-1) for each in np.meshgrid(np.arange(width), np.arange(height)))

    def at(self, cell: Cell) -> int:
        """Return the index of a place in a layer."""
        return cell[1] * self.width + cell[0]

    def way(
        self, price: np.ndarray, sources: Mapping[Cell, float], targets: Mapping[Cell, float]
    ) -> tuple[tuple[Cell, ...], float] | None:
        """Return the cheapest way from any source to any target, each with a cost of its own, and what it costs.

        Parameters
        ----------
        price : ndarray, shape (2 · width · height,)
            What each place costs on a way across it, and then what it costs on a way down it; sources and targets
            cost nothing.
        sources, targets : mapping of cell to float
        """
        if not sources or not targets:
            return None
        left = np.min([abs(self.across - x) + abs(self.below - y) for x, y in targets], axis=0)
        left = np.concatenate([left, left])
        self._set(price, sources, targets, left)
        for limit in self.limits:
            costs, before = dijkstra(self.graph, indices=self.start, return_predecessors=True, limit=limit)
            best = min((costs[node] + cost, node) for cell, cost in targets.items() for node in self._both(cell))
            if best[0] <= limit:  # what lies further away is not cheaper
                break
        else:
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

    def costs(self, price: np.ndarray, sources: Mapping[Cell, float]) -> np.ndarray:
        """Return what the cheapest way from any source to each place costs, shape (height, width)."""
        self._set(price, sources)
        found = dijkstra(self.graph, indices=self.start, limit=NEVER / 2)
        return np.asarray(found[: self.start].reshape(2, self.height, self.width).min(axis=0))

    def _set(
        self,
        price: np.ndarray,
        sources: Mapping[Cell, float],
        targets: Iterable[Cell] = (),
        left: np.ndarray | None = None,
    ) -> None:
        """Enter prices and sources; with the steps that are left from each place, each step costs what it strays."""
        price = price.copy()
        ends = [self.at(cell) for cell in (*sources, *targets)]
        price[ends] = 0
        price[[end + self.size for end in ends]] = 0
        data = self.graph.data
        data[:] = self.base
        inner = data[: self.inner]
        if left is None:
            inner += price[self.column[: self.inner]]
        else:
            inner += (price + left)[self.column[: self.inner]]
            inner -= left[self.row]
        nearest = 0.0 if left is None else min(left[self.at(cell)] for cell in sources)
        for cell, cost in sources.items():
            nodes = self._both(cell)
            data[[self.inner + node for node in nodes]] = (
                cost + (0.0 if left is None else left[nodes[0]] - nearest) + 1e-9
            )

    def _both(self, cell: Cell) -> tuple[int, int]:
        return self.at(cell), self.at(cell) + self.size
