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
        "is_silent",
        "noise",
        "heard",
        "phase",
        "hum",
        "warnings",
        "output_impedance_ohm",
        "outputs",
        "driven",
    }
    assert data["warnings"] == []
    assert set(data["peak"]) == {"frequency_hz", "gain_db", "height_db"}
    assert set(data["output_impedance_ohm"]) == {"magnitude", "phase_deg"}
    assert len(data["frequency_hz"]) == len(data["gain_db"]) == len(data["phase_deg"]) == 512
    assert (data["frequency_hz"][0], data["frequency_hz"][-1]) == (20.0, 20000.0)


def test_response_says_the_noise_by_parts_and_what_it_is_against(labkit):
    data = json.loads(labkit("response", RIG, "--json", "--set", "volume=5", "--field", "0.2 uT", "--mains", "60").out)
    noise = data["noise"]
    assert noise["parts"][0]["part"] == "volume"
    assert sum(part["rms_v"] ** 2 for part in noise["parts"]) == pytest.approx(noise["rms_v"] ** 2)
    over = noise["signal"]["over_noise_db"]
    assert over["value"] == pytest.approx(noise["signal"]["rms_dbv"]["value"] - noise["rms_dbv"])
    assert over["low"] < over["value"] < over["high"]
    assert (noise["hum"]["field_t"], noise["hum"]["frequency_hz"]) == (pytest.approx(2e-7), 60.0)
    text = labkit("response", RIG, "--set", "volume=5").out
    assert "noise      2.3 µV (−113 dBV), A-weighted 2.0 µV (−114 dBV); volume 2.1 µV" in text
    assert "a mains field of 100 nT at 50 Hz leaves 13 µV" in text


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--field", "1 uF"), "--field: '1 uF' is a capacitance; a flux density is due here"),
        (("--field", "1 T"), "mains field"),
        (("--mains", "-3"), "mains: frequency must lie between"),
        (("--mains", "five"), "--mains: "),
    ],
)
def test_a_mains_field_that_cannot_be_is_refused(labkit, arguments, words):
    outcome = labkit("response", RIG, *arguments)
    assert (outcome.code, outcome.out) == (2, "")
    assert words in outcome.err


def test_frequencies_and_cables_outside_their_range_are_said_and_widen_the_interval(labkit):
    far = json.loads(labkit("response", RIG, "--json", "--at", "1k,100k", "--set", "cable.length=100m").out)
    assert len(far["warnings"]) == 2
    assert "cable length 100 m is above 30 m" in far["warnings"][0]
    assert "frequency 100 kHz is above 20 kHz" in far["warnings"][1]
    assert "±13 % in frequency" in labkit("response", RIG, "--at", "1k", "--set", "cable.length=100m").out
    assert "±6 % in frequency" in labkit("response", RIG, "--at", "1k").out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--at", "1e300"), "--at: frequency must lie between 1 mHz and 1 MHz"),
        (("--at", "1k,2M"), "got 2 MHz"),
        (("--set", "cable.length=10km!"), "cable length must lie between 0 m and 5 km"),
        (("--set", "cable.length=-1m"), "cable.length"),
    ],
)
def test_impossible_frequencies_and_cables_are_refused_with_their_range(labkit, arguments, words):
    outcome = labkit("response", RIG, *arguments)
    assert outcome.code == 2
    assert words in outcome.err
    assert outcome.out == ""


def test_a_silent_output_is_called_silent_in_every_form(labkit):
    text = labkit("response", RIG, "--set", "volume=0", "--at", "100,1k").out
    assert "output     silent: no EMF reaches the output" in text
    assert text.count("silent") == 3
    assert "dB over" not in text
    assert "-288" not in text
    data = json.loads(labkit("response", RIG, "--set", "volume=0", "--json").out)
    assert (data["is_silent"], data["peak"], data["minus_3db_hz"], data["heard"]) == (True, None, None, [])
    assert set(data["gain_db"]) == {-600.0}
    assert data["warnings"] == []
    rows = labkit("response", RIG, "--set", "volume=0", "--csv").out.splitlines()
    assert rows[1].split(",")[1] == "-600"
    assert "the output is silent" in labkit("formula", RIG, "--set", "volume=0").out
    formula = labkit("formula", RIG, "--set", "volume=0", "--full").out
    assert "The formula is 0: the output is silent, no EMF reaches the output." in " ".join(formula.split())
    study = labkit("tolerance", RIG, "--set", "volume=0", "--count", "16").out
    assert "level at 100 Hz       silent       silent" in study
    assert "resonance             none" in study


