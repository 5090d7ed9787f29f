"""The air coil as a sheet of dipoles: a second, independent route to inductance, and the coupling of two coils.

Seen from above, a coil is its stream function ψ(x, y): the part of the turns that go round a point, 1 inside the core,
falling to 0 across the build-up. In the plane-wave spectrum of ψ the height of the winding, the distance of
another coil and a conducting plate are one factor each. Nothing here is shared with `labkit.pickup.winding.inductance`.

The plane is a periodic square box. The field of the images is taken off with the dipole sum of a square lattice
(Σ 1/r³ = 9.0336), so that a box three times as wide as the coil is enough.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.core.errors import InputError
from labkit.pickup.winding.inductance import MU_0

SQUARE_LATTICE_SUM = 9.0336
"""Σ (m² + n²)^(−3/2) over all integers m, n but (0, 0)."""

BOX_WIDTHS = 3.0
"""Side of the box in outer widths of the coils."""

POINTS = 128
"""Wave numbers along each axis."""

_UNTHREADED = 200_000
"""Multiplications in one matrix product that stay on one thread (the library wakes others at 262 144)."""

SAMPLES_PER_POINT = 4
"""Samples of ψ from the middle of the box to its edge, per wave number: only those under the coil are summed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilShape:
    """Section of an obround (or, with no straight, round) winding.

    Parameters
    ----------
    straight_length : float, m
        Zero or more.
    end_radius, winding_height, build_up : float, m
        Inner end radius, height between the flanges, radial depth.
    """

    straight_length: float
    end_radius: float
    winding_height: float
    build_up: float

    def __post_init__(self) -> None:
        if not 0 <= self.straight_length < math.inf:
            raise InputError(f"straight length must be zero or more; got {self.straight_length * 1e3:g} mm")
        for name in ("end_radius", "winding_height", "build_up"):
            if not 0 < getattr(self, name) < math.inf:
                raise InputError(f"{name.replace('_', ' ')} must be above 0 mm; got {getattr(self, name) * 1e3:g} mm")

    @property
    def outer_radius(self) -> float:
        """Outer end radius, m."""
        return self.end_radius + self.build_up

    @property
    def outer_length(self) -> float:
        """Length over the winding, m."""
        return self.straight_length + 2 * self.outer_radius


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamSpectrum:
    """Plane-wave spectrum of a coil's stream function over one quarter of the wave-number plane.

    Attributes
    ----------
    wave_x, wave_y : ndarray, shape (K,), rad/m
        Wave numbers 0, 2π/box, 2·2π/box … along and across.
    amplitude : ndarray, shape (K, K), m²
        ψ̂(kx, ky), real because ψ is even both ways.
    box : float, m
        Side of the periodic square.
    """

    wave_x: np.ndarray
    wave_y: np.ndarray
    amplitude: np.ndarray
    box: float

    @property
    def wave_number(self) -> np.ndarray:
        """k = √(kx² + ky²), shape (K, K), rad/m."""
        number: np.ndarray = np.hypot(self.wave_x[:, None], self.wave_y[None, :])
        return number

    @property
    def flux_area(self) -> float:
        """∫ψ dx dy = ψ̂(0), the mean turn area, m²."""
        return float(self.amplitude[0, 0])


