"""The last step of a search: ranges refined, solutions made distinct and ranked, and what is said where none fits."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from labkit.rig.variation import Variation
from labkit.study.search.certify import certify
from labkit.study.search.search import SearchPlan
from labkit.study.search.solution import SearchResult, Solution, explain, gives_up

POLISHED = 16
"""Of the best combinations, those whose ranges are refined."""

SAME_MISS = 0.05
"""Allowances: solutions whose targets differ by less do the same."""


def result_of(plan: SearchPlan, state: Mapping[str, np.ndarray], complete: bool) -> SearchResult:
    found = [_polished(plan, int(row)) for row in state["row"][:POLISHED]]
    found += [_solution(plan, *divmod(int(row), plan.rows), None) for row in state["row"][POLISHED:]]
    found.sort(key=lambda solution: (not solution.fits, round(solution.misfit, 6), solution.cost, solution.misfit))
    distinct: list[Solution] = []
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


def _various(plan: SearchPlan, solutions: list[Solution]) -> list[Solution]:
    """Put solutions that do the same as a better one by one other choice behind those that are something else."""
    first: list[Solution] = []
    later: list[Solution] = []
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


def _polished(plan: SearchPlan, row: int, place: np.ndarray | None = None) -> Solution:
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


def _solution(plan: SearchPlan, structure: int, row: int, point: np.ndarray | None) -> Solution:
    variation = plan.variation(structure)
    assert isinstance(variation, Variation)
    rows = np.array([row])
    columns = plan.columns(rows) | ({} if point is None else _at(plan, point))
    values = plan.values(variation, columns)
    misses = plan.misses(values)[:, 0]
    numbers: dict[str, Any] = {name: float(column[0]) for name, column in columns.items()}
    chosen = {**plan.structures[structure], **numbers}
    return Solution(
        choices={item.name: chosen[item.name] for item in plan.goal.freedoms},
        values=tuple(values[:, 0].tolist()),
        misses=tuple(misses.tolist()),
        misfit=float(np.sum(misses * misses)),
        cost=float(plan.costs(structure, rows)[0]),
        fits=bool(np.all(np.abs(misses) <= 1)),
        rig=variation.rig if not numbers else variation.variant(numbers),
    )


def _is_same(plan: SearchPlan, one: Solution, other: Solution) -> bool:
    """Say whether two solutions share every choice, and every continuous number within 5 % of its range."""
    for item in plan.goal.freedoms:
        first, second = one.choices[item.name], other.choices[item.name]
        if item.is_continuous:
            if abs(first - second) > 0.05 * (item.high - item.low):
                return False
        elif first != second:
            return False
    return True
