"""``labkit tolerance`` and ``labkit search`` as people and programs use them."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from labkit.cli.main import main

RIG = "Saltmarsh Lane, narrow single coil"
QUICK = ("--count", "600", "--points", "48")


@pytest.fixture
def labkit(capsys):
    """Run the command line; returns exit code, output and errors."""

    def run(*arguments: object) -> tuple[int, str, str]:
        code = main([str(argument) for argument in arguments])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


def test_tolerance_prints_bounds_what_was_varied_and_what_is_not_modelled(labkit) -> None:
    code, out, err = labkit("tolerance", RIG, *QUICK)
    assert (code, err) == (0, "")
    assert "600 variants" in out
    assert "volume.value" in out
    assert "200 kΩ to 300 kΩ" in out
    assert "Not modelled" in out


def test_tolerance_json_and_csv_hold_the_same_bands_in_si(labkit, tmp_path: Path) -> None:
    code, out, _ = labkit("tolerance", RIG, *QUICK, "--json")
    assert code == 0
    data = json.loads(out)
    assert data["measures"]["resonance_hz"]["p5"] < data["measures"]["resonance_hz"]["p95"]
    assert sum(data["measures"]["level_db"]["histogram"]["counts"]) == 600
    file = tmp_path / "bands.csv"
    assert labkit("tolerance", RIG, *QUICK, "--csv", "--output", file)[0] == 0
    rows = list(csv.DictReader(file.read_text().splitlines()))
    assert len(rows) == 48
    assert [float(row["p95_db"]) for row in rows] == pytest.approx(data["bands_db"]["p95"])
    assert labkit("tolerance", RIG, *QUICK, "--csv", "--output", file)[0] == 2


def test_only_what_is_named_varies_and_what_is_held_does_not(labkit) -> None:
    spread = "cable.length=4 m to 6 m"
    _, out, _ = labkit("tolerance", RIG, *QUICK, "--json", "--only", "--vary", spread)
    assert list(json.loads(out)["spreads"]) == ["cable.length"]
    _, out, _ = labkit("tolerance", RIG, *QUICK, "--json", "--hold", "volume.value", "--set", "volume=5")
    assert "volume.value" not in json.loads(out)["spreads"]


def test_too_small_a_share_is_a_failed_check(labkit) -> None:
    window = ("--window", "resonance=3.5k to 3.6k")
    code, out, _ = labkit("tolerance", RIG, *QUICK, *window, "--least-share", "99 %")
    assert code == 1
    assert "all of it" in out
    assert labkit("tolerance", RIG, *QUICK, *window, "--least-share", "5")[0] == 0


def test_sensitivity_is_told_in_sentences_and_numbers(labkit) -> None:
    _, out, _ = labkit("tolerance", RIG, *QUICK, "--sensitivity", "--json")
    found = json.loads(out)["sensitivity"]
    assert found["sentences"][0].startswith("For the peak")
    assert found["swings"]["resonance_hz"][0]["name"] == "cable.capacitance"
    shares = [entry["total"] for entry in found["variance_shares"]["resonance_hz"].values()]
    assert sum(shares) == pytest.approx(1.0, abs=0.1)


def test_a_pickup_by_itself_is_studied_in_the_load_of_the_bench(labkit) -> None:
    code, out, _ = labkit("tolerance", "narrow single coil, built", *QUICK, "--json")
    assert code == 0
    assert "pickup: turns" in json.loads(out)["spreads"]
    code, out, _ = labkit(
        "tolerance", "narrow single coil, built", *QUICK, "--json", "--only", "--vary", "pickup: turns"
    )
    assert list(json.loads(out)["spreads"]) == ["pickup: turns"]


def test_pictures_are_written_and_never_overwritten_unasked(labkit, tmp_path: Path) -> None:
    files = {name: tmp_path / f"{name}.svg" for name in ("plot", "histograms", "tornado")}
    arguments = [text for name, path in files.items() for text in (f"--{name}", str(path))]
    assert labkit("tolerance", RIG, *QUICK, *arguments)[0] == 0
    texts = {name: path.read_text() for name, path in files.items()}
    assert "median" in texts["plot"]
    assert all(name in texts["histograms"] for name in ("peak", "height", "level"))
    assert "cable.capacitance" in texts["tornado"]
    code, _, err = labkit("tolerance", RIG, *QUICK, *arguments)
    assert code == 2
    assert "exists already" in err


def test_a_study_taken_up_from_its_record_prints_the_same(labkit, tmp_path: Path) -> None:
    from labkit.rig.sheet import load_rig
    from labkit.study.tolerance.tolerance import run_tolerance, tolerance_study

    record = tmp_path / "study.npz"
    arguments = ("tolerance", RIG, "--count", 20_000, "--points", 32, "--json")
    run_tolerance(tolerance_study(load_rig(RIG), count=20_000, points=32), record=record, stop=lambda: True)
    assert record.exists()
    assert labkit(*arguments, "--record", record)[1] == labkit(*arguments)[1]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("tolerance", "no such rig"), "neither a file nor a rig or pickup"),
        (("tolerance", RIG, "--vary", "volum.value=5%"), "Did you mean 'volume.value'"),
        (("tolerance", RIG, "--vary", "volume.value"), "NAME=SPREAD"),
        (("tolerance", RIG, "--vary", "volume.value=wide"), "not a spread"),
        (("tolerance", RIG, "--hold", "volum.value"), "Did you mean"),
        (("tolerance", RIG, "--window", "resonance"), "NAME=LOW to HIGH"),
        (("tolerance", RIG, "--window", "brightness=1 to 2"), "not a number of a curve"),
        (("tolerance", RIG, "--measure", "level at 1 MHz"), "between 50 Hz and 20 kHz"),
        (("tolerance", RIG, "--least-share", "90"), "needs a --window"),
        (("tolerance", RIG, "--json", "--csv"), "exclude each other"),
        (("tolerance", RIG, "--plot", "curve.bmp"), "svg, png or pdf"),
        (("tolerance", RIG, "--count", "0"), "count"),
        (("search", "nothing of the kind"), "neither a file nor a goal of the catalogue"),
        (("search", "humps"), "Did you mean 'hump'"),
        (("search", "hump"), "needs --rig"),
        (("search", "hump", "--rig", RIG), "needs --at"),
        (("search", "hump", "--rig", RIG, "--at", "high"), "--at"),
        (("search", "hump", "--rig", RIG, "--at", "700", "--loss", "3"), "takes --at"),
        (("search", "a lower, tamer peak with load trims", "--at", "700"), "belongs to the ready questions"),
        (("search", "turns and wire", "--rig", RIG), "needs --like"),
    ],
)
def test_bad_input_is_one_sentence_and_exit_code_2(labkit, arguments, words, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = labkit(*arguments)
    assert code == 2
    assert out == ""
    assert words in err
    assert err.count("\n") == 1


def test_a_goal_is_searched_and_its_solutions_printed_as_text_json_and_csv(labkit) -> None:
    name = "single coil towards the two-coil pickup"
    code, out, _ = labkit("search", name)
    assert code == 0
    assert "1. " in out
    data = json.loads(labkit("search", name, "--json")[1])
    assert data["fits"]
    assert data["combinations"] == 21 * 21 * 2
    first = data["solutions"][0]
    assert first["choices"]["load_capacitor.value"]["unit"] == "F"
    rows = list(csv.DictReader(labkit("search", name, "--csv")[1].splitlines()))
    assert float(rows[0]["load_capacitor.value"]) == pytest.approx(first["choices"]["load_capacitor.value"]["value"])


def test_a_goal_that_nothing_meets_is_exit_code_1_with_the_reason(labkit, tmp_path: Path) -> None:
    sheet = tmp_path / "goal.toml"
    sheet.write_text(
        f"""
