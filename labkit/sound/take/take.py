"""Takes: what the strings do, as one EMF for each coil, before any circuit.

A `Performance` (strings, plucks, decay) and the places of the coils under the strings become a `Take`; the same take
is then rendered through every rig that is compared. The model is linear and one-dimensional; see `NOT_MODELLED`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from labkit.core.errors import InputError, join_words
from labkit.core.validity import range_called
from labkit.sound.strings import StringSet, ideal_fundamental, partial_frequencies
from labkit.sound.take.performance import Performance, Pluck


def decaying_sines(
    *, rate: int, samples: int, frequency_hz: np.ndarray, decay_per_s: np.ndarray, amplitude: np.ndarray
) -> np.ndarray:
    """Return y_c(t) = Σ_m a_cm·exp(−d_m·t)·sin(2π·f_m·t) at t = 0, 1/rate, …

    With z = exp((−d + 2πjf)/rate), sample k·I + i of a mode is Im(z^(kI)·z^i): two short tables of powers, and the
    sum over modes becomes one matrix product. That replaces modes × samples sines by modes × 2√samples.

    Parameters
    ----------
    rate : int, Hz
    samples : int
    frequency_hz : ndarray, shape (M,), Hz
    decay_per_s : ndarray, shape (M,), 1/s
    amplitude : ndarray, shape (C, M)
        One row for each wanted sum.

    Returns
    -------
    ndarray, shape (C, samples), unit of ``amplitude``

    >>> one = dict(frequency_hz=np.array([250.0]), decay_per_s=np.array([0.0]), amplitude=np.array([[2.0]]))
    >>> decaying_sines(rate=1000, samples=4, **one).round(9).tolist()
    [[0.0, 2.0, 0.0, -2.0]]
    """
    amplitude = np.asarray(amplitude, dtype=float)
    if samples == 0 or frequency_hz.size == 0:
        return np.zeros((amplitude.shape[0], samples))
    exponent = (-np.asarray(decay_per_s) + 2j * np.pi * np.asarray(frequency_hz)) / rate
    inner = math.isqrt(samples - 1) + 1
    outer = -(-samples // inner)
    fine = _powers(exponent, inner)
    coarse = _powers(exponent * inner, outer).T
    left = amplitude[:, None, :] * coarse
    # Im(u·v) = Re u·Im v + Im u·Re v, written as one product of real matrices.
    rows = np.concatenate([left.real, left.imag], axis=-1).reshape(-1, 2 * exponent.size)
    columns = np.concatenate([fine.imag, fine.real])
    summed: np.ndarray = (rows @ columns).reshape(amplitude.shape[0], -1)[:, :samples]
    return summed


def _powers(exponent: np.ndarray, count: int) -> np.ndarray:
    """exp(exponent·k) for k = 0 … count−1, shape (M, count), again by a two-level product."""
    inner = math.isqrt(max(count - 1, 0)) + 1
    outer = -(-count // inner)
    fine = np.exp(exponent[:, None] * np.arange(inner))
    coarse = np.exp(exponent[:, None] * (inner * np.arange(outer)))
    return (coarse[:, :, None] * fine[:, None, :]).reshape(exponent.size, -1)[:, :count]


NOT_MODELLED = (
    "string motion in the plane of the top (14 to 18 dB weaker in a pickup), the magnets' pull on the strings, "
    "the field's curvature at large amplitude, noise of the pick, rattle, resonances of body and neck, loss by mode"
)

DEFAULT_RATE = 48_000

VOLTS_PER_FLOW = 1e6
"""EMF of a coil of 0 dB over string velocity × steel area, V/(m³/s): a round number that puts a hard strum near
0.1 to 1 V (order of magnitude, from memory). Only ratios between coils and strings are predictions."""

HIGHEST_PARTIAL_HZ = 16_000.0
"""Partials above this are left out: the pickup, cable and input together pass nothing of note up there."""

STOP_FADE_S = 0.008
"""A string that is plucked again stops within this time."""

END_FADE_S = 0.030
"""The take ends with a fade of this length, so that cutting it off makes no click."""


COIL_PLACE = range_called("coil_place")
APERTURE = range_called("coil_aperture")
RATE = range_called("sample_rate")


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilSpot:
    """Where a coil looks at the strings.

    Parameters
    ----------
    position : float, m
        Distance of its poles from the bridge.
    aperture : float, m
        Length of string it averages over.
    level_db : float, dB
        Its output relative to others (height, magnet, turns), 0 when not known.
    string_levels_db : tuple of float, dB
        What differs from string to string (pole heights, string spacing), string 1 first; empty when not known.
        The steel of the strings is counted by the take, not here.
    """

    position: float
    aperture: float = 0.010
    level_db: float = 0.0
    string_levels_db: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        COIL_PLACE.check(self.position)
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


def partial_velocity(
    *, number: np.ndarray, frequency_hz: float, length: float, displacement: float, position: float, width: float
) -> np.ndarray:
    """Return the velocity amplitude of each partial of a plucked string at its antinode, m/s.

    v_n = 4·f0·h / (π·p·(1−p)) · sin(nπp)/n · sinc(n·w/(2ℓ)), p = position/length, from the triangle
    a_n = 2h·sin(nπp)/(n²π²p(1−p)) times ω_n; the last factor averages the release over the pick's width.

    Parameters
    ----------
    number : ndarray of int, shape (N,)
        Partials, from 1.
    frequency_hz : float, Hz
        Fundamental.
    length, displacement, position, width : float, m

    Source: Fletcher & Rossing, The Physics of Musical Instruments, ch. 2 (from memory).
    """
    p = position / length
    envelope = np.sin(np.pi * number * p) / number * np.sinc(number * width / (2 * length))
    amplitude: np.ndarray = 4 * frequency_hz * displacement / (np.pi * p * (1 - p)) * envelope
    return amplitude


def coil_factor(*, number: np.ndarray, length: float, position: float, aperture: float) -> np.ndarray:
    """Return how strongly a coil hears each partial: sin(nπx/ℓ)·sinc(n·w/(2ℓ)).

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


