"""A build whose magnets have a history: its charges lowered by what that leaves, and what the doubt of it does."""

from __future__ import annotations

import math
from dataclasses import replace

from labkit.core.errors import InputError
from labkit.pickup.magnetics.history import aged
from labkit.pickup.predict.propagation import COVERAGE, Prediction, prediction
from labkit.pickup.predict.sheet import CoilBuild, PickupBuild
from labkit.pickup.predict.standing import assembly_of

CAUSE = "history of the magnets"


def aged_build(build: PickupBuild) -> PickupBuild:
    """Return a build with the charge of its magnets multiplied by what their history leaves; itself without one.

    Raises
    ------
    InputError
        If there is a history and no magnet.
    """
    if not build.history:
        return build
    if not any(coil.poles is not None for _, coil in build.coils):
        raise InputError("a history is that of magnets under the strings; this pickup has no poles on its sheet")
    found = aged(assembly_of(build), build.history)
    return replace(_times(build, found.left.value), aged=found)


def _times(build: PickupBuild, factor: float) -> PickupBuild:
    def coil(one: CoilBuild) -> CoilBuild:
        return replace(
            one,
            poles=None if one.poles is None else replace(one.poles, charge=one.poles.charge * factor),
            each=tuple(replace(made, pole=replace(made.pole, charge=made.pole.charge * factor)) for made in one.each),
        )

    bar = build.bar
    return replace(
        build,
        coils=tuple((name, coil(one)) for name, one in build.coils),
        bar=None if bar is None else replace(bar, charge=bar.charge * factor),
    )


def at_bounds(build: PickupBuild) -> tuple[PickupBuild, PickupBuild]:
    """Return an aged build with as little and as much left as its history may leave (95 %)."""
    if build.aged is None or build.aged.left.value <= 0:
        return build, build
    left = build.aged.left
    most = min([left.high / left.value] + [1 / charge for charge in _charges(build) if charge > 0])
    return _times(build, left.low / left.value), _times(build, most)


def _charges(build: PickupBuild) -> list[float]:
    found = [coil.poles.charge for _, coil in build.coils if coil.poles is not None]
    found += [made.pole.charge for _, coil in build.coils for made in coil.each]
    return found + ([build.bar.charge] if build.bar is not None else [])


def with_history(value: Prediction, low: Prediction, high: Prediction, *, log: bool) -> Prediction:
    """Return a prediction with the doubt of the history added: half of what lies between its two bounds.

    Parameters
    ----------
    value, low, high : Prediction
        Of the build as it is, and of `at_bounds`.
    log : bool
        A ratio's scale (a field); False for decibels.
    """
    span = math.log(high.value / low.value) if log and low.value > 0 else high.value - low.value
    if span <= 0 or value.value == low.value == high.value:
        return value
    deviations = {item.name: item.deviation for item in value.contributions}
    deviations[CAUSE] = span / 2 / COVERAGE
    return prediction(value.value, deviations, log=log)
