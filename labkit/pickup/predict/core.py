"""What the poles of a build add to its coils, and how that answers to small changes of the dimensions.

The slice model gives the value. For the interval it is not run again at every step: the stored field S follows a power
law of each dimension close by, with exponents from the same field along the poles' axes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from types import MappingProxyType
from typing import Any

import numpy as np

from labkit.pickup.losses.models import CYLINDER, pole_permeability
from labkit.pickup.magnetics.output import coil_arguments
from labkit.pickup.magnetics.pair import CoreMode, pair_core, single_core
from labkit.pickup.magnetics.poles import Pole, core_inductance
from labkit.pickup.magnetics.slices import coil_field, gauss_points
from labkit.pickup.winding.spectral import CoilShape

DIAMETER_EXPONENTS = (2.0, 1.1)
"""Powers of the pole's diameter in S and N_f (slice model; S goes with the section)."""

LENGTH_EXPONENTS = (0.3, -1.0)
"""Powers of the pole's length in S and N_f (slice model, rods longer than the winding)."""

_STEP = 0.01
_HEIGHTS = 8  # points along a pole


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilCore:
    """The poles of one coil, alone or facing like poles in the other coil.

    Attributes
    ----------
    radius : float, m
        Of a pole, for eddy currents.
    shape : CoilShape
        At which the modes hold.
    modes : tuple of CoreMode
        One (a coil by itself), or two: both coils in opposite senses, and in one sense.
    exponents : mapping of str to float
        d ln S/d ln of straight length, end radius, winding height and build-up.
    """

    radius: float
    shape: CoilShape
    modes: tuple[CoreMode, ...]
    exponents: Mapping[str, float]


@lru_cache(maxsize=128)
def coil_core(pole: Pole, shape: CoilShape, permeability: float, spacing: float | None) -> CoilCore:
    """Return the core of one coil; ``spacing`` (m) where the other coil has poles as well."""
    rods = pole.rods()
    if spacing is None:
        modes: tuple[CoreMode, ...] = (single_core(rods, shape, relative_permeability=permeability, rise=pole.rise),)
    else:
        pair = pair_core(rods, shape, relative_permeability=permeability, spacing=spacing, rise=pole.rise)
        modes = (pair.opposite, pair.alike)
    exponents = field_exponents(shape, tuple(x for x, _ in rods.positions), rods.length, pole.rise)
    return CoilCore(radius=rods.radius, shape=shape, modes=modes, exponents=exponents)


@lru_cache(maxsize=128)
def field_exponents(
    shape: CoilShape, along: tuple[float, ...], length: float, rise: float = 0.0
) -> Mapping[str, float]:
    """Return d ln S/d ln of each dimension of a coil, from H² along the axes of its poles.

    Parameters
    ----------
    shape : CoilShape
    along : tuple of float, m
        Places of the poles along the row.
    length, rise : float, m
        Of the poles.
    """
    places = np.unique(np.abs(np.round(along, 9)))[:, None]
    node, weight = gauss_points(_HEIGHTS)
    heights = length / 2 * node + rise

    def stored(of: CoilShape) -> float:
        field = coil_field(x=places, y=0.0, z=heights, **coil_arguments(of))
        return float(np.sum(field**2 @ weight))

    reference = stored(shape)
    found = {}
    for name in ("straight_length", "end_radius", "winding_height", "build_up"):
        start = getattr(shape, name)
        if start > 0:
            changed = stored(replace(shape, **{name: start * (1 + _STEP)}))
            found[name] = float(np.log(changed / reference) / np.log1p(_STEP))
    return MappingProxyType(found)


def mode_inductance(core: CoilCore, mode: int, x: Mapping[str, Any], chi: np.ndarray) -> np.ndarray:
    """Return what a mode adds per turn², H, shape of ``chi``.

    Parameters
    ----------
    core : CoilCore
    mode : int
        Index into ``core.modes``.
    x : mapping
        ``straight_length`` … ``build_up`` (m), ``diameter`` and ``length`` (ratios to the nominal pole), ``model``
        (factor), each of shape (rows,).
    chi : ndarray, shape (rows,) or (rows, F), real or complex
        Susceptibility.
    """
    scale = core.modes[mode].stored * x["model"] * x["diameter"] ** DIAMETER_EXPONENTS[0]
    scale = scale * x["length"] ** LENGTH_EXPONENTS[0]
    for name, exponent in core.exponents.items():
        scale = scale * (x[name] / getattr(core.shape, name)) ** exponent
    factor = core.modes[mode].demagnetising_factor * x["diameter"] ** DIAMETER_EXPONENTS[1]
    factor = factor * x["length"] ** LENGTH_EXPONENTS[1]
    if chi.ndim == 2:
        scale, factor = scale[:, None], factor[:, None]
    return core_inductance(stored=scale, demagnetising_factor=factor, susceptibility=chi)


def eddy_susceptibility(
    frequency_hz: np.ndarray,
    permeability: np.ndarray,
    radius: np.ndarray,
    resistivity: np.ndarray,
    *,
    losses: str = CYLINDER,
) -> np.ndarray:
    """Return χ̃ of conducting poles by a named model, shape (rows, F), evaluated once for each different pole."""
    rods = np.stack(np.broadcast_arrays(permeability, radius, resistivity), axis=1)
    different, index = np.unique(rods, axis=0, return_inverse=True)
    found = pole_permeability(
        losses,
        frequency_hz=frequency_hz,
        relative_permeability=different[:, :1],
        radius=different[:, 1:2],
        resistivity=different[:, 2:],
    )
    chi: np.ndarray = found[index.ravel()] - 1
    return chi
