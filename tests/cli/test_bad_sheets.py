"""Every bad sheet: exit 2, one readable line that names file, key and remedy, no traceback, nothing written."""

from __future__ import annotations

import os

import pytest

GOOD = """
sheet = "rig"
format = 1
name = "test rig"
harness = "one volume, one tone"
[pickups]
bridge = "narrow single coil"
[settings]
volume = 10
[[chain]]
kind = "cable"
length = "5 m"
capacitance = "100 pF/m"
[[chain]]
kind = "input"
resistance = "1M"
capacitance = "100 pF"
"""

INLINE = GOOD.replace(
    'bridge = "narrow single coil"',
    'bridge = { name = "x", coil = { main = { resistance = "6 kΩ", inductance = "2.4 H", capacitance = "110 pF" } } }',
)

HARNESS = """
sheet = "harness"
format = 1
name = "own"
pickups = ["bridge"]
output = "tip"
[parts.volume]
kind = "pot"
nodes = ["bridge.hot", "tip", "ground"]
value = "250k"
taper = "linear"
"""


COIL = """
sheet = "pickup"
format = 1
name = "wound"
[coil.main]
turns = 8000
wire = "AWG 42 single build"
packing = 0.85
straight_length = "52 mm"
end_radius = "2.5 mm"
winding_height = "11 mm"
poles = { kind = "slug", count = 6, diameter = "4.8 mm", length = "13 mm", pitch = "10.4 mm" }
"""


def _own(text: str) -> dict[str, str]:
    return {"rig.toml": GOOD.replace('"one volume, one tone"', '"own.toml"'), "own.toml": text}


