"""Loudness against the published reference signals and against the printed filter coefficients."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.core.errors import InputError
from labkit.sound.loudness import (
    LEAST_HEADROOM_DB,
    LoudnessMeter,
    integrated_loudness,
    match_loudness,
    peak_db,
    true_peak_db,
)
from tests.sound.signals import RATE, k_weighted_loudness

TOLERANCE_LU = 0.1
"""EBU Tech 3341 and Report ITU-R BS.2217 allow a meter 0.1 LU."""


def sine(level_dbfs: float, seconds: float, frequency_hz: float = 1000.0, rate: int = RATE) -> np.ndarray:
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * frequency_hz * np.arange(round(seconds * rate)) / rate)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_full_scale_sine_reads_minus_3_01(rate: int) -> None:
    # Rec. ITU-R BS.1770-5, Annex 1: 0 dBFS, 997 Hz, one channel.
    assert integrated_loudness(sine(0, 5, 997, rate), rate) == pytest.approx(-3.01, abs=0.005)  # as printed


@pytest.mark.parametrize(
    ("segments", "expected"),
    [
        ([(-23, 20)], -23.0),
        ([(-33, 20)], -33.0),
        ([(-36, 10), (-23, 60), (-36, 10)], -23.0),
        ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0),
        ([(-26, 20), (-20, 20.1), (-26, 20)], -23.0),
    ],
)
def test_minimum_requirement_signals_read_as_published(segments: list[tuple[float, float]], expected: float) -> None:
    # EBU Tech 3341 (2023), Table 1, cases 1 to 5: stereo 1 kHz in phase, peak level per channel.
    mono = np.concatenate([sine(level, seconds) for level, seconds in segments])
    assert integrated_loudness(np.stack([mono, mono]), RATE) == pytest.approx(expected, abs=TOLERANCE_LU)


def test_five_channel_signal_reads_as_published() -> None:
    # EBU Tech 3341 (2023), Table 1, case 6: L, R −28; C −24; Ls, Rs −30 dBFS for 20 s.
    rows = np.stack([sine(level, 20) for level in (-28, -28, -24, -30, -30)])
    assert integrated_loudness(rows, RATE) == pytest.approx(-23.0, abs=TOLERANCE_LU)


@pytest.mark.parametrize("slope", [0.0, -0.5, -1.0])
def test_noise_reads_as_with_the_printed_coefficients(slope: float) -> None:
    random = np.random.default_rng(2)
    spectrum = np.fft.rfft(random.standard_normal(6 * RATE))
    spectrum[1:] *= np.arange(1, spectrum.size) ** slope
    spectrum[0] = 0
    noise = np.fft.irfft(spectrum)
    noise *= 0.1 / np.std(noise)
    # Tables 1 and 2 of BS.1770-5, applied as filters in the tests: the same but for rounding.
    assert integrated_loudness(noise, RATE) == pytest.approx(k_weighted_loudness(noise), abs=1e-6)


def test_a_long_sound_measured_in_pieces_reads_like_the_whole() -> None:
    random = np.random.default_rng(3)
    envelope = np.interp(np.arange(45 * RATE), np.linspace(0, 45 * RATE, 9), random.uniform(0.01, 1.0, 9))
    sound = 0.3 * envelope * random.standard_normal(envelope.size)
    whole = k_weighted_loudness(sound)
    pieces = LoudnessMeter(RATE)
    for start in range(0, sound.size, 133_333):
        pieces.push(sound[None, start : start + 133_333])
    # Pieces differ only by what the filters remember from more than a second before.
    assert pieces.loudness() == pytest.approx(whole, abs=1e-6)
    assert integrated_loudness(sound, RATE) == pytest.approx(whole, abs=1e-6)


@pytest.mark.parametrize("rate", [22_050, 44_100, 96_000])
def test_a_tone_reads_the_same_at_every_rate(rate: int) -> None:
    # BS.1770-5: at another rate the filters give the response that the printed ones give at 48 kHz.
    for frequency in (40, 997, 7000):
        read = integrated_loudness(sine(-10, 3, frequency, rate), rate)
        assert read == pytest.approx(integrated_loudness(sine(-10, 3, frequency), RATE), abs=1e-3)


def test_matched_sounds_are_equally_loud_by_an_independent_meter() -> None:
    random = np.random.default_rng(4)
    spectrum = np.fft.rfft(random.standard_normal(4 * RATE))
    spectrum[1:] /= np.sqrt(np.arange(1, spectrum.size))
    dull = np.fft.irfft(spectrum)
    bright = np.diff(random.standard_normal(4 * RATE + 1)) * 0.02
    matched = match_loudness({"dull": dull, "bright": bright}, RATE)
    readings = [k_weighted_loudness(sound) for sound in matched.samples.values()]
    # ±0.1 dB is the promise, −23 LUFS the stated level.
    assert readings[0] == pytest.approx(readings[1], abs=0.1)
    assert readings[0] == pytest.approx(-23.0, abs=0.1)


def test_true_difference_is_reported_and_can_be_kept() -> None:
    loud, soft = sine(-10, 2), sine(-16, 2)
    matched = match_loudness({"loud": loud, "soft": soft}, RATE)
    assert matched.difference_db("loud", "soft") == pytest.approx(6.0, abs=1e-6)  # same wave, so exact
    kept = match_loudness({"loud": loud, "soft": soft}, RATE, keep_difference=True)
    assert peak_db(kept.samples["loud"]) - peak_db(kept.samples["soft"]) == pytest.approx(6.0, abs=1e-9)


def test_nothing_clips_however_loud_the_wish() -> None:
    random = np.random.default_rng(6)
    spiky = 0.01 * random.standard_normal(2 * RATE)
    spiky[RATE] = 1.0
    even = sine(-20, 2)
    matched = match_loudness({"spiky": spiky, "even": even}, RATE, target_lufs=-10)
    assert min(matched.headroom_db.values()) == pytest.approx(LEAST_HEADROOM_DB, abs=1e-9)
    assert matched.target_lufs < -10
    readings = [integrated_loudness(sound, RATE) for sound in matched.samples.values()]
    assert readings[0] == pytest.approx(readings[1], abs=0.1)  # lowered alike, still matched


def test_a_faint_sound_is_matched_in_spite_of_the_absolute_gate() -> None:
    # −95 dBFS lies below the gate at −70 LUFS; a rig with the volume nearly off still has to be comparable.
    matched = match_loudness({"faint": sine(-95, 1), "usual": sine(-20, 1)}, RATE)
    assert matched.difference_db("usual", "faint") == pytest.approx(75.0, abs=1e-6)


def test_true_peak_finds_what_lies_between_the_samples() -> None:
    # A sine at a quarter of the rate sampled 45° off its crest: samples read −3.01 dB, the wave 0 dB.
    wave = np.sin(np.pi / 2 * np.arange(4000) + np.pi / 4)
    assert peak_db(wave) == pytest.approx(-3.0103, abs=1e-4)
    assert true_peak_db(wave) == pytest.approx(0.0, abs=0.05)  # 4 × oversampling lands within 11° of the crest


@pytest.mark.parametrize(
    ("sounds", "message"),
    [
        ({"a": np.zeros(RATE)}, "silent"),
        ({"a": sine(-20, 0.2)}, "length of the sound must be 400 ms or more"),
        ({"a": np.zeros(0)}, "silent"),
    ],
)
def test_what_cannot_be_matched_is_refused_in_words(sounds: dict[str, np.ndarray], message: str) -> None:
    with pytest.raises(InputError, match=message):
        match_loudness(sounds, RATE)


def test_a_target_that_would_hurt_is_refused() -> None:
    with pytest.raises(InputError, match="between -60 dB and -6 dB"):
        match_loudness({"a": sine(-20, 1)}, RATE, target_lufs=0)
