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
