"""What strings put out over a build: volts per velocity string by string, and one pickup's level against another's.

The string is a saturating wire (`labkit.pickup.string`). What is not known of its steel is carried by a fixed set of
draws, the same for every pickup, so that it cancels as far as it is shared between two of them. No measurement stands
behind absolute volts, the balance of wound against plain strings, or the order of magnet grades: `NOT_MEASURED`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError
from labkit.pickup.electrical import SILENT_OUTPUT_DB
from labkit.pickup.magnetics.bar import field_spread
from labkit.pickup.magnetics.field import MODEL_DEVIATION
from labkit.pickup.magnetics.magnet import MagnetGrade, magnet, operating_point
from labkit.pickup.magnetics.slices import Rods, row_positions
from labkit.pickup.materials.materials import string, string_set
from labkit.pickup.predict.aging import at_bounds, with_history
from labkit.pickup.predict.field import magnet_route
from labkit.pickup.predict.propagation import COVERAGE, Part, Prediction, exactly, prediction
from labkit.pickup.predict.sheet import PickupBuild
from labkit.pickup.predict.standing import string_places
from labkit.pickup.predict.under_strings import pole_sources, row_source
from labkit.pickup.string.fields import StringFields
from labkit.pickup.string.known_steel import DRAWS, KnownSteel, steel_draws
from labkit.pickup.string.response import (
    PLAYING_DISTANCE,
    StringResponse,
    pull_stiffness,
    string_response,
    swing_terms,
)
from labkit.pickup.string.sources import PoleSource, Source
from labkit.pickup.string.steel import StringSteel, steel_rows
from labkit.pickup.string.vibration import note_frequency, pluck_velocity
from labkit.pickup.string.wire import StringWire, wire_of
from labkit.pickup.winding.air_coil import DEVIATIONS
from labkit.pickup.winding.inductance import MU_0
from labkit.pickup.winding.spectral import CoilShape

NOT_MEASURED = (
    "model, not measured: absolute volts, wound against plain strings, and the order of magnet grades; a string lifted "
    "by a known distance and recorded would settle them"
)
"""What is to be said wherever these numbers are shown."""


def output_basis(build: PickupBuild) -> str:
    """Say what the output of a build rests on: the model alone, or lifted strings."""
    if build.string_steel is None:
        return NOT_MEASURED
    return (
        f"model, its string steel told from lifted strings ({build.string_steel.rests_on or build.string_steel.name})"
    )


OUTPUT_MODEL = "model of the output"
"""Beginning of the causes that one pickup's magnets, poles and bobbin have to themselves."""

STRING_STEEL = "steel of the strings"
STRING_HEIGHT = "height of the strings"

GAP_DEVIATION = 0.1e-3
"""One standard deviation of the height of a string over its pole, m: ± 0.2 mm (common practice, no source)."""

MODEL_SPREAD = 0.02
"""Relative standard deviation of the string's model itself: it lies within 2 % of finite elements in two cases."""

PLUCK_DISPLACEMENT, PLUCK_PART = 1e-3, 0.2
"""The stated pluck: pulled aside by 1 mm at a fifth of the scale from the bridge."""

_USUAL_SETS = {
    4: "four-string bass 45-105",
    5: "five-string bass 45-130",
    6: "six strings 10-46",
    7: "seven strings 10-59",
}
_REFERENCE_GAP, _REFERENCE_GRADE = 3e-3, "Alnico 5"
_COVER_WAVENUMBER = 200.0  # 1/m: how a string's field varies over a cover, by hand
_PATH_HZ = np.geomspace(50.0, 20e3, 12)
_DECIBELS = 20 / math.log(10)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayedString:
    """A string over a pickup.

    Parameters
    ----------
    name : str
    wire : StringWire
    frequency_hz : float, Hz
        Of the open string.
    """

    name: str
    wire: StringWire
    frequency_hz: float


