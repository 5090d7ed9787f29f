"""Reading and writing WAV and FLAC, with a plain sentence for everything that can be wrong with a file."""

from __future__ import annotations

import io
import wave
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from labkit.core.errors import InputError
from labkit.core.files import write_atomically

LONGEST_S = 600.0
LOWEST_RATE, HIGHEST_RATE = 8_000, 192_000
FORMATS = ("WAV", "WAVEX", "RF64", "FLAC")
SAMPLE_FORMATS = {
    "PCM_16": "16-bit",
    "PCM_24": "24-bit",
    "PCM_32": "32-bit",
    "FLOAT": "32-bit float",
    "DOUBLE": "64-bit float",
}
SampleFormat = Literal["PCM_16", "PCM_24", "PCM_32", "FLOAT"]

TAGS = ("title", "comment", "software", "date", "artist", "copyright")
"""Words that both kinds of file hold."""

FULL_SCALE_RUN = 3
"""So many neighbouring samples at the same extreme value mean that the recording was clipped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WavInfo:
    """What a file's header says."""

    path: Path
    rate: int
    channels: int
    frames: int
    sample_format: str

    @property
    def duration_s(self) -> float:
        """Length, s."""
        return self.frames / self.rate


def wav_info(path: Path) -> WavInfo:
    """Check a WAV or FLAC file without reading its samples.

    Raises
    ------
    InputError
        If it is missing, empty, damaged, neither WAV nor FLAC, longer than ten minutes, of more than two channels, or
        of a rate or sample format that labkit does not take.
    """
    import soundfile

    if path.is_dir():
        raise InputError(f"{path} is a folder; name a WAV or FLAC file")
    if not path.exists():
        raise InputError(f"there is no file {path}")
    if path.stat().st_size == 0:
        raise InputError(f"{path} is empty (0 bytes)")
    try:
        header = soundfile.info(str(path))
    except (soundfile.SoundFileError, RuntimeError):
        raise InputError(f"{path} is not a readable WAV or FLAC file; it may be damaged or of another kind") from None
    missing = _missing_bytes(path)
    if missing:
        raise InputError(f"{path} breaks off: {missing} bytes of what its header promises are missing; copy it again")
    if header.format not in FORMATS:
        raise InputError(f"{path} is a {header.format} file; convert it to WAV or FLAC first")
    if header.subtype not in SAMPLE_FORMATS:
        raise InputError(f"{path} holds {header.subtype_info} samples; labkit reads 16, 24 and 32 bit")
    if header.channels > 2:
        raise InputError(f"{path} has {header.channels} channels; labkit takes mono or stereo: mix it down first")
    if not LOWEST_RATE <= header.samplerate <= HIGHEST_RATE:
        raise InputError(
            f"{path} has a rate of {header.samplerate} Hz; labkit takes {LOWEST_RATE} to {HIGHEST_RATE} Hz: "
            "resample it first"
        )
    if header.frames == 0:
        raise InputError(f"{path} holds no samples")
    if header.frames > LONGEST_S * header.samplerate:
        minutes = header.frames / header.samplerate / 60
        raise InputError(
            f"{path} is {minutes:.1f} minutes long; labkit takes up to {LONGEST_S / 60:.0f} minutes: cut it first"
        )
    return WavInfo(
        path=path,
        rate=header.samplerate,
        channels=header.channels,
        frames=header.frames,
        sample_format=SAMPLE_FORMATS[header.subtype],
    )


def _missing_bytes(path: Path) -> int:
    """Bytes that the RIFF header promises and the file does not have; 0 where the header leaves its size open."""
    with path.open("rb") as file:
        header = file.read(8)
    declared = int.from_bytes(header[4:8], "little")
    if header[:4] != b"RIFF" or declared == 0xFFFFFFFF:
        return 0
    return max(0, declared + 8 - path.stat().st_size)


def open_wav(path: Path) -> Any:
    """Open a checked file for reading in blocks (a soundfile.SoundFile)."""
    import soundfile

    wav_info(path)
    return soundfile.SoundFile(str(path))


def read_block(handle: Any, frames: int, path: Path) -> np.ndarray:
    """Read the next frames, shape (channels, n ≤ frames); InputError on NaN, infinity or a file that breaks off."""
    import soundfile

    begin = handle.tell()
    try:
        block: np.ndarray = handle.read(frames, dtype="float64", always_2d=True).T
    except (soundfile.SoundFileError, RuntimeError):
        raise InputError(f"{path} breaks off or is damaged after {begin / handle.samplerate:.2f} s") from None
    if block.shape[1] < min(frames, handle.frames - begin):
        raise InputError(f"{path} breaks off after {(begin + block.shape[1]) / handle.samplerate:.2f} s")
    if not np.all(np.isfinite(block)):
        first = int(np.argmin(np.all(np.isfinite(block), axis=0)))
        raise InputError(f"{path} holds a sample that is not a number at {(begin + first) / handle.samplerate:.4f} s")
    return block


