"""What lies under the strings: poles with the charge that their magnets give them and that a coil's current adds."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.pickup.magnetics.assembly import Magnetised, block_field
from labkit.pickup.magnetics.field import crowding_factor
from labkit.pickup.magnetics.slices import surface_charge
from labkit.pickup.string.fields import (
    ChargedPoles,
    StringFields,
    along_strings,
    coil_basis,
    pole_basis,
    tabulated_field,
    unit_fields,
)
from labkit.pickup.string.wire import StringGrid
from labkit.pickup.winding.inductance import MU_0
from labkit.pickup.winding.spectral import CoilShape

_SIDE_STEP = 1e-4  # of the central difference of a bar's field along the row


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

    @property
    def is_magnetised(self) -> bool:
        """Whether any magnet is charged."""
        return bool(np.any(self.static))

    @property
    def positions(self) -> tuple[tuple[float, float], ...]:
        """Centre of every pole along the row and across it, m."""
        return self.poles.positions

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

    def flux_density(self, places: np.ndarray, height: float) -> np.ndarray:
        """Return B at places (along and across the row, shape (K, 2), m) over the poles' faces, shape (K, 3), T."""
        total = np.zeros((len(places), 3))
        # the charge of poles over a bar is solved for as it crowds
        cut = float(crowding_factor(np.array(height), self.poles.radius)) - 1 if self.answering is None else 0.0
        for place, charge in zip(self.poles.positions, self.static):
            away = places - place
            rho = np.hypot(*away.T)
            outwards, upwards = unit_fields(self.poles, rho, np.array(self.poles.top + height))
            share = 1 + cut * np.clip(1 - rho / self.poles.radius, 0, 1)
            total += MU_0 * np.column_stack([(charge @ outwards)[:, None] * away, charge @ upwards]) / share[:, None]
        return total

    def readings(self, height: float) -> np.ndarray:
        """Return the upward B over the middle of every pole at a height over its face, shape (poles,), T."""
        return self.flux_density(np.array(self.positions), height)[:, 2]


@dataclass(frozen=True, slots=True, kw_only=True)
class DrivenCoil:
    """A coil of a pickup as a current through all of them drives it.

    Parameters
    ----------
    shape : CoilShape
    across : float, m
        Where its long axis lies.
    weight : float
        Its turns over the mean of the coils', with the sense of its winding.
    """

    shape: CoilShape
    across: float
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StandingSource:
    """Poles and bars of any kind with all coils around them; gaps count from the face of the highest pole.

    Parameters
    ----------
    state : Magnetised
    response : ndarray, shape (poles, slices), 1/m
        Magnetisation per ampere-turn; complex where eddy currents are counted.
    coils : tuple of DrivenCoil
    turns : float
        Mean of the coils.
    """

    state: Magnetised
    response: np.ndarray
    coils: tuple[DrivenCoil, ...]
    turns: float

    @property
    def is_magnetised(self) -> bool:
        """Whether any magnet is charged."""
        return bool(np.any(self.state.poles) or np.any(self.state.bars))

    @property
    def positions(self) -> tuple[tuple[float, float], ...]:
        """Centre of every pole along the row and across it, m."""
        return tuple((pole.along, pole.across) for pole in self.state.assembly.poles)

    @property
    def top(self) -> float:
        """Height of the highest face over the windings' mid-height, m."""
        return max(pole.top for pole in self.state.assembly.poles)

    @property
    def grid(self) -> StringGrid:
        """Half a string where everything is its own mirror image about the row, else the whole."""
        row = max(abs(coil.across) for coil in self.coils)
        bars = self.state.assembly.bars
        is_mirrored = row == 0 and not any(across for _, across in self.positions)
        is_mirrored = is_mirrored and (len(bars) != 1 or bars[0].axis == 2)
        return StringGrid(row=row, parity="odd" if is_mirrored else "none")

    def fields(self, places: tuple[float, ...], *, across: bool = False) -> StringFields:
        """Return the fields along strings at places (m) along the row, or their derivatives along it."""
        grid, top = self.grid, self.top
        static = self._bars(places, across=across)
        coil: np.ndarray = np.zeros_like(static)
        for poles, chosen in self._alike():
            basis = pole_basis(poles, places, grid, across=across)
            static = static + along_strings(basis, _charge(poles, self.state.poles[chosen]))
            coil = coil + along_strings(basis, _charge(poles, self.response[chosen]))
        for one in self.coils:
            air = coil_basis(one.shape, places, grid, level=top, aside=one.across, across=across)
            coil = coil + one.weight * air
        return StringFields(grid=grid, static=static, coil=coil)

    def flux_density(self, places: np.ndarray, height: float) -> np.ndarray:
        """Return B at places (shape (K, 2), m) over the highest face, shape (K, 3), T."""
        return self.state.field(np.column_stack([places, np.full(len(places), self.top + height)]))

    def readings(self, height: float) -> np.ndarray:
        """Return the upward B over the middle of every pole at a height over its own face, shape (poles,), T."""
        points = [(pole.along, pole.across, pole.top + height) for pole in self.state.assembly.poles]
        return self.state.field(points)[:, 2]

    def _alike(self) -> list[tuple[ChargedPoles, list[int]]]:
        """Poles of one size and height together, with their places in the list; heights over the windings' middle."""
        found: dict[tuple[float, float, float], list[int]] = {}
        for index, pole in enumerate(self.state.assembly.poles):
            found.setdefault((pole.radius, pole.length, pole.top), []).append(index)
        groups = []
        for (radius, _, _), chosen in found.items():
            edges = tuple(self.state.assembly.poles[chosen[0]].edges.tolist())
            positions = tuple(self.positions[index] for index in chosen)
            poles = ChargedPoles(
                positions=positions, radius=radius, rings=edges[1:-1], discs=(edges[0], edges[-1]), top=self.top
            )
            groups.append((poles, chosen))
        return groups

    def _bars(self, places: tuple[float, ...], *, across: bool) -> np.ndarray:
        """H of the bars along every string, shape (S, heights, Y, 3), or its derivative along the row."""
        if across:
            low, high = (
                self._bars(tuple(place + step for place in places), across=False) for step in (-_SIDE_STEP, _SIDE_STEP)
            )
            slope: np.ndarray = (high - low) / (2 * _SIDE_STEP)
            return slope

        def field(points: np.ndarray) -> np.ndarray:
            found = np.zeros_like(points)
            for bar, magnetisation in zip(self.state.assembly.bars, self.state.bars):
                found += magnetisation * block_field(bar, points)
            return found

        return tabulated_field(field, places=places, top=self.top, grid=self.grid)


def _charge(poles: ChargedPoles, magnetisation: np.ndarray) -> np.ndarray:
    charge = math.pi * poles.radius**2 * surface_charge(magnetisation)
    return np.concatenate([charge[..., 1:-1], charge[..., :1], charge[..., -1:]], axis=-1)


Source = PoleSource | StandingSource
