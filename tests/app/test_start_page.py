"""The start page without a browser: one rig as a sentence, changed word by word, and things to try."""

from __future__ import annotations

import pytest

from labkit.app.pages.start.page import StartPage, panel
from labkit.app.pages.start.state import StartPageState, pickup_in_words
from labkit.catalogue import catalogue
from labkit.rig.sheet import load_rig

SENTENCE = "A narrow single coil behind 250 kΩ pots, through 5 m of cable into a 1 MΩ amplifier."


@pytest.fixture
def page() -> StartPage:
    return StartPage(StartPageState())


def send(widget, **content):
    widget._receive(widget, content, [])


def said(page: StartPage) -> str:
    return "".join(word["text"] for word in page.controls.words)


def attempt(page: StartPage, words: str) -> None:
    texts = [suggestion["text"].replace("\u00a0", " ") for suggestion in page.controls.suggestions]
    send(page.controls, do="try", index=texts.index(words))


def test_the_rig_is_one_sentence_whose_words_are_controls(page):
    assert said(page) == SENTENCE
    keys = [word["key"] for word in page.controls.words if word["key"]]
    assert keys == ["bridge", "own.pots", "cable.length", "input"]
    shown = [control["key"] for group in page.controls.groups for control in group["controls"]]
    assert set(keys) <= set(shown)


@pytest.mark.parametrize("name", catalogue().usable_names("rig"))
def test_every_demo_rig_makes_a_sentence(name):
    state = StartPageState(load_rig(name))
    words = "".join(word.text for word in state.words)
    assert words.startswith("A ")
    assert words.endswith(".")
    assert "  " not in words
    assert all(word.key in state.controls for word in state.words if word.key)


def test_the_first_move_of_a_word_keeps_what_was_there_as_b(page):
    before = page.state.snapshot.rig.setup
    send(page.controls, do="type", key="cable.length", text="15 m")
    assert "15 m of cable" in said(page)
    assert page.state.pins[0].pin.setup == before
    send(page.controls, do="type", key="cable.length", text="20 m")
    assert page.state.pins[0].pin.setup == before


def test_the_pots_are_set_together_and_told_apart_where_they_differ(page):
    send(page.controls, do="type", key="own.pots", text="500k")
    parts = page.state.rig.harness.parts
    assert (parts["volume"].value, parts["tone"].value) == (500e3, 500e3)
    mixed = StartPage(StartPageState(query="v=1&volume.value=500000"))
    assert "behind 250 kΩ and 500 kΩ pots" in said(mixed)


def test_a_thing_to_try_makes_the_present_one_b_each_time(page):
    first = page.state.snapshot.rig.setup
    attempt(page, "15 m of cable")
    assert page.state.pins[0].pin.setup == first
    second = page.state.snapshot.rig.setup
    attempt(page, "1 MΩ pots")
    assert page.state.pins[0].pin.setup == second
    assert page.state.rig.chain[0].length == 15.0
    stands = {
        suggestion["text"].replace("\u00a0", " "): suggestion["stands"] for suggestion in page.controls.suggestions
    }
    assert stands["15 m of cable"]
    assert stands["1 MΩ pots"]
    assert not stands["a two-coil pickup"]
    attempt(page, "as it was")
    assert said(page) == SENTENCE
    assert page.state.pins == ()


def test_the_answer_is_the_curves_own_and_says_what_b_was(page):
    assert page.controls.answer.startswith("Peak <em>3.5 kHz</em>, 4.2 dB over the bass")
    attempt(page, "15 m of cable")
    drawn = page.state.draw(790)
    # the sentence and the mark on the curve are one number
    duller = drawn.partition(">dull from ")[2].partition("<")[0]
    assert (
        f"Peak <em>2.4 kHz</em>, 3.5 kHz with B; more than 3 dB duller from <em>{duller}</em>" in page.controls.answer
    )


def test_a_low_impedance_input_has_no_peak_left(page):
    attempt(page, "a line input")
    assert page.controls.answer.startswith("No peak; B has one at 3.5 kHz")


def test_silence_is_silence():
    page = StartPage(StartPageState(query="v=1&volume=0"))
    assert page.controls.answer == "Nothing reaches the input."


def test_pickups_are_nouns():
    names = catalogue().usable_names("pickup")
    assert all(not pickup_in_words(name).split(",")[0].endswith("two-coil") for name in names)


def test_what_is_no_thing_to_try_does_nothing(page):
    before = page.state.snapshot
    for index in (None, -1, 99, "1", 1.5):
        send(page.controls, do="try", index=index)
    assert page.state.snapshot == before


def test_the_panel_opens_on_a_sheet_by_name_in_any_notebook():
    assert "lab-start" in panel(sheet="Saltmarsh Lane, two pickups")._dom_classes
