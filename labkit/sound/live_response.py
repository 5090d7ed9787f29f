"""What a page needs to let a take be heard while a knob is turned: short responses, and how loud the take comes out.

A page keeps the take's coil signals and convolves them itself, so that a change costs some kilobytes and no file.
`impulse_responses` keeps the exact phase between coils; `converting_response` has the least delay and serves where
one recording stands for all coils.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from labkit.core.errors import InputError
from labkit.sound.convert.difference import Difference
from labkit.sound.loudness import SHORTEST_S, gated_loudness, k_weighting
from labkit.sound.render.rendering import BinSampler, Evaluate

RATE = 48_000
"""Samples a second of every sound that a page convolves."""

EARLY = 32
"""Samples before the response begins: what the end of the band at 24 kHz makes ring ahead of it has room there."""

LENGTHS = (512, 1024, 2048, 4096)
REST_DB = -70.0
"""A response is cut where what follows holds less than this part of its energy."""

_NOISE_REST_DB = -45.0  # noise has no phase to keep: its density stays within 0.1 dB

_SIZE = 8192
_BIN_HZ = RATE / _SIZE
_TOP_HZ = 20_000.0
_GATE_STEP_S = 0.1
_SILENT_LUFS = -120.0


def bin_transfers(evaluate: Evaluate) -> np.ndarray:
    """Return a response on the bins k·5.86 Hz, k = 1 … 4096, shape (coils, 4096), complex.

    Parameters
    ----------
    evaluate : callable
        ``evaluate(frequency_hz)``: complex gain, shape (F,) or (coils, F).

    Raises
    ------
    InputError
        If a value is not finite.
    """
    sampler = _sampler()
    values = np.atleast_2d(np.asarray(evaluate(sampler.frequency_hz), dtype=complex))
    if not np.all(np.isfinite(values)):
        raise InputError("the response is not a finite number at every frequency, so it cannot be heard")
    return sampler.spread(values)


def impulse_responses(transfers: np.ndarray) -> np.ndarray:
    """Return the impulse responses of `bin_transfers`, shape (coils, taps), float32, for 48 000 samples a second.

    The inverse transform of the exact response, `EARLY` samples late, all coils with the same taps: coils that are
    added cancel where they do in the circuit. Above 20 kHz the response is faded out.

    Validity: a response must have died away within 0.17 s, as every rig's has.
    """
    spectrum = np.zeros((transfers.shape[0], _SIZE // 2 + 1), dtype=complex)
    spectrum[:, 1:] = transfers * _late_and_band_limited()
    spectrum[:, 0] = transfers[:, 0].real
    return _shortened(np.fft.irfft(spectrum, _SIZE, axis=-1), early=EARLY)


def converting_response(difference: Difference) -> np.ndarray:
    """Return the response that turns a recording made through one rig into another's, shape (1, taps), float32.

    Minimum phase: no delay. Its magnitude is that of `Difference.limited`.
    """
    from labkit.sound.convert.impulse import minimum_phase

    magnitude = np.abs(bin_transfers(difference.limited)[0])
    magnitude = np.maximum(np.concatenate([magnitude[:1], magnitude]), 1e-6 * magnitude.max())
    return _shortened(minimum_phase(magnitude)[None, :], early=0)


def noise_response(density: Evaluate) -> np.ndarray:
    """Return the response that turns white noise of variance 1 into noise of a density, shape (1, taps), float32.

    Parameters
    ----------
    density : callable
        ``density(frequency_hz)``: one-sided, V/√Hz.
    """
    from labkit.sound.convert.impulse import minimum_phase

    # white noise of variance 1 has the density √(2/rate); a circuit without any noise gets −280 dB
    magnitude = np.maximum(density(np.arange(_SIZE // 2 + 1) * _BIN_HZ) * np.sqrt(RATE / 2), 1e-14)
    return _shortened(minimum_phase(magnitude)[None, :], early=0, rest_db=_NOISE_REST_DB)


class TakeLoudness:
    """How loud coil signals come out of any response, without rendering them.

    The power of each gating block is kept by bands, between all pairs of coils; a response then only weighs it. The
    bands are as fine as the response is smooth: 5.9 Hz below 500 Hz, a 48th of an octave above.

    Parameters
    ----------
    signals : ndarray, shape (coils, samples)
        48 000 samples a second, at least 0.4 s.

    Source: Rec. ITU-R BS.1770-5, Annex 1, with the coefficients of its tables 1 and 2.

    >>> tone = np.sin(2 * np.pi * 997 * np.arange(RATE) / RATE)
    >>> round(TakeLoudness(tone[None, :]).of(np.ones((1, 4096))), 2)
    -3.01
    """

    def __init__(self, signals: np.ndarray) -> None:
        size, step = round(SHORTEST_S * RATE), round(_GATE_STEP_S * RATE)
        if signals.shape[1] < size:
            raise InputError(
                f"a sound of {signals.shape[1] / RATE:.2f} s is too short; at least {SHORTEST_S} s are due"
            )
        frequency = np.fft.rfftfreq(size, 1 / RATE)[1:-1]
        edges, self._places = _bands()
        starts = np.searchsorted(frequency, edges[:-1])
        weight = 2.0 / size**2 * np.abs(k_weighting(frequency)) ** 2
        pairs = []
        for start in range(0, signals.shape[1] - size + 1, step):
            spectrum = np.fft.rfft(signals[:, start : start + size], axis=-1)[:, 1:-1]
            power = spectrum[:, None] * spectrum[None, :].conj() * weight
            pairs.append(np.add.reduceat(power, starts, axis=-1).astype(np.complex64))
        self._power = np.stack(pairs)  # (blocks, coils, coils, bands)

    def of(self, transfers: np.ndarray) -> float:
        """Return the integrated loudness after `bin_transfers`, LUFS at any level; −infinity for silence."""
        gains = transfers[:, self._places]
        weights = gains[:, None] * gains[None, :].conj()
        powers = np.einsum("bijf,ijf->b", self._power, weights).real
        loudest = float(powers.max(initial=0.0))
        if loudest <= 10 ** (_SILENT_LUFS / 10):
            return -np.inf
        return float(gated_loudness(np.maximum(powers, 0.0) / loudest) + 10 * np.log10(loudest))


@cache
def _sampler() -> BinSampler:
    return BinSampler(_SIZE // 2, _BIN_HZ)


@cache
def _late_and_band_limited() -> np.ndarray:
    bins = np.arange(1, _SIZE // 2 + 1)
    frequency = bins * _BIN_HZ
    above = np.clip((frequency - _TOP_HZ) / (RATE / 2 - _TOP_HZ), 0.0, 1.0)
    late: np.ndarray = np.exp(-2j * np.pi * bins * EARLY / _SIZE) * np.cos(0.5 * np.pi * above) ** 2
    return late


def _shortened(responses: np.ndarray, *, early: int, rest_db: float = REST_DB) -> np.ndarray:
    """Cut responses to the least of `LENGTHS` that holds them; the last quarter fades, as does what rings ahead."""
    energy = np.cumsum(responses[:, ::-1] ** 2, axis=-1)[:, ::-1]
    whole = float(energy[:, 0].max(initial=0.0))
    allowed = whole * 10 ** (rest_db / 10)
    ends = (length for length in LENGTHS if float(energy[:, length].max(initial=0.0)) <= allowed)
    length = next(ends, LENGTHS[-1])
    cut = responses[:, :length].copy()
    fade = length // 4
    cut[:, -fade:] *= 0.5 * (1 + np.cos(np.pi * (np.arange(fade) + 0.5) / fade))
    if early:
        cut[:, :early] *= np.sin(0.5 * np.pi * (np.arange(early) + 0.5) / early) ** 2
    return cut.astype(np.float32)


@cache
def _bands() -> tuple[np.ndarray, np.ndarray]:
    """Edges of the bands, Hz, and for each the place of its middle on the bins of `bin_transfers`."""
    fine = np.arange(0.5 * _BIN_HZ, 500.0, _BIN_HZ)
    octaves = np.log2(RATE / 2 / fine[-1])
    edges = np.concatenate([fine, fine[-1] * 2 ** (np.arange(1, int(48 * octaves) + 1) / 48), [RATE]])
    middle = np.sqrt(edges[:-1] * np.minimum(edges[1:], RATE / 2))
    return edges, np.clip(np.round(middle / _BIN_HZ).astype(int) - 1, 0, _SIZE // 2 - 1)
