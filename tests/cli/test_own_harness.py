"""A wiring written from scratch in a folder is found, solved, drawn and explained without touching Python."""

from __future__ import annotations

import json

import pytest

HARNESS = """
sheet = "harness"
format = 1
name = "volume and a bright switch"
summary = "A volume pot; the switch hangs a capacitor from its input to its output."
pickups = ["bridge"]
output = "tip"
[parts.volume]
kind = "pot"
nodes = ["bridge.hot", "tip", "ground"]
value = "250k"
[parts.bright]
kind = "switch"
positions = { off = [], on = [["bridge.hot", "bleed_node"]] }
[parts.bleed]
kind = "capacitor"
nodes = ["bleed_node", "tip"]
value = "680p"
"""

RIG = """
sheet = "rig"
format = 1
name = "rig of my own"
harness = "volume and a bright switch"
[pickups]
bridge = "narrow single coil"
[settings]
volume = 3
[[chain]]
kind = "input"
resistance = "1M"
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    (tmp_path / "bright.toml").write_text(HARNESS)
    (tmp_path / "rig.toml").write_text(RIG)
    monkeypatch.setenv("LABKIT_CATALOGUE", str(tmp_path))
    return tmp_path


def test_it_is_found_and_solved(folder, labkit):
    assert "volume and a bright switch" in labkit("catalogue", "harness").out
    gains = [
        json.loads(labkit("response", "rig of my own", "--json", "--at", "5k", "--set", f"bright={way}").out)[
            "gain_db"
        ][0]
        for way in ("off", "on")
    ]
    assert gains[1] > gains[0] + 3  # the bleed passes treble around the pot


def test_it_is_drawn(folder, labkit):
    target = folder / "drawing.svg"
    assert labkit("schematic", "rig of my own", "--set", "bright=on", "--output", target).code == 0
    assert "680" in target.read_text()


def test_it_is_explained_and_exported(folder, labkit):
    formula = labkit("formula", "rig of my own", "--set", "bright=on")
    assert formula.code == 0, formula.err
    assert "680" in formula.out
    deck = labkit("netlist", "rig of my own", "--set", "bright=on")
    assert ".ac" in deck.out


def test_its_mistakes_are_told_by_file_and_key(folder, labkit):
    (folder / "bright.toml").write_text(HARNESS.replace('"bleed_node", "tip"', '"bleed_nod", "tip"'))
    (folder / "rig.toml").write_text(RIG.replace('"volume and a bright switch"', '"bright.toml"'))
    outcome = labkit("response", folder / "rig.toml")
    assert outcome.code == 2
    assert "bright.toml" in outcome.err
    assert "bleed_nod" in outcome.err
