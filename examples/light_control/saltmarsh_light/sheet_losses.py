"""``conducting sheet``: eddy currents in a flat pole such as a blade, as in the laminations of a transformer."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

MU_0 = 4e-7 * math.pi

HALF_THICKNESS = math.sqrt(math.pi) / 2
"""Half the side of a square over the radius of the circle of the same area."""


def sheet_permeability(
    *, frequency_hz: ArrayLike, relative_permeability: ArrayLike, radius: ArrayLike, resistivity: ArrayLike
) -> np.ndarray:
    """Return the complex permeability of a conducting sheet in a field along its plane.

    μ̃ = μ·tanh(x)/x, x = (1 + j)·(d/2)/δ, δ = √(ρ/(πfμ0μ)).

    Parameters
    ----------
    frequency_hz : array_like, Hz
        0 or more.
    relative_permeability : array_like
    radius : array_like, m
        Of the round columns, close to as wide as thick, that a build replaces its blade by: half the thickness d/2
        of the sheet is √π/2 of it.
    resistivity : array_like, Ω·m

    Source: the classical loss of laminations, Bozorth, Ferromagnetism (1951), chapter 17 (from memory).
    Validity: a sheet much wider and longer than thick.
    """
    permeability = np.asarray(relative_permeability, dtype=float)
    squared = 1j * 2 * math.pi * np.asarray(frequency_hz, dtype=float) * MU_0 * permeability / np.asarray(resistivity)
    x = np.sqrt(squared) * HALF_THICKNESS * np.asarray(radius)
    small = np.abs(x) < 1e-4  # one term of the series is exact to 1e-17 there
    safe = np.where(small, 1.0, x)
    value: np.ndarray = permeability * np.where(small, 1 - x**2 / 3, np.tanh(safe) / safe)
    return value
