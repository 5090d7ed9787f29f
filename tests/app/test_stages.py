"""The rig page as a path: every control once, in the order of the signal, and what each stage costs."""

from __future__ import annotations

import pytest

from labkit.app.pages.rig.stages import END, PICKUP, WIRED, rig_without, rig_without_pots, stage_heads
from labkit.app.pages.rig.state import RigPageState


@pytest.fixture
def state():
    return RigPageState()


def heads(state):
    return stage_heads(state.rig, state.values, state.controls.groups)


def test_the_groups_follow_the_signal_and_hold_every_control_once(state):
    titles = [group.title for group in state.controls.groups]
    assert titles[:4] == [PICKUP, WIRED, "Parts inside", "Cable"]
    assert titles.index("Cable") < titles.index(END)
    keys = [control.key for group in state.controls.groups for control in group.controls]
    assert len(keys) == len(set(keys))
    assert set(keys) == set(state.values)


def test_a_stage_says_where_the_peak_would_be_without_it(state):
    cable = state.rig.stage("cable")
    assert heads(state)["Cable"].startswith("500 pF; without: peak ")
    without = rig_without(state.rig, cable).response()
    # a coil and a capacitance ring lower with every picofarad more, so without 500 of them the peak lies far higher
    assert without.peak.frequency_hz > 1.3 * state.rig.response().peak.frequency_hz
    assert f"{without.peak.frequency_hz / 1000:.1f} kHz" in heads(state)["Cable"]
    unloaded = rig_without_pots(state.rig).response().peak
    assert unloaded.height_db > state.rig.response().peak.height_db + 3
    assert heads(state)[WIRED] == f"without pots: peak {unloaded.frequency_hz / 1000:.1f} kHz"


def test_what_a_cable_costs_follows_its_length(state):
    state.set_text("cable.length", "10")
    assert heads(state)["Cable"].startswith("1 nF; ")
    before = heads(state)["Cable"].partition("; ")[2]
    state.set_text("cable.length", "3")
    assert heads(state)["Cable"].partition("; ")[2] == before, "without it the length is nothing to the peak"


def test_a_stage_that_is_put_in_becomes_a_stage_of_the_path(state):
    state.set_text("rig.add", "volume pedal")
    titles = [group.title for group in state.controls.groups]
    assert titles.index("Cable") < titles.index("Volume pedal") < titles.index(END)
    assert heads(state)["Volume pedal"].startswith("without: peak")


def test_every_rig_and_every_wiring_has_a_path(state):
    for key in ("rig", "rig.wiring"):
        for position in RigPageState().controls[key].positions:
            state.set_text(key, str(position))
            titles = [group.title for group in state.controls.groups]
            assert len(titles) == len(set(titles)), position
            assert set(heads(state)) == set(titles)
            held = {control.key for group in state.controls.groups for control in group.controls}
            assert held == set(state.values), position


def test_a_fold_carries_its_values(state):
    assert heads(state)["Parts inside"] == "250 kΩ, 250 kΩ, 22 nF"
    assert heads(state)["Add or disconnect"] == "no buffer, straight in, all connected"
