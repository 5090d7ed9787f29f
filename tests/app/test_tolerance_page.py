"""The page of studies without a browser: windows, goals, ready questions, links, files, and what happens on a stop."""

from __future__ import annotations

import json

import pytest

from labkit.app.pages.rig.state import RigPageState
from labkit.app.pages.study.page import StudyPage
from labkit.app.pages.study.state import Refusal, StudyPageState
from labkit.app.pages.study.work import SpreadAnswer
from labkit.core.errors import InputError
from labkit.study.questions.ready import QUESTIONS

GOAL = "v=1&own.ask=goal"


def worked_out(state, *, stop=lambda: False):
    """Work the present answer out, as the process beside the page does."""
    job = state.job()
    answer = job.function(job.ask, progress=lambda _: None, stop=stop)
    state.take(state.key, answer)
    return answer


def opened(query: str = "") -> StudyPage:
    """A page with its present answer; without a loop the work is done on the spot."""
    page = StudyPage(StudyPageState(query=query))
    page._begin()
    return page


def test_the_page_opens_with_bands_of_the_usual_tolerances():
    page = opened()
    assert isinstance(page.state.answer, SpreadAnswer)
    assert "90 of 100 lie in there" in page.numbers.value
    assert page.pictures.value.count("<svg") == 3
    assert page.causes.value.count("<svg") == 1
    planned, median = page.state.curves()
    assert planned.low_db is not None
    assert (planned.low_db <= median.gain_db).all()
    assert (median.gain_db <= planned.high_db).all()


def test_the_drawings_of_a_spread_follow_the_width_of_the_page():
    page = opened()
    page.curve.width = 420
    assert 'width="420"' in page.causes.value
    assert page.pictures.value.count('width="380"') == 3


def test_a_closer_tolerance_narrows_the_band_at_the_peak():
    wide, close = StudyPageState(), StudyPageState(query="v=1&own.tol_coils=1&own.tol_cables=1&own.tol_pots=1")
    assert close.problems == ()
    spreads = []
    for state in (wide, close):
        height = worked_out(state).result.measure("height")
        spreads.append(height.high - height.low)
    # pots of ± 1 % in place of ± 20 %: what is left is some twentieth of it, and the coil's own capacitance
    assert spreads[1] < spreads[0] / 4


def test_a_window_away_from_the_plan_holds_fewer_of_them():
    around = worked_out(StudyPageState()).result.share
    state = StudyPageState(query="v=1&own.peak_at=3000")
    assert state.windows[0].low == pytest.approx(2850.0)
    assert state.windows[0].high == pytest.approx(3150.0)
    assert worked_out(state).result.share < around


def test_the_same_seed_gives_the_same_digits_and_another_does_not():
    first, again, other = (worked_out(StudyPageState(query=f"v=1&own.seed={seed}")) for seed in (1, 1, 2))
    assert (first.result.bands_db == again.result.bands_db).all()
    assert (first.result.bands_db != other.result.bands_db).any()


def test_every_part_taken_as_exact_is_refused_in_one_sentence():
    exact = "&".join(f"own.tol_{name}=0" for name in ("coils", "pots", "capacitors", "cables", "inputs"))
    page = opened(f"v=1&{exact}")
    assert isinstance(page.state.answer, Refusal)
    assert "nothing spreads" in page.said.value
    assert page.causes.value == ""


@pytest.mark.parametrize("question", [name for name in QUESTIONS if name not in ("turns and wire", "cable as a line")])
def test_a_ready_question_answers_and_its_link_opens_the_rig_page_in_that_rig(question):
    rig = "&volume.value=500000" if question == "load resistor" else ""
    state = StudyPageState(query=f"v=1&own.ask=question&own.question={question.replace(' ', '+')}{rig}")
    assert state.problems == ()
    answer = worked_out(state)
    assert answer.sentence
    there = RigPageState(query=state.link_to(state.found[0]))
    assert there.problems == ()
    # the address holds six digits of every value
    assert abs(there.rig.evaluate([1000.0])[0]) == pytest.approx(abs(answer.rig.evaluate([1000.0])[0]), rel=1e-5)
    assert len(there.pins) == 1, "the present rig stands beside it"


def test_a_question_whose_answer_is_no_rig_is_answered_in_words_beside_the_present_curve():
    page = opened("v=1&own.ask=question&own.question=cable+as+a+line")
    assert "a shorter cable is its capacitance" in page.said.value
    assert page.state.found == ()
    assert [curve.brief for curve in page.state.curves()] == ["A"]
    assert "Open it on the rig page" not in page.table.value


def test_turns_and_wire_are_asked_of_a_pickup_that_comes_from_its_build():
    plain = opened("v=1&own.ask=question&own.question=turns+and+wire")
    assert "need a build sheet" in plain.said.value
    built = StudyPageState(query="v=1&bridge=narrow+single+coil%2C+built&own.ask=question&own.question=turns+and+wire")
    assert built.problems == ()
    ask = built.job().ask
    assert ask.rig.pickups["bridge"].made_from is not None
    assert all(wire.startswith("AWG") for wire in ask.arguments["wires"])


def test_the_doubts_of_a_predicted_pickup_are_named_without_dangling_blanks():
    answer = worked_out(StudyPageState(query="v=1&own.count=256&bridge=narrow+single+coil%2C+built"))
    names = [name for name, _ in answer.varied]
    assert any(name.startswith("bridge, ") for name in names)
    assert names == [name.strip() for name in names]


