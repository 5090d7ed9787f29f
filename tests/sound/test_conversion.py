"""Conversion: a take through rig A, converted to B, is the take through B; files whole or absent; no delay."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from labkit.core.errors import InputError
from labkit.core.wav import write_wav
from labkit.pickup.predict.built import load_built
from labkit.rig.sheet import load_rig, set_value
from labkit.sound.convert.conversion import convert_file, convert_samples
from labkit.sound.convert.difference import BAND_ERROR_DB, Difference
from labkit.sound.files import Cancelled
from labkit.sound.loudness import peak_db
from labkit.sound.render.rendering import Renderer
from labkit.sound.render.rig_sound import coil_transfers, mixing_warnings, rig_difference, take_for
from labkit.sound.take.sheet import load_take
from tests.sound.recordings import read_wav
from tests.sound.signals import RATE, resonance, spectral_difference_db

SINGLE = load_rig("Saltmarsh Lane, narrow single coil")
PAIR = load_rig("Saltmarsh Lane, two pickups")


def changed(rig, *changes: str):
    for change in changes:
        rig = set_value(rig, *change.split("="))
    return rig


PAIRS = {
    "a longer cable": (SINGLE, changed(SINGLE, "cable.length=15m")),
    "a shorter cable": (changed(SINGLE, "cable.length=15m"), changed(SINGLE, "cable.length=1m")),
    "tone from open to closed": (SINGLE, changed(SINGLE, "tone=0")),
    "tone from closed to open": (changed(SINGLE, "tone=0"), SINGLE),
    "volume backed off": (SINGLE, changed(SINGLE, "volume=4")),
    "another pickup in the same place": (
        changed(SINGLE, "bridge=narrow single coil, reversed", "cable.length=3m"),
        changed(SINGLE, "tone_capacitor=47n", "tone=3"),
    ),
}


@pytest.mark.parametrize("pair", PAIRS)
def test_converted_sound_is_that_of_the_other_rig(pair: str) -> None:
    before, after = PAIRS[pair]
    take = take_for(before, load_take("E chord"))
    renderer = Renderer(take)
    recorded, wanted = (renderer.render(coil_transfers(rig, take.coils)) for rig in (before, after))
    difference = rig_difference(before, after)
    converted = convert_samples(recorded, RATE, difference)
    low, high = difference.band(0.45 * RATE)
    # 0.3 dB is the promise; 0.2 of it belong to the bending of the boost at the end of the stated band.
    assert spectral_difference_db(converted, wanted, RATE, (max(low, 70.0), high)) < 0.3
    assert low < 80
    # Tone at 0 through 22 nF leaves less than 24 dB can bring back from about 2 kHz on; the others reach the peak.
    assert high > (1500 if before.settings["tone"] == 0 else 3500)


def under_a_built_pickup(**changes: str):
    built = load_built("narrow single coil, built", {name.replace("_", "."): value for name, value in changes.items()})
    return SINGLE.replace(pickups={"bridge": replace(built.pickup, made_from=built.build)})


def test_a_cover_takes_from_a_recording_what_it_takes_from_a_rendered_take() -> None:
    bare = under_a_built_pickup()
    covered = under_a_built_pickup(cover_metal="brass", cover_thickness="0.4 mm", cover_gap="1 mm")
    takes = [take_for(rig, load_take("E chord")) for rig in (bare, covered)]
    recorded, wanted = (
        Renderer(take).render(coil_transfers(rig, take.coils)) for rig, take in zip((bare, covered), takes)
    )
    converted = convert_samples(recorded, RATE, rig_difference(bare, covered))
    # what is promised of equal sounds; the electrical response alone leaves out 2.4 dB near 7 kHz
    assert spectral_difference_db(converted, wanted, RATE, (70.0, 10_000.0)) < 0.1


def test_sixteen_bits_are_enough_inside_the_band_for_a_dull_recording(tmp_path: Path) -> None:
    before, after = PAIRS["tone from closed to open"]
    take = take_for(before, load_take("E chord"))
    renderer = Renderer(take)
    recorded, wanted = (renderer.render(coil_transfers(rig, take.coils)) for rig in (before, after))
    scale = 10 ** ((-6 - peak_db(recorded)) / 20)
    write_wav(tmp_path / "dull.wav", recorded * scale, RATE, sample_format="PCM_16")
    difference = rig_difference(before, after)
    convert_file(tmp_path / "dull.wav", tmp_path / "open.wav", difference, target_lufs=None, sample_format="FLOAT")
    converted = read_wav(tmp_path / "open.wav").samples[0] / scale
    level = np.linalg.norm(converted) / np.linalg.norm(wanted)  # the file may have been lowered for headroom
    band = (70.0, difference.band(0.45 * RATE)[1])
    # −40 dB of the highest line: below it, the steps of 16 bits show.
    assert spectral_difference_db(converted / level, wanted, RATE, band, floor_db=-40) < 0.4


def test_the_stated_band_is_where_the_limit_bends_the_curve_by_less_than_stated() -> None:
    difference = Difference(before=resonance(1500, 0.7), after=resonance(6000, 2), greatest_boost_db=18)
    low, high = difference.band()
    grid = np.geomspace(low, high, 400)
    bent = 20 * np.log10(np.abs(difference.exact(grid) / difference.limited(grid)))
    assert bent.min() >= 0
    assert bent.max() < BAND_ERROR_DB
    beyond = np.array([high * 1.02])
    assert 20 * np.log10(np.abs(difference.exact(beyond) / difference.limited(beyond))) > 0.9 * BAND_ERROR_DB


@pytest.mark.parametrize("boost", [6.0, 24.0, 40.0])
def test_boost_never_passes_its_limit(boost: float) -> None:
    difference = Difference(before=resonance(800, 0.7), after=resonance(6000, 3), greatest_boost_db=boost)
    grid = np.geomspace(1, 200_000, 2000)
    over = 20 * np.log10(np.abs(difference.limited(grid))) - difference.level_db
    assert over.max() <= boost + 1e-9
    assert difference.boost_db() <= boost + 1e-9


def test_a_notch_in_the_recorded_rig_gives_a_limited_boost_and_no_infinity() -> None:
    def notch(f: np.ndarray) -> np.ndarray:
        x = np.asarray(f) / 2000.0
        return (1 - x**2) / (1 - x**2 + 1j * x)

    difference = Difference(before=notch, after=lambda f: np.ones(np.shape(f), dtype=complex))
    at = difference.limited(np.array([1999.0, 2000.0, 2001.0]))
    assert np.all(np.isfinite(at))
    assert difference.band()[1] < 2000


def test_the_same_rig_twice_changes_nothing() -> None:
    random = np.random.default_rng(8)
    sound = random.standard_normal(3 * RATE) * np.hanning(3 * RATE)
    got = convert_samples(sound, RATE, Difference(before=resonance(3000, 2), after=resonance(3000, 2)))
    # The limit takes (1/16)⁴-like parts: 24 dB of room bend 0 dB by 4e-6 of the gain.
    assert np.max(np.abs(got - sound)) < 1e-4 * np.max(np.abs(sound))


def test_conversion_has_no_delay() -> None:
    sound = np.zeros(RATE)
    sound[RATE // 2] = 1.0
    got = convert_samples(sound, RATE, Difference(before=resonance(3000, 1.0), after=resonance(4500, 1.5)))
    crest = int(np.argmax(np.abs(got)))
    assert abs(crest - RATE // 2) <= 2  # the wanted rig itself rings for a few samples


@pytest.mark.parametrize("rate", [8000, 44_100, 96_000])
def test_other_rates_convert_as_well(rate: int) -> None:
    random = np.random.default_rng(9)
    sound = random.standard_normal(rate) * np.hanning(rate)
    before, after = resonance(2500, 1.5), resonance(3500, 2.5)
    got = convert_samples(sound, rate, Difference(before=before, after=after))
    frequency = np.fft.rfftfreq(rate, 1 / rate)[1:]
    expected = np.fft.irfft(np.concatenate([[0], np.fft.rfft(sound)[1:] * after(frequency) / before(frequency)]), rate)
    assert spectral_difference_db(got, expected, rate, (100.0, 0.4 * rate)) < 0.05  # two FFT lengths of one quotient


def test_long_stereo_recording_in_blocks_equals_the_whole(tmp_path: Path) -> None:
    random = np.random.default_rng(10)
    rate, seconds = 8000, 25
    sound = 0.1 * random.standard_normal((2, seconds * rate))
    write_wav(tmp_path / "in.wav", sound, rate, sample_format="FLOAT")
    difference = Difference(before=resonance(1500, 1.5), after=resonance(2200, 2))
    seen: list[float] = []
    done = convert_file(
        tmp_path / "in.wav",
        tmp_path / "out.wav",
        difference,
        target_lufs=-30,
        sample_format="FLOAT",
        progress=seen.append,
    )
    back = read_wav(tmp_path / "out.wav").samples
    assert back.shape == sound.shape
    expected = convert_samples(sound, rate, difference) * 10 ** (done.gain_db / 20)
    assert np.max(np.abs(back - expected)) < 1e-6  # 32-bit floats twice
    assert seen == sorted(seen)
    assert seen[-1] == pytest.approx(1.0)
    assert done.after_lufs is not None
    assert done.after_lufs + done.gain_db == pytest.approx(-30, abs=0.1)


def test_the_result_never_clips(tmp_path: Path) -> None:
    sound = 0.9 * np.sin(2 * np.pi * 3000 * np.arange(RATE) / RATE)
    write_wav(tmp_path / "in.wav", sound, RATE)
    difference = Difference(before=lambda f: np.ones(np.shape(f), dtype=complex), after=resonance(3000, 4))
    done = convert_file(tmp_path / "in.wav", tmp_path / "out.wav", difference, target_lufs=None)
    assert done.headroom_db >= 1.5 - 1e-9
    assert peak_db(read_wav(tmp_path / "out.wav").samples) == pytest.approx(-done.headroom_db, abs=0.01)


def test_cancelling_leaves_nothing_behind(tmp_path: Path) -> None:
    write_wav(tmp_path / "in.wav", np.random.default_rng(1).uniform(-0.5, 0.5, 20 * 8000), 8000)

    def stop(fraction: float) -> None:
        if fraction > 0.3:
            raise Cancelled("stopped")

    difference = Difference(before=resonance(1500, 1.5), after=resonance(2200, 2))
    with pytest.raises(Cancelled):
        convert_file(tmp_path / "in.wav", tmp_path / "out.wav", difference, progress=stop)
    assert [path.name for path in tmp_path.iterdir()] == ["in.wav"]


def test_a_fault_late_in_the_file_leaves_nothing_behind(tmp_path: Path) -> None:
    sound = np.random.default_rng(1).uniform(-0.5, 0.5, 20 * 8000)
    sound[-5] = np.nan
    soundfile.write(tmp_path / "in.wav", sound, 8000, subtype="FLOAT")
    difference = Difference(before=resonance(1500, 1.5), after=resonance(2200, 2))
    with pytest.raises(InputError, match="not a number"):
        convert_file(tmp_path / "in.wav", tmp_path / "out.wav", difference)
    assert [path.name for path in tmp_path.iterdir()] == ["in.wav"]


def test_a_clipped_recording_is_called_one(tmp_path: Path) -> None:
    sound = np.clip(3 * np.sin(2 * np.pi * 200 * np.arange(RATE) / RATE), -1, 1 - 2**-23)
    write_wav(tmp_path / "in.wav", sound, RATE)
    difference = Difference(before=resonance(3000, 1.5), after=resonance(4000, 2))
    done = convert_file(tmp_path / "in.wav", tmp_path / "out.wav", difference)
    assert any("clipped" in warning for warning in done.warnings)


@pytest.mark.parametrize("samples", [1, 100, 3000])
def test_very_short_and_silent_recordings_are_converted_without_a_loudness(tmp_path: Path, samples: int) -> None:
    write_wav(tmp_path / "in.wav", np.zeros(samples), RATE)
    difference = Difference(before=resonance(3000, 1.5), after=resonance(4000, 2))
    done = convert_file(tmp_path / "in.wav", tmp_path / "out.wav", difference)
    assert done.before_lufs is None
    assert done.warnings
    assert read_wav(tmp_path / "out.wav").samples.shape == (1, samples)


def test_the_recording_itself_is_never_overwritten(tmp_path: Path) -> None:
    write_wav(tmp_path / "in.wav", np.zeros(9000), RATE)
    difference = Difference(before=resonance(3000, 1.5), after=resonance(4000, 2))
    with pytest.raises(InputError, match="overwrite the recording"):
        convert_file(tmp_path / "in.wav", tmp_path / "in.wav", difference, force=True)


def test_a_rig_that_passes_nothing_cannot_be_compared() -> None:
    silent = changed(SINGLE, "volume=0")
    with pytest.raises(InputError, match="passes no sound"):
        rig_difference(silent, SINGLE)


def test_a_change_of_pickup_or_of_mixture_is_warned_of() -> None:
    bridge, neck, both = (PAIR.replace(settings={"selector": name}) for name in ("bridge", "neck", "both"))
    assert mixing_warnings(bridge, changed(bridge, "cable.length=12m")) == ()
    assert "keeps the place" in mixing_warnings(bridge, neck)[0]
    assert mixing_warnings(both, bridge)
    one, other = (
        changed(bridge, f"bridge={name}") for name in ("narrow single coil, built", "staggered single coil, built")
    )
    said = " ".join(mixing_warnings(one, other))
    assert "balance the strings differently" in said
