"""What a recording shows to be wrong with it, each in one sentence.

Limits are those at which simulated recordings of a good interface stay well inside, and faulty ones far outside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.bench.recording.excitation import LEVELS_DB, SPACING_S, SWEEP_CONSTANT_S
from labkit.bench.recording.recording import Recording

QUIETEST_DB = -45.0
"""dBFS of channel 1's peak; below some −20 single points begin to fail, below this many."""

MOST_FLAT, MOST_THIRD_DB, MOST_FLAT_TONES = 100, -60.0, 12
"""Samples at the extreme value beside another (a sweep stays there by itself at 10 Hz, tones do not); third harmonic
under the sweep."""

LEVEL_DB = 0.05
"""Steps between the sweeps may be off by this."""

JUMP = 8
"""Samples between two spacings of the sweeps."""

DRIFT_PPM, MOST_DRIFT_PPM = 200.0, 1500.0
"""Two good clocks differ by less than the first; no two clocks differ by the second."""

SWING = 0.02
"""Of full scale; a slow voltage in the silence."""

HUM_DB = -20.0
"""Hum over the sweep, root mean squares in channel 2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingFault:
    """One thing that a recording shows.

    Attributes
    ----------
    name : str
        In two or three words, such as ``lost samples``.
    sentence : str
        What is seen, what it means, what to do.
    spoils : bool
        Whether no result may come from the recording.
    """

    name: str
    sentence: str
    spoils: bool = True


def in_samples(recording: Recording) -> list[RecordingFault]:
    """Return what the samples show before anything is looked for in them."""
    found = []
    first, second = recording.samples
    peaks = np.abs(recording.samples).max(axis=1, initial=0.0)
    if peaks[0] < 1e-4:
        swapped = "channel 2 is not: the channels are swapped, or " if peaks[1] > 100 * peaks[0] else ""
        found.append(
            RecordingFault(
                name="channel 1 is silent",
                sentence=f"channel 1 is silent{' and ' if swapped else ': '}{swapped}channel 1 is not at the source "
                "node, or another output is playing",
            )
        )
    elif np.array_equal(first, second):
        found.append(
            RecordingFault(
                name="one channel twice",
                sentence="both channels hold the same samples: the recorder was set to mono; record two channels",
            )
        )
    elif 20 * math.log10(peaks[0]) < QUIETEST_DB:
        found.append(
            RecordingFault(
                name="too quiet",
                sentence=f"channel 1 peaks at {20 * math.log10(peaks[0]):.0f} dB below full scale"
                "; raise the player's level or the gain until it peaks near −12 dB",
            )
        )
    return found


def flat_tops(channel: np.ndarray) -> int:
    """Count the samples that stand at a channel's extreme value beside another one there."""
    top = np.abs(channel) >= 0.9999 * np.abs(channel).max()
    return int(np.count_nonzero(top[1:] & top[:-1]))


def third_harmonic_db(pulse: np.ndarray, rate: int, places: list[int]) -> float:
    """Return the third harmonic under the sweep, dB: it arrives L·ln 3 before the first pulse."""
    reach = int(0.006 * rate)
    early = places[0] - round(SWEEP_CONSTANT_S * math.log(3) * rate)
    if early < reach:
        return -math.inf
    size = np.abs(pulse)
    third = size[early - reach : early + reach].max()
    return 20 * math.log10(max(third / size[places[0]], 1e-12))


def clipping(recording: Recording, third_db: list[float] | None = None) -> list[RecordingFault]:
    """Name the channels whose tops are flat and, in sweeps, bring a third harmonic."""
    clipped = [
        number
        for number, channel in enumerate(recording.samples, start=1)
        if flat_tops(channel) > (MOST_FLAT if third_db else MOST_FLAT_TONES)
        and (third_db is None or third_db[number - 1] > MOST_THIRD_DB)
    ]
    if not clipped:
        return []
    which = "both channels are" if len(clipped) == 2 else f"channel {clipped[0]} is"
    return [
        RecordingFault(
            name="clipping",
            sentence=f"{which} clipped ({max(flat_tops(recording.samples[number - 1]) for number in clipped)} samples "
            "stand at the extreme value): turn the gain or the player's level down",
        )
    ]


