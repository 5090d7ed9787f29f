"""A string as a thin wire of steel along y: what it is magnetised to in a field along its length.

The wire is cut into segments, short near the poles. Each carries one axial moment per length; where the moment changes
from segment to segment the surface of the wire carries a ring of charge, whose field the other segments feel. Across
itself a wire of high susceptibility takes twice the field outside, wherever it is not saturated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from labkit.core.errors import InputError
from labkit.pickup.materials.materials import StringStock, string, string_set
from labkit.pickup.string.steel import StringSteel

SEGMENTS = 26
"""Segments of half a string: within 1 % of level and 2 % of pull of a full string in segments of 0.75 mm."""

HALF_LENGTH = 60e-3
"""Length of string on either side of the poles that counts, m."""

_SHORTEST = 3e-3  # scale of the grading: segments grow in proportion beyond this distance from the poles
_ROUND_WRAP = math.pi / 4  # metal in the sheath that a close round wrap fills
_WRAP_DEPTH = 0.8  # where the charge of the wrap sits, in outer radii
_TRANSVERSE_WRAP = 0.9  # part of a wound string's outer section that counts across the string

_MOST_STEPS = 60
_CLOSE = 1e-9

Parity = Literal["odd", "even", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StringWire:
    """The metal of a string.

    Parameters
    ----------
    core : float, m
        Diameter of a plain string; across the flats of the core of a wound one.
    outer : float or None, m
        Over the wrap; None for a plain string.
    is_hexagonal : bool
        The core of a wound string has six sides.
    is_magnetic_wrap : bool
        Wraps of nickel-plated or stainless magnetic steel count; bronze and other wraps do not.
    """

    core: float
    outer: float | None = None
    is_hexagonal: bool = False
    is_magnetic_wrap: bool = True

    def __post_init__(self) -> None:
        if not 0 < self.core < 0.01:
            raise InputError(f"a string's core must be between 0 and 10 mm thick; got {1e3 * self.core:g} mm")
        if self.outer is not None and not self.core < self.outer < 0.01:
            raise InputError(
                f"a wound string must be thicker than its core of {1e3 * self.core:g} mm; got {1e3 * self.outer:g} mm"
            )

    @property
    def core_area(self) -> float:
        """Section of the core, m²."""
        return (math.sqrt(3) / 2 if self.is_hexagonal else math.pi / 4) * self.core**2

    @property
    def wrap_area(self) -> float:
        """Section of magnetic wrap, m²."""
        if self.outer is None or not self.is_magnetic_wrap:
            return 0.0
        return math.pi / 4 * (self.outer**2 - self.core**2) * _ROUND_WRAP

    @property
    def transverse_area(self) -> float:
        """Section that counts for magnetisation across the string, m²."""
        if not self.wrap_area or self.outer is None:
            return self.core_area
        return _TRANSVERSE_WRAP * math.pi / 4 * self.outer**2

    @property
    def charge_radius(self) -> float:
        """Radius of the rings of charge, m: the surface of a plain string, between core and surface of a wound one."""
        if not self.wrap_area or self.outer is None:
            return self.core / 2
        parts = self.core_area * self.core / 2 + self.wrap_area * _WRAP_DEPTH * self.outer / 2
        return parts / (self.core_area + self.wrap_area)


def wire_of(stock: StringStock) -> StringWire:
    """Return the metal of a string of the catalogue."""
    if not stock.is_wound:
        return StringWire(core=stock.diameter.value)
    return StringWire(
        core=stock.core_diameter.value,
        outer=stock.diameter.value,
        is_hexagonal=True,
        is_magnetic_wrap="steel" in stock.wrap,
    )


@lru_cache(maxsize=32)
def wires_of_set(name: str) -> tuple[StringWire, ...]:
    """Return the metal of every string of a set of the catalogue, thinnest first."""
    return tuple(wire_of(string(each)) for each in string_set(name).strings)


@dataclass(frozen=True, slots=True, kw_only=True)
class StringGrid:
    """How a string is cut into segments: half of it, mirrored about the middle of a pickup, or all of it.

    Parameters
    ----------
    row : float, m
        Where a row of poles lies beside the middle: 0 for one row under it, half the spacing of two.
    parity : "odd", "even" or "none"
        Of the axial field about the middle: odd over one row or two alike, even over two opposite rows. "none" takes
        the whole string, for coils that differ.
    """

    row: float = 0.0
    parity: Parity = "odd"

    @property
    def fold(self) -> int:
        """How many times the segments stand for the string."""
        return 1 if self.parity == "none" else 2

    @property
    def edges(self) -> np.ndarray:
        """Boundaries of the segments, m; of half a string from the middle outwards."""
        edges = _edges(self.row)
        return edges if self.fold == 2 else np.concatenate([-edges[:0:-1], edges])

    @property
    def centres(self) -> np.ndarray:
        """Middles of the segments, m."""
        edges = self.edges
        middle: np.ndarray = (edges[1:] + edges[:-1]) / 2
        return middle

    @property
    def lengths(self) -> np.ndarray:
        """Lengths of the segments, m."""
        return np.diff(self.edges)

    def interaction(self, wires: tuple[StringWire, ...]) -> np.ndarray:
        """Return N: axial field in every segment from unit moment per length of every segment, shape (S, Y, Y), 1/m².

        A unit charge on a ring of radius a gives, averaged over the section at the distance g along the wire,
        a²/4·g/(g² + a²)^1.5 over πa² (Gauss's rule of three points over each segment).
        """
        return np.stack([_interaction(self, wire.charge_radius) for wire in wires])


def _graded(length: float, count: int) -> np.ndarray:
    return np.asarray(_SHORTEST * np.sinh(np.linspace(0, 1, count + 1) * np.arcsinh(length / _SHORTEST)))


@lru_cache(maxsize=32)
def _edges(row: float) -> np.ndarray:
    outward = _graded(HALF_LENGTH, SEGMENTS)
    if row == 0:
        edges = outward
    else:
        share = np.arcsinh(row / _SHORTEST) / np.arcsinh(HALF_LENGTH / _SHORTEST)
        inner = _graded(row, max(6, round(SEGMENTS * share)))
        edges = np.concatenate([row - inner[::-1], row + outward[1:]])
    edges.flags.writeable = False
    return edges


@lru_cache(maxsize=256)
def _interaction(grid: StringGrid, radius: float) -> np.ndarray:
    nodes, weights = np.polynomial.legendre.leggauss(3)
    edges = grid.edges
    places = grid.centres[:, None] + grid.lengths[:, None] * nodes / 2

    def field(at: np.ndarray) -> np.ndarray:
        gap = places[..., None] - at
        ring = gap / (4 * math.pi * (gap**2 + radius**2) ** 1.5)
        mean: np.ndarray = np.einsum("yge,g->ye", ring, weights / 2)
        return mean

    # a moment leaves + on its outer edge and − on its inner one; its mirror image the same, or the opposite where even
    charge = field(edges)
    if grid.parity != "none":
        charge = charge + (1.0 if grid.parity == "odd" else -1.0) * field(-edges)
    matrix = np.asarray(np.diff(charge, axis=1))
    matrix.flags.writeable = False
    return matrix


@dataclass(frozen=True, slots=True, kw_only=True)
class WireState:
    """Strings magnetised in a static field.

    Attributes
    ----------
    field : ndarray, shape (rows, S, Y), A/m
        Axial field inside, the string's own included.
    moment : ndarray, shape (rows, S, Y), A·m
        Per length.
    reversible : ndarray, shape (rows, S, Y), m²
        Change of the moment per small change of field.
    """

    field: np.ndarray
    moment: np.ndarray
    reversible: np.ndarray


def magnetise_wires(
    applied: np.ndarray, interaction: np.ndarray, wires: tuple[StringWire, ...], steel: StringSteel
) -> WireState:
    """Return strings in a static axial field: H = H0 + N·T(H), T on the anhysteretic curve, by damped Newton steps.

    Parameters
    ----------
    applied : ndarray, shape (rows, S, Y), A/m
        H0.
    interaction : ndarray, shape (S, Y, Y)
        From `StringGrid.interaction`.
    wires : tuple of StringWire, S of them
    steel : StringSteel
        With numbers that broadcast to (rows, S, Y).

    Raises
    ------
    InputError
        If the steps do not settle.
    """
    core = np.array([wire.core_area for wire in wires])[:, None]
    wrap = np.array([wire.wrap_area for wire in wires])[:, None]

    def moment(field: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        size, slope = steel.core(field)
        around, around_slope = steel.wrap(field)
        return core * size + wrap * around, core * slope + wrap * around_slope

    def miss(field: np.ndarray, carried: np.ndarray) -> np.ndarray:
        error: np.ndarray = field - applied - (interaction @ carried[..., None])[..., 0]
        return error

    identity = np.eye(applied.shape[-1])
    field = 0.2 * applied
    carried, slope = moment(field)
    error = miss(field, carried)
    size = np.linalg.norm(error, axis=-1, keepdims=True)
    enough = _CLOSE * np.linalg.norm(applied, axis=-1, keepdims=True) + 1e-9
    for _ in range(_MOST_STEPS):
        if np.all(size <= enough):
            break
        # most of the work is here, and most strings settle steps before the last one
        row, which = np.nonzero(size[..., 0] > enough[..., 0])
        matrix = identity - interaction[which] * slope[row, which][:, None, :]
        change = np.zeros_like(field)
        change[row, which] = np.linalg.solve(matrix, -error[row, which][..., None])[..., 0]
        step = np.ones_like(size)
        while True:
            trial = field + step * change
            trial_moment, trial_slope = moment(trial)
            trial_error = miss(trial, trial_moment)
            trial_size = np.linalg.norm(trial_error, axis=-1, keepdims=True)
            worse = (trial_size >= size) & (size > enough) & (step > 1e-3)
            if not np.any(worse):
                break
            step = np.where(worse, step / 2, step)
        field, carried, slope, error, size = trial, trial_moment, trial_slope, trial_error, trial_size
    else:
        raise InputError("the magnetisation of a string did not settle; check gauges and the field of the magnets")
    magnetisation, core_slope = steel.core(field)
    reversible = core * steel.reversible(magnetisation, core_slope) + wrap * steel.wrap(field)[1]
    return WireState(field=field, moment=carried, reversible=reversible)
