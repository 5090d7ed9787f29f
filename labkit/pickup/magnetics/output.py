"""Relative output: how strongly a string is heard, string by string, and one pickup against another.

By reciprocity a string that carries the magnetic moment of its steel in the field B induces N·d(B·h)/dz·v·A: h is the
field of one ampere-turn of the coil at the string, rods included. Only ratios are given: absolute volts would need how
each string is driven. Output follows string velocity, not resistance of the coil.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError
from labkit.core.sourced import Interval
from labkit.pickup.electrical import SILENT_OUTPUT_DB
from labkit.pickup.magnetics.bar import PoleRows, pole_field
from labkit.pickup.magnetics.field import axis_field
from labkit.pickup.magnetics.pair import magnetise_mirrored, mirrored_rods
from labkit.pickup.magnetics.slices import Rods, coil_field, coil_field_in_rods, magnetise, row_positions
from labkit.pickup.predict.propagation import COVERAGE
from labkit.pickup.winding.inductance import MU_0
from labkit.pickup.winding.spectral import CoilShape

LEVEL_SPREAD_DB = 1.5
"""Half-width (95 %) of a level difference between two pickups, dB."""

BAR_LEVEL_SPREAD_DB = 3.5
"""The same where one of them has a bar magnet: its field is known to ± 40 %."""

OUTPUT_MODEL = "model of the output"
"""Name of the doubt of a predicted output; two pickups of like magnets, poles and bobbin share it."""

_SILENT = 10 ** (SILENT_OUTPUT_DB / 20)
_STEP = 5e-5  # of the central difference over height: field and its slope change over millimetres


def string_sensitivity(
    rods: Rods,
    shape: CoilShape,
    *,
    magnetisation: np.ndarray,
    turns: float,
    relative_permeability: float,
    distance: ArrayLike,
    steel_area: ArrayLike = 1.0,
    rise: float = 0.0,
) -> np.ndarray:
    """Return −N·d(B·h)/dz·A over the middle of every rod: EMF per string velocity, to a common factor.

    Parameters
    ----------
    rods : Rods
        One row, inside one coil.
    shape : CoilShape
    magnetisation : ndarray, shape (rods, slices), A/m
        From `magnet.operating_point`.
    turns : float
    relative_permeability : float
        Small-signal, of the rods.
    distance : array_like, scalar or shape (rods,), m
        Pole face to string, at each string.
    steel_area : array_like, scalar or shape (rods,), m²
        Magnetic cross-section of each string: whole for plain strings, the core for wound ones.
    rise : float, m
        Mid-height of the rods above the winding's.

    Returns
    -------
    ndarray, shape (rods,), T·A/m² times turns (and area)

    Validity: strings over the middle of their poles, moving towards the poles; no cover; saturation of the strings and
    their pull on the magnets are not modelled.
    """
    coil = coil_arguments(shape)
    response = magnetise(
        rods, field=coil_field_in_rods(rods, rise=rise, **coil), relative_permeability=relative_permeability
    )
    place = np.array(rods.positions)

    def coil_part(heights: np.ndarray) -> np.ndarray:
        level = heights + rods.length / 2 + rise
        air = coil_field(x=place[:, :1], y=place[:, 1:], z=level, **coil)
        return air + axis_field(rods, magnetisation=response, distance=heights) / MU_0

    def static_part(heights: np.ndarray) -> np.ndarray:
        return axis_field(rods, magnetisation=magnetisation, distance=heights)

    slope = _slope_of_product(static_part, coil_part, distance, len(rods.positions))
    sensitivity: np.ndarray = turns * slope * np.asarray(steel_area)
    return sensitivity


def pair_sensitivity(
    rows: PoleRows,
    shape: CoilShape,
    *,
    potential: float,
    turns: float,
    relative_permeability: float,
    distance: ArrayLike,
    steel_area: ArrayLike = 1.0,
    rise: float = 0.0,
) -> np.ndarray:
    """Return the same as `string_sensitivity` for a two-coil pickup with a bar magnet, its coils in series.

    Both rows see the string in fields of opposite sign with coils of opposite sense, so they add: twice one row's.

    Parameters
    ----------
    rows : PoleRows
    shape : CoilShape
        Of each coil.
    potential : float, A
        From `bar.row_potential`.
    turns : float
        Of one coil.
    relative_permeability, distance, steel_area, rise
        As `string_sensitivity`, for the poles of one row.

    Returns
    -------
    ndarray, shape (count,), T·A/m² times turns (and area)

    Validity: as `string_sensitivity`; the static field is known to ± 40 %. Both rows at one height.
    """
    near = Rods(positions=row_positions(count=rows.count, pitch=rows.pitch), radius=rows.radius, length=rows.length)
    rods = mirrored_rods(near, rows.spacing)
    coil = coil_arguments(shape)
    own, far = np.split(coil_field_in_rods(rods, coil_across=rows.spacing / 2, rise=rise, **coil), 2)
    row = magnetise_mirrored(rods, field=own - far, relative_permeability=relative_permeability)
    response = np.concatenate([row, -row])
    place = np.array(near.positions)

    def coil_part(heights: np.ndarray) -> np.ndarray:
        level = heights + rods.length / 2 + rise
        own = coil_field(x=place[:, :1], y=0.0, z=level, **coil)
        other = coil_field(x=place[:, :1], y=rows.spacing, z=level, **coil)
        poles = axis_field(rods, magnetisation=response, distance=heights)[: rows.count] / MU_0
        total: np.ndarray = own - other + poles
        return total

    def static_part(heights: np.ndarray) -> np.ndarray:
        return pole_field(rows, potential=potential, distance=heights)

    slope = _slope_of_product(static_part, coil_part, distance, rows.count)
    sensitivity: np.ndarray = 2 * turns * slope * np.asarray(steel_area)
    return sensitivity


def _slope_of_product(
    static: Callable[[np.ndarray], np.ndarray],
    coil: Callable[[np.ndarray], np.ndarray],
    distance: ArrayLike,
    count: int,
) -> np.ndarray:
    """Return −d(B·h)/dz over each of ``count`` poles; both fields map heights (D,) to (count, D)."""
    gap = np.broadcast_to(np.asarray(distance, dtype=float), (count,))
    if not np.all(gap > 2 * _STEP):
        raise InputError(f"strings must clear their poles; got {1e3 * gap.min():g} mm between string and pole")
    heights, index = np.unique(np.concatenate([gap - _STEP, gap + _STEP]), return_inverse=True)
    product = static(heights) * coil(heights)
    poles = np.arange(count)
    slope: np.ndarray = (product[poles, index[:count]] - product[poles, index[count:]]) / (2 * _STEP)
    return slope


def level_db(sensitivity: ArrayLike, reference: ArrayLike) -> np.ndarray:
    """Return 20·log10 of the ratio of two sensitivities, dB.

    >>> float(level_db(2.0, 1.0).round(2))
    6.02
    """
    numerator, denominator = np.abs(np.asarray(sensitivity)), np.abs(np.asarray(reference))
    if not np.all(denominator > 0):
        raise InputError("the pickup that levels are counted from has no output; its magnets may be uncharged")
    level: np.ndarray = 20 * np.log10(np.maximum(numerator / denominator, _SILENT))
    return level


def compare_levels_db(sensitivity: ArrayLike, reference: ArrayLike, *, spread_db: float = LEVEL_SPREAD_DB) -> Interval:
    """Return the level of one pickup against another, its strings averaged, with 95 % bounds, dB.

    Parameters
    ----------
    sensitivity, reference : array_like
        Of the strings of either pickup.
    spread_db : float, dB
        ± 1.5 dB between rod magnets, `BAR_LEVEL_SPREAD_DB` where one has a bar magnet, 0 for a change of charge alone.

    >>> compare_levels_db(2.0, 1.0, spread_db=0.0).value
    6.020599913279624
    """
    level = float(np.mean(level_db(sensitivity, 1.0)) - np.mean(level_db(reference, 1.0)))
    return Interval(value=level, low=level - spread_db, high=level + spread_db)


def output_doubts(own: str, *, over_bar: bool) -> dict[str, float]:
    """Return the doubts of an output over the reference coil by cause, standard deviations, dB.

    A difference between two pickups with rod magnets is good to `LEVEL_SPREAD_DB`, one in which a pickup has a bar
    magnet to `BAR_LEVEL_SPREAD_DB`. The causes share that out so that every difference comes out right: what is said of
    one pickup's own magnets, poles and bobbin cancels against a pickup that has the same ones (another charge, other
    turns), and the reference coil's part cancels between any two.

    Parameters
    ----------
    own : str
        What tells one pickup's magnets, poles and bobbin from another's.
    over_bar : bool

    >>> import math
    >>> one, other = output_doubts("one", over_bar=False), output_doubts("other", over_bar=False)
    >>> apart = [one.get(name, 0.0) - other.get(name, 0.0) for name in one | other]
    >>> round(1.96 * math.hypot(*apart), 2), round(1.96 * math.hypot(*one.values()), 2)
    (1.5, 1.5)
    """
    rod = LEVEL_SPREAD_DB / COVERAGE / math.sqrt(2)  # two of these make the difference of two rod pickups
    found = {f"{OUTPUT_MODEL}, reference coil": -rod}
    if not over_bar:
        return {**found, f"{OUTPUT_MODEL}, {own}": rod}
    bar = BAR_LEVEL_SPREAD_DB / COVERAGE
    return {
        **found,
        f"{OUTPUT_MODEL}, {own}": bar / math.sqrt(2),
        f"{OUTPUT_MODEL}, bar magnets": math.sqrt(bar**2 / 2 - rod**2),
    }


def string_balance_db(sensitivity: np.ndarray) -> np.ndarray:
    """Return each string's level against the mean of all, dB, shape (rods,).

    The mean is of decibels, so the levels sum to zero.
    """
    level = level_db(sensitivity, 1.0)
    balance: np.ndarray = level - level.mean()
    return balance


def level_from_inductance_db(*, inductance: ArrayLike, reference: ArrayLike) -> np.ndarray:
    """Return 10·log10(L/L_ref), dB: the rule that turns, and so output, go with √L at like geometry and magnets.

    A check of order only: two coils of 1.7 H and 3.5 H measured 3.4 dB apart, the rule says 3.1 dB.

    >>> float(level_from_inductance_db(inductance=3.5, reference=1.7).round(2))
    3.14
    """
    level: np.ndarray = 10 * np.log10(np.asarray(inductance) / np.asarray(reference))
    return level


def coil_arguments(shape: CoilShape) -> dict[str, float]:
    """Return a coil's measures under the names that the field and pole functions take."""
    return {
        "straight_length": shape.straight_length,
        "end_radius": shape.end_radius,
        "build_up": shape.build_up,
        "winding_height": shape.winding_height,
    }
