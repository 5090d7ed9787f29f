"""Blind test: sealed, resumable, without tell-tales in names, sizes, levels or times; result repeatable."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from labkit.core.errors import InputError
from labkit.sound.blind.folder import ANSWERS, KEY, NOTE, RESULT, BlindFolder, wav_name, write_folder
from labkit.sound.blind.test import ROLES, BlindTest
from labkit.sound.files import Cancelled
from labkit.sound.loudness import integrated_loudness, match_loudness
from tests.sound.recordings import read_wav
from tests.sound.signals import RATE

RIGS = ("short cable", "long cable")


def sounds() -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(3)
    noise = random.standard_normal(RATE // 2)
    smooth = np.convolve(noise, np.ones(4) / 4, mode="same")
    matched = match_loudness({"a": noise, "b": smooth}, RATE).samples
    return matched["a"], matched["b"]


SOUNDS = sounds()


@pytest.fixture
def test_and_folder(tmp_path: Path) -> tuple[BlindTest, Path]:
    test = BlindTest.plan(RIGS, trials=6, seed=12345, details={"take": "noise"})
    write_folder(tmp_path / "test", test, SOUNDS, RATE)
    return test, tmp_path / "test"


def answer_all(folder: Path, test: BlindTest, right: int) -> BlindFolder:
    opened = BlindFolder(folder)
    for number, trial in enumerate(test.trials, start=1):
        wrong = "b" if trial.right == "a" else "a"
        opened.answer(number, trial.right if number <= right else wrong)
    return opened


def test_x_sounds_like_the_rig_the_key_names(test_and_folder: tuple[BlindTest, Path]) -> None:
    test, folder = test_and_folder
    for number, trial in enumerate(test.trials, start=1):
        for role in ROLES:
            heard = read_wav(folder / wav_name(number, role)).samples[0]
            errors = [float(np.max(np.abs(heard - sound))) for sound in SOUNDS]
            assert int(np.argmin(errors)) == trial.rig(role)
            assert min(errors) < 2**-21  # dither of one 24-bit step and rounding


def test_no_file_tells_its_rig_by_size_time_or_level(test_and_folder: tuple[BlindTest, Path]) -> None:
    _, folder = test_and_folder
    files = sorted(folder.glob("trial-*.wav"))
    assert len(files) == 18
    assert len({path.stat().st_size for path in files}) == 1
    assert len({path.stat().st_mtime_ns for path in folder.iterdir()}) == 1
    assert len({path.read_bytes()[:40] for path in files}) == 1
    levels = [integrated_loudness(read_wav(path).samples, RATE) for path in files]
    assert max(levels) - min(levels) < 0.1  # the promise of matching


def test_no_two_files_are_equal_byte_for_byte(test_and_folder: tuple[BlindTest, Path]) -> None:
    _, folder = test_and_folder
    assert len({path.read_bytes() for path in folder.glob("trial-*.wav")}) == 18


def test_nothing_readable_in_the_folder_names_the_assignment(test_and_folder: tuple[BlindTest, Path]) -> None:
    test, folder = test_and_folder
    for path in folder.iterdir():
        if path.suffix != ".wav":
            content = path.read_text(encoding="utf-8")
            assert test.nonce not in content
            assert str(test.seed) not in content
            assert '"right_answer"' not in content
            assert '"x"' not in content


def test_sealed_key_opens_only_with_its_fingerprint(test_and_folder: tuple[BlindTest, Path]) -> None:
    test, _ = test_and_folder
    assert BlindTest.unseal(test.sealed(), test.fingerprint) == test
    other = BlindTest.plan(RIGS, trials=6, seed=12346)
    with pytest.raises(InputError, match="fingerprint differs"):
        BlindTest.unseal(other.sealed(), test.fingerprint)
    for broken in ("", "hello", test.sealed()[:-40], test.sealed().replace("\n", "\n!", 2)):
        with pytest.raises(InputError, match="sealed key"):
            BlindTest.unseal(broken, test.fingerprint)


def test_same_plan_with_another_nonce_has_another_fingerprint() -> None:
    one, other = (BlindTest.plan(RIGS, trials=6, seed=1) for _ in range(2))
    assert one.trials == other.trials
    assert one.fingerprint != other.fingerprint


def test_plans_without_a_seed_differ() -> None:
    assert BlindTest.plan(RIGS, trials=40).trials != BlindTest.plan(RIGS, trials=40).trials


def test_test_can_be_left_and_resumed(test_and_folder: tuple[BlindTest, Path]) -> None:
    test, folder = test_and_folder
    BlindFolder(folder).answer(1, test.trials[0].right)
    BlindFolder(folder).answer(3, "cannot tell")
    resumed = BlindFolder(folder)
    assert resumed.next_trial() == 2
    assert resumed.answers() == {1: test.trials[0].right, 3: "cannot tell"}


def test_result_holds_everything_to_repeat_the_test(test_and_folder: tuple[BlindTest, Path]) -> None:
    test, folder = test_and_folder
    result = answer_all(folder, test, right=6).finish()
    assert result == json.loads((folder / RESULT).read_text(encoding="utf-8"))
    assert result["score"]["correct"] == 6
    assert result["score"]["p_value"] == 1 / 64
    assert result["told_apart"]
    again = BlindTest.plan(RIGS, trials=6, seed=result["key"]["seed"])
    assert again.trials == test.trials
    assert result["key"]["details"] == {"take": "noise"}
    first = test.sound(1, "x", SOUNDS, RATE)
    assert first == again.sound(1, "x", SOUNDS, RATE) == (folder / wav_name(1, "x")).read_bytes()


def test_a_guess_gives_no_claim(test_and_folder: tuple[BlindTest, Path]) -> None:
    test, folder = test_and_folder
    result = answer_all(folder, test, right=3).finish()
    assert not result["told_apart"]
    assert "Could not tell" in result["meaning"]


def test_result_opens_only_after_the_last_answer_or_when_ended_early(test_and_folder: tuple[BlindTest, Path]) -> None:
    test, folder = test_and_folder
    opened = BlindFolder(folder)
    with pytest.raises(InputError, match="no trial"):
        opened.finish(early=True)
    opened.answer(1, test.trials[0].right)
    with pytest.raises(InputError, match="5 of 6 trials are unanswered"):
        opened.finish()
    assert not (folder / RESULT).exists()
    assert "ended after 1 of 6" in opened.finish(early=True)["meaning"]


def test_answers_are_closed_once_the_result_is_open(test_and_folder: tuple[BlindTest, Path]) -> None:
    test, folder = test_and_folder
    opened = answer_all(folder, test, right=2)
    first = opened.finish()
    with pytest.raises(InputError, match="already open"):
        opened.answer(1, "a")
    assert opened.finish() == first


def test_an_exchanged_key_is_noticed(test_and_folder: tuple[BlindTest, Path]) -> None:
    test, folder = test_and_folder
    opened = answer_all(folder, test, right=2)
    (folder / KEY).write_text(BlindTest.plan(RIGS, trials=6, seed=5).sealed())
    with pytest.raises(InputError, match="fingerprint differs"):
        opened.finish()
    assert not (folder / RESULT).exists()


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        (NOTE, "{", "not readable as JSON"),
        (NOTE, "[]", "an object is due"),
        (NOTE, "{}", "is damaged"),
        (NOTE, '{"format": 9}', "format must be 1"),
        (ANSWERS, "{}", "list of answers"),
        (ANSWERS, '{"answers": [{"trial": 77, "answer": "a"}]}', "list of answers"),
        (ANSWERS, '{"answers": [{"trial": 1, "answer": "q"}]}', "list of answers"),
        (KEY, "junk", "sealed key is damaged"),
    ],
)
def test_damaged_files_are_named(
    test_and_folder: tuple[BlindTest, Path], name: str, content: str, message: str
) -> None:
    test, folder = test_and_folder
    answer_all(folder, test, right=1)
    (folder / name).write_text(content)
    with pytest.raises(InputError, match=message):
        BlindFolder(folder).finish()


def test_cancelling_leaves_no_folder(tmp_path: Path) -> None:
    def stop(fraction: float) -> None:
        if fraction > 0.4:
            raise Cancelled("stopped")

    with pytest.raises(Cancelled):
        write_folder(tmp_path / "test", BlindTest.plan(RIGS, trials=6), SOUNDS, RATE, progress=stop)
    assert list(tmp_path.iterdir()) == []


def test_an_existing_folder_is_never_touched(tmp_path: Path) -> None:
    (tmp_path / "test").mkdir()
    with pytest.raises(InputError, match="exists already"):
        write_folder(tmp_path / "test", BlindTest.plan(RIGS, trials=2), SOUNDS, RATE)
    with pytest.raises(InputError, match="holds no blind test"):
        BlindFolder(tmp_path / "test")


def test_sounds_of_two_lengths_and_unknown_roles_are_refused() -> None:
    test = BlindTest.plan(RIGS, trials=2)
    with pytest.raises(InputError, match="one length"):
        test.sound(1, "x", (SOUNDS[0], SOUNDS[1][:-1]), RATE)
    with pytest.raises(InputError, match="a, b and x"):
        test.sound(3, "x", SOUNDS, RATE)
