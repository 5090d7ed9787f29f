"""From one recording to the ratio of its channels, with levels, hum, clock and faults: `read_take`."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.bench.recording import faults as seen
from labkit.bench.recording.excitation import (
    FADE_IN_S,
    LENGTH_S,
    LEVELS_DB,
    SILENCE_S,
    SPACING_S,
    SWEEP_S,
    TONES_S,
    Signal,
    tones_hz,
)
from labkit.bench.recording.faults import RecordingFault
from labkit.bench.recording.ratio import (
    ChannelRatio,
    arrivals,
    compactness,
    pulses,
    ratio_of_sweeps,
    ratio_of_tones,
    spectra,
    tone_lines,
    tones_begin,
)
from labkit.bench.recording.recording import Recording
from labkit.core.errors import InputError, join_words

IS_SWEEP, IS_CLEAN, IS_BETTER = 0.3, 0.9, 0.2
"""Compactness of a recording that holds sweeps; below which another rate is tried; by how much that must fit better."""

RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
MAINS_HZ = (50, 60)
TONE_OVER_NOISE = 30.0
"""Median of the tones' lines over what is beside them, in a recording that holds them."""

LOW_TONES_HZ = 400.0
"""Tones whose phases show a jump of up to some 700 samples without a doubt about whole turns."""

