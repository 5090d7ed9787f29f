"""Widgets follow the bench: messages in, traits out."""

from __future__ import annotations

import pytest

from labkit.app.pages.rig.page import RigPage, numbers_html, panel
from labkit.app.pages.rig.state import RigPageState
from labkit.app.pages.rig.words import noise_html
from labkit.rig.sheet import load_rig
from labkit.view.words import KeyNumber


@pytest.fixture
def page() -> RigPage:
    return RigPage(RigPageState())


def send(widget, **content):
    """What a message of the browser does."""
    widget._receive(widget, content, [])


def test_moving_the_cable_changes_curve_number_and_address(page):
    before = page.curve.svg, page.numbers.value, page.actions.query
    send(page.controls, do="set", key="cable.length", index=60)
    after = page.curve.svg, page.numbers.value, page.actions.query
    assert all(one != other for one, other in zip(before, after))
    assert page.actions.query.startswith("v=1&cable.length=")


def test_the_page_says_the_noise_and_its_fold_takes_it_apart(page):
    assert "Noise at the input, 20 Hz to 20 kHz, ±1.5 dB: 2.4 µV (−112 dBV)" in page.place.value
    send(page.controls, do="type", key="volume", text="5")
    assert "2.3 µV (−113 dBV)" in page.place.value
    folded = noise_html(page.state.rig)
    assert folded.index(">volume<") < folded.index(">own noise of input<") < folded.index(">together<")
    assert "A note of 5.2 mV stands 67 dB over it" in folded
    assert "narrow single coil&#x27; taken at the output of the reference coil" in folded


def test_an_error_arrives_beside_its_control(page):
    send(page.controls, do="type", key="cable.length", text="five apples")
    assert "Cable length" in page.controls.values["cable.length"]["error"]


@pytest.mark.parametrize(
    "content",
    [
        {},
        {"do": "nothing"},
        {"do": "__class__"},
        "text",
        None,
        {"do": "open", "search": "?volume=3"},
        {"do": "drop", "slot": 77},
        {"do": "back", "slot": 77},
    ],
)
def test_messages_that_mean_nothing_do_nothing(page, content):
    before = page.curve.svg
    page.controls._receive(page.controls, content, [])
    page.listening.bar._receive(page.listening.bar, content, [])
    assert page.curve.svg == before


def test_opening_with_an_address_shows_its_state_and_its_problems(page):
    send(page.actions, do="open", search="?v=1&volume=3&colour=red")
    assert page.controls.values["volume"]["text"] == "3 of 10"
    assert "colour" in page.actions.said


def test_an_address_that_is_asked_for_again_does_not_undo_what_was_set_since(page):
    assert page.controls.holds
    send(page.actions, do="open", search="?v=1&volume=3", again=True)  # the first may have been lost on its way
    assert not page.controls.holds
    assert page.controls.values["volume"]["text"] == "3 of 10"
    send(page.controls, do="type", key="volume", text="5")
    send(page.actions, do="open", search="?v=1&volume=3", again=True)
    assert page.controls.values["volume"]["text"] == "5 of 10"
    assert page.state.can_undo
    send(page.actions, do="open", search="?v=1&volume=3", again=False)  # another view of the page
    assert page.controls.values["volume"]["text"] == "3 of 10"


def test_a_page_does_not_hold_its_controls_when_its_address_cannot_be_read(page, monkeypatch):
    monkeypatch.setattr(page.state, "open", lambda query: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        send(page.actions, do="open", search="?v=1")
    assert not page.controls.holds


def test_another_width_redraws_at_that_width(page):
    page.curve.width = 380
    assert 'width="380"' in page.curve.svg


def test_buttons_say_what_can_be_done(page):
    def enabled():
        return {action["key"]: action["enabled"] for action in page.actions.actions}

    assert enabled() == {"keep": True, "undo": False, "redo": False, "again": False, "link": True}
    send(page.actions, do="keep")
    assert enabled() == {"keep": False, "undo": True, "redo": False, "again": True, "link": True}
    send(page.actions, do="undo")
    assert enabled()["redo"]


def test_a_rig_with_other_controls_brings_its_own(page):
    other = page.state.offers.rigs[1]
    send(page.controls, do="set", key="rig", index=page.state.controls["rig"].positions.index(other))
    keys = {control["key"] for group in page.controls.groups for control in group["controls"]}
    assert "selector" in keys
    assert keys == set(page.controls.values)


def test_the_caution_about_hearing_is_there_before_anything_sounds(page):
    assert "damages hearing" in page.listening.bar.note


def test_numbers_are_escaped_and_announced():
    text = numbers_html((KeyNumber(label="a", value="<b>", detail='"quoted"'),))
    assert "<b>" not in text.replace("<dl", "").replace("<dd", "")
    assert 'data-announce="a &lt;b&gt;' in text


def test_a_panel_opens_on_a_sheet_by_name_in_any_notebook():
    name = RigPageState().offers.rigs[1]
    assert "lab-page" in panel(sheet=name)._dom_classes
    assert "lab-page" in panel(load_rig(name))._dom_classes


def test_a_page_is_made_with_the_state_of_its_address_and_opens_another_one_when_told(monkeypatch):
    monkeypatch.setenv("QUERY_STRING", "v=1&cable.length=7")
    page = RigPage(RigPageState())
    assert not page.controls.holds
    assert page.controls.values["cable.length"]["text"] == "7 m"
    sent = []
    page.actions.send = lambda content, buffers=None: sent.append(content)
    send(page.controls, do="type", key="cable.length", text="9")
    for search, again in (("?v=1&cable.length=7", False), ("?v=1&cable.length=7", True)):
        send(page.actions, do="open", search=search, again=again)
        assert page.controls.values["cable.length"]["text"] == "9 m"  # what was set since stays
    send(page.actions, do="open", search="?v=1&cable.length=3", again=False)
    assert page.controls.values["cable.length"]["text"] == "3 m"
    assert sent == [{"address": True}] * 3


def test_a_page_that_was_made_without_an_address_waits_for_it_and_opens_it_once(monkeypatch):
    monkeypatch.delenv("QUERY_STRING", raising=False)
    page = RigPage(RigPageState())
    assert page.controls.holds
    for _ in range(2):
        send(page.actions, do="open", search="?v=1&tone=3", again=True)
        assert not page.controls.holds
        assert page.controls.values["tone"]["text"] == "3 of 10"
