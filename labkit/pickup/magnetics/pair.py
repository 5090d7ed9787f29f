"""Two rows of poles side by side, each in its own coil: what mirror symmetry makes of the slice model.

Driven by coils of opposite sense both rows are magnetised alike but opposite; driven by coils of one sense, alike.
Any drive is a sum of the two, and each of them needs the equations of one row only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labkit.core.errors import InputError
from labkit.pickup.magnetics.slices import Rods, coil_field_in_rods, interaction_matrix
from labkit.pickup.winding.inductance import MU_0
from labkit.pickup.winding.spectral import CoilShape


@dataclass(frozen=True, slots=True, kw_only=True)
class CoreMode:
    """One way of driving rods: what they add per turn² is stored/(1/χ + N_f).

    Attributes
    ----------
    stored : float, H
        S per turn² of one coil.
    demagnetising_factor : float
        N_f.
    """

    stored: float
    demagnetising_factor: float

    def added(self, susceptibility: float) -> float:
        """Return the added inductance per turn², H."""
        return self.stored / (1 / susceptibility + self.demagnetising_factor)


@dataclass(frozen=True, slots=True, kw_only=True)
class PairCore:
    """Rows of equal poles in both coils of a pair: the mode of opposite senses and that of one sense.

    Per turn² and coil: own inductance (opposite + alike)/2, mutual one (opposite − alike)/2, positive when it adds to
    the series inductance of the pair.
    """

    opposite: CoreMode
    alike: CoreMode


def mirrored_rods(near: Rods, spacing: float) -> Rods:
    """Return a row on either side of the middle line, the given one (a straight row on y = 0) first."""
    half = spacing / 2
    places = tuple((x, half) for x, _ in near.positions) + tuple((x, -half) for x, _ in near.positions)
    return Rods(positions=places, radius=near.radius, length=near.length, slices=near.slices, merged=near.merged)


def magnetise_mirrored(
    rods: Rods, *, field: np.ndarray, relative_permeability: float, opposite: bool = True
) -> np.ndarray:
    """Return the magnetisation of the near row when the far row feels the mirrored (or mirrored, opposite) field.

    Solves (1/χ − (N_near ∓ N_cross))·M = H for one row.

    Parameters
    ----------
    rods : Rods
        From `mirrored_rods`.
    field : ndarray, shape (rods·slices/2,), A/m
        In the near row.
    relative_permeability : float
        Above 1.
    opposite : bool
        The far row's field has the other sign.

    Returns
    -------
    ndarray, shape (rods/2, slices), A/m
    """
    if not relative_permeability > 1:
        raise InputError(f"relative permeability of a pole must be above 1; got {relative_permeability:g}")
    size = field.size
    matrix = interaction_matrix(rods)
    joined = matrix[:size, :size] + (-1.0 if opposite else 1.0) * matrix[:size, size:]
    solved: np.ndarray = np.linalg.solve(np.eye(size) / (relative_permeability - 1) - joined, field)
    return solved.reshape(-1, rods.slices)


def pair_core(
    near: Rods, shape: CoilShape, *, relative_permeability: float, spacing: float, rise: float = 0.0
) -> PairCore:
    """Return both modes of two equal coils with equal rows of poles.

    Parameters
    ----------
    near : Rods
        One row, centred on its coil.
    shape : CoilShape
        Of each coil.
    relative_permeability : float
    spacing : float, m
        Between the long axes of the coils.
    rise : float, m
        Mid-height of the rods above the windings'.

    Returns
    -------
    PairCore

    Validity: as `poles.pole_inductance`, which gives the opposite mode of the whole pair by the full equations.
    """
    rods = mirrored_rods(near, spacing)
    driven = coil_field_in_rods(rods, coil_across=spacing / 2, rise=rise, **coil_arguments(shape))
    own, far = np.split(driven, 2)
    modes = []
    for opposite in (True, False):
        drive = own - far if opposite else own + far
        state = magnetise_mirrored(rods, field=drive, relative_permeability=relative_permeability, opposite=opposite)
        modes.append(_mode(near, drive, state.ravel(), relative_permeability))
    return PairCore(opposite=modes[0], alike=modes[1])


def single_core(near: Rods, shape: CoilShape, *, relative_permeability: float, rise: float = 0.0) -> CoreMode:
    """Return the one mode of a coil with a row of poles and no neighbour; arguments as `pair_core`."""
    drive = coil_field_in_rods(near, rise=rise, **coil_arguments(shape))
    size = drive.size
    state = np.linalg.solve(np.eye(size) / (relative_permeability - 1) - interaction_matrix(near), drive)
    return _mode(near, drive, state, relative_permeability)


def _mode(near: Rods, drive: np.ndarray, state: np.ndarray, relative_permeability: float) -> CoreMode:
    volume = np.tile(near.slice_volume, len(near.positions))
    stored = float(MU_0 * np.sum(volume * drive**2))
    added = float(MU_0 * np.sum(volume * state * drive))
    return CoreMode(stored=stored, demagnetising_factor=stored / added - 1 / (relative_permeability - 1))


def coil_arguments(shape: CoilShape) -> dict[str, float]:
    """Return a coil's measures under the names that the field and pole functions take."""
    return {
        "straight_length": shape.straight_length,
        "end_radius": shape.end_radius,
        "build_up": shape.build_up,
        "winding_height": shape.winding_height,
    }
