"""A bobbin's core by what a calliper reads, or by the outline of its drawing, turned into the obround that is wound.

The wire goes around the convex hull of the core. Every formula here takes an obround, two straights and two half
circles; the one with the circumference and area of the hull stands for it: the first turn is as long, and encloses as
much.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from labkit.core.errors import InputError
from labkit.core.keys import declared_keys, quantity, text
from labkit.core.sheet import Table
from labkit.core.units import UsualRange, parse_quantity

_LENGTH = UsualRange(low=2e-3, high=120e-3)
_POINT = re.compile(r"\s*(-?\d+(?:\.\d+)?)\s+(-?\d+(?:\.\d+)?)\s*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bobbin:
    """The ``bobbin`` table of a coil: its core, in place of ``straight_length``, ``end_radius`` and ``winding_height``.

    Parameters
    ----------
    height : float, m
        Between the flanges.
    core_length, core_width : float or None, m
        Over all; round ends are taken.
    outline : str or None
        Corners of the core as drawn, such as ``"0 0, 57 0, 57 5, 0 5 mm"``.
    """

    height: float = quantity("m", usual=_LENGTH, meaning="between the flanges")
    core_length: float | None = quantity("m", default=None, usual=_LENGTH, meaning="of the core over all, ends round")
    core_width: float | None = quantity("m", default=None, usual=_LENGTH, meaning="of the core over all")
    outline: str | None = text(default=None, meaning='corners of the core as drawn, such as "0 0, 57 0, 57 5, 0 5 mm"')

    def __post_init__(self) -> None:
        by_size = self.core_length is not None and self.core_width is not None
        if by_size == (self.outline is not None) or (self.core_length is None) != (self.core_width is None):
            raise InputError("a bobbin's core needs `core_length` and `core_width`, or an `outline`, and not both")
        if self.core_length is not None and self.core_width is not None and self.core_length < self.core_width:
            raise InputError(
                f"a core is at least as long as wide; got {1e3 * self.core_length:g} mm by {1e3 * self.core_width:g} mm"
            )

    @property
    def obround(self) -> tuple[float, float]:
        """Straight length and end radius, m."""
        if self.core_length is not None and self.core_width is not None:
            return self.core_length - self.core_width, self.core_width / 2
        return obround_of(outline_points(self.outline or ""))


def outline_points(text_of_corners: str) -> np.ndarray:
    """Return the corners of an outline, shape (K, 2), m.

    Raises
    ------
    InputError
        If it is not pairs of numbers with commas between and a unit of length behind.

    >>> outline_points("0 0, 57 0, 57 5, 0 5 mm").tolist()[2]
    [0.057, 0.005]
    """
    body, _, unit = text_of_corners.strip().rpartition(" ")
    found = [_POINT.fullmatch(part) for part in body.split(",")]
    if len(found) < 3 or not all(found):
        raise InputError(
            'an outline is three corners or more and a unit, such as "0 0, 57 0, 57 5, 0 5 mm"; '
            f"got '{text_of_corners[:60]}'"
        )
    scale = parse_quantity(f"1 {unit}", "m")
    return scale * np.array([[float(each[1]), float(each[2])] for each in found if each is not None])


def obround_of(points: np.ndarray) -> tuple[float, float]:
    """Return straight length and end radius of the obround with the circumference P and area A of a hull, m.

    r = (P − √(P² − 4πA))/2π, a = (P − 2πr)/2

    Parameters
    ----------
    points : ndarray, shape (K, 2), m

    >>> [round(1e3 * float(value), 2) for value in obround_of(np.array([[0, 0], [57, 0], [57, 5], [0, 5]]) / 1e3)]
    [54.3, 2.45]
    """
    corners = _hull(points)
    ahead = np.roll(corners, -1, axis=0)
    around = float(np.hypot(*(ahead - corners).T).sum())
    area = float(abs(np.sum(corners[:, 0] * ahead[:, 1] - corners[:, 1] * ahead[:, 0])) / 2)
    if area <= 0:
        raise InputError("the outline of a core must enclose an area; its corners lie on one line")
    radius = (around - math.sqrt(max(around**2 - 4 * math.pi * area, 0.0))) / (2 * math.pi)
    return max((around - 2 * math.pi * radius) / 2, 0.0), radius


def _hull(points: np.ndarray) -> np.ndarray:
    """Convex hull, anticlockwise: Andrew's monotone chain."""
    ordered = sorted({(float(x), float(y)) for x, y in points})

    def chain(corners: list[tuple[float, float]]) -> list[tuple[float, float]]:
        kept: list[tuple[float, float]] = []
        for corner in corners:
            while len(kept) > 1 and _turn(kept[-2], kept[-1], corner) <= 0:
                kept.pop()
            kept.append(corner)
        return kept[:-1]

    return np.array(chain(ordered) + chain(ordered[::-1]))


def _turn(one: tuple[float, float], two: tuple[float, float], three: tuple[float, float]) -> float:
    return (two[0] - one[0]) * (three[1] - one[1]) - (two[1] - one[1]) * (three[0] - one[0])


def bobbin_measures(table: Table) -> dict[str, float]:
    """Read the ``bobbin`` table of a coil as the measures of a `labkit.pickup.winding.winding.Winding`, m.

    Raises
    ------
    SheetError
        If it says nothing usable, or the coil states one of the measures besides.
    """
    own = table.table("bobbin")
    values = {key.field: key.read(own) for key in declared_keys(Bobbin)}
    own.done()
    found = own.attempt("", lambda: Bobbin(**values))
    straight, radius = own.attempt("outline", lambda: found.obround)
    measures = {"straight_length": straight, "end_radius": radius, "winding_height": found.height}
    for key in measures:
        if key in table.data:
            table.fail(key, "follows from the `bobbin`; leave one of them out")
    return measures
