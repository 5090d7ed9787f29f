"""The static field above the poles: on the axes of rods, and as a meter reads it.

Slices of a rod leave discs of charge on its ends and rings on its side (`labkit.pickup.magnetics.slices`); their fields
are summed. Charge crowds towards the rim of the end faces, which slices with a flat end disc do not show: close to the
axis of a rod's own face the field is cut by 1 + 0.17·e^(−d/0.71R), fitted to a cell-wise reference.

A reading means nothing without its distance: a Hall element sits about 1 mm behind the tip of its probe, and the field
halves in two millimetres. Two meters agree only after both have read the same reference piece.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError
from labkit.core.validity import range_called, warnings_of
from labkit.pickup.magnetics.magnet import REFERENCE_CELSIUS, MagnetGrade, operating_point
from labkit.pickup.magnetics.slices import Rods, pooled_distances, surface_charge
from labkit.pickup.predict.propagation import Doubtful, Prediction, propagate
from labkit.pickup.winding.inductance import MU_0

SENSOR_DEPTH = 1e-3
"""Usual depth of a Hall element behind the tip of a hand-held probe, m (common practice, no source)."""

MODEL_DEVIATION = 0.05
"""Relative standard deviation of the field model at 3 mm and more: with the doubt of the grade, ± 15 % (95 %)."""

NEAR_FACE_DEVIATION = 0.16
"""The same on the face itself, falling off with the crowding of its charge: there it tells how the curve is met.