HUM_OVER_NOISE = 6.0
"""A mains line this many times over its neighbours is hum."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeReading:
    """What one recording says.

    Attributes
    ----------
    name : str
    signal : "sweeps" or "tones"
    ratio : ChannelRatio
    peak_db : tuple of float, dBFS
        Of both channels.
    noise_db, hum_db : float, dBFS
        Root mean square of channel 2 in the silence, all of it and its mains lines.
    clock_ppm : float
        How much slower the player's clock is than the recorder's.
    faults : tuple of RecordingFault
        None of them spoils the result; `read_take` refuses those that do.
    """

    name: str
    signal: Signal
    ratio: ChannelRatio
    peak_db: tuple[float, float]
    noise_db: float
    hum_db: float
    clock_ppm: float
    faults: tuple[RecordingFault, ...]


class SpoiltTake(InputError):  # noqa: N818 - a thing that people meet, named as one
    """A recording shows faults that no result can come from; ``faults`` names them."""

    def __init__(self, name: str, found: tuple[RecordingFault, ...]) -> None:
        self.faults = found
        super().__init__(f"{name}: {'; '.join(fault.sentence for fault in found)}")


def read_take(recording: Recording) -> TakeReading:
    """Return what a recording of the sweeps or tones says.

    Raises
    ------
    SpoiltTake
        If it shows a fault that spoils the result; one sentence for each.
    """
    found = seen.in_samples(recording)
    if not found and recording.duration_s < SILENCE_S + SWEEP_S:
        found = [_cut_short(recording)]
    if any(fault.spoils for fault in found):
        raise SpoiltTake(recording.name, tuple(found))
    pulse = pulses(recording.samples, recording.rate)
    compact = compactness(pulse[0], recording.rate)
    if compact < IS_CLEAN:
        _check_rate(recording, compact)
    reading = _read_sweeps(recording, pulse) if compact >= IS_SWEEP else _read_tones(recording)
    spoils = tuple(fault for fault in reading.faults if fault.spoils)
    if spoils:
        raise SpoiltTake(recording.name, spoils)
    return reading


def _check_rate(recording: Recording, compact: float) -> None:
    """Refuse a recording whose sweeps fit another rate better than the stated one."""
    fits = {
        own: compactness(pulses(recording.samples[:1], recording.rate, own_rate=own)[0], own)
        for own in RATES
        if own != recording.rate
    }
    best = max(fits, key=lambda own: fits[own])
    if fits[best] < compact + IS_BETTER:
        return
    raise SpoiltTake(
        recording.name,
        (
            RecordingFault(
                name="wrong rate",
                sentence=f"the file says {recording.rate} Hz but its sweeps run as at {best} Hz: player and recorder "
                "were set to different rates, or the file was relabelled; set both to the same rate and record again",
            ),
        ),
    )


def _not_found() -> RecordingFault:
    return RecordingFault(
        name="no sweep",
        sentence="neither the sweeps nor the tones are in channel 1: play the file that labkit wrote, unchanged, and "
        "connect channel 1 to the source node",
    )


def _cut_short(recording: Recording) -> RecordingFault:
    return RecordingFault(
        name="cut short",
        sentence=f"the recording ends too early ({recording.duration_s:.1f} s; a take lasts "
        f"{LENGTH_S['sweeps']:.1f} s): begin to record before you play, and stop after the last sweep",
    )


def _read_sweeps(recording: Recording, pulse: np.ndarray) -> TakeReading:
    rate = recording.rate
    places = arrivals(pulse[0], rate)
    if len(places) < len(LEVELS_DB) or places[-1] + SWEEP_S * rate > recording.samples.shape[1]:
        raise SpoiltTake(recording.name, (_cut_short(recording),))
    spectrum, bins_hz = spectra(pulse, rate, places)
    silence = _silence_before(places[0], rate)
    pauses = [(int(place + (SWEEP_S + 0.35) * rate), int(place + (SPACING_S - 0.05) * rate)) for place in places[:-1]]
    noise_db, hum_db, mains = _hum(recording.samples[1, silence[0] : silence[1]], rate)
    ratio = ratio_of_sweeps(spectrum, bins_hz, mains)
    middle = (bins_hz > 200) & (bins_hz < 8000)
    levels = [20 * math.log10(float(np.linalg.norm(part[0, middle]))) for part in spectrum]
    ppm, clock_faults = seen.clock(places, rate)
    clipped = seen.clipping(recording, [seen.third_harmonic_db(channel, rate, places) for channel in pulse])
    found = [
        *(clipped or seen.gain_moves([level - levels[0] for level in levels[1:]])),
        *clock_faults,
        *seen.in_the_silence(recording, silence, pauses),
        *seen.hum(hum_db, _rms_db(recording.samples[1, places[0] : places[0] + round(SWEEP_S * rate)])),
    ]
    return _reading(recording, "sweeps", ratio, noise_db, hum_db, ppm, found)


def _read_tones(recording: Recording) -> TakeReading:
    rate = recording.rate
    begin = tones_begin(recording.samples, rate)
    if recording.samples.shape[1] - begin < (TONES_S - 0.2) * rate:
        raise SpoiltTake(recording.name, (_not_found(),))
    lines, noise, offset = tone_lines(recording.samples, rate)
    if np.median(np.abs(lines[:, 0]) / np.maximum(noise[:, 0], 1e-30)) < TONE_OVER_NOISE:
        raise SpoiltTake(recording.name, (_not_found(),))
    noise_db, hum_db, _ = _hum(recording.samples[1, slice(*_silence_before(begin, rate))], rate)
    turned = lines[1, 0] / lines[0, 0]
    change_db = float(np.median(20 * np.log10(np.abs(turned))))
    low = np.array(tones_hz()) < LOW_TONES_HZ
    slope = np.polyfit(np.array(tones_hz())[low], np.unwrap(np.angle(turned[low])), 1)[0]
    jump = round(abs(float(slope)) / (2 * np.pi) * rate)
    found = seen.clipping(recording)
    if jump > seen.JUMP:
        found.append(seen.lost(jump))
    elif not found:
        found += seen.gain_moved(change_db)
    found += seen.drift(-offset * 1e6)
    return _reading(recording, "tones", ratio_of_tones(lines, noise), noise_db, hum_db, -offset * 1e6, found)


def _reading(
    recording: Recording,
    signal: Signal,
    ratio: ChannelRatio,
    noise_db: float,
    hum_db: float,
    ppm: float,
    found: list[RecordingFault],
) -> TakeReading:
    first, second = (20 * math.log10(max(float(np.abs(channel).max()), 1e-9)) for channel in recording.samples)
    return TakeReading(
        name=recording.name,
        signal=signal,
        ratio=ratio,
        peak_db=(first, second),
        noise_db=noise_db,
        hum_db=hum_db,
        clock_ppm=ppm,
        faults=tuple(found),
    )


def _silence_before(begin: int, rate: int) -> tuple[int, int]:
    end = max(begin - round(2 * FADE_IN_S * rate), 0)
    return max(end - round((SILENCE_S - 0.3) * rate), 0), end


def _hum(quiet: np.ndarray, rate: int) -> tuple[float, float, tuple[int, ...]]:
    """Return level of noise and of hum, dBFS, and the mains frequencies that stand out."""
    if quiet.size < 0.4 * rate:
        return -math.inf, -math.inf, MAINS_HZ
    window = np.hanning(quiet.size)
    power = np.abs(np.fft.rfft((quiet - quiet.mean()) * window)) ** 2 / (0.375 * quiet.size**2) * 2
    bin_hz = rate / quiet.size
    frequency = np.arange(power.size) * bin_hz
    heard, lines = [], 0.0
    for mains in MAINS_HZ:
        others = [other for other in MAINS_HZ if other != mains]
        total, over = 0.0, 0
        for harmonic in range(1, int(1300 / mains) + 1):
            hertz = harmonic * mains
            if min(abs(hertz - other * round(hertz / other)) for other in others) < 4 * bin_hz:
                continue
            line = power[np.abs(frequency - hertz) < 2 * bin_hz].sum()
            beside = power[(np.abs(frequency - hertz) > 4 * bin_hz) & (np.abs(frequency - hertz) < 8 * bin_hz)]
            total += line
            over += line > HUM_OVER_NOISE**2 * max(float(np.median(beside)), 1e-30)
        if over >= 2:
            heard.append(mains)
            lines += total

    return _decibel(float(power.sum())), _decibel(lines) if lines else -math.inf, tuple(heard)


def _decibel(power: float) -> float:
    return 10 * math.log10(max(power, 1e-20))


def _rms_db(samples: np.ndarray) -> float:
    return _decibel(float(np.mean(samples**2)))


def words_of(reading: TakeReading) -> str:
    """Return one line on a take that is usable, for people."""
    parts = [f"peaks {reading.peak_db[0]:.0f} and {reading.peak_db[1]:.0f} dBFS"]
    if math.isfinite(reading.noise_db):
        hum = f", of it hum {reading.hum_db:.0f}" if math.isfinite(reading.hum_db) else ", no hum"
        parts.append(f"silence {reading.noise_db:.0f} dBFS{hum}")
    parts += [fault.sentence for fault in reading.faults]
    return join_words(parts) if len(parts) < 3 else "; ".join(parts)
