"""How loud: the level of every page's rig against what it is compared with, and the curve as the strings drive it."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile

from labkit.app.kit.listening import hear
from labkit.app.pages.cable.state import CableBench
from labkit.app.pages.listening.state import ListeningBench
from labkit.app.pages.listening.words import desk_view
from labkit.app.pages.pots.state import PotsBench
from labkit.app.pages.rig.page import RigPage
from labkit.app.pages.rig.state import BY_STRINGS, CURVE, EQUAL_EMF, RigBench
from labkit.app.pages.winding.state import WindingBench
from labkit.app.pages.winding.words import change_sentence
from labkit.rig.sheet import load_rig, set_value
from labkit.view.words import KeyNumber

BUILT, ALNICO_2 = "narrow single coil, built", "narrow single coil, alnico 2, built"


def last(numbers: tuple[KeyNumber, ...]) -> KeyNumber:
    assert len(numbers) == 4
    return numbers[-1]


def rig_bench(**steps: str) -> RigBench:
    bench = RigBench()
    for key, text in steps.items():
        bench.set_text(key.replace("__", "."), text)
    assert bench.errors == {}
    return bench


def half_charge() -> WindingBench:
    bench = WindingBench()
    bench.pin()
    bench.set_text("charge", "50 %")
    assert bench.errors == {}
    return bench


def test_a_magnet_at_half_charge_is_six_decibels_softer_on_the_winding_page() -> None:
    bench = half_charge()
    level = last(bench.numbers)
    assert (level.label, level.value) == ("Level", "6.0 dB softer")
    assert "±" not in level.detail  # only the charge differs
    assert "equal EMF" not in level.detail
    assert bench.change is not None
    assert "output 6.0 dB down." in change_sentence(bench.change, "full charge")


def test_the_winding_page_shows_the_output_with_its_doubt_before_anything_is_pinned() -> None:
    assert last(WindingBench().numbers).sentence == "Output 0.0 dB, ± 1.5 dB over the reference coil"


def test_the_rig_page_compares_two_magnets_with_the_doubt_of_the_model() -> None:
    bench = rig_bench(bridge=BUILT)
    bench.pin()
    bench.set_text("bridge", ALNICO_2)
    level = last(bench.numbers)
    assert level.value == "1.0 dB softer"
    assert level.detail.endswith("± 1.5 dB")
    assert bench.drawn == ""


def test_the_rig_page_says_equal_emf_and_offers_the_key_where_an_output_is_not_known() -> None:
    bench = RigBench()
    assert last(bench.numbers).sentence == "Output not known, so levels are at equal EMF"
    assert 'output = "-2 dB"' in bench.caption
    bench.pin()
    bench.set_text("bridge", BUILT)
    assert last(bench.numbers).detail.endswith("at equal EMF")
    assert "at equal EMF" in bench.drawn
    assert "the output of 'narrow single coil' is not known; state it" in bench.caption


def test_with_two_pickups_the_page_says_which_curve_is_drawn_and_offers_the_other() -> None:
    bench = rig_bench(rig="Saltmarsh Lane, two pickups", selector="both", neck=BUILT, bridge=BUILT)
    assert bench.drawn.startswith("Drawn at equal EMF")
    assert bench.values[CURVE] == EQUAL_EMF
    before = bench.curves()[0].gain_db
    bench.set_text(CURVE, BY_STRINGS)
    assert bench.drawn.startswith("Drawn as the strings drive it")
    assert np.max(np.abs(bench.curves()[0].gain_db - before)) > 3
    assert "82 Hz" in bench.caption
    again = RigBench(query=bench.query)
    assert again.problems == ()
    assert again.values[CURVE] == BY_STRINGS
    assert again.curves()[0].gain_db == pytest.approx(bench.curves()[0].gain_db)
    bench.undo()
    assert bench.values[CURVE] == EQUAL_EMF


def test_drawn_by_the_strings_half_the_charge_lies_six_decibels_lower() -> None:
    bench = RigBench(set_value(load_rig("Saltmarsh Lane, narrow single coil"), "bridge", BUILT))
    bench.pin()
    bench.set_text(CURVE, BY_STRINGS)
    assert len(bench.state.pins) == 1  # moving the curve keeps the pin
    full = bench.curves()[0].gain_db
    half = RigBench(set_value(bench.rig, "bridge.main.poles.charge", "50 %"))
    half.set_text(CURVE, BY_STRINGS)
    assert half.curves()[0].gain_db - full == pytest.approx(np.full(full.shape, -20 * np.log10(2)), abs=1e-9)
    assert half.shown.gain_db == pytest.approx(bench.shown.gain_db)  # at equal EMF nothing differs


def test_a_curve_by_the_strings_is_not_said_to_count_an_output_that_is_not_known() -> None:
    unknown, known = RigBench(), rig_bench(bridge=BUILT)
    for bench in (unknown, known):
        bench.set_text(CURVE, BY_STRINGS)
    assert "output as far as known" in unknown.drawn
    assert "place and output counted" in known.drawn


def test_an_unknown_curve_in_an_address_is_the_usual_one() -> None:
    assert RigBench(query="v=1&own.curve=%3Cscript%3E").values[CURVE] == EQUAL_EMF


def test_the_widget_shows_which_curve_is_drawn() -> None:
    page = RigPage(RigBench())
    assert "lab-drawn" not in page.caption.value
    page.bench.set_text("rig", "Saltmarsh Lane, two pickups")
    page.show()
    assert "Drawn at equal EMF" in page.caption.value


def test_a_cable_and_a_pot_change_no_output_and_carry_no_doubt() -> None:
    for bench in (CableBench(), PotsBench()):
        level = last(bench.numbers)
        assert level.label == "Level"
        assert "±" not in level.detail
        assert "equal EMF" not in level.detail  # the pickup is the same in both


def test_the_player_says_how_much_softer_and_how_sure() -> None:
    full = set_value(load_rig("Saltmarsh Lane, narrow single coil"), "bridge", BUILT)
    half = set_value(full, "bridge.main.poles.charge", "50 %")
    heard = hear(half, other=full, other_name="full charge", take="low note")
    assert "now was 6.0 dB softer than the other." in heard.note
    now, other = (soundfile.read(io.BytesIO(data))[0] for data in (heard.now, heard.other))
    assert np.sqrt(np.mean(now**2)) == pytest.approx(np.sqrt(np.mean(other**2)), rel=1e-3)
    other_magnet = set_value(full, "bridge", ALNICO_2)
    assert "(95 of 100 between" in hear(other_magnet, other=full, take="low note").note
    measured = load_rig("Saltmarsh Lane, narrow single coil")
    assert "at equal EMF: the output of" in hear(full, other=measured, take="low note").note


def test_the_listening_test_takes_the_output_away_and_says_so() -> None:
    full = set_value(load_rig("Saltmarsh Lane, narrow single coil"), "bridge", BUILT)
    bench = ListeningBench(full)
    bench.set_text("part", "bridge")
    bench.set_text("changed", ALNICO_2)
    assert bench.errors == {}
    assert "dB softer" in bench.level or "dB louder" in bench.level
    assert bench.level in desk_view(bench)["lines"]
    bench.prepare()
    lines = " ".join(desk_view(bench)["lines"])
    assert "before that, B was" in lines
    assert "95 of 100 between" in lines
