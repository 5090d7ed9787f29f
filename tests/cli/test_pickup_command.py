"""``labkit pickup``: text, JSON, picture, changes, and one line for everything that is wrong."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import tomli_w

from labkit.catalogue import catalogue
from tests.pickup.builds import PAIR, SINGLE

BUILT = [name for name in catalogue().names("pickup") if name.endswith("built")]
COIL_KEYS = {"resistance_ohm", "inductance_h", "capacitance_f", "turns", "mean_turn_m", "wire_m", "build_up_m"}


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "single.toml"
    path.write_text(tomli_w.dumps({"sheet": "pickup", "format": 1, **SINGLE}))
    return path


KEYS = {
    "coils",
    "total",
    "resonance_hz",
    "field_t",
    "field_over_poles_t",
    "relative_output_db",
    "output",
    "hum_ratio",
    "history",
    "warnings",
}


@pytest.mark.parametrize("name", catalogue().names("pickup"))
def test_json_has_its_keys_and_ordered_bounds_for_every_pickup_of_the_catalogue(labkit, name):
    outcome = labkit("pickup", name, "--json")
    assert outcome.code == 0, outcome.err
    data = json.loads(outcome.out)
    assert set(data) == KEYS
    for coil in [*data["coils"].values(), data["total"]]:
        assert set(coil) == COIL_KEYS
        for key in ("resistance_ohm", "inductance_h", "capacitance_f"):
            assert coil[key]["low"] <= coil[key]["value"] <= coil[key]["high"]
    assert data["resonance_hz"]["low"] <= data["resonance_hz"]["value"] <= data["resonance_hz"]["high"]
    if name in BUILT:
        assert data["total"]["inductance_h"]["low"] < data["total"]["inductance_h"]["high"]
        field = data["field_t"]
        assert field["at_m"] == [0.0005, 0.001, 0.002, 0.003, 0.004]
        assert len(field["value"]) == len(field["low"]) == len(field["high"]) == 5
        assert field["value"] == sorted(field["value"], reverse=True)
        assert data["relative_output_db"]["low"] < data["relative_output_db"]["high"]
        assert data["total"]["wire_m"] > 100
    else:
        assert data["total"]["resistance_ohm"]["low"] == data["total"]["resistance_ohm"]["high"]
        assert data["field_t"] is None
        assert data["relative_output_db"] is None


def test_text_shows_value_bounds_and_the_largest_cause(labkit, sheet):
    outcome = labkit("pickup", sheet)
    assert outcome.code == 0
    line = next(line for line in outcome.out.splitlines() if line.strip().startswith("resistance"))
    assert "5.81 kΩ" in line
    assert "5.47 kΩ … 6.16 kΩ" in line
    assert "bare diameter" in line
    assert "Not modelled" in outcome.out


def test_why_lists_the_causes_of_every_value(labkit, sheet):
    outcome = labkit("pickup", sheet, "--why")
    assert "permeability of Alnico 5" in outcome.out
    assert "stretch" in outcome.out
    causes = json.loads(labkit("pickup", sheet, "--why", "--json").out)["why"]
    assert sum(causes["resistance"].values()) == pytest.approx(1.0)


def test_values_of_an_electrical_sheet_are_called_given(labkit):
    outcome = labkit("pickup", "two-coil")
    assert outcome.code == 0
    assert "given" in outcome.out
    assert "…" not in outcome.out


def test_set_changes_the_sheet_in_its_own_words(labkit, sheet):
    plain = json.loads(labkit("pickup", sheet, "--json").out)
    fewer = json.loads(labkit("pickup", sheet, "--json", "--set", "coil.main.turns=7500").out)
    assert fewer["coils"]["main"]["turns"] == 7500
    assert fewer["total"]["inductance_h"]["value"] < plain["total"]["inductance_h"]["value"]
    covered = labkit(
        "pickup", sheet, "--set", "cover.metal=brass", "--set", "cover.thickness=0.4 mm", "--set", "cover.gap=1 mm"
    )
    assert "single-coil cover: effect known to ±40 %" in " ".join(covered.out.split())
    value = json.loads(labkit("pickup", "two-coil", "--json", "--set", "coil.slug.inductance=2.2 H").out)
    assert value["coils"]["slug"]["inductance_h"]["value"] == 2.2


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("coil.main.poles.charge=140 %", "140 %"),
        ("coil.main.poles.grade=Alnico 55", "no magnet is named"),
        ("coil.main.poles.count=0", "at least 1"),
        ("coil.main.flange_radius=5 mm", "overflow"),
        ("coil.main.wire=AWG 422", "no wire is named"),
        ("coil.mian.turns=4", "Did you mean 'main'?"),
        ("coil.main.turns", "KEY=VALUE"),
        ("coil.main.turns=many", "must be a whole number"),
        ("coil.main.turns=8000.5", "must be a whole number from 1 to 200000; got 8000.5"),
        ("coil.main.turns=200000", "fit no bobbin: build-up must be 20 mm or less"),
    ],
)
def test_bad_input_is_one_line_and_exit_code_2(labkit, sheet, change, words):
    outcome = labkit("pickup", sheet, "--set", change)
    assert (outcome.code, outcome.out) == (2, "")
    assert words in outcome.err
    assert outcome.err.count("\n") == 1


def test_unknown_pickups_and_other_sheets_are_named(labkit, tmp_path):
    assert "neither a file nor a pickup" in labkit("pickup", "two-coil, biult").err
    assert "Did you mean 'two-coil, built'?" in labkit("pickup", "two-coil, biult").err
    rig = tmp_path / "rig.toml"
    rig.write_text('sheet = "rig"\nformat = 1\nname = "x"\n')
    assert "a pickup sheet is due here" in labkit("pickup", rig).err


def test_against_another_pickup_everything_that_differs_is_said_together(labkit, sheet):
    outcome = labkit("pickup", sheet, "--set", "coil.main.poles.grade=Alnico 2", "--against", sheet)
    assert outcome.code == 0
    told = outcome.out[outcome.out.index("against") :]
    for word in ("resistance", "inductance", "peak into the load", "eddy loss at 5 kHz", "output", "+17."):
        assert word in told
    data = json.loads(labkit("pickup", "two-coil", "--json", "--against", sheet).out)["against"]
    assert data["inductance_ratio"]["low"] < data["inductance_ratio"]["value"]
    assert data["output_db"] is None


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_plot_is_written_and_not_overwritten(labkit, sheet, tmp_path, kind):
    path = tmp_path / f"pickup.{kind}"
    assert labkit("pickup", sheet, "--plot", path).code == 0
    written = path.read_bytes()
    assert written.startswith(b"\x89PNG") if kind == "png" else b"Field over the poles" in written
    assert labkit("pickup", sheet, "--plot", path).code == 2
    assert labkit("pickup", sheet, "--plot", path, "--force").code == 0
    assert path.read_bytes() == written, "the same pickup gives the same picture"


def test_plot_of_given_values_has_no_field(labkit, tmp_path):
    path = tmp_path / "given.svg"
    assert labkit("pickup", "two-coil", "--plot", path).code == 0
    text = path.read_text()
    assert "nothing connected" in text
    assert "Field" not in text
    assert "95 of 100" not in text, "values that are given have no band"


def test_output_goes_into_a_file(labkit, tmp_path):
    pair = tmp_path / "pair.toml"
    pair.write_text(tomli_w.dumps({"sheet": "pickup", "format": 1, **PAIR}))
    target = tmp_path / "pair.json"
    assert labkit("pickup", pair, "--json", "--output", target).code == 0
    assert json.loads(target.read_text())["coils"].keys() == {"screw", "slug"}


def test_a_build_sheet_works_as_the_pickup_of_a_rig(labkit, sheet, tmp_path):
    rig = tmp_path / "rig.toml"
    rig.write_text(
        tomli_w.dumps(
            {
                "sheet": "rig",
                "format": 1,
                "name": "built rig",
                "harness": "one volume, one tone",
                "pickups": {"bridge": "single.toml"},
                "chain": [
                    {"kind": "cable", "length": "5 m", "capacitance": "100 pF/m"},
                    {"kind": "input", "resistance": "1M", "capacitance": "100 pF"},
                ],
            }
        )
    )
    peak = json.loads(labkit("response", rig, "--json").out)["peak"]
    assert 3e3 < peak["frequency_hz"] < 5e3


def test_other_turns_share_the_doubt_of_the_output_model(labkit, sheet):
    outcome = labkit("pickup", sheet, "--set", "coil.main.turns=7550", "--against", sheet)
    line = next(line for line in outcome.out.splitlines() if line.startswith("    output"))
    assert line.split()[1:] == ["-0.6", "dB", "-0.6", "…", "-0.6", "dB"]
    data = json.loads(labkit("pickup", sheet, "--set", "coil.main.turns=7550", "--against", sheet, "--json").out)
    level = data["against"]["output_db"]
    assert level["low"] < level["value"] < level["high"] < -0.4
    assert level["high"] - level["low"] < 0.1  # another build-up has another window


def test_uneven_poles_unequal_coils_and_a_history_are_in_the_output(labkit):
    data = json.loads(labkit("pickup", "mixed-grade single coil, built", "--json", "--reading", "40 mT").out)
    over = data["field_over_poles_t"]
    assert len(over["value"]) == len(over["low"]) == 6
    assert min(over["value"][:3]) > max(over["value"][3:])
    assert data["history"]["charge_left"]["value"] == pytest.approx(data["history"]["events"][-1]["charge_left"])
    assert 0 < data["charge_for_reading"]["low"] < data["charge_for_reading"]["value"] < 1
    text = labkit("pickup", "mixed-grade single coil, built", "--reading", "40 mT").out
    assert "history: charged to saturation, 100 %; stabilised by 5 %, 95 %; held against 10 mT" in text
    assert "40 mT at 0 mm means" in text
    hum = json.loads(labkit("pickup", "unequal two-coil, built", "--json").out)["hum_ratio"]
    assert 0.02 < hum["low"] < hum["value"] < hum["high"] < 0.2
    beyond = labkit("pickup", "narrow single coil, built", "--reading", "300 mT").out
    assert "more than these magnets reach" in beyond


def test_output_is_counted_from_a_chosen_pickup(labkit):
    usual = json.loads(labkit("pickup", "narrow single coil, built", "--json").out)["relative_output_db"]["value"]
    other = json.loads(labkit("pickup", "slugs over a ferrite bar, built", "--json").out)["relative_output_db"]["value"]
    arguments = ("narrow single coil, built", "--reference", "slugs over a ferrite bar, built")
    counted = json.loads(labkit("pickup", *arguments, "--json").out)
    assert counted["relative_output_db"]["value"] == pytest.approx(usual - other, abs=1e-9)
    assert "counts from slugs over a ferrite bar, built." in labkit("pickup", *arguments).out
    refused = labkit("pickup", "narrow single coil, built", "--reference", "narrow single coil")
    assert refused.code == 2
    assert "is not known" in refused.err


def test_output_stands_string_by_string_with_what_it_rests_on(labkit, sheet):
    output = json.loads(labkit("pickup", sheet, "--json").out)["output"]
    assert len(output["strings"]) == 6
    for string in output["strings"]:
        for key in ("sensitivity_v_per_m_per_s", "pluck_v", "pull_n", "window_m"):
            assert string[key]["low"] < string[key]["value"] < string[key]["high"]
        assert 0.003 < string["window_m"]["value"] < 0.007
    assert "not measured" in output["basis"]
    text = labkit("pickup", sheet).out
    assert "by string: voltage per velocity" in text
    assert "model, not measured" in text
    assert json.loads(labkit("pickup", "two-coil", "--json").out)["output"] is None


def test_a_field_map_is_written_as_a_table_or_a_drawing(labkit, sheet, tmp_path):
    table, drawing = tmp_path / "map.csv", tmp_path / "map.svg"
    outcome = labkit("pickup", sheet, "--field-map", table, "--height", "2 mm")
    assert outcome.code == 0
    assert "field over its poles at 2 mm, in mT: " in outcome.out
    assert table.read_text(encoding="utf-8").startswith("across_strings_mm,along_strings_mm,b_across_mt")
    assert labkit("pickup", sheet, "--field-map", drawing).code == 0
    assert "3 mm over its poles" in drawing.read_text(encoding="utf-8")
    assert labkit("pickup", sheet, "--field-map", table).code == 2, "an existing file is kept"
    wrong = labkit("pickup", sheet, "--field-map", tmp_path / "b.csv", "--height", "high")
    assert wrong.code == 2
    assert "--height" in wrong.err
    assert labkit("pickup", "two-coil", "--field-map", tmp_path / "c.csv").code == 2
    assert labkit("pickup", sheet, "--field-map", tmp_path / "d.txt").code == 2
