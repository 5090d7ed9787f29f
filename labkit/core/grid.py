"""Frequency grids. One place decides what "the audio range" of the lab is."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from labkit.core.errors import InputError
from labkit.core.validity import range_called

FREQUENCY = range_called("frequency")
LOWEST_HZ, HIGHEST_HZ = FREQUENCY.low, FREQUENCY.high
DEFAULT_POINTS = 512
REFERENCE_HZ = 100.0
"""Peak height is counted from the gain at this frequency."""


def frequency_grid(low_hz: float = LOWEST_HZ, high_hz: float = HIGHEST_HZ, points: int = DEFAULT_POINTS) -> np.ndarray:
    """Return log-spaced frequencies, both ends exact.

    Parameters
    ----------
    low_hz, high_hz : float
        Ends of the grid in Hz, ``0 < low_hz < high_hz``.
    points : int
        Number of points, at least 2.

    Returns
    -------
    ndarray, shape (points,), Hz, read-only

    Raises
    ------
    InputError
        If the ends or the number of points cannot make a grid.

    >>> frequency_grid(20, 20_000, 4).round(3).tolist()
    [20.0, 200.0, 2000.0, 20000.0]
    """
    if not 0 < low_hz < high_hz < float("inf"):
        raise InputError(f"a frequency grid needs 0 < low < high; got {low_hz:g} Hz to {high_hz:g} Hz")
    if points < 2:
        raise InputError(f"a frequency grid needs at least 2 points; got {points}")
    return _grid(low_hz, high_hz, points)


@lru_cache(maxsize=64)
def _grid(low_hz: float, high_hz: float, points: int) -> np.ndarray:
    """Kept, since nobody can write to it: while a slider moves the same few grids are asked for again and again."""
    grid: np.ndarray = np.geomspace(low_hz, high_hz, points)
    grid[0], grid[-1] = low_hz, high_hz
    grid.flags.writeable = False
    return grid
