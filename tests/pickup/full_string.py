"""The slow way to a string's output and pull, which shares no field code with labkit: point charges, Biot–Savart
segments, a whole string in even pieces, splines over height, and forces from the coenergy."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import root

MU_0 = 4e-7 * np.pi
Fields = Callable[[float], np.ndarray]


def point_charges(
    positions: np.ndarray, edges: np.ndarray, radius: float, charge: np.ndarray, *, around: int = 48, rings: int = 12
) -> tuple[np.ndarray, np.ndarray]:
    """Return points and charges of rods: discs on their ends, rings on their sides."""
    angle = (np.arange(around) + 0.5) * 2 * np.pi / around
    nodes, weights = np.polynomial.legendre.leggauss(rings)
    places, charges = [], []
    for (x, y), row in zip(positions, charge):
        for index, height in enumerate(edges):
            is_end = index in (0, len(edges) - 1)
            radii = radius * np.sqrt((nodes + 1) / 2) if is_end else np.array([radius])
            for r, weight in zip(radii, weights / 2 if is_end else [1.0]):
                places.append(np.c_[x + r * np.cos(angle), y + r * np.sin(angle), np.full(around, height)])
                charges.append(np.full(around, row[index] * weight / around))
    return np.concatenate(places), np.concatenate(charges)


def charge_field(places: np.ndarray, charges: np.ndarray, points: np.ndarray) -> np.ndarray:
    away = points[:, None] - places
    inverse = (away**2).sum(axis=-1) ** -1.5
    return np.einsum("pk,pkc->pc", inverse * charges / (4 * np.pi), away)


def coil_field_by_segments(coil: dict[str, float], points: np.ndarray) -> np.ndarray:
    """Return the field per ampere-turn of 5 × 10 obround filaments of 66 straight segments."""
    total = np.zeros_like(points)
    across, across_weight = np.polynomial.legendre.leggauss(5)
    upright, upright_weight = np.polynomial.legendre.leggauss(10)
    turn = np.linspace(-np.pi / 2, np.pi / 2, 33)
    for part, weight in zip(across, across_weight / 2):
        radius = coil["end_radius"] + coil["build_up"] * (part + 1) / 2
        right = np.c_[coil["straight_length"] / 2 + radius * np.cos(turn), radius * np.sin(turn)]
        loop = np.r_[right, -right]
        loop = np.r_[loop, loop[:1]]
        for height, level_weight in zip(upright * coil["winding_height"] / 2, upright_weight / 2):
            start = np.c_[loop[:-1], np.full(len(loop) - 1, height)]
            end = np.c_[loop[1:], np.full(len(loop) - 1, height)]
            one, two = points[:, None] - start, points[:, None] - end
            long_one, long_two = np.linalg.norm(one, axis=-1), np.linalg.norm(two, axis=-1)
            dot = (one * two).sum(axis=-1)
            factor = (long_one + long_two) / (long_one * long_two * (long_one * long_two + dot))
            total += weight * level_weight / (4 * np.pi) * np.einsum("pk,pkc->pc", factor, np.cross(end - start, one))
    return total


def langevin(field: np.ndarray, susceptibility: float, saturation: float) -> np.ndarray:
    q = 3 * susceptibility * field / saturation
    safe = np.where(np.abs(q) < 1e-2, 1.0, q)
    return saturation * np.where(np.abs(q) < 1e-2, q / 3 - q**3 / 45, 1 / np.tanh(safe) - 1 / safe)


@dataclass
class FullString:
    """A plain string of 90 mm over rods and a coil, in even pieces."""

    diameter: float
    susceptibility: float = 300.0
    initial: float = 80.0
    saturation: float = 1.95 / MU_0
    pieces: int = 120
    length: float = 90e-3

    def __post_init__(self) -> None:
        self.edges = np.linspace(-self.length / 2, self.length / 2, self.pieces + 1)
        self.centres = (self.edges[1:] + self.edges[:-1]) / 2
        self.step = self.length / self.pieces
        self.area = np.pi / 4 * self.diameter**2
        gap = self.centres[:, None] - self.edges
        radius = self.diameter / 2
        ring = radius**2 / 4 * gap / (gap**2 + radius**2) ** 1.5
        self.matrix = ring[:, 1:] - ring[:, :-1]

    def magnetisation(self, applied: np.ndarray) -> np.ndarray:
        """Along the string, from a general root finder for the field inside, led up from a weak field."""
        size = float(np.abs(applied).max())
        field = np.zeros(self.pieces)
        for part in (0.02, 0.1, 0.3, 0.6, 1.0):
            target = part * applied

            def miss(inside: np.ndarray, target: np.ndarray = target) -> np.ndarray:
                carried = langevin(inside, self.susceptibility, self.saturation)
                return (inside - target - self.matrix @ carried) / size

            def slope(inside: np.ndarray) -> np.ndarray:
                small = 1e-3
                change = langevin(inside + small, self.susceptibility, self.saturation) - langevin(
                    inside - small, self.susceptibility, self.saturation
                )
                return (np.eye(self.pieces) - self.matrix * change / (2 * small)) / size

            found = root(miss, field, jac=slope, method="lm", options={"xtol": 1e-13, "ftol": 1e-13})
            field = found.x
        assert np.abs(miss(field)).max() < 1e-6
        return langevin(field, self.susceptibility, self.saturation)

    def coenergy(self, static: np.ndarray) -> float:
        """μ0·A·∫(∫M dH0 + H_t²) dy: its slope over height is the force."""
        nodes, weights = np.polynomial.legendre.leggauss(24)
        along = sum(
            weight / 2 * np.sum(self.magnetisation(static[:, 1] * (node + 1) / 2) * static[:, 1])
            for node, weight in zip(nodes, weights)
        )
        return float(MU_0 * self.area * self.step * (along + np.sum(static[:, 2] ** 2 + static[:, 0] ** 2)))

    def sensitivity(self, static: CubicSpline, coil: CubicSpline, height: float, turns: float) -> float:
        """Per volt and metre a second, the flux linkage differentiated over height with moments on the slope."""
        magnetisation = self.magnetisation(static(height)[:, 1])
        field = 1e-3
        inside = static(height)[:, 1] + self.matrix @ magnetisation
        slope = (
            langevin(inside + field, self.susceptibility, self.saturation)
            - langevin(inside - field, self.susceptibility, self.saturation)
        ) / (2 * field)
        reversible = np.minimum(self.initial * (1 - (magnetisation / self.saturation) ** 2), slope)
        answer = np.linalg.inv(np.eye(self.pieces) - reversible[:, None] * self.matrix) * reversible

        def linkage(at: float) -> float:
            moved = magnetisation + answer @ (static(at)[:, 1] - static(height)[:, 1])
            fields, own = static(at), coil(at)
            across = 2 * (fields[:, 2] * own[:, 2] + fields[:, 0] * own[:, 0])
            return float(turns * MU_0 * self.area * self.step * np.sum(moved * own[:, 1] + across))

        small = 2e-5
        return (linkage(height - small) - linkage(height + small)) / (2 * small)
