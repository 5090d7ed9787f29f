"""How loud: the level of every page's rig against what it is compared with, and the curve as the strings drive it."""

from __future__ import annotations

import re

import numpy as np
import pytest

from labkit.app.kit.sound import LiveSound, level_sentence
from labkit.app.pages.cable.state import CablePageState
from labkit.app.pages.listening.state import ListeningPageState
from labkit.app.pages.listening.words import desk_view
from labkit.app.pages.pots.state import PotsPageState
from labkit.app.pages.rig.page import RigPage
from labkit.app.pages.rig.state import BY_STRINGS, CURVE, EQUAL_EMF, RigPageState
from labkit.app.pages.winding.state import WindingPageState
from labkit.app.pages.winding.words import change_sentence
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig, set_value
from labkit.view.words import KeyNumber

BUILT, ALNICO_2 = "narrow single coil, built", "narrow single coil, alnico 2, built"


def last(numbers: tuple[KeyNumber, ...]) -> KeyNumber:
    assert len(numbers) == 4
    return numbers[-1]


def rig_bench(**steps: str) -> RigPageState:
    state = RigPageState()
    for key, text in steps.items():
        state.set_text(key.replace("__", "."), text)
    assert state.errors == {}
    return state


def half_charge() -> WindingPageState:
    state = WindingPageState()
    state.keep()
    state.set_text("charge", "50 %")
    assert state.errors == {}
    return state


def test_a_magnet_at_half_charge_is_softer_by_much_less_than_half_on_the_winding_page() -> None:
    state = half_charge()
    level = last(state.numbers)
    assert level.label == "Level"
    assert re.fullmatch(r"3\.\d dB softer", level.value)
    assert re.search(r"(± 1\.\d|\+1\.\d −1\.\d) dB", level.detail)  # what is not known of the strings' steel
    assert "equal EMF" not in level.detail
    assert state.change is not None
    assert re.search(r"output 3\.\d dB down", change_sentence(state.change, "full charge"))


def test_the_winding_page_shows_the_output_with_its_doubt_before_anything_is_pinned() -> None:
    assert last(WindingPageState().numbers).sentence == "Output 0.0 dB, ± 0.7 dB over the reference coil"


def test_the_rig_page_compares_two_magnets_with_the_doubt_of_the_model() -> None:
    state = rig_bench(bridge=BUILT)
    state.keep()
    state.set_text("bridge", ALNICO_2)
    level = last(state.numbers)
    assert level.value == "as loud", "which of the two is louder is not claimed"
    assert re.search(r"best guess \+0\.\d dB, (± 1\.\d|\+\d\.\d −\d\.\d) dB$", level.detail)
    assert state.drawn == ""


def test_the_rig_page_says_equal_emf_and_offers_the_key_where_an_output_is_not_known() -> None:
    state = RigPageState()
    assert last(state.numbers).sentence == "Output not known, so levels are at equal EMF"
    assert 'output = "-2 dB"' in state.caption
    state.keep()
    state.set_text("bridge", BUILT)
    assert last(state.numbers).detail.endswith("at equal EMF")
    assert "at equal EMF" in state.drawn
    assert "the output of 'narrow single coil' is not known; state it" in state.caption


def test_with_two_pickups_the_page_says_which_curve_is_drawn_and_offers_the_other() -> None:
    state = rig_bench(rig="Saltmarsh Lane, two pickups", selector="both", neck=BUILT, bridge=BUILT)
    assert state.drawn.startswith("Drawn at equal EMF")
    assert state.values[CURVE] == EQUAL_EMF
    before = state.curves()[0].gain_db
    state.set_text(CURVE, BY_STRINGS)
    assert state.drawn.startswith("Drawn as the strings drive it")
    assert np.max(np.abs(state.curves()[0].gain_db - before)) > 3
    assert "82 Hz" in state.caption
    again = RigPageState(query=state.query)
    assert again.problems == ()
    assert again.values[CURVE] == BY_STRINGS
    assert again.curves()[0].gain_db == pytest.approx(state.curves()[0].gain_db)
    state.undo()
    assert state.values[CURVE] == EQUAL_EMF


