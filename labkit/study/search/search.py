"""Search: every combination of what may be chosen, on the batched solver, with ranges refined on top.

Choices are enumerated, so "nothing fits" is a statement about all of them. Continuous ranges are first covered by a
grid and then refined by a bounded simplex from the best point of every promising combination. Nothing is drawn at
random: the same goal gives the same answer, however the work is split.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, partial
from pathlib import Path

import numpy as np

from labkit.circuit.solve.solver import solve, solve_blocks
from labkit.core.errors import InputError
from labkit.rig.rig import Rig
from labkit.rig.variation import Variation
from labkit.study.measures import decibels
from labkit.study.search.goal import Freedom, Goal, applied, structural
from labkit.study.search.solution import SearchResult
from labkit.study.tolerance.draws import CELL
from labkit.study.work.reduction import State, fingerprint, reduce_chunks
from labkit.study.work.work import Watcher, Workers

GRID = {0: 1, 1: 17, 2: 9, 3: 6, 4: 5}
"""Grid points of each continuous range, by how many there are."""

KEPT = 64
"""Combinations carried along; the best `POLISHED` of them are refined."""


LARGEST = 200_000_000
"""Rows of the largest search: about an hour on one core."""


_variations: dict[tuple[str, int], Variation | str] = {}


@dataclass(frozen=True, slots=False, kw_only=True, eq=False)
class SearchPlan:
    """A search made ready: rows by number. Each is one structure, one choice of every number, one grid point."""

    goal: Goal
    structures: tuple[Mapping[str, str], ...]
    structure_costs: tuple[float, ...]
    discrete: tuple[Freedom, ...]
    continuous: tuple[Freedom, ...]
    key: str = field(default="")

    @cached_property
    def points(self) -> int:
        """Grid points of each continuous range."""
        return GRID.get(len(self.continuous), 4)

    @cached_property
    def shape(self) -> tuple[int, ...]:
        """Choices of every number, then grid points of every range."""
        return (*(len(item.choices) for item in self.discrete), *((self.points,) * len(self.continuous)))

    @property
    def rows(self) -> int:
        """Rows of one structure."""
        return math.prod(self.shape)

    @property
    def places(self) -> int:
        """Grid points of one combination of choices."""
        return int(self.points ** len(self.continuous))

    @property
    def combinations(self) -> int:
        """Combinations of choices in all."""
        return len(self.structures) * self.rows // self.places

    @property
    def blocks(self) -> int:
        """Chunks of one structure."""
        return math.ceil(self.rows / CELL)

    @property
    def chunks(self) -> int:
        """Chunks in all."""
        return self.blocks * len(self.structures)

    def rig(self, structure: int) -> Rig:
        """Return the rig of a structure."""
        return applied(self.goal.rig, self.structures[structure])

    def variation(self, structure: int) -> Variation | str:
        """Return the variation of a structure, or why it cannot be built."""
        found = _variations.get((self.key, structure))
        if found is None:
            try:
                found = Variation(self.rig(structure), self.ranges)
            except InputError as error:
                found = str(error)
            if len(_variations) >= 64:
                _variations.clear()
            _variations[self.key, structure] = found
        return found

    @cached_property
    def ranges(self) -> dict[str, tuple[float, float]]:
        """Range of every number."""
        found = {item.name: (min(item.choices), max(item.choices)) for item in self.discrete}
        return found | {item.name: (item.low, item.high) for item in self.continuous}

    def columns(self, rows: np.ndarray) -> dict[str, np.ndarray]:
        """Return the numbers of rows, SI."""
        if not self.shape:
            return {}
        places = np.unravel_index(rows, self.shape)
        found: dict[str, np.ndarray] = {}
        for item, place in zip(self.discrete, places):
            found[item.name] = np.array(item.choices, dtype=float)[place]
        for item, place in zip(self.continuous, places[len(self.discrete) :]):
            found[item.name] = item.low + (item.high - item.low) * place / (self.points - 1)
        return found

    def costs(self, structure: int, rows: np.ndarray) -> np.ndarray:
        """Return the cost of rows."""
        total = np.full(rows.shape, self.structure_costs[structure])
        if self.shape:
            for item, place in zip(self.discrete, np.unravel_index(rows, self.shape)):
                if item.prices:
                    total = total + np.array(item.prices)[place]
        return total

    def values(self, variation: Variation, columns: Mapping[str, np.ndarray]) -> np.ndarray:
        """Return what every target is for rows of numbers, shape (targets, V)."""
        frequency = self.goal.frequency_hz
        elements = variation.values(columns)
        if elements and any(np.ndim(value) for value in elements.values()):
            parts = []
            for _, curves in solve_blocks(variation.circuit, frequency, elements):
                levels = decibels(curves)
                parts.append([target.values(frequency, levels) for target in self.goal.targets])
            return np.concatenate([np.array(part) for part in parts], axis=1)
        levels = decibels(solve(variation.circuit, frequency).transfer[None])
        return np.array([target.values(frequency, levels) for target in self.goal.targets])

    def misses(self, values: np.ndarray) -> np.ndarray:
        """Return by how many allowances values miss every target, shape as given."""
        return np.array([target.misses(row) for target, row in zip(self.goal.targets, values)])

    def __call__(self, chunk: int) -> State:
        """Compute one chunk."""
        structure, block = divmod(chunk, self.blocks)
        rows = np.arange(block * CELL, min((block + 1) * CELL, self.rows))
        state = empty_state(self)
        costs = self.costs(structure, rows)
        state["cheapest"] = np.array(costs.min())
        if self.goal.budget is not None:
            state["over_budget"] += np.count_nonzero(costs > self.goal.budget)
            rows = rows[costs <= self.goal.budget]
        variation = self.variation(structure)
        if isinstance(variation, str):
            state["unbuildable"] += rows.size
            return state
        if not rows.size:
            return state
        values = self.values(variation, self.columns(rows))
        if values.shape[1] != rows.size:  # nothing varies but the structure
            values = np.broadcast_to(values, (values.shape[0], rows.size))
        misses = self.misses(values)
        state["tried"] += rows.size
        known = np.where(np.isnan(values), np.inf, values)
        state["least"] = known.min(axis=1)
        state["greatest"] = np.where(np.isnan(values), -np.inf, values).max(axis=1)
        state["nearest"] = np.abs(misses).min(axis=1)
        misfit = np.sum(misses * misses, axis=0)
        order = np.lexsort((rows, misfit))
        state["misfit"], state["row"] = misfit[order], structure * self.rows + rows[order]
        return _trimmed(self, state)


def search_plan(goal: Goal) -> SearchPlan:
    """Make a search ready.

    Raises
    ------
    InputError
        If it is too large to be enumerated.
    """
    chosen = structural(goal.freedoms)
    numbers = [item for item in goal.freedoms if item.input is not None]
    structures, costs = [], []
    for places in itertools.product(*(range(len(item.choices)) for item in chosen)):
        structures.append({item.name: item.choices[place] for item, place in zip(chosen, places)})
        costs.append(math.fsum(item.prices[place] for item, place in zip(chosen, places) if item.prices))
    plan = SearchPlan(
        goal=goal,
        structures=tuple(structures),
        structure_costs=tuple(costs),
        discrete=tuple(item for item in numbers if not item.is_continuous),
        continuous=tuple(item for item in numbers if item.is_continuous),
        key=fingerprint(
            goal.rig,
            [repr(item) for item in goal.freedoms],
            goal.budget,
            goal.frequency_hz.tolist(),
            [[target.text, None if target.curve_db is None else target.curve_db.tolist()] for target in goal.targets],
        ),
    )
    if plan.rows * len(structures) > LARGEST:
        raise InputError(
            f"goal '{goal.name}': {plan.rows * len(structures):.3g} combinations are too many; take fewer choices, a "
            "coarser series, or fewer ranges"
        )
    return plan


def run_search(
    goal: Goal | SearchPlan,
    *,
    workers: Workers = None,
    watcher: Watcher | None = None,
    stop: Callable[[], bool] | None = None,
    record: Path | None = None,
) -> SearchResult:
    """Search for values that meet a goal.

    Parameters
    ----------
    goal : Goal or SearchPlan
    workers : int, Executor or None
        As in `labkit.study.work.work.run_chunks`; does not change the result.
    watcher, stop, record
        As in `labkit.study.work.reduction.reduce_chunks`.

    Returns
    -------
    SearchResult
        The best distinct solutions, best first; where none meets the goal, why.
    """
    plan = goal if isinstance(goal, SearchPlan) else search_plan(goal)
    state, complete = reduce_chunks(
        plan,
        plan.chunks,
        empty_state(plan),
        partial(_merged, plan),
        fingerprint=plan.key,
        workers=workers,
        watcher=watcher,
        stop=stop,
        record=record,
    )
    from labkit.study.search.refine import result_of  # refines plans, and so comes after them

    return result_of(plan, state, complete)


def empty_state(plan: SearchPlan) -> State:
    """Return the state before the first chunk."""
    count = len(plan.goal.targets)
    return {
        "misfit": np.zeros(0),
        "row": np.zeros(0, dtype=np.int64),
        "least": np.full(count, np.inf),
        "greatest": np.full(count, -np.inf),
        "nearest": np.full(count, np.inf),
        "tried": np.array(0, dtype=np.int64),
        "over_budget": np.array(0, dtype=np.int64),
        "unbuildable": np.array(0, dtype=np.int64),
        "cheapest": np.array(np.inf),
    }


def _merged(plan: SearchPlan, state: State, part: State) -> State:
    joined = {name: state[name] + part[name] for name in ("tried", "over_budget", "unbuildable")}
    joined |= {name: np.minimum(state[name], part[name]) for name in ("least", "nearest", "cheapest")}
    joined["greatest"] = np.maximum(state["greatest"], part["greatest"])
    misfit, row = (np.concatenate([state[name], part[name]]) for name in ("misfit", "row"))
    order = np.lexsort((row, misfit))
    return _trimmed(plan, joined | {"misfit": misfit[order], "row": row[order]})


def _trimmed(plan: SearchPlan, state: State) -> State:
    """Keep the best row of each of the best combinations of choices (rows, where nothing is to be chosen)."""
    group = state["row"] // (plan.places if plan.combinations > 1 else 1)
    _, first = np.unique(group, return_index=True)
    kept = np.sort(first)[:KEPT]
    return state | {"misfit": state["misfit"][kept], "row": state["row"][kept]}
