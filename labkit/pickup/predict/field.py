"""Field and relative output of a build: rod magnets in one coil or two, a bar between two rows of steel poles, or
whatever else stands under the strings (`labkit.pickup.predict.standing`)."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError
from labkit.core.sourced import Interval
from labkit.core.validity import range_called
from labkit.pickup.electrical import SILENT_OUTPUT_DB
from labkit.pickup.magnetics.bar import BarMagnet, PoleRows, predict_bar_field, row_potential
from labkit.pickup.magnetics.field import axis_field, field_deviations, predict_field
from labkit.pickup.magnetics.magnet import MagnetGrade, magnet, operating_point, settle, temperature_factor
from labkit.pickup.magnetics.output import (
    OUTPUT_MODEL,
    compare_levels_db,
    output_doubts,
    pair_sensitivity,
    string_sensitivity,
)
from labkit.pickup.magnetics.pair import mirrored_rods
from labkit.pickup.magnetics.poles import Pole
from labkit.pickup.magnetics.slices import Rods, interaction_matrix, row_positions
from labkit.pickup.predict.propagation import COVERAGE, Doubtful, Prediction, exactly, prediction, propagate
from labkit.pickup.predict.sheet import PickupBuild
from labkit.pickup.predict.standing import standing_field, standing_sensitivities
from labkit.pickup.winding.inductance import MU_0
from labkit.pickup.winding.spectral import CoilShape

PLAYING_DISTANCE = range_called("playing_distance")

FIELD_AT = (0.5e-3, 1e-3, 2e-3, 3e-3, 4e-3)
"""Distances from the pole's face at which the field is given, m."""


def magnet_route(build: PickupBuild) -> str:
    """Say how the field comes about: "rods", "rod pair", "bar", "assembly" (`standing`), "none"."""
    coils = build.coils[:1] if build.tapped else build.coils
    poles = [coil.poles for _, coil in coils]
    rods = [pole is not None and pole.kind == "rod magnet" for pole in poles]
    uneven = any(coil.each or (coil.poles is not None and coil.poles.beside) for _, coil in coils)
    if build.bar is not None:
        if not any(pole is not None for pole in poles) or (len(coils) == 2 and build.spacing is None):
            return "none"
        plain = len(poles) == 2 and all(pole is not None and pole.kind != "blade" for pole in poles)
        return "bar" if plain and not uneven and not any(rods) else "assembly"
    if not build.magnets:
        return "none"
    if uneven:
        return "assembly" if len(coils) == 1 or build.spacing is not None else "none"
    if len(rods) == 2 and all(rods) and poles[0] is not None and poles[1] is not None and build.spacing is not None:
        alike = all(
            getattr(poles[0], key) == getattr(poles[1], key) for key in ("count", "diameter", "length", "pitch")
        )
        return "rod pair" if alike else "rods"
    return "rods"


def field_predictions(
    build: PickupBuild, distance: ArrayLike = FIELD_AT, rod: int | None = None
) -> tuple[Prediction, ...]:
    """Return the field over the poles at each distance with its interval, T; empty where it is not modelled.

    Parameters
    ----------
    build : PickupBuild
    distance : array_like, shape (D,), m
        From the pole's face.
    rod : int or None
        Which pole of the row, from the left; None takes the mean.

    Returns
    -------
    tuple of Prediction
        Of the first coil that has magnets (or of either row over a bar).
    """
    away = np.atleast_1d(np.asarray(distance, dtype=float))
    route = magnet_route(build)
    if route == "bar":
        bar, grade = _bar(build)
        found = predict_bar_field(_rows(build), bar, grade, distance=away, celsius=build.temperature_c)
        return tuple(_of_interval(interval, "model of the bar magnet") for interval in found)
    if route == "rods":
        poles, grade = _rod_magnets(build)
        rods = poles.rods()
        _check_rod(rod, rods)
        values = predict_field(rods, grade, distance=away, charge=poles.charge, celsius=build.temperature_c, rod=rod)
        return tuple(_named(value, grade) for value in values)
    if route == "rod pair":
        return _pair_field(build, away, rod)
    if route == "assembly":
        return tuple(_model_named(value, build) for value in standing_field(build, away, rod))
    return ()


