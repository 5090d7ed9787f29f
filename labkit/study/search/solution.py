"""What a search found, in numbers and in words: solutions, what each gives up, and why nothing fits."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from labkit.core.errors import InputError, join_words
from labkit.core.frames import dataframe, dataset
from labkit.rig.rig import Rig
from labkit.study.search.goal import Goal

if TYPE_CHECKING:
    from labkit.study.search.search import SearchPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchSolution:
    """One set of choices.

    Attributes
    ----------
    choices : mapping of str to float or str
        SI numbers and texts, by the names of the goal.
    values, misses : tuple of float
        What every target comes to, and by how many allowances (with sign) it is missed.
    misfit : float
        Sum of the squared misses; 0 is perfect.
    cost : float
    fits : bool
        True when no target is missed by more than its allowance.
    rig : Rig
        The rig with the choices made.
    gives_up : tuple of str
        What is not quite as wanted.
    """

    choices: Mapping[str, Any]
    values: tuple[float, ...]
    misses: tuple[float, ...]
    misfit: float
    cost: float
    fits: bool
    rig: Rig = field(repr=False, compare=False)
    gives_up: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchResult:
    """What a search found.

    Attributes
    ----------
    goal : Goal
    solutions : tuple of SearchSolution
        Distinct, best first; the nearest ones where none fits.
    fits : bool
        True when the first of them meets the goal.
    complete : bool
        False when the search was stopped.
    combinations, tried, over_budget, unbuildable : int
        Combinations of choices; rows computed (with the grid of ranges), left out for their price, impossible to build.
    reachable : tuple of (low, high)
        What every target came to over all rows computed.
    reason : str
        Why nothing fits; empty otherwise.
    proof : str
        How sure that is.
    """

    goal: Goal
    solutions: tuple[SearchSolution, ...]
    fits: bool
    complete: bool
    combinations: int
    tried: int
    over_budget: int
    unbuildable: int
    reachable: tuple[tuple[float, float], ...]
    reason: str
    proof: str

    def to_dataframe(self) -> Any:
        """Return the solutions as a ``pandas.DataFrame``, best first.

        Columns are the choices, what each target came to, fits, misfit and cost. Choices are
        SI numbers and texts, targets in the unit of their measure.

        Raises
        ------
        InputError
            If pandas is not installed.
        """
        rows = self.solutions
        columns: dict[str, list[Any]] = {}
        for name in dict.fromkeys(name for row in rows for name in row.choices):
            columns[name] = [row.choices.get(name) for row in rows]
        units = {}
        for place, target in enumerate(self.goal.targets):
            columns[target.name] = [row.values[place] for row in rows]
            units[target.name] = "dB" if target.measure is None else target.measure.unit
        for name in ("fits", "misfit", "cost"):
            columns[name] = [getattr(row, name) for row in rows]
        return dataframe(columns, units)

    def to_xarray(self) -> Any:
        """Return the solutions' curves as an ``xarray.Dataset``: gain_db over ``solution`` (from 1) and frequency_hz.

        Raises
        ------
        InputError
            If xarray is not installed, or nothing was found.
        """
        if not self.solutions:
            raise InputError(f"the search found nothing to show: {self.reason}")
        found = [row.rig.response() for row in self.solutions]
        return dataset(
            {"gain_db": (("solution", "frequency_hz"), np.stack([each.gain_db for each in found]), "dB")},
            {"solution": (range(1, len(found) + 1), ""), "frequency_hz": (found[0].frequency_hz, "Hz")},
            name=self.goal.name,
        )


def gives_up(goal: Goal, solution: SearchSolution, cheapest: float | None) -> SearchSolution:
    """Return a solution with what it gives up in words."""
    found = []
    for target, value, miss in zip(goal.targets, solution.values, solution.misses):
        if math.isinf(miss):
            found.append(f"{target.name}: there is none")
        elif abs(miss) > 0.1:
            part = (
                f"{abs(miss):.1f} times what is allowed"
                if abs(miss) > 1
                else f"{100 * abs(miss):.0f} % of what is allowed"
            )
            if target.measure is None:
                found.append(f"{target.name}: {target.shown(value)} apart ({part})")
            else:
                side = "high" if miss > 0 else "low"
                off = abs(value - target.wanted)
                size = f"{off:.0f} Hz" if target.measure.unit == "Hz" else f"{off:.2f} dB"
                found.append(f"{target.name}: {size} too {side} ({part})")
    if cheapest is not None and solution.cost > cheapest * (1 + 1e-9):
        found.append(f"costs {solution.cost - cheapest:.2f} more than the cheapest that fits")
    return replace(solution, gives_up=tuple(found))


def explain(plan: SearchPlan, state: Mapping[str, np.ndarray], solutions: Sequence[SearchSolution]) -> str:
    """Say why nothing fits."""
    goal = plan.goal
    if not int(state["tried"]):
        if int(state["over_budget"]) and goal.budget is not None:
            return f"The cheapest combination costs {float(state['cheapest']):.2f}; the budget is {goal.budget:.2f}."
        reasons = (plan.variation(structure) for structure in range(len(plan.structures)))
        first = next((reason for reason in reasons if isinstance(reason, str)), "")
        return f"Nothing of this can be built: {first}"
    out_of_reach = []
    for place, target in enumerate(goal.targets):
        low, high = float(state["least"][place]), float(state["greatest"][place])
        if not low <= high:
            out_of_reach.append(f"no combination has a {target.name}")
        elif target.measure is None and low > target.within:
            out_of_reach.append(f"{target.name}: at best {low:.2f} dB apart, {target.within:g} dB is wanted")
        elif target.measure is not None and (
            low > target.wanted + target.within or high < target.wanted - target.within
        ):
            out_of_reach.append(
                f"{target.name}: {target.shown(low)} to {target.shown(high)} can be had, "
                f"{target.shown(target.wanted)} ± {target.shown(target.within).lstrip('+')} is wanted"
            )
    tail = _dear(state, goal)
    if out_of_reach:
        return f"Out of reach: {'; '.join(out_of_reach)}.{tail}"
    worst = []
    if solutions:
        for target, value, miss in zip(goal.targets, solutions[0].values, solutions[0].misses):
            if abs(miss) > 1:
                worst.append(f"{target.name} {target.shown(value)}")
    return (
        f"Each target can be met by itself, but not all together: the nearest has {join_words(worst)} "
        f"({join_words(target.text for target in goal.targets)} wanted).{tail}"
    )


def _dear(state: Mapping[str, np.ndarray], goal: Goal) -> str:
    left_out = int(state["over_budget"])
    return f" The budget of {goal.budget:.2f} left {left_out} combinations out." if left_out and goal.budget else ""