def gain_moves(steps_db: list[float]) -> list[RecordingFault]:
    """Name a gain that moved between the sweeps.

    Parameters
    ----------
    steps_db : list of float, dB
        Level of each later sweep over the first.
    """
    off = [step - level for step, level in zip(steps_db, LEVELS_DB[1:])]
    if not off or max(map(abs, off)) <= LEVEL_DB:
        return []
    worst = int(np.argmax(np.abs(off)))
    return [
        RecordingFault(
            name="gain control",
            sentence=f"sweep {worst + 2} should be {LEVELS_DB[worst + 1]:g} dB over the first and is "
            f"{steps_db[worst]:.2f} dB: a gain control, limiter, effect or volume knob moved; switch it off",
        )
    ]


def gain_moved(change_db: float) -> list[RecordingFault]:
    """Name a gain that moved between the halves of the tones."""
    if abs(change_db) <= LEVEL_DB:
        return []
    return [
        RecordingFault(
            name="gain control",
            sentence=f"the tones change by {change_db:.2f} dB from one half to the other: a gain control, limiter, "
            "effect or volume knob moved; switch it off",
        )
    ]


def clock(places: list[int], rate: int) -> tuple[float, list[RecordingFault]]:
    """Return how much longer the spacing of the sweeps is than played, in ppm, and what that shows."""
    spacing = np.diff(places)
    ppm = (float(np.mean(spacing)) / (SPACING_S * rate) - 1) * 1e6
    jump = int(np.ptp(spacing)) if spacing.size > 1 else 0
    if jump > JUMP or abs(ppm) > MOST_DRIFT_PPM:
        missing = jump if jump > JUMP else round(abs(ppm) * 1e-6 * SPACING_S * rate)
        return ppm, [lost(missing)]
    return ppm, drift(ppm)


def lost(count: int) -> RecordingFault:
    """Name lost samples."""
    return RecordingFault(
        name="lost samples",
        sentence=f"the recording is {count} samples out of step: samples were lost or doubled; close other programs, "
        "give the recorder a longer buffer and record again",
    )


def drift(ppm: float) -> list[RecordingFault]:
    """Name two clocks."""
    if abs(ppm) <= DRIFT_PPM:
        return []
    return [
        RecordingFault(
            name="two clocks",
            sentence=f"player and recorder run on clocks that differ by {abs(ppm):.0f} ppm; that does no harm, since "
            "both channels share the recorder's",
            spoils=False,
        )
    ]


def in_the_silence(
    recording: Recording, silence: tuple[int, int], pauses: list[tuple[int, int]]
) -> list[RecordingFault]:
    """Name what the pauses show: a slow voltage, or that something mutes them."""
    found = []
    begin, end = silence
    block = round(0.05 * recording.rate)
    for number, channel in enumerate(recording.samples, start=1):
        quiet = channel[begin:end]
        if quiet.size >= 4 * block:
            means = quiet[: quiet.size // block * block].reshape(-1, block).mean(axis=1)
            if np.ptp(means) > SWING:
                found.append(
                    RecordingFault(
                        name="phantom power",
                        sentence=f"channel {number} drifts by {100 * np.ptp(means):.0f} % of full scale in the "
                        "silence, as inputs do after phantom power was switched: switch it off, wait a minute, "
                        "record again",
                    )
                )
    muted = [
        number
        for number, channel in enumerate(recording.samples, start=1)
        if pauses and not any(channel[low:high].any() for low, high in pauses)
    ]
    if muted:
        found.append(
            RecordingFault(
                name="muted pauses",
                sentence=f"channel {muted[0]} is exactly zero between the sweeps: a gate or noise suppression is on, "
                "or the file has only 16 bits; switch it off, and record 24 bits",
                spoils=False,
            )
        )
    return found


def hum(hum_db: float, sweep_db: float) -> list[RecordingFault]:
    """Name loud hum; levels in channel 2, dBFS."""
    if hum_db < sweep_db + HUM_DB:
        return []
    return [
        RecordingFault(
            name="loud hum",
            sentence=f"hum is {sweep_db - hum_db:.0f} dB below the sweep in channel 2: turn the pickup, move away from "
            "transformers and lamps, or play the tones instead",
            spoils=False,
        )
    ]
