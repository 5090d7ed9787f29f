"""Coils side by side: how much they couple, by the spectral route, dipoles and filaments."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from labkit.core.errors import InputError
from labkit.pickup.winding.inductance import (
    MU_0,
)
from labkit.pickup.winding.spectral import (
    CoilShape,
    axial_mean,
    coupling_of_pair,
    mutual_inductance,
    stream_spectrum,
)

SINGLE = {"straight_length": 52e-3, "end_radius": 2.5e-3, "winding_height": 11e-3, "build_up": 4.33e-3}
PAIR_COIL = CoilShape(straight_length=48e-3, end_radius=2.5e-3, winding_height=6.5e-3, build_up=5.5e-3)


def test_coils_of_a_pair_couple_by_about_a_tenth() -> None:
    # seen elsewhere for the air coils of a two-coil pickup at the usual spacing: k about 0.10, to one digit
    assert 0.07 < coupling_of_pair(PAIR_COIL, PAIR_COIL, spacing=18e-3) < 0.13


def test_coupling_falls_with_spacing_and_keeps_its_sign() -> None:
    values = [coupling_of_pair(PAIR_COIL, PAIR_COIL, spacing=d) for d in (16e-3, 18e-3, 22e-3, 30e-3, 50e-3)]
    assert all(near > far > 0 for near, far in itertools.pairwise(values))


def test_coupling_is_the_same_seen_from_either_coil_and_below_one() -> None:
    other = CoilShape(straight_length=48e-3, end_radius=2e-3, winding_height=7e-3, build_up=4e-3)
    one = mutual_inductance(PAIR_COIL, other, turns=(5000, 4000), across=18e-3, above=0.5e-3)
    back = mutual_inductance(other, PAIR_COIL, turns=(4000, 5000), across=-18e-3, above=-0.5e-3)
    assert one == pytest.approx(back, rel=1e-12)
    assert one < 0  # the flux of one returns through the other


def test_far_coils_couple_like_dipoles() -> None:
    # M = −μ0·m₁·m₂/(4π·d³) for parallel dipoles side by side; size over distance squared is 4 %
    shape = CoilShape(straight_length=0, end_radius=4e-3, winding_height=2e-3, build_up=2e-3)
    distance = 60e-3
    area = stream_spectrum(shape).flux_area
    mutual = mutual_inductance(shape, shape, turns=(1, 1), across=distance)
    assert mutual == pytest.approx(-MU_0 * area**2 / (4 * math.pi * distance**3), rel=0.05)


def test_side_by_side_mutual_agrees_with_filaments() -> None:
    # second route: Neumann's sum over straight pieces of 5 × 4 filaments a coil
    shape = CoilShape(straight_length=40e-3, end_radius=3e-3, winding_height=6e-3, build_up=4e-3)
    distance = 18e-3

    def outline(radius: float, shift: float) -> tuple[np.ndarray, np.ndarray]:
        angle = np.linspace(-math.pi / 2, math.pi / 2, 33)
        right = np.stack([20e-3 + radius * np.cos(angle), radius * np.sin(angle)], axis=1)
        top = np.stack([np.linspace(20e-3, -20e-3, 41)[1:-1], np.full(39, radius)], axis=1)
        half = np.concatenate([right, top])
        points = np.concatenate([half, -half])
        step = np.roll(points, -1, axis=0) - points
        return points + step / 2 + np.array([0.0, shift]), step

    node, weight = np.polynomial.legendre.leggauss(5)
    radii = 3e-3 + 4e-3 * (node + 1) / 2
    heights, share = np.polynomial.legendre.leggauss(4)
    z = 3e-3 * heights
    total = 0.0
    for r1, w1 in zip(radii, weight / 2):
        for r2, w2 in zip(radii, weight / 2):
            (p, dp), (q, dq) = outline(r1, 0.0), outline(r2, distance)
            plane = ((p[:, None] - q[None, :]) ** 2).sum(axis=2)
            dot = dp @ dq.T
            for z1, s1 in zip(z, share / 2):
                for z2, s2 in zip(z, share / 2):
                    total += w1 * w2 * s1 * s2 * float((dot / np.sqrt(plane + (z1 - z2) ** 2)).sum())
    filaments = MU_0 / (4 * math.pi) * total
    # pieces of 1 mm at a least distance of 4 mm: 1e-3; the plane of the spectral route as much
    assert mutual_inductance(shape, shape, turns=(1, 1), across=distance) == pytest.approx(filaments, rel=5e-3)


def test_overlapping_coils_are_refused() -> None:
    with pytest.raises(
        InputError, match="must not overlap: 10 mm between their middles, and their windings need 16 mm"
    ):
        coupling_of_pair(PAIR_COIL, PAIR_COIL, spacing=10e-3)
    with pytest.raises(InputError, match="build up must be above 0 mm"):
        CoilShape(straight_length=0, end_radius=1e-3, winding_height=1e-3, build_up=0.0)


def test_axial_mean_is_the_average_over_both_heights() -> None:
    k, h1, h2, d = 300.0, 5e-3, 7e-3, 3e-3
    z1 = (np.arange(2000) + 0.5) / 2000 * h1 - h1 / 2
    z2 = (np.arange(2000) + 0.5) / 2000 * h2 - h2 / 2 + d
    mean = np.exp(-k * np.abs(z1[:, None] - z2[None, :])).mean()
    assert axial_mean(np.array(k), h1, h2, d) == pytest.approx(mean, rel=1e-6)  # midpoint rule of 2000 × 2000
    own = 2 * (k * h1 - 1 + math.exp(-k * h1)) / (k * h1) ** 2
    assert axial_mean(np.array(k), h1, h1, 0.0) == pytest.approx(own, rel=1e-12)
