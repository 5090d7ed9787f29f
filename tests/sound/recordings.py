"""Whole WAV files, for tests that look at what was written; labkit itself reads them piece by piece."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from labkit.core.wav import clipped_places, open_wav, read_block, wav_info


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """Samples of a WAV file.

    Parameters
    ----------
    samples : ndarray, shape (channels, frames), full scale = 1
    rate : int, Hz
    name : str
    clipped_places : int
        Runs of at least three samples stuck at the extreme value.
    """

    samples: np.ndarray
    rate: int
    name: str
    clipped_places: int = 0


def read_wav(path: Path) -> Recording:
    """Read a whole WAV file.

    Raises
    ------
    InputError
        As `wav_info`, and if samples are missing, NaN or infinite.
    """
    info = wav_info(path)
    with open_wav(path) as handle:
        samples = read_block(handle, info.frames, path)
    return Recording(samples=samples, rate=info.rate, name=path.stem, clipped_places=clipped_places(samples))
