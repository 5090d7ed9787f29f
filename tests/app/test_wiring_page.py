"""The wiring page without a browser: choosing puts a wiring into the rig, what was there becomes B."""

from __future__ import annotations

from html import unescape

import pytest

from labkit.app.kit.rig.opened import rig_sheet_text
from labkit.app.kit.rig.wirings import small_curves, wirings
from labkit.app.pages.wiring.page import WiringPage, panel
from labkit.app.pages.wiring.state import WiringPageState
from labkit.app.pages.wiring.words import checks_html, faults_html, finder_of, steps_html
from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.sheet import parse_sheet, sheet_text
from labkit.rig.devices.steps import soldering_steps
from labkit.rig.harness import harness_data, read_harness
from labkit.rig.parts.parts import SWITCH_STYLES
from labkit.rig.sheet import load_rig
from labkit.view.soldering.drawing import draw_soldering

PHASE = "two pickups, phase switch"
NETLIST = "mine\nVbridge hot 0 AC 1\nR1 hot out 225k\nR2 out 0 25k\n.end"


@pytest.fixture
def page() -> WiringPage:
    return WiringPage(WiringPageState())


def send(widget, **content):
    widget._receive(widget, content, [])


def test_every_wiring_of_the_catalogue_can_be_chosen():
    assert {wiring.name for wiring in wirings()} == set(catalogue().usable_names("harness"))
    state = WiringPageState()
    page = WiringPage(state)
    for wiring in wirings():
        send(page.picker, do="choose", name=wiring.name)
        assert page.actions.said == ""
        assert state.rig.harness.name == wiring.name == page.picker.chosen


def test_what_was_there_becomes_b_and_undo_brings_it_back(page):
    before = page.state.snapshot
    send(page.picker, do="choose", name=PHASE)
    assert page.state.pins[0].pin.setup == before.rig.setup
    assert PHASE in page.name.value
    send(page.picker, do="choose", name="one volume")
    assert PHASE in page.state.pins[0].text
    page.state.undo()
    page.state.undo()
    assert page.state.snapshot == before


def test_the_address_of_a_choice_opens_it_again(page):
    send(page.picker, do="choose", name=PHASE)
    again = WiringPageState(query=page.state.query)
    assert again.problems == ()
    assert again.snapshot == page.state.snapshot


def test_wirings_are_found_by_the_kind_of_their_switch():
    kinds = {wiring.name: wiring.kinds for wiring in wirings()}
    assert kinds["one volume, rotary tone"] == ("rotary",)
    assert kinds["tapped coil"] == ("push-pull",)
    assert kinds["two pickups, phase switch"] == ("push-pull", "toggle")
    assert kinds["one volume, one tone"] == ()
    assert {kind for each in kinds.values() for kind in each} == set(SWITCH_STYLES)


def test_small_curves_are_of_the_positions_and_of_the_pickups_at_hand():
    state = WiringPageState()
    curves = small_curves(state.offers, state.snapshot.rig.setup, PHASE)
    assert curves.names == ("in phase", "reversed")
    # equal pickups reversed against each other cancel at equal EMF
    assert curves.gains_db[1][0] < curves.gains_db[0][0] - 60
    state.set_text("bridge", "two-coil")
    darker = small_curves(state.offers, state.snapshot.rig.setup, "one volume, one tone")
    plain = small_curves(WiringPageState().offers, WiringPageState().snapshot.rig.setup, "one volume, one tone")
    assert darker.gains_db[0][-1] < plain.gains_db[0][-1] - 1  # nearly twice the inductance


def test_small_curves_do_not_hang_on_where_the_knobs_stand(page):
    before = page.picker.stamp
    send(page.controls, do="type", key="volume", text="3")
    assert page.picker.stamp == before
    send(page.controls, do="type", key="bridge", text="two-coil")
    assert page.picker.stamp != before


def test_drawings_are_sent_for_what_is_asked_and_nothing_else(page, monkeypatch):
    sent = []
    monkeypatch.setattr(page.picker, "send", sent.append)
    send(page.picker, do="curves", names=["one volume", "no such wiring"])
    send(page.picker, do="curves", names="text")
    assert sent[0]["curves"]["one volume"].startswith("<svg")
    assert "all at 10; volume at 5" in sent[0]["curves"]["one volume"]
    assert sent[0]["curves"]["no such wiring"] == ""
    assert sent[1]["curves"] == {}


def test_a_wiring_that_does_not_exist_changes_nothing_and_is_told(page):
    before = page.state.snapshot
    send(page.picker, do="choose", name="two pickups, phase swich")
    assert page.state.snapshot == before
    assert PHASE in page.actions.said


@pytest.mark.parametrize("where", ["mine.cir", "mine.toml", "rig.toml"])
def test_an_own_wiring_comes_from_a_netlist_a_harness_sheet_or_a_rig_sheet(page, where):
    harness = catalogue().load("harness", "two pickups, blend")
    text = {
        "mine.cir": NETLIST,
        "mine.toml": sheet_text("harness", harness_data(harness) | {"name": "my blend"}),
        "rig.toml": rig_sheet_text(load_rig("Saltmarsh Lane, two pickups")),
    }[where]
    before = page.state.snapshot.rig.setup
    name = page.open_sheet(text, where)
    page.show()
    assert name == page.picker.chosen == page.state.rig.harness.name
    assert page.state.pins[0].pin.setup == before
    assert page.state.result.reading.is_silent is False
    assert WiringPageState(query=page.state.query).rig.harness.parts.keys() == page.state.rig.harness.parts.keys()