def clipped_places(samples: np.ndarray) -> int:
    """Count runs of at least three equal neighbours at the extreme value of a signal that reaches 0.5 of full scale.

    >>> clipped_places(np.array([[0.0, 1.0, 1.0, 1.0, 0.2, -0.9]]))
    1
    """
    places = 0
    for channel in np.atleast_2d(samples):
        top = float(np.max(np.abs(channel)))
        if top < 0.5:
            continue
        stuck = (np.abs(channel) >= top * (1 - 1e-9)).astype(np.int8)
        padded = np.concatenate([[0], stuck, [0]])
        starts, ends = np.flatnonzero(np.diff(padded) == 1), np.flatnonzero(np.diff(padded) == -1)
        places += int(np.count_nonzero(ends - starts >= FULL_SCALE_RUN))
    return places


def wav_bytes(samples: np.ndarray, rate: int, *, sample_format: SampleFormat = "PCM_24", name: str = "sound") -> bytes:
    """Return a WAV file as bytes, for a page or for `write_wav`.

    Parameters
    ----------
    samples : ndarray, shape (frames,) or (channels, frames), full scale = 1
    rate : int, Hz
    sample_format : str
        Integer formats refuse samples beyond full scale: nothing is ever clipped silently.
    name : str
        Used in messages.

    Raises
    ------
    InputError
        If a sample is not finite or would clip.
    """
    samples = np.atleast_2d(np.asarray(samples, dtype=float))
    _check(samples, sample_format, name)
    if sample_format == "FLOAT":
        return _by_library(samples, rate, sample_format, "WAV", {})
    width = {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4}[sample_format]  # as the library does, which a browser lacks
    steps = np.clip(np.rint(samples.T * 2.0**31), -(2.0**31), 2.0**31 - 1).astype("<i4")
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as writer:
        writer.setparams((samples.shape[0], width, rate, samples.shape[1], "NONE", ""))
        writer.writeframes(steps[..., None].view(np.uint8)[..., 4 - width :].tobytes())
    return buffer.getvalue()


def write_wav(
    path: Path,
    samples: np.ndarray,
    rate: int,
    *,
    sample_format: SampleFormat = "PCM_24",
    force: bool = False,
    tags: Mapping[str, str] | None = None,
) -> None:
    """Write samples to a WAV file, or to a FLAC file where its name ends so, whole or not at all; see `wav_bytes`.

    Parameters
    ----------
    tags : mapping of str to str, optional
        Words for the file itself, by the names of `TAGS`.
    """
    kind = file_format(path, sample_format)
    if kind == "WAV" and not tags:
        data = wav_bytes(samples, rate, sample_format=sample_format, name=path.name)
    else:
        samples = np.atleast_2d(np.asarray(samples, dtype=float))
        _check(samples, sample_format, path.name)
        data = _by_library(samples, rate, sample_format, kind, tags or {})
    write_atomically(path, data, overwrite=force)


def file_format(path: Path, sample_format: SampleFormat) -> Literal["WAV", "FLAC"]:
    """Return what a file of this name holds.

    Raises
    ------
    InputError
        If a FLAC file cannot hold such samples.
    """
    if path.suffix.lower() != ".flac":
        return "WAV"
    if sample_format not in ("PCM_16", "PCM_24"):
        raise InputError(
            f"{path}: FLAC holds samples of 16 or 24 bit, not {SAMPLE_FORMATS[sample_format]} ones; take one of these, "
            f"or write {path.with_suffix('.wav').name}"
        )
    return "FLAC"


def _check(samples: np.ndarray, sample_format: SampleFormat, name: str) -> None:
    if not np.all(np.isfinite(samples)):
        raise InputError(f"{name}: the sound holds samples that are not finite numbers; nothing was written")
    peak = float(np.max(np.abs(samples), initial=0.0))
    if sample_format != "FLOAT" and peak > 1.0:
        raise InputError(
            f"{name}: the sound would clip by {20 * np.log10(peak):.1f} dB; nothing was written. Lower its level"
        )


def _by_library(samples: np.ndarray, rate: int, sample_format: str, kind: str, tags: Mapping[str, str]) -> bytes:
    import soundfile

    buffer = io.BytesIO()
    with soundfile.SoundFile(buffer, "w", rate, samples.shape[0], subtype=sample_format, format=kind) as writer:
        for name, words in tags.items():
            setattr(writer, name, words)
        writer.write(samples.T)
    return buffer.getvalue()
