"""Field of a build: rod magnets in one coil or two, a bar between two rows of steel poles, or whatever else stands
under the strings (`labkit.pickup.predict.standing`)."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError
from labkit.core.sourced import Interval
from labkit.pickup.magnetics.bar import BarMagnet, PoleRows, predict_bar_field
from labkit.pickup.magnetics.field import axis_field, field_deviations, predict_field
from labkit.pickup.magnetics.magnet import MagnetGrade, settle, temperature_factor
from labkit.pickup.magnetics.pair import mirrored_rods
from labkit.pickup.magnetics.poles import Pole
from labkit.pickup.magnetics.slices import Rods, interaction_matrix
from labkit.pickup.predict.propagation import COVERAGE, Doubtful, Prediction, prediction, propagate
from labkit.pickup.predict.sheet import PickupBuild
from labkit.pickup.predict.standing import standing_field
from labkit.pickup.winding.inductance import MU_0

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
    if len(poles) == 2 and poles[0] is not None and poles[1] is not None and build.spacing is not None:
        first, second = (replace(pole, facing="north") for pole in poles if pole is not None)
        return "rod pair" if first == second and all(rods) else "assembly"
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
        magnet_bar, grade = bar_magnet(build)
        found = predict_bar_field(pole_rows(build), magnet_bar, grade, distance=away, celsius=build.temperature_c)
        return tuple(_of_interval(interval, "model of the bar magnet") for interval in found)
    if route == "rods":
        poles, grade = rod_magnets(build)
        rods = poles.rods()
        _check_rod(rod, rods)
        values = predict_field(rods, grade, distance=away, charge=poles.charge, celsius=build.temperature_c, rod=rod)
        return tuple(_named(value, grade) for value in values)
    if route == "rod pair":
        return _pair_field(build, away, rod)
    if route == "assembly":
        return tuple(_model_named(value, build) for value in standing_field(build, away, rod))
    return ()


def rod_magnets(build: PickupBuild, index: int = 0) -> tuple[Pole, MagnetGrade]:
    """Poles and grade of a coil with rod magnets, the first one unless told otherwise."""
    found = [(coil.poles, coil.grade) for _, coil in build.coils if coil.poles is not None and coil.grade is not None]
    return found[index]


def bar_magnet(build: PickupBuild) -> tuple[BarMagnet, MagnetGrade]:
    if build.bar is None or build.bar_grade is None:
        raise InputError(f"pickup '{build.name}' has no bar magnet")
    return build.bar, build.bar_grade


def coil_spacing(build: PickupBuild) -> float:
    if build.spacing is None:
        raise InputError(f"pickup '{build.name}' has no spacing between its coils")
    return build.spacing


def pole_rows(build: PickupBuild) -> PoleRows:
    """Two equal rows in place of the pickup's: mean of section and length of slugs and screws."""
    poles = [coil.poles for _, coil in build.coils if coil.poles is not None]
    return PoleRows(
        count=poles[0].count,
        pitch=poles[0].pitch or 2 * poles[0].diameter,
        radius=math.sqrt(sum(pole.diameter**2 for pole in poles) / len(poles)) / 2,
        length=sum(pole.length for pole in poles) / len(poles),
        spacing=coil_spacing(build),
    )


def pair_state(build: PickupBuild, **changes: float) -> np.ndarray:
    """Magnetisation of both rows of rod magnets, each in the other's field, signed, shape (2·rods, slices)."""
    (first, grade), (second, _) = rod_magnets(build), rod_magnets(build, 1)
    rods = mirrored_rods(first.rods(), coil_spacing(build))
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
    poles, grade = rod_magnets(build)
    rods = mirrored_rods(poles.rods(), coil_spacing(build))
    half = len(rods.positions) // 2
    _check_rod(rod, poles.rods())
    if poles.charge == 0:
        return (Prediction(value=0.0, low=0.0, high=0.0),) * distance.size

    def evaluate(values: dict[str, float]) -> dict[str, float]:
        found = axis_field(rods, magnetisation=pair_state(build, **values), distance=distance)[:half]
        row = found.mean(axis=0) if rod is None else found[rod]
        return {str(index): float(value) for index, value in enumerate(row)}

    inputs = {"remanence": Doubtful.of(grade.remanence), "coercivity": Doubtful.of(grade.coercivity)}
    model = field_deviations(distance, grade, radius=rods.radius, celsius=build.temperature_c)
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
