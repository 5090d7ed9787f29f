"""A rig as the strings drive it: where each coil sits under each string and what each pickup puts out are counted.

The gain of a rig (`labkit.rig.rig.Rig.response`) gives every pickup one EMF, so that a reversed pair cancels at all
frequencies where both are alike. Under a string they stand at different places of every standing wave. Partial n of a
string is heard by a coil at x as sin(nπx/ℓ)/(1 + (nπ/(ℓ·k_1))²), n = f/f0, and since nπx/ℓ = 2πf·x/c with c = 2ℓ·f0, no
fret changes that. Here the square of what all coils together give at the output is averaged over the strings, and the
comb over a sixth of an octave.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from labkit.core.errors import InputError
from labkit.core.grid import frequency_grid
from labkit.core.response import FLOOR, Response
from labkit.pickup.electrical import SILENT_OUTPUT_DB
from labkit.pickup.predict.propagation import Part, Prediction, difference, prediction, shifted
from labkit.rig.outputs import CountedOutputs, counted_outputs
from labkit.rig.rig import Rig
from labkit.sound.render.rig_sound import USUAL_STRINGS, coil_spots, coil_transfers
from labkit.sound.strings import StringSet, string_set
from labkit.sound.take.take import CoilSpot, coil_factor, window_factor

LEVEL_BAND_HZ = (100.0, 1000.0)
"""Band of a rig's level, where its curve hardly bends; the same as for the level of a `Difference`."""

SMOOTHED_OCTAVES = 1 / 6
"""Band around each frequency over which the comb is averaged: from 1 kHz up a string has several partials in two such
bands, and a comb of every string drawn point by point is a fence that no eye and no grid resolves."""

_WITHIN = np.linspace(-SMOOTHED_OCTAVES / 2, SMOOTHED_OCTAVES / 2, 9)

DRIVEN_NOT_MODELLED = (
    "where the string is plucked and how long each partial sounds; a string gives nothing below its own note, "
    "so the curve says little under 82 Hz"
)
"""What the curve as the strings drive it leaves out."""


def driven_response(
    rig: Rig,
    frequency_hz: np.ndarray | None = None,
    *,
    strings: StringSet | None = None,
    spots: Mapping[str, CoilSpot] | None = None,
    levels_db: Mapping[str, float] | None = None,
) -> Response:
    """Return the gain of a rig as the strings drive it, averaged over the strings (root of the mean square).

    |H|² = mean over strings of |Σ_coils g·H_coil(f)·sin(nπx/ℓ)/(1 + (nπ/(ℓ·k_1))²)|², n = f/f0, g the
    coil's output over the reference coil's for that string.

    Parameters
    ----------
    rig : Rig
    frequency_hz : ndarray, shape (F,), Hz, optional
        Default: 512 log-spaced points from 20 Hz to 20 kHz.
    strings : StringSet, optional
        `USUAL_STRINGS` unless given.
    spots : mapping of str to CoilSpot, optional
        Places of the coils; usual places otherwise.
    levels_db : mapping of str to float, dB, optional
        Level on the EMF of each slot; the rig's own outputs as far as they are known, unless given.

    Returns
    -------
    Response
        Real values: magnitudes. 0 dB is the EMF of the reference coil over the loop of every partial.

    Raises
    ------
    InputError
        If a pickup has neither a given nor a usual place.

    Validity: stiffness is left out of n (a few per cent at partial 20); else as `labkit.sound.take.take.window_factor`.
    """
    under = string_set(USUAL_STRINGS) if strings is None else strings
    where = coil_spots(rig, scale=under.scale) if spots is None else spots
    grid = frequency_grid() if frequency_hz is None else np.asarray(frequency_hz, dtype=float)

    def evaluate(wanted: np.ndarray) -> np.ndarray:
        whole = _parts(rig, wanted, under, where, levels_db).sum(axis=1)
        found: np.ndarray = np.sqrt(np.mean(np.abs(whole) ** 2, axis=(0, 1))).astype(complex)
        return found

    return Response(frequency_hz=grid, values=evaluate(grid), name=rig.name, evaluate=evaluate)


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelChange:
    """How loud a rig is against another one before it.

    Attributes
    ----------
    level_db : Prediction, dB
        After less before; doubts that both share are taken out.
    is_silent : bool
        Nothing of one of them reaches the input; the level then means nothing.
    words : str
        How outputs were counted, where something is taken for granted; else empty.
    """

    level_db: Prediction
    is_silent: bool
    words: str


