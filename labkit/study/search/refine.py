"""The last step of a search: ranges refined, solutions made distinct and ranked, and what is said where none fits."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from labkit.rig.variation import Variation
from labkit.study.search.search import SearchPlan
from labkit.study.search.solution import SearchResult, SearchSolution, explain, gives_up

POLISHED = 16
"""Of the best combinations, those whose ranges are refined."""

SAME_MISS = 0.05
"""Allowances: solutions whose targets differ by less do the same."""


def result_of(plan: SearchPlan, state: Mapping[str, np.ndarray], complete: bool) -> SearchResult:
    found = [_polished(plan, int(row)) for row in state["row"][:POLISHED]]
    found += [_solution(plan, *divmod(int(row), plan.rows), None) for row in state["row"][POLISHED:]]
    found.sort(key=lambda solution: (not solution.fits, round(solution.misfit, 6), solution.cost, solution.misfit))
    distinct: list[SearchSolution] = []
    for solution in found:
        if not any(_is_same(plan, solution, other) for other in distinct):
            distinct.append(solution)
    best = _various(plan, distinct)[: plan.goal.results]
    cheapest = min((item.cost for item in distinct if item.fits), default=None)
    solutions = tuple(gives_up(plan.goal, solution, cheapest) for solution in best)
    fits = any(solution.fits for solution in solutions)
    proof = ""
    if complete and not fits:
        # Ranges are looked through between the grid points before nothing is said to fit.
        sure = certify(plan) if plan.continuous and int(state["tried"]) else None
        proof = sure.text if sure is not None else f"All {plan.combinations} combinations were computed."
        if sure is not None and sure.found is not None:
            rescued = _polished(plan, sure.found[0], sure.found[1])
            if rescued.fits:
                solutions, fits, proof = (gives_up(plan.goal, rescued, None), *solutions), True, ""
    reason = "" if fits else explain(plan, state, solutions)
    return SearchResult(
        goal=plan.goal,
        solutions=solutions,
        fits=fits,
        complete=complete,
        combinations=plan.combinations,
        tried=int(state["tried"]),
        over_budget=int(state["over_budget"]),
        unbuildable=int(state["unbuildable"]),
        reachable=tuple(zip(state["least"].tolist(), state["greatest"].tolist())),
        reason=reason,
        proof=proof,
    )


def _various(plan: SearchPlan, solutions: list[SearchSolution]) -> list[SearchSolution]:
    """Put solutions that do the same as a better one by one other choice behind those that are something else."""
    first: list[SearchSolution] = []
    later: list[SearchSolution] = []
    names = [item.name for item in plan.goal.freedoms if not item.is_continuous]
    for solution in solutions:
        twins = (
            sum(solution.choices[name] != other.choices[name] for name in names) <= 1
            and max(abs(a - b) for a, b in zip(solution.misses, other.misses)) < SAME_MISS
            for other in first
            if solution.fits == other.fits
        )
        (later if any(twins) else first).append(solution)
    # What fits stays before what does not.
    return sorted([*first, *later], key=lambda solution: not solution.fits)


def _polished(plan: SearchPlan, row: int, place: np.ndarray | None = None) -> SearchSolution:
    """Refine the continuous numbers of a row inside their ranges."""
    structure, own = divmod(row, plan.rows)
    if not plan.continuous:
        return _solution(plan, structure, own, None)
    from scipy.optimize import minimize, minimize_scalar

    variation = plan.variation(structure)
    assert isinstance(variation, Variation)
    columns = plan.columns(np.array([own]))

    def misfit(point: np.ndarray) -> float:
        values = plan.values(variation, columns | _at(plan, point))
        missed = plan.misses(values)[:, 0]
        return float(min(np.sum(missed * missed), 1e30))

    if place is None:
        place = np.array(np.unravel_index(own, plan.shape)[len(plan.discrete) :]) / (plan.points - 1)
    step = 1 / (plan.points - 1)
    if len(place) == 1:
        low, high = max(float(place[0]) - step, 0.0), min(float(place[0]) + step, 1.0)
        narrowed = minimize_scalar(
            lambda part: misfit(np.array([part])), bounds=(low, high), method="bounded", options={"xatol": 1e-6}
        )
        best = np.array([narrowed.x]) if narrowed.fun < misfit(place) else place
        return _solution(plan, structure, own, best)
    simplex = np.vstack([place, place + np.diag(np.where(place > 0.5, -step, step))])
    found = minimize(
        misfit,
        place,
        method="Nelder-Mead",
        bounds=[(0.0, 1.0)] * len(place),
        options={"initial_simplex": simplex, "xatol": 1e-5, "fatol": 1e-9, "maxiter": 100 * len(place)},
    )
    return _solution(plan, structure, own, np.asarray(found.x))


def _at(plan: SearchPlan, point: np.ndarray) -> dict[str, np.ndarray]:
    return {
        item.name: np.array([item.low + (item.high - item.low) * float(part)])
        for item, part in zip(plan.continuous, point)
    }


def _solution(plan: SearchPlan, structure: int, row: int, point: np.ndarray | None) -> SearchSolution:
    variation = plan.variation(structure)
    assert isinstance(variation, Variation)
    rows = np.array([row])
    columns = plan.columns(rows) | ({} if point is None else _at(plan, point))
    values = plan.values(variation, columns)
    misses = plan.misses(values)[:, 0]
    numbers: dict[str, Any] = {name: float(column[0]) for name, column in columns.items()}
    chosen = {**plan.structures[structure], **numbers}
    return SearchSolution(
        choices={item.name: chosen[item.name] for item in plan.goal.freedoms},
        values=tuple(values[:, 0].tolist()),
        misses=tuple(misses.tolist()),
        misfit=float(np.sum(misses * misses)),
        cost=float(plan.costs(structure, rows)[0]),
        fits=bool(np.all(np.abs(misses) <= 1)),
        rig=variation.rig if not numbers else variation.variant(numbers),
    )


def _is_same(plan: SearchPlan, one: SearchSolution, other: SearchSolution) -> bool:
    """Say whether two solutions share every choice, and every continuous number within 5 % of its range."""
    for item in plan.goal.freedoms:
        first, second = one.choices[item.name], other.choices[item.name]
        if item.is_continuous:
            if abs(first - second) > 0.05 * (item.high - item.low):
                return False
        elif first != second:
            return False
    return True


SAFETY = 2.0
MOST_POINTS = 400_000
SMALLEST = 2.0**-10
"""Side of a box, as a part of its range, below which it is given up as open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """How far a search could exclude a fit.

    Attributes
    ----------
    excluded : bool
    boxes : int
    found : (row, place) or None
        A point that does fit after all.
    text : str
    """

    excluded: bool
    boxes: int
    found: tuple[int, np.ndarray] | None
    text: str