def test_found_rigs_meet_the_goal_and_are_distinct():
    state = StudyPageState(query=f"{GOAL}&own.want_peak=3000")
    result = worked_out(state)
    assert result.fits
    for solution in result.solutions:
        # 3 % is what a goal allows where nothing is said
        assert solution.values[0] == pytest.approx(3000.0, rel=0.03)
    assert len({tuple(solution.choices.items()) for solution in result.solutions}) == len(result.solutions)
    assert [curve.label for curve in state.curves()] == ["A as it stands", "B no. 1", "C no. 2", "D no. 3"]


def test_where_nothing_fits_the_page_says_why():
    page = opened(f"{GOAL}&own.want_peak=20000")
    assert "Nothing meets it" in page.numbers.value
    assert "Out of reach: resonance" in page.said.value


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("own.want_peak=0", "nothing is wanted"),
        ("own.free_pots=as+it+is&own.free_cables=as+it+is", "nothing may be changed"),
    ],
)
def test_half_a_goal_is_refused_with_what_is_missing(query, said):
    state = StudyPageState(query=f"{GOAL}&{query}")
    assert state.problems == ()
    with pytest.raises(InputError, match=said):
        state.job()


def test_a_level_can_be_wanted_and_travels_in_the_goal_sheet():
    state = StudyPageState(query=f"{GOAL}&own.want_peak=0&own.want_level=-0.5")
    assert [target.name for target in worked_out(state).goal.targets] == ["level"]


def test_a_saved_goal_opens_again_and_gives_the_same_answer():
    state = StudyPageState(query=GOAL)
    result = worked_out(state)
    other = StudyPageState()
    other.open_goal(state.goal_text(), "goal.toml")
    assert other.question == "goal"
    assert [s.choices for s in worked_out(other).solutions] == [s.choices for s in result.solutions]
    other.close_goal()
    assert other.goal is None


def test_a_goal_sheet_that_refers_to_a_file_is_refused():
    sheet = StudyPageState(query=GOAL).goal_text()
    bent = sheet.replace("[target]", '[target]\nsounds_like = "../elsewhere/rig.toml"')
    with pytest.raises(InputError, match="a browser sends only the sheet"):
        StudyPageState().open_goal(bent, "goal.toml")


def test_a_state_comes_back_from_its_address_and_damage_is_told():
    state = StudyPageState(query="v=1&own.tol_pots=5&own.count=4096&own.peak_within=2&cable.length=3")
    assert state.problems == ()
    again = StudyPageState(query=state.query)
    assert again.query == state.query
    assert again.key == state.key
    damaged = StudyPageState(query="v=1&own.count=1e9&own.tol_pots=%3Cimg%3E&own.nothing=1&own.seed=nan")
    assert len(damaged.problems) == 4
    assert damaged.values["own.count"] == "1024"


def test_every_file_can_be_saved_and_holds_what_is_shown():
    page = opened()
    made = {key: make().content for key, make in {**page.files._makers, **page.picture_files._makers}.items()}
    assert set(made) >= {"svg", "png", "csv", "answer-csv", "answer-json", "band-svg", "histograms-png", "tornado-svg"}
    assert made["answer-csv"].startswith(b"frequency_hz,nominal_db,p5_db,p50_db,p95_db")
    told = json.loads(made["answer-json"])
    assert told["bands_db"]["p50"] == page.state.answer.result.bands_db[1].tolist()
    for key, content in made.items():
        start = {"png": b"\x89PNG", "svg": b"<?xml"}.get(key.rpartition("-")[2])
        assert start is None or content.startswith(start)


def test_a_stopped_spread_keeps_what_was_drawn_and_offers_to_go_on():
    state = StudyPageState(query="v=1&own.count=16384")
    answer = worked_out(state, stop=lambda: True)
    page = StudyPage(state)
    assert 0 < answer.result.count < 16384
    assert f"Stopped after {answer.result.count} of 16384" in page.said.value
    assert page.work.again
    page._go_on()
    page._begin()
    assert page.state.answer.result.count == 16384
    assert not page.work.again


def test_a_stop_before_anything_was_drawn_is_no_answer():
    page = StudyPage(StudyPageState())
    page.state.forget(page.state.key)
    page._is_stopping = True
    page._failed(page.state.key, "the study was stopped before its first variants were done")
    assert page.state.answer is None
    assert page.work.words == "Stopped."
    assert page.work.again
    page._go_on()
    page._begin()
    assert isinstance(page.state.answer, SpreadAnswer)


@pytest.mark.parametrize(
    "body",
    [
        'rig = "../rig.toml"\n',
        'rig = "Saltmarsh Lane, narrow single coil"\n[[vary]]\npart = "bridge"\nchoices = ["../p.toml"]\n',
        '[rig]\nname = "r"\nharness = "../h.toml"\n[rig.pickups]\nbridge = "two-coil"\n',
        '[rig]\nname = "r"\nharness = "one volume, one tone"\n[rig.pickups]\nbridge = "../p.toml"\n',
    ],
)
def test_an_opened_goal_reaches_no_file_of_the_machine_wherever_it_names_one(body):
    vary = '[[vary]]\npart = "volume.value"\nchoices = ["250 kΩ", "500 kΩ"]\n'
    text = f'sheet = "goal"\nformat = 1\nname = "g"\n{body}{vary}[target]\nresonance = "3 kHz"\n'
    with pytest.raises(InputError, match="a browser sends only the sheet itself"):
        StudyPageState().open_goal(text, "g.toml")
