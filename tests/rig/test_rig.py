"""Rig → Circuit → Response: laws of the trade, sources, settings, round trips."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.sheet import parse_sheet, sheet_text
from labkit.pickup.electrical import Coil, Pickup
from labkit.pickup.sheet import pickup_data, read_pickup
from labkit.rig.harness import harness_data, read_harness
from labkit.rig.sheet import load_rig, read_rig, rig_data, set_value

SINGLE = "Saltmarsh Lane, narrow single coil"
PAIR = "Saltmarsh Lane, two pickups"


def test_the_response_is_that_of_the_hand_calculation():
    rig = load_rig(SINGLE).replace(
        pickups={"bridge": Pickup(name="x", coils={"main": Coil(resistance=6e3, inductance=2.4, capacitance=110e-12)})}
    )
    frequency = np.geomspace(20, 20e3, 200)
    s = 2j * np.pi * frequency
    load = 1 / 250e3 + 1 / 1e6 + s * (110e-12 + 500e-12 + 107e-12) + 1 / (250e3 + 1 / (s * 22e-9))
    by_hand = 1 / (1 + (6e3 + s * 2.4) * load)
    # double precision through eleven elements
    assert rig.evaluate(frequency) == pytest.approx(by_hand, rel=1e-10)


def test_pots_damp_a_resonance_and_leave_the_bass_alone():
    # calculated with the plain two-element models: 0.2 dB of bass between 250 kΩ and 500 kΩ pots
    rig = load_rig(SINGLE)
    bigger = set_value(set_value(rig, "volume.value", "500k"), "tone.value", "500k")
    assert bigger.response().peak.height_db > rig.response().peak.height_db + 2
    assert abs(bigger.response().gain_db_at(100) - rig.response().gain_db_at(100)) < 0.3


def test_tone_capacitor_does_not_matter_with_the_tone_full_up():
    rig = load_rig(SINGLE)
    curves = [set_value(rig, "tone_capacitor", value).response().gain_db[150:] for value in ("10n", "100n")]
    # common practice, no source: at most 0.02 dB; below 150 Hz the branch is the pot anyway
    assert np.max(np.abs(curves[0] - curves[1])) < 0.1


def test_volume_at_zero_is_silence_and_not_an_error():
    response = load_rig(SINGLE).replace(settings={"volume": 0}).response()
    assert np.all(response.gain_db < -150)
    assert np.all(np.isfinite(response.gain_db))


def test_selector_positions_choose_the_pickups():
    rig = load_rig(PAIR)
    neck = rig.replace(settings={"selector": "neck"})
    assert np.max(np.abs(neck.evaluate(np.array([1e3]), source="bridge"))) < 1e-12
    assert abs(neck.evaluate(np.array([1e3]), source="neck")[0]) > 0.5


def test_sources_add_up_to_the_whole():
    rig = load_rig(PAIR).replace(settings={"selector": "both"})
    frequency = np.geomspace(20, 20e3, 50)
    parts = sum(rig.evaluate(frequency, source=source) for source in ("neck", "bridge.screw", "bridge.slug"))
    assert parts == pytest.approx(rig.evaluate(frequency), rel=1e-9)


def test_a_two_coil_pickup_in_series_counts_as_one_and_one_coil_as_its_share():
    coil = Coil(resistance=4e3, inductance=2.0, turns=5000)
    rig = load_rig(SINGLE).replace(pickups={"bridge": Pickup(name="pair", coils={"a": coil, "b": coil})}, chain=())
    low = np.array([1.0])
    assert abs(rig.evaluate(low)[0]) == pytest.approx(250e3 / 258e3, rel=1e-3)
    assert abs(rig.evaluate(low, source="bridge.a")[0]) == pytest.approx(0.5 * 250e3 / 258e3, rel=1e-3)


@pytest.mark.parametrize("wound", ["clockwise", "counter-clockwise"])
@pytest.mark.parametrize("facing", ["north", "south"])
def test_two_pickups_are_in_phase_when_wind_and_magnet_agree_or_both_differ(wound, facing):
    # common practice, no source: same wind and same magnet, or both opposite
    one = Coil(resistance=6e3, inductance=2.4, facing="north", wound="clockwise")
    other = Coil(resistance=6e3, inductance=2.4, facing=facing, wound=wound)
    rig = load_rig(PAIR).replace(
        pickups={"neck": Pickup(name="n", coils={"m": one}), "bridge": Pickup(name="b", coils={"m": other})},
        settings={"selector": "both"},
    )
    level = abs(rig.evaluate(np.array([200.0]))[0])
    in_phase = (wound == "clockwise") == (facing == "north")
    assert level > 0.8 if in_phase else level < 1e-6


def test_own_leads_of_a_two_coil_pickup_add_whatever_the_sense_of_its_coils():
    low = np.array([50.0])
    for wound in ("clockwise", "counter-clockwise"):
        first = Coil(resistance=4e3, inductance=2.0, facing="north", wound="clockwise")
        second = Coil(resistance=4e3, inductance=2.0, facing="south", wound=wound)
        rig = load_rig(SINGLE).replace(
            pickups={"bridge": Pickup(name="p", coils={"a": first, "b": second}, coupling=0.1)}
        )
        rig = set_value(rig, "tone_capacitor", "0 F")  # at 1 Hz it would take R²C = 1.4 H off the reading
        assert abs(rig.evaluate(low)[0]) > 0.9
        reactance = rig.replace(chain=()).output_impedance(np.array([1.0])).imag[0] / (2 * np.pi)
        # 2·2 H·(1 + 0.1) seen through the pot's 250 kΩ: (1 − 8k/258k)² of it
        assert reactance == pytest.approx(4.4 * (250 / 258) ** 2, rel=2e-2)


@pytest.mark.parametrize("name", catalogue().names("rig"))
def test_rigs_survive_saving(name):
    rig = load_rig(name)
    again = read_rig(parse_sheet(sheet_text("rig", rig_data(rig)), "saved"))
    assert again == rig


@pytest.mark.parametrize("name", catalogue().names("harness"))
def test_harnesses_survive_saving(name):
    harness = catalogue().load("harness", name)
    assert read_harness(parse_sheet(sheet_text("harness", harness_data(harness)), "saved")) == harness


def test_pickups_survive_saving():
    for name in catalogue().names("pickup"):
        pickup = catalogue().load("pickup", name)
        again = read_pickup(parse_sheet(sheet_text("pickup", pickup_data(pickup)), "saved"))
        assert (again.coils, again.coupling, again.connection) == (pickup.coils, pickup.coupling, pickup.connection)


def test_ganged_parts_must_have_the_same_positions(tmp_path):
    text = """
