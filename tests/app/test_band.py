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
from labkit.study.tolerance import band

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
    banded = [curve for curve in shown.state.curves() if curve.low_db is not None]
    # Cable and Pots always have a B
    assert [curve.label[0] for curve in banded] == (["A"] if name in ("rig", "winding") else ["A", "B"])
    for curve in banded:
        assert np.all((curve.low_db <= curve.gain_db) & (curve.gain_db <= curve.high_db))
        assert np.max(curve.high_db - curve.low_db) > 0.5
    assert shown.curve.svg.count('class="lab-band"') == len(banded)
    assert shown.curve.band
    shown.curve.shows_band = False
    assert "lab-band" not in shown.curve.svg
    shown.curve.shows_band = True
    assert shown.curve.svg.count('class="lab-band"') == len(banded)


@pytest.mark.parametrize(("state", "moved"), [(RigPageState, "cable.length"), (WindingPageState, "turns")])
def test_b_keeps_the_band_that_the_present_curve_had(state, moved):
    page = state()
    before = page.curves()[0]
    page.keep()
    page.set_text(moved, "12 m" if moved == "cable.length" else "7000")
    now, kept = page.curves()
    np.testing.assert_allclose(kept.low_db - kept.gain_db, before.low_db - before.gain_db, atol=1e-9)
    assert np.max(np.abs((now.low_db - now.gain_db) - (kept.low_db - kept.gain_db))) > 0.05


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


def test_the_band_of_a_b_that_stays_is_not_worked_out_again(monkeypatch):
    state = CablePageState()
    before = state.curves()[1]
    solved = []
    whole = band.solve
    monkeypatch.setattr(band, "solve", lambda *given, **named: solved.append(1) or whole(*given, **named))
    state.set_text("cable.length", "12 m")
    now, kept = state.curves()
    assert len(solved) == 1
    np.testing.assert_array_equal(kept.low_db, before.low_db)
    assert np.max(np.abs(now.low_db - kept.low_db)) > 1
