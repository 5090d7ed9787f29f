"""What the rig page saves, draws and opens."""

from __future__ import annotations

import pytest

from labkit.app.kit.rig.opened import rig_sheet_text
from labkit.app.kit.widgets import Disclosure, FileOffers, MadeFile
from labkit.app.pages.rig.page import offer_rig_files
from labkit.app.pages.rig.state import BY_STRINGS, CURVE, RigPageState
from labkit.app.pages.rig.words import formula_html, netlist, schematic_html, short_formula
from labkit.core.errors import InputError
from labkit.core.sheet import parse_sheet
from labkit.rig.sheet import load_rig, read_rig


@pytest.fixture(scope="module")
def rig():
    return load_rig("Saltmarsh Lane, narrow single coil")


class _Offers(FileOffers):
    """Keeps the makers, to be called as a press of the button would."""

    def __init__(self) -> None:
        super().__init__()
        self.makers = {}

    def offer(self, key, label, make, **more):
        self.makers[key] = make
        super().offer(key, label, make, **more)


def test_every_file_is_made_and_named_after_the_rig():
    state = RigPageState()
    offers = _Offers()
    offer_rig_files(offers, state)
    starts = {
        "sheet": b"sheet = ",
        "schematic": b"<",
        "netlist": b"Saltmarsh",
        "paper": b"<!doctype html>",
        "formula": b"Saltmarsh",
    }
    for key, make in offers.makers.items():
        made = make()
        assert isinstance(made, MadeFile)
        assert made.name.startswith("saltmarsh-lane-narrow-single-coil")
        assert len(made.content) > 200
        if key in starts:
            assert made.content.lower().startswith(starts[key].lower()), key
    assert set(starts) <= set(offers.makers)


def test_a_saved_sheet_reads_back_to_the_rig(rig):
    again = read_rig(parse_sheet(rig_sheet_text(rig), "saved"))
    assert again.response().gain_db == pytest.approx(rig.response().gain_db)


def test_an_opened_sheet_becomes_the_rig_and_a_bad_one_changes_nothing(rig):
    state = RigPageState()
    before = state.rig
    with pytest.raises(InputError, match=r"broken\.toml: is not valid TOML"):
        state.open_sheet("sheet = ", "broken.toml")
    assert state.rig == before
    state.open_sheet(rig_sheet_text(rig.replace(settings={"volume": 3.0})), "mine.toml")
    assert state.rig.settings["volume"] == 3.0


def test_the_drawing_the_formula_and_the_deck_are_of_the_same_rig(rig):
    assert "<svg" in schematic_html(rig)
    assert "22 nF" in schematic_html(rig).replace("\u00a0", " ")
    assert "22 nF" in formula_html(rig)
    assert ".ac" in netlist(rig)
    # the page's formula is the solver's response: 1e-6 dB is what every formula is held to
    frequency = rig.response().frequency_hz[::50]
    assert abs(short_formula(rig).at(frequency)) == pytest.approx(abs(rig.evaluate(frequency)), rel=1e-7)


def test_a_closed_disclosure_costs_nothing_and_a_failure_is_a_sentence():
    calls = []

    def make() -> str:
        calls.append(1)
        raise InputError("the circuit has no output")

    disclosure = Disclosure("Formula", make, working="Working it out …")
    disclosure.refresh()
    assert calls == []
    disclosure.turn(True)  # without a running loop the work is done at once
    assert calls == [1]
    assert (disclosure.html, disclosure.said) == ("", "The circuit has no output")


def test_a_saved_picture_says_which_curve_it_shows_and_what_its_zero_is():
    state, offers = RigPageState(), _Offers()
    offer_rig_files(offers, state)
    plain = offers.makers["svg"]()
    state.set_text(CURVE, BY_STRINGS)
    driven = offers.makers["svg"]()
    assert driven.name == plain.name.replace(".svg", "-by-the-strings.svg")
    assert "reference coil" in driven.content.decode()
    assert "reference coil" not in plain.content.decode()