def stream_spectrum(shape: CoilShape, *, box: float | None = None, points: int = POINTS) -> StreamSpectrum:
    """Spectrum of ψ = clip((r0 + w − ρ)/w, 0, 1), ρ the distance from the coil's middle line.

    Parameters
    ----------
    shape : CoilShape
    box : float, optional, m
        Side of the periodic square; three outer lengths when left out.
    points : int
        Wave numbers along each axis; detail finer than box/(2·points) is left out.

    Returns
    -------
    StreamSpectrum

    >>> round_coil = CoilShape(straight_length=0, end_radius=9.5e-3, winding_height=5e-3, build_up=1e-3)
    >>> round(stream_spectrum(round_coil).flux_area / (3.14159e-4), 2)  # π·(10 mm)², mean radius
    1.0
    """
    side = BOX_WIDTHS * shape.outer_length if box is None else box
    step = side / (2 * points * SAMPLES_PER_POINT)
    place = (np.arange(points * SAMPLES_PER_POINT) + 0.5) * step
    wave = 2 * math.pi / side * np.arange(points)
    # only samples under the coil are not zero: the sums stop at its edge
    x, y = place[place < shape.outer_length / 2 + step], place[place < shape.outer_radius + step]
    beyond = np.maximum(x - shape.straight_length / 2, 0.0)
    distance = np.hypot(beyond[:, None], y[None, :])
    stream = np.clip((shape.outer_radius - distance) / shape.build_up, 0.0, 1.0)
    over_x = _product(np.cos(np.outer(wave, x)), stream)
    amplitude = 4 * step**2 * _product(over_x, np.cos(np.outer(y, wave)))
    return StreamSpectrum(wave_x=wave, wave_y=wave, amplitude=amplitude, box=side)


def spectral_inductance(shape: CoilShape, *, turns: float, points: int = POINTS) -> float:
    """Inductance of an air coil from its stream function.

    L = N²·[Σ W_k·2(kh − 1 + e^(−kh))/(kh)² + 9.0336·μ0·ψ̂(0)²/(4π·box³)], W_k = (μ0/2)·k·|ψ̂|²/box²

    Parameters
    ----------
    shape : CoilShape
    turns : float
    points : int
        As for `stream_spectrum`.

    Returns
    -------
    float, H

    Notes
    -----
    Within 0.5 % of the integral over pickup shapes with the default resolution.
    """
    spectrum = stream_spectrum(shape, points=points)
    return turns**2 * _energy(spectrum, spectrum, (shape.winding_height, shape.winding_height))


def mutual_inductance(
    first: CoilShape,
    second: CoilShape,
    *,
    turns: tuple[float, float],
    along: float = 0.0,
    across: float = 0.0,
    above: float = 0.0,
    points: int = POINTS,
) -> float:
    """Mutual inductance of two coils with parallel axes and parallel straights.

    Parameters
    ----------
    first, second : CoilShape
    turns : pair of float
    along, across, above : float, m
        From the middle of the first to the middle of the second: along the straights, across them in the plane
        of the winding, and along the axis.
    points : int
        As for `stream_spectrum`.

    Returns
    -------
    float, H
        Positive when equal winding senses help one another; two coils side by side give a negative value.

    Raises
    ------
    InputError
        If the two windings would occupy the same place.
    """
    _refuse_overlap(first, second, along=along, across=across, above=above)
    box = _box_of(first, second, along, across)
    one = stream_spectrum(first, box=box, points=points)
    other = one if first == second else stream_spectrum(second, box=box, points=points)
    heights = (first.winding_height, second.winding_height)
    return turns[0] * turns[1] * _energy(one, other, heights, along, across, above)


def coupling_of_pair(first: CoilShape, second: CoilShape, *, spacing: float, points: int = POINTS) -> float:
    """Coupling k of two coils side by side, positive when it adds to the inductance of the hum-cancelling series pair.

    k = −M/√(L₁·L₂); the coils of such a pair are wound, or connected, in opposite senses, so the flux that one
    returns through the other helps.

    Parameters
    ----------
    first, second : CoilShape
    spacing : float, m
        Between the middle lines of the two coils.
    points : int
        As for `stream_spectrum`.

    Returns
    -------
    float, 1
        Of the air coils; cores, a common magnet and a keeper change it.

    Raises
    ------
    InputError
        If the windings would overlap.

    >>> coil = CoilShape(straight_length=50e-3, end_radius=2.5e-3, winding_height=6e-3, build_up=5e-3)
    >>> 0.08 < coupling_of_pair(coil, coil, spacing=18e-3) < 0.16
    True
    """
    _refuse_overlap(first, second, across=spacing)
    box = _box_of(first, second, 0.0, spacing)
    one = stream_spectrum(first, box=box, points=points)
    other = one if first == second else stream_spectrum(second, box=box, points=points)
    h1, h2 = first.winding_height, second.winding_height
    mutual = _energy(one, other, (h1, h2), across=spacing)
    own = _energy(one, one, (h1, h1))
    own_other = own if first == second else _energy(other, other, (h2, h2))
    return -mutual / math.sqrt(own * own_other)


