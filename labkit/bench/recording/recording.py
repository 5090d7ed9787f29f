"""`Recording`: two channels as a recorder wrote them, channel 1 at the source and channel 2 across the pickup.

A recorder is any program that writes a file, or this machine's own sound system (`play_and_record`).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

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


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundDevice:
    """An interface of this machine: the numbers of its two ways in the sound system, and its inputs that are taken."""

    name: str
    input_number: int
    output_number: int
    inputs: tuple[int, int]


def find_sound_device(asked: str = "", inputs: tuple[int, int] = (1, 2)) -> SoundDevice:
    """Return the interface whose name holds a text, or the one that the system takes by itself.

    Parameters
    ----------
    asked : str
        A part of its name, in any case; empty for the system's own choice.
    inputs : (int, int)
        Which of its inputs are channel 1, at the source, and channel 2, across the pickup; counted from 1.

    Raises
    ------
    InputError
        If the library is missing, no interface fits, or the one that fits has too few inputs; the ones there are named.
    """
    library = _sound_library()
    devices = list(library.query_devices())
    if asked:
        named = [number for number, each in enumerate(devices) if asked.casefold() in str(each["name"]).casefold()]
    else:
        named = [number for number in library.default.device if 0 <= number < len(devices)]
    recording = next((n for n in named if devices[n]["max_input_channels"] >= max(*inputs, 2)), None)
    playing = next((n for n in named if devices[n]["max_output_channels"] >= 1), None)
    if recording is None or playing is None:
        there = "; ".join(
            f"{each['name']} ({each['max_input_channels']} in, {each['max_output_channels']} out)" for each in devices
        )
        wanted = f"named '{asked}'" if asked else "of the system's choice"
        raise InputError(
            f"no sound interface {wanted} has an output and {max(*inputs, 2)} inputs; this machine has: "
            f"{there or 'none'}"
        )
    return SoundDevice(
        name=str(devices[recording]["name"]), input_number=recording, output_number=playing, inputs=inputs
    )


def play_and_record(played: np.ndarray, rate: int, device: SoundDevice, *, name: str) -> Recording:
    """Play a signal and record two channels meanwhile.

    Parameters
    ----------
    played : ndarray, shape (n,), full scale 1
        Goes to the first output, and to the second where there is one.
    rate : int, Hz
    device : SoundDevice
    name : str
        Of the recording, for messages.

    Raises
    ------
    InputError
        If the sound system refuses, or says that it lost samples.
    """
    library = _sound_library()
    ways = library.query_devices(device.output_number)["max_output_channels"]
    try:
        recorded = library.playrec(
            np.column_stack([played] * min(ways, 2)).astype(np.float32),
            samplerate=rate,
            device=(device.input_number, device.output_number),
            input_mapping=list(device.inputs),
            dtype="float32",
            blocking=True,
        )
        lost = str(library.get_status())
    except (library.PortAudioError, ValueError) as problem:
        raise InputError(f"{device.name}: cannot play and record at {rate} Hz ({problem})") from None
    finally:
        library.stop()  # also where somebody interrupts it: nothing plays on
    if lost:
        raise InputError(
            f"{device.name}: the sound system lost samples ({lost}); close other programs and record again"
        )
    return Recording(name=name, rate=rate, samples=np.asarray(recorded, dtype=float).T)


def _sound_library() -> Any:
    try:
        import sounddevice
    except ImportError:
        raise InputError(
            "recording on this machine needs the library sounddevice: pip install sounddevice (labkit's extra "
            "'measure'), or play the file of labkit sweep write and record with any recorder"
        ) from None
    except OSError as problem:  # it is there, and the system's own library below it is not
        raise InputError(f"sounddevice cannot reach this machine's sound system ({problem})") from None
    return sounddevice
