"""Conversion of a dry recording: made through one known rig, heard through another.

The work runs in overlapping blocks of one fixed filter, so that ten minutes need no more memory than ten seconds.
The filter is centred (its first half acts before the sample), so the output has no delay. The geometry of the
recording stays: where the pickup sat and where the string was plucked cannot be changed afterwards.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np

from labkit.core.by_numpy import fast_length
from labkit.core.errors import InputError
from labkit.core.wav import SampleFormat, WavInfo, clipped_places, file_format, open_wav, read_block, wav_info
from labkit.sound.convert.difference import Difference
from labkit.sound.files import Progress, check_target, no_progress, whole_file
from labkit.sound.loudness import LEAST_HEADROOM_DB, QUIET_LUFS, SHORTEST_S, LoudnessMeter

FILTER_S = 1.4
"""Length of the filter, half of it on each side: finer than 1 Hz, and every response of a rig has died away in it."""

BLOCK_S = 6.0


class Convolver:
    """A centred filter made of a difference, applied block by block.

    Parameters
    ----------
    difference : Difference
    rate : int, Hz
    channels : int
    """

    def __init__(self, difference: Difference, *, rate: int, channels: int) -> None:
        length = 2 * fast_length(round(FILTER_S * rate / 2))
        self.latency = length // 2
        bins = np.fft.rfftfreq(length, 1 / rate)
        values = np.empty(bins.size, dtype=complex)
        values[1:] = difference.limited(bins[1:])
        values[0] = np.real(difference.limited(bins[1:2] * 1e-2)[0])
        values[-1] = values[-1].real
        kernel = np.roll(np.fft.irfft(values, length), self.latency)
        ramp = np.sin(0.5 * np.pi * (np.arange(length // 10) + 0.5) / (length // 10)) ** 2
        kernel[: ramp.size] *= ramp
        kernel[-ramp.size :] *= ramp[::-1]
        self.block = max(fast_length(round(BLOCK_S * rate)), length)
        self._size = fast_length(self.block + length)
        self._transfer = np.fft.rfft(kernel, self._size)
        self._overlap = np.zeros((channels, self._size))

    def push(self, block: np.ndarray) -> np.ndarray:
        """Take the next block, shape (channels, n ≤ block); return n samples, late by `latency`."""
        count = block.shape[1]
        self._overlap += np.fft.irfft(np.fft.rfft(block, self._size) * self._transfer, self._size)
        ready = self._overlap[:, :count].copy()
        self._overlap[:, : self._size - count] = self._overlap[:, count:].copy()
        self._overlap[:, self._size - count :] = 0.0
        return ready

    def run(self, blocks: Iterable[np.ndarray]) -> Iterator[np.ndarray]:
        """Filter a whole sound in blocks; what comes out has its length and no delay."""
        late = self.latency
        for block in blocks:
            ready = self.push(block)
            dropped = min(late, ready.shape[1])
            late -= dropped
            if dropped < ready.shape[1]:
                yield ready[:, dropped:]
        rest = self.push(np.zeros((self._overlap.shape[0], self.latency)))
        yield rest[:, late:]


def convert_samples(samples: np.ndarray, rate: int, difference: Difference) -> np.ndarray:
    """Return a recording as the other rig would have given it, same shape, no delay.

    Parameters
    ----------
    samples : ndarray, shape (frames,) or (channels, frames)
    rate : int, Hz
    difference : Difference
    """
    rows = np.atleast_2d(np.asarray(samples, dtype=float))
    convolver = Convolver(difference, rate=rate, channels=rows.shape[0])
    blocks = (rows[:, start : start + convolver.block] for start in range(0, rows.shape[1], convolver.block))
    converted: np.ndarray = np.concatenate(list(convolver.run(blocks)), axis=1)
    return converted.reshape(np.shape(samples))


@dataclass(frozen=True, slots=True, kw_only=True)
class Conversion:
    """What a conversion did.

    Attributes
    ----------
    band_hz : (float, float)
        Where it is true to the wanted rig, Hz.
    boost_db : float
        Greatest boost: noise of the recording may rise by this much.
    before_lufs, after_lufs : float or None
        Loudness of recording and of the result before any gain; None below 0.4 s or for near silence.
    difference_db : float or None
        True level difference, after minus before, LU.
    gain_db : float
        Gain put on the written file.
    headroom_db : float
        Between the highest sample written and full scale.
    duration_s : float
    warnings : tuple of str
    """

    band_hz: tuple[float, float]
    boost_db: float
    before_lufs: float | None
    after_lufs: float | None
    difference_db: float | None
    gain_db: float
    headroom_db: float
    duration_s: float
    warnings: tuple[str, ...]


def convert_file(
    source: Path,
    target: Path,
    difference: Difference,
    *,
    target_lufs: float | None = QUIET_LUFS,
    sample_format: SampleFormat = "PCM_24",
    force: bool = False,
    progress: Progress = no_progress,
) -> Conversion:
    """Convert a WAV or FLAC file into another, whole or not at all.

    Parameters
    ----------
    source, target : Path
    difference : Difference
    target_lufs : float or None
        Loudness of the result; None keeps the true level. Either is lowered where it would leave less than 1.5 dB
        of headroom.
    sample_format : str
    force : bool
        Overwrite an existing file.
    progress : callable
        May raise `Cancelled`; then nothing is left behind.

    Raises
    ------
    InputError
        For every fault of the recording, and when the target exists.
    """
    check_target(target, force=force)
    file_format(target, sample_format)
    info = wav_info(source)
    if target.exists() and target.resolve() == source.resolve():
        raise InputError(f"the result would overwrite the recording {source}; name another file")
    band = difference.band(0.45 * info.rate)
    convolver = Convolver(difference, rate=info.rate, channels=info.channels)
    before, after = LoudnessMeter(info.rate), LoudnessMeter(info.rate)
    blocks = _Blocks(source, info, convolver.block, before, progress)
    peak = 0.0
    with _scratch(target) as scratch:
        for ready in convolver.run(blocks):
            peak = max(peak, float(np.max(np.abs(ready), initial=0.0)))
            after.push(ready)
            scratch.write(np.ascontiguousarray(ready.T, dtype=np.float32).tobytes())
        loudness = [_loudness(meter, info) for meter in (before, after)]
        gain_db = _gain_db(loudness[1], peak, target_lufs)
        scratch.seek(0)
        _write_scaled(scratch, target, info, 10 ** (gain_db / 20), convolver.block, sample_format, progress)
    before_lufs, after_lufs = loudness
    return Conversion(
        band_hz=band,
        boost_db=difference.boost_db(0.45 * info.rate),
        before_lufs=before_lufs,
        after_lufs=after_lufs,
        difference_db=None if before_lufs is None or after_lufs is None else after_lufs - before_lufs,
        gain_db=gain_db,
        headroom_db=-(20 * math.log10(peak) + gain_db) if peak else math.inf,
        duration_s=info.duration_s,
        warnings=_warnings(blocks.clipped, after_lufs),
    )


class _Blocks:
    """The recording block by block, metered on the way."""

    def __init__(self, source: Path, info: WavInfo, frames: int, meter: LoudnessMeter, progress: Progress) -> None:
        self.source, self.info, self.frames, self.meter, self.progress = source, info, frames, meter, progress
        self.clipped = 0

    def __iter__(self) -> Iterator[np.ndarray]:
        left = self.info.frames
        with open_wav(self.source) as reader:
            while left:
                block = read_block(reader, min(left, self.frames), self.source)
                left -= block.shape[1]
                self.clipped += clipped_places(block)
                self.meter.push(block)
                yield block
                self.progress(0.8 * (1 - left / self.info.frames))


def _loudness(meter: LoudnessMeter, info: WavInfo) -> float | None:
    if info.duration_s < SHORTEST_S:
        return None
    reading = meter.loudness()
    return reading if math.isfinite(reading) else None


def _gain_db(after_lufs: float | None, peak: float, target_lufs: float | None) -> float:
    """Gain to the wanted loudness, or none, and never into less than the least headroom."""
    gain = 0.0 if target_lufs is None or after_lufs is None else target_lufs - after_lufs
    room = -LEAST_HEADROOM_DB - 20 * math.log10(peak) if peak else math.inf
    return min(gain, room)


@contextmanager
def _scratch(target: Path) -> Iterator[IO[bytes]]:
    """A file without a name beside the target; a disk that fails below either is told as the target's."""
    import soundfile

    try:
        with tempfile.TemporaryFile(dir=target.parent) as scratch:
            yield scratch
    except OSError as problem:
        raise InputError(f"cannot write {target}: {problem.strerror or problem}") from None
    except soundfile.SoundFileError as problem:
        raise InputError(f"cannot write {target}: {problem}; is the disk full?") from None


def _write_scaled(
    scratch: IO[bytes],
    target: Path,
    info: WavInfo,
    gain: float,
    frames: int,
    sample_format: SampleFormat,
    progress: Progress,
) -> None:
    import soundfile

    written, kind = 0, file_format(target, sample_format)
    with (
        whole_file(target, force=True) as temporary,
        soundfile.SoundFile(
            str(temporary), "w", info.rate, info.channels, subtype=sample_format, format=kind
        ) as writer,
    ):
        while written < info.frames:
            count = min(frames, info.frames - written)
            block = np.frombuffer(scratch.read(4 * count * info.channels), dtype=np.float32)
            writer.write(block.reshape(count, info.channels) * np.float32(gain))
            written += count
            progress(0.8 + 0.2 * written / info.frames)


def _warnings(clipped: int, after_lufs: float | None) -> tuple[str, ...]:
    warnings = []
    if clipped:
        warnings.append(
            f"the recording is clipped in {clipped} places; division cannot undo that, and the result is not what the "
            "other rig would have given there"
        )
    if after_lufs is None:
        warnings.append("the result is too short or too faint for a loudness reading: its level is as it came out")
    return tuple(warnings)