def test_the_rig_page_names_strings_that_a_neck_pickup_pulls_hard_on() -> None:
    rig = load_rig("Saltmarsh Lane, two pickups")
    state = RigPageState(set_value(rig, "neck", BUILT))
    assert "pull hard" not in state.drawn
    close = RigPageState(set_value(state.rig, "neck.string_distance", "1.5 mm"))
    assert "The magnets pull hard on " in close.drawn
    assert "no listening data stand behind this limit" in close.drawn
    assert "pull hard" not in RigPageState(set_value(rig, "bridge", BUILT)).drawn


def test_drawn_by_the_strings_half_the_charge_lies_lower_by_its_output() -> None:
    state = RigPageState(set_value(load_rig("Saltmarsh Lane, narrow single coil"), "bridge", BUILT))
    state.keep()
    state.set_text(CURVE, BY_STRINGS)
    assert len(state.snapshot.rig.pins) == 1  # moving the curve keeps the pin
    full = state.curves()[0].gain_db
    half = RigPageState(set_value(state.rig, "bridge.main.poles.charge", "50 %"))
    half.set_text(CURVE, BY_STRINGS)
    lower = half.curves()[0].gain_db - full
    assert np.all((lower < -2.5) & (lower > -4.5))  # the strings balance a little otherwise, so the curve bends
    assert half.result.gain_db == pytest.approx(state.result.gain_db)  # at equal EMF nothing differs


def test_a_curve_by_the_strings_is_not_said_to_count_an_output_that_is_not_known() -> None:
    unknown, known = RigPageState(), rig_bench(bridge=BUILT)
    for state in (unknown, known):
        state.set_text(CURVE, BY_STRINGS)
    assert "output as far as known" in unknown.drawn
    assert "place and output counted" in known.drawn


def test_an_unknown_curve_in_an_address_is_the_usual_one() -> None:
    assert RigPageState(query="v=1&own.curve=%3Cscript%3E").values[CURVE] == EQUAL_EMF


def test_the_widget_shows_which_curve_is_drawn() -> None:
    page = RigPage(RigPageState())
    assert "lab-drawn" not in page.caption.value
    page.state.set_text("rig", "Saltmarsh Lane, two pickups")
    page.show()
    assert "Drawn at equal EMF" in page.caption.value


def test_a_cable_and_a_pot_change_no_output_and_carry_no_doubt() -> None:
    for state in (CablePageState(), PotsPageState()):
        level = last(state.numbers)
        assert level.label == "Level"
        assert "±" not in level.detail
        assert "equal EMF" not in level.detail  # the pickup is the same in both


def test_the_bar_says_how_much_softer_and_how_sure() -> None:
    full = set_value(load_rig("Saltmarsh Lane, narrow single coil"), "bridge", BUILT)
    half = set_value(full, "bridge.main.poles.charge", "50 %")

    def said(now: Rig, kept: Rig) -> str:
        return level_sentence(now, kept, played.hear(now, kept))

    played = LiveSound()
    played.play("low note")
    assert re.match(r"Before matching, A is [34]\.\d dB softer than B \(95 of 100 between", said(half, full))
    pair = played.hear(half, full)
    assert re.fullmatch(r"level −[34]\.\d\N{NO-BREAK SPACE}dB", pair.level_words("A", is_same=False))
    assert re.fullmatch(r"−[34]\.\d\N{NO-BREAK SPACE}dB to match", pair.level_words("B", is_same=True))
    other_magnet = set_value(full, "bridge", ALNICO_2)
    assert "(95 of 100 between" in said(other_magnet, full)
    measured = load_rig("Saltmarsh Lane, narrow single coil")
    assert "at equal EMF: the output of" in said(full, measured)


def test_the_listening_test_takes_the_output_away_and_says_so() -> None:
    full = set_value(load_rig("Saltmarsh Lane, narrow single coil"), "bridge", BUILT)
    state = ListeningPageState(full)
    state.set_text("part", "bridge")
    state.set_text("changed", ALNICO_2)
    assert state.errors == {}
    assert "the second is as loud as the first (best guess +0." in state.level
    assert state.level in desk_view(state)["lines"]
    state.prepare()
    lines = " ".join(desk_view(state)["lines"])
    assert "before that, B was" in lines
    assert "95 of 100 between" in lines