@lru_cache(maxsize=32)
def played_strings(name: str) -> tuple[PlayedString, ...]:
    """Return the strings of a set of the catalogue, thinnest first."""
    found = string_set(name)
    return tuple(
        PlayedString(name=f"{note}, {each}", wire=wire_of(string(each)), frequency_hz=note_frequency(note))
        for note, each in zip(found.notes, found.strings, strict=True)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class StringOutput:
    """What one string puts out over a pickup, at its leads with nothing rolled off.

    Attributes
    ----------
    string : str
    sensitivity : Prediction, V/(m/s)
        Per velocity of the string towards the poles.
    pluck : Prediction, V
        Greatest EMF in the first cycle after the stated pluck, whatever the pickup's place.
    pull : Prediction, N
        Of the magnets on the string.
    window : Prediction, m
        Length of string that a plain average with the same −3 dB point would cover.
    """

    string: str
    sensitivity: Prediction
    pluck: Prediction
    pull: Prediction
    window: Prediction


@dataclass(frozen=True, slots=True, kw_only=True)
class Transducer:
    """How a pickup turns the motion of one string into voltage, best values.

    Attributes
    ----------
    sensitivity : float, V/(m/s)
    window : float, 1/m
        k_1: a wave of wavenumber k is heard as 1/(1 + (k/k_1)²).
    second, third : float, 1/m and 1/m²
        a_1 and a_2 of S·(1 + a_1·u + a_2·u²), u away from the poles.
    stiffness : float, N/m
        K_z, what the magnets' pull takes from the string's stiffness towards the poles.
    """

    sensitivity: float
    window: float
    second: float
    third: float
    stiffness: float


def strings_over(build: PickupBuild, name: str | None = None) -> tuple[tuple[PlayedString, ...], tuple[float, ...]]:
    """Return the strings over a build and where they run along the row, m.

    Parameters
    ----------
    build : PickupBuild
    name : str or None
        A set of the catalogue; None takes the usual one for so many poles. As many strings as poles run over their
        middles, any other number evenly from the first pole to the last.
    """
    places = string_places(build)
    if name is None:
        name = _USUAL_SETS.get(len(places), _USUAL_SETS[6])
    strings = played_strings(name)
    if len(places) < 4 and len(strings) != len(places):
        strings = strings[2:3] * len(places)  # too few poles for any set: a plain string over each
    if len(strings) != len(places):
        places = tuple(np.linspace(places[0], places[-1], len(strings)).tolist())
    return strings, places


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Rows:
    """What every string gives for the rows that intervals are made of, all sources together."""

    sensitivity: np.ndarray
    """Shape (rows, S)."""
    pull: np.ndarray
    response: StringResponse


def _inputs(known: KnownSteel | None, field_deviation: float, count: int) -> tuple[StringSteel, np.ndarray, np.ndarray]:
    """Rows of steel, field factor and rise of the strings: best values and draws, then field and height up and down."""
    steel = {name: np.concatenate([drawn, np.full(4, drawn[0])]) for name, drawn in steel_draws(known).items()}
    field, rise = np.ones(DRAWS + 5), np.zeros((DRAWS + 5, count))
    field[-4:-2] = math.exp(field_deviation), math.exp(-field_deviation)
    rise[-2], rise[-1] = GAP_DEVIATION, -GAP_DEVIATION
    return steel_rows(steel), field, rise


def _best_steel(known: KnownSteel | None) -> StringSteel:
    return steel_rows({name: drawn[:1] for name, drawn in steel_draws(known).items()})


@lru_cache(maxsize=64)
def _rows(
    build: PickupBuild, wires: tuple[StringWire, ...], places: tuple[float, ...], gaps: tuple[float, ...]
) -> _Rows:
    sources = pole_sources(build)
    steel, field, rise = _inputs(build.string_steel, _field_deviation(build), len(wires))
    heights = np.clip(np.array(gaps) + rise, *PLAYING_DISTANCE.limits)
    share = _share(build)
    parts = [
        string_response(
            _fields(source, places), wires, gap=heights, turns=share * source.turns, steel=steel, field_factor=field
        )
        for source in sources
    ]
    total = np.sum([part.sensitivity for part in parts], axis=0)
    together = replace(
        parts[0],
        sensitivity=total,
        kernel=np.sum([part.kernel for part in parts], axis=0),
        tilt=np.sum([part.tilt for part in parts], axis=0),
    )
    pull = np.sum([part.pull for part in parts], axis=0)
    return _Rows(sensitivity=np.abs(total), pull=pull, response=together)


@lru_cache(maxsize=8)
def _fields(source: Source, places: tuple[float, ...]) -> StringFields:
    """The fields of a source along strings at places, which stay as the strings rise."""
    return source.fields(places)


def _share(build: PickupBuild) -> float:
    """Of the EMF of coils in parallel each brings half to the leads."""
    return 0.5 if len(build.coils) == 2 and build.connection == "parallel" else 1.0


def _field_deviation(build: PickupBuild) -> float:
    """Relative standard deviation of the static field: its model, and the grade's remanence and coercivity."""
    if build.bar is not None and build.bar_grade is not None:
        return field_spread(build.bar_grade) / COVERAGE
    spreads = [_grade_deviation(grade) for grade in build.magnets]
    return math.hypot(MODEL_DEVIATION, max(spreads, default=0.0))


def _grade_deviation(grade: MagnetGrade) -> float:
    """A short rod's field goes with its coercivity and hardly with its remanence."""
    return (grade.coercivity.spread or 0.0) / grade.coercivity.value / COVERAGE


def _gaps(build: PickupBuild, distance: ArrayLike | None, count: int) -> tuple[float, ...]:
    heights = np.asarray(build.string_distance if distance is None else distance, dtype=float)
    if distance is None and build.string_offsets:
        places = np.linspace(0.0, 1.0, len(build.string_offsets))
        heights = heights + np.interp(np.linspace(0.0, 1.0, count), places, build.string_offsets)
    PLAYING_DISTANCE.check(heights)
    if heights.ndim and heights.size != count:
        raise InputError(f"a height is due for each of {count} strings, or one for all; got {heights.size}")
    return tuple(np.broadcast_to(heights, count).tolist())


def row_causes(rows: np.ndarray, own: str) -> dict[str, Part]:
    """Return what every cause does to the logarithm of a number over its rows, shape (DRAWS + 5,)."""
    levels = np.log(rows)
    return {
        STRING_STEEL: levels[1 : DRAWS + 1] - levels[0],
        f"{OUTPUT_MODEL}, field of {own}": float(levels[-4] - levels[-3]) / 2,
        STRING_HEIGHT: float(levels[-2] - levels[-1]) / 2,
        f"{OUTPUT_MODEL}, string over {own}": MODEL_SPREAD,
    }


def sensitivity_rows(build: PickupBuild, *, strings: str | None, distance: float) -> np.ndarray:
    """Return the sensitivity of every string with everything that is in doubt varied, shape (DRAWS + 5, S), V/(m/s).

    Best values, draws of the steel (`steel_draws`), field up and down, height up and down by one standard deviation.

    Parameters
    ----------
    build : PickupBuild
    strings : str or None
        As `string_outputs`.
    distance : float, m
        Pole face to string.

    Raises
    ------
    InputError
        If the output is not modelled, or the height lies outside `PLAYING_DISTANCE`.
    """
    played, places = strings_over(build, strings)
    gaps = _gaps(build, distance, len(played))
    rows = _rows(build, tuple(each.wire for each in played), places, gaps).sensitivity if pole_sources(build) else None
    if rows is None or not np.all(rows):
        raise InputError(f"{build.name}: what its strings put out is not modelled, or it is silent")
    return rows


def string_outputs(
    build: PickupBuild, *, strings: str | None = None, distance: ArrayLike | None = None
) -> tuple[StringOutput, ...]:
    """Return what every string puts out over a build, thinnest first; empty where it is not modelled or silent.

    The doubt of a history of the magnets is counted.

    Parameters
    ----------
    build : PickupBuild
    strings : str or None
        A set of the catalogue; None takes the usual one for so many poles.
    distance : array_like or None, scalar or shape (strings,), m
        Pole face to string; None takes the sheet's. This is where pole heights enter.

    Raises
    ------
    InputError
        If a height lies outside `labkit.pickup.string.response.PLAYING_DISTANCE`.
    """
    found = _outputs(build, strings, distance)
    if build.aged is None:
        return found
    low, high = (_outputs(bound, strings, distance) for bound in at_bounds(build))
    return tuple(
        replace(
            each,
            sensitivity=with_history(each.sensitivity, least.sensitivity, most.sensitivity, log=True),
            pluck=with_history(each.pluck, least.pluck, most.pluck, log=True),
            pull=with_history(each.pull, least.pull, most.pull, log=True),
        )
        for each, least, most in zip(found, low, high)
    )


def _outputs(build: PickupBuild, strings: str | None, distance: ArrayLike | None) -> tuple[StringOutput, ...]:
    played, places = strings_over(build, strings)
    gaps = _gaps(build, distance, len(played))
    if not pole_sources(build):
        return ()
    rows = _rows(build, tuple(each.wire for each in played), places, gaps)
    if not np.all(rows.sensitivity):
        return ()
    turns = DEVIATIONS["turns"][0]
    width = rows.response.window_width
    found = []
    for at, each in enumerate(played):
        causes = row_causes(rows.sensitivity[:, at], "these magnets")
        beyond = PLAYING_DISTANCE.deviation(gaps[at])
        causes |= {"turns": turns} | ({"a height outside the model's range": beyond} if beyond else {})
        sensitivity = prediction(float(rows.sensitivity[0, at]), causes, log=True)
        velocity = float(
            pluck_velocity(frequency_hz=each.frequency_hz, displacement=PLUCK_DISPLACEMENT, part=PLUCK_PART)
        )
        found.append(
            StringOutput(
                string=each.name,
                sensitivity=sensitivity,
                pluck=prediction(velocity * sensitivity.value, causes, log=True),
                pull=prediction(float(rows.pull[0, at]), row_causes(rows.pull[:, at], "these magnets"), log=True),
                window=prediction(float(width[0, at]), row_causes(width[:, at], "these magnets"), log=True),
            )
        )
    return tuple(found)


@lru_cache(maxsize=1)
def _reference_source() -> PoleSource:
    rods = Rods(positions=row_positions(count=6, pitch=10.4e-3), radius=2.4e-3, length=17e-3)
    grade = magnet(_REFERENCE_GRADE)
    return row_source(
        rods,
        operating_point(rods, grade).magnetisation,
        CoilShape(straight_length=52e-3, end_radius=2.5e-3, winding_height=11e-3, build_up=4.325e-3),
        turns=8000.0,
        susceptibility=grade.signal_permeability.value - 1,
    )


@lru_cache(maxsize=16)
def _reference(wires: tuple[StringWire, ...], known: KnownSteel | None = None) -> np.ndarray:
    """Sensitivity of the reference coil over the rows of `_inputs`, shape (DRAWS + 5, S), read-only."""
    source = _reference_source()
    places = tuple(x for x, _ in source.poles.positions)
    chosen = places if len(wires) == 6 else (places[2],) * len(wires)
    doubt = math.hypot(MODEL_DEVIATION, _grade_deviation(magnet(_REFERENCE_GRADE)))
    steel, field, rise = _inputs(known, doubt, len(wires))
    found = string_response(
        source.fields(chosen),
        wires,
        gap=_REFERENCE_GAP + rise,
        turns=source.turns,
        steel=steel,
        field_factor=field,
    ).sensitivity
    found.flags.writeable = False
    return found


def reference_sensitivities(wires: tuple[StringWire, ...]) -> np.ndarray:
    """Return what strings put out over the coil that outputs are counted from, shape (S,), V/(m/s).

    8000 turns of 71 µm wire around six alnico 5 rods of 4.8 mm × 17 mm at 10.4 mm, fully charged; bobbin 52 mm, 2.5 mm,
    11 mm, packing 0.85; strings at 3 mm, six of them each over its own rod, any other number over the third.
    """
    found: np.ndarray = _reference(wires)[0]
    return found


@lru_cache(maxsize=4)
def reference_pluck(strings: str) -> Prediction:
    """Return the greatest EMF of the reference coil after the stated pluck, dB over 1 V, its doubt by cause.

    Mean over the strings of a set of their dB. A pickup's output (`output_prediction`) adds to it; what both doubt of
    the reference coil then cancels.
    """
    played = played_strings(strings)
    level = np.exp(np.mean(np.log(_reference(tuple(each.wire for each in played))), axis=1))
    velocities = [
        float(pluck_velocity(frequency_hz=each.frequency_hz, displacement=PLUCK_DISPLACEMENT, part=PLUCK_PART))
        for each in played
    ]
    causes = {name: _DECIBELS * part for name, part in row_causes(level, "the reference coil").items()}
    value = _DECIBELS * (math.log(level[0]) + float(np.mean(np.log(velocities))))
    return prediction(value, causes, log=False)


def output_prediction(build: PickupBuild) -> Prediction | None:
    """Return the level over `reference_sensitivities` with the same strings, mean of their dB, its doubt by cause.

    None where it is not modelled; `SILENT_OUTPUT_DB` where the magnets are uncharged. Outputs of two builds are
    subtracted with `propagation.difference`: a change of turns or wire alone leaves no doubt of the model.
    """
    played, places = strings_over(build)
    gaps = _gaps(build, None, len(played))
    if not pole_sources(build):
        return None
    wires = tuple(each.wire for each in played)
    rows = _rows(build, wires, places, gaps).sensitivity
    if not np.any(rows):
        return exactly(SILENT_OUTPUT_DB)
    own = _own_model(build)
    with np.errstate(divide="ignore"):
        level = np.exp(np.mean(np.log(rows), axis=1))
        counted = np.exp(np.mean(np.log(_reference(wires, build.string_steel)), axis=1))
    causes = {name: _DECIBELS * part for name, part in row_causes(level, own).items()}
    for name, part in row_causes(counted, "the reference coil").items():
        causes[name] = causes.get(name, 0.0) - _DECIBELS * part
    beyond = max(PLAYING_DISTANCE.deviation(gap) for gap in gaps)
    if beyond:
        causes[f"{OUTPUT_MODEL}, string height of {own}"] = beyond * _DECIBELS
    return prediction(_DECIBELS * math.log(level[0] / counted[0]), causes, log=False)


def relative_output(output: Prediction | None) -> Prediction | None:
    """Return an output with the pickup's own causes as one, as its own numbers show it; None where it is silent."""
    if output is None or output.value <= SILENT_OUTPUT_DB:
        return None
    own = [item.deviation for item in output.contributions if item.name.startswith(OUTPUT_MODEL)]
    if not own:
        return output
    kept = {item.name: item.part for item in output.contributions if not item.name.startswith(OUTPUT_MODEL)}
    return prediction(output.value, {**kept, OUTPUT_MODEL: math.hypot(*own)}, log=False)


def _own_model(build: PickupBuild) -> str:
    """Say which magnets, poles, bobbin and string height the model was asked about: all but charge, turns and wire."""
    parts: list[object] = [
        magnet_route(build),
        build.spacing,
        build.string_distance,
        build.string_offsets,
        build.plates,
    ]
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


@lru_cache(maxsize=64)
def transducers(
    build: PickupBuild | None, wires: tuple[StringWire, ...], *, distance: tuple[float, ...] | None = None
) -> tuple[Transducer, ...] | None:
    """Return how a pickup hears each of several strings; None where its output is not modelled or it is silent.

    Parameters
    ----------
    build : PickupBuild or None
        None takes the coil that outputs are counted from.
    wires : tuple of StringWire, thinnest first
    distance : tuple of float or None, m
        Pole face to string, for each; None takes the sheet's.
    """
    over = _over_poles(build, wires, distance)
    if over is None:
        return None
    fields, gap, steel = over
    share = 1.0 if build is None else _share(build)
    found = np.zeros((5, len(wires)))
    for source, along in fields:
        response = string_response(along, wires, gap=gap, turns=share * source.turns, steel=steel)
        own = np.abs(response.sensitivity[0])
        second, third = swing_terms(along, wires, gap=gap, steel=steel)
        weighted = (response.window_wavenumber[0] * own, second * own, third * own)
        found += np.stack([own, *weighted, pull_stiffness(along, wires, gap=gap, steel=steel)])
    found[1:4] /= found[0]
    return tuple(
        Transducer(
            sensitivity=float(column[0]),
            window=float(column[1]),
            second=float(column[2]),
            third=float(column[3]),
            stiffness=float(column[4]),
        )
        for column in found.T
    )


def _over_poles(
    build: PickupBuild | None, wires: tuple[StringWire, ...], distance: tuple[float, ...] | None
) -> tuple[list[tuple[Source, StringFields]], np.ndarray, StringSteel] | None:
    """Sources with their fields along the strings, heights and steel; None where no field is modelled or charged."""
    sources: tuple[Source, ...] = (_reference_source(),) if build is None else pole_sources(build)
    if not any(source.is_magnetised for source in sources):
        return None
    gap = np.array(_gaps(build, distance, len(wires)) if build is not None else [_REFERENCE_GAP] * len(wires))
    row = string_places(build) if build is not None else tuple(x for x, _ in sources[0].positions)
    places = row if len(row) == len(wires) else tuple(np.linspace(row[0], row[-1], len(wires)).tolist())
    steel = _best_steel(None if build is None else build.string_steel)
    return [(source, _fields(source, places)) for source in sources], gap, steel


@lru_cache(maxsize=64)
def string_stiffness(build: PickupBuild, wires: tuple[StringWire, ...]) -> tuple[float, ...] | None:
    """Return what the magnets' pull takes from the stiffness of each string, N/m: `Transducer.stiffness` alone."""
    over = _over_poles(build, wires, None)
    if over is None:
        return None
    fields, gap, steel = over
    found = sum(pull_stiffness(along, wires, gap=gap, steel=steel) for _, along in fields)
    return tuple(np.asarray(found).tolist())


@lru_cache(maxsize=64)
def path_gain(build: PickupBuild) -> tuple[np.ndarray, np.ndarray] | None:
    """Return what eddy currents in poles and cover take from the strings on their way to the coil, over frequency.

    The poles answer the coil with their complex permeability; a cover of thickness t and resistivity ρ passes
    1/(1 + jω·μ0·t/(2ρk)), k = 200/m. None where the output is not modelled.

    Returns
    -------
    ndarray, shape (F,), Hz; ndarray, shape (F,), complex
        Over low frequencies; mean of the strings.

    Validity: the eddy currents of the string's own field in the poles only as far as they answer the coil; the cover
    by hand, for its geometry nothing was computed.
    """
    played, places = strings_over(build)
    wires = tuple(each.wire for each in played)
    gap = np.array(_gaps(build, None, len(played)))
    steel = _best_steel(build.string_steel)

    def heard(hz: float) -> np.ndarray:
        parts = [
            string_response(source.fields(places), wires, gap=gap, turns=source.turns, steel=steel).sensitivity[0]
            for source in pole_sources(build, frequency_hz=hz)
        ]
        return np.asarray(sum(parts))

    still = heard(0.0) if pole_sources(build) else np.zeros(1)
    if not np.all(still):
        return None
    gain = np.array([np.mean(heard(float(hz)) / still) for hz in _PATH_HZ])
    for plate in build.plates:
        if plate.kind != "baseplate":
            delay = MU_0 * plate.thickness / (2 * plate.resistivity * _COVER_WAVENUMBER)
            gain = gain / (1 + 2j * math.pi * _PATH_HZ * delay)
    return _PATH_HZ, gain


def level_from_inductance_db(*, inductance: ArrayLike, reference: ArrayLike) -> np.ndarray:
    """Return 10·log10(L/L_ref), dB: the rule that turns, and so output, go with √L at like geometry and magnets.

    A check of order only: two coils of 1.7 H and 3.5 H measured 3.4 dB apart, the rule says 3.1 dB.

    >>> float(level_from_inductance_db(inductance=3.5, reference=1.7).round(2))
    3.14
    """
    level: np.ndarray = 10 * np.log10(np.asarray(inductance) / np.asarray(reference))
    return level
