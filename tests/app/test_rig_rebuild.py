"""Other wirings, other lines, opened sheets: one name for each rig, and every state comes back from its address."""

from __future__ import annotations

import base64
import json
import zlib

import numpy as np
import pytest

from labkit.app.kit.rig.opened import LONGEST_PACKED, PACKED, pack, read_sheet_text, rig_sheet_text, unpack
from labkit.app.kit.rig.rebuild import ADD, BUFFER, TAKE_OUT, WIRING
from labkit.app.pages.rig.state import RigPageState
from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.rig.chain.stages import ValveInput
from labkit.rig.sheet import load_rig

WIRINGS = catalogue().usable_names("harness")
RIGS = RigPageState().offers.rigs


def bench_of(rig: str) -> RigPageState:
    state = RigPageState()
    state.set_text("rig", rig)
    return state


@pytest.mark.parametrize("rig", RIGS)
def test_every_wiring_of_the_catalogue_can_be_chosen_and_comes_back_from_the_address(rig):
    state = bench_of(rig)
    for wiring in WIRINGS:
        state.set_text(WIRING, wiring)
        assert state.errors == {}
        assert state.rig.harness.name == wiring
        assert set(state.rig.pickups) == set(state.rig.harness.slots)
        assert {control.key for control in state.controls} == set(state.values)
        again = RigPageState(query=state.query)
        assert again.problems == ()
        assert again.snapshot == state.snapshot


def test_a_wiring_that_joins_single_coils_gets_a_two_coil_pickup():
    state = RigPageState()
    assert len(state.rig.pickups["bridge"].coils) == 1
    state.set_text(WIRING, "two-coil, series, split or parallel")
    assert len(state.rig.pickups["bridge"].coils) == 2


def test_a_slot_that_stays_keeps_its_pickup_and_a_part_of_the_same_name_its_value():
    state = bench_of("Saltmarsh Lane, two pickups")
    state.set_text("neck", "narrow single coil, reversed")
    state.set_text("volume.value", "300k")
    state.set_text("cable.length", "7")
    state.set_text(WIRING, "two pickups, phase switch")
    assert state.values["neck"] == "narrow single coil, reversed"
    assert state.values["volume.value"] == 300e3
    assert state.rig.stage("cable").length == 7


def test_going_back_to_the_rigs_own_wiring_gives_its_plain_name():
    state = RigPageState()
    state.set_text(WIRING, "one volume")
    state.set_text(WIRING, load_rig(state.offers.default_rig).harness.name)
    assert state.query == ""


def test_a_single_coil_in_a_slot_whose_coils_are_rewired_is_told_beside_it():
    state = RigPageState()
    state.set_text(WIRING, "two-coil, series, split or parallel")
    before = state.snapshot
    state.set_text("bridge", "narrow single coil")
    assert "has no coil" in state.errors["bridge"]
    assert state.snapshot == before


def test_a_buffer_at_the_guitar_takes_the_cable_off_the_pickup():
    state = RigPageState()
    state.set_text("cable.length", "20")
    loaded = state.result.reading.minus_3db_hz
    state.set_text(BUFFER, "a buffer")
    assert [stage.kind for stage in state.rig.chain] == ["buffer", "cable", "input"]
    # 20 m of 100 pF/m are 2 nF beside the coil's own 110 pF: without them the treble reaches well over an octave higher
    assert state.result.reading.minus_3db_hz > 2 * loaded
    assert state.rig.stage("cable").length == 20
    state.set_text(BUFFER, "nothing")
    assert state.result.reading.minus_3db_hz == loaded


@pytest.mark.parametrize("kind", ["cable", "bypass box", "buffer", "volume pedal"])
def test_what_is_put_into_the_line_can_be_set_and_taken_out(kind):
    state = RigPageState()
    fresh = state.snapshot
    state.set_text(ADD, kind)
    added = state.rig.chain[1]
    assert added.kind == kind
    keys = [control.key for control in state.controls if control.key.partition(".")[0] == added.name]
    assert keys
    assert state.values[ADD] == "nothing"
    state.set_text(TAKE_OUT, added.name)
    assert state.snapshot == fresh


def test_taking_one_of_two_cables_out_keeps_the_other_as_it_was_set():
    state = RigPageState()
    state.set_text(ADD, "cable")
    state.set_text("cable2.length", "9")
    state.set_text(TAKE_OUT, "cable")
    assert [stage.name for stage in state.rig.chain] == ["cable", "input"]
    assert state.rig.stage("cable").length == 9


def test_a_line_that_grows_too_long_says_so():
    state = RigPageState()
    for _ in range(12):
        state.set_text(ADD, "bypass box")
    assert "at most 10 stages" in state.errors[ADD]


def test_inputs_of_every_kind_are_offered():
    state = RigPageState()
    state.set_text("input", "valve amplifier, low input")
    assert isinstance(state.rig.chain[-1], ValveInput)
    assert RigPageState(query=state.query).snapshot == state.snapshot
    # two resistors of 68 kΩ as a divider: half the level, 6.02 dB, and some more for the load on the coil
    assert state.result.reading.bass_db < -6
    state.set_text("input", "line input")
    assert state.rig.chain[-1].kind == "low-impedance input"
    assert state.errors == {}


def test_undo_walks_back_through_a_rebuilt_rig():
    state = RigPageState()
    state.set_text(WIRING, "two pickups, phase switch")
    state.set_text("cable.length", "12")
    state.undo()
    state.undo()
    assert state.query == ""


