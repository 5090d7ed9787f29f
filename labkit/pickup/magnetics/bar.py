"""Bar magnets under two rows of steel poles: the field they leave at the strings, and their pull on the inductance.

The poles of a row are taken as perfectly soft: one magnetic potential +U on a row, −U on the other. Their surface
charge follows from that like the charge on two conductors, the flux it needs comes out of the bar, and the bar's curve
decides U. Leakage from the bar itself, the drop along the poles, keepers, threads and baseplates are left out, so the
field is an estimate and rather high than low: ± 40 %, over a bar of alnico ± 60 % (`field_spread`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError
from labkit.core.keys import flag, made, number, quantity, read_keys, text
from labkit.core.sheet import Table
from labkit.core.sourced import Interval, SourcedValue
from labkit.core.units import UsualRange
from labkit.core.validity import range_called
from labkit.pickup.magnetics.magnet import (
    CHARGE,
    MAGNET_TEMPERATURE,
    REFERENCE_CELSIUS,
    MagnetGrade,
    polarisation,
    temperature_factor,
)
from labkit.pickup.magnetics.slices import row_positions
from labkit.pickup.predict.propagation import COVERAGE
from labkit.pickup.winding.inductance import MU_0

FIELD_SPREAD = 0.40
"""Relative half-width (95 %) of the field of a pickup with a bar of ferrite."""

ALNICO_FIELD_SPREAD = 0.60
"""The same over a bar of alnico: solved with every bar as one block of even magnetisation (`standing`), the same pickup
has 0.40 to 0.48 of the field; nothing measured with a stated distance was found to decide between the two."""


def field_spread(*grades: MagnetGrade) -> float:
    """Return the relative half-width (95 %) of the field of a pickup with bars of these grades; the widest counts."""
    return ALNICO_FIELD_SPREAD if any(grade.family == "alnico" for grade in grades) else FIELD_SPREAD


_FEM = "3-D finite elements of one two-coil geometry, 2 × 5000 turns of AWG 42"
BAR_FACTORS: Mapping[tuple[str, bool], SourcedValue] = {
    ("alnico", False): SourcedValue(
        value=1.083, unit="1", spread=0.06, kind="derived", source=_FEM, doubt="one geometry"
    ),
    ("alnico", True): SourcedValue(
        value=4.78 / 4.16, unit="1", spread=0.08, kind="derived", source=_FEM, doubt="one geometry; keeper μ 100"
    ),
    ("ferrite", True): SourcedValue(
        value=1.035, unit="1", spread=0.06, kind="derived", source=_FEM, doubt="one geometry"
    ),
    ("ferrite", False): SourcedValue(
        value=1.015,
        unit="1",
        spread=0.06,
        kind="derived",
        source="between no bar (1) and ferrite bar with keeper (1.035)",
        doubt="not calculated on its own",
    ),
}
"""Factor on the inductance of a two-coil pickup by bar magnet family and presence of a steel keeper."""

FIELD_DISTANCE = range_called("field_distance")  # not from `field`, which takes scipy along
BarPlace = Literal["between", "beside", "under"]

_BANDS = 8
_USUAL_SIZE = UsualRange(low=1e-3, high=0.1)


@dataclass(frozen=True, slots=True, kw_only=True)
class BarMagnet:
    """One bar magnet or two at the lower ends of steel poles.

    Parameters
    ----------
    grade : str
    length, thickness : float, m
        Along the rows, and vertical: together the face that a row of poles touches where it lies between two.
    width : float or None, m
        Across the rows. None reaches from row to row, and is 12 mm at a single row.
    place : "between", "beside" or "under"
        Between two rows, magnetised across, from row to row; beside a single one, like poles towards it; or under the
        lower ends of a single row, magnetised upright. Between and beside, its lower face is level with the lower
        ends of the poles.
    count : 1 or 2
        Two bars beside a row lie on either side of it.
    charge : float
        0 … 1.
    keeper : bool
        A steel bar joins the screws to the magnet.
    """

    grade: str = text(meaning="a magnet grade")
    length: float = quantity("m", usual=_USUAL_SIZE, meaning="along the rows of poles")
    thickness: float = quantity("m", usual=_USUAL_SIZE, meaning="vertical")
    width: float | None = quantity(
        "m", default=None, usual=_USUAL_SIZE, meaning="across the rows; from row to row, or 12 mm, where absent"
    )
    place: BarPlace = text(
        options=get_args(BarPlace),
        default="between",
        meaning="between two rows, beside a single row, or under the poles",
    )
    count: int = number(
        default=1, low=1, high=2, is_whole=True, meaning="2 for a bar on either side of a single row of poles"
    )
    charge: float = quantity("1", default=1.0, meaning="magnetisation left, 0 to 100 %")
    keeper: bool = flag(default=True, meaning="a steel bar joins the screws to the magnet")

    def __post_init__(self) -> None:
        for name in ("length", "thickness", "width"):
            if getattr(self, name) is not None and not 0 < getattr(self, name) < math.inf:
                raise InputError(f"a bar magnet's {name} must be above 0 m; got {getattr(self, name)} m")
        if self.count == 2 and self.place != "beside":
            raise InputError(f"two bar magnets lie beside a single row of poles; got place '{self.place}'")
        CHARGE.check(self.charge)


def bar_from_sheet(table: Table) -> BarMagnet:
    """Read the ``bar`` table of a build sheet.

    Raises
    ------
    SheetError
        Naming the sheet, the key, what was expected and what was found.
    """
    read = made(BarMagnet, table, read_keys(BarMagnet, table))
    table.done()
    return read


def bar_inductance_factor(*, family: str, keeper: bool) -> SourcedValue:
    """Return the factor on a two-coil pickup's inductance with its poles but without bar and keeper.

    Parameters
    ----------
    family : "alnico" or "ferrite"
    keeper : bool

    Raises
    ------
    InputError
        For another family.
    """
    if (family, keeper) not in BAR_FACTORS:
        raise InputError(f"a bar magnet is of the alnico or the ferrite family; got '{family}'")
    return BAR_FACTORS[family, keeper]


@dataclass(frozen=True, slots=True, kw_only=True)
class PoleRows:
    """Two equal rows of steel rods, ``spacing`` apart between their lines.

    Parameters
    ----------
    count : int
        Rods in a row.
    pitch, radius, length, spacing : float, m
    """

    count: int
    pitch: float
    radius: float
    length: float
    spacing: float

    def __post_init__(self) -> None:
        if self.count < 1:
            raise InputError(f"a row of poles needs at least one rod; got {self.count}")
        for name in ("radius", "length"):
            if not 0 < getattr(self, name) < math.inf:
                raise InputError(f"a pole's {name} must be above 0 m; got {getattr(self, name)} m")
        for name in ("pitch", "spacing"):
            if (self.count > 1 or name == "spacing") and not getattr(self, name) > 2 * self.radius:
                raise InputError(
                    f"the {name} of two rows of poles must be above their diameter of {2e3 * self.radius:g} mm; "
                    f"got {1e3 * getattr(self, name):g} mm"
                )

    @property
    def edges(self) -> np.ndarray:
        """Heights of the boundaries of the charged bands of a pole, m, 0 at mid-length."""
        edges: np.ndarray = self.length / 2 * np.sin(np.pi / 2 * np.linspace(-1.0, 1.0, _BANDS + 1))
        return edges

    @property
    def places(self) -> np.ndarray:
        """Places of the rods along a row, shape (count,), m."""
        return np.array(row_positions(count=self.count, pitch=self.pitch))[:, 0]


@lru_cache(maxsize=32)
def row_charge(rows: PoleRows) -> np.ndarray:
    """Return the charge on the first row for potential +1 A on it and −1 A on the other.

    Method of moments: bands on the side and discs on the ends, matched on the axis of every rod.

    Parameters
    ----------
    rows : PoleRows

    Returns
    -------
    ndarray, shape (count, bands + 2), A·m per A, read-only
        Bands bottom to top, then the bottom and the top disc. The sum is the permeance over μ0.
    """
    edges, places, unknowns = rows.edges, rows.places, _BANDS + 2
    heights = np.concatenate([(edges[1:] + edges[:-1]) / 2, edges[[0, -1]]])

    def block(distance: float) -> np.ndarray:
        reach = rows.radius if distance == 0 else distance
        low, high = heights[:, None] - edges[:-1], heights[:, None] - edges[1:]
        bands = (np.arcsinh(low / reach) - np.arcsinh(high / reach)) / (4 * math.pi * (edges[1:] - edges[:-1]))
        gap = heights[:, None] - edges[[0, -1]]
        if distance == 0:
            discs = (np.hypot(gap, rows.radius) - np.abs(gap)) / (2 * math.pi * rows.radius**2)
        else:
            discs = 1 / (4 * math.pi * np.hypot(gap, distance))
        return np.hstack([bands, discs])

    steps = np.arange(rows.count) * rows.pitch
    pool = [block(float(step)) - block(math.hypot(step, rows.spacing)) for step in steps]
    index = np.abs(np.subtract.outer(np.arange(rows.count), np.arange(rows.count)))
    matrix = np.stack(pool)[index].transpose(0, 2, 1, 3).reshape(rows.count * unknowns, -1)
    charge: np.ndarray = np.linalg.solve(matrix, np.ones(len(places) * unknowns)).reshape(rows.count, unknowns)
    charge.flags.writeable = False
    return charge


@lru_cache(maxsize=32)
def row_potential(rows: PoleRows, bar: BarMagnet, grade: MagnetGrade, *, celsius: float = REFERENCE_CELSIUS) -> float:
    """Return the potential U of the rows at which the bar's flux is what the rows' charge needs, A.

    A_face·(J(H) + μ0·H) = μ0·ΣQ·U with H = −2U/(spacing − diameter), by bisection along the curve.

    Parameters
    ----------
    rows : PoleRows
    bar : BarMagnet
    grade : MagnetGrade
        Of ``bar.grade``.
    celsius : float, °C

    Returns
    -------
    float, A; times charge and temperature factor
    """
    face, width = bar.length * bar.thickness, rows.spacing - 2 * rows.radius
    permeance = MU_0 * float(row_charge(rows).sum())
    low, high = 0.0, grade.coercivity.value
    for _ in range(60):
        middle = (low + high) / 2
        drawn = polarisation(
            field=-middle, remanence=grade.remanence.value, coercivity=grade.coercivity.value, shape=grade.shape
        )
        surplus = face * (float(drawn) - MU_0 * middle) - permeance * middle * width / 2
        low, high = (middle, high) if surplus > 0 else (low, middle)
    factor = bar.charge * float(temperature_factor(celsius=celsius, coefficient=grade.temperature_coefficient.value))
    return factor * low * width / 2


def pole_field(rows: PoleRows, *, potential: float, distance: ArrayLike) -> np.ndarray:
    """Return the axial field over the middle of every pole of the first row; the other row's is its negative.

    Parameters
    ----------
    rows : PoleRows
    potential : float, A
        From `row_potential`.
    distance : array_like, shape (D,) or scalar, m
        From the poles' top faces, above 0.

    Returns
    -------
    ndarray, shape (count, D), T
    """
    away = np.atleast_1d(np.asarray(distance, dtype=float))
    if not np.all(away > 0):
        raise InputError(f"the distance from the pole's face must be above 0 mm; got {1e3 * away.min():g} mm")
    height = (away + rows.length / 2)[:, None]
    low, high, gap = (height - edge for edge in (rows.edges[:-1], rows.edges[1:], rows.edges[[0, -1]]))

    def kernel(separation: float) -> np.ndarray:
        reach = rows.radius if separation == 0 else separation
        bands = (1 / np.hypot(high, reach) - 1 / np.hypot(low, reach)) / (4 * math.pi * (low - high))
        if separation == 0:
            discs = (1 - gap / np.hypot(gap, rows.radius)) / (2 * math.pi * rows.radius**2)
        else:
            discs = gap / (4 * math.pi * np.hypot(gap, separation) ** 3)
        return np.hstack([bands, discs])

    steps = np.arange(rows.count) * rows.pitch
    pool = np.stack([kernel(float(step)) - kernel(math.hypot(step, rows.spacing)) for step in steps])
    index = np.abs(np.subtract.outer(np.arange(rows.count), np.arange(rows.count)))
    field: np.ndarray = MU_0 * potential * np.einsum("tsdu,su->td", pool[index], row_charge(rows))
    return field


def predict_bar_field(
    rows: PoleRows,
    bar: BarMagnet,
    grade: MagnetGrade,
    *,
    distance: ArrayLike,
    celsius: float = REFERENCE_CELSIUS,
) -> tuple[Interval, ...]:
    """Return the mean field over the poles of a row at each distance, with its bounds (`field_spread`).

    Parameters
    ----------
    rows, bar, grade, celsius
        As `row_potential`.
    distance : array_like, shape (D,), m

    Returns
    -------
    tuple of Interval, T
    """
    MAGNET_TEMPERATURE.check(celsius)
    FIELD_DISTANCE.check(distance)
    potential = row_potential(rows, bar, grade, celsius=celsius)
    mean = pole_field(rows, potential=potential, distance=distance).mean(axis=0)
    beyond = [
        COVERAGE * math.hypot(FIELD_DISTANCE.deviation(float(away)), grade.temperature_range.deviation(celsius))
        for away in np.atleast_1d(np.asarray(distance, dtype=float))
    ]
    spread = field_spread(grade)
    return tuple(Interval.relative(float(value), math.hypot(spread, wider)) for value, wider in zip(mean, beyond))
