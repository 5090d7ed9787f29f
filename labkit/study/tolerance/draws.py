"""Draws of (0, 1), fixed by seed and place: the same numbers however a study is split.

Variants are numbered from 0 and drawn in cells of `CELL`. A cell's draws depend on the seed and its number alone, and a
cell is always solved and reduced as a whole, so results agree to the last digit for any number of workers.
"""

from __future__ import annotations

import math
import threading
import warnings
from typing import Any, Literal

import numpy as np

from labkit.core.errors import InputError
from labkit.study.tolerance.spread import SMALLEST

CELL = 4096
"""Variants of one cell: enough to keep the solver busy, few enough to hold in the memory of a small machine."""

Sampling = Literal["sobol", "random"]
SAMPLINGS = ("sobol", "random")

_turn = threading.Lock()
"""An engine stands somewhere in its sequence: threads take turns."""

_engines: dict[tuple[int, int], Any] = {}


def cell_draws(cell: int, size: int, dimensions: int, *, seed: int, sampling: Sampling) -> np.ndarray:
    """Return the draws of one cell.

    Parameters
    ----------
    cell : int
        From 0.
    size : int
        Variants wanted of this cell, at most `CELL`.
    dimensions : int
        Numbers varied.
    seed : int
    sampling : "sobol" or "random"
        A scrambled Sobol sequence (even cover; bands settle with far fewer variants), or independent draws.

    Returns
    -------
    ndarray, shape (size, dimensions), inside (0, 1)

    Sources: scrambled Sobol sequence with the direction numbers of S. Joe and F. Y. Kuo, SIAM J. Sci. Comput. 30
    (2008) 2635; independent draws by PCG64, one stream a cell.

    >>> bool(np.array_equal(cell_draws(3, 8, 2, seed=1, sampling="random"),
    ...                     cell_draws(3, 8, 2, seed=1, sampling="random")))
    True
    """
    if sampling not in SAMPLINGS:
        raise InputError(f"sampling is sobol or random; got '{sampling}'")
    if dimensions == 0:
        return np.empty((size, 0))
    if sampling == "random":
        generator = np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=(cell,))))
        drawn = generator.random((size, dimensions))
    else:
        with _turn:
            drawn = _sobol(cell * CELL, size, dimensions, seed)
    return np.clip(drawn, SMALLEST, 1 - SMALLEST)


def cells_of(count: int) -> int:
    """Return the number of cells of ``count`` variants."""
    return math.ceil(count / CELL)


def cell_size(cell: int, count: int) -> int:
    """Return the variants in a cell of a study of ``count``."""
    return min(CELL, count - cell * CELL)


def _sobol(start: int, size: int, dimensions: int, seed: int) -> np.ndarray:
    from scipy.stats import qmc

    engine = _engines.get((dimensions, seed))
    if engine is None or engine.num_generated > start:
        # 32 bits, the most that can be fast-forwarded: room for four thousand million variants.
        engine = qmc.Sobol(dimensions, scramble=True, bits=32, rng=np.random.default_rng(seed))
        _engines.clear()
        _engines[dimensions, seed] = engine
    if engine.num_generated < start:
        engine.fast_forward(start - engine.num_generated)
    with warnings.catch_warnings():
        # A cell is 2¹² draws; only the last one of a study may be shorter, and its balance is that of any prefix.
        warnings.filterwarnings("ignore", message="The balance properties", category=UserWarning)
        drawn: np.ndarray = engine.random(size)
    return drawn
