"""The worked single coil that the tests of poles, field, losses, covers and output share; lengths in metres."""

from __future__ import annotations

from labkit.pickup.magnetics.slices import Rods, row_positions
from labkit.pickup.winding.spectral import CoilShape

COIL = {"straight_length": 52e-3, "end_radius": 2.5e-3, "build_up": 4.33e-3, "winding_height": 11e-3}
SHAPE = CoilShape(**COIL)
TURNS = 8000
PITCH = 10.4e-3


def row(
    count: int = 6, *, radius: float = 2.4e-3, length: float = 17e-3, pitch: float = PITCH, slices: int = 12
) -> Rods:
    """Six rods of 4.8 mm by 17 mm unless told otherwise."""
    return Rods(positions=row_positions(count=count, pitch=pitch), radius=radius, length=length, slices=slices)
