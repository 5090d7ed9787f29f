"""The commands as a user runs them: outputs, options, exit codes."""

from __future__ import annotations

import json

import numpy as np
import pytest

from labkit.cli.main import COMMANDS

RIG = "Saltmarsh Lane, narrow single coil"


def test_response_json_has_exactly_the_promised_keys(labkit):
    data = json.loads(labkit("response", RIG, "--json").out)
    assert set(data) == {
        "name",
        "source",
        "frequency_hz",
        "gain_db",
        "phase_deg",
        "peak",
        "minus_3db_hz",
        "output_impedance_ohm",
        "outputs",
        "driven",
    }
    assert set(data["peak"]) == {"frequency_hz", "gain_db", "height_db"}
    assert set(data["output_impedance_ohm"]) == {"magnitude", "phase_deg"}
    assert len(data["frequency_hz"]) == len(data["gain_db"]) == len(data["phase_deg"]) == 512
    assert (data["frequency_hz"][0], data["frequency_hz"][-1]) == (20.0, 20000.0)


def test_at_gives_exactly_the_asked_frequencies_and_the_same_peak(labkit):
    whole = json.loads(labkit("response", RIG, "--json").out)
    few = json.loads(labkit("response", RIG, "--json", "--at", "100,1k,3 kHz").out)
    assert few["frequency_hz"] == [100.0, 1000.0, 3000.0]
    assert few["peak"] == whole["peak"]
    interpolated = np.interp(np.log(few["frequency_hz"]), np.log(whole["frequency_hz"]), whole["gain_db"])
    # linear interpolation between 512 points of a smooth curve
    assert few["gain_db"] == pytest.approx(interpolated, abs=2e-3)


@pytest.mark.parametrize("text", ["", "abc", "0", "-5", "1k,100", "100,100", "22 nF", "nan", "inf"])
def test_impossible_frequency_lists_are_refused(text, labkit):
    outcome = labkit("response", RIG, "--at", text)
    assert (outcome.code, outcome.err.count("\n")) == (2, 1)


def test_longer_cable_moves_the_peak_down(labkit):
    peaks = [
        json.loads(labkit("response", RIG, "--json", "--set", f"cable.length={length}").out)["peak"]["frequency_hz"]
        for length in ("1m", "10 ft", "5 m", "10m")
    ]
    assert peaks == sorted(peaks, reverse=True)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("volume", "NAME=VALUE"),
        ("volum=5", "Did you mean 'volume'"),
        ("volume=12", "0 to 10"),
        ("tone_capacitor=22 kΩ", "is a resistance"),
        ("cable.lenght=5m", "Did you mean 'length'"),
        ("cable.length=5", "has no unit"),
        ("bridge=nothing like it", "neither a file nor a pickup of the catalogue"),
        ("volume.taper=loud", "taper"),
    ],
)
def test_impossible_changes_are_refused(change, words, labkit):
    outcome = labkit("response", RIG, "--set", change)
    assert (outcome.code, outcome.err.count("\n")) == (2, 1)
    assert words in outcome.err


def test_a_pickup_can_be_swapped_from_the_command_line(labkit):
    before = json.loads(labkit("response", RIG, "--json").out)["peak"]["frequency_hz"]
    after = json.loads(labkit("response", RIG, "--json", "--set", "bridge=two-coil").out)["peak"]["frequency_hz"]
    assert after < before


def test_output_is_not_overwritten_without_force(tmp_path, labkit):
    target = tmp_path / "curve.csv"
    assert labkit("response", RIG, "--csv", "--output", target).code == 0
    first = target.read_text()
    assert first.startswith("frequency_hz,gain_db,phase_deg,output_impedance_ohm")
    refused = labkit("response", RIG, "--csv", "--set", "volume=5", "--output", target)
    assert refused.code == 2
    assert "--force" in refused.err
    assert target.read_text() == first
    assert labkit("response", RIG, "--csv", "--set", "volume=5", "--output", target, "--force").code == 0
    assert target.read_text() != first
    assert [path.name for path in tmp_path.iterdir()] == ["curve.csv"]


def test_output_into_a_missing_folder_is_refused(tmp_path, labkit):
    outcome = labkit("response", RIG, "--json", "--output", tmp_path / "none" / "x.json")
    assert (outcome.code, outcome.err.count("\n")) == (2, 1)


def test_one_pickup_alone_can_be_asked_for(labkit):
    rig = "Saltmarsh Lane, two pickups"
    data = json.loads(labkit("response", rig, "--json", "--set", "selector=both", "--source", "neck").out)
    assert data["source"] == "neck"
    wrong = labkit("response", rig, "--source", "nek")
    assert "Did you mean 'neck'" in wrong.err


def test_plot_writes_a_picture(tmp_path, labkit):
    target = tmp_path / "curve.svg"
    outcome = labkit("response", RIG, "--plot", target)
    assert outcome.code == 0, outcome.err
    assert "<svg" in target.read_text()


def test_catalogue_lists_kinds_and_items(labkit):
    assert "pickup" in labkit("catalogue").out
    assert "two-coil" in labkit("catalogue", "pickup").out
    items = json.loads(labkit("catalogue", "pickup", "--json").out)
    assert {"kind", "name", "summary", "plugin", "file"} == set(items[0])
    wrong = labkit("catalogue", "pikcup")
    assert "Did you mean 'pickup'" in wrong.err


def test_every_sheet_of_the_catalogue_can_be_used(labkit):
    outcome = labkit("catalogue", "--check")
    assert (outcome.code, outcome.err) == (0, "")


def test_unknown_commands_and_options_get_one_line(labkit):
    wrong = labkit("respons", RIG)
    assert (wrong.code, wrong.err) == (2, "labkit: no command is named 'respons'. Did you mean 'response'?\n")
    option = labkit("response", RIG, "--jsn")
    assert (option.code, option.err.count("\n")) == (2, 1)
    missing = labkit("response")
    assert (missing.code, missing.err.count("\n")) == (2, 1)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(command, labkit):
    outcome = labkit(command, "--help")
    assert outcome.code == 0
    assert len(outcome.out.splitlines()) > 3
