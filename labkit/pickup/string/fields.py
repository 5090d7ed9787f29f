"""Fields along strings: of magnetised poles, and of the coil with its poles per ampere-turn.

Everything that depends on shapes alone is worked out once: the field of a unit of charge on every ring and end disc of
every pole, along every string at ten heights. A magnet, a charge or a height that changes is then one small product.

Axes as in `labkit.pickup.magnetics.slices`: x along the row of poles, y along the strings, z upwards, 0 at the poles'
mid-length.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from labkit.core.by_numpy import elliptic_integrals
from labkit.pickup.magnetics.bar import PoleRows, row_charge
from labkit.pickup.magnetics.pair import coil_arguments
from labkit.pickup.magnetics.slices import Rods, coil_field, gauss_points, surface_charge
from labkit.pickup.string.wire import StringGrid
from labkit.pickup.winding.spectral import CoilShape

GAPS = (0.8e-3, 20e-3)
"""Least and greatest distance between pole face and middle of the string, m."""

HEIGHTS = 13
"""Chebyshev points over the logarithm of the distance."""

_DISC_RINGS = 8
_SHELLS, _ARC_POINTS = 4, 16
_SIDE_STEP = 1e-4  # of the central difference of the coil's field along the row


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargedPoles:
    """Where poles carry magnetic charge: rings on their sides and discs on their ends, alike on every pole.

    Parameters
    ----------
    positions : tuple of (float, float), m
        Centre of each pole along the row and across it.
    radius : float, m
    rings : tuple of float, m
        Heights of the rings of charge.
    discs : tuple of float, m
        Heights of the discs.
    top : float, m
        Height of the face under the strings.
    """

    positions: tuple[tuple[float, float], ...]
    radius: float
    rings: tuple[float, ...]
    discs: tuple[float, ...]
    top: float


def charged_rods(rods: Rods) -> ChargedPoles:
    """Return where the slice model puts the charge of rods."""
    edges = tuple(rods.edges.tolist())
    return ChargedPoles(
        positions=rods.positions,
        radius=rods.radius,
        rings=edges[1:-1],
        discs=(edges[0], edges[-1]),
        top=rods.length / 2,
    )


def rod_charge(rods: Rods, magnetisation: np.ndarray) -> np.ndarray:
    """Return the charge of magnetised rods for `charged_rods`, shape (..., rods, rings + 2), A·m.

    Parameters
    ----------
    rods : Rods
    magnetisation : ndarray, shape (..., rods, slices), A/m
    """
    charge = rods.section * surface_charge(magnetisation)
    return np.concatenate([charge[..., 1:-1], charge[..., :1], charge[..., -1:]], axis=-1)


def charged_rows(rows: PoleRows) -> ChargedPoles:
    """Return where two rows of soft poles over a bar magnet carry charge: two rings for each band, and the ends."""
    nodes, _ = gauss_points(2)
    low, high = rows.edges[:-1], rows.edges[1:]
    rings = ((low + high)[:, None] + (high - low)[:, None] * nodes).ravel() / 2
    half = rows.spacing / 2
    places = tuple((float(x), half) for x in rows.places) + tuple((float(x), -half) for x in rows.places)
    return ChargedPoles(
        positions=places,
        radius=rows.radius,
        rings=tuple(rings.tolist()),
        discs=(float(rows.edges[0]), float(rows.edges[-1])),
        top=rows.length / 2,
    )


def row_charges(rows: PoleRows, potential: float) -> np.ndarray:
    """Return the charge of both rows for `charged_rows` at a potential (A), shape (2·count, rings + 2), A·m."""
    charge = potential * row_charge(rows)
    near = np.concatenate([np.repeat(charge[:, :-2] / 2, 2, axis=1), charge[:, -2:]], axis=1)
    return np.concatenate([near, -near])


def ring_field(distance: np.ndarray, height: np.ndarray, radius: float | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the field of a unit charge spread over a ring: outwards over the distance from the axis, and along it.

    H_z = z·E(m)/(2π²·s·t), H_ρ = [K(m) − E(m)·(a² − ρ² + z²)/t]/(4π²·ρ·s), s² = (ρ + a)² + z², t = (ρ − a)² + z²,
    m = 4aρ/s² (K and E: complete elliptic integrals).

    Parameters
    ----------
    distance : ndarray, m
        ρ from the axis.
    height : ndarray, m
        z from the plane of the ring.
    radius : float or ndarray, m
        a.

    Returns
    -------
    ndarray, 1/m³; ndarray, 1/m²
        H_ρ/ρ and H_z per unit charge.
    """

    rho = np.maximum(distance, 1e-4 * radius)  # on the axis itself H_ρ/ρ is a limit
    far = (rho + radius) ** 2 + height**2
    near = (rho - radius) ** 2 + height**2
    modulus = 4 * radius * rho / far
    first, second = elliptic_integrals(modulus)
    root = np.sqrt(far)
    outwards = (first - second * (radius**2 - rho**2 + height**2) / near) / (4 * math.pi**2 * rho**2 * root)
    along = height * second / (2 * math.pi**2 * root * near)
    return outwards, along


