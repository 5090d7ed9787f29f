"""Second route: one magnet rod cut into rings as well as slices, each ring on the grade's curve by itself.

Every ring of every slice is magnetised evenly along the rod, so its charge lies on its two ends alone: annular discs,
summed from rings of charge. What the slices take for granted, one magnetisation over the whole section, is not assumed
here; magnetisation across the rod is left out in both.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from labkit.pickup.magnetics.magnet import MagnetGrade, settle
from labkit.pickup.winding.inductance import MU_0
from tests.pickup.boundary_elements import _ring

_POINTS = 24


def axis_field(grade: MagnetGrade, *, radius: float, length: float, distance: np.ndarray, rings: int, slices: int):  # type: ignore[no-untyped-def]
    """Field on the axis at distances from the face of a lone saturated rod, T."""
    rims = radius * np.sin(np.pi / 2 * np.linspace(0, 1, rings + 1))
    edges = length / 2 * np.sin(np.pi / 2 * np.linspace(-1, 1, slices + 1))
    places, middles = np.sqrt((rims[1:] ** 2 + rims[:-1] ** 2) / 2), (edges[1:] + edges[:-1]) / 2
    nodes, weights = np.polynomial.legendre.leggauss(_POINTS)
    gap = (middles[:, None] - edges)[..., None]
    ends = np.zeros((rings, slices, rings, slices + 1))
    for source, (inner, outer) in enumerate(pairwise(rims)):
        own = (inner + outer) / 2 + (outer - inner) / 2 * nodes
        area = weights * (outer - inner) / 2 * 2 * math.pi * own
        for place, at in enumerate(places):
            ends[place, :, source] = _ring(at, gap, own)[1] @ area
    matrix = (ends[..., 1:] - ends[..., :-1]).reshape(rings * slices, -1)
    state, _ = settle(
        matrix, saturation=grade.remanence.value / MU_0, coercivity=grade.coercivity.value, shape=grade.shape
    )
    padded = np.pad(state.reshape(rings, slices), [(0, 0), (1, 1)])
    charge = padded[:, :-1] - padded[:, 1:]
    height = distance[:, None, None] + length / 2 - edges
    disc = 0.5 * (1 - height / np.sqrt(height**2 + rims[:, None] ** 2))
    return MU_0 * np.sum((disc[:, 1:] - disc[:, :-1]) * charge, axis=(1, 2))
