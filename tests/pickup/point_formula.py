"""The point formula, −N·d(B·h)/dz over the middle of every rod: what a string of hardly any susceptibility comes to."""

from __future__ import annotations

import numpy as np

from labkit.pickup.magnetics.field import axis_field
from labkit.pickup.magnetics.magnet import MagnetGrade, operating_point
from labkit.pickup.magnetics.pair import coil_arguments
from labkit.pickup.magnetics.slices import Rods, coil_field, coil_field_in_rods, magnetise
from labkit.pickup.winding.inductance import MU_0
from labkit.pickup.winding.spectral import CoilShape


def point_sensitivity(
    rods: Rods, shape: CoilShape, grade: MagnetGrade, *, turns: float, distance: float, step: float = 5e-5
) -> np.ndarray:
    """Return T·A/m² times turns over each rod: V per m/s and m³ of string with the moment 1·H."""
    coil = coil_arguments(shape)
    answer = magnetise(
        rods, field=coil_field_in_rods(rods, **coil), relative_permeability=grade.signal_permeability.value
    )
    static = operating_point(rods, grade).magnetisation
    place = np.array(rods.positions)
    heights = np.array([distance - step, distance + step])
    air = coil_field(x=place[:, :1], y=place[:, 1:], z=heights + rods.length / 2, **coil)
    product = axis_field(rods, magnetisation=static, distance=heights, crowding=False) * (
        air + axis_field(rods, magnetisation=answer, distance=heights, crowding=False) / MU_0
    )
    slope: np.ndarray = turns * (product[:, 0] - product[:, 1]) / (2 * step)
    return slope
