"""What a build stands up under the strings: its poles and bars as one list, their field, and where the strings run.

Rows of equal rods and two such rows over a bar have models of their own (`labkit.pickup.predict.field`). Everything
else, uneven rows, two rods a string, blades over a bar, bars beside or under a row, goes through the list.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from labkit.core.errors import InputError
from labkit.core.sourced import SourcedValue
from labkit.pickup.losses.models import pole_permeability
from labkit.pickup.magnetics.assembly import (
    Assembly,
    Magnetised,
    StandingBar,
    StandingPole,
    answered,
    coil_drive,
    settled,
)
from labkit.pickup.magnetics.bar import field_spread
from labkit.pickup.magnetics.field import MODEL_DEVIATION, near_face_deviation
from labkit.pickup.magnetics.slices import row_positions
from labkit.pickup.predict.propagation import COVERAGE, Doubtful, Prediction, propagate
from labkit.pickup.predict.sheet import CoilBuild, PickupBuild, PoleBuild
from labkit.pickup.string.sources import DrivenCoil, StandingSource

BAR_WIDTH = 12e-3
"""Of a bar beside or under a single row, where the sheet states none, m (common practice, no source)."""

BLADE_STRINGS, BLADE_PITCH = 6, 10.4e-3
"""Strings taken to run over a blade where no row of rods says otherwise."""


def standing_poles(coil: CoilBuild, *, across: float = 0.0, strings: tuple[float, ...] = ()) -> list[StandingPole]:
    """Return the poles of one coil, left to right.

    Parameters
    ----------
    coil : CoilBuild
    across : float, m
        Where its long axis lies.
    strings : tuple of float, m
        Places of the strings along the row, for blades.
    """
    if coil.poles is None:
        return []
    row = list(coil.each) or [
        replace(made, pole=replace(made.pole, count=1))
        for made in coil.kinds
        for _ in range(1 if made.pole.kind == "blade" else made.pole.count)
    ]
    kinds = list(dict.fromkeys(row))
    found = []
    places = row_positions(count=len(row), pitch=row[0].pole.pitch, across=across)
    for index, (made, (along, _)) in enumerate(zip(row, places)):
        rods = made.pole.rods()
        for step, _ in rods.positions:
            string = index
            if made.pole.kind == "blade":
                string = int(np.argmin(np.abs(np.array(strings or (0.0,)) - step)))
            found.append(
                StandingPole(
                    along=along + step,
                    across=across,
                    radius=rods.radius,
                    length=rods.length,
                    top=made.pole.rise + rods.length / 2,
                    string=string,
                    permeability=made.permeability.value,
                    grade=made.grade,
                    charge=made.pole.charge,
                    sign=-1 if made.pole.facing == "south" else 1,
                    group=kinds.index(made),
                )
            )
    return found


def string_places(build: PickupBuild) -> tuple[float, ...]:
    """Return where the strings run along the row, m: over the poles, or evenly over a blade."""
    rows = [coil.poles for _, coil in build.coils if coil.poles is not None and coil.poles.kind != "blade"]
    count, pitch = (rows[0].count, rows[0].pitch) if rows else (BLADE_STRINGS, BLADE_PITCH)
    return tuple(along for along, _ in row_positions(count=count, pitch=pitch))


@lru_cache(maxsize=64)
def assembly_of(build: PickupBuild) -> Assembly:
    """Return poles and bars of a build.

    Raises
    ------
    InputError
        If it has no poles, or a bar lies where the models have none.
    """
    strings, offsets = string_places(build), _offsets(build)
    poles: list[StandingPole] = []
    coils = build.coils[:1] if build.tapped else build.coils  # both parts of a tapped winding hold the same poles
    for (_, coil), across in zip(coils, offsets):
        poles += standing_poles(coil, across=across, strings=strings)
    return Assembly(poles=tuple(poles), bars=_bars(build, poles))


def _offsets(build: PickupBuild) -> tuple[float, ...]:
    half = (build.spacing or 0.0) / 2
    return (half, -half) if len(build.coils) == 2 and not build.tapped else (0.0,) * len(build.coils)


def _bars(build: PickupBuild, poles: list[StandingPole]) -> tuple[StandingBar, ...]:
    bar, grade = build.bar, build.bar_grade
    if bar is None or grade is None or not poles:
        return ()
    bottom = min(pole.top - pole.length for pole in poles)
    thick = max(2 * pole.radius for pole in poles)
    rows = sorted({pole.across for pole in poles})
    common = {"grade": grade, "charge": bar.charge}
    if len(rows) == 2:
        width = bar.width or rows[1] - rows[0] - thick
        north = next(pole.sign for pole in poles if pole.across == rows[1])
        height = bottom + bar.thickness / 2
        size = (bar.length, width, bar.thickness)
        return (StandingBar(centre=(0.0, 0.0, height), size=size, axis=1, sign=north, **common),)  # type: ignore[arg-type]
    width = bar.width or BAR_WIDTH
    sign = poles[0].sign
    size = (bar.length, width, bar.thickness)
    if bar.place == "under":
        height = bottom - bar.thickness / 2
        return (StandingBar(centre=(0.0, 0.0, height), size=size, axis=2, sign=sign, **common),)  # type: ignore[arg-type]
    height, aside = bottom + bar.thickness / 2, (thick + width) / 2
    return tuple(
        StandingBar(centre=(0.0, side * aside, height), size=size, axis=1, sign=-int(side) * sign, **common)  # type: ignore[arg-type]
        for side in (1.0, -1.0)[: bar.count]
    )


def standing_state(build: PickupBuild, *, remanence: float = 1.0, coercivity: float = 1.0) -> Magnetised:
    """Return the magnetisation of everything that stands in a build; remanence and coercivity as factors."""
    return settled(assembly_of(build), celsius=build.temperature_c, remanence=remanence, coercivity=coercivity)


def standing_field(build: PickupBuild, distance: np.ndarray, string: int | None = None) -> tuple[Prediction, ...]:
    """Return the size of the axial field over the poles with its interval, T.

    Over the middle of a pole's own face; of a string with two rods their mean, of a coil's blade at the string.

    Parameters
    ----------
    build : PickupBuild
    distance : ndarray, shape (D,), m
        From each pole's face.
    string : int or None
        From the left; None takes the mean over the first coil with poles.
    """
    assembly = assembly_of(build)
    first = assembly.poles[0].across
    count = len(string_places(build))
    if string is not None and not 0 <= string < count:
        raise InputError(f"this row has {count} poles, counted from 0; got pole {string}")
    chosen = [pole for pole in assembly.poles if pole.across == first and (string is None or pole.string == string)]
    points = np.array([(pole.along, pole.across, pole.top + away) for pole in chosen for away in distance])

    def evaluate(values: dict[str, float]) -> dict[str, float]:
        state = standing_state(build, remanence=values["remanence"], coercivity=values["coercivity"])
        found = np.abs(state.field(points)[:, 2]).reshape(len(chosen), -1).mean(axis=0)
        return {str(index): float(value) for index, value in enumerate(found)}

    if not _is_charged(assembly):
        return (Prediction(value=0.0, low=0.0, high=0.0),) * distance.size
    inputs = {
        part: Doubtful(value=1.0, deviation=_relative(build, part), scale="log") for part in ("remanence", "coercivity")
    }
    bars = [bar.grade for bar in assembly.bars]
    near = near_face_deviation(distance, max(pole.radius for pole in chosen))
    deviations = np.full(distance.size, field_spread(*bars) / COVERAGE) if bars else np.hypot(MODEL_DEVIATION, near)
    model = {str(index): float(each) for index, each in enumerate(deviations)}
    found = propagate(evaluate, inputs, model=model, vectorised=False)
    return tuple(found[str(index)] for index in range(distance.size))


def _is_charged(assembly: Assembly) -> bool:
    magnets = [pole.charge for pole in assembly.poles if pole.grade is not None]
    return any(magnets + [bar.charge for bar in assembly.bars])


def _relative(build: PickupBuild, part: str) -> float:
    found: list[SourcedValue] = [getattr(grade, part) for grade in build.magnets]
    return max((value.spread or 0.0) / value.value / 2 for value in found)


def standing_source(build: PickupBuild, *, frequency_hz: float = 0.0) -> StandingSource:
    """Return what stands under the strings of a build as one source of all its coils.

    The coils are joined so that the strings over them add: each in the sense of the field over its own row.

    Parameters
    ----------
    build : PickupBuild
        With a winding.
    frequency_hz : float, Hz
        Where the answer of the poles to the coils is wanted, eddy currents counted.
    """
    state = standing_state(build)
    assembly, strings = state.assembly, string_places(build)
    height = max(pole.top for pole in assembly.poles) + build.string_distance
    turns = [coil.winding.turns for _, coil in build.coils if coil.winding is not None]
    mean = sum(turns) / len(turns)
    coils = []
    for (_, coil), across in zip(build.coils, _offsets(build)):
        if coil.winding is None:
            continue
        over = np.array([(along, across, height) for along in strings])
        sense = -1.0 if state.field(over)[:, 2].sum() < 0 else 1.0
        coils.append(DrivenCoil(shape=coil.winding.shape, across=across, weight=sense * coil.winding.turns / mean))
    drive = sum(coil.weight * coil_drive(assembly, coil.shape, across=coil.across) for coil in coils)
    susceptibility = _susceptibilities(build, frequency_hz)
    return StandingSource(
        state=state,
        response=answered(assembly, np.asarray(drive), susceptibility),
        coils=tuple(coils),
        turns=mean,
    )


def _susceptibilities(build: PickupBuild, frequency_hz: float) -> np.ndarray:
    """Of every pole of `assembly_of`, in its order, shape (poles,)."""
    strings = string_places(build)
    found = []
    for _, coil in build.coils[:1] if build.tapped else build.coils:
        kinds = coil.kinds
        for pole in standing_poles(coil, strings=strings):
            found.append(pole_susceptibility(kinds[pole.group], coil.losses, pole.radius, frequency_hz))
    return np.array(found)


def pole_susceptibility(made: PoleBuild, losses: str, radius: float, frequency_hz: float) -> complex:
    """Return χ of a pole, at a frequency (Hz) with the eddy currents of a loss model, 0 for none of them."""
    if frequency_hz == 0:
        return made.permeability.value - 1
    found = pole_permeability(
        losses,
        frequency_hz=np.array([frequency_hz]),
        relative_permeability=np.array(made.permeability.value),
        radius=np.array(radius),
        resistivity=np.array(made.resistivity.value),
    )
    return complex(found[0]) - 1
