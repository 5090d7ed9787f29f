"""The pots page without a browser: every question against the trade's worked figures, and what an address may do."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.app.pages.pots.capacitors import bleed_view, capacitor_view, loss_view
from labkit.app.pages.pots.state import AS_BUILT, PotsPageState, views_of
from labkit.app.pages.pots.views import GRID_HZ, position_view, taper_view, value_view
from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.response import gain_db
from labkit.pickup.electrical import Coil, Pickup
from labkit.rig.harness import read_harness
from labkit.rig.parts.taper import parse_taper
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig, set_value
from labkit.study.questions.pots import (
    BLEEDS,
    USUAL_BLEEDS,
    bleed_of,
    levels_of_turn,
    pots,
    tone_capacitors,
    turn,
    turned,
    volume_pots,
    with_bleed,
    with_capacitor,
    with_pot_value,
    with_taper,
)


@pytest.fixture
def state() -> PotsPageState:
    """The page as it opens; every call of the clock is ten seconds later."""
    times = iter(range(0, 10**6, 10))
    return PotsPageState(clock=lambda: float(next(times)))


def worked_rig(*, inductance: float, resistance: float, capacitance: float, pot: float) -> Rig:
    """A pickup without core loss, 50 pF beside it and 500 pF of cable, 1 MΩ and 100 pF, 22 nF, linear tapers."""
    rig = load_rig("Saltmarsh Lane, narrow single coil")
    coil = Coil(inductance=inductance, resistance=resistance, capacitance=capacitance + 50e-12)
    rig = rig.replace(pickups={"bridge": Pickup(name="worked", coils={"main": coil})})
    for name, text in (
        ("cable.length", "5 m"),
        ("cable.capacitance", "100 pF/m"),
        ("input.resistance", "1 MΩ"),
        ("input.capacitance", "100 pF"),
    ):
        rig = set_value(rig, name, text)
    return with_taper(with_pot_value(rig, pot), "volume", parse_taper("linear"))


@pytest.fixture
def single() -> Rig:
    return worked_rig(inductance=2.4, resistance=6e3, capacitance=110e-12, pot=250e3)


@pytest.fixture
def double() -> Rig:
    return worked_rig(inductance=4.4, resistance=8e3, capacitance=130e-12, pot=500e3)


@pytest.mark.parametrize(
    ("coil", "pot", "height"),
    [("single", 250e3, 4.9), ("single", 500e3, 8.5), ("double", 250e3, 3.1), ("double", 500e3, 6.7)],
)
def test_peak_heights_by_pot_agree_with_the_worked_table(request, coil, pot, height):
    # an independent nodal analysis, printed with two digits
    rig = with_pot_value(request.getfixturevalue(coil), pot)
    assert rig.response().peak.height_db == pytest.approx(height, abs=0.06)


@pytest.mark.parametrize(
    ("nanofarads", "hertz"), [(3.3, 1170), (6.8, 845), (10, 700), (22, 460), (47, 280), (100, 124)]
)
def test_the_hump_at_tone_zero_agrees_with_the_worked_table(double, nanofarads, hertz):
    # an independent nodal analysis, printed with two to three digits; a hump this flat is placed within 3 %
    rig = with_capacitor(turned(double, ["tone"], 0.0), "tone_capacitor", value=nanofarads * 1e-9)
    assert rig.response().peak.frequency_hz == pytest.approx(hertz, rel=0.03)


@pytest.mark.parametrize(
    ("kind", "level", "at_three"),
    [("plain", -7.2, -7.4), ("capacitor", -6.8, 2.2), ("parallel", -3.5, -0.5), ("series", -5.6, -2.8)],
)
def test_bleeds_at_half_the_track_agree_with_the_worked_table(double, kind, level, at_three):
    # an independent nodal analysis, printed to 0.1 dB
    rig = with_bleed(double, "volume", USUAL_BLEEDS[kind])
    found, tilt = levels_of_turn(rig, "volume", (5.0,))
    assert found[0] == pytest.approx(level, abs=0.06)
    assert tilt[0] == pytest.approx(at_three, abs=0.06)


def test_capacitor_loss_agrees_with_the_worked_figures(double):
    # worked: 3 % of loss is 0.001 dB at tone 10 and 0.4 dB at 0, 20 % of value is 2.4 dB at 0; one digit each
    def apart(at: float, **change) -> float:
        there = turned(double, ["tone"], at)
        one = with_capacitor(there, "tone_capacitor", **change).evaluate(GRID_HZ)
        return float(np.max(np.abs(gain_db(one) - gain_db(there.evaluate(GRID_HZ)))))

    assert apart(10.0, loss_tangent=0.03) == pytest.approx(0.001, abs=0.001)
    assert apart(0.0, loss_tangent=0.03) == pytest.approx(0.4, abs=0.1)
    assert apart(0.0, value=22e-9 * 1.2) == pytest.approx(2.4, abs=0.3)


def test_a_turn_is_what_each_position_gives_alone(double):
    positions = (0.0, 0.5, 3.0, 9.9, 10.0)
    for control in ("volume", "tone"):
        found = turn(double, control, positions, GRID_HZ)
        for row, position in enumerate(positions):
            alone = gain_db(turned(double, [control], position).evaluate(GRID_HZ))
            # the same circuit in one batch and alone: rounding only
            assert found[row] == pytest.approx(alone, abs=1e-8)


def test_a_no_load_pot_turns_through_its_cut():
    sheet = read_harness(catalogue().item("harness", "one volume, one no-load tone").table())
    rig = load_rig("Saltmarsh Lane, narrow single coil").replace(harness=sheet)
    found = turn(rig, "tone", (9.0, 9.8, 10.0), GRID_HZ)
    assert np.max(np.abs(found[1] - found[2])) < 1e-9
    assert np.max(np.abs(found[0] - found[2])) > 0.3


@pytest.mark.parametrize("kind", BLEEDS)
def test_a_bleed_put_on_is_found_again_and_can_be_taken_off(double, kind):
    worn = with_bleed(double, "volume", USUAL_BLEEDS[kind])
    assert bleed_of(worn, worn.harness.part("volume")) == USUAL_BLEEDS[kind]
    bare = with_bleed(worn, "volume", USUAL_BLEEDS["plain"])
    assert dict(bare.harness.parts) == dict(double.harness.parts)


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("volume with a capacitor bleed", "capacitor"),
        ("volume with a parallel bleed", "parallel"),
        ("volume with a series bleed", "series"),
    ],
)
def test_bleeds_of_the_catalogue_are_the_ones_put_on_here(double, name, kind):
    harness = read_harness(catalogue().item("harness", name).table())
    wired = load_rig("Saltmarsh Lane, narrow single coil").replace(harness=harness, settings={"volume": 6.0})
    plain = load_rig("Saltmarsh Lane, narrow single coil").replace(settings={"volume": 6.0})
    put_on = with_bleed(plain, "volume", bleed_of(wired, wired.harness.part("volume")))
    # two ways to the same circuit: rounding only
    assert gain_db(put_on.evaluate(GRID_HZ)) == pytest.approx(gain_db(wired.evaluate(GRID_HZ)), abs=1e-9)


def test_a_bleed_goes_on_volume_pots_alone(double):
    with pytest.raises(InputError, match="volume pot"):
        with_bleed(double, "tone", USUAL_BLEEDS["capacitor"])


@pytest.mark.parametrize("name", catalogue().names("harness"))
def test_every_wiring_of_the_catalogue_gives_its_questions(name):
    harness = read_harness(catalogue().item("harness", name).table())
    one = load_rig("Saltmarsh Lane, two pickups").pickups["bridge"]
    rig = Rig(name=name, pickups=dict.fromkeys(harness.slots, one), harness=harness)
    if volume_pots(rig):
        view = bleed_view(rig, volume_pots(rig)[0])
        assert len(view.small) == 4
    for pot in pots(rig)[:1]:
        assert position_view(rig, pot, 5.0).findings[0].endswith(".")
        assert len(taper_view(rig, pot).plots) == 2
        assert value_view(rig, 500e3).table.rows
    for capacitor, own in list(tone_capacitors(rig).items())[:1]:
        controls = tuple(pot.control.name for pot in own)
        assert len(capacitor_view(rig, capacitor, controls, 47e-9).small) == 2
    assert bool(views_of(rig)) == bool(pots(rig))


def test_no_view_draws_more_than_now_three_and_a_family(double):
    views = [
        value_view(double, 250e3),
        taper_view(double, double.harness.part("volume")),
        loss_view(double, "tone_capacitor", ("tone",), catalogue().names("dielectric")),
    ]
    assert all(len(view.main.curves) <= 4 for view in views)
    bleeds = bleed_view(double, double.harness.part("volume"))
    assert [len(panel.curves) for panel in (bleeds.main, *bleeds.small)] == [4, 5, 5, 5, 5]


def test_sentences_are_computed_for_the_rig_as_it_stands(state):
    state.set_text("own.show", "Pot values")
    before = state.sentence
    state.set_text("cable.length", "15 m") if "cable.length" in state.controls else state.set_text("tone", "6")
    assert state.sentence != before


def test_a_control_out_of_the_signals_way_is_said_to_move_nothing():
    state = PotsPageState(load_rig("Saltmarsh Lane, three pickups"))
    state.set_text("selector", "bridge")
    state.set_text("own.show", "Capacitor value")
    assert "not in the signal's way" in state.sentence
    state.set_text("own.show", "Capacitor loss")
    assert "not in the signal's way" in state.sentence
    state.set_text("own.show", "Knob positions")
    state.set_text("own.pot", "neck_tone")
    assert "not in the signal's way" in state.sentence
    state.set_text("selector", "neck")
    assert "not in the signal's way" not in state.sentence


def test_what_is_tried_on_changes_the_curve_and_is_said(state):
    state.set_text("volume", "6")
    state.set_text("own.show", "Treble bleeds")
    before = state.result.view.main.curves[0].gain_db
    state.set_text("own.bleed", "series")
    assert state.values["own.bleed_capacitor"] == pytest.approx(1.2e-9)
    assert np.max(np.abs(state.result.view.main.curves[0].gain_db - before)) > 1.0
    assert state.tried == ("treble bleed series",)
    state.set_text("own.bleed_resistor", "220k")
    assert bleed_of(state.result.rig, state.result.rig.harness.part("volume")).resistance == pytest.approx(220e3)
    assert state.rig.harness.parts.keys() == load_rig(state.offers.default_rig).harness.parts.keys()


def test_only_the_controls_of_a_question_are_in_view(state):
    def shown() -> set[str]:
        return {control.key for control in state.visible_controls if control.key.startswith("own.")}

    assert shown() == {"own.show", "own.pot", "own.b_position", "own.taper"}
    state.set_text("own.show", "Treble bleeds")
    assert shown() == {"own.show", "own.volume", "own.bleed"}
    state.set_text("own.bleed", "parallel")
    assert shown() == {"own.show", "own.volume", "own.bleed", "own.bleed_capacitor", "own.bleed_resistor"}


def test_the_address_brings_everything_back(state):
    state.open("?v=1&volume=6&own.show=Treble+bleeds&own.bleed=series&own.bleed_capacitor=1e-9&pin=tone%3D3")
    assert state.problems == ()
    again = PotsPageState(query=state.query)
    assert again.snapshot == state.snapshot
    assert "pin=tone" in again.query


@pytest.mark.parametrize(
    "query", ["?own.show=gold", "?own.pot=moon", "?own.bleed_capacitor=nan", "?own.taper=b", "?own.nothing=1"]
)
def test_damaged_fields_are_told_and_left_out(query):
    state = PotsPageState(query=query)
    assert state.problems
    assert state.query == ""


@settings(max_examples=20, deadline=None)
@given(st.text(max_size=120))
def test_no_address_breaks_the_page(text):
    assert PotsPageState(query="?" + text).sentence


def test_another_rig_keeps_what_fits_and_drops_the_rest():
    state = PotsPageState(query="?v=1&own.show=Treble+bleeds&own.pot=tone&own.taper=linear")
    state.set_text("rig", "Saltmarsh Lane, three pickups")
    assert state.values["own.show"] == "Treble bleeds"
    assert state.values["own.pot"] == "volume"
    assert state.errors == {}


def test_a_rig_without_pots_is_refused_in_a_sentence():
    bare = load_rig("Saltmarsh Lane, narrow single coil")
    bare = bare.replace(name="bare", harness=read_harness(catalogue().item("harness", "no controls").table()))
    state = PotsPageState()
    state.offers._own = bare
    state.set_text("rig", "bare")
    assert "neither pots nor tone capacitors" in state.errors["rig"]


@pytest.mark.parametrize(
    ("question", "compared", "moved", "kept"),
    [
        ("Knob positions", {"volume": 5.0}, ("volume", "3"), {"volume": 10.0}),
        ("Pot values", {"volume.value": 500e3, "tone.value": 500e3}, ("volume", "3"), {"volume.value": 250e3}),
        ("Capacitor value", {"tone_capacitor": 47e-9}, ("tone_capacitor", "10 nF"), {"tone_capacitor": 22e-9}),
    ],
)
def test_b_is_one_rig_for_the_address_the_numbers_and_the_sound_and_can_be_set(state, question, compared, moved, kept):
    state.set_text("own.show", question)
    assert dict(state.compared_changes()) == pytest.approx(compared)
    there = PotsPageState(query="?" + "&".join(f"{key}={value}" for key, value in compared.items()))
    # rounding only
    other = gain_db(state.result.view.other.evaluate(GRID_HZ))
    assert gain_db(there.rig.evaluate(GRID_HZ)) == pytest.approx(other, abs=1e-9)
    state.keep()
    assert not state.can_keep, "A is B now"
    state.set_text(*moved)
    assert {key: state.compared_changes()[key] for key in kept} == pytest.approx(kept)
    assert PotsPageState(query=state.query).compared_changes() == state.compared_changes()


@pytest.mark.parametrize("question", ["Tapers", "Treble bleeds", "Capacitor loss"])
def test_where_b_is_always_the_same_nothing_is_kept_and_it_is_said(state, question):
    state.set_text("own.show", question)
    before = state.snapshot
    assert not state.can_keep
    state.keep()
    assert state.snapshot == before
    assert state.why_not_kept == f"Here B is always {state.result.view.other_label}."
    assert state.compared_query is None


def test_pots_of_unlike_values_are_no_b_of_one_value(state):
    state.set_text("own.show", "Pot values")
    state.set_text("tone.value", "1 MΩ")
    assert not state.can_keep
    assert "these differ" in state.why_not_kept


def test_silence_is_said(state):
    state.set_text("volume", "0")
    assert "Nothing reaches the input" in state.sentence
    assert state.notes == ()


@pytest.mark.parametrize("question", PotsPageState().controls["own.show"].positions)
def test_every_drawing_is_sound_and_named(state, question):
    state.set_text("own.show", question)
    drawings = [state.draw(790), state.draw(360), *(state.draw_small(place, 370) for place in range(4))]
    drawings += state.result.view.plots
    for drawing in filter(None, drawings):
        root = ElementTree.fromstring(drawing)
        assert root.get("role") == "img"
        assert root.get("aria-label")
    assert state.draw_small(9, 370) == ""


def test_a_dielectric_tried_on_is_that_of_the_catalogue(state):
    assert state.values["own.dielectric"] == AS_BUILT
    state.set_text("own.show", "Capacitor loss")
    state.set_text("own.dielectric", "ceramic, class 2")
    assert state.result.rig.harness.part("tone_capacitor").loss_tangent == pytest.approx(0.025)
    part = state.rig.harness.part("tone_capacitor")
    assert part == replace(part, loss_tangent=0.0, dielectric=None)


@pytest.mark.parametrize("question", ["Knob positions", "Tapers", "Pot values", "Treble bleeds", "Capacitor value"])
def test_the_present_curve_is_a_and_the_compared_one_is_b(question):
    state = PotsPageState()
    state.set_text("own.show", question)
    view = state.result.view
    first, second, *others = view.main.curves
    assert (first.label, second.label) == (f"A {view.label}", f"B {view.other_label}")
    assert all(curve.is_neighbour for curve in others)
    for curve, rig in ((first, state.result.rig), (second, view.other)):
        # one circuit by the page's batch and alone: rounding only
        assert curve.gain_db == pytest.approx(rig.response(curve.frequency_hz).gain_db, abs=1e-6)