def test_emfs_that_cancel_are_told_from_none_that_arrive(labkit):
    both = ("--set", "wiring=three pickups, a switch for each", "--set", "middle_switch=off")
    out = labkit("response", "Saltmarsh Lane, three pickups", *both, "--set", "neck_switch=reversed").out
    assert "silent: the EMFs cancel" in out
    assert "neck and bridge, out of phase" in out


def test_response_tells_what_is_heard_and_what_becomes_of_the_hum(labkit):
    data = json.loads(labkit("response", "Saltmarsh Lane, three pickups", "--json").out)
    assert data["heard"] == ["neck.main", "middle.main"]
    assert data["phase"] == "in"
    assert data["hum"]["effect"] == "cancels"
    # 7900 against 7700 turns, a hundredth more of mismatch: −34 dB, to a decibel
    assert data["hum"]["residual_db"] == pytest.approx(-34, abs=0.5)
    text = labkit("response", "Saltmarsh Lane, three pickups").out
    assert "heard      neck and middle, in phase" in text
    assert "hum        cancels: −34 dB at 100 Hz" in text


SWAPPED = """sheet = "rig"
format = 1
name = "swapped lugs"
[harness]
name = "one volume, lugs swapped"
pickups = ["bridge"]
output = "tip"
[harness.parts.volume]
kind = "pot"
nodes = ["ground", "tip", "bridge.hot"]
value = "250k"
[pickups]
bridge = "narrow single coil"
"""


@pytest.mark.parametrize("command", ["response", "formula", "netlist", "schematic"])
def test_a_wiring_that_passes_nothing_is_warned_of_on_standard_error(labkit, tmp_path, command):
    sheet = tmp_path / "swapped.toml"
    sheet.write_text(SWAPPED)
    done = labkit(command, sheet)
    warning = "no signal reaches the jack with 'volume' at 10, and some does with it at 0: are its outer lugs swapped?"
    assert (done.code, done.err) == (0, f"labkit: warning: swapped lugs: {warning}\n")
    if command == "response":
        assert json.loads(labkit(command, sheet, "--json").out)["warnings"] == [warning]


def test_the_catalogue_shows_what_each_position_of_a_wiring_does(labkit):
    out = labkit("catalogue", "harness", "two pickups, phase switch").out
    row = next(line for line in out.splitlines() if "phase reversed, selector both" in line)
    assert all(word in row for word in ("neck and bridge", "out of phase", "adds: +6 dB", "−34.4 dB"))
    data = json.loads(labkit("catalogue", "harness", "dummy coil in series", "--json").out)
    assert [row["hum"][:7] for row in data["positions"]] == ["cancels"]
    assert labkit("catalogue", "cable", "typical cable").out.startswith("typical cable\n")
    wrong = labkit("catalogue", "harness", "two pickups, phase swich")
    assert wrong.code == 2
    assert "two pickups, phase switch" in wrong.err


def test_a_wiring_of_ones_own_is_tried_when_the_catalogue_is_checked(labkit, tmp_path, monkeypatch):
    from tests.plugins.packages import forget

    monkeypatch.setenv("LABKIT_CATALOGUE", str(tmp_path))
    (tmp_path / "own.toml").write_text(
        'sheet = "harness"\nformat = 1\nname = "mine"\npickups = ["bridge"]\noutput = "tip"\n'
        '[parts.volume]\nkind = "pot"\nnodes = ["bridge.hot", "tip", "bridge.hot"]\nvalue = "250k"\n'
    )
    forget()
    try:
        done = labkit("catalogue", "--check")
    finally:
        monkeypatch.undo()
        forget()
    assert done.code == 0
    assert "labkit: warning: mine: the pot 'volume' has both ends of its track on 'bridge.hot'" in done.err


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


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("response", "Missing argument 'SHEET'; write: labkit response [OPTIONS] SHEET"),
        ("diagnose a b c", "Got unexpected extra argument (c); write: labkit diagnose [OPTIONS] PICKUP READINGS"),
        ("reproduce x", "Missing option '--wire': A wire in stock; repeat for each."),
        ("book batc x", "no command is named 'batc'. Did you mean 'batch'?"),
        ("open --port abc", "Invalid value for '--port': 'abc' is not a whole number."),
    ],
)
def test_words_that_a_command_does_not_take_are_answered_with_those_it_takes(labkit, words, said):
    answer = labkit(*words.split())
    assert (answer.code, answer.err) == (2, f"labkit: {said}\n")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(command, labkit):
    outcome = labkit(command, "--help")
    assert outcome.code == 0
    assert len(outcome.out.splitlines()) > 3
