"""The lab's pages over the site's own line, in a program in which nothing can be imported that a browser lacks."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from labkit.app.kit.rig.offers import RigOffers
from labkit.app.pages.rig.state import RigPageState
from labkit.app.server.first_curve import USUAL_WIDTH, draw_first
from labkit.app.site.site import PAGES


@pytest.fixture(scope="module")
def found() -> dict:
    state = RigPageState()
    state.set_text("cable.length", "10 m")
    command = [sys.executable, "-m", "tests.site.in_the_browsers_way", ",".join(PAGES), state.query]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.mark.parametrize("name", PAGES)
def test_a_page_draws_what_it_draws_in_the_lab(found, name):
    assert found[name]["svg"] == draw_first(f"{name}.ipynb", "", width=USUAL_WIDTH)


@pytest.mark.parametrize("name", PAGES)
def test_a_page_sends_responses_and_signals_to_be_heard(found, name):
    assert "A" in found[name]["sides"]
    assert len(found[name]["buffers"]) > len(found[name]["sides"])
    assert min(found[name]["buffers"]) > 1000


def test_a_blind_test_is_done_from_the_sounds_to_the_result(found):
    assert [each[:4] + each[8:] for each in found["trial sounds"]] == ["RIFFWAVE"] * 3
    assert found["result"]["stage"] == "result"
    assert " of 16" in found["result"]["html"]


def test_an_own_wiring_is_made_from_what_is_written_in_the_page(found):
    places, style, said = found["own wiring"]
    assert places == "neck: \nfat: "
    assert style == "the plainest"
    assert "1 pole, 2 positions" in said


def test_a_query_means_the_same_on_both_sides(found):
    opened, moved, undone = found["queries"]
    for query, length in ((opened, 10.0), (moved, 3.0), (undone, 10.0)):
        state = RigPageState(query=query)
        assert not state.problems
        assert state.values["cable.length"] == length
        assert state.query == query


def test_the_width_that_a_page_tells_is_drawn_and_what_does_not_suit_is_left(found):
    assert 'width="500"' in found["narrow"]


def test_what_a_browser_lacks_is_said_in_a_sentence(found):
    assert "needs matplotlib" in found["told"][-1]["failed"]


def test_nothing_that_a_browser_lacks_was_loaded(found):
    assert set(found["loaded"]) <= {"ipywidgets", "anywidget"}  # the stand-ins


def test_the_rigs_are_those_of_the_lab():
    assert RigOffers().rigs  # of which draw_first has drawn the first
