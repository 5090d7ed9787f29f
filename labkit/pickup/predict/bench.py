"""A built pickup on the bench: what a meter will read over its poles, what charge a reading means, and its strings."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError
from labkit.pickup.magnetics.field import (
    READING,
    SENSOR_DEPTH,
    ChargeEstimate,
    MeterCalibration,
    estimate_charge,
)
from labkit.pickup.predict.built import BuiltPickup
from labkit.pickup.predict.field import field_predictions, magnet_route
from labkit.pickup.predict.output import played_strings, string_outputs
from labkit.pickup.predict.propagation import Prediction, prediction

DISTANCE_DEVIATION = 0.15e-3
"""One standard deviation of gap and sensor depth together, m (common practice, no source)."""


def meter_reading(
    built: BuiltPickup,
    *,
    gap: float = 0.0,
    rod: int | None = None,
    sensor_depth: float = SENSOR_DEPTH,
    calibration: MeterCalibration | None = None,
) -> Prediction:
    """Predict what a field meter reads over the poles, T.

    Parameters
    ----------
    built : BuiltPickup
    gap : float, m
        From the pole's face to the tip of the probe; 0 when it touches.
    rod : int or None
        Which pole, from the left; None for the mean of the row.
    sensor_depth : float, m
        Of the Hall element behind the tip.
    calibration : MeterCalibration or None
        None trusts the meter's scale and adds 3 % for it.

    Returns
    -------
    Prediction
        With the doubt of the distance, which rules close up.

    Raises
    ------
    InputError
        If the distance is not above zero or this pickup's field is not modelled.
    """
    away = gap + sensor_depth
    if gap < 0 or sensor_depth < 0 or away <= 0:
        raise InputError("gap and sensor depth must be 0 mm or more, and not both 0")
    step = min(DISTANCE_DEVIATION, away / 2)
    found = field_predictions(built.build, [away - step, away, away + step], rod)
    if not found or found[1].value <= 0:
        raise InputError(f"pickup '{built.name}' has no magnet whose field is modelled, so no reading can be predicted")
    near, here, far = found
    scale = calibration or MeterCalibration(deviation=0.03)
    deviations = {item.name: item.deviation for item in here.contributions}
    deviations["distance of the sensor"] = math.log(far.value / near.value) / 2 * DISTANCE_DEVIATION / step
    deviations["meter"] = scale.deviation
    return prediction(here.value / scale.factor, deviations, log=True)


def pole_index(built: BuiltPickup, pole: str) -> int | None:
    """Return the place in the row of a pole called by its number, from 0 at the left; None for the row's mean.

    Raises
    ------
    InputError
        If the row has no pole of that number.
    """
    if not pole.isdecimal():
        return None
    count = next((coil.poles.count for _, coil in built.build.coils if coil.poles is not None), 0)
    if not 1 <= int(pole) <= count:
        raise InputError(f"pickup '{built.name}' has no pole {pole}; its row has {count}")
    return int(pole) - 1


def planned_field(
    built: BuiltPickup, *, gap: float = 0.0, pole: str = "", sensor_depth: float = SENSOR_DEPTH
) -> Prediction | None:
    """Return the true field that a build should show at a pole, T; None where it is not modelled.

    The one plan of the field: bench verdicts, charges and the build sheet go by it. The end poles of a row of rods show
    more than those between, so a pole is held against its own plan and not against the mean.

    Parameters
    ----------
    built : BuiltPickup
    gap : float, m
        From the pole's face to the tip of the probe; 0 when it touches.
    pole : str
        Its number from the left, from 1; any other name takes the mean of the row.
    sensor_depth : float, m
        Of the Hall element behind the tip.

    Raises
    ------
    InputError
        If the row has no pole of that number.
    """
    away = gap + sensor_depth
    index = pole_index(built, pole)
    if not built.field_t or not built.field_at[0] <= away <= built.field_at[-1]:
        return None
    return field_predictions(built.build, [away], index)[0]


def charge_from_reading(
    built: BuiltPickup,
    reading: float,
    *,
    gap: float = 0.0,
    rod: int | None = None,
    sensor_depth: float = SENSOR_DEPTH,
    calibration: MeterCalibration | None = None,
) -> ChargeEstimate:
    """Return the charge of a pickup's rod magnets that explains a reading (T); see `field.estimate_charge`.

    Raises
    ------
    InputError
        If the pickup is not a single row of rod magnets.
    """
    poles = [coil for _, coil in built.build.coils if coil.grade is not None and coil.poles is not None]
    if magnet_route(built.build) != "rods" or len(poles) != 1:
        raise InputError(f"pickup '{built.name}': a charge is estimated for one row of rod magnets only")
    coil = poles[0]
    assert coil.poles is not None
    assert coil.grade is not None
    return estimate_charge(
        coil.poles.rods(),
        coil.grade,
        reading=reading,
        gap=gap,
        rod=rod,
        sensor_depth=sensor_depth,
        calibration=calibration,
        celsius=built.build.temperature_c,
    )


def charge_for_reading(built: BuiltPickup, reading: float, *, gap: float = 0.0, rod: int | None = None) -> Prediction:
    """Return the charge at which a meter would read so much over the poles, 1: how far to charge, or to knock back.

    The wanted reading over that of the same magnets saturated; above 1 they cannot reach it.

    Parameters
    ----------
    built : BuiltPickup
    reading : float, T
    gap, rod
        As `meter_reading`.

    Raises
    ------
    InputError
        If the reading is not above zero or this pickup's field is not modelled.
    """
    READING.check(reading)
    full = meter_reading(built.saturated(), gap=gap, rod=rod)
    deviations = {item.name: -item.deviation for item in full.contributions}
    return prediction(reading / full.value, deviations, log=True)


def string_levels_db(
    built: BuiltPickup, *, strings: str = "six strings 10-46", distance: ArrayLike | None = None
) -> dict[str, float]:
    """Return each string's level against the mean of all at equal velocity, dB, by its note (lowest last).

    Parameters
    ----------
    built : BuiltPickup
    strings : str
        A set of the catalogue.
    distance : array_like or None, scalar or shape (strings,), m
        Pole face to string at each string, thinnest first; None takes the sheet's. This is where pole heights enter.

    Raises
    ------
    InputError
        If the set has not as many strings as the row has poles, or the output is not modelled.
    """
    count = len(played_strings(strings))
    poles = next((coil.poles for _, coil in built.build.coils if coil.poles is not None), None)
    if poles is None or poles.kind == "blade" or poles.count != count:
        row = 0 if poles is None else poles.count
        raise InputError(f"the set '{strings}' has {count} strings and the row {row} poles; choose another set")
    found = string_outputs(built.build, strings=strings, distance=distance)
    if not found:
        raise InputError(f"the output of pickup '{built.name}' is not modelled: it has no magnet that counts")
    levels = 20 * np.log10([output.sensitivity.value for output in found])
    return {
        f"{number}: {output.string.partition(',')[0]}": float(level)
        for number, (output, level) in enumerate(zip(found, levels - levels.mean()), start=1)
    }