def rig_level(rig: Rig, outputs: CountedOutputs | None = None, *, index: int = 0) -> Prediction:
    """Return the level of a rig as the strings drive it, mean power from 100 Hz to 1 kHz, dB, its doubt by cause.

    Parameters
    ----------
    rig : Rig
    outputs : CountedOutputs, optional
        Of a comparison in which this rig stands at ``index``; the rig by itself unless given.

    Notes
    -----
    A cause that moves a pickup's output by σ moves the level by s·σ, where s is the part of the power that this pickup
    brings. Pickups whose places are not known are taken to sit in one.
    """
    counted = counted_outputs(rig) if outputs is None else outputs
    levels, doubts = counted.levels_db[index], counted.doubts[index]
    under = string_set(USUAL_STRINGS)
    spots: Mapping[str, CoilSpot] | None
    try:
        spots = coil_spots(rig, scale=under.scale)
    except InputError:
        spots = None
    parts = _parts(rig, frequency_grid(*LEVEL_BAND_HZ, 48), under, spots, levels)
    whole = parts.sum(axis=1)
    power = float(np.mean(np.abs(whole) ** 2))
    deviations: dict[str, Part] = {}
    for place, slot in enumerate(rig.pickups):
        share = float(np.mean((parts[:, place] * np.conj(whole)).real)) / power if power > FLOOR**2 else 0.0
        for cause, deviation in doubts[slot].items():
            deviations[cause] = deviations.get(cause, 0.0) + share * deviation
    return prediction(10 * math.log10(max(power, FLOOR**2)), deviations, log=False)


def level_change(
    before: Rig, after: Rig, *, outputs: CountedOutputs | None = None, measured_db: float | None = None
) -> LevelChange:
    """Return how loud a rig is against another one before it, outputs counted as far as they are known.

    Parameters
    ----------
    before, after : Rig
    outputs : CountedOutputs, optional
        Of ``(before, after)``, where levels of slots are given from outside.
    measured_db : float, dB, optional
        Difference of the loudness of a take through both, to stand in place of the difference of their levels.
    """
    counted = counted_outputs(before, after) if outputs is None else outputs
    old, new = rig_level(before, counted), rig_level(after, counted, index=1)
    level = difference(new, old)
    if measured_db is not None:
        level = shifted(level, measured_db - level.value)
    return LevelChange(
        level_db=level,
        is_silent=min(old.value, new.value) < SILENT_OUTPUT_DB / 2,
        words=counted.words,
    )


def _parts(
    rig: Rig,
    frequency_hz: np.ndarray,
    strings: StringSet,
    spots: Mapping[str, CoilSpot] | None,
    levels_db: Mapping[str, float] | None,
) -> np.ndarray:
    """What each pickup brings under each string, shape (strings, slots, 9, F), complex; without spots, in one place.

    Of the nine, each takes the comb of another frequency within the averaged band, all the circuit of F.
    """
    coils = tuple(f"{slot}.{coil}" for slot, pickup in rig.pickups.items() for coil in pickup.coils)
    rows = coil_transfers(rig, coils, levels_db=levels_db)(frequency_hz)
    slots = list(rig.pickups)
    count = 1 if spots is None else len(strings.strings)
    around = frequency_hz * 2 ** _WITHIN[:, None]
    parts = np.zeros((count, len(slots), *around.shape), dtype=complex)
    for name, row in zip(coils, rows):
        place = slots.index(name.partition(".")[0])
        for index in range(count):
            parts[index, place] += row if spots is None else row * _heard(strings, index, around, spots[name])
    return parts


def _heard(strings: StringSet, index: int, frequency_hz: np.ndarray, spot: CoilSpot) -> np.ndarray:
    """How strongly a coil hears a string at each frequency; 1 is the reference coil over the loop of a long wave."""
    string = strings.strings[index]
    level = 10 ** (spot.level_of(index + 1) / 20)
    number = frequency_hz / string.open_hz
    if spot.aperture is not None:
        return level * coil_factor(number=number, length=strings.scale, position=spot.position, aperture=spot.aperture)
    own = spot.heard_by(strings)[index]
    plain = CoilSpot(position=spot.position).heard_by(strings)[index]
    heard = window_factor(number=number, length=strings.scale, position=spot.position, window=own.window)
    return level * own.sensitivity / plain.sensitivity * heard
