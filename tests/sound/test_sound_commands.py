"""The commands of sound, run as a user runs them: files, numbers, exit codes and one line for every mistake."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from labkit.cli.main import main
from labkit.rig.sheet import load_rig, set_value
from labkit.sound.loudness import integrated_loudness
from tests.sound.recordings import read_wav

RIG = "Saltmarsh Lane, narrow single coil"
PAIR = "Saltmarsh Lane, two pickups"


@pytest.fixture(autouse=True)
def in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    assert main(list(arguments)) == code
    captured = capsys.readouterr()
    if code == 2:
        assert captured.err.count("\n") == 1
        assert "Traceback" not in captured.err
        return captured.err
    return captured.out


def run_json(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict:
    return json.loads(run(capsys, *arguments, "--json"))


def test_render_writes_the_take_at_the_stated_loudness_with_a_caution(capsys: pytest.CaptureFixture[str]) -> None:
    data = run_json(capsys, "render", RIG, "--output", "a.wav")
    sound = read_wav(Path("a.wav"))
    assert sound.rate == 48_000
    assert sound.samples.shape == (1, 4 * 48_000)
    assert integrated_loudness(sound.samples, 48_000) == pytest.approx(-23.0, abs=0.1)
    assert data["loudness_lufs"] == pytest.approx(-23.0, abs=0.1)
    assert data["headroom_db"] > 1.5
    assert "hearing" in data["caution"]
    assert "not measured" in data["not_modelled"]
    assert data["take"]["seed"] == 1


def test_render_repeats_byte_for_byte_and_obeys_its_options(capsys: pytest.CaptureFixture[str]) -> None:
    common = ("render", RIG, "--take", "low note", "--rate", "44100", "--bits", "16")
    for name in ("a.wav", "b.wav"):
        run(capsys, *common, "--output", name)
    run(capsys, *common, "--place", "bridge=90mm", "--output", "c.wav")
    assert Path("a.wav").read_bytes() == Path("b.wav").read_bytes()
    assert Path("a.wav").read_bytes() != Path("c.wav").read_bytes()
    assert soundfile.info("a.wav").subtype == "PCM_16"
    assert soundfile.info("a.wav").samplerate == 44_100


def test_render_states_the_true_difference_and_can_keep_it(capsys: pytest.CaptureFixture[str]) -> None:
    against = ("--set", "volume=5", "--against", RIG, "--output", "soft.wav")
    matched = run_json(capsys, "render", RIG, *against)
    true = run_json(capsys, "render", RIG, *against, "--true-level", "--force")
    # Volume at 5 of a 10 % taper: a fifth to a tenth of the voltage.
    assert -22 < matched["difference_db"] < -18
    assert matched["loudness_lufs"] == pytest.approx(-23.0, abs=0.1)
    assert true["loudness_lufs"] == pytest.approx(-23.0 + matched["difference_db"], abs=0.1)


def test_a_stated_pickup_level_moves_the_true_difference(capsys: pytest.CaptureFixture[str]) -> None:
    neck = ("render", PAIR, "--set", "selector=neck", "--against", PAIR, "--force", "--output", "a.wav")
    plain = run_json(capsys, *neck)["difference_db"]
    stated = run_json(capsys, *neck, "--level", "neck=-4 dB")["difference_db"]
    # What the silent pickup lets through is 100 dB down, so the 4 dB arrive whole.
    assert stated - plain == pytest.approx(-4.0, abs=0.01)


def test_convert_brings_back_the_other_rig(capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, "render", RIG, "--set", "cable.length=12m", "--output", "long.wav")
    pair = ("--from", RIG, "--set-from", "cable.length=12m", "--to", RIG)
    data = run_json(capsys, "convert", "long.wav", *pair, "--output", "short.wav")
    run(capsys, "render", RIG, "--output", "direct.wav")
    got, wanted = (read_wav(Path(name)).samples[0] for name in ("short.wav", "direct.wav"))
    assert np.max(np.abs(got - wanted)) < 0.02 * np.max(np.abs(wanted))  # both at −23 LUFS ± 0.1 dB is 1.2 %
    assert data["band_hz"][1] > 10_000
    assert data["warnings"] == []


def test_convert_warns_when_the_pickup_changes(capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, "render", PAIR, "--output", "a.wav")
    text = run(capsys, "convert", "a.wav", "--from", PAIR, "--set-to", "selector=neck", "--output", "b.wav")
    assert "keeps the place of the pickup" in " ".join(text.split())


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_an_impulse_response_tells_its_rigs_gain_and_band_in_its_own_tags(
    capsys: pytest.CaptureFixture[str], rate: int
) -> None:
    data = run_json(
        capsys, "impulse", "--from", RIG, "--set-to", "cable.length=15m", "--rate", str(rate), "--output", "ir.flac"
    )
    with soundfile.SoundFile("ir.flac") as file:
        assert (file.format, file.samplerate, file.frames) == ("FLAC", rate, 4096)
        assert file.title == f"{data['from']} → {data['to']}"
        assert f"gain {data['gain_db']:+.2f} dB" in file.comment
        assert "minimum phase, latency 0 samples" in file.comment


def test_a_take_goes_into_a_flac_file_and_out_of_one(capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("a.wav", "a.flac"):
        run(capsys, "render", RIG, "--output", name)
        run(capsys, "convert", name, "--from", RIG, "--set-to", "cable.length=15m", "--output", f"b{name[1:]}")
    for name in "ab":
        found = [read_wav(Path(f"{name}{suffix}")).samples for suffix in (".wav", ".flac")]
        np.testing.assert_allclose(*found, rtol=0, atol=2**-20)  # a few steps of 24 bit, one of each writing
    refused = run(capsys, "render", RIG, "--bits", "float", "--output", "c.flac", code=2)
    assert "FLAC holds samples of 16 or 24 bit" in refused
    assert not Path("c.flac").exists()


def test_impulse_writes_response_and_table(capsys: pytest.CaptureFixture[str]) -> None:
    data = run_json(
        capsys, "impulse", "--from", RIG, "--set-to", "cable.length=15m", "--output", "ir.wav", "--table", "ir.csv"
    )
    assert soundfile.info("ir.wav").frames == data["length_samples"] == 4096
    assert data["latency_samples"] == 0
    rows = list(csv.DictReader(Path("ir.csv").read_text().splitlines()))
    at_3k = min(rows, key=lambda row: abs(float(row["frequency_hz"]) - 3000))
    frequency = np.array([float(at_3k["frequency_hz"])])
    rig = load_rig(RIG)
    ratio = set_value(rig, "cable.length", "15m").evaluate(frequency) / rig.evaluate(frequency)
    assert float(at_3k["gain_db"]) == pytest.approx(float(20 * np.log10(np.abs(ratio[0]))), abs=1e-3)  # digits written


def test_blind_test_from_preparation_to_result(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    data = run_json(
        capsys, "blind", "prepare", RIG, "--set-second", "cable.length=15m", "--trials", "5", "--output", "test"
    )
    assert data["trials"] == 5
    assert data["rigs"][0] != data["rigs"][1]
    run(capsys, "blind", "answer", "test", "--trial", "1", "--choice", "a")
    assert "unanswered" in run(capsys, "blind", "result", "test", code=2)
    for trial, choice in enumerate(("b", "a", "cannot tell", "b"), start=2):
        run(capsys, "blind", "answer", "test", "--trial", str(trial), "--choice", choice)
    result = json.loads(run(capsys, "blind", "result", "test", "--json"))
    assert result["score"]["decided"] == 4
    assert result["score"]["cannot_tell"] == 1
    assert result["fingerprint"] == data["fingerprint"]
    # The sheets inside the result play the same sounds again.
    sheets = result["key"]["details"]["sheets"]
    assert sheets[0]["chain"] != sheets[1]["chain"]
    assert result["key"]["details"]["take"]["name"] == "E chord"
    assert "p =" in run(capsys, "blind", "result", "test")


def test_a_listener_is_asked_trial_by_trial_and_may_stop_and_resume(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    run(
        capsys,
        "blind",
        "prepare",
        RIG,
        "--set-second",
        "tone=5",
        "--trials",
        "3",
        "--take",
        "low note",
        "--output",
        "t",
    )
    monkeypatch.setattr("sys.stdin", io.StringIO("a\nq\n"))
    first = run(capsys, "blind", "answer", "t")
    assert "trial-01-x.wav" in first
    assert "stopped" in first
    monkeypatch.setattr("sys.stdin", io.StringIO("?\nnonsense\nb\n"))
    second = run(capsys, "blind", "answer", "t")
    assert "Trial 1 of" not in second
    assert "all 3 trials answered" in second
    answers = json.loads(Path("t/answers.json").read_text())["answers"]
    assert [entry["answer"] for entry in answers] == ["a", "cannot tell", "b"]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("render", RIG), "--output is missing"),
        (("render", "no such rig", "--output", "a.wav"), "neither a file nor a rig"),
        (("render", RIG, "--take", "E cord", "--output", "a.wav"), "Did you mean 'E chord'"),
        (("render", RIG, "--set", "volume=0", "--output", "a.wav"), "silent"),
        (("render", RIG, "--place", "neck=9cm", "--output", "a.wav"), "no pickup is named 'neck'"),
        (("render", RIG, "--place", "bridge", "--output", "a.wav"), "bridge=45mm"),
        (("render", RIG, "--level", "bridge=3 mm", "--output", "a.wav"), "--level bridge"),
        (("render", RIG, "--place", "bridge=9 kg", "--output", "a.wav"), "--place bridge"),
        (("render", RIG, "--aperture", "wide", "--output", "a.wav"), "--aperture"),
        (("render", RIG, "--true-level", "--output", "a.wav"), "--against"),
        (("render", RIG, "--loudness", "0", "--output", "a.wav"), "--loudness"),
        (("render", RIG, "--output", "nowhere/a.wav"), "does not exist"),
        (("convert", "x.wav", "--from", RIG, "--to", RIG, "--output", "y.wav"), "there is no file"),
        (("convert", "x.wav", "--from", RIG, "--output", "y.wav"), "a second rig is missing"),
        (("convert", "x.wav", "--from", RIG, "--to", RIG, "--boost", "99 dB", "--output", "y.wav"), "60 dB"),
        (("convert", "x.wav", "--from", RIG, "--to", RIG, "--boost", "loud", "--output", "y.wav"), "--boost"),
        (("impulse", "--from", RIG, "--set-to", "volume=5"), "nothing to write"),
        (("impulse", "--from", RIG, "--set-to", "volume=0", "--output", "a.wav"), "passes no sound"),
        (("impulse", "--from", RIG, "--set-to", "tone=5", "--length", "7", "--output", "a.wav"), "even number"),
        (("impulse", "--from", RIG, "--set-to", "tone=5", "--table", "a", "--output", "a"), "named twice"),
        (("blind", "prepare", RIG, "--output", "t"), "needs two rigs"),
        (("blind", "prepare", RIG, RIG, "--trials", "0", "--output", "t"), "between 1 and 100"),
        (("blind", "answer", "t"), "holds no blind test"),
        (("blind", "result", "t"), "holds no blind test"),
    ],
)
def test_a_mistake_gets_one_line_and_leaves_no_file(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, arguments: tuple[str, ...], message: str
) -> None:
    assert message in run(capsys, *arguments, code=2)
    assert list(tmp_path.iterdir()) == []


def test_an_existing_file_is_kept_without_force(capsys: pytest.CaptureFixture[str]) -> None:
    Path("a.wav").write_bytes(b"mine")
    assert "--force" in run(capsys, "render", RIG, "--output", "a.wav", code=2)
    assert Path("a.wav").read_bytes() == b"mine"


BUILT = ("--set", "bridge=narrow single coil, built")
HALF = (*BUILT, "--set", "bridge.main.poles.charge=50 %")


def against(*changes: str) -> tuple[str, ...]:
    """The same rig with these ``--set`` as ``--against``."""
    return ("--against", RIG, *(word.replace("--set", "--set-against") for word in changes), "--force")


def rms_db(name: str) -> float:
    return float(20 * np.log10(np.sqrt(np.mean(read_wav(Path(name)).samples ** 2))))


def lufs(name: str) -> float:
    sound = read_wav(Path(name))
    return integrated_loudness(sound.samples, sound.rate)


def test_a_magnet_at_half_charge_is_softer_in_the_file_by_what_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    half = run_json(capsys, "render", RIG, *HALF, *against(*BUILT), "--true-level", "--output", "half.wav")
    full = run_json(capsys, "render", RIG, *BUILT, *against(*HALF), "--true-level", "--output", "full.wav")
    assert -6.0 < half["difference_db"] < -2.0
    assert full["difference_db"] == pytest.approx(-half["difference_db"], abs=1e-6)
    assert lufs("half.wav") - lufs("full.wav") == pytest.approx(half["difference_db"], abs=0.01)
    # whichever is named first, the louder one is the reference and both get the same gain
    assert half["level_reference"] == full["level_reference"] == full["name"]
    assert half["gain_db"] == full["gain_db"]
    assert half["reference_lufs"] == pytest.approx(-23.0, abs=1e-9)
    # only the charge differs: what is left is what is not known of the strings' steel
    interval = half["difference_interval_db"]
    assert interval["low"] < interval["value"] < interval["high"] < 0
    assert half["level_basis"] is None
    text = run(capsys, "render", RIG, *HALF, *against(*BUILT), "--true-level", "--output", "half.wav")
    assert f"{half['difference_db']:.2f} dB, {-half['difference_db']:.1f} dB softer (95 of 100" in text
    assert "the louder, stands at -23.0 LUFS" in text


def test_without_true_level_both_files_are_equally_loud(capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, "render", RIG, *HALF, "--output", "half.wav")
    run(capsys, "render", RIG, *BUILT, "--output", "full.wav")
    assert lufs("half.wav") == pytest.approx(lufs("full.wav"), abs=0.01)


def test_another_magnet_carries_the_doubt_of_the_output_model(capsys: pytest.CaptureFixture[str]) -> None:
    alnico_2 = (*BUILT, "--set", "bridge.main.poles.grade=Alnico 2")
    data = run_json(capsys, "render", RIG, *alnico_2, *against(*BUILT), "--output", "a.wav")
    interval = data["difference_interval_db"]
    assert interval["value"] == data["difference_db"]
    assert interval["low"] < 0 < interval["high"], "the model does not settle which of the two is louder"
    assert "95 of 100" in run(capsys, "render", RIG, *alnico_2, *against(*BUILT), "--output", "a.wav")


def test_true_level_never_clips_and_lowers_both_alike(capsys: pytest.CaptureFixture[str]) -> None:
    loud = ("--true-level", "--loudness", "-6")
    half = run_json(capsys, "render", RIG, *HALF, *against(*BUILT), *loud, "--output", "half.wav")
    full = run_json(capsys, "render", RIG, *BUILT, *against(*HALF), *loud, "--output", "full.wav")
    assert half["lowered_db"] == full["lowered_db"] > 5
    assert np.max(np.abs(read_wav(Path("full.wav")).samples)) < 10 ** (-1.5 / 20) + 1e-6
    assert lufs("half.wav") - lufs("full.wav") == pytest.approx(half["difference_db"], abs=0.01)
    text = run(capsys, "render", RIG, *HALF, *against(*BUILT), *loud, "--output", "half.wav")
    assert f"both sounds are {half['lowered_db']:.1f} dB lower than asked for" in text


@pytest.mark.parametrize(
    "command",
    [
        ("render", RIG, *BUILT, "--against", RIG, "--output", "a.wav"),
        ("blind", "prepare", RIG, "--set-second", "bridge=narrow single coil, built", "--output", "t"),
        ("impulse", "--from", RIG, "--set-to", "bridge=narrow single coil, built", "--output", "a.wav"),
    ],
)
def test_an_unknown_output_is_said_with_the_key_that_states_it(
    capsys: pytest.CaptureFixture[str], command: tuple[str, ...]
) -> None:
    text = run(capsys, *command)
    assert "at equal EMF: the output of 'narrow single coil' is not known" in text
    assert 'output = "-2 dB"' in text


def test_a_change_that_keeps_the_pickup_needs_no_output(capsys: pytest.CaptureFixture[str]) -> None:
    data = run_json(capsys, "render", RIG, "--set", "volume=5", "--against", RIG, "--output", "a.wav")
    assert data["level_basis"] is None


def test_a_stated_output_is_heard(capsys: pytest.CaptureFixture[str]) -> None:
    stated = ("--set", "bridge.output=-4 dB", "--set", "bridge.output_doubt=1 dB")
    zero = ("--set", "bridge.output=0 dB")
    data = run_json(capsys, "render", RIG, *stated, *against(*zero), "--true-level", "--output", "a.wav")
    run(capsys, "render", RIG, *zero, *against(*stated), "--true-level", "--output", "b.wav")
    assert rms_db("a.wav") - rms_db("b.wav") == pytest.approx(-4.0, abs=1e-3)
    assert data["difference_interval_db"]["low"] == pytest.approx(-5.0, abs=1e-3)


def test_a_converted_recording_gets_the_level_of_the_other_magnet(capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, "render", RIG, *BUILT, "--output", "full.wav")
    pair = ("--from", RIG, "--set-from", BUILT[1], "--set-to", HALF[3])
    data = run_json(capsys, "convert", "full.wav", *pair, "--true-level", "--output", "half.wav")
    assert -6.0 < data["difference_db"] < -2.0
    assert rms_db("half.wav") - rms_db("full.wav") == pytest.approx(data["difference_db"], abs=0.01)  # ends are faded
    text = run(capsys, "impulse", *pair, "--normalise", "true level", "--bits", "float", "--output", "ir.wav")
    assert "dB softer" in text
    gain = 10 ** (data["difference_db"] / 20)  # of the change of magnets alone: the circuit stays
    assert float(read_wav(Path("ir.wav")).samples.sum()) == pytest.approx(gain, abs=1e-2)  # at 0 Hz


def test_a_blind_test_takes_the_output_away_and_says_how_much(capsys: pytest.CaptureFixture[str]) -> None:
    first = ("--set-first", BUILT[1], "--set-second", HALF[3])
    data = run_json(capsys, "blind", "prepare", RIG, *first, "--trials", "2", "--output", "t")
    assert -6.0 < data["difference_db"] < -2.0
    assert data["title"] == f"{RIG} with {BUILT[1]} against the same and {HALF[3]}"
    assert Path("t/read-me.txt").read_text().startswith(f"Blind test: {data['title']}\n")
    assert lufs("t/practice-first.wav") == pytest.approx(lufs("t/practice-second.wav"), abs=0.01)
    run(capsys, "blind", "answer", "t", "--trial", "1", "--choice", "a")
    result = json.loads(run(capsys, "blind", "result", "t", "--early", "--json"))
    sheets = result["key"]["details"]["sheets"]
    outputs = [sheet["pickups"]["bridge"]["output"] for sheet in sheets]  # what plays the same sounds again
    assert float(outputs[0].removesuffix(" dB")) == pytest.approx(0.0, abs=0.01)
    assert -6.0 < float(outputs[1].removesuffix(" dB")) < -2.0
    assert result["key"]["details"]["difference_interval_db"]["value"] == data["difference_db"]
