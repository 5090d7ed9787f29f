"""The rig page without a browser: what moves, what is said, what an address may and may not do."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from urllib.parse import urlencode

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.app.kit.rig.state import MOST_PINS
from labkit.app.pages.rig.state import RigPageState
from labkit.rig.sheet import load_rig, set_value

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def state() -> RigPageState:
    """The page as it opens; every call of the clock is ten seconds later."""
    times = iter(range(0, 10**6, 10))
    return RigPageState(clock=lambda: float(next(times)))


def other_rig(state: RigPageState) -> str:
    """A rig with a switch, which the usual one has not."""
    return next(name for name in state.offers.rigs if load_rig(name).harness.selectors)


def test_the_page_opens_with_a_working_rig_and_an_empty_address(state):
    assert state.query == ""
    assert state.snapshot.rig.setup.rig == "Saltmarsh Lane, narrow single coil", "whatever other rigs there are"
    assert state.offers.rigs[0] == state.offers.default_rig
    assert state.result.reading.peak_hz is not None
    assert state.numbers[0].value.endswith("kHz")


def test_a_longer_cable_moves_the_peak_down_as_the_command_line_says(state):
    before = state.result.reading.peak_hz
    state.set_text("cable.length", "10 m")
    # the same change through the sheet's own words is the outside check here: equal to the peak search's 1e-6
    expected = set_value(load_rig(state.offers.default_rig), "cable.length", "10 m").response().peak
    assert state.result.reading.peak_hz == pytest.approx(expected.frequency_hz, rel=1e-6)
    assert state.result.reading.peak_hz < before


@pytest.mark.parametrize(
    ("key", "text"),
    [
        ("volume", "5"),
        ("tone", "2.5"),
        ("volume.value", "500k"),
        ("tone_capacitor", "47n"),
        ("cable.length", "3 m"),
        ("cable.capacitance", "52 pF/m"),
        ("bridge", "two-coil"),
    ],
)
def test_every_control_does_what_the_command_line_does(state, key, text):
    state.set_text(key, text)
    assert state.errors == {}
    expected = set_value(load_rig(state.offers.default_rig), key, text).response()
    got = state.rig.response()
    # the same circuit solved by the same code: equal but for rounding
    assert got.gain_db == pytest.approx(expected.gain_db, abs=1e-9)


def test_input_comes_from_the_catalogue(state):
    state.set_text("input", "interface input, 220 kΩ")
    assert state.rig.stage("input").resistance == 220e3


def test_controls_follow_the_harness_of_the_rig(state):
    assert "selector" not in state.controls
    state.set_text("rig", other_rig(state))
    assert "selector" in state.controls
    (selector,) = load_rig(other_rig(state)).harness.selectors
    assert state.controls["selector"].positions == selector.positions


def test_a_bad_value_leaves_the_rig_alone_and_is_told_beside_its_control(state):
    before = state.snapshot
    state.set_text("tone_capacitor", "22 kΩ")
    assert state.snapshot == before
    assert "capacitance" in state.errors["tone_capacitor"]
    state.set_text("tone_capacitor", "10n")
    assert state.errors == {}


@pytest.mark.parametrize(("index", "place"), [(-7, 0), (10**9, -1)])
def test_positions_beyond_the_ends_stop_there(state, index, place):
    state.set_index("cable.length", index)
    assert state.values["cable.length"] == state.controls["cable.length"].positions[place]


def test_undo_and_redo_walk_the_same_way(state):
    snapshots = [state.snapshot]
    for key, text in (("volume", "5"), ("cable.length", "9"), ("tone", "1")):
        state.set_text(key, text)
        snapshots.append(state.snapshot)
    for snapshot in reversed(snapshots[:-1]):
        state.undo()
        assert state.snapshot == snapshot
    assert not state.can_undo
    for snapshot in snapshots[1:]:
        state.redo()
        assert state.snapshot == snapshot


def test_start_again_goes_back_to_the_sheet_and_can_be_undone(state):
    state.set_text("volume", "3")
    state.keep()
    moved = state.snapshot
    state.start_again()
    assert state.query == ""
    state.undo()
    assert state.snapshot == moved


def test_no_more_than_three_pins_and_none_twice(state):
    state.keep()
    assert not state.can_keep
    for length in ("2", "3", "4", "6"):
        state.set_text("cable.length", length)
        state.keep()
    assert len(state.pins) == MOST_PINS
    assert [pin.short for pin in state.pins] == ["the same", "cable 4 m", "cable 3 m"]


def test_pins_say_what_differs_and_how_it_is_now(state):
    state.set_text("cable.length", "3")
    state.keep()
    state.set_text("cable.length", "10")
    (pin,) = state.pins
    assert pin.short == "cable 3 m"
    assert pin.text == "Cable length 3 m, now 10 m"
    assert state.numbers[0].detail.endswith("lower than with cable 3 m")


def test_the_newest_pin_is_b_and_the_others_move_up(state):
    for length in ("2", "3", "4"):
        state.set_text("cable.length", length)
        state.keep()
    assert [(pin.pin.slot, pin.short) for pin in state.pins] == [(0, "the same"), (1, "cable 3 m"), (2, "cable 2 m")]
    state.unpin(1)
    assert [(pin.pin.slot, pin.short) for pin in state.pins] == [(0, "the same"), (1, "cable 2 m")]
    state.next_kept()
    assert [pin.short for pin in state.pins] == ["cable 2 m", "the same"]
    assert state.compared.short == "cable 2 m"
    assert state.pins[0].here == "cable 4 m"


def test_going_back_to_a_pin_restores_it_and_keeps_it(state):
    state.set_text("tone", "4")
    state.keep()
    pinned = state.snapshot.rig.setup
    state.set_text("tone", "9")
    state.restore(0)
    assert state.snapshot.rig.setup == pinned
    assert len(state.pins) == 1


def test_the_drawing_shows_now_and_every_pin(state):
    state.keep()
    state.set_text("cable.length", "10")
    state.keep()
    state.set_text("tone", "4")
    svg = ElementTree.fromstring(state.draw(790))
    assert len(list(svg.iter(f"{SVG}polyline"))) == 3
    assert state.numbers[0].value in svg.find(f"{SVG}desc").text


@given(
    st.fixed_dictionaries(
        {},
        optional={
            "volume": st.floats(min_value=0, max_value=10),
            "tone": st.floats(min_value=0, max_value=10),
            "tone_capacitor": st.floats(min_value=1e-12, max_value=1e-6),
            "cable.length": st.floats(min_value=0, max_value=100),
            "bridge": st.sampled_from(["narrow single coil", "two-coil"]),
        },
    )
)
def test_an_address_restores_the_state_it_was_written_from(values):
    state = RigPageState()
    for key, value in values.items():
        state.set_text(key, value if isinstance(value, str) else f"{state.controls[key].encode(value)}{UNITS[key]}")
    state.keep()
    again = RigPageState(query=state.query)
    assert again.problems == ()
    assert again.snapshot == state.snapshot


UNITS = {"volume": "", "tone": "", "tone_capacitor": " F", "cable.length": " m"}


@given(st.text(max_size=300))
def test_no_address_breaks_the_page(text):
    state = RigPageState(query=text)
    assert state.draw(400).startswith("<svg")


@given(
    st.lists(
        st.tuples(
            st.sampled_from(
                ["v", "rig", "pin", "volume", "cable.length", "cable.capacitance", "input", "bridge", "<b>"]
            ),
            st.one_of(
                st.text(max_size=30), st.floats().map(str), st.sampled_from(["1", "two-coil", "volume=3", "-1e300"])
            ),
        ),
        max_size=12,
    )
)
def test_damaged_addresses_are_clamped_or_left_out(fields):
    state = RigPageState(query=urlencode(fields))
    for control in state.controls:
        value = state.values[control.key]
        if control.is_quantity:
            low, high = control.limits
            assert low <= value <= high
        else:
            assert value in control.positions
    # what the page then writes must be readable without complaint
    assert RigPageState(query=state.query).problems == ()


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("v=99&volume=3", "another version"),
        ("volume=lots", "no number"),
        ("colour=red", "no 'colour'"),
        ("rig=../../etc/passwd", "no rig"),
        ("x=" + "9" * 10_000, "too long"),
        ("&".join(f"a{index}=1" for index in range(400)), "more than this page ever writes"),
    ],
)
def test_what_of_a_link_cannot_be_used_is_said(query, words):
    state = RigPageState(query=query)
    assert words in " ".join(state.problems)
    assert state.query == ""


def test_a_link_never_reads_a_file(tmp_path):
    sheet = tmp_path / "rig.toml"
    sheet.write_text('sheet = "rig"\nformat = 1\nname = "mine"\n')
    state = RigPageState(query=urlencode({"rig": str(sheet), "bridge": str(sheet)}))
    assert state.snapshot.rig.setup.rig == state.offers.default_rig
    assert state.problems


def test_a_rig_of_ones_own_opens_the_page(state):
    own = load_rig(other_rig(state)).replace(name="mine <b>own</b>")
    page = RigPageState(own)
    assert page.offers.default_rig == "mine <b>own</b>"
    assert page.controls["rig"].positions[0] == "mine <b>own</b>"
    assert "<b>" not in page.draw(790)


def test_volume_at_zero_is_said_to_be_silent_and_still_drawn(state):
    state.set_text("volume", "0")
    assert state.numbers[0].value == "silent"
    assert state.draw(400).startswith("<svg")