BAD: dict[str, tuple[dict[str, str], list[str]]] = {
    "unknown kind of sheet": (
        {"rig.toml": GOOD.replace('"rig"', '"rigg"', 1)},
        ["rig.toml", "sheet", "Did you mean 'rig'"],
    ),
    "another kind of sheet": ({"rig.toml": HARNESS}, ["rig.toml", "a rig sheet is due"]),
    "no kind": ({"rig.toml": GOOD.replace('sheet = "rig"', "")}, ["rig.toml", "sheet", "missing"]),
    "wrong format number": ({"rig.toml": GOOD.replace("format = 1", "format = 2")}, ["format", "must be 1"]),
    "number as text": (
        {"rig.toml": GOOD.replace('"narrow single coil"', '"coil.toml"')}
        | {"coil.toml": COIL.replace("packing = 0.85", 'packing = "85 %"')},
        ["coil.toml", "packing", "must be a number", "'85 %'", "Write 0.85, without quotes"],
    ),
    "whole number as a part": (
        {"rig.toml": GOOD.replace('"narrow single coil"', '"coil.toml"')}
        | {"coil.toml": COIL.replace("count = 6", 'count = "6.5"')},
        ["coil.toml", "count", "must be a whole number of 100 or less; got '6.5'"],
    ),
    "format as text": ({"rig.toml": GOOD.replace("format = 1", 'format = "1"')}, ["format", "must be 1"]),
    "no name": ({"rig.toml": GOOD.replace('name = "test rig"', "")}, ["name", "missing"]),
    "name not a text": ({"rig.toml": GOOD.replace('name = "test rig"', "name = 3")}, ["name", "in quotes"]),
    "not TOML": ({"rig.toml": "sheet = = rig"}, ["rig.toml", "not valid TOML", "line 1"]),
    "empty file": ({"rig.toml": "   \n"}, ["rig.toml", "is empty", 'sheet = "rig"']),
    "unknown key": ({"rig.toml": GOOD + "\n[setings]\n"}, ["setings", "Did you mean 'settings'"]),
    "unknown harness": (
        {"rig.toml": GOOD.replace("one volume, one tone", "one volume one tone")},
        ["harness", "Did you mean 'one volume, one tone'"],
    ),
    "unknown pickup": (
        {"rig.toml": GOOD.replace("narrow single coil", "narow single coil")},
        ["pickups.bridge", "Did you mean 'narrow single coil"],
    ),
    "unknown slot": ({"rig.toml": GOOD.replace("bridge =", "brige =")}, ["brige", "Did you mean 'bridge'"]),
    "missing slot": ({"rig.toml": GOOD.replace('bridge = "narrow single coil"', "")}, ["bridge", "missing"]),
    "pickup path that is not there": (
        {"rig.toml": GOOD.replace("narrow single coil", "pickups/none.toml")},
        ["pickups.bridge", "none.toml"],
    ),
    "rig in place of a pickup (a path in a circle)": (
        {"rig.toml": GOOD.replace("narrow single coil", "rig.toml")},
        ["pickups.bridge", "this is a 'rig' sheet", "a pickup sheet is due"],
    ),
    "unknown knob": (
        {"rig.toml": GOOD.replace("volume = 10", "volum = 10")},
        ["settings.volum", "Did you mean 'volume'"],
    ),
    "knob past its end": ({"rig.toml": GOOD.replace("volume = 10", "volume = 11")}, ["settings.volume", "0 to 10"]),
    "knob in words": ({"rig.toml": GOOD.replace("volume = 10", 'volume = "loud"')}, ["settings.volume", "0 to 10"]),
    "knob NaN": ({"rig.toml": GOOD.replace("volume = 10", "volume = nan")}, ["settings.volume", "0 to 10"]),
    "unknown part": (
        {"rig.toml": GOOD + '[parts]\ntone_cap = "22n"\n'},
        ["parts.tone_cap", "Did you mean 'tone_capacitor'"],
    ),
    "unit of another quantity": (
        {"rig.toml": GOOD + '[parts]\nvolume = "22 nF"\n'},
        [*["parts.volume.value", "is a capacitance", "250", "resistance"][:2], "a resistance is due"],
    ),
    "slip of the unit": (
        {"rig.toml": GOOD + '[parts]\ntone_capacitor = "22 uF"\n'},
        ["parts.tone_capacitor.value", "Did you mean 22 nF"],
    ),
    "number without unit": (
        {"rig.toml": GOOD + "[parts]\nvolume = { value = 250000 }\n"},
        ["parts.volume.value", "must be text with its unit"],
    ),
    "negative value": ({"rig.toml": GOOD.replace('"5 m"', '"-5 m"')}, ["chain[1].length", "at least 0 m"]),
    "taper by law letter": (
        {"rig.toml": GOOD + '[parts]\nvolume = { value = "250k", taper = "A" }\n'},
        ["parts.volume.taper", "in words"],
    ),
    "taper misspelt": (
        {"rig.toml": GOOD + '[parts]\nvolume = { value = "250k", taper = "lniear" }\n'},
        ["parts.volume.taper", "Did you mean 'linear'"],
    ),
    "unknown chain stage": (
        {"rig.toml": GOOD.replace('"cable"', '"cabel"')},
        ["chain[1].kind", "Did you mean 'cable'"],
    ),
    "chain stage without a value": (
        {"rig.toml": GOOD.replace('length = "5 m"', "")},
        ["chain[1].length", "missing"],
    ),
    "chain is not a list": (
        {"rig.toml": GOOD.replace("[[chain]]", "[chain]", 1).split("[[chain]]")[0]},
        ["chain", "[[chain]]"],
    ),
    "coil with a negative inductance": (
        {"rig.toml": INLINE.replace("2.4 H", "-2.4 H")},
        ["pickups.bridge.coil.main.inductance", "at least"],
    ),
    "coil without resistance": (
        {"rig.toml": INLINE.replace('resistance = "6 kΩ", ', "")},
        ["coil.main.resistance", "missing"],
    ),
    "coil with an unknown key": (
        {"rig.toml": INLINE.replace("inductance =", "inductence =")},
        ["coil.main.inductance", "You wrote 'inductence'"],
    ),
    "eddy fractions that create energy": (
        {
            "rig.toml": INLINE.replace(
                '"110 pF"',
                '"110 pF", eddy = [{ fraction = 0.7, corner = "3 kHz" }, { fraction = 0.6, corner = "9 kHz" }]',
            )
        },
        ["coil.main", "sum to less than 1"],
    ),
    "eddy fraction below zero": (
        {"rig.toml": INLINE.replace('"110 pF"', '"110 pF", eddy = [{ fraction = -0.1, corner = "3 kHz" }]')},
        ["coil.main.eddy[1].fraction", "from 0 to"],
    ),
    "NaN for a number": (
        {"rig.toml": INLINE.replace('name = "x"', 'name = "x", coupling = nan')},
        ["pickups.bridge.coupling", "must be a number"],
    ),
    "node that leads nowhere": (
        _own(HARNESS.replace('"tip", "ground"]', '"tpi", "ground"]')),
        ["own.toml", "nodes", "joined to nothing else", "Did you mean 'tip'"],
    ),
    "node missing from a pot": (
        _own(HARNESS.replace(', "ground"]', "]")),
        ["own.toml", "parts.volume.nodes", "clockwise end, wiper, counter-clockwise end"],
    ),
    "unknown kind of part": (_own(HARNESS.replace('"pot"', '"pott"')), ["parts.volume.kind", "Did you mean 'pot'"]),
    "node of a pickup that is not there": (
        _own(HARNESS.replace("bridge.hot", "brdge.hot")),
        ["parts.volume.nodes", "Did you mean 'bridge'"],
    ),
    "terminal that is none": (
        _own(HARNESS.replace("bridge.hot", "bridge.cold")),
        ["parts.volume.nodes", "bridge.hot, bridge.ground"],
    ),
    "switch without positions": (
        _own(HARNESS + '[parts.selector]\nkind = "switch"\n'),
        ["parts.selector.positions", "missing"],
    ),
    "switch with a single name for a pair": (
        _own(HARNESS + '[parts.selector]\nkind = "switch"\npositions = { on = [["bridge.hot"]] }\n'),
        ["parts.selector.positions.on", "pairs of nodes"],
    ),
    "deeply nested": ({"rig.toml": "sheet = " + "[" * 3000}, ["rig.toml", "TOML|nested"]),
}


