"""The curve as the strings drive it, and the outputs of pickups, from the command line."""

from __future__ import annotations

import json

import pytest


def test_by_strings_a_reversed_pair_is_not_silent(labkit):
    """At equal EMF two like coils out of phase cancel to −12 dB or less; at two places of a string they do not."""
    rig = ("Saltmarsh Lane, two pickups", "--set", "selector=both", "--set", "bridge=narrow single coil")
    turned = (*rig, "--set", "neck.main.facing=south", "--at", "400")
    data = json.loads(labkit("response", *turned, "--by-strings", "--json").out)
    assert data["gain_db"][0] < -12
    assert data["driven"]["gain_db"][0] > -9
    assert set(data["driven"]["places_m"]) == {"neck.main", "bridge.main"}
    assert data["driven"]["level_basis"].startswith("at equal EMF")
    table = labkit("response", *turned, "--by-strings", "--csv").out.splitlines()
    assert table[0].endswith(",driven_gain_db")
    assert float(table[1].rpartition(",")[2]) == pytest.approx(data["driven"]["gain_db"][0], abs=1e-6)
    text = labkit("response", *turned, "--by-strings").out
    assert "by the strings" in text
    assert f"{data['driven']['gain_db'][0]:.2f} dB" in text
    moved = json.loads(labkit("response", *turned, "--by-strings", "--place", "neck=45 mm", "--json").out)
    assert moved["driven"]["gain_db"][0] < data["driven"]["gain_db"][0] - 6  # nearly in one place


def test_outputs_stand_in_the_json_and_leave_the_gain_alone(labkit):
    built = ("Saltmarsh Lane, narrow single coil", "--set", "bridge=narrow single coil, built", "--at", "400", "--json")
    full = json.loads(labkit("response", *built).out)
    half = json.loads(labkit("response", *built, "--set", "bridge.main.poles.charge=50 %").out)
    assert half["gain_db"] == full["gain_db"]
    lost = half["outputs"]["bridge"]["value"] - full["outputs"]["bridge"]["value"]
    assert -6.0 < lost < -2.0  # a string near saturation loses less than its magnets do
    assert half["outputs"]["bridge"]["low"] < half["outputs"]["bridge"]["value"] < half["outputs"]["bridge"]["high"]
    assert half["driven"] is None
    measured = json.loads(labkit("response", "Saltmarsh Lane, narrow single coil", "--at", "400", "--json").out)
    assert measured["outputs"] == {"bridge": None}


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--by-strings", "--source", "bridge"), "leave --source out"),
        (("--place", "bridge=45mm"), "belongs to --by-strings"),
        (("--by-strings", "--place", "nek=45mm"), "no pickup is named 'nek'"),
    ],
)
def test_by_strings_says_what_it_cannot_take(labkit, options, words):
    outcome = labkit("response", "Saltmarsh Lane, narrow single coil", *options)
    assert (outcome.code, outcome.out) == (2, "")
    assert words in outcome.err
