"""`Recording`: two channels as a recorder wrote them, channel 1 at the source and channel 2 across the pickup."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from labkit.bench.recording.excitation import LOWEST_RATE
from labkit.core.errors import InputError
from labkit.core.wav import open_wav, read_block

LONGEST_S = 60.0
"""A take lasts eleven seconds."""

SUFFIXES = (".wav", ".wave", ".flac")


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """One take.

    Attributes
    ----------
    name : str
        For messages.
    rate : int, Hz
    samples : ndarray, shape (2, n), full scale 1
        Channel 1 hangs at the source, channel 2 across the pickup.
    """

    name: str
    rate: int
    samples: np.ndarray

    def __post_init__(self) -> None:
        samples = np.array(self.samples, dtype=float)
        channels = samples.shape[0] if samples.ndim == 2 else 1
        if channels != 2:
            raise InputError(
                f"{self.name}: has {channels} channel{'s' if channels > 1 else ''}; two are due, in one file: "
                "channel 1 at the source and channel 2 across the pickup"
            )
        if self.rate < LOWEST_RATE:
            raise InputError(
                f"{self.name}: has a rate of {self.rate} Hz; the curve up to 20 kHz needs {LOWEST_RATE} Hz or more"
            )
        if samples.shape[1] > LONGEST_S * self.rate:
            raise InputError(f"{self.name}: is {samples.shape[1] / self.rate:.0f} s long; one take lasts 11 s, cut it")
        samples.flags.writeable = False
        object.__setattr__(self, "samples", samples)

    @property
    def duration_s(self) -> float:
        """Length, s."""
        return int(self.samples.shape[1]) / self.rate


def is_recording(path: Path) -> bool:
    """Say whether a file's name ends as a recording's does."""
    return path.suffix.casefold() in SUFFIXES


def read_recording(path: Path) -> Recording:
    """Read a take from a WAV or FLAC file.

    Raises
    ------
    InputError
        If it is no readable WAV or FLAC file, has no two channels, too low a rate, or is longer than a minute.
    """
    with open_wav(path) as file:
        if file.frames > LONGEST_S * file.samplerate:
            raise InputError(f"{path.name}: is {file.frames / file.samplerate:.0f} s long; one take lasts 11 s, cut it")
        return Recording(name=path.name, rate=file.samplerate, samples=read_block(file, file.frames, path))
