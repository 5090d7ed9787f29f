"""Second route: one linear rod by boundary elements, sharing nothing with the slice model but the ring's field.

A rod of susceptibility χ in a uniform axial field carries surface charge only. On every panel σ/χ = H_n (applied) +
H_n (all panels) − σ/2; side and ends are panels of their own, narrower towards the edge, where σ diverges. The error
falls as panels^(−3/2) or so: callers extrapolate from two counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ellipe, ellipkm1


@dataclass(frozen=True)
class Solved:
    """Charges of one rod: ring radius, height and charge of every quadrature point."""

    radius: np.ndarray
    height: np.ndarray
    charge: np.ndarray

    def moment(self) -> float:
        """Magnetic moment, A·m² per A/m of applied field."""
        return float(np.sum(self.charge * self.height))

    def axis_field(self, height: np.ndarray) -> np.ndarray:
        """H on the axis at heights from the rod's middle, A/m per A/m."""
        gap = height[:, None] - self.height
        return (self.charge * gap / (4 * math.pi * (self.radius**2 + gap**2) ** 1.5)).sum(axis=1)

    def axial_field(self, radial: np.ndarray, height: float) -> np.ndarray:
        """H_z off the axis at one height."""
        return np.array([np.sum(self.charge * _ring(r, height - self.height, self.radius)[1]) for r in radial])


def _ring(r: np.ndarray | float, z: np.ndarray, a: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    outer, inner = (r + a) ** 2 + z**2, (r - a) ** 2 + z**2
    e = ellipe(4 * r * a / outer)
    scale = 1 / (2 * math.pi**2 * np.sqrt(outer))
    radial = scale / (2 * r) * (ellipkm1(inner / outer) + (r * r - a * a - z * z) / inner * e)
    return radial, scale * z * e / inner


def solve(radius: float, length: float, susceptibility: float, panels: int = 40) -> Solved:
    """Solve for the charge on a rod in unit applied field; ``panels`` on the side, half as many on each end."""
    power = 2.5
    along = np.linspace(-1, 1, panels + 1)
    side = length / 2 * np.sign(along) * (1 - (1 - np.abs(along)) ** power)
    end = radius * (1 - (1 - np.linspace(0, 1, panels // 2 + 1)) ** power)
    low = np.concatenate([side[:-1], end[:-1], end[:-1]])
    high = np.concatenate([side[1:], end[1:], end[1:]])
    kind = np.array([0] * panels + [1] * (panels // 2) + [-1] * (panels // 2))
    middle, half = (low + high) / 2, (high - low) / 2
    r = np.where(kind == 0, radius, middle)
    z = np.where(kind == 0, middle, kind * length / 2)
    nodes, weights = np.polynomial.legendre.leggauss(12)
    nodes, weights = (nodes + 1) / 2, weights / 2  # clustered at the panel's own middle, where the kernel is sharp
    nodes, weights = np.concatenate([-(nodes**3), nodes**3]), np.tile(3 * nodes**2 * weights, 2)
    points = middle[:, None] + half[:, None] * nodes
    ring_radius = np.where(kind[:, None] == 0, radius, points)
    ring_height = np.where(kind[:, None] == 0, points, kind[:, None] * length / 2)
    area = 2 * math.pi * ring_radius * half[:, None] * weights
    matrix = np.empty((kind.size, kind.size))
    for panel in range(kind.size):
        radial, axial = _ring(r[:, None], z[:, None] - ring_height[panel], ring_radius[panel])
        same_plane = (kind != 0) & (kind == kind[panel])
        normal = np.where(kind == 0, radial @ area[panel], kind * (axial @ area[panel]))
        matrix[:, panel] = -np.where(same_plane, 0.0, normal)
    matrix += np.eye(kind.size) * (1 / susceptibility + 0.5)
    density = np.linalg.solve(matrix, kind.astype(float))
    charge = density[:, None] * area
    return Solved(radius=ring_radius.ravel(), height=ring_height.ravel(), charge=charge.ravel())
