"""How a plucked string moves towards the poles: its partials, swinging in two directions, each at its own pace."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labkit.pickup.string.vibration import CENTS, SIDEWAYS_STIFFNESS, damping, detuning_cents
from labkit.sound.strings import StringSet, ideal_fundamental, partial_frequencies
from labkit.sound.take.performance import Pluck

HIGHEST_PARTIAL_HZ = 16_000.0
"""Partials above this are left out: the pickup, cable and input together pass nothing of note up there."""

PLUCK_ANGLE = 0.6
"""Direction in which a string is let go, from upright, rad (a guess)."""

AXES_ANGLE = 0.25
"""How far the two directions in which a string swings by itself are turned from upright and level, rad (a guess)."""

OWN_SPLITTING_HZ = 0.6
"""How far bridge and neck alone set the two directions apart in partial 1; 1/n of it in partial n (a guess)."""

UNEQUAL_DECAY = 0.15
"""The more upright swing dies away faster by this part, the more level one slower (a guess)."""


def decaying_sines(
    *, rate: int, samples: int, frequency_hz: np.ndarray, decay_per_s: np.ndarray, amplitude: np.ndarray
) -> np.ndarray:
    """Return y_c(t) = Im Σ_m a_cm·exp((−d_m + 2πj·f_m)·t) at t = 0, 1/rate, …: sines where a is real, −cosines for −j.

    With z = exp((−d + 2πjf)/rate), sample k·I + i of a mode is Im(a·z^(kI)·z^i): two short tables of powers, and the
    sum over modes becomes one matrix product. That replaces modes × samples sines by modes × 2√samples.

    Parameters
    ----------
    rate : int, Hz
    samples : int
    frequency_hz : ndarray, shape (M,), Hz
    decay_per_s : ndarray, shape (M,), 1/s
    amplitude : ndarray, shape (C, M), real or complex
        One row for each wanted sum.

    Returns
    -------
    ndarray, shape (C, samples), unit of ``amplitude``

    >>> one = dict(frequency_hz=np.array([250.0]), decay_per_s=np.array([0.0]), amplitude=np.array([[2.0]]))
    >>> decaying_sines(rate=1000, samples=4, **one).round(9).tolist()
    [[0.0, 2.0, 0.0, -2.0]]
    """
    amplitude = np.asarray(amplitude)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class StringMotion:
    """The modes of one note, let go from rest.

    Attributes
    ----------
    number : ndarray, shape (M,)
        Partial of each mode.
    frequency_hz, decay_per_s : ndarray, shape (M,)
    upright : ndarray, shape (M,), m/s
        Velocity amplitude towards the poles at an antinode, as sines.
    length : float, m
        From fret to bridge.
    """

    number: np.ndarray
    frequency_hz: np.ndarray
    decay_per_s: np.ndarray
    upright: np.ndarray
    length: float

    @property
    def wavenumber(self) -> np.ndarray:
        """nπ/ℓ of each mode, 1/m."""
        waves: np.ndarray = self.number * np.pi / self.length
        return waves


def string_motion(
    strings: StringSet, pluck: Pluck, *, rate: int, pulls: Sequence[tuple[float, float]] | None = None
) -> StringMotion:
    """Return how a string moves after a pluck.

    Parameters
    ----------
    strings : StringSet
    pluck : Pluck
    rate : int, Hz
        Of the sound that is to come of it.
    pulls : sequence of (float, float), m and N/m, optional
        Place of every coil from the bridge and what its magnets take from the string's stiffness. The string then
        swings in two directions, tuned by ear with the magnets in place; without them it swings upright only.
    """
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
    if pluck.decay is not None:
        rates = pluck.decay.rate(frequency)
    else:
        rates = damping(
            frequency,
            fundamental_hz=fundamental,
            mass_per_length=string.mass_per_length,
            tension_n=strings.tension(pluck.string),
            diameter=string.diameter,
            stiff_diameter=string.stiff_diameter,
            modulus_pa=string.modulus_pa,
            is_wound=string.is_wound,
        )
    if pulls is None:
        return StringMotion(
            number=number,
            frequency_hz=frequency,
            decay_per_s=rates,
            upright=velocity,
            length=length,
        )
    moved = np.zeros(frequency.size)
    for position, taken in pulls:
        if position < length:
            moved += detuning_cents(
                stiffness=taken,
                number=number,
                part=position / length,
                mass_per_length=string.mass_per_length,
                length=length,
                frequency_hz=frequency,
            )
    ratio = moved / CENTS
    along = math.cos(PLUCK_ANGLE - AXES_ANGLE) * math.cos(AXES_ANGLE)
    aside = -math.sin(PLUCK_ANGLE - AXES_ANGLE) * math.sin(AXES_ANGLE)
    return StringMotion(
        number=np.concatenate([number, number]),
        # what is heard is in tune: the first partial of the upright swing
        frequency_hz=np.concatenate(
            [
                frequency * (1 + ratio - ratio[0]),
                frequency * (1 - SIDEWAYS_STIFFNESS * ratio - ratio[0]) + OWN_SPLITTING_HZ / number,
            ]
        ),
        decay_per_s=np.concatenate([rates * (1 + UNEQUAL_DECAY), rates * (1 - UNEQUAL_DECAY)]),
        upright=np.concatenate([along * velocity, aside * velocity]),
        length=length,
    )
