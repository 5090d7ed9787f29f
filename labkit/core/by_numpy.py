"""What scipy has as well, by numpy alone: the rig, its curve and its sound run in a browser without scipy's 20 MB."""

from __future__ import annotations

import numpy as np

_ROUNDS = 60
"""Of the mean at most; it settles in four or five."""

_SETTLED = 1e-8


def elliptic_integrals(m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the complete elliptic integrals K(m) and E(m) by the arithmetic-geometric mean.

    Parameters
    ----------
    m : ndarray
        Parameter, the square of the modulus, below 1; at 1 K is infinite and E is 1, above both are not numbers.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 17.6.3 and 17.6.4.

    >>> integrals = elliptic_integrals(np.array([0.0, 0.5]))
    >>> [round(float(each[1]), 12) for each in integrals]
    [1.854074677301, 1.350643881048]
    """
    m = np.asarray(m, dtype=float)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean, other = np.ones_like(m), np.sqrt(1 - m)
        lost, weight = m / 2, 0.5
        for _ in range(_ROUNDS):
            half, other, mean = (mean - other) / 2, np.sqrt(mean * other), (mean + other) / 2
            weight *= 2
            lost = lost + weight * half * half
            if not np.any(np.abs(half) > _SETTLED * mean):  # the next step would be its square
                break
        first = np.pi / (2 * mean)
        second = np.where(m == 1, 1.0, first * (1 - lost))
    return np.where(m == 1, np.inf, first), second


def fast_length(least: int) -> int:
    """Return the smallest number from ``least`` without a prime factor above 5: Fourier transforms of it are fast.

    >>> fast_length(1), fast_length(97), fast_length(480_001)
    (1, 100, 486000)
    """
    best = 1 << max(0, least - 1).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            best = min(best, three << max(0, -(-least // three) - 1).bit_length())
            three *= 3
        five *= 5
    return best


def beta_shares(a: float, b: float, count: int) -> np.ndarray:
    """Return the shares of a beta distribution in ``count`` equal parts of (0, 1), by quadrature in each.

    Parameters
    ----------
    a, b : float
        Parameters, from 6: the density must be smooth at both ends.
    count : int

    >>> [round(float(each), 12) for each in beta_shares(6, 6, 2)]
    [0.5, 0.5]
    """
    nodes, weights = np.polynomial.legendre.leggauss(16)
    x = (np.arange(count)[:, None] + (1 + nodes) / 2) / count
    density = (a - 1) * np.log(x) + (b - 1) * np.log1p(-x)
    shares = np.exp(density - density.max()) @ weights
    return np.asarray(shares / shares.sum())
