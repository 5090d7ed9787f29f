"""Loudness by ITU-R BS.1770 and matching of levels before a comparison.

The Recommendation prints its filters for 48 kHz and asks for the same response at every other rate. Both meters, this
one of samples and `labkit.sound.live_response.TakeLoudness`, therefore weigh spectra with the printed response.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from labkit.core.by_numpy import fast_length
from labkit.core.errors import InputError
from labkit.core.validity import range_called

QUIET_LUFS = -23.0
"""Default level of everything written or played: the broadcast level of EBU R 128, which leaves room for peaks."""

LEAST_HEADROOM_DB = 1.5
"""Peaks stay this far below full scale. Between samples a sound whose energy lies below 8 kHz at 48 kHz can rise by at
most −20·log10(cos(π·8/48)) = 1.25 dB."""

SILENT_DB = -140.0
"""Peaks below this are silence: 24-bit samples end near −144 dB."""

SOUND_LENGTH = range_called("sound_length")
SHORTEST_S = SOUND_LENGTH.low
"""One gating block; a shorter sound has no loudness."""

LOUDNESS = range_called("loudness")

HEARING_CAUTION = (
    "Start with the volume turned down and raise it slowly: loud sound, above all from headphones, damages hearing."
)

_PIECE_S, _LEAD_S, _TAIL_S = 20, 1, 0.2
_STEPS_A_SECOND = 10
_CHANNEL_WEIGHTS = np.array([1.0, 1.0, 1.0, 1.41, 1.41])


def integrated_loudness(samples: np.ndarray, rate: int) -> float:
    """Return the integrated gated loudness, LUFS (equal to LKFS).

    Parameters
    ----------
    samples : ndarray, shape (frames,) or (channels ≤ 5, frames), full scale = 1
        One row is read as one loudspeaker; five rows as left, right, centre, left and right surround.
    rate : int, Hz

    Returns
    -------
    float
        −infinity when nothing passes the gate at −70 LUFS.

    Raises
    ------
    InputError
        If the sound is shorter than 0.4 s.

    Source: Rec. ITU-R BS.1770-5, Annex 1.
    """
    rows = np.atleast_2d(np.asarray(samples, dtype=float))
    meter = LoudnessMeter(rate)
    meter.push(rows)
    return meter.loudness()


class LoudnessMeter:
    """Integrated loudness of a sound that arrives in blocks; memory does not grow with its length.

    Pieces of 20 s are weighed, each with a second of lead-in for the filters; the gates are applied at the end.
    """

    def __init__(self, rate: int) -> None:
        self.rate = rate
        self._pending: np.ndarray | None = None
        self._lead = 0
        self._powers: list[float] = []
        self._frames = 0

    def push(self, rows: np.ndarray) -> None:
        """Take the next samples, shape (channels, n)."""
        self._frames += rows.shape[1]
        self._pending = rows if self._pending is None else np.concatenate([self._pending, rows], axis=1)
        piece, block = _PIECE_S * self.rate, round(SHORTEST_S * self.rate)
        while self._pending.shape[1] >= self._lead + piece + block:
            self._measure(self._pending[:, : self._lead + piece + block], _PIECE_S * _STEPS_A_SECOND)
            kept = _LEAD_S * self.rate
            self._pending = self._pending[:, self._lead + piece - kept :]
            self._lead = kept

    def loudness(self) -> float:
        """Loudness of everything pushed, LUFS; −infinity when nothing passes the gates. Ends the measurement."""
        SOUND_LENGTH.check(self._frames / self.rate)
        if self._pending is not None and self._pending.shape[1] - self._lead >= round(SHORTEST_S * self.rate):
            self._measure(self._pending, None)
        self._pending, self._lead = None, 0
        return gated_loudness(np.array(self._powers))

    def _measure(self, part: np.ndarray, count: int | None) -> None:
        rows, frames = part.shape
        length = fast_length(frames + round(_TAIL_S * self.rate))  # the filters have died away before it begins anew
        spectrum = np.fft.rfft(part, length) * k_weighting(np.fft.rfftfreq(length, 1 / self.rate))
        power = _CHANNEL_WEIGHTS[:rows] @ np.fft.irfft(spectrum, length)[:, :frames] ** 2
        energy = np.concatenate([[0.0], np.cumsum(power)])
        size = round(SHORTEST_S * self.rate)
        starts = self._lead + np.arange(frames * _STEPS_A_SECOND // self.rate + 1) * self.rate // _STEPS_A_SECOND
        starts = starts[starts + size <= frames][:count]
        self._powers += ((energy[starts + size] - energy[starts]) / size).tolist()


def k_weighting(frequency_hz: np.ndarray) -> np.ndarray:
    """Return the complex gain of the two weighting filters; the −0.691 dB of the formula is not in it.

    Above 24 kHz, where the printed filters end, the gain is that at 24 kHz.

    Source: Rec. ITU-R BS.1770-5, Annex 1, tables 1 and 2.
    """
    z = np.exp(-2j * np.pi * np.minimum(frequency_hz, 24_000) / 48_000)
    shelf = (1.53512485958697 - 2.69169618940638 * z + 1.19839281085285 * z**2) / (
        1 - 1.69065929318241 * z + 0.73248077421585 * z**2
    )
    high_pass = (1 - 2 * z + z**2) / (1 - 1.99004745483398 * z + 0.99007225036621 * z**2)
    gain: np.ndarray = shelf * high_pass
    return gain


def gated_loudness(powers: np.ndarray) -> float:
    """Return the loudness of blocks after both gates (−70 LUFS, then 10 LU below the mean of what is left), LUFS.

    Source: Rec. ITU-R BS.1770-5, Annex 1, equations (4) to (7).
    """

    def loudness(power: np.ndarray) -> np.ndarray:
        level: np.ndarray = -0.691 + 10 * np.log10(np.maximum(power, 1e-30))
        return level

    loud = powers[loudness(powers) > -70.0]
    if loud.size == 0:
        return -math.inf
    kept = loud[loudness(loud) > loudness(np.mean(loud)) - 10.0]
    return float(loudness(np.mean(kept)))


def peak_db(samples: np.ndarray) -> float:
    """Highest sample, dB below full scale (dBFS); −infinity for silence."""
    peak = float(np.max(np.abs(samples), initial=0.0))
    return 20 * math.log10(peak) if peak > 0 else -math.inf


def true_peak_db(samples: np.ndarray, *, factor: int = 4) -> float:
    """Highest value between samples as well, dBTP, by band-limited interpolation to ``factor`` times the rate.

    Source: Rec. ITU-R BS.1770-5, Annex 2 (there by a filter; here exactly, by the Fourier transform).
    """
    rows = np.atleast_2d(np.asarray(samples, dtype=float))
    length = fast_length(rows.shape[1])
    highest = 0.0
    for row in rows:
        fine = np.fft.irfft(np.fft.rfft(row, length), length * factor) * factor
        highest = max(highest, float(np.max(np.abs(fine))))
    return 20 * math.log10(highest) if highest > 0 else -math.inf


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Matched:
    """Sounds brought to one loudness.

    Attributes
    ----------
    samples : mapping of str to ndarray
    target_lufs : float
        Loudness all of them now have.
    before_lufs, gain_db, headroom_db : mappings of str to float
        Loudness as rendered; gain applied; room left between the highest sample and full scale.
    """

    samples: Mapping[str, np.ndarray]
    target_lufs: float
    before_lufs: Mapping[str, float]
    gain_db: Mapping[str, float]
    headroom_db: Mapping[str, float]

    def difference_db(self, one: str, other: str) -> float:
        """True level difference before matching: how much louder ``one`` was than ``other``, LU."""
        return self.before_lufs[one] - self.before_lufs[other]


def match_loudness(
    sounds: Mapping[str, np.ndarray], rate: int, *, target_lufs: float = QUIET_LUFS, keep_difference: bool = False
) -> Matched:
    """Bring sounds to one loudness without clipping.

    When the target would leave less than 1.5 dB of headroom, all sounds are lowered alike.

    Parameters
    ----------
    sounds : mapping of str to ndarray
    rate : int, Hz
    target_lufs : float
    keep_difference : bool
        Give all sounds the gain of the loudest, so that their true level difference stays.

    Raises
    ------
    InputError
        If a sound is silent (cannot be matched) or shorter than 0.4 s, or the target is above −6 LUFS.
    """
    LOUDNESS.check(target_lufs)
    before = {name: _loudness_at_any_level(name, samples, rate) for name, samples in sounds.items()}
    loudest = max(before.values())
    gain = {name: target_lufs - (loudest if keep_difference else level) for name, level in before.items()}
    room = min(-LEAST_HEADROOM_DB - (peak_db(samples) + gain[name]) for name, samples in sounds.items())
    lowered = min(0.0, room)
    gain = {name: value + lowered for name, value in gain.items()}
    matched = {name: samples * 10 ** (gain[name] / 20) for name, samples in sounds.items()}
    return Matched(
        samples=matched,
        target_lufs=target_lufs + lowered,
        before_lufs=before,
        gain_db=gain,
        headroom_db={name: -peak_db(samples) for name, samples in matched.items()},
    )


def _loudness_at_any_level(name: str, samples: np.ndarray, rate: int) -> float:
    """Loudness read at full-scale peak and carried back, so that the gate at −70 LUFS does not bite a faint sound."""
    peak = peak_db(samples)
    if peak < SILENT_DB:
        raise InputError(
            f"'{name}' is silent (its peak is below {SILENT_DB:.0f} dB), so its loudness cannot be matched"
        )
    level = integrated_loudness(np.asarray(samples) * 10 ** (-peak / 20), rate)
    if level == -math.inf:
        raise InputError(f"'{name}' is only a click in silence, so its loudness cannot be matched")
    return level + peak
