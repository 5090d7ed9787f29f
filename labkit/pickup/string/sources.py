"""What lies under the strings: poles with the charge that their magnets give them and that a coil's current adds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labkit.pickup.string.fields import ChargedPoles, StringFields, along_strings, coil_basis, pole_basis
from labkit.pickup.string.wire import StringGrid
from labkit.pickup.winding.spectral import CoilShape


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PoleSource:
    """One row of poles in its coil, or two rows in two coils that are joined in series.

    Parameters
    ----------
    poles : ChargedPoles
    static : ndarray, shape (poles, rings + 2), A·m
        Charge that the magnets give.
    response : ndarray, shape (poles, rings + 2), m
        Charge per ampere-turn of the coil; complex where eddy currents are counted.
    answering : ChargedPoles or None
        Where that charge sits, if not as the static one.
    shape : CoilShape
        Of each coil.
    level : float, m
        Height of the poles' face over the coil's mid-height.
    grid : StringGrid
    spacing : float or None, m
        Of two rows.
    turns : float
        Of one coil.
    """

    poles: ChargedPoles
    static: np.ndarray
    response: np.ndarray
    shape: CoilShape
    level: float
    grid: StringGrid
    spacing: float | None = None
    turns: float
    answering: ChargedPoles | None = None

    def fields(self, places: tuple[float, ...], *, across: bool = False) -> StringFields:
        """Return the fields along strings at places (m) along the row, or their derivatives along it."""
        basis = pole_basis(self.poles, places, self.grid, across=across)
        air = coil_basis(self.shape, places, self.grid, level=self.level, spacing=self.spacing, across=across)
        answer = basis if self.answering is None else pole_basis(self.answering, places, self.grid, across=across)
        return StringFields(
            grid=self.grid,
            static=along_strings(basis, self.static),
            coil=air + along_strings(answer, self.response),
        )
