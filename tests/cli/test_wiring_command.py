"""``labkit wiring`` as a technician runs it."""

from __future__ import annotations

import json

from tests.rig.unseen_wirings import FOLDER

NAME = "two pickups, phase switch"


def test_the_list_names_parts_switches_and_numbered_wires(labkit):
    result = labkit("wiring", NAME)
    assert result.code == 0
    assert "phase: push-pull, 2 poles, 2 positions" in result.out
    assert " 1 link from volume lug 1 to the back of the volume pot" in result.out
    assert "fume" in result.out


def test_drawing_and_json_hold_the_same_wires(labkit, tmp_path):
    data = json.loads(labkit("wiring", NAME, "--json").out)
    drawing = labkit("wiring", NAME, "--drawing").out
    assert drawing.startswith("<svg")
    assert data["svg"].rstrip() == drawing.rstrip()
    for wire in data["wires"]:
        assert f'aria-label="{wire["number"]}: {wire["words"]}"' in drawing
    assert [switch["name"] for switch in data["switches"]] == ["phase", "selector"]
    target = tmp_path / "phase.svg"
    assert labkit("wiring", NAME, "--drawing", "--output", target).code == 0
    assert target.read_text(encoding="utf-8").startswith("<svg")


def test_a_sheet_and_a_rig_are_taken_too(labkit):
    own = labkit("wiring", FOLDER / "stacked_controls.toml")
    assert "neck volume: pot, concentric" in own.out
    assert "lever, 2 poles, 5 positions" in labkit("wiring", "Saltmarsh Lane, three pickups").out


def test_a_switch_that_no_device_makes_is_refused_with_the_reason(labkit, tmp_path):
    text = (FOLDER / "rotary_of_one_two_coil.toml").read_text(encoding="utf-8")
    sheet = tmp_path / "own.toml"
    sheet.write_text(text.replace('style = "rotary"', 'style = "rotary"\ndevice = "rotary, 1 pole, 12 positions"'))
    result = labkit("wiring", sheet)
    assert result.code == 2
    assert "cannot be soldered as it stands: switch 'voice': no wiring of 'rotary, 1 pole, 12 positions'" in result.err
    assert result.out == ""


def test_bad_input_is_one_sentence(labkit, tmp_path):
    assert "Did you mean 'two pickups, phase switch'?" in labkit("wiring", "two pickups, phase swich").err
    result = labkit("wiring", NAME, "--drawing", "--output", tmp_path / "drawing.png")
    assert (result.code, result.err.count("\n")) == (2, 1)
    assert "is written as .svg" in result.err
    assert not (tmp_path / "drawing.png").exists()


def test_steps_and_checks_are_printed_and_are_the_same_as_data(labkit):
    steps = labkit("wiring", NAME, "--steps")
    assert "2 × pot, 500 kΩ, audio 10 %, ± 20 % (volume and tone)" in steps.out
    assert "fume" in steps.out
    data = json.loads(labkit("wiring", NAME, "--steps", "--json").out)
    for step in data["steps"]:
        assert step["words"] in steps.out
    checks = labkit("wiring", NAME, "--checks", "--pickup", "neck=7.3k", "--pickup", "bridge=8.1k")
    assert "DC resistance of the pickups, as given: neck 7.3 kΩ, bridge 8.1 kΩ." in checks.out
    assert "in phase, both\n  tip beeps with neck hot, bridge hot\n" in checks.out
    data = json.loads(labkit("wiring", NAME, "--checks", "--pickup", "neck=7.3k", "--json").out)
    reading = {each["position"]: each["reading_ohm"] for each in data["positions"]}["in phase, neck"]
    by_hand = 1 / (1 / 7300 + 1 / 500e3)
    assert abs(reading["value"] / by_hand - 1) < 1e-3
    # 5 % of the coil and 1 % of the meter
    assert 0.94 * by_hand < reading["low"] < 0.96 * by_hand
    assert sum(len(row["wires"]) for row in data["missing_wires"]) == 18


def test_a_reading_names_the_fault_in_a_rig_of_ones_own(labkit):
    rig = "Saltmarsh Lane, two pickups"
    result = labkit("wiring", rig, "--fault", "neck: open", "--fault", "bridge: silent")
    assert result.code == 0, result.err
    assert "DC resistance of the pickups, of the rig:" in result.out
    assert "must beep" in result.out
    assert "Not modelled: two faults together" in result.out
    data = json.loads(labkit("wiring", rig, "--fault", "neck: open", "--json").out)
    assert 1 <= len(data["causes"]) <= 3
    assert data["causes"][0]["faults"]


def test_what_cannot_be_asked_together_is_one_sentence(labkit, tmp_path):
    for options, says in (
        (("--steps", "--checks"), "--steps and --checks ask for different things"),
        (("--pickup", "neck=7k"), "--pickup says what is wired"),
        (("--checks", "--pickup", "neck"), "--pickup takes SLOT=OHMS"),
        (("--checks", "--pickup", "nek=7k"), "Did you mean 'neck'?"),
        (("--fault", "middle: 3k"), "'middle' is no place to read here"),
        (("--paper", "--json"), "--paper is a printed page"),
    ):
        result = labkit("wiring", NAME, *options)
        assert (result.code, result.out, result.err.count("\n")) == (2, "", 1)
        assert says in result.err


def test_the_paper_holds_drawing_steps_checks_faults_and_cautions(labkit, tmp_path):
    target = tmp_path / "phase.html"
    assert labkit("wiring", NAME, "--paper", "--output", target).code == 0
    page = target.read_text(encoding="utf-8")
    assert "<svg" in page
    for words in ("To buy", "Steps", "Checks before the strings go on", "When one wire is missing", "fume extraction"):
        assert words in page
    assert "licensed practice" in page
    assert page.count("http") == page.count("http://www.w3.org/2000/svg")


def test_an_own_wiring_comes_as_words_sheet_rig_schematic_and_drawing(labkit, tmp_path):
    lines = ("fat: neck + bridge in series", "wide: neck + bridge")
    text = labkit("own-wiring", *lines).out
    assert "toggle, 2 poles, 2 positions" in text
    assert "heard: neck and bridge; in phase" in text
    sheet = tmp_path / "own.toml"
    assert labkit("own-wiring", *lines, "--sheet", "--output", str(sheet)).code == 0
    assert "toggle, 2 poles, 2 positions" in labkit("wiring", str(sheet)).out
    rig = tmp_path / "rig.toml"
    assert labkit("own-wiring", *lines, "--rig", "--output", str(rig)).code == 0
    assert labkit("schematic", str(rig)).out == labkit("own-wiring", *lines, "--schematic").out
    assert 'data-wire="1"' in labkit("own-wiring", *lines, "--drawing").out
    refused = labkit("own-wiring", *lines, "--drawing", "--sheet")
    assert (refused.code, refused.out) == (2, "")
    assert "ask for different things" in refused.err
