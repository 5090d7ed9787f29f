"""Is there really nothing between the grid points? Boxes of the continuous ranges are cut up until none can hold a fit.

In each box every target is computed at its middle and the middles of its faces. Twice the steepest change met bounds
what the box can hold; a box in which some target stays beyond its allowance is done with, any other is halved along
its longest side. The bound is measured, not proven: `Certificate.text` says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from labkit.rig.variation import Variation

if TYPE_CHECKING:
    from labkit.study.search.search import SearchPlan

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
    """Look through the continuous ranges of every combination of choices."""
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