At 1 mm over an alnico 2 rod the curve met in finer slices reads 6 % less, in rings as well as slices 21 % more.
"""

FIELD_DISTANCE = range_called("field_distance")
READING = range_called("field_reading")

_CROWDING, _CROWDING_REACH = 0.17, 0.71


def uniform_rod_field(
    *, polarisation: ArrayLike, radius: ArrayLike, length: ArrayLike, distance: ArrayLike
) -> np.ndarray:
    """Return the axial field on the axis of a uniformly magnetised rod.

    B = J/2·[(d+L)/√((d+L)²+R²) − d/√(d²+R²)]

    Parameters
    ----------
    polarisation : array_like, T
        What the rod has, not the remanence of its grade: a short alnico rod keeps about half of that.
    radius, length : array_like, m
    distance : array_like, m
        From the face, outwards.

    Returns
    -------
    ndarray, T, broadcast

    >>> float(uniform_rod_field(polarisation=1.32, radius=10e-3, length=5e-3, distance=5e-3).round(4))
    0.1715
    """
    d, size, span = (np.asarray(value, dtype=float) for value in (distance, radius, length))
    far = d + span
    value: np.ndarray = np.asarray(polarisation) / 2 * (far / np.hypot(far, size) - d / np.hypot(d, size))
    return value


def uniform_block_field(
    *, polarisation: ArrayLike, width: ArrayLike, depth: ArrayLike, length: ArrayLike, distance: ArrayLike
) -> np.ndarray:
    """Return the axial field on the axis of a uniformly magnetised block, ``length`` along the magnetisation.

    B = J/π·[atan(2(d+L)·√(a²+b²+4(d+L)²)/(ab)) − atan(2d·√(a²+b²+4d²)/(ab))]

    Parameters
    ----------
    polarisation : array_like, T
    width, depth, length : array_like, m
    distance : array_like, m
        From the face, outwards.

    Returns
    -------
    ndarray, T, broadcast
    """
    a, b, d = (np.asarray(value, dtype=float) for value in (width, depth, distance))

    def angle(height: np.ndarray) -> np.ndarray:
        opened: np.ndarray = np.arctan(2 * height * np.sqrt(a**2 + b**2 + 4 * height**2) / (a * b))
        return opened

    value: np.ndarray = np.asarray(polarisation) / math.pi * (angle(d + np.asarray(length)) - angle(d))
    return value


def axis_field(rods: Rods, *, magnetisation: np.ndarray, distance: ArrayLike, crowding: bool = True) -> np.ndarray:
    """Return the axial field over the middle of every rod's top face.

    Parameters
    ----------
    rods : Rods
    magnetisation : ndarray, shape (rods, slices), A/m
        From `magnet.operating_point`, or the response to a coil.
    distance : array_like, shape (D,) or scalar, m
        From the face, above 0.
    crowding : bool
        Apply the correction for charge that crowds to the rim; switch it off for truly uniform magnetisation.

    Returns
    -------
    ndarray, shape (rods, D), T

    Validity: 0.5 mm and more; single rods within 5 % of boundary elements from 1 mm.
    """
    away = _outside(distance)
    charge = rods.section * surface_charge(magnetisation)
    height = away[:, None] + rods.length / 2 - rods.edges
    own = height / (4 * math.pi * (height**2 + rods.radius**2) ** 1.5)
    ends = height[:, [0, -1]]
    own[:, [0, -1]] = (1 - ends / np.hypot(ends, rods.radius)) / (2 * rods.section)
    if crowding:
        own /= crowding_factor(away, rods.radius)[:, None]
    unique, index = pooled_distances(rods)
    kernels = height / (4 * math.pi * (height**2 + unique[:, None, None] ** 2) ** 1.5)
    kernels[unique == 0] = own
    flux: np.ndarray = MU_0 * np.einsum("tsdk,sk->td", kernels[index], charge)
    return flux


def predict_field(
    rods: Rods,
    grade: MagnetGrade,
    *,
    distance: ArrayLike,
    charge: float = 1.0,
    celsius: float = REFERENCE_CELSIUS,
    rod: int | None = None,
) -> tuple[Prediction, ...]:
    """Return the field on the axis at each distance with its 95 % interval and the causes of its doubt.

    Parameters
    ----------
    rods : Rods
    grade : MagnetGrade
    distance : array_like, shape (D,), m
        From the face.
    charge, celsius
        As in `magnet.operating_point`.
    rod : int or None
        Which rod; None averages over the row.

    Returns
    -------
    tuple of Prediction, one per distance, T
    """
    away = _outside(distance)

    def evaluate(values: dict[str, float]) -> dict[str, float]:
        state = operating_point(
            rods,
            grade,
            charge=charge,
            celsius=celsius,
            remanence=values["remanence"],
            coercivity=values["coercivity"],
        )
        found = axis_field(rods, magnetisation=state.magnetisation, distance=away)
        row = found.mean(axis=0) if rod is None else found[rod]
        return {str(index): float(value) for index, value in enumerate(row)}

    inputs = {"remanence": Doubtful.of(grade.remanence), "coercivity": Doubtful.of(grade.coercivity)}
    model = field_deviations(away, grade, radius=rods.radius, celsius=celsius)
    if charge == 0:
        return (Prediction(value=0.0, low=0.0, high=0.0),) * away.size
    found = propagate(evaluate, inputs, model=model, vectorised=False)
    return tuple(found[str(index)] for index in range(away.size))


def field_deviations(distance: np.ndarray, grade: MagnetGrade, *, radius: float, celsius: float) -> dict[str, float]:
    """Return the relative standard deviation of the field model at each distance (m), by its place in the list."""
    known = math.hypot(MODEL_DEVIATION, grade.temperature_range.deviation(celsius))
    near = near_face_deviation(distance, radius)
    return {str(at): math.hypot(known, near[at], FIELD_DISTANCE.deviation(float(d))) for at, d in enumerate(distance)}


def near_face_deviation(distance: np.ndarray, radius: float) -> np.ndarray:
    """Return `NEAR_FACE_DEVIATION` at distances (m) from the face of a rod, 1."""
    found: np.ndarray = NEAR_FACE_DEVIATION * np.exp(-distance / (_CROWDING_REACH * radius))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterCalibration:
    """What a meter's readings must be multiplied by, from one reading on a reference piece.

    Attributes
    ----------
    factor : float
        True field over reading.
    deviation : float
        Relative standard deviation of the factor.
    """

    factor: float = 1.0
    deviation: float = 0.0

    def true_field(self, reading: ArrayLike) -> np.ndarray:
        """Return the field behind a reading, T."""
        return np.asarray(reading) * self.factor


def calibrate_meter(
    *, reading: float, known: float, reading_deviation: float = 0.01, known_deviation: float = 0.02
) -> MeterCalibration:
    """Return the calibration that a reading on a reference piece gives.

    Parameters
    ----------
    reading : float, T
        On the reference piece, at the gap its value is stated for.
    known : float, T
        What the piece has there.
    reading_deviation, known_deviation : float
        Relative standard deviations; both carry over to every later reading.

    Raises
    ------
    InputError
        If either field is zero, or they have opposite signs.

    >>> calibrate_meter(reading=0.048, known=0.050).true_field(0.024).round(4).item()
    0.025
    """
    if not (math.isfinite(reading) and math.isfinite(known)) or reading * known <= 0:
        raise InputError(
            f"a reference piece must be read with the sign of its known field; got {1e3 * reading:g} mT read for "
            f"{1e3 * known:g} mT. Turn the probe over if the sign is wrong"
        )
    return MeterCalibration(factor=known / reading, deviation=math.hypot(reading_deviation, known_deviation))


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargeEstimate:
    """How much magnetisation is left.

    Attributes
    ----------
    charge : Prediction
        1 is saturated; not cut off at 1, so that a wrong gap or grade shows.
    full_field : float, T
        What the same rod would read when saturated.
    warnings : tuple of str
    """

    charge: Prediction
    full_field: float
    warnings: tuple[str, ...] = field(default=())


def estimate_charge(
    rods: Rods,
    grade: MagnetGrade,
    *,
    reading: float,
    gap: float,
    rod: int | None = None,
    sensor_depth: float = SENSOR_DEPTH,
    calibration: MeterCalibration | None = None,
    celsius: float = REFERENCE_CELSIUS,
    reading_deviation: float = 0.02,
    distance_deviation: float = 0.15e-3,
) -> ChargeEstimate:
    """Return the charge that explains a meter reading, with its interval and the causes of its doubt.

    Charge = calibrated reading over the field of the saturated rods at gap + sensor depth.

    Parameters
    ----------
    rods : Rods
    grade : MagnetGrade
    reading : float, T
        Size of the reading.
    gap : float, m
        From the pole's face to the tip of the probe; 0 when it touches.
    rod : int or None
        Which rod; None for the mean of readings over the row.
    sensor_depth : float, m
    calibration : MeterCalibration or None
        None trusts the meter's scale and adds 3 % for it.
    celsius : float, °C
    reading_deviation : float
        Relative standard deviation of repeated readings.
    distance_deviation : float, m
        Standard deviation of gap and sensor depth together.

    Returns
    -------
    ChargeEstimate
    """
    READING.check(reading, whose="give the size of a reading, not its sign: ")
    if gap < 0 or sensor_depth < 0 or gap + sensor_depth <= 0:
        raise InputError("gap and sensor depth must be 0 mm or more, and not both 0")
    away = gap + sensor_depth
    FIELD_DISTANCE.check(away)
    model = field_deviations(np.array([away]), grade, radius=rods.radius, celsius=celsius)["0"]
    scale = calibration or MeterCalibration(deviation=0.03)

    def full(values: Mapping[str, float]) -> float:
        state = operating_point(
            rods, grade, celsius=celsius, remanence=values["remanence"], coercivity=values["coercivity"]
        )
        found = axis_field(rods, magnetisation=state.magnetisation, distance=values["distance"])[:, 0]
        return float(found.mean() if rod is None else found[rod])

    inputs = {
        "reading": Doubtful(value=reading, deviation=reading_deviation, scale="log"),
        "meter calibration": Doubtful(value=scale.factor, deviation=scale.deviation, scale="log"),
        "distance": Doubtful(value=away, deviation=distance_deviation),
        "remanence": Doubtful.of(grade.remanence),
        "coercivity": Doubtful.of(grade.coercivity),
    }
    result = propagate(
        lambda values: {"charge": values["reading"] * values["meter calibration"] / full(values)},
        inputs,
        model={"charge": math.hypot(model, READING.deviation(reading))},
        vectorised=False,
    )["charge"]
    warnings = [*warnings_of((READING, reading), (FIELD_DISTANCE, away), (grade.temperature_range, celsius))]
    if result.low > 1:
        warnings.append(
            f"the reading is {100 * result.value:.0f} % of what saturated {grade.name} would give, more than any doubt "
            "allows: check gap, sensor depth, grade and meter."
        )
    full_field = full({name: doubt.value for name, doubt in inputs.items()})
    return ChargeEstimate(charge=result, full_field=full_field, warnings=tuple(warnings))


def crowding_factor(distance: np.ndarray, radius: float) -> np.ndarray:
    """Return what evenly charged discs overstate the field by on the axis of a face, at distances from it (m)."""
    value: np.ndarray = 1 + _CROWDING * np.exp(-distance / (_CROWDING_REACH * radius))
    return value


def _outside(distance: ArrayLike) -> np.ndarray:
    away = np.atleast_1d(np.asarray(distance, dtype=float))
    FIELD_DISTANCE.check(away)
    return away