def disc_rings(radius: float) -> tuple[np.ndarray, np.ndarray]:
    """Return radii and weights of rings that stand for a uniformly charged disc (Gauss's rule over the area)."""
    nodes, weights = gauss_points(_DISC_RINGS)
    return radius * np.sqrt((nodes + 1) / 2), weights / 2


def unit_fields(poles: ChargedPoles, distance: np.ndarray, level: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return H_ρ/ρ and H_z of every ring and disc of one pole per unit charge, shape (rings + 2, *shape of points).

    Parameters
    ----------
    poles : ChargedPoles
    distance, level : ndarray, m
        Of the points, from the axis of the pole and from the plane z = 0; broadcast together.
    """
    shape = np.broadcast_shapes(distance.shape, level.shape)
    heights = np.array(poles.rings).reshape(-1, *(1,) * len(shape))
    outwards, along = ring_field(distance, level - heights, poles.radius)
    radii, weights = disc_rings(poles.radius)
    faces = np.array(poles.discs).reshape(-1, 1, *(1,) * len(shape))
    disc_out, disc_along = ring_field(distance, level - faces, radii.reshape(-1, *(1,) * len(shape)))
    return (
        np.concatenate([outwards, np.einsum("fr...,r->f...", disc_out, weights)]),
        np.concatenate([along, np.einsum("fr...,r->f...", disc_along, weights)]),
    )


@lru_cache(maxsize=16)
def pole_basis(poles: ChargedPoles, places: tuple[float, ...], grid: StringGrid, *, across: bool = False) -> np.ndarray:
    """Return the field along every string of a unit charge on every ring and disc.

    Parameters
    ----------
    poles : ChargedPoles
    places : tuple of float, m
        Of the strings along the row.
    grid : StringGrid
    across : bool
        The derivative along x of that field instead.

    Returns
    -------
    ndarray, shape (poles, rings + 2, S, heights, Y, 3), 1/m² (1/m³ across), read-only
    """
    y, level = grid.centres, poles.top + node_gaps()
    pole = np.array(poles.positions)
    dx = np.array(places)[None, :] - pole[:, :1]  # (P, S)
    dy = y - pole[:, 1:]  # (P, Y)
    rho = np.sqrt(dx[:, :, None] ** 2 + dy[:, None, :] ** 2)
    unique, index = np.unique(np.round(rho, 10), return_inverse=True)
    outwards, along = unit_fields(poles, unique[None, :], level[:, None])  # (E, Z, U)
    index = index.reshape(rho.shape)
    if not across:
        out, up = outwards[:, :, index], along[:, :, index]  # (E, Z, P, S, Y)
        parts = (out * dx[:, :, None], out * dy[:, None, :], up)
    else:
        slope = derivative_matrix()
        up_z, out_z = (np.einsum("wz,ezu->ewu", slope, part) for part in (along, outwards))
        # H_ρ = g·ρ: no divergence makes dH_ρ/dρ = −g − dH_z/dz, so ρ·dg/dρ = −2g − dH_z/dz
        bent = (-2 * outwards - up_z) / np.maximum(unique, 1e-4 * poles.radius) ** 2
        out, turn, lift = outwards[:, :, index], bent[:, :, index], out_z[:, :, index]
        parts = (out + turn * dx[:, :, None] ** 2, turn * dx[:, :, None] * dy[:, None, :], lift * dx[:, :, None])
    basis = np.stack(parts, axis=-1).transpose(2, 0, 3, 1, 4, 5)
    basis = np.ascontiguousarray(basis)
    basis.flags.writeable = False
    return basis


@lru_cache(maxsize=8)
def coil_basis(
    shape: CoilShape,
    places: tuple[float, ...],
    grid: StringGrid,
    *,
    level: float,
    spacing: float | None = None,
    aside: float = 0.0,
    across: bool = False,
) -> np.ndarray:
    """Return the field of one ampere-turn of the coil alone along every string, shape (S, heights, Y, 3), 1/m.

    Parameters
    ----------
    shape : CoilShape
    places : tuple of float, m
    grid : StringGrid
    level : float, m
        Height of the poles' face over the coil's mid-height.
    spacing : float or None, m
        Of two such coils in series, either side of the middle: with opposite sense where ``grid`` is even, else alike.
    aside : float, m
        Where the long axis of a single coil lies across the row.
    across : bool
        The derivative along x instead.
    """
    if across:
        moved = [
            coil_basis(shape, tuple(place + side for place in places), grid, level=level, spacing=spacing, aside=aside)
            for side in (-_SIDE_STEP, _SIDE_STEP)
        ]
        difference: np.ndarray = (moved[1] - moved[0]) / (2 * _SIDE_STEP)
        return difference
    x = np.array(places)[:, None, None]
    z = (level + node_gaps())[:, None]
    if spacing is None:
        return _coil_vector(shape, x, grid.centres - aside, z)
    sense = -1.0 if grid.parity == "even" else 1.0
    near = _coil_vector(shape, x, grid.centres - spacing / 2, z)
    return near + sense * _coil_vector(shape, x, grid.centres + spacing / 2, z)


def _coil_vector(shape: CoilShape, x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Field of a coil outside its winding per ampere-turn, shape (..., 3), A/m.

    A coil acts like a block with charged faces, as dense as the turns around each point: H in the plane is ∮ n/r dl
    over the rims of thin shells, top less bottom, over 4πh.
    """
    upwards = coil_field(x=x, y=y, z=z, **coil_arguments(shape))
    px, py, pz = (part[..., None] for part in np.broadcast_arrays(x, y, z))
    nodes, weights = gauss_points(_SHELLS)
    radius, weight = shape.end_radius + shape.build_up * (nodes + 1) / 2, weights / 2
    nodes, weights = gauss_points(_ARC_POINTS)
    cos, sin, angle_weight = np.cos(nodes * np.pi / 2), np.sin(nodes * np.pi / 2), weights * np.pi / 2
    half = shape.straight_length / 2
    along, over = np.zeros(upwards.shape), np.zeros(upwards.shape)
    for level, sign in ((pz - shape.winding_height / 2, 1.0), (pz + shape.winding_height / 2, -1.0)):
        for side in (1.0, -1.0):
            away = np.sqrt((radius - side * py) ** 2 + level**2)
            over += sign * side * ((np.arcsinh((half - px) / away) + np.arcsinh((half + px) / away)) @ weight)
            ring = radius[:, None]
            dx = side * (half + ring * cos) - px[..., None]
            dy = ring * sin - py[..., None]
            inverse = ring / np.sqrt(dx**2 + dy**2 + level[..., None] ** 2)
            along += sign * side * (inverse @ (cos * angle_weight) @ weight)
            over += sign * (inverse @ (sin * angle_weight) @ weight)
    scale = 1 / (4 * math.pi * shape.winding_height)
    return np.stack([scale * along, scale * over, upwards], axis=-1)


@lru_cache(maxsize=1)
def node_gaps() -> np.ndarray:
    """Return the tabulated distances from pole face to string, shape (heights,), m."""
    middle, reach = _log_range()
    gaps: np.ndarray = np.exp(middle + reach * np.cos(_node_angles()))
    return gaps


@lru_cache(maxsize=1)
def derivative_matrix() -> np.ndarray:
    """Return the matrix that takes values at `node_gaps` to their derivatives over height there, 1/m."""
    return gap_weights(node_gaps())[1]


def gap_weights(gap: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the weights of the tabulated heights for value and derivative at each gap, shape (..., heights).

    Parameters
    ----------
    gap : ndarray, m
        Within `GAPS`.
    """
    away = np.clip(np.asarray(gap, dtype=float), *GAPS)[..., None]
    middle, reach = _log_range()
    order = np.arange(HEIGHTS)
    # discrete orthogonality of the polynomials takes node values to coefficients
    back = (np.cos(order * _node_angles()[:, None]) * np.where(order == 0, 1, 2) / HEIGHTS).T
    angle = np.arccos(np.clip((np.log(away) - middle) / reach, -1, 1))
    slope = order * np.sin(order * angle) / np.maximum(np.sin(angle), 1e-9) / (reach * away)
    return np.cos(order * angle) @ back, slope @ back


def _node_angles() -> np.ndarray:
    return np.pi * (np.arange(HEIGHTS) + 0.5) / HEIGHTS


def _log_range() -> tuple[float, float]:
    low, high = math.log(GAPS[0]), math.log(GAPS[1])
    return (low + high) / 2, (high - low) / 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StringFields:
    """Fields along strings at the tabulated heights.

    Attributes
    ----------
    grid : StringGrid
    static : ndarray, shape (S, heights, Y, 3), A/m
        Of the magnets.
    coil : ndarray, shape (S, heights, Y, 3), 1/m
        Of the coil and its poles, per ampere-turn.
    """

    grid: StringGrid
    static: np.ndarray
    coil: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldsAtHeight:
    """Fields along strings at given heights, shape (rows, S, Y, 3), with their derivatives over height."""

    static: np.ndarray
    static_slope: np.ndarray
    coil: np.ndarray
    coil_slope: np.ndarray


def fields_at(fields: StringFields, gap: np.ndarray) -> FieldsAtHeight:
    """Return the fields with every string at a height of its own.

    Parameters
    ----------
    fields : StringFields
    gap : ndarray, shape (rows, S), m
        Pole face to string.
    """
    value, slope = gap_weights(gap)

    def through(weights: np.ndarray, table: np.ndarray) -> np.ndarray:
        found: np.ndarray = np.einsum("rsz,szyc->rsyc", weights, table, optimize=True)
        return found

    return FieldsAtHeight(
        static=through(value, fields.static),
        static_slope=through(slope, fields.static),
        coil=through(value, fields.coil),
        coil_slope=through(slope, fields.coil),
    )


def tabulated_field(
    field: Callable[[np.ndarray], np.ndarray], *, places: tuple[float, ...], top: float, grid: StringGrid
) -> np.ndarray:
    """Return a field along every string of whatever can say it at a point, shape (S, heights, Y, 3).

    Parameters
    ----------
    field : callable
        Points of shape (K, 3), m, to a field of that shape.
    places : tuple of float, m
        Of the strings along the row.
    top : float, m
        Height of the face that gaps are counted from, in the frame of the points.
    grid : StringGrid
    """
    x, z, y = np.meshgrid(np.array(places), top + node_gaps(), grid.centres, indexing="ij")
    points = np.stack([x, y, z], axis=-1)
    return field(points.reshape(-1, 3)).reshape(points.shape)


def along_strings(basis: np.ndarray, charge: np.ndarray) -> np.ndarray:
    """Return the field along every string of charged poles, shape (S, heights, Y, 3).

    Parameters
    ----------
    basis : ndarray
        From `pole_basis`.
    charge : ndarray, shape (poles, rings + 2), real or complex
    """
    return np.tensordot(charge, basis, axes=2)
