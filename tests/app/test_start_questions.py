"""The start page: every question leads to a page that opens in a working state."""

from __future__ import annotations

import pytest

from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.rig.structure import RigName
from labkit.app.pages.cable.state import CablePageState
from labkit.app.pages.listening.seal import Seal
from labkit.app.pages.listening.state import ListeningPageState
from labkit.app.pages.rig.state import RigPageState
from labkit.app.pages.start import questions as landing
from labkit.app.pages.start.questions import asked_tasks, demo_rigs
from labkit.app.pages.study.state import StudyPageState
from labkit.app.server.server import dashboard_folder

SHOWN = [(group["who"], task) for group in asked_tasks() for task in group["tasks"]]


def test_there_are_questions_for_designer_technician_and_player():
    assert [group["who"] for group in asked_tasks()] == ["Building or winding", "At the repair bench", "Playing"]
    assert all(len(group["tasks"]) >= 3 for group in asked_tasks())


@pytest.mark.parametrize(
    ("who", "task"), SHOWN, ids=lambda value: value if isinstance(value, str) else value["question"]
)
def test_a_question_opens_an_existing_page_with_an_address_it_understands(who, task):
    assert (dashboard_folder() / task["file"]).is_file()
    state = (StudyPageState if "own.question" in task["query"] else RigPageState)(query=task["query"])
    assert state.problems == ()
    assert state.query == task["query"]


def test_questions_about_hearing_lead_to_the_blind_test_and_claim_nothing(tmp_path):
    blind = [task for _, task in SHOWN if task["file"] == "listening_test.ipynb"]
    assert len(blind) == 2
    for task in blind:
        state = ListeningPageState(query=task["query"], seal=Seal(tmp_path / "listening"))
        assert state.problems == ()
        assert state.snapshot.first != state.snapshot.second
    words = " ".join(f"{task['question']} {task['hint']}" for _, task in SHOWN).lower()
    assert "audible" not in words
    assert "inaudible" not in words


def test_what_the_hint_says_of_a_and_b_is_what_opens():
    task = next(task for _, task in SHOWN if "A 47 nF, B 22 nF" in task["hint"])
    state = RigPageState(query=task["query"])
    assert state.values["tone_capacitor"] == 47e-9
    assert [pin.pin.setup.changes for pin in state.pins] == [(("tone", 0.0),)]


def test_the_question_about_the_cable_opens_the_page_that_answers_it_in_the_hints_own_terms():
    task = next(task for _, task in SHOWN if task["question"] == "How long may the cable be before it dulls?")
    assert task["file"] == "cable.ipynb"
    state = CablePageState(query=task["query"])
    assert state.problems == ()
    terms = task["hint"].removeprefix("no more than 3 dB lost ")
    assert f"is the longest cable that loses no more than 3 dB {terms}" in state.answer


PLAYERS = {
    "What does the middle position do?": ("selector", "both", "bridge"),
    "What does out of phase sound like?": ("phase", "reversed", "in_phase"),
    "Single coil or two-coil?": ("bridge", "two-coil", "narrow single coil"),
    "What goes when I roll the volume off?": ("volume", 7.0, 10.0),
}


@pytest.mark.parametrize("question", PLAYERS)
def test_a_players_question_opens_with_what_it_asks_as_a_and_the_usual_as_b(question):
    key, here, before = PLAYERS[question]
    task = next(task for _, task in SHOWN if task["question"] == question)
    state = RigPageState(query=task["query"])
    assert state.values[key] == here
    assert state.offers.values(state.pins[0].pin.setup)[key] == before
    curves = state.curves()
    # at the least a change that is seen: a twentieth of the plot's height would be 2 dB
    assert max(abs(curves[0].gain_db - curves[1].gain_db)) > 0.5


def test_the_question_about_a_bleed_holds_two_wirings_at_one_volume():
    task = next(task for _, task in SHOWN if "treble bleed keep" in task["question"])
    state = RigPageState(query=task["query"])
    other = state.rig_of(state.pins[0].pin.setup)
    assert state.rig.harness.name == "volume with a capacitor bleed"
    assert other.harness.name == "one volume, one tone"
    assert state.rig.settings["volume"] == other.settings["volume"] == 5.0


def test_a_question_about_a_rig_that_is_not_there_is_left_out():
    offers = RigOffers()
    lost = landing.Task(question="?", hint="", rig=RigName(plain="a rig that was taken away"))
    assert not landing._can_be_shown(offers, lost)


def test_a_question_without_its_page_is_left_out(monkeypatch):
    panels = [panel for panel in landing.notebook_panels() if panel.name != "listening_test"]
    monkeypatch.setattr(landing, "notebook_panels", lambda: panels)
    files = {task["file"] for group in asked_tasks() for task in group["tasks"]}
    assert "listening_test.ipynb" not in files
    assert "rig.ipynb" in files


def test_no_question_is_asked_twice():
    questions = [task["question"] for _, task in SHOWN]
    assert len(questions) == len(set(questions))


def test_the_three_demo_rigs_are_there_with_a_line_about_each():
    rigs = demo_rigs()
    assert len(rigs) >= 3
    assert all(rig["summary"] for rig in rigs)
    for rig in rigs:
        assert RigPageState(query=rig["query"]).snapshot.rig.setup.rig == rig["name"]