sheet = "goal"
format = 1
name = "too bright"
rig = "{RIG}"
[target]
resonance = "12 kHz"
[[vary]]
part = "cable.length"
from = "1 m"
to = "10 m"
"""
    )
    code, out, err = labkit("search", sheet)
    assert (code, err) == (1, "")
    assert "Out of reach: resonance" in out
    data = json.loads(labkit("search", sheet, "--json")[1])
    assert not data["fits"]
    assert "in every box" in data["proof"]


@pytest.mark.parametrize(
    ("arguments", "value", "unit"),
    [
        (("cable equivalent", "--length", "5m"), 587e-12, "F"),
        (("cable equivalent", "--length", "10 m", "--cable", "80 pF/m"), 887e-12, "F"),
        (("hump", "--at", "700"), 17.6e-9, "F"),
        (("load resistor", "--set", "volume.value=500k", "--set", "tone.value=500k"), 248e3, "Ω"),
        (("longest cable",), 5.78, "m"),
        (("longest cable", "--loss", "3dB", "--band", "2 kHz to 5k", "--reference", "0m"), 6.73, "m"),
    ],
)
def test_ready_questions_are_answered_from_the_command_line(labkit, arguments, value, unit) -> None:
    code, out, _ = labkit("search", arguments[0], "--rig", RIG, *arguments[1:], "--json")
    data = json.loads(out)
    assert code == 0
    # What the functions give at three digits; their own tests hold them to closed forms.
    assert data["value"] == pytest.approx(value, rel=3e-3)
    assert data["unit"] == unit
    text = labkit("search", arguments[0], "--rig", RIG, *arguments[1:])[1]
    assert data["sentence"] in text
    assert np.isfinite(data["value"])


@pytest.mark.parametrize(("count", "heads"), [("1", "nominal      drawn"), ("3", "least       mean        greatest")])
def test_a_study_of_few_variants_prints_no_percentiles(labkit, count: str, heads: str) -> None:
    _, shown, _ = labkit("tolerance", RIG, "--count", count)
    assert heads in shown
    assert "95 %  " not in shown
    assert "no percentiles: at least 20 are needed" in " ".join(shown.split())
    data = json.loads(labkit("tolerance", RIG, "--count", count, "--json")[1])
    assert data["bands_db"] is None
    resonance = data["measures"]["resonance_hz"]
    assert (resonance["p5"], resonance["p50"], resonance["p95"]) == (None, None, None)
    assert resonance["lowest"] > 0
    assert "no percentiles" in data["warnings"][0]
    code, out, err = labkit("tolerance", RIG, "--count", count, "--csv")
    assert (code, out) == (2, "")
    assert "which 20 variants or more have" in err


def test_twenty_variants_have_percentiles(labkit) -> None:
    data = json.loads(labkit("tolerance", RIG, "--count", "20", "--json")[1])
    assert data["warnings"] == []
    assert data["measures"]["resonance_hz"]["p5"] <= data["measures"]["resonance_hz"]["p95"]