def string_sensitivities(
    build: PickupBuild, distance: ArrayLike | None = None, steel_area: ArrayLike = 1.0
) -> np.ndarray | None:
    """Return the EMF per string velocity over each pole of the row (`output.string_sensitivity`); None where unknown.

    At the leads of the pickup: coils in series add, coils in parallel share.

    Parameters
    ----------
    build : PickupBuild
    distance : array_like or None, scalar or shape (poles,), m
        Pole face to string; None takes the sheet's.
    steel_area : array_like, scalar or shape (poles,), m²
    """
    gap = build.string_distance if distance is None else distance
    PLAYING_DISTANCE.check(gap)
    route = magnet_route(build)
    share = 0.5 if len(build.coils) == 2 and build.connection == "parallel" else 1.0
    if route == "none":
        return None
    if route == "assembly":
        return standing_sensitivities(build, gap, steel_area)
    if route == "bar":
        bar, grade = _bar(build)
        windings = [coil.winding for _, coil in build.coils if coil.winding is not None]
        permeability = next(coil.permeability for _, coil in build.coils if coil.permeability is not None)
        rows = _rows(build)
        return share * pair_sensitivity(
            rows,
            windings[0].shape,
            potential=row_potential(rows, bar, grade, celsius=build.temperature_c),
            turns=sum(winding.turns for winding in windings) / len(windings),
            relative_permeability=permeability.value,
            distance=gap,
            steel_area=steel_area,
        )
    total = None
    pair = _pair_state(build) if route == "rod pair" else None
    for index, (_, coil) in enumerate(build.coils):
        if coil.grade is None or coil.poles is None or coil.winding is None or coil.permeability is None:
            continue
        rods = coil.poles.rods()
        if pair is None:
            state = operating_point(rods, coil.grade, charge=coil.poles.charge, celsius=build.temperature_c)
            magnetisation = state.magnetisation
        else:
            magnetisation = np.abs(np.split(pair, 2)[index])
        found = string_sensitivity(
            rods,
            coil.winding.shape,
            magnetisation=magnetisation,
            turns=coil.winding.turns,
            relative_permeability=coil.permeability.value,
            distance=gap,
            steel_area=steel_area,
            rise=coil.poles.rise,
        )
        total = share * found if total is None else total + share * found
    return total


@lru_cache(maxsize=1)
def reference_sensitivity() -> float:
    """Return the sensitivity that relative output is counted from: 8000 turns of 71 µm wire around six alnico 5 rods.

    Rods 4.8 mm × 17 mm at 10.4 mm, fully charged; bobbin 52 mm, 2.5 mm, 11 mm, packing 0.85; strings at 3 mm.
    """
    rods = Rods(positions=row_positions(count=6, pitch=10.4e-3), radius=2.4e-3, length=17e-3)
    shape = CoilShape(straight_length=52e-3, end_radius=2.5e-3, winding_height=11e-3, build_up=4.325e-3)
    grade = magnet("Alnico 5")
    found = string_sensitivity(
        rods,
        shape,
        magnetisation=operating_point(rods, grade).magnetisation,
        turns=8000.0,
        relative_permeability=grade.signal_permeability.value,
        distance=3e-3,
    )
    return float(np.exp(np.mean(np.log(np.abs(found)))))


def output_prediction(build: PickupBuild) -> Prediction | None:
    """Return the level against `reference_sensitivity` with equal strings, dB, its doubt by cause.

    None where it is not modelled; `SILENT_OUTPUT_DB` where the magnets are uncharged. Outputs of two builds are
    subtracted with `compare.difference`: a change of charge, turns or wire alone keeps no doubt of the model.
    """
    found = string_sensitivities(build)
    if found is None:
        return None
    if not np.any(found):
        return exactly(SILENT_OUTPUT_DB)
    level = compare_levels_db(found, reference_sensitivity()).value
    model = _shared_model(build)
    doubts = output_doubts(model, over_bar=build.bar is not None)
    beyond = PLAYING_DISTANCE.deviation(build.string_distance)
    if beyond:
        doubts[f"{OUTPUT_MODEL}, string height of {model}"] = beyond * 20 / math.log(10)
    return prediction(level, doubts, log=False)


def relative_output(output: Prediction | None) -> Prediction | None:
    """Return an output with one cause for its doubt, as a pickup's own numbers show it; None where it is silent."""
    if output is None or output.value <= SILENT_OUTPUT_DB:
        return None
    if not output.contributions or not output.contributions[0].name.startswith(OUTPUT_MODEL):
        return output
    return _of_interval(output.interval, OUTPUT_MODEL, log=False)


def _shared_model(build: PickupBuild) -> str:
    """Say which magnets, poles, bobbin and string height the model was asked about: all but charge, turns and wire."""
    parts: list[object] = [magnet_route(build), build.spacing, build.string_distance, build.plates]
    parts.append(None if build.bar is None else replace(build.bar, charge=1.0))
    for _, coil in build.coils:
        poles = (
            coil.poles if coil.grade is None or coil.poles is None else replace(coil.poles, charge=1.0, facing="north")
        )
        winding = coil.winding
        each = tuple(replace(made.pole, charge=1.0) for made in coil.each)
        bobbin = winding and (winding.straight_length, winding.end_radius, winding.winding_height)
        parts += [poles, each, bobbin]
    return repr(parts)