def test_an_own_wiring_stays_among_the_others_after_another_was_tried(page):
    page.open_sheet(NETLIST, "mine.cir")
    page.show()
    send(page.picker, do="choose", name=PHASE)
    assert page.picker.wirings[0]["name"] == "mine"
    send(page.picker, do="choose", name="mine")
    assert page.state.rig.harness.name == "mine"


def test_what_is_wrong_with_a_file_is_said_and_nothing_changes(page):
    before = page.state.snapshot
    with pytest.raises(InputError, match=r"broken\.toml"):
        page.open_sheet("sheet = ", "broken.toml")
    with pytest.raises(InputError, match="no source"):
        page.open_sheet("title\nR1 a out 1k\nR2 out 0 1k\n.end", "mine.cir")
    assert page.state.snapshot == before


def test_the_panel_opens_on_a_sheet_by_name_in_any_notebook():
    assert "lab-page" in panel(sheet="Saltmarsh Lane, two pickups")._dom_classes


def test_on_the_rig_page_the_cards_come_when_the_fold_is_opened():
    from labkit.app.pages.rig.page import RigPage
    from labkit.app.pages.rig.state import RigPageState

    page = RigPage(RigPageState())
    shown = [control["key"] for group in page.controls.groups for control in group["controls"]]
    assert "rig.wiring" not in shown
    assert "volume" in shown
    assert page.wiring.chosen == "one volume, one tone"
    assert page.wiring.wirings == []
    send(page.wiring, do="open")
    assert len(page.wiring.wirings) == len(wirings())
    before = page.state.snapshot.rig.setup
    send(page.wiring, do="choose", name=PHASE)
    assert page.state.pins[0].pin.setup == before
    assert page.wiring.chosen == PHASE
    assert "phase" in [control["key"] for group in page.controls.groups for control in group["controls"]]


def test_steps_checks_and_the_paper_are_those_of_the_wiring_in_the_rig(page):
    send(page.picker, do="choose", name="one volume")
    rig = page.state.rig
    plan = draw_soldering(rig.harness).plan
    steps, checks = steps_html(rig), checks_html(rig)
    assert "1 × jack, mono" in steps
    assert all(str(step) in unescape(steps) for step in soldering_steps(plan))
    reading = finder_of(rig).reading_words("always")
    assert reading in unescape(checks)
    assert "missing_wires" not in vars(finder_of(rig))  # the checks do not wait for the faults
    assert "When one wire is missing" in faults_html(rig)
    assert "missing_wires" in vars(finder_of(rig))
    sent = []
    page.papers.send = lambda content, buffers=None: sent.append((content, buffers))
    for key in ("print", "paper", "sheet"):
        send(page.papers, do="make", key=key)
    (printed, paper), (saved, same), (sheet, toml) = sent
    assert printed["print"]
    assert not saved["print"]
    assert paper == same
    assert b"Wiring: one volume" in paper[0]
    assert saved["name"] == "one-volume-wiring.html"
    assert sheet["name"] == "one-volume.toml"
    again = read_harness(parse_sheet(toml[0].decode(), "again"))
    assert harness_data(again) == harness_data(rig.harness)


def test_a_fault_is_named_from_what_the_meter_shows(page):
    send(page.picker, do="choose", name="two pickups, one volume, one tone, three-way")
    assert page.readings.value == "neck: \nboth: \nbridge: "
    page.find_fault.click()
    assert "write what the meter shows behind a place, such as 'neck: open'" in unescape(page.causes.value)
    whole = finder_of(page.state.rig).whole.readings["both"]
    page.readings.value = "neck: silent\nboth: 5.8k\nbridge:"
    page.find_fault.click()
    assert "<ol" in page.causes.value
    first = page.causes.value.partition("</li>")[0]
    assert "neck" in first
    assert whole.ohms < 5000
    page.readings.value = "nek: open"
    page.find_fault.click()
    assert "Did you mean 'neck'" in unescape(page.causes.value)
    send(page.picker, do="choose", name="one volume")
    assert page.readings.value == "always: "
    assert page.causes.value == ""


def test_an_own_wiring_made_from_words_goes_into_the_rig_and_undo_takes_it_out(page):
    before = page.state.snapshot
    page.wishes.value = "neck: neck\nfat: neck + bridge in series"
    page.make_own.click()
    assert page.state.rig.harness.slots == ("neck", "bridge")
    assert "toggle, 1 pole, 2 positions" in page.own_said.value
    assert page.state.pins[0].pin.setup == before.rig.setup
    assert page.readings.value == "neck: \nfat: "
    now = page.state.snapshot
    page.wishes.value = "neck: neck\nfat: neck split, hum cancels"
    page.make_own.click()
    assert "no way to join the leads" in page.own_said.value
    assert page.state.snapshot == now
    page.state.undo()
    assert page.state.snapshot == before
