"""The difference between two rigs as an impulse response for any convolver, and as a frequency table."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from labkit.core.errors import InputError, did_you_mean
from labkit.core.grid import HIGHEST_HZ, LOWEST_HZ, frequency_grid
from labkit.core.response import gain_db
from labkit.sound.convert.difference import Difference

PhaseChoice = Literal["minimum", "linear"]
Normalisation = Literal["peak", "true level", "loud band"]

NORMALISATIONS = ("peak", "true level", "loud band")
PEAK_DB = -1.0
"""Highest sample of an impulse response normalised to its peak, dBFS."""

_LOUD_BAND = (300.0, 3000.0)
_SMALLEST, _LARGEST = 64, 262_144


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Impulse:
    """An impulse response and what has to be known about it.

    Attributes
    ----------
    samples : ndarray, shape (length,)
    rate : int, Hz
    phase : "minimum" or "linear"
    latency_samples : int
        Delay that a convolver adds: 0 for minimum phase, half the length for linear.
    gain_db : float
        Gain put on it by the normalisation; take it off to get the true level of the second rig.
    band_hz : (float, float)
        Where the difference is true (see `Difference.band`), Hz.
    deviation_db : float
        Largest error in the magnitude from cutting the response to this length, inside the band above ``resolved_hz``.
    resolved_hz : float
        rate/length times 2: below it, a response of this length cannot follow the curve.
    """

    samples: np.ndarray
    rate: int
    phase: PhaseChoice
    latency_samples: int
    gain_db: float
    band_hz: tuple[float, float]
    deviation_db: float
    resolved_hz: float


def minimum_phase(magnitude: np.ndarray) -> np.ndarray:
    """Return the causal impulse response with this magnitude and the least delay.

    Folding the real cepstrum of log|H| onto positive time gives log|H| + jφ of the minimum-phase system.

    Parameters
    ----------
    magnitude : ndarray, shape (F,), F = length/2 + 1
        |H| on the bins of a real transform of even length, above zero.

    Returns
    -------
    ndarray, shape (length,)

    Source: Oppenheim & Schafer, Discrete-Time Signal Processing, chapter on the cepstrum (from memory).

    >>> minimum_phase(np.full(5, 0.5)).round(12).tolist()
    [0.5, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]
    """
    length = 2 * (magnitude.size - 1)
    cepstrum = np.fft.irfft(np.log(magnitude), length)
    cepstrum[1 : length // 2] *= 2
    cepstrum[length // 2 + 1 :] = 0
    response: np.ndarray = np.fft.irfft(np.exp(np.fft.rfft(cepstrum)), length)
    return response


def impulse_response(
    difference: Difference,
    *,
    rate: int = 48_000,
    length: int = 4096,
    phase: PhaseChoice = "minimum",
    normalisation: Normalisation = "peak",
) -> Impulse:
    """Return the difference between two rigs as an impulse response.

    Parameters
    ----------
    difference : Difference
    rate : int, Hz
    length : int
        Samples, even, 64 … 262144.
    phase : str
        ``"minimum"`` has no delay and, for passive rigs, the phase of the true difference; ``"linear"`` keeps the
        shape of transients symmetric and delays by half its length.
    normalisation : str
        ``"peak"``: highest sample at −1 dBFS. ``"true level"``: as the rigs differ (needs a float WAV if it exceeds
        full scale). ``"loud band"``: mean gain between 300 Hz and 3 kHz is 0 dB.

    Raises
    ------
    InputError
        If a choice is none of these.
    """
    if phase not in ("minimum", "linear"):
        raise InputError(
            f"the phase must be minimum or linear; got {phase!r}.{did_you_mean(phase, ('minimum', 'linear'))}"
        )
    if normalisation not in NORMALISATIONS:
        raise InputError(
            f"the normalisation must be one of {', '.join(NORMALISATIONS)}; got {normalisation!r}."
            f"{did_you_mean(normalisation, NORMALISATIONS)}"
        )
    if not 8000 <= rate <= 192_000:
        raise InputError(f"the sample rate must lie between 8000 and 192000 Hz; got {rate} Hz")
    if not _SMALLEST <= length <= _LARGEST or length % 2:
        raise InputError(f"the length must be an even number of samples from {_SMALLEST} to {_LARGEST}; got {length}")
    # A transform much longer than the response keeps time aliasing of the cepstrum below what is reported.
    size = max(8 * length, 2 ** math.ceil(math.log2(rate)))
    bins = np.fft.rfftfreq(size, 1 / rate)
    magnitude = np.empty(bins.size)
    magnitude[1:] = np.abs(difference.limited(bins[1:]))
    magnitude[0] = magnitude[1]
    magnitude = np.maximum(magnitude, 1e-9 * magnitude.max())
    if phase == "minimum":
        samples = minimum_phase(magnitude)[:length]
        fade = length // 4
        samples[-fade:] *= _fall(fade)
        latency = 0
    else:
        latency = length // 2
        samples = np.roll(np.fft.irfft(magnitude, size), latency)[:length]
        fade = length // 8
        samples[-fade:] *= _fall(fade)
        samples[:fade] *= _fall(fade)[::-1]
    band = difference.band(0.45 * rate)
    resolved = 2 * rate / length
    got = np.abs(np.fft.rfft(samples, size))
    judged = (bins >= max(band[0], resolved)) & (bins <= band[1])
    deviation = float(np.max(np.abs(gain_db(got[judged]) - gain_db(magnitude[judged])), initial=0.0))
    gain = {
        "true level": 0.0,
        "peak": PEAK_DB - 20 * math.log10(float(np.max(np.abs(samples)))),
        "loud band": -float(np.mean(gain_db(difference.limited(frequency_grid(*_LOUD_BAND, 256))))),
    }[normalisation]
    return Impulse(
        samples=samples * 10 ** (gain / 20),
        rate=rate,
        phase=phase,
        latency_samples=latency,
        gain_db=gain,
        band_hz=band,
        deviation_db=deviation,
        resolved_hz=resolved,
    )


def frequency_table(difference: Difference, *, points: int = 512) -> str:
    """Return the difference as CSV text: frequency, gain, phase, limited gain, and whether the limit leaves it true.

    Parameters
    ----------
    difference : Difference
    points : int
        Log-spaced from 20 Hz to 20 kHz.
    """
    grid = frequency_grid(LOWEST_HZ, HIGHEST_HZ, points)
    exact, limited = difference.exact(grid), difference.limited(grid)
    low, high = difference.band()
    phase = np.degrees(np.unwrap(np.angle(limited)))
    lines = ["frequency_hz,gain_db,phase_deg,limited_gain_db,in_band"]
    rows = zip(grid, gain_db(exact), phase, gain_db(limited))
    lines += [
        f"{frequency:.6g},{gain:.5f},{angle:.4f},{bent:.5f},{'yes' if low <= frequency <= high else 'no'}"
        for frequency, gain, angle, bent in rows
    ]
    return "\n".join(lines) + "\n"


def _fall(count: int) -> np.ndarray:
    return 0.5 * (1 + np.cos(np.pi * (np.arange(count) + 0.5) / count))