sheet = "harness"
format = 1
name = "gang"
pickups = ["neck"]
output = "tip"
[parts.a]
kind = "switch"
control = "mode"
positions = { up = [["neck.hot", "tip"]], down = [] }
[parts.b]
kind = "switch"
control = "mode"
positions = { left = [["tip", "ground"]], right = [] }
"""
    with pytest.raises(InputError, match="same positions"):
        read_harness(parse_sheet(text, "gang.toml"))


def test_paths_in_a_sheet_start_at_its_folder(tmp_path):
    (tmp_path / "pickups").mkdir()
    (tmp_path / "pickups" / "own.toml").write_text(
        sheet_text("pickup", {"name": "own", "coil": {"main": {"resistance": "5 kΩ", "inductance": "2 H"}}})
    )
    (tmp_path / "rig.toml").write_text(
        sheet_text("rig", {"name": "r", "harness": "one volume, one tone", "pickups": {"bridge": "pickups/own.toml"}})
    )
    assert load_rig(tmp_path / "rig.toml").pickups["bridge"].coils["main"].resistance == 5000.0


def test_a_folder_of_sheets_named_in_the_environment_is_found(tmp_path, monkeypatch):
    (tmp_path / "mine.toml").write_text(
        sheet_text("pickup", {"name": "found by folder", "coil": {"main": {"resistance": "5 kΩ", "inductance": "2 H"}}})
    )
    (tmp_path / "broken.toml").write_text("sheet = ")
    monkeypatch.setenv("LABKIT_CATALOGUE", str(tmp_path))
    assert "found by folder" in catalogue().names("pickup")
    assert any("broken.toml" in problem for problem in catalogue().problems)


def test_a_catalogue_name_with_a_stroke_in_it_is_no_path(tmp_path, monkeypatch):
    coil = {"main": {"resistance": "5 kΩ", "inductance": "2 H"}}
    (tmp_path / "coil.toml").write_text(sheet_text("pickup", {"name": "6/8", "coil": coil}))
    (tmp_path / "rig.toml").write_text(
        sheet_text(
            "rig",
            {"name": "a/b </b>", "harness": "one volume, one tone", "pickups": {"bridge": {"name": "x", "coil": coil}}},
        )
    )
    monkeypatch.setenv("LABKIT_CATALOGUE", str(tmp_path))
    assert load_rig("a/b </b>").name == "a/b </b>"
    assert set_value(load_rig(SINGLE), "bridge", "6/8").pickups["bridge"].coils["main"].resistance == 5000.0
    with pytest.raises(InputError, match="no such file"):
        load_rig("a/c")


def test_a_changed_pickup_name_is_used_in_its_slot():
    rig = set_value(load_rig(SINGLE), "bridge", "two-coil")
    assert list(rig.pickups["bridge"].coils) == ["screw", "slug"]