@pytest.mark.parametrize(
    "name",
    [
        "Saltmarsh Lane, narrow single coil · wiring none such",
        "Saltmarsh Lane, narrow single coil · line cannon",
        "Saltmarsh Lane, narrow single coil · line " + ", ".join(["cable"] * 40),
        "Saltmarsh Lane, narrow single coil · wiring ../../etc/passwd",
        " · wiring one volume",
        PACKED,
        PACKED + "AAAA",
        PACKED + "x" * 5000,
        f"{PACKED}é",
    ],
)
def test_a_name_that_asks_for_what_there_is_not_opens_the_usual_rig(name):
    state = RigPageState(query=f"v=1&rig={name}")
    assert state.problems
    assert state.query == ""


@pytest.mark.parametrize("name", RIGS)
def test_a_saved_sheet_opens_as_the_same_rig_and_travels_in_the_address(name):
    first = bench_of(name)
    first.set_text("cable.length", "7")
    state = RigPageState()
    state.keep()
    state.open_sheet(rig_sheet_text(first.rig), "mine.toml")
    frequency = np.array([100.0, 1000.0, 3000.0, 8000.0])
    # the sheet writes every value with all its digits: equal but for rounding
    np.testing.assert_allclose(state.rig.evaluate(frequency), first.rig.evaluate(frequency), rtol=1e-12)
    state.set_text("cable.length", "8")
    again = RigPageState(query=state.query)
    assert again.problems == ()
    assert again.rig.chain == state.rig.chain
    np.testing.assert_allclose(again.rig.evaluate(frequency), state.rig.evaluate(frequency), rtol=1e-12)
    assert again.query == state.query


def test_an_opened_rig_takes_another_wiring_too():
    state = RigPageState()
    state.open_sheet(rig_sheet_text(load_rig(RIGS[1]).replace(name="my bench")), "mine.toml")
    state.set_text(WIRING, "two pickups, phase switch")
    again = RigPageState(query=state.query)
    assert again.snapshot == state.snapshot
    assert again.snapshot.rig.setup.rig.startswith("my bench")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("sheet = ", "not valid TOML"),
        ('sheet = "pickup"\nformat = 1\n', "a rig sheet is due"),
        ('sheet = "rig"\nformat = 1\nname = "x"\nharness = "../a.toml"\n[pickups]\n', "a browser sends only the sheet"),
        (
            'sheet = "rig"\nformat = 1\nname = "x"\nharness = "one volume"\n[pickups]\nbridge = "/etc/passwd"\n',
            "a browser sends only the sheet",
        ),
        ("x" * 300_000, "at most 200 kB"),
    ],
)
def test_a_sheet_that_cannot_be_opened_says_why_and_changes_nothing(text, words):
    state = RigPageState()
    before = state.snapshot
    with pytest.raises(InputError, match=words):
        state.open_sheet(text, "mine.toml")
    assert state.snapshot == before


def packed(data: object) -> str:
    return PACKED + base64.urlsafe_b64encode(zlib.compress(json.dumps(data).encode(), 9)).decode().rstrip("=")


def test_a_bomb_in_an_address_is_refused_unpacked_no_further_than_a_sheet_goes():
    bomb = packed(" " * 2_000_000)
    assert len(bomb) < LONGEST_PACKED
    with pytest.raises(InputError, match="damaged"):
        unpack(bomb)


@pytest.mark.parametrize("data", [[], 1, "x", {"name": 1}, {"name": "x", "harness": "a.toml", "pickups": {}}])
def test_what_is_no_rig_is_refused_in_words(data):
    with pytest.raises(InputError):
        unpack(packed(data))


def test_what_the_catalogue_holds_is_called_by_name_in_a_packed_rig():
    # names in place of the wiring and of three pickups, and packed: the sheet itself takes 3.3 kB
    assert len(pack(load_rig(RIGS[1]))) < len(rig_sheet_text(load_rig(RIGS[1]))) / 5
    assert unpack(pack(load_rig(RIGS[1]))).harness == load_rig(RIGS[1]).harness


def test_a_sheet_named_like_a_rig_of_the_catalogue_gets_a_name_of_its_own():
    state = RigPageState()
    changed = bench_of(RIGS[0])
    changed.set_text("volume.value", "330k")
    state.open_sheet(rig_sheet_text(changed.rig), "mine.toml")
    assert state.snapshot.rig.setup.rig == f"{RIGS[0]} (opened)"
    assert state.rig.harness.parts["volume"].value == 330e3
    assert read_sheet_text(rig_sheet_text(state.rig), "again").harness.parts["volume"].value == 330e3


def test_two_pins_of_another_rig_are_told_apart_by_what_differs_between_them():
    state = bench_of(RIGS[1])
    state.keep()
    state.set_text("cable.length", "20")
    state.keep()
    state.set_text("rig", RIGS[2])
    shorts = [pin.short for pin in state.pins]
    assert len(set(shorts)) == 2
    assert shorts[0].endswith("cable 20 m")
    assert len({pin.text for pin in state.pins}) == 2


def test_the_plot_keeps_its_place_while_the_names_of_pins_change():
    state = RigPageState()
    state.keep()
    state.set_text("cable.length", "6")
    first = state.draw(790).split('data-frame="')[1].split('"')[0]
    state.set_text("tone", "4")
    assert state.draw(790).split('data-frame="')[1].split('"')[0] == first
