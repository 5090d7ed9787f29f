"""Takes: what the strings do, as one EMF for each coil, before any circuit.

A `Performance` (strings, plucks, decay) and the places of the coils under the strings become a `Take`. How a coil hears
each string comes from its pickup's build (`labkit.pickup.predict.output.transducers`), or from the coil that outputs
are counted from where there is none; see `NOT_MODELLED`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from labkit.core.errors import InputError, join_words
from labkit.core.validity import range_called
from labkit.pickup.predict.output import Transducer, output_prediction, transducers
from labkit.pickup.predict.sheet import PickupBuild
from labkit.sound.strings import StringSet
from labkit.sound.take.motion import decaying_sines, string_motion
from labkit.sound.take.performance import Performance, Pluck

NOT_MODELLED = (
    "absolute volts and the balance of wound against plain strings (model, not measured), swings beyond about 1 mm, "
    "motion along the row of poles (12 dB weaker over end poles, 28 dB over the others), "
    "noise of the pick, gliding of the pitch, rattle, resonances of body and neck, strings that set one another going"
)

DEFAULT_RATE = 48_000

DISPLACEMENT_PARTIALS = 40
"""Partials that count for where a swinging string is; higher ones move it by less than a hundredth of a millimetre."""

STOP_FADE_S = 0.008
"""A string that is plucked again stops within this time."""

END_FADE_S = 0.030
"""The take ends with a fade of this length, so that cutting it off makes no click."""


COIL_PLACE = range_called("coil_place")
APERTURE = range_called("coil_aperture")
RATE = range_called("sample_rate")


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilSpot:
    """Where a coil looks at the strings, and how it hears them.

    Parameters
    ----------
    position : float, m
        Distance of its poles from the bridge.
    aperture : float or None, m
        Length of string that an ideal, linear coil averages over; None takes window, curvature and pull as the pickup
        has them.
    level_db : float, dB
        Its output relative to others, 0 when not known.
    string_levels_db : tuple of float, dB
        What else differs from string to string, string 1 first; empty when nothing does.
    build : PickupBuild or None
        Of its pickup; None hears as the coil does that outputs are counted from.
    share : float
        Part of its pickup's pull on the strings.
    """

    position: float
    aperture: float | None = None
    level_db: float = 0.0
    string_levels_db: tuple[float, ...] = ()
    build: PickupBuild | None = None
    share: float = 1.0

    def __post_init__(self) -> None:
        COIL_PLACE.check(self.position)
        if self.aperture is not None:
            APERTURE.check(self.aperture)
        if not all(math.isfinite(level) for level in (self.level_db, *self.string_levels_db)):
            raise InputError(
                f"a coil's levels must be finite numbers of dB; got {self.level_db} and {self.string_levels_db}"
            )

    def level_of(self, string: int) -> float:
        """Level for one string, dB; string 1 is the thinnest."""
        if not self.string_levels_db:
            return self.level_db
        if string > len(self.string_levels_db):
            raise InputError(f"a coil has levels for {len(self.string_levels_db)} strings; string {string} is played")
        return self.level_db + self.string_levels_db[string - 1]

    def heard_by(self, strings: StringSet) -> tuple[Transducer, ...]:
        """Return how it hears each string of a set, at the output of the reference coil.

        What its pickup puts out over that coil is left to whoever counts outputs (`labkit.rig.outputs`); how it
        balances the strings stays.
        """
        wires = tuple(string.wire for string in strings.strings)
        own = None if self.build is None else transducers(self.build, wires)
        output = None if self.build is None or own is None else output_prediction(self.build)
        if own is None or output is None:
            found = transducers(None, wires)
            assert found is not None
            return found
        counted = 10 ** (output.value / 20)
        return tuple(replace(each, sensitivity=each.sensitivity / counted) for each in own)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Take:
    """One EMF for each coil.

    Parameters
    ----------
    name : str
    rate : int, Hz
    coils : tuple of str
        Names, in the order of the rows.
    emf : ndarray, shape (coils, samples), V
    details : mapping
        What is needed to make it again: seed, strings, places of the coils.
    """

    name: str
    rate: int
    coils: tuple[str, ...]
    emf: np.ndarray
    details: Mapping[str, object] = field(default_factory=dict)

    def __post_init__(self) -> None:
        emf = np.array(self.emf, dtype=float)
        if emf.ndim != 2 or emf.shape[0] != len(self.coils) or emf.shape[1] == 0:
            raise InputError(
                f"take '{self.name}' needs one row of samples for each of its coils; got shape {emf.shape}"
            )
        if not np.all(np.isfinite(emf)):
            raise InputError(f"take '{self.name}' holds samples that are not finite numbers")
        emf.flags.writeable = False
        object.__setattr__(self, "emf", emf)
        object.__setattr__(self, "details", MappingProxyType(dict(self.details)))

    @property
    def duration_s(self) -> float:
        """Length, s."""
        return float(self.emf.shape[1] / self.rate)


def coil_factor(*, number: np.ndarray, length: float, position: float, aperture: float) -> np.ndarray:
    """Return how strongly an ideal coil hears each partial: sin(nπx/ℓ)·sinc(n·w/(2ℓ)).

    Parameters
    ----------
    number : ndarray of int, shape (N,)
    length, position, aperture : float, m
        Speaking length; distance of the coil from the bridge; length of string it averages over.

    A coil on the far side of the fret hears nothing.

    >>> float(np.round(coil_factor(number=np.array([4]), length=1.0, position=0.25, aperture=0.0), 12)[0])
    0.0
    """
    if position >= length:
        return np.zeros(np.shape(number))
    factor: np.ndarray = np.sin(np.pi * number * position / length) * np.sinc(number * aperture / (2 * length))
    return factor


def window_factor(*, number: np.ndarray, length: float, position: float, window: float) -> np.ndarray:
    """Return how strongly a pickup hears each partial: sin(nπx/ℓ)/(1 + (nπ/(ℓ·k_1))²).

    Parameters
    ----------
    number, length, position
        As `coil_factor`.
    window : float, 1/m
        k_1, of `labkit.pickup.predict.output.Transducer`.
    """
    bare = coil_factor(number=number, length=length, position=position, aperture=0.0)
    factor: np.ndarray = bare / (1 + (number * np.pi / (length * window)) ** 2)
    return factor


def synthesise(performance: Performance, coils: Mapping[str, CoilSpot], *, rate: int = DEFAULT_RATE) -> Take:
    """Return the take of a performance: one EMF for each coil.

    e = S·v·(1 + a_1·u + a_2·u²): v the velocity at the coil of all partials, each with its place and the window, u how
    far the string is displaced towards or away from the poles. Strings swing in two directions that the pull of the
    magnets sets apart, and die away by `labkit.pickup.string.vibration.damping` unless the pluck states a decay. A coil
    of stated aperture is an ideal one: linear, and hears one direction.

    Parameters
    ----------
    performance : Performance
    coils : mapping of str to CoilSpot
        Places of the coils, by name.
    rate : int, Hz

    Raises
    ------
    InputError
        If there is no coil, or the rate is not between 8 and 192 kHz.
    """
    if not coils:
        raise InputError(f"take '{performance.name}' needs at least one coil under the strings")
    RATE.check(rate)
    samples = round(performance.duration_s * rate)
    emf = np.zeros((len(coils), samples))
    heard = [spot.heard_by(performance.strings) for spot in coils.values()]
    plucks = performance.varied_plucks()
    for index, pluck in enumerate(plucks):
        start = min(round(pluck.at_s * rate), samples - 1)
        later = [round(other.at_s * rate) for other in plucks[index + 1 :] if other.string == pluck.string]
        stop = min([samples, *later])
        if stop > start:
            sounding = _note(performance.strings, pluck, coils, heard, rate=rate, samples=stop - start)
            if stop < samples:
                _fade_out(sounding, round(STOP_FADE_S * rate))
            emf[:, start:stop] += sounding
    _fade_out(emf, round(END_FADE_S * rate))
    details = {
        "performance": performance.name,
        "seed": performance.seed,
        "rate_hz": rate,
        "duration_s": performance.duration_s,
        "strings": [string.name for string in performance.strings.strings],
        "scale_m": performance.strings.scale,
        "coils": {
            name: {
                "position_m": spot.position,
                "aperture_m": spot.aperture,
                "level_db": spot.level_db,
                "string_levels_db": list(spot.string_levels_db),
                "sensitivity_v_per_m_per_s": [each.sensitivity for each in ears],
            }
            for (name, spot), ears in zip(coils.items(), heard)
        },
    }
    return Take(name=performance.name, rate=rate, coils=tuple(coils), emf=emf, details=details)


def _note(
    strings: StringSet,
    pluck: Pluck,
    coils: Mapping[str, CoilSpot],
    heard: Sequence[tuple[Transducer, ...]],
    *,
    rate: int,
    samples: int,
) -> np.ndarray:
    """EMF of one note at every coil, shape (coils, samples)."""
    ears = [each[pluck.string - 1] for each in heard]
    spots = list(coils.values())
    levels = np.array([10 ** (spot.level_of(pluck.string) / 20) for spot in spots])
    is_ideal = all(spot.aperture is not None for spot in spots)
    pulls = [(spot.position, spot.share * ear.stiffness) for spot, ear in zip(spots, ears)]
    motion = string_motion(strings, pluck, rate=rate, pulls=None if is_ideal else pulls)
    modes = {"rate": rate, "samples": samples}
    velocity, places = [], []
    for spot, ear in zip(spots, ears):
        under: dict[str, Any] = {"number": motion.number, "length": motion.length, "position": spot.position}
        places.append(coil_factor(**under, aperture=0.0))
        if spot.aperture is None:
            velocity.append(motion.upright * window_factor(**under, window=ear.window))
        else:
            velocity.append(motion.upright * coil_factor(**under, aperture=spot.aperture))
    scale = levels * [ear.sensitivity for ear in ears]
    emf = decaying_sines(
        **modes,
        frequency_hz=motion.frequency_hz,
        decay_per_s=motion.decay_per_s,
        amplitude=scale[:, None] * np.stack(velocity),
    )
    if is_ideal:
        return emf
    low = motion.number <= DISPLACEMENT_PARTIALS
    swing = np.stack(places)[:, low] * motion.upright[low] / (2 * np.pi * motion.frequency_hz[low])
    displaced = decaying_sines(
        **modes, frequency_hz=motion.frequency_hz[low], decay_per_s=motion.decay_per_s[low], amplitude=-1j * swing
    )
    for row, moved, spot, ear in zip(emf, displaced, spots, ears):
        if spot.aperture is None:
            furthest = -ear.second / (2 * ear.third) if ear.third > 0 else math.inf  # the fit turns back there
            np.clip(moved, -furthest, furthest, out=moved)
            row *= 1 + moved * (ear.second + ear.third * moved)
    return emf


def _fade_out(rows: np.ndarray, samples: int) -> None:
    """Half-cosine fade of the last samples, in place."""
    count = min(samples, rows.shape[1])
    if count:
        rows[:, -count:] *= 0.5 * (1 + np.cos(np.pi * np.arange(1, count + 1) / count))


USUAL_PLACES = {"neck": 6.375 * 0.0254, "middle": 3.875 * 0.0254, "bridge": 1.625 * 0.0254}
"""Centre of a pickup from the bridge, m, on a 25.5 in scale: "Response Effects of Guitar Pickup Mixing" (2000)."""

USUAL_COIL_SPACING = 0.018
"""Distance between the two rows of poles of a two-coil pickup, m: common practice, no source."""


def usual_spots(
    pickups: Mapping[str, tuple[str, ...]],
    *,
    scale: float = 25.5 * 0.0254,
    places: Mapping[str, float] | None = None,
    aperture: float | None = None,
) -> dict[str, CoilSpot]:
    """Return a spot for every coil of every pickup, named ``pickup.coil``.

    Parameters
    ----------
    pickups : mapping of str to tuple of str
        Coil names of each pickup; the first coil lies nearer to the bridge on a bridge pickup, farther on others,
        as adjustable screws face outwards (common practice, no source).
    scale : float, m
        Usual places scale with it.
    places : mapping of str to float, m
        Centres of pickups from the bridge; others take the usual place for neck, middle or bridge.

    Raises
    ------
    InputError
        If a pickup has neither a given nor a usual place.
    """
    spots: dict[str, CoilSpot] = {}
    given = dict(places or {})
    unknown = [name for name in given if name not in pickups]
    if unknown:
        raise InputError(f"no pickup is named {join_words(unknown, 'or')}; this rig has {join_words(pickups)}")
    for pickup, coils in pickups.items():
        usual = next((place for name, place in USUAL_PLACES.items() if name in pickup.casefold()), None)
        if pickup not in given and usual is None and len(pickups) > 1:
            raise InputError(f"where is pickup '{pickup}'? Give its distance from the bridge, like {pickup}=90mm")
        centre = given.get(pickup, (usual or USUAL_PLACES["bridge"]) * scale / (25.5 * 0.0254))
        outward = -1.0 if centre < 0.5 * (USUAL_PLACES["bridge"] + USUAL_PLACES["middle"]) else 1.0
        for index, coil in enumerate(coils):
            offset = outward * USUAL_COIL_SPACING * ((len(coils) - 1) / 2 - index)
            spots[f"{pickup}.{coil}"] = CoilSpot(position=centre + offset, aperture=aperture, share=1 / len(coils))
    return spots
