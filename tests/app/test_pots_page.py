"""Widgets of the pots page follow its bench."""

from __future__ import annotations

import pytest

from labkit.app.pages.pots.page import PotsPage, panel
from labkit.app.pages.pots.state import PotsPageState


@pytest.fixture
def page() -> PotsPage:
    return PotsPage(PotsPageState())


def send(widget, **content):
    """What a message of the browser does."""
    widget._receive(widget, content, [])


def ask(page, question):
    send(page.controls, do="set", key="own.show", index=page.state.controls["own.show"].positions.index(question))


@pytest.mark.parametrize(
    ("question", "small", "plots"),
    [
        ("Knob positions", 0, 0),
        ("Tapers", 0, 2),
        ("Pot values", 0, 0),
        ("Treble bleeds", 4, 0),
        ("Capacitor value", 2, 0),
        ("Capacitor loss", 2, 0),
    ],
)
def test_every_question_fills_its_drawings_and_its_table(page, question, small, plots):
    ask(page, question)
    assert sum(bool(view.svg) for view in page.small) == small
    assert page.plots.value.count("<svg") == plots
    assert 'aria-current="true"' in page.table.value
    shown = {control["key"] for group in page.controls.groups for control in group["controls"]}
    assert shown == set(page.controls.values)


def test_turning_the_volume_changes_curve_small_multiples_stay(page):
    ask(page, "Treble bleeds")
    before = page.curve.svg, page.small[0].svg
    send(page.controls, do="type", key="volume", text="6")
    assert page.curve.svg != before[0]
    assert page.small[0].svg == before[1]


def test_another_width_redraws_a_small_multiple(page):
    ask(page, "Capacitor value")
    page.small[0].width = 300
    assert 'width="300"' in page.small[0].svg


def test_differences_have_an_axis_of_their_own_and_say_what_zero_is(page):
    ask(page, "Capacitor loss")
    assert "no loss" in page.caption.value
    assert 'data-range="50 20000 -1 1"' in page.curve.svg


def test_the_customer_sheet_says_the_result_and_both_loads(page):
    ask(page, "Pot values")
    text = page.customer_sheet(is_printed=False).content.decode()
    assert page.state.sentence in text
    assert "volume pot 250 kΩ" in text
    assert "volume pot 500 kΩ" in text


def test_sound_compares_with_what_the_question_compares_with(page):
    ask(page, "Pot values")
    assert [sound["text"] for sound in page.listening.bar.sounds] == ["250 kΩ", "500 kΩ"]
    assert page.hearing().other is page.state.result.view.other


def test_a_panel_opens_on_a_sheet_by_name_in_any_notebook():
    assert "lab-page" in panel(sheet="Saltmarsh Lane, two pickups")._dom_classes
