"""Inductance of the air coil: a closed form, and the reference integral that it is held against.

A pickup coil is an obround (two straights of length a joined by half circles) of rectangular section: end radius r0
at the core, build-up w, height h. The closed form costs nothing and takes any array; the integral is Neumann's
formula over thin obround shells, with the average over the height and the integral along the straights done
analytically, and is exact to about 1e-4. A second, independent route is in `labkit.pickup.winding.spectral`.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError
from labkit.core.validity import Range, range_called, warnings_of

MU_0 = 4e-7 * math.pi
"""Magnetic constant, H/m (its value before 2019; today's differs by less than 1e-9)."""

CLOSED_FORM_RMS = 0.004
"""Relative rms error of the closed form against the integral over `CLOSED_FORM_RANGES`; the worst is 1.8 %."""


CLOSED_FORM_RANGES: dict[str, Range] = {
    name: range_called(f"closed_form_{name}")
    for name in ("straight_length", "end_radius", "build_up", "winding_height")
}
"""Range of each input over which the closed form was fitted."""

SHEET_LAYERS = range_called("layers_of_inductance")
PART_LAYER_DEVIATION = 0.05
"""One standard deviation of the inductance of a part layer for each e-fold of the layers below one: turns may lie close
or spread."""


def closed_form_warnings(
    *, straight_length: float, end_radius: float, winding_height: float, build_up: float
) -> tuple[str, ...]:
    """Return one sentence for each input outside the range in which the closed form was compared.

    Parameters
    ----------
    straight_length, end_radius, winding_height, build_up : float, m

    >>> closed_form_warnings(straight_length=52e-3, end_radius=2.5e-3, winding_height=11e-3, build_up=4.3e-3)
    ()
    """
    given = {
        "straight_length": straight_length,
        "end_radius": end_radius,
        "winding_height": winding_height,
        "build_up": build_up,
    }
    return warnings_of(*((CLOSED_FORM_RANGES[name], value) for name, value in given.items()))


def inductance_closed_form(
    *,
    turns: ArrayLike,
    straight_length: ArrayLike,
    end_radius: ArrayLike,
    winding_height: ArrayLike,
    build_up: ArrayLike,
) -> np.ndarray:
    """Inductance of a thick obround air coil in one line.

    L = 0.8666·μ0·N²·A·(1 + 0.2498·q/a) / (h + 0.6517·q + 1.0557·w + 0.7714·w·h/(q + h + w)),
    with q = 2·r0 + w and A = q·a + π·q²/4.

    Parameters
    ----------
    turns : array_like, shape (...), 1
    straight_length, end_radius, winding_height, build_up : array_like, shape (...), m

    Returns
    -------
    ndarray, shape (...), H

    Raises
    ------
    InputError
        If a dimension is not above zero.

    Notes
    -----
    Five constants fitted to the integral on 1500 coils; on 3000 others within `CLOSED_FORM_RANGES` rms 0.4 %, worst
    1.8 %. No meaning for a = 0 (a round coil).

    >>> shape = dict(straight_length=52e-3, end_radius=2.5e-3, winding_height=11e-3, build_up=4.33e-3)
    >>> round(float(inductance_closed_form(turns=8000, **shape)), 2)
    1.74
    """
    N, a, r0, h, w = (
        np.asarray(value, dtype=float) for value in (turns, straight_length, end_radius, winding_height, build_up)
    )
    _require_positive(straight_length=a, end_radius=r0, winding_height=h, build_up=w)
    q = 2 * r0 + w
    area = q * a + math.pi * q**2 / 4
    length = h + 0.6517 * q + 1.0557 * w + 0.7714 * w * h / (q + h + w)
    inductance: np.ndarray = 0.8666 * MU_0 * N**2 * area * (1 + 0.2498 * q / a) / length
    return inductance


def inductance_integral(
    *,
    turns: ArrayLike,
    straight_length: ArrayLike,
    end_radius: ArrayLike,
    winding_height: ArrayLike,
    build_up: ArrayLike,
) -> np.ndarray:
    """Inductance of a thick obround or round air coil by Neumann's formula: the reference of this package.

    L = N²·μ0/4π · mean over pairs of thin shells of ∮∮ dl·dl′ G(D), with the average over the height
    G(D) = (2/h²)·[h·asinh(h/D) − √(h² + D²) + D]. The mean over the build-up is a Gauss rule over 15 pairs in the
    gap between the shells and their place; the gap is clustered towards zero, so no shell meets itself and
    nothing is extrapolated.

    Parameters
    ----------
    turns : array_like, shape (...), 1
    straight_length : array_like, shape (...), m
        Zero gives a round coil.
    end_radius, winding_height, build_up : array_like, shape (...), m

    Returns
    -------
    ndarray, shape (...), H

    Raises
    ------
    InputError
        If a dimension is not above zero (straight length: below zero).

    Notes
    -----
    Turns are spread evenly over the section, as if the wire filled it; the correction for round wire is below 1e-3
    for thousands of turns. Within 1e-3 of published values for round coils (Nagaoka, Brooks).

    >>> shape = dict(straight_length=0, end_radius=10e-3, winding_height=10e-3, build_up=10e-3)  # Brooks coil
    >>> round(float(inductance_integral(turns=100, **shape)) * 1e6, 0)  # 25.491 nH/cm · N² · 1 cm
    255.0
    """
    N, a, r0, h, w = np.broadcast_arrays(
        *(np.asarray(value, dtype=float) for value in (turns, straight_length, end_radius, winding_height, build_up))
    )
    _require_positive(end_radius=r0, winding_height=h, build_up=w)
    if np.any(a < 0):
        raise InputError(f"straight length must be zero or more; got {a.min() * 1e3:g} mm")
    # ∫∫ dz dz′ f(z − z′) over equal heights is 2·[F(h) − F(0)], with F the second antiderivative of f
    heights = ((2.0, h), (-2.0, np.zeros_like(h)))
    mean: np.ndarray = _mean_neumann(a, (r0, w), (r0, w), heights) / h**2
    inductance: np.ndarray = MU_0 / (4 * math.pi) * N**2 * mean
    return inductance


def round_wire_correction(
    *, turns: ArrayLike, mean_turn: ArrayLike, winding_height: ArrayLike, bare_diameter: ArrayLike
) -> np.ndarray:
    """Inductance that one layer of round wires, evenly spread, has beyond an even sheet of current.

    ΔL = (μ0/2π)·N·MTL·[ln(2p/d) − 5/4 − 0.336·(1 − 1/N)], p = h/N; the last term fits Rosa's table of B within 0.05.

    Parameters
    ----------
    turns : array_like, shape (...), 1
        No more than fill one layer.
    mean_turn, winding_height, bare_diameter : array_like, shape (...), m

    Returns
    -------
    ndarray, shape (...), H

    Source: E. B. Rosa and F. W. Grover, Formulas and Tables for the Calculation of Mutual and Self-Inductance, Bull.
    Bur. Standards 8, 1912 (from memory).
    """
    N = np.asarray(turns, dtype=float)
    pitch = np.asarray(winding_height, dtype=float) / N
    each = np.log(2 * pitch / np.asarray(bare_diameter, dtype=float)) - 1.25 - 0.336 * (1 - 1 / np.maximum(N, 1.0))
    added: np.ndarray = MU_0 / (2 * math.pi) * N * np.asarray(mean_turn, dtype=float) * each
    return added


def stacked_mutual_inductance(
    *,
    turns: tuple[ArrayLike, ArrayLike],
    straight_length: ArrayLike,
    end_radius: tuple[ArrayLike, ArrayLike],
    winding_height: tuple[ArrayLike, ArrayLike],
    build_up: tuple[ArrayLike, ArrayLike],
    distance: ArrayLike,
) -> np.ndarray:
    """Mutual inductance of two coils on one axis, one above the other, as in a stacked noise-cancelling pair.

    M = N₁·N₂·μ0/4π · mean over shell pairs and heights of ∮∮ dl·dl′ / |r − r′|

    Parameters
    ----------
    turns, end_radius, winding_height, build_up : pair of array_like, shape (...)
        Of the first and the second coil; 1 and m.
    straight_length : array_like, shape (...), m
        The same for both coils; zero gives round coils.
    distance : array_like, shape (...), m
        Between the middles of the two windings along the axis.

    Returns
    -------
    ndarray, shape (...), H
        Positive when equal winding senses help one another.

    Raises
    ------
    InputError
        If a dimension is not above zero.
    """
    N1, N2, a, r1, r2, h1, h2, w1, w2, z = np.broadcast_arrays(
        *(
            np.asarray(value, dtype=float)
            for value in (*turns, straight_length, *end_radius, *winding_height, *build_up, distance)
        )
    )
    for r, h, w in ((r1, h1, w1), (r2, h2, w2)):
        _require_positive(end_radius=r, winding_height=h, build_up=w)
    ends = (
        (1.0, z + (h1 + h2) / 2),
        (-1.0, z + (h1 - h2) / 2),
        (-1.0, z - (h1 - h2) / 2),
        (1.0, z - (h1 + h2) / 2),
    )
    mean: np.ndarray = _mean_neumann(a, (r1, w1), (r2, w2), ends) / (h1 * h2)
    mutual: np.ndarray = MU_0 / (4 * math.pi) * N1 * N2 * mean
    return mutual


def _require_positive(**dimensions: np.ndarray) -> None:
    for name, value in dimensions.items():
        if not np.all((value > 0) & (value < math.inf)):
            raise InputError(f"{name.replace('_', ' ')} must be above 0 mm and finite; got {np.min(value) * 1e3:g} mm")


Ends = tuple[tuple[float, np.ndarray], ...]
"""Weights and axial separations at which the second antiderivative over the height is taken."""


Section = tuple[np.ndarray, np.ndarray]
"""Inner end radius and build-up, m."""


def _mean_neumann(a: np.ndarray, first: Section, second: Section, ends: Ends) -> np.ndarray:
    """∮∮ dl·dl′ ΣwF(u, D) averaged over both build-ups, by Gauss quadrature over pairs of thin shells."""
    p, q, weight = _equal_sections(*first) if _are_equal(first, second) else _other_sections(first, second)
    pairs = _shell_pair(a[..., None], p, q, tuple((sign, u[..., None]) for sign, u in ends))
    mean: np.ndarray = (pairs * weight).sum(axis=-1)
    return mean


def _are_equal(first: Section, second: Section) -> bool:
    return first is second or all(np.array_equal(one, other) for one, other in zip(first, second))


def _equal_sections(r: np.ndarray, w: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Shell pairs of a section with itself, the farther one first: gap δ = w·s², so that its kink at 0 is resolved."""
    (s, gap_weight), (t, place_weight) = _gauss(5), _gauss(3)
    share, place = (grid.ravel() for grid in np.meshgrid(s**2, t, indexing="ij"))
    weight = 2 * np.outer(gap_weight * 2 * s, place_weight).ravel() * (1 - share)
    q = r[..., None] + w[..., None] * (1 - share) * place
    return q + w[..., None] * share, q, weight


def _other_sections(first: Section, second: Section) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    (r1, w1), (r2, w2) = first, second
    t, weight = _gauss(5)
    one, other = (grid.ravel() for grid in np.meshgrid(t, t, indexing="ij"))
    return r1[..., None] + w1[..., None] * one, r2[..., None] + w2[..., None] * other, np.outer(weight, weight).ravel()


@cache
def _gauss(points: int) -> tuple[np.ndarray, np.ndarray]:
    """Gauss–Legendre nodes and weights on 0 … 1."""
    node, weight = np.polynomial.legendre.leggauss(points)
    return (node + 1) / 2, weight / 2


def _shell_pair(a: np.ndarray, p: np.ndarray, q: np.ndarray, ends: Ends) -> np.ndarray:
    """Neumann's double line integral of two concentric obround shells of end radii p and q."""
    straights = 2 * (_straights(a, _distance(p - q), ends) - _straights(a, p + q, ends))
    same_ends, whole_circle = _same_end_arcs(p, q, ends)
    opposite = np.where(a > 0, _opposite_arcs(a, p, q, ends), whole_circle)
    corners = 4 * (_straight_and_arc(a, p, q, ends) + _straight_and_arc(a, q, p, ends))
    total: np.ndarray = straights + 2 * same_ends + 2 * opposite + corners
    return total


def _distance(gap: np.ndarray) -> np.ndarray:
    """Distance across a gap; a trillionth of a metre keeps the antiderivatives off their removable 0·∞."""
    distance: np.ndarray = np.hypot(gap, 1e-12)
    return distance


def _height_kernel(D: np.ndarray, ends: Ends) -> np.ndarray:
    """ΣwF(u, D), F = u·asinh(u/D) − √(u² + D²): second antiderivative of 1/√(D² + u²) over u."""
    total = np.zeros(np.broadcast_shapes(D.shape, ends[0][1].shape))
    for weight, u in ends:
        total = total + weight * (u * np.arcsinh(u / D) - np.hypot(u, D))
    return total


def _along(x: np.ndarray, d: np.ndarray, ends: Ends) -> np.ndarray:
    """∫₀ˣ of the height kernel along a straight at distance d, in closed form."""
    total = np.zeros(np.broadcast_shapes(x.shape, d.shape, ends[0][1].shape))
    D = np.hypot(x, d)
    for weight, u in ends:
        S, R = np.hypot(d, u), np.hypot(D, u)
        part = (
            u * x * np.arcsinh(u / D)
            + (u**2 - d**2) / 2 * np.arcsinh(x / S)
            - u * d * np.arctan2(u * x, d * R)
            - x * R / 2
        )
        total = total + weight * part
    return total


def _straights(a: np.ndarray, d: np.ndarray, ends: Ends) -> np.ndarray:
    """∫₀ᵃ∫₀ᵃ of the height kernel between two parallel straights at distance d: 2·∫₀ᵃ (a − x)·F dx."""
    moment = np.zeros(np.broadcast_shapes(a.shape, d.shape, ends[0][1].shape))
    far = np.hypot(a, d)
    for weight, u in ends:
        R_far, R_near = np.hypot(far, u), np.hypot(d, u)
        upper = u * far**2 * np.arcsinh(u / far) + u**2 * R_far - 2 / 3 * R_far**3
        lower = u * d**2 * np.arcsinh(u / d) + u**2 * R_near - 2 / 3 * R_near**3
        moment = moment + weight * (upper - lower) / 2
    double: np.ndarray = 2 * (a * _along(a, d, ends) - moment)
    return double


def _widen(ends: Ends) -> Ends:
    return tuple((weight, u[..., None]) for weight, u in ends)


def _same_end_arcs(p: np.ndarray, q: np.ndarray, ends: Ends) -> tuple[np.ndarray, np.ndarray]:
    """Half circles about one centre, and what the opposite half adds when the straights have no length."""
    s, weight = _gauss(16)
    angle = math.pi * s**3  # clustered where the two arcs are closest
    measure = weight * 3 * math.pi * s**2 * np.cos(angle)
    p, q = p[..., None], q[..., None]
    D = _distance(np.hypot(p - q, 2 * np.sqrt(p * q) * np.sin(angle / 2)))
    kernel = 2 * p * q * measure * _height_kernel(D, _widen(ends))
    return ((math.pi - angle) * kernel).sum(axis=-1), (angle * kernel).sum(axis=-1)


def _opposite_arcs(a: np.ndarray, p: np.ndarray, q: np.ndarray, ends: Ends) -> np.ndarray:
    """Right-hand arc of one shell and left-hand arc of the other; dl·dl′ = −p·q·cos(φ + φ′)."""
    s, weight = _gauss(8)
    # nodes crowd towards ±π/2, where short straights bring the ends of the arcs together
    angle = math.pi / 2 * np.sin(math.pi * (s - 0.5))
    measure = weight * math.pi**2 / 2 * np.cos(math.pi * (s - 0.5))
    left, right = (grid.ravel() for grid in np.meshgrid(angle, angle, indexing="ij"))
    area = np.outer(measure, measure).ravel()
    a, p, q = a[..., None], p[..., None], q[..., None]
    D = np.hypot(a + p * np.cos(left) + q * np.cos(right), p * np.sin(left) - q * np.sin(right)) + 1e-12
    kernel: np.ndarray = (-p * q * np.cos(left + right) * area * _height_kernel(D, _widen(ends))).sum(axis=-1)
    return kernel


def _straight_and_arc(a: np.ndarray, p: np.ndarray, q: np.ndarray, ends: Ends) -> np.ndarray:
    """Upper straight of the shell p and right-hand arc of the shell q; along the straight in closed form."""
    s, weight = _gauss(8)
    angle = math.pi * (0.5 - s**2)  # clustered where arc and straight meet
    measure = weight * 2 * math.pi * s * np.sin(angle)
    a, p, q = a[..., None], p[..., None], q[..., None]
    d = _distance(q * np.sin(angle) - p)
    near = q * np.cos(angle)
    wide = _widen(ends)
    kernel: np.ndarray = (q * measure * (_along(a + near, d, wide) - _along(near, d, wide))).sum(axis=-1)
    return kernel