def certify(plan: SearchPlan) -> Certificate:
    """Look for a fit between the grid points: boxes of the continuous ranges are cut up until none can hold one.

    In each box every target is computed at its middle and the middles of its faces. Twice the steepest change met
    bounds what the box can hold; a box in which some target stays beyond its allowance is done with, any other is
    halved along its longest side. The bound is measured, not proven: `Certificate.text` says so.
    """
    dimensions = len(plan.continuous)
    combinations = plan.rows // plan.places
    points, boxes, left_open = 0, 0, 0
    for structure in range(len(plan.structures)):
        variation = plan.variation(structure)
        if isinstance(variation, str):
            continue
        rows = np.arange(combinations) * plan.places
        if plan.goal.budget is not None:
            rows = rows[plan.costs(structure, rows) <= plan.goal.budget]
        row = rows
        middle, half = np.full((rows.size, dimensions), 0.5), np.full((rows.size, dimensions), 0.5)
        while row.size:
            points += row.size * (2 * dimensions + 1)
            boxes += row.size
            misses = _misses(plan, variation, row, middle, half)
            centre = misses[:, :, 0]
            fit = np.flatnonzero(np.all(np.abs(centre) <= 1, axis=0))
            if fit.size:
                at = int(fit[0])
                return Certificate(
                    excluded=False, boxes=boxes, found=(structure * plan.rows + int(row[at]), middle[at]), text=""
                )
            reach = np.zeros(centre.shape)
            with np.errstate(invalid="ignore"):
                for axis in range(dimensions):
                    ends = misses[:, :, 1 + 2 * axis : 3 + 2 * axis]
                    # No peak here and none there is no change; a peak that comes or goes is any change.
                    change = np.abs(ends - centre[:, :, None])
                    change = np.where(np.isnan(change), 0.0, change)
                    reach += SAFETY * change.max(axis=2)
                gone = np.any((np.abs(centre) - reach > 1) | (np.isinf(centre) & (reach == 0)), axis=0)
            row, middle, half = row[~gone], middle[~gone], half[~gone]
            if points > MOST_POINTS:
                left_open += row.size
                break
            small = half.max(axis=1, initial=0.0) < SMALLEST / 2
            left_open += int(np.count_nonzero(small))
            row, middle, half = _halved(row[~small], middle[~small], half[~small])
    text = (
        f"All {plan.combinations} combinations of choices were looked through over the whole of "
        f"{'their range' if dimensions == 1 else 'their ranges'}, cut into {boxes} boxes; "
    )
    if left_open:
        text += f"{left_open} boxes too small to matter stayed open, so a fit in one of them is not excluded."
    else:
        text += (
            f"in every box some target stays beyond its allowance even if it changes {SAFETY:g} times as steeply as "
            "measured there."
        )
    return Certificate(excluded=not left_open, boxes=boxes, found=None, text=text)


def _misses(
    plan: SearchPlan, variation: Variation, row: np.ndarray, middle: np.ndarray, half: np.ndarray
) -> np.ndarray:
    """Return misses at the middles of boxes and of their faces, shape (targets, boxes, 1 + 2·dimensions)."""
    dimensions = middle.shape[1]
    offsets = np.zeros((1 + 2 * dimensions, dimensions))
    for axis in range(dimensions):
        offsets[1 + 2 * axis, axis], offsets[2 + 2 * axis, axis] = -1.0, 1.0
    places = (middle[:, None, :] + offsets[None] * half[:, None, :]).reshape(-1, dimensions)
    columns = {name: np.repeat(column, len(offsets)) for name, column in plan.columns(row).items()}
    for axis, item in enumerate(plan.continuous):
        columns[item.name] = item.low + (item.high - item.low) * places[:, axis]
    misses = plan.misses(plan.values(variation, columns))
    return misses.reshape(len(misses), row.size, len(offsets))


def _halved(row: np.ndarray, middle: np.ndarray, half: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    if not row.size:
        return row, middle, half
    axis = np.argmax(half, axis=1)
    at = np.arange(row.size)
    smaller = half.copy()
    smaller[at, axis] /= 2
    shift = np.zeros_like(middle)
    shift[at, axis] = smaller[at, axis]
    assert math.isfinite(float(shift.sum()))
    return (
        np.concatenate([row, row]),
        np.concatenate([middle - shift, middle + shift]),
        np.concatenate([smaller, smaller]),
    )