def synthesise(performance: Performance, coils: Mapping[str, CoilSpot], *, rate: int = DEFAULT_RATE) -> Take:
    """Return the take of a performance: one EMF for each coil.

    EMF = S·A_steel·Σ_n v_n·sin(nπx/ℓ)·sinc(n·w/(2ℓ))·e^(−t/τ_n)·sin(2πf_n·t), f_n of a stiff string,
    1/τ_n = α + β·f_n².

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
    plucks = performance.varied_plucks()
    for index, pluck in enumerate(plucks):
        start = min(round(pluck.at_s * rate), samples - 1)
        later = [round(other.at_s * rate) for other in plucks[index + 1 :] if other.string == pluck.string]
        stop = min([samples, *later])
        if stop > start:
            sounding = _note(performance.strings, pluck, coils, rate=rate, samples=stop - start)
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
            }
            for name, spot in coils.items()
        },
    }
    return Take(name=performance.name, rate=rate, coils=tuple(coils), emf=emf, details=details)


def _note(strings: StringSet, pluck: Pluck, coils: Mapping[str, CoilSpot], *, rate: int, samples: int) -> np.ndarray:
    """EMF of one note at every coil, shape (coils, samples)."""
    string, length = strings[pluck.string], strings.speaking_length(pluck.fret)
    fundamental = strings.frequency(pluck.string, pluck.fret)
    highest = min(HIGHEST_PARTIAL_HZ, 0.45 * rate)
    stiffness = strings.inharmonicity(pluck.string, pluck.fret)
    frequency = partial_frequencies(
        ideal_hz=ideal_fundamental(sounding_hz=fundamental, stiffness=stiffness),
        stiffness=stiffness,
        count=max(1, int(highest / fundamental)),
    )
    frequency = frequency[frequency <= highest]
    number = np.arange(1, frequency.size + 1)
    velocity = partial_velocity(
        number=number,
        frequency_hz=fundamental,
        length=length,
        displacement=pluck.displacement,
        position=pluck.position,
        width=pluck.width,
    )
    heard = np.stack(
        [
            10 ** (spot.level_of(pluck.string) / 20)
            * coil_factor(number=number, length=length, position=spot.position, aperture=spot.aperture)
            for spot in coils.values()
        ]
    )
    return decaying_sines(
        rate=rate,
        samples=samples,
        frequency_hz=frequency,
        decay_per_s=pluck.decay.rate(frequency),
        amplitude=VOLTS_PER_FLOW * string.steel_area * velocity * heard,
    )


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
    aperture: float = 0.010,
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
            spots[f"{pickup}.{coil}"] = CoilSpot(position=centre + offset, aperture=aperture)
    return spots
