"""What a build predicts for a string lifted by a shim, and what measured lifts say of the steel of the strings."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from labkit.core.errors import InputError, did_you_mean
from labkit.pickup.magnetics.slices import gauss_points
from labkit.pickup.predict.aging import CAUSE, at_bounds
from labkit.pickup.predict.output import (
    MODEL_SPREAD,
    OUTPUT_MODEL,
    row_causes,
    sensitivity_rows,
    strings_over,
)
from labkit.pickup.predict.propagation import COVERAGE, Prediction, prediction
from labkit.pickup.predict.sheet import PickupBuild
from labkit.pickup.string.known_steel import DRAWS, KnownSteel, coordinates, steel_draws, unmeasured_steel
from labkit.pickup.winding.air_coil import DEVIATIONS

LARGE_LIFT = 0.015
"""Relative standard deviation for taking the steel's answer to a lift of a millimetre as that to a small swing.

With the slope of the whole magnetisation curve in its place the integral rises by 0.6 to 1 % (six strings lifted by
1 mm from 2 mm over six alnico 5 rods, model) and 2 to 3 % from 3 mm; what a real string does lies between.
"""

_POINTS = 3


def lift_notes(build: PickupBuild, strings: str | None = None) -> tuple[str, ...]:
    """Return the notes of the strings over a build, thinnest first, as a lift names them."""
    return tuple(each.name.partition(",")[0] for each in strings_over(build, strings)[0])


def _rows(build: PickupBuild, *, gap: float, lift: float, strings: str | None) -> np.ndarray:
    """Mean sensitivity over the lift with everything that is in doubt varied, shape (DRAWS + 5, S)."""
    nodes, weights = gauss_points(_POINTS)
    heights = gap + lift * (nodes + 1) / 2
    rows = np.stack([sensitivity_rows(build, strings=strings, distance=float(height)) for height in heights])
    mean: np.ndarray = np.tensordot(weights / 2, rows, axes=1)
    return mean


def _history_deviation(build: PickupBuild, *, gap: float, lift: float, strings: str | None) -> np.ndarray:
    """Relative standard deviation that a history of the magnets leaves of every sensitivity, shape (S,)."""
    low, high = (_rows(bound, gap=gap, lift=lift, strings=strings)[0] for bound in at_bounds(build))
    span: np.ndarray = np.abs(np.log(high / low)) / 2 / COVERAGE
    return span


def predicted_lifts(
    build: PickupBuild, *, gap: float, lift: float, strings: str | None = None
) -> Mapping[str, Prediction]:
    """Return the mean sensitivity of every string over a lift, V/(m/s), by note.

    Parameters
    ----------
    build : PickupBuild
    gap : float, m
        Pole face to middle of the string before the lift.
    lift : float, m
    strings : str or None
        A set of the catalogue; None takes the usual one.

    Raises
    ------
    InputError
        If the output is not modelled, or a height lies outside the model's range.
    """
    rows = _rows(build, gap=gap, lift=lift, strings=strings)
    history = _history_deviation(build, gap=gap, lift=lift, strings=strings)
    found = {}
    for note, column, aged in zip(lift_notes(build, strings), rows.T, history.tolist()):
        causes = row_causes(column, "these magnets")
        causes |= {"turns": DEVIATIONS["turns"][0], f"{OUTPUT_MODEL}, a lift for a swing": LARGE_LIFT}
        causes |= {CAUSE: aged} if aged > 0 else {}
        found[note] = prediction(float(column[0]), causes, log=True)
    return found


def steel_after_lifts(
    build: PickupBuild,
    measured: Mapping[str, Prediction],
    *,
    shared: float,
    gap: float,
    lift: float,
    strings: str | None = None,
    name: str,
) -> KnownSteel:
    """Return what is known of the strings' steel after some of them were lifted over a build.

    The logarithms of the measured sensitivities are linear in the steel's numbers, by a regression over the draws of
    what is known so far (the build's own `string_steel`, or nothing); what bends from that line counts as doubt, and so
    do the field, the turns, the heights, the model and what all recordings share.

    Parameters
    ----------
    build : PickupBuild
    measured : mapping of str to Prediction, V/(m/s)
        By note.
    shared : float
        Relative standard deviation of full scale and shim, common to all of them (part of their intervals).
    gap, lift, strings
        As `predicted_lifts`.
    name : str

    Raises
    ------
    InputError
        If no string is called so.
    """
    notes = lift_notes(build, strings)
    for note in measured:
        if note not in notes:
            raise InputError(f"no string over {build.name} is called '{note}'.{did_you_mean(note, notes)}")
    known = unmeasured_steel() if build.string_steel is None else build.string_steel
    rows = np.log(_rows(replace(build, string_steel=known), gap=gap, lift=lift, strings=strings))
    rows = rows[:, [notes.index(note) for note in measured]]
    steps = coordinates(steel_draws(known))[1:] - known.centre
    design = np.column_stack([np.ones(DRAWS), steps])
    solved = np.linalg.lstsq(design, rows[1 : DRAWS + 1], rcond=None)[0]
    bent = rows[1 : DRAWS + 1] - design @ solved
    field, height = (rows[-4] - rows[-3]) / 2, (rows[-2] - rows[-1]) / 2
    half = np.array([math.log(each.high / each.low) / 2 / COVERAGE for each in measured.values()])
    own = np.maximum(half**2 - shared**2, 0.0) + height**2 + MODEL_SPREAD**2
    noise = np.diag(own) + np.outer(field, field) + bent.T @ bent / DRAWS
    history = _history_deviation(build, gap=gap, lift=lift, strings=strings)[[notes.index(note) for note in measured]]
    noise += np.outer(history, history)
    noise += shared**2 + DEVIATIONS["turns"][0] ** 2 + LARGE_LIFT**2
    return known.updated(
        solved[1:].T,
        solved[0],
        np.log([each.value for each in measured.values()]),
        noise,
        name=name,
        rests_on=f"{', '.join(measured)} lifted by {1e3 * lift:g} mm from {1e3 * gap:g} mm over {build.name}",
    )
