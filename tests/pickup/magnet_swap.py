"""What a change of magnets does to one coil: level, inductance, resonance and loss together."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.sourced import Interval
from labkit.pickup.losses.cylinder import CoreInductance, added_resistance
from labkit.pickup.magnetics.magnet import MagnetGrade, operating_point
from labkit.pickup.magnetics.output import LEVEL_SPREAD_DB, coil_arguments, compare_levels_db, string_sensitivity
from labkit.pickup.magnetics.poles import PoleInductance, core_inductance, pole_inductance
from labkit.pickup.magnetics.slices import Rods
from labkit.pickup.predict.propagation import Doubtful, Prediction, propagate
from labkit.pickup.winding.spectral import CoilShape


@dataclass(frozen=True, slots=True, kw_only=True)
class MagnetEffect:
    """What rods of one grade do in one coil.

    Attributes
    ----------
    grade : str
    sensitivity : float
        Mean over the strings, as `string_sensitivity`.
    added : PoleInductance
    inductance : float, H
        Coil with its poles.
    loss_resistance : float, Ω
        Series resistance that eddy currents add at ``loss_frequency_hz``.
    loss_frequency_hz : float
    """

    grade: str
    sensitivity: float
    added: PoleInductance
    inductance: float
    loss_resistance: float
    loss_frequency_hz: float


def magnet_effect(
    rods: Rods,
    shape: CoilShape,
    grade: MagnetGrade,
    *,
    turns: float,
    air_inductance: float,
    distance: ArrayLike,
    charge: float = 1.0,
    loss_frequency_hz: float = 5000.0,
    steel_area: ArrayLike = 1.0,
    rise: float = 0.0,
) -> MagnetEffect:
    """Return level, inductance and loss of one coil with rods of one grade.

    Parameters
    ----------
    rods, shape, turns, distance, steel_area, rise
        As `string_sensitivity`.
    grade : MagnetGrade
    air_inductance : float, H
        Of the coil without rods.
    charge : float
        0 … 1; changes the level only.
    loss_frequency_hz : float, Hz

    Returns
    -------
    MagnetEffect
    """
    permeability = grade.signal_permeability.value
    state = operating_point(rods, grade, charge=charge)
    sensitivity = string_sensitivity(
        rods,
        shape,
        magnetisation=state.magnetisation,
        turns=turns,
        relative_permeability=permeability,
        distance=distance,
        steel_area=steel_area,
        rise=rise,
    )
    added = pole_inductance(rods, turns=turns, relative_permeability=permeability, rise=rise, **coil_arguments(shape))
    core = CoreInductance(
        stored=added.stored,
        demagnetising_factor=added.demagnetising_factor,
        relative_permeability=permeability,
        radius=rods.radius,
        resistivity=grade.resistivity.value,
    )
    loss = added_resistance(frequency_hz=loss_frequency_hz, inductance=core.inductance(np.array(loss_frequency_hz)))
    return MagnetEffect(
        grade=grade.name,
        sensitivity=float(np.mean(sensitivity)),
        added=added,
        inductance=air_inductance + added.inductance,
        loss_resistance=float(loss),
        loss_frequency_hz=loss_frequency_hz,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MagnetSwap:
    """What changes when the rods of one coil are replaced.

    Attributes
    ----------
    level_db : Interval, dB
        Output of the new magnets over the old.
    inductance_ratio : Prediction
        New over old.
    resonance_ratio : Prediction
        New over old loaded resonance, the load's capacitance unchanged: √(L_old/L_new).
    loss_ratio : float
        New over old eddy resistance.
    before, after : MagnetEffect
    """

    level_db: Interval
    inductance_ratio: Prediction
    resonance_ratio: Prediction
    loss_ratio: float
    before: MagnetEffect
    after: MagnetEffect


def magnet_swap(
    before: MagnetEffect, after: MagnetEffect, *, permeabilities: tuple[Doubtful, Doubtful], air_inductance: float
) -> MagnetSwap:
    """Return what a change of rods does to level, inductance and loss together.

    Parameters
    ----------
    before, after : MagnetEffect
        The same coil with either set of rods.
    permeabilities : pair of Doubtful
        Small-signal permeability of the old and of the new rods.
    air_inductance : float, H

    Returns
    -------
    MagnetSwap
    """

    def evaluate(values: dict[str, np.ndarray]) -> Mapping[str, np.ndarray]:
        coil = []
        for effect, name in ((before, "old permeability"), (after, "new permeability")):
            core = core_inductance(
                stored=effect.added.stored,
                demagnetising_factor=effect.added.demagnetising_factor,
                susceptibility=values[name] - 1,
            )
            coil.append(air_inductance + core)
        return {"inductance": coil[1] / coil[0], "resonance": np.sqrt(coil[0] / coil[1])}

    found = propagate(
        evaluate,
        {"old permeability": permeabilities[0], "new permeability": permeabilities[1]},
        model={"inductance": 0.01, "resonance": 0.005},
    )
    spread = 0.0 if before.grade == after.grade else LEVEL_SPREAD_DB
    return MagnetSwap(
        level_db=compare_levels_db(after.sensitivity, before.sensitivity, spread_db=spread),
        inductance_ratio=found["inductance"],
        resonance_ratio=found["resonance"],
        loss_ratio=after.loss_resistance / before.loss_resistance if before.loss_resistance else math.inf,
        before=before,
        after=after,
    )
