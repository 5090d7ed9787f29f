"""WAV files: round trips, and one clear sentence for everything that can be wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from labkit.core.errors import InputError
from labkit.core.wav import clipped_places, wav_info, write_wav
from labkit.sound.files import whole_file, whole_folder
from tests.sound.recordings import read_wav

RATE = 8000


def tone(seconds: float = 0.5) -> np.ndarray:
    return 0.5 * np.sin(2 * np.pi * 440 * np.arange(int(seconds * RATE)) / RATE)


@pytest.mark.parametrize(
    ("sample_format", "step"), [("PCM_16", 2**-15), ("PCM_24", 2**-23), ("PCM_32", 2**-31), ("FLOAT", 2**-24)]
)
@pytest.mark.parametrize("channels", [1, 2])
def test_samples_survive_the_round_trip(tmp_path: Path, sample_format: str, step: float, channels: int) -> None:
    sound = np.stack([tone(), -0.5 * tone()])[:channels]
    write_wav(tmp_path / "a.wav", sound, RATE, sample_format=sample_format)  # type: ignore[arg-type]
    back = read_wav(tmp_path / "a.wav")
    assert back.rate == RATE
    assert np.max(np.abs(back.samples - sound)) <= step  # one step of the format


@pytest.mark.parametrize("sample_format", ["PCM_16", "PCM_24", "PCM_32"])
def test_whole_numbers_are_written_as_the_sound_library_writes_them(tmp_path: Path, sample_format: str) -> None:
    sound = np.stack([np.random.default_rng(5).uniform(-1, 1, 4000), np.linspace(-1, 1, 4000)])
    write_wav(tmp_path / "own.wav", sound, RATE, sample_format=sample_format)  # type: ignore[arg-type]
    soundfile.write(tmp_path / "its.wav", sound.T, RATE, subtype=sample_format)
    own, its = (soundfile.read(tmp_path / name, dtype="int32")[0] for name in ("own.wav", "its.wav"))
    np.testing.assert_array_equal(own, its)


@pytest.mark.parametrize("name", ["a.flac", "a.wav"])
def test_a_file_tells_what_it_is_by_its_tags(tmp_path: Path, name: str) -> None:
    tags = {"title": "bridge → neck", "comment": "gain +3.00 dB", "software": "labkit"}
    write_wav(tmp_path / name, tone(), RATE, sample_format="PCM_24", tags=tags)
    with soundfile.SoundFile(tmp_path / name) as found:
        assert found.format == name[2:].upper()
        assert (found.title, found.comment) == (tags["title"], tags["comment"])
        assert found.software.startswith("labkit")
        np.testing.assert_allclose(found.read(), tone(), atol=2**-23)  # one step of 24 bit


def test_flac_refuses_samples_that_it_cannot_hold(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"FLAC holds samples of 16 or 24 bit, not 32-bit float ones.*a\.wav"):
        write_wav(tmp_path / "a.flac", tone(), RATE, sample_format="FLOAT")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("rate", [8000, 11_025, 22_050, 44_100, 48_000, 88_200, 96_000, 192_000])
def test_common_rates_are_read(tmp_path: Path, rate: int) -> None:
    soundfile.write(tmp_path / "a.wav", tone(), rate, subtype="PCM_16")
    assert wav_info(tmp_path / "a.wav").rate == rate


def test_a_sound_that_would_clip_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"would clip by 6\.0 dB"):
        write_wav(tmp_path / "a.wav", 4 * tone(), RATE)
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_overwritten_unasked(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"precious")
    with pytest.raises(InputError, match="--force"):
        write_wav(path, tone(), RATE)
    assert path.read_bytes() == b"precious"
    write_wav(path, tone(), RATE, force=True)
    assert wav_info(path).frames == tone().size


def empty(path: Path) -> None:
    path.write_bytes(b"")


def text(path: Path) -> None:
    path.write_text("this is not a sound\n" * 50)


def cut_header(path: Path) -> None:
    soundfile.write(path, tone(), RATE, format="WAV")
    path.write_bytes(path.read_bytes()[:20])


def cut_data(path: Path) -> None:
    soundfile.write(path, tone(), RATE, format="WAV")
    path.write_bytes(path.read_bytes()[:-3000])


def garbled(path: Path) -> None:
    soundfile.write(path, tone(), RATE, format="WAV")
    data = bytearray(path.read_bytes())
    data[8:40] = bytes(range(32))
    path.write_bytes(bytes(data))


def no_samples(path: Path) -> None:
    soundfile.write(path, np.zeros(0), RATE, format="WAV")


def eight_channels(path: Path) -> None:
    soundfile.write(path, np.stack([tone()] * 8, axis=1), RATE, format="WAV")


def with_nan(path: Path) -> None:
    sound = tone()
    sound[1234] = np.nan
    soundfile.write(path, sound, RATE, subtype="FLOAT", format="WAV")


def with_infinity(path: Path) -> None:
    sound = tone()
    sound[0] = np.inf
    soundfile.write(path, sound, RATE, subtype="DOUBLE", format="WAV")


def too_long(path: Path) -> None:
    soundfile.write(path, np.zeros(601 * RATE, dtype=np.int16), RATE, format="WAV")


def another_kind(path: Path) -> None:
    soundfile.write(path, tone(), RATE, format="AIFF", subtype="PCM_16")


def eight_bit(path: Path) -> None:
    soundfile.write(path, tone(), RATE, format="WAV", subtype="PCM_U8")


def slow_rate(path: Path) -> None:
    soundfile.write(path, tone(), 4000, format="WAV")


def folder(path: Path) -> None:
    path.mkdir()


def absent(path: Path) -> None:
    pass


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (empty, "empty"),
        (text, "not a readable WAV"),
        (cut_header, "not a readable WAV|breaks off"),
        (cut_data, "breaks off"),
        (garbled, "not a readable WAV"),
        (no_samples, "no samples"),
        (eight_channels, "8 channels"),
        (with_nan, "not a number at 0.1542 s"),
        (with_infinity, "not a number at 0.0000 s"),
        (too_long, "10.0 minutes long"),
        (another_kind, "AIFF file; convert it to WAV or FLAC"),
        (eight_bit, "16, 24 and 32 bit"),
        (slow_rate, "4000 Hz"),
        (folder, "is a folder"),
        (absent, "there is no file"),
    ],
)
def test_a_bad_wav_gets_one_clear_sentence(tmp_path: Path, make, message: str) -> None:
    path = tmp_path / "take.wav"
    make(path)
    with pytest.raises(InputError, match=message) as caught:
        read_wav(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_flac_is_read_as_it_was_written(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.flac", tone(), RATE, format="FLAC", subtype="PCM_24")
    np.testing.assert_allclose(read_wav(tmp_path / "a.flac").samples[0], tone(), atol=2**-23)


def test_clipped_places_are_counted_by_run() -> None:
    sound = tone()
    assert clipped_places(sound[None]) == 0
    assert clipped_places(np.clip(3 * sound, -1, 1)[None]) > 10
    quiet = np.clip(3 * sound, -1, 1) * 0.01
    assert clipped_places(quiet[None]) == 0  # a quiet flat top is no sign of a full converter


def break_off_a_file(path: Path) -> None:
    with whole_file(path) as part:
        part.write_bytes(b"half")
        raise RuntimeError


def break_off_a_folder(path: Path) -> None:
    with whole_folder(path) as part:
        (part / "half").write_bytes(b"half")
        raise KeyboardInterrupt


def test_a_failed_write_leaves_no_file_and_no_folder(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError):
        break_off_a_file(tmp_path / "a.wav")
    with pytest.raises(KeyboardInterrupt):
        break_off_a_folder(tmp_path / "test")
    assert list(tmp_path.iterdir()) == []


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist"), whole_file(tmp_path / "nowhere" / "a.wav"):
        pass
