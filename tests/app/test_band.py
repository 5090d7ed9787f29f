"""The band of tolerances behind the present curve: where it is drawn, and the switch."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.app.pages.cable.page import CablePage
from labkit.app.pages.cable.state import CablePageState
from labkit.app.pages.pots.page import PotsPage
from labkit.app.pages.pots.state import LOSS, PotsPageState
from labkit.app.pages.rig.page import RigPage
from labkit.app.pages.rig.state import BY_STRINGS, RigPageState
from labkit.app.pages.winding.page import WindingPage
from labkit.app.pages.winding.state import WindingPageState

PAGES = {
    "rig": (RigPage, RigPageState),
    "cable": (CablePage, CablePageState),
    "pots": (PotsPage, PotsPageState),
    "winding": (WindingPage, WindingPageState),
}


@pytest.mark.parametrize("name", PAGES)
def test_the_present_curve_stands_inside_its_band_which_follows_and_can_be_switched_off(name):
    page, state = PAGES[name]
    shown = page(state())
    first, *others = shown.state.curves()
    assert np.all((first.low_db <= first.gain_db) & (first.gain_db <= first.high_db))
    assert np.max(first.high_db - first.low_db) > 0.5
    assert all(other.low_db is None for other in others)
    assert shown.curve.svg.count('class="lab-band"') == 1
    assert shown.curve.band
    shown.curve.shows_band = False
    assert "lab-band" not in shown.curve.svg
    shown.curve.shows_band = True
    assert shown.curve.svg.count('class="lab-band"') == 1


def test_the_band_moves_with_the_slider():
    state = RigPageState()
    before = state.curves()[0]
    state.set_text("cable.length", "12 m")
    after = state.curves()[0]
    # below the resonance nothing moves; above it both bounds fall with the curve
    assert np.all(after.high_db[-20:] < before.low_db[-20:])
    assert np.abs(after.low_db[0] - before.low_db[0]) < 0.05


def test_the_band_stands_around_the_curve_as_the_strings_drive_it():
    state = RigPageState()
    plain = state.curves()[0]
    state.set_text("own.curve", BY_STRINGS)
    driven = state.curves()[0]
    assert np.max(np.abs(driven.gain_db - plain.gain_db)) > 0.1
    np.testing.assert_allclose(driven.high_db - driven.gain_db, plain.high_db - plain.gain_db, atol=1e-9)


def test_differences_and_silence_have_no_band():
    state = PotsPageState()
    state.set_text("own.show", LOSS)
    assert all(curve.low_db is None for curve in state.curves())
    assert not state.band_words
    silent = RigPageState()
    silent.set_text("volume", "0")
    assert silent.curves()[0].low_db is None


def test_a_band_that_nobody_wants_is_not_worked_out(monkeypatch):
    monkeypatch.setattr("labkit.study.tolerance.band.solve", lambda *_, **__: pytest.fail("worked out"))
    state = RigPageState()
    state.shows_band = False
    assert state.curves()[0].low_db is None
