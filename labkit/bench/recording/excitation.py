"""What is played: three exponential sweeps, or 72 tones that keep clear of the mains.

Both are functions of time, the same at every sample rate, so that a recording can be read without knowing the player.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Literal

import numpy as np

from labkit.core.errors import InputError

Signal = Literal["sweeps", "tones"]

LOWEST_HZ, HIGHEST_HZ = 10.0, 20_300.0
"""Ends of a sweep; the upper one is 0.46 of the lowest sample rate, 44.1 kHz."""

SWEEP_CONSTANT_S = 0.3
"""L of f(t) = f₁·exp(t/L). f₁·L = 3 is whole, so that the n-th harmonic is the sweep itself, L·ln n earlier: the
synchronised sweep of Novak et al., Synchronized Swept-Sine, JAES 2015 (from memory)."""

SWEEP_S = SWEEP_CONSTANT_S * math.log(HIGHEST_HZ / LOWEST_HZ)
FADE_IN_S, FADE_OUT_S = 0.1, 0.004

SILENCE_S = 1.2
"""Before the first sweep: hum and noise are read here."""

SPACING_S = 3 + 1 / 90
"""From one sweep to the next; hum of 50 Hz and of 60 Hz meets each sweep in another phase."""

LEVELS_DB = (0.0, 0.0, -10.0)
"""The third shows a gain control."""

TONES, LOWEST_TONE_HZ, HIGHEST_TONE_HZ = 72, 21.0, 19_900.0
TONE_STEP_HZ, TONE_APART_HZ = 0.125, 3.0
TONES_S = 8.3
TONE_FADE_S = 0.1
CLEAR_OF_MAINS_HZ, MAINS_UP_TO_HZ = 4.5, 1500.0

LENGTH_S: dict[Signal, float] = {
    "sweeps": SILENCE_S + 2 * SPACING_S + SWEEP_S + 0.8,
    "tones": SILENCE_S + TONES_S + 0.5,
}

USUAL_PEAK_DB = -12.0
"""dBFS; some 3 µA through the pickup behind 220 kΩ at an output of 2.8 V peak."""

LOWEST_RATE, HIGHEST_RATE = 44_100, 192_000


def one_sweep(time_s: np.ndarray) -> np.ndarray:
    """Return the sweep sin(2π·f₁·L·(exp(t/L) − 1)) with its fades, 0 outside of 0 … `SWEEP_S`; peak 1."""
    inside = np.clip(time_s, 0.0, SWEEP_S)
    wave = np.sin(2 * np.pi * LOWEST_HZ * SWEEP_CONSTANT_S * np.expm1(inside / SWEEP_CONSTANT_S))
    rise = np.sin(np.pi / 2 * np.minimum(inside / FADE_IN_S, 1.0)) ** 2
    fall = np.sin(np.pi / 2 * np.minimum((SWEEP_S - inside) / FADE_OUT_S, 1.0)) ** 2
    sounding: np.ndarray = np.where((time_s >= 0) & (time_s <= SWEEP_S), wave * rise * fall, 0.0)
    return sounding


@cache
def tones_hz() -> tuple[float, ...]:
    """Return the frequencies of the tones: spread evenly over the octaves, clear of the harmonics of 50 and 60 Hz."""
    harmonics = np.unique([base * n for base in (50, 60) for n in range(1, int(MAINS_UP_TO_HZ / base) + 2)])
    steps = np.arange(LOWEST_TONE_HZ, HIGHEST_TONE_HZ + TONE_STEP_HZ, TONE_STEP_HZ)
    away = np.abs(steps[:, None] - harmonics).min(axis=1)
    free = steps[(away >= CLEAR_OF_MAINS_HZ) | (steps > MAINS_UP_TO_HZ)]
    found: list[float] = []
    for wanted in np.geomspace(LOWEST_TONE_HZ, HIGHEST_TONE_HZ, TONES):
        left = free[free > (found[-1] + TONE_APART_HZ if found else 0.0)]
        found.append(float(left[np.argmin(np.abs(left - wanted))]))
    return tuple(found)


def all_tones(time_s: np.ndarray) -> np.ndarray:
    """Return the sum of the tones from 0 to `TONES_S`, 0 outside; its peak is just below 1."""
    inside = np.clip(time_s, 0.0, TONES_S)
    wave = np.zeros_like(inside)
    for frequency, phase in zip(tones_hz(), _phases()):
        wave += np.sin(2 * np.pi * frequency * inside + phase)
    rise = np.sin(np.pi / 2 * np.minimum(inside / TONE_FADE_S, 1.0)) ** 2
    fall = np.sin(np.pi / 2 * np.minimum((TONES_S - inside) / TONE_FADE_S, 1.0)) ** 2
    sounding: np.ndarray = np.where((time_s >= 0) & (time_s <= TONES_S), wave * rise * fall, 0.0)
    return sounding * TONE_SCALE


TONE_SCALE = 1 / 30.0
"""One over the highest peak of the tones with these phases, with a little room."""


def _phases() -> np.ndarray:
    return np.random.default_rng(1).uniform(0.0, 2 * np.pi, TONES)


def excitation(signal: Signal, rate: int, *, peak_db: float = USUAL_PEAK_DB) -> np.ndarray:
    """Return what is to be played, shape (n,), full scale 1: silence, then the three sweeps or the tones.

    Parameters
    ----------
    signal : "sweeps" or "tones"
    rate : int, Hz
    peak_db : float, dBFS
        Peak of the whole, −60 … −1.

    Raises
    ------
    InputError
        If rate or peak is out of range.
    """
    if not LOWEST_RATE <= rate <= HIGHEST_RATE:
        raise InputError(f"the rate must be {LOWEST_RATE} to {HIGHEST_RATE} Hz, to hold 20 kHz; got {rate} Hz")
    if not -60.0 <= peak_db <= -1.0:
        raise InputError(f"the level must be −60 to −1 dB below full scale; got {peak_db:g} dB")
    time = np.arange(round(LENGTH_S[signal] * rate)) / rate - SILENCE_S
    if signal == "tones":
        wave = all_tones(time)
    else:
        wave = np.zeros_like(time)
        for number, level in enumerate(LEVELS_DB):
            wave += 10 ** (level / 20) * one_sweep(time - number * SPACING_S)
    played: np.ndarray = 10 ** (peak_db / 20) * wave
    return played