@pytest.mark.parametrize("title", BAD)
def test_a_bad_sheet_gets_one_line_that_names_file_key_and_remedy(title, tmp_path, monkeypatch, labkit):
    files, words = BAD[title]
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    monkeypatch.chdir(tmp_path)
    outcome = labkit("response", "rig.toml", "--json", "--output", "out.json")
    assert outcome.code == 2
    assert outcome.err.count("\n") == 1
    assert "Traceback" not in outcome.err
    for word in words:
        assert any(option in outcome.err for option in word.split("|")), outcome.err
    assert ".toml" in outcome.err
    assert not (tmp_path / "out.json").exists()


def test_there_are_at_least_thirty_bad_sheets():
    assert len(BAD) >= 30


def test_the_good_sheet_they_are_made_from_is_read(tmp_path, labkit):
    for text in (GOOD, INLINE):
        (tmp_path / "rig.toml").write_text(text)
        assert labkit("response", tmp_path / "rig.toml", "--json").code == 0
    for name, text in _own(HARNESS).items():
        (tmp_path / name).write_text(text.replace("[settings]\nvolume = 10", "[settings]\nvolume = 7"))
    assert labkit("response", tmp_path / "rig.toml").code == 0


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\xff\xfe\x00\x01" * 64, "not a text file"),
        (b'sheet = "rig"\0', "binary data"),
        (b'name = "' + b"x" * 50_000_000 + b'"', "at most 1.0 MB is read here"),
    ],
    ids=["binary", "null byte", "50 MB"],
)
def test_files_that_are_no_sheets_are_refused(content, words, tmp_path, labkit):
    (tmp_path / "rig.toml").write_bytes(content)
    outcome = labkit("response", tmp_path / "rig.toml")
    assert (outcome.code, outcome.err.count("\n")) == (2, 1)
    assert words in outcome.err


def test_a_folder_and_a_missing_file_are_refused(tmp_path, labkit):
    (tmp_path / "rig.toml").mkdir()
    (tmp_path / "other.toml").write_text(GOOD)
    assert "is a folder" in labkit("response", tmp_path / "rig.toml").err
    missing = labkit("response", tmp_path / "othr.toml")
    assert missing.code == 2
    assert "no such file. Did you mean 'other.toml'?" in missing.err


@pytest.mark.skipif(os.geteuid() == 0, reason="permissions do not bind the administrator; run the tests as a user")
def test_an_unreadable_file_is_refused(tmp_path, labkit):
    (tmp_path / "rig.toml").write_text(GOOD)
    (tmp_path / "rig.toml").chmod(0)
    assert "cannot be read" in labkit("response", tmp_path / "rig.toml").err


def test_a_loop_of_links_is_refused(tmp_path, labkit):
    (tmp_path / "rig.toml").symlink_to(tmp_path / "rig2.toml")
    (tmp_path / "rig2.toml").symlink_to(tmp_path / "rig.toml")
    outcome = labkit("response", tmp_path / "rig.toml")
    assert (outcome.code, outcome.err.count("\n")) == (2, 1)


def test_a_byte_order_mark_does_no_harm(tmp_path, labkit):
    (tmp_path / "rig.toml").write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert labkit("response", tmp_path / "rig.toml").code == 0