def _refuse_overlap(
    first: CoilShape, second: CoilShape, *, along: float = 0.0, across: float = 0.0, above: float = 0.0
) -> None:
    side_by_side = abs(across) >= (first.outer_radius + second.outer_radius) * (1 - 1e-6)
    end_to_end = abs(along) >= (first.outer_length + second.outer_length) / 2 * (1 - 1e-6)
    stacked = abs(above) >= (first.winding_height + second.winding_height) / 2 * (1 - 1e-6)
    nested = _nested(first, second) or _nested(second, first)
    if not (side_by_side or end_to_end or stacked or (nested and along == across == 0)):
        room = first.outer_radius + second.outer_radius
        raise InputError(
            f"two coils must not overlap: {abs(across) * 1e3:.3g} mm between their middles, "
            f"and their windings need {room * 1e3:.3g} mm"
        )


def _nested(inner: CoilShape, outer: CoilShape) -> bool:
    return inner.outer_radius <= outer.end_radius and inner.outer_length <= outer.straight_length + 2 * outer.end_radius


def _box_of(first: CoilShape, second: CoilShape, along: float, across: float) -> float:
    length = max(first.outer_length, second.outer_length) + abs(along)
    return BOX_WIDTHS * max(length, first.outer_radius + second.outer_radius + abs(across))


def _energy(
    one: StreamSpectrum,
    other: StreamSpectrum,
    heights: tuple[float, float],
    along: float = 0.0,
    across: float = 0.0,
    above: float = 0.0,
) -> float:
    """Mutual inductance for one turn each: Σ (μ0/2)·k·ψ̂₁·ψ̂₂·cos·cos·⟨e^(−k|z|)⟩/box² less the images."""
    k = one.wave_number
    k[0, 0] = 1.0  # the uniform term carries no energy: its factor k is zero
    count = np.where(np.arange(one.wave_x.size) == 0, 1.0, 2.0)
    weight = MU_0 / 2 * k * one.amplitude * other.amplitude / one.box**2
    weight *= np.outer(count * np.cos(one.wave_x * along), count * np.cos(one.wave_y * across))
    weight[0, 0] = 0.0
    total = float(np.sum(weight * axial_mean(k, *heights, above)))
    images = SQUARE_LATTICE_SUM * MU_0 * one.flux_area * other.flux_area / (4 * math.pi * one.box**3)
    return total + images


def _product(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Matrix product in strips too small to wake the threads of the linear-algebra library, which cost more here."""
    strip = max(1, _UNTHREADED // (left.shape[1] * right.shape[1]))
    parts = [left[start : start + strip] @ right for start in range(0, left.shape[0], strip)]
    joined: np.ndarray = np.concatenate(parts)
    return joined


def axial_mean(wave_number: np.ndarray, height: float, other_height: float, distance: float) -> np.ndarray:
    """Mean of e^(−k|z − z′|) over two windings whose middles lie ``distance`` apart along the axis.

    Parameters
    ----------
    wave_number : ndarray, any shape, rad/m
        Above zero.
    height, other_height, distance : float, m

    Returns
    -------
    ndarray, the same shape, 1
        For one winding, 2(kh − 1 + e^(−kh))/(kh)².
    """
    k = wave_number
    sum_half, difference_half = (height + other_height) / 2, (height - other_height) / 2
    ends = (
        (1.0, distance + sum_half),
        (-1.0, distance + difference_half),
        (-1.0, distance - difference_half),
        (1.0, distance - sum_half),
    )
    # second antiderivative of e^(−k|u|) over u
    total = sum(sign * (np.exp(-k * abs(u)) / k**2 + abs(u) / k) for sign, u in ends)
    mean: np.ndarray = np.asarray(total) / (height * other_height)
    return mean
