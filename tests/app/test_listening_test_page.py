"""The widgets of the listening test follow the bench, and hand out sounds only of the present trial."""

from __future__ import annotations

import json

import pytest

from labkit.app.pages.listening.page import ListeningPage, panel
from labkit.app.pages.listening.seal import Seal
from labkit.app.pages.listening.state import ListeningPageState


@pytest.fixture
def page(tmp_path) -> ListeningPage:
    return ListeningPage(ListeningPageState(seal=Seal(tmp_path / "listening")))


@pytest.fixture
def sent(page, monkeypatch) -> list[tuple[int, list[bytes]]]:
    """What was handed to the page as sound."""
    found: list[tuple[int, list[bytes]]] = []
    monkeypatch.setattr(page.desk, "send", lambda content, buffers: found.append((content["sounds"], buffers)))
    return found


def send(widget, **content):
    """What a message of the browser does."""
    widget._receive(widget, content, [])


def test_a_whole_test_from_choice_to_result(page, sent):
    send(page.desk, do="prepare")
    assert page.desk.view["stage"] == "practice"
    send(page.desk, do="answer", choice="a", trial=-1)
    assert page.desk.view["said"].endswith(("5 m.", "10 m."))
    send(page.desk, do="begin")
    for number in range(1, 17):
        assert page.desk.view["trial"] == number
        send(page.desk, do="answer", choice="cannot tell", trial=number)
    send(page.desk, do="finish")
    assert page.desk.view["stage"] == "result"
    assert "full answer" in page.desk.view["html"]
    assert [trial for trial, _ in sent] == [-1, -2, *range(1, 17)], "each trial's sounds are sent once, none ahead"
    assert all(len(buffers) == 3 for _, buffers in sent)


def test_sounds_are_no_part_of_the_widgets_state(page, sent):
    send(page.desk, do="prepare")
    send(page.desk, do="begin")
    state = json.dumps({key: value for key, value in page.desk.get_state().items() if not key.startswith("_")})
    assert "RIFF" not in state
    assert page.state.run._test.nonce not in state


def test_controls_go_away_while_a_test_is_under_way(page, sent):
    send(page.desk, do="prepare")
    assert "lab-away" in page._left._dom_classes
    before = page.state.snapshot
    send(page.actions, do="again")
    send(page.actions, do="open", search="?v=1&volume=3")
    assert page.state.snapshot == before
    send(page.desk, do="leave")
    assert "lab-away" not in page._left._dom_classes


def test_an_early_end_is_asked_for_twice(page, sent):
    send(page.desk, do="prepare")
    send(page.desk, do="begin")
    send(page.desk, do="ask")
    assert page.desk.view["buttons"][0]["key"] != "end", "nothing is answered yet"
    send(page.desk, do="answer", choice="a", trial=1)
    send(page.desk, do="ask")
    assert "End after 1 of 16" in page.desk.view["lines"][0]
    send(page.desk, do="go on")
    assert page.desk.view["stage"] == "trial"
    send(page.desk, do="ask")
    send(page.desk, do="end")
    assert page.desk.view["stage"] == "result"


@pytest.mark.parametrize(
    "content",
    [
        {"do": "answer"},
        {"do": "answer", "choice": "c", "trial": 1},
        {"do": "answer", "choice": ["a"], "trial": 1},
        {"do": "answer", "choice": "a", "trial": "1"},
        {"do": "answer", "choice": "a", "trial": 1.0},
        {"do": "begin", "extra": 1},
        {"do": "resume", "text": "<script>"},
        {"do": "resume"},
        {"do": "found", "text": 5},
        {"do": "back"},
        {"do": "finish"},
        {"do": "end"},
    ],
)
@pytest.mark.parametrize("stage", ["choose", "trial"])
def test_messages_out_of_place_answer_nothing_and_open_nothing(page, sent, content, stage):
    if stage == "trial":
        send(page.desk, do="prepare")
        send(page.desk, do="begin")
    send(page.desk, **content)
    assert page.state.result is None
    assert page.state.run is None or page.state.run.answers == []


def test_nothing_replaces_a_test_under_way(page, sent):
    send(page.desk, do="prepare")
    send(page.desk, do="begin")
    run = page.state.run
    send(page.desk, do="prepare")
    send(page.desk, do="resume", text=run.record())
    assert page.state.run is run


def test_a_refused_file_is_told_on_the_page(page):
    send(page.desk, do="resume", text="{}")
    assert page.desk.view["said"].startswith("This is no kept listening test")


def test_a_kept_test_is_offered_and_can_be_forgotten(page, sent, tmp_path):
    send(page.desk, do="prepare")
    send(page.desk, do="begin")
    send(page.desk, do="answer", choice="b", trial=1)
    kept = page.desk.view["kept"]
    later = ListeningPage(ListeningPageState(seal=Seal(tmp_path / "listening")))
    send(later.desk, do="found", text=kept)
    assert [button["key"] for button in later.desk.view["buttons"]] == ["resume", "forget", "prepare"]
    forgets = []
    later.desk.observe(lambda change: forgets.append(change["new"]), "forgets")
    send(later.desk, do="forget")
    assert forgets == [True, False]
    assert later.desk.view["kept"] == ""


def test_files_fit_the_stage(page, sent):
    def offered():
        return [offer["key"] for offer in page.files.offers]

    send(page.desk, do="prepare")
    send(page.desk, do="begin")
    assert offered() == ["record"]
    assert json.loads(page._record_file().content)["trials"] == 16
    send(page.desk, do="answer", choice="a", trial=1)
    send(page.desk, do="end")
    assert offered() == ["result", "table"]
    assert json.loads(page._result_file().content)["trials"][0]["answer"] == "a"
    assert page._table_file().content.startswith(b"trial,a,b,x,")


def test_a_panel_opens_in_any_notebook():
    assert "lab-page" in panel()._dom_classes
