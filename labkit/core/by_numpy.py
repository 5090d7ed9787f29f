"""What scipy has as well, by numpy alone: a rig, a winding, curve and sound run in a browser without scipy's 20 MB."""

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


def bessel_ratio(z: np.ndarray) -> np.ndarray:
    """Return J₁(z)/J₀(z) for arguments on the ray of a conducting cylinder, z = r·exp(−jπ/4).

    Near 0 by the continued fraction of the recurrence, from its far end; from |z| = 30 by Hankel's expansion of the
    growing one of two waves, beside which the other has sunk below 1e-18.

    Parameters
    ----------
    z : ndarray, complex
        Of any size, 0 included.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 9.1.73 and 9.2.7.

    >>> bessel_ratio(np.array([0.0, 1.0 - 1.0j])).round(6).tolist()
    [0j, (0.350548-0.574958j)]
    """
    z = np.asarray(z, dtype=complex)
    is_far = np.abs(z) > _FAR
    ratio = np.zeros_like(z)
    near, far = z[~is_far], z[is_far]
    rest = np.zeros_like(near)
    for order in range(int(np.abs(near).max(initial=0.0)) + _ORDERS, 0, -1):
        rest = near / (2 * order - near * rest)
    ratio[~is_far] = rest
    if far.size:
        waves = []
        for nu in (0, 1):
            terms = [np.ones_like(far)]
            for k in range(1, _TERMS):
                terms.append(terms[-1] * 1j * (4 * nu**2 - (2 * k - 1) ** 2) / (8 * k * far))
            waves.append(sum(terms))
        ratio[is_far] = -1j * waves[1] / waves[0]
    return ratio


_FAR = 30.0
_ORDERS = 26
"""Beyond the argument: more add nothing to 16 digits."""
_TERMS = 24


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