def _rod_magnets(build: PickupBuild, index: int = 0) -> tuple[Pole, MagnetGrade]:
    """Poles and grade of a coil with rod magnets, the first one unless told otherwise."""
    found = [(coil.poles, coil.grade) for _, coil in build.coils if coil.poles is not None and coil.grade is not None]
    return found[index]


def _bar(build: PickupBuild) -> tuple[BarMagnet, MagnetGrade]:
    if build.bar is None or build.bar_grade is None:
        raise InputError(f"pickup '{build.name}' has no bar magnet")
    return build.bar, build.bar_grade


def _spacing(build: PickupBuild) -> float:
    if build.spacing is None:
        raise InputError(f"pickup '{build.name}' has no spacing between its coils")
    return build.spacing


def _rows(build: PickupBuild) -> PoleRows:
    """Two equal rows in place of the pickup's: mean of section and length of slugs and screws."""
    poles = [coil.poles for _, coil in build.coils if coil.poles is not None]
    return PoleRows(
        count=poles[0].count,
        pitch=poles[0].pitch or 2 * poles[0].diameter,
        radius=math.sqrt(sum(pole.diameter**2 for pole in poles) / len(poles)) / 2,
        length=sum(pole.length for pole in poles) / len(poles),
        spacing=_spacing(build),
    )


def _pair_state(build: PickupBuild, **changes: float) -> np.ndarray:
    """Magnetisation of both rows of rod magnets, each in the other's field, signed, shape (2·rods, slices)."""
    (first, grade), (second, _) = _rod_magnets(build), _rod_magnets(build, 1)
    rods = mirrored_rods(first.rods(), _spacing(build))
    half = len(rods.positions) // 2
    sign = -1.0 if first.facing != second.facing else 1.0
    signs = np.repeat([1.0, sign], half * rods.slices)
    state, _ = settle(
        interaction_matrix(rods) * np.outer(signs, signs),
        saturation=changes.get("remanence", grade.remanence.value) / MU_0,
        coercivity=changes.get("coercivity", grade.coercivity.value),
        shape=grade.shape,
    )
    charge = np.repeat([first.charge, second.charge], half * rods.slices)
    factor = temperature_factor(celsius=build.temperature_c, coefficient=grade.temperature_coefficient.value)
    found: np.ndarray = (state * signs * charge * float(factor)).reshape(2 * half, rods.slices)
    return found


def _pair_field(build: PickupBuild, distance: np.ndarray, rod: int | None) -> tuple[Prediction, ...]:
    poles, grade = _rod_magnets(build)
    rods = mirrored_rods(poles.rods(), _spacing(build))
    half = len(rods.positions) // 2
    _check_rod(rod, poles.rods())
    if poles.charge == 0:
        return (Prediction(value=0.0, low=0.0, high=0.0),) * distance.size

    def evaluate(values: dict[str, float]) -> dict[str, float]:
        found = axis_field(rods, magnetisation=_pair_state(build, **values), distance=distance)[:half]
        row = found.mean(axis=0) if rod is None else found[rod]
        return {str(index): float(value) for index, value in enumerate(row)}

    inputs = {"remanence": Doubtful.of(grade.remanence), "coercivity": Doubtful.of(grade.coercivity)}
    model = field_deviations(distance, grade, celsius=build.temperature_c)
    found = propagate(evaluate, inputs, model=model, vectorised=False)
    return tuple(_named(found[str(index)], grade) for index in range(distance.size))


def _check_rod(rod: int | None, rods: Rods) -> None:
    if rod is not None and not 0 <= rod < len(rods.positions):
        raise InputError(f"this row has {len(rods.positions)} poles, counted from 0; got pole {rod}")


def _named(value: Prediction, grade: MagnetGrade) -> Prediction:
    """Name the causes as the other results of a build do."""
    names = {"model": "model of the field"}
    deviations = {names.get(item.name, f"{item.name} of {grade.name}"): item.deviation for item in value.contributions}
    return prediction(value.value, deviations, log=True)


def _model_named(value: Prediction, build: PickupBuild) -> Prediction:
    """Name the causes of a field over an assembly as the other results of a build do."""
    grades = " and ".join(grade.name for grade in build.magnets)
    names = {"model": "model of the field" if build.bar is None else "model of the bar magnet"}
    deviations = {names.get(item.name, f"{item.name} of {grades}"): item.deviation for item in value.contributions}
    return prediction(value.value, deviations, log=True) if value.value > 0 else value


def _of_interval(interval: Interval, cause: str, *, log: bool = True) -> Prediction:
    half = (interval.high - interval.low) / 2
    if log and interval.value > 0:
        return Prediction(
            value=interval.value,
            low=interval.low,
            high=interval.high,
            contributions=prediction(interval.value, {cause: half / interval.value / COVERAGE}, log=True).contributions,
        )
    return prediction(interval.value, {cause: half / COVERAGE}, log=False)
