"""Rods cut into slices: how a row of pole rods magnetises itself and its neighbours, and what a coil does to it.

Each rod is cut into axial slices of uniform magnetisation M along the rod. Where M changes from slice to slice,
flux leaves through the side, so the change is a ring of charge on the surface; the two ends are discs of charge.
Fields are averaged over the cross-section of the slice that feels them (elliptic integrals for the rod itself, a
multipole expansion for its neighbours), which keeps the equations well-posed at any permeability. Slices are
thinner towards the ends, where M changes fastest.

Axes: z along the rods, 0 at mid-length, up towards the strings; x along the row; the coil's straights lie along x.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.by_numpy import elliptic_integrals
from labkit.core.errors import InputError
from labkit.pickup.winding.inductance import MU_0

SLICES = 12
"""Slices of a rod: added inductance is then within 0.5 % of 48 slices (rods of length 3 to 5 times the diameter)."""

_SHELLS, _ARC_POINTS = 4, 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Rods:
    """Equal upright rods at given places, and how finely they are sliced.

    Parameters
    ----------
    positions : tuple of (float, float), m
        Centre of each rod in the plane of the top: along the row, across it.
    radius, length : float, m
    slices : int
        Slices of each rod, at least 2.
    merged : bool
        The rods stand for one solid blade, so their round sections may overlap a little.

    Raises
    ------
    InputError
        If there is no rod, a measure is not positive, or two rods run into each other.
    """

    positions: tuple[tuple[float, float], ...]
    radius: float
    length: float
    slices: int = SLICES
    merged: bool = False

    def __post_init__(self) -> None:
        if not self.positions:
            raise InputError("a row of poles needs at least one rod; got 0")
        for name in ("radius", "length"):
            if not 0 < getattr(self, name) < math.inf:
                raise InputError(f"a rod's {name} must be above 0 m; got {getattr(self, name)} m")
        if self.slices < 2:
            raise InputError(f"a rod must be cut into at least 2 slices; got {self.slices}")
        places = np.array(self.positions, dtype=float)
        if places.ndim != 2 or places.shape[1] != 2 or not np.all(np.isfinite(places)):
            raise InputError("each rod needs a place along and a place across the row, in metres")
        gaps = _distances(places)[np.triu_indices(len(places), 1)]
        room = 1.7 if self.merged else 2 * (1 - 1e-9)  # square columns side by side stand √π = 1.77 radii apart
        if gaps.size and gaps.min() < room * self.radius:
            raise InputError(
                f"rods of {2e3 * self.radius:.3g} mm diameter run into each other: "
                f"their centres are {1e3 * gaps.min():.3g} mm apart"
            )

    @property
    def edges(self) -> np.ndarray:
        """Heights of the slice boundaries, shape (slices + 1,), m; cosine spacing, bottom to top."""
        return slice_edges(self.length, self.slices)

    @property
    def centres(self) -> np.ndarray:
        """Mid-height of each slice, shape (slices,), m."""
        edges = self.edges
        middle: np.ndarray = (edges[1:] + edges[:-1]) / 2
        return middle

    @property
    def slice_volume(self) -> np.ndarray:
        """Volume of each slice, shape (slices,), m³."""
        return math.pi * self.radius**2 * np.diff(self.edges)

    @property
    def section(self) -> float:
        """Cross-section of one rod, m²."""
        return math.pi * self.radius**2


def slice_edges(length: float, slices: int = SLICES) -> np.ndarray:
    """Return the heights of slice boundaries over mid-length, shape (slices + 1,), m; cosine spacing, bottom to top."""
    edges: np.ndarray = length / 2 * np.sin(np.pi / 2 * np.linspace(-1.0, 1.0, slices + 1))
    return edges


def section_points(radius: float) -> np.ndarray:
    """Return four points that stand for a round section, shape (4, 2), m: exact up to third-order terms."""
    offset = radius / math.sqrt(2)
    return np.array([(offset, 0.0), (-offset, 0.0), (0.0, offset), (0.0, -offset)])


def row_positions(*, count: int, pitch: float, across: float = 0.0) -> tuple[tuple[float, float], ...]:
    """Return the centres of ``count`` rods in a straight row, centred on 0, m.

    >>> row_positions(count=2, pitch=0.01)
    ((-0.005, 0.0), (0.005, 0.0))
    """
    return tuple(((index - (count - 1) / 2) * pitch, across) for index in range(count))


def ring_field_over_disc(distance: np.ndarray, radius: float) -> np.ndarray:
    """Return the mean axial field over a disc from a ring of charge of the same radius, per σ.

    ⟨H_z⟩/σ = (R/2) ∫ J₀(kR) J₁(kR) e^(−kd) dk, the ring carrying the charge πR²σ of a disc:
    ½·[½ − (d/√(4R²+d²))·K(m)/π], m = 4R²/(4R²+d²).

    Parameters
    ----------
    distance : ndarray, m
        From ring to disc; the sign of the result follows it.
    radius : float, m

    Returns
    -------
    ndarray, A/m per A/m
    """

    reach = np.sqrt(4 * radius**2 + distance**2)
    modulus = (2 * radius / reach) ** 2
    mean: np.ndarray = np.sign(distance) * (
        0.25 - np.abs(distance) / reach * elliptic_integrals(modulus)[0] / (2 * math.pi)
    )
    return mean


def disc_field_over_disc(distance: np.ndarray, radius: float) -> np.ndarray:
    """Return the mean axial field over a disc from an equal coaxial disc of charge, per σ.

    ⟨H_z⟩/σ = ∫ J₁(kR)² e^(−kd)/k dk = ½ − (δ√(4+δ²)/2π)·(K(m) − E(m)), δ = d/R, m = 4/(4+δ²).

    Parameters and returns as `ring_field_over_disc`. Summed over both ends and averaged along a rod this is the
    magnetometric demagnetising factor of Chen, Brug and Goldfarb (IEEE Trans. Magn. 27, 1991, χ = 0).
    """

    scaled = np.abs(distance) / radius
    modulus = 4 / (4 + scaled**2)
    first, second = elliptic_integrals(modulus)
    inner = scaled * np.sqrt(4 + scaled**2) / (2 * math.pi) * (first - second)
    mean: np.ndarray = np.sign(distance) * (0.5 - inner)
    return mean


def own_kernel(gap: np.ndarray, radius: float) -> np.ndarray:
    """Return the mean axial field in each slice of a rod from unit charge at each of its own boundaries.

    Parameters
    ----------
    gap : ndarray, shape (slices, slices + 1), m
        From boundary to the middle of a slice: end discs first and last, rings between.
    radius : float, m
    """
    kernel = ring_field_over_disc(gap, radius)
    kernel[:, [0, -1]] = disc_field_over_disc(gap[:, [0, -1]], radius)
    return kernel


def far_kernel(gap: np.ndarray, square: ArrayLike, source_radius: ArrayLike, radius: ArrayLike) -> np.ndarray:
    """Return the same for the slices of another rod, to second order in the sections.

    Parameters
    ----------
    gap : ndarray, shape (..., slices, boundaries), m
    square : array_like, broadcast with it, m²
        Of the distance between the rods.
    source_radius, radius : array_like, broadcast with it, m
        Of the rod with the charge and of the one that feels it.
    """
    # mean square radius of source (ring R², disc R²/2) and of target (R²/2), over 4: what does not vanish
    own = np.full(gap.shape[-1], 1 / 4)
    own[[0, -1]] = 1 / 8
    source, target = (np.asarray(each, dtype=float) ** 2 for each in (source_radius, radius))
    spread = source * own + target / 8
    far = np.asarray(square, dtype=float) + gap**2
    curvature = gap / far**2.5 * (15 * gap**2 / far - 9)
    kernel: np.ndarray = source / 4 * (gap / far**1.5 - spread * curvature)
    return kernel


def surface_charge(magnetisation: np.ndarray) -> np.ndarray:
    """Return the charge at each slice boundary per cross-section, A/m: what leaves the slice below less what goes on.

    Parameters
    ----------
    magnetisation : ndarray, shape (..., slices), A/m

    Returns
    -------
    ndarray, shape (..., slices + 1), A/m
        End discs first and last, rings between.

    >>> surface_charge(np.array([2.0, 3.0])).tolist()
    [-2.0, -1.0, 3.0]
    """
    padded = np.pad(magnetisation, [(0, 0)] * (magnetisation.ndim - 1) + [(1, 1)])
    charge: np.ndarray = padded[..., :-1] - padded[..., 1:]
    return charge


@lru_cache(maxsize=64)
def pooled_distances(rods: Rods) -> tuple[np.ndarray, np.ndarray]:
    """Return the different distances between rods (0 first; to a nanometre), m, and which one holds between each two.

    Returns
    -------
    unique : ndarray, shape (K,), m
    index : ndarray of int, shape (rods, rods)
    """
    unique, index = np.unique(np.round(_distances(np.array(rods.positions)), 9), return_inverse=True)
    return unique, index.reshape(len(rods.positions), -1)


@lru_cache(maxsize=64)
def interaction_matrix(rods: Rods) -> np.ndarray:
    """Return N: the axial field in every slice from unit magnetisation of every slice, H = N·M.

    Parameters
    ----------
    rods : Rods

    Returns
    -------
    ndarray, shape (rods·slices, rods·slices), dimensionless, read-only
        Slices bottom to top within a rod, rods in the order given. Minus its entries are demagnetising factors.

    Validity: linear dimensions of the section below the distance between rods (the neighbours' part is exact to
    second order in radius over distance); radial magnetisation enters only through the side charge it leaves.
    """
    gap = rods.centres[:, None] - rods.edges[None, :]

    def per_slice(kernel: np.ndarray) -> np.ndarray:
        difference: np.ndarray = kernel[:, 1:] - kernel[:, :-1]  # unit M: −1 at the slice's bottom, +1 at its top
        return difference

    unique, index = pooled_distances(rods)
    blocks = np.empty((unique.size, rods.slices, rods.slices))
    for number, distance in enumerate(unique):
        near = distance == 0
        kernel = own_kernel(gap, rods.radius) if near else far_kernel(gap, distance**2, rods.radius, rods.radius)
        blocks[number] = per_slice(kernel)
    count = len(rods.positions)
    matrix: np.ndarray = blocks[index].transpose(0, 2, 1, 3).reshape(count * rods.slices, -1)
    matrix.flags.writeable = False
    return matrix


@lru_cache(maxsize=16)
def gauss_points(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Return Gauss–Legendre nodes and weights on −1 … 1, read-only; numpy works them out anew at every call."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    nodes.flags.writeable = weights.flags.writeable = False
    return nodes, weights


def coil_field(
    *,
    x: ArrayLike,
    y: ArrayLike,
    z: ArrayLike,
    straight_length: float,
    end_radius: float,
    build_up: float,
    winding_height: float,
) -> np.ndarray:
    """Return the axial field of an obround coil that carries one ampere-turn.

    Thin shells over the build-up, each a current sheet integrated over its height in closed form:
    H_z = 1/(4πh) ∮ (ρ × dl)_z/ρ² · [u/√(ρ²+u²)], u from z − h/2 to z + h/2; the straights in closed form, the end
    arcs by a 16-point Gauss rule.

    Parameters
    ----------
    x, y, z : array_like, m
        Points, broadcast together; z from the coil's mid-height, x along the straights.
    straight_length, end_radius, build_up, winding_height : float, m
        As in `labkit.pickup.winding.inductance`.

    Returns
    -------
    ndarray, A/m per ampere-turn

    Validity: points in the bore or outside the winding; inside the winding the four shells show.
    """
    points = np.broadcast_arrays(*(np.asarray(value, dtype=float) for value in (x, y, z)))
    px, py, pz = (point[..., None] for point in points)
    nodes, weights = gauss_points(_SHELLS)
    shell_radius = end_radius + build_up * (nodes + 1) / 2
    shell_weight = weights / 2
    half = straight_length / 2
    nodes, weights = gauss_points(_ARC_POINTS)
    angle, angle_weight = nodes * np.pi / 2, weights * np.pi / 2
    cos, sin = np.cos(angle), np.sin(angle)
    total = np.zeros(points[0].shape)
    for level, sign in ((pz + winding_height / 2, 1.0), (pz - winding_height / 2, -1.0)):
        straights = np.zeros(np.broadcast_shapes(px.shape, shell_radius.shape))
        for away in (shell_radius - py, shell_radius + py):
            for along in (half - px, half + px):
                straights += np.arctan(along * level / (away * np.sqrt(along**2 + away**2 + level**2)))
        total += sign * (straights @ shell_weight)
        for side in (1.0, -1.0):
            radius = shell_radius[:, None]
            dx = side * (half + radius * cos) - px[..., None]
            dy = side * radius * sin - py[..., None]
            turned = side * radius * (dx * cos + dy * sin)
            square = dx**2 + dy**2
            height = level[..., None]
            total += sign * ((turned / square * height / np.sqrt(square + height**2)) @ angle_weight @ shell_weight)
    return total / (4 * math.pi * winding_height)


def coil_field_in_rods(
    rods: Rods,
    *,
    straight_length: float,
    end_radius: float,
    build_up: float,
    winding_height: float,
    coil_across: float = 0.0,
    rise: float = 0.0,
) -> np.ndarray:
    """Return the coil's axial field averaged over each slice's section, shape (rods·slices,), A/m per ampere-turn.

    Over `section_points`, at mid-height of each slice.

    Parameters
    ----------
    rods : Rods
    straight_length, end_radius, build_up, winding_height : float, m
    coil_across : float, m
        Where the coil's long axis lies across the row (two-coil pickups).
    rise : float, m
        How far the rods' mid-height lies above the coil's.
    """
    centre = np.array(rods.positions)
    steps = section_points(rods.radius)
    places = np.abs((centre[:, None, :] - (0.0, coil_across)) + steps)  # the coil is symmetric in x and y
    unique, index = np.unique(np.round(places.reshape(-1, 2), 10), axis=0, return_inverse=True)
    level = np.abs(rods.centres + rise)  # and in z
    heights, height_index = np.unique(np.round(level, 10), return_inverse=True)
    field = coil_field(
        x=unique[:, :1],
        y=unique[:, 1:],
        z=heights,
        straight_length=straight_length,
        end_radius=end_radius,
        build_up=build_up,
        winding_height=winding_height,
    )
    sampled = field[index.ravel()][:, height_index.ravel()].reshape(len(centre), len(steps), rods.slices)
    mean: np.ndarray = sampled.mean(axis=1).ravel()
    return mean


def magnetise(rods: Rods, *, field: ArrayLike, relative_permeability: ArrayLike) -> np.ndarray:
    """Return the magnetisation of linear rods in an applied axial field: (1/χ − N)·M = H.

    Parameters
    ----------
    rods : Rods
    field : array_like, shape (rods·slices,) or scalar, A/m
    relative_permeability : array_like, scalar or shape (rods,), above 1

    Returns
    -------
    ndarray, shape (rods, slices), A/m
    """
    permeability = np.asarray(relative_permeability, dtype=float)
    if not np.all(permeability > 1) or not np.all(np.isfinite(permeability)):
        raise InputError(f"relative permeability of a pole must be above 1; got {permeability.min():g}")
    count = len(rods.positions)
    inverse = np.repeat(np.broadcast_to(1 / (permeability - 1), (count,)), rods.slices)
    applied = np.broadcast_to(np.asarray(field, dtype=float), inverse.shape)
    solved: np.ndarray = np.linalg.solve(np.diag(inverse) - interaction_matrix(rods), applied)
    return solved.reshape(count, rods.slices)


def stored_field(rods: Rods, field: np.ndarray) -> float:
    """Return S = μ0·∫H² dV over all rods, H per ampere-turn: henries per turn² at unit susceptibility."""
    volume = np.tile(rods.slice_volume, len(rods.positions))
    return float(MU_0 * np.sum(volume * field**2))


def _distances(places: np.ndarray) -> np.ndarray:
    difference = places[:, None, :] - places[None, :, :]
    distances: np.ndarray = np.hypot(difference[..., 0], difference[..., 1])
    return distances
