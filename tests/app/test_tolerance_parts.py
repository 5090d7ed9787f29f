"""One part with a tolerance of its own: what is offered, how it travels in an address, what it does to the spreads."""

from __future__ import annotations

import pytest

from labkit.app.pages.study.controls import (
    MOST_PARTS,
    OWN_TOLERANCES,
    PART,
    PART_BY,
    PERCENT,
    own_tolerance_controls,
    own_tolerance_defaults,
    parts_with_tolerance,
    read_own_tolerances,
    shown_part_by,
    with_part_by,
    write_own_tolerances,
)
from labkit.app.pages.study.state import StudyPageState
from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.rig.inputs import rig_inputs
from labkit.rig.sheet import load_rig
from labkit.study.tolerance.kinds import COILS, wanted_spreads, with_own_tolerances
from labkit.study.tolerance.spread import default_spreads

SINGLE = "Saltmarsh Lane, narrow single coil"


@pytest.mark.parametrize("name", catalogue().usable_names("rig"))
def test_every_part_that_varies_by_its_class_can_have_a_tolerance_of_its_own(name):
    rig = load_rig(name)
    offered = parts_with_tolerance(rig)
    assert set(default_spreads(rig)) <= set(offered)
    assert len(set(offered.values())) == len(offered), "no two parts are called the same"


def test_coils_wound_to_a_tolerance_are_known_half_as_well_in_their_capacitance():
    """Common practice, no source: a coil's capacitance scatters twice as much as its resistance and inductance."""
    rig = load_rig(SINGLE)
    spreads = wanted_spreads(rig, {COILS: 0.04})
    values = rig_inputs(rig)
    high = {
        key: spreads[f"bridge.main.{key}"].high / values[f"bridge.main.{key}"].value
        for key in ("resistance", "inductance", "capacitance")
    }
    assert high == pytest.approx({"resistance": 1.04, "inductance": 1.04, "capacitance": 1.08})


def test_a_knob_is_set_and_no_part_that_varies():
    assert "volume" not in parts_with_tolerance(load_rig(SINGLE))
    assert "tone" not in parts_with_tolerance(load_rig(SINGLE))


def test_what_is_written_is_read_again():
    rig = load_rig(SINGLE)
    own = {"volume.value": "5", "bridge.main.inductance": "0", "cable.length": "30"}
    assert read_own_tolerances(rig, write_own_tolerances(own)) == own


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("volum.value;5", "volume.value"),
        ("volume.value;6", "one of ±"),
        ("volume.value;-5", "one of ±"),
        ("volume.value;1e9", "one of ±"),
        ("<script>", "no part"),
        (";;;", "no part"),
    ],
)
def test_a_damaged_field_is_refused_in_one_sentence(text, said):
    with pytest.raises(InputError, match=said) as caught:
        read_own_tolerances(load_rig(SINGLE), text)
    assert "\n" not in str(caught.value)


def test_more_parts_than_an_address_holds_are_refused():
    rig = load_rig("Saltmarsh Lane, three pickups")
    names = list(parts_with_tolerance(rig))
    full = dict.fromkeys(names[:MOST_PARTS], "30")
    assert len(write_own_tolerances(full)) < 400
    with pytest.raises(InputError, match="at most"):
        read_own_tolerances(rig, write_own_tolerances({**full, names[MOST_PARTS]: "5"}))
    values = {PART: names[MOST_PARTS], OWN_TOLERANCES: write_own_tolerances(full)}
    with pytest.raises(InputError, match="at most"):
        with_part_by(values, "5")


def test_the_chosen_part_shows_its_own_tolerance_and_can_be_put_back():
    values = own_tolerance_defaults(load_rig(SINGLE))
    values[PART] = "cable.length"
    values |= with_part_by(values, "10")
    assert shown_part_by(values) == {PART_BY: "10"}
    values[PART] = "volume.value"
    assert shown_part_by(values) == {PART_BY: "usual"}
    values |= with_part_by(values, "0")
    values[PART] = "cable.length"
    values |= with_part_by(values, "usual")
    assert values[OWN_TOLERANCES] == "volume.value;0"


def test_the_hidden_field_accepts_what_the_page_writes():
    rig = load_rig(SINGLE)
    field = next(control for control in own_tolerance_controls(rig) if control.key == OWN_TOLERANCES)
    assert field.decode("volume.value;5,cable.length;0") == "cable.length;0,volume.value;5"
    assert field.decode("") == ""


def test_a_part_of_its_own_takes_the_place_of_its_kind():
    rig = load_rig(SINGLE)
    usual = default_spreads(rig)
    found = with_own_tolerances(rig, usual, {"volume.value": 0.05, "tone.value": 0.0, "cable.length": 0.1})
    value = rig_inputs(rig)["volume.value"].value
    assert (found["volume.value"].low, found["volume.value"].high) == (value * 0.95, value * 1.05)
    assert "tone.value" not in found
    assert found["cable.length"].shape == "uniform"
    assert {name: spread for name, spread in found.items() if name in usual and name != "volume.value"} == {
        name: spread for name, spread in usual.items() if name not in ("volume.value", "tone.value")
    }


def test_a_coil_keeps_the_shape_of_its_kind():
    rig = load_rig(SINGLE)
    found = with_own_tolerances(rig, default_spreads(rig), {"bridge.main.inductance": 0.3})
    assert found["bridge.main.inductance"].shape == "normal"
    # the widest tolerance on offer must not reach a negative inductance, which the study refuses
    assert found["bridge.main.inductance"].range[0] > 0
    assert max(float(percent) for percent in PERCENT) == 30.0


def choose(state, part, percent):
    """Give one part a tolerance of its own, as the two controls do."""
    state.set_index(PART, state.controls[PART].positions.index(part))
    state.set_index(PART_BY, state.controls[PART_BY].positions.index(percent))


def width_of_the_band(state):
    job = state.job()
    answer = job.function(job.ask, progress=lambda _: None, stop=lambda: False)
    return answer.measure.high - answer.measure.low


def test_a_cable_of_uncertain_length_widens_the_band_and_an_exact_one_narrows_it():
    state = StudyPageState()
    usual = width_of_the_band(state)
    choose(state, "cable.length", "30")
    wide = width_of_the_band(state)
    choose(state, "cable.length", "usual")
    assert width_of_the_band(state) == usual
    choose(state, "cable.capacitance", "0")
    assert width_of_the_band(state) < usual < wide


def test_a_tolerance_of_its_own_travels_in_the_address_and_can_be_undone():
    state = StudyPageState()
    before = state.key
    choose(state, "cable.length", "10")
    assert state.key != before, "the answer has to be worked out anew"
    other = StudyPageState(query=state.query)
    assert other.problems == ()
    assert other.query == state.query
    assert other.values[PART_BY] == "10"
    state.undo()
    assert state.values[PART_BY] == "usual"


def test_damage_in_the_field_is_told_and_left_out():
    state = StudyPageState(query=f"v=1&{OWN_TOLERANCES}=%3Cscript%3E")
    assert state.values[OWN_TOLERANCES] == ""
    assert "no part '<script>'" in state.problems[0]


def test_another_rig_keeps_only_tolerances_of_parts_it_has():
    state = StudyPageState(query=f"v=1&{OWN_TOLERANCES}=bridge.main.inductance;0")
    assert state.job().ask.own == {"bridge.main.inductance": 0.0}
    state.set_index("rig", state.controls["rig"].positions.index("Saltmarsh Lane, two pickups"))
    assert state.job().ask.own == {}
