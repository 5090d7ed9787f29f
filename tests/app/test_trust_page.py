"""The trust page: counts, sentences, filters, and a page that answers while cases run."""

from __future__ import annotations

import asyncio
import csv
import io
import json
import math
import time
from dataclasses import replace
from html import escape

import pytest

from labkit.app.pages.trust.page import TrustPage, panel
from labkit.app.pages.trust.state import TrustPageState
from labkit.app.pages.trust.words import head_html, limits_html, model_html
from labkit.cases import Case, Expected, load_cases, run_cases, used_share
from labkit.cases.limits import limits, read_limits
from labkit.core.errors import SheetError
from labkit.core.sheet import parse_sheet


def case(name: str, **changes: object) -> Case:
    """The thermal noise of a resistance: quick, and its answer is known from the formula."""
    found = next(each for each in load_cases() if each.id == "thermal_noise_dcr")
    return replace(found, id=name, **changes)


def missed(name: str, **changes: object) -> Case:
    """A case that cannot be within its tolerance."""
    expected = case(name).expected[0]
    return case(name, expected=(replace(expected, value=2 * expected.value),), **changes)


@pytest.fixture
def mixed() -> TrustPageState:
    cases = (
        case("one", model="noise"),
        case("two", model="noise", role="calibration"),
        missed("three", model="wire"),
        missed("four", model="wire", known_gap="the formula is rough here"),
        case("five", model="wire", check="no such check"),
    )
    state = TrustPageState(cases=cases)
    for each in cases:
        state.run(each)
    return state


def send(widget, **content):
    """What a message of the browser does."""
    widget._receive(widget, content, [])


class TestCounts:
    def test_every_model_has_a_sentence_of_its_own(self, mixed):
        assert mixed.sentence("noise").startswith(
            "All 2 numbers of 2 cases lie within tolerance. One of them chose a constant and confirms nothing."
        )
        assert mixed.sentence("wire") == "0 of 3 numbers of 3 cases lie within tolerance; 1 known gap; 2 fail."

    def test_a_number_that_chose_a_constant_is_not_counted_as_confirming(self, mixed):
        assert ">4<" in head_html(mixed), "five numbers, of which one is calibration"
        assert "1 more chose a constant" in head_html(mixed)

    def test_what_has_not_run_is_said(self):
        state = TrustPageState(cases=(case("one"), case("two")))
        assert state.sentence() == "2 cases, not run yet."
        state.run(state.cases[0])
        assert "1 more to run" in state.sentence()

    @pytest.mark.parametrize(
        ("value", "got", "tolerance", "kind", "share"),
        [
            (100.0, 101.0, 0.02, "relative", 0.5),
            (-100.0, -101.0, 0.02, "relative", 0.5),
            (3.0, 3.3, 0.3, "absolute", 1.0),
            (2.0, 1.0, 0.0, "at most", 0.5),
            (1.0, 1.0, 0.0, "absolute", 0.0),
            (1.0, 1.1, 0.0, "absolute", math.inf),
            (1.0, math.nan, 0.1, "absolute", math.inf),
        ],
    )
    def test_the_share_of_a_tolerance_used(self, mixed, value, got, tolerance, kind, share):
        expected = Expected(quantity="q", value=value, unit="1", tolerance=tolerance, tolerance_kind=kind)
        outcome = replace(mixed.outcomes()[0], expected=expected, got=got)
        # plain arithmetic: equal to the rounding of doubles
        assert used_share(outcome) == pytest.approx(share, rel=1e-9)

    def test_the_real_cases_agree_with_the_command_line(self):
        state = TrustPageState("own.model=noise")
        while (waiting := state.next_case()) is not None and waiting.model == "noise":
            state.run(waiting)
        direct = [outcome.as_dict() for each in load_cases() if each.model == "noise" for outcome in run_cases([each])]
        assert json.loads(state.as_json()) == direct


class TestFilter:
    def test_the_chosen_model_runs_first(self):
        state = TrustPageState("own.model=wire", cases=(case("one", model="noise"), case("two", model="wire")))
        assert state.next_case().id == "two"

    @pytest.mark.parametrize(
        ("show", "ids"),
        [
            ("everything", ["three", "four", "five"]),
            ("not within", ["three", "four", "five"]),
            ("calibration", []),
        ],
    )
    def test_what_is_shown_of_a_model(self, mixed, show, ids):
        mixed.set_index("show", mixed.controls["show"].positions.index(show))
        assert [each.id for each, _ in mixed.by_case("wire")] == ids

    def test_counts_do_not_follow_the_filter(self, mixed):
        before = mixed.sentence("noise")
        mixed.set_index("show", mixed.controls["show"].positions.index("calibration"))
        assert mixed.sentence("noise") == before
        assert [each.id for each, _ in mixed.by_case("noise")] == ["two"]

    def test_the_address_keeps_the_filter_and_the_rig_that_came_along(self, mixed):
        mixed.open("?v=1&tone=3&own.model=wire&own.show=not+within")
        assert (mixed.snapshot.model, mixed.snapshot.show) == ("wire", "not within")
        assert mixed.query == "v=1&tone=3&own.model=wire&own.show=not+within"
        assert mixed.problems == ()

    @pytest.mark.parametrize("query", ["own.model=<script>", "own.show=all", "own.x=1"])
    def test_what_an_address_cannot_mean_is_told(self, mixed, query):
        mixed.open(query)
        assert len(mixed.problems) == 1
        assert mixed.snapshot == type(mixed.snapshot)()


class TestText:
    def test_source_role_tolerance_and_doubt_are_told(self, mixed):
        text = model_html(mixed, "noise", limits())
        assert "Source: " in text
        assert "chose a constant, so it confirms nothing" in text
        assert "Noise of the magnets" not in text, "what is left out is told in small letters"
        assert "Left out of it: noise of the magnets" in text

    def test_a_gap_and_a_failure_say_why(self, mixed):
        text = model_html(mixed, "wire", limits())
        assert "the formula is rough here" in text
        assert "no check is named &#x27;no such check&#x27;" in text

    def test_every_text_from_a_sheet_is_escaped(self):
        evil = "<script>alert(1)</script>"
        state = TrustPageState(
            cases=(case("one", claim=evil, source=evil, tolerance_reason=evil, doubt=evil, model=evil),)
        )
        state.run(state.cases[0])
        assert "<script" not in model_html(state, evil, limits())

    def test_the_table_has_a_row_for_every_number_and_no_formula(self, mixed):
        mixed.run(case("one", model="noise", claim="=1+1"))
        rows = list(csv.reader(io.StringIO(mixed.as_csv().decode())))
        assert len(rows) == 6
        assert rows[1][1] == "'=1+1"

    def test_numbers_that_are_none_are_valid_json(self, mixed):
        found = json.loads(mixed.as_json(), parse_constant=pytest.fail)
        assert [row["got"] for row in found if row["verdict"] == "not run"] == [None]


class TestLimits:
    def test_every_model_named_is_one_that_exists(self):
        models = {each.model for each in load_cases()}
        assert {name for part in limits().not_modelled for name in part.models} <= models

    def test_both_parts_are_on_the_page(self):
        text = limits_html(limits())
        assert all(part.within in text for part in limits().predictions)
        assert "Hysteresis and saturation of steel" in text

    @pytest.mark.parametrize(
        "text",
        [
            'sheet = "limits"\nformat = 1\n[[prediction]]\nwithin = "x"\nwhat = ["y"]\n[[not_modelled]]\n',
            'sheet = "limits"\nformat = 1\nprediction = []\nnot_modelled = []\nmore = 1\n',
            'sheet = "limits"\nformat = 1\nprediction = []\n[[not_modelled]]\nwhat = "a"\nso = ""\nmodels = ["b"]\n',
        ],
    )
    def test_a_damaged_file_is_refused(self, text):
        with pytest.raises(SheetError):
            read_limits(parse_sheet(text, "limits.toml", kinds=("limits",)))


class TestPage:
    def test_it_says_what_the_cases_are_before_any_has_run(self):
        page = TrustPage(TrustPageState())
        assert "Reading the cases" in page.board.head
        send(page.board, do="ready")
        cases = load_cases()
        assert f">{sum(len(each.expected) for each in cases)}</dd>" in page.board.head
        assert f"in {len(cases)} cases" in page.board.head
        assert page.board.progress == {"done": 0, "total": len(cases), "running": False}
        listed = "".join(model["html"] for model in page.board.models)
        assert all(f"<li>{escape(each.claim)}</li>" in listed for each in cases)

    def test_without_an_event_loop_everything_runs_at_once(self):
        page = TrustPage(TrustPageState(cases=(case("one"), case("two"))))
        assert page.board.progress["done"] == 0
        send(page.actions, do="run")
        assert page.board.progress == {"done": 2, "total": 2, "running": False}
        assert "thermal noise" in page.board.models[0]["html"].casefold()

    def test_the_page_answers_while_a_slow_case_runs(self, monkeypatch):
        state = TrustPageState(cases=(case("one"), case("two")))
        run = state.run
        monkeypatch.setattr(state, "run", lambda each: (time.sleep(0.3), run(each)))
        waits = []

        async def look() -> None:
            page = TrustPage(state)
            send(page.actions, do="run")
            while page.is_running:
                begin = time.monotonic()
                await asyncio.sleep(0.005)
                waits.append(time.monotonic() - begin)
            await asyncio.sleep(0)
            assert page.board.progress["done"] == 2

        asyncio.run(look())
        # a case that blocked the page would show as one wait of 0.3 s; many short ones mean that it answered
        assert len(waits) > 10

    def test_stop_leaves_the_rest_and_run_again_takes_it_up(self, monkeypatch):
        state = TrustPageState(cases=tuple(case(str(number)) for number in range(6)))
        run = state.run
        monkeypatch.setattr(state, "run", lambda each: (time.sleep(0.05), run(each)))

        async def look() -> None:
            page = TrustPage(state)
            send(page.actions, do="run")
            while state.done < 2:
                await asyncio.sleep(0.01)
            send(page.actions, do="stop")
            while page.is_running:
                await asyncio.sleep(0.01)
            await asyncio.sleep(0.1)
            stopped = state.done
            assert 2 <= stopped < 6
            assert page.board.progress["running"] is False
            send(page.actions, do="run")
            while page.is_running:
                await asyncio.sleep(0.01)
            assert state.done == 6

        asyncio.run(look())

    def test_messages_that_mean_nothing_do_nothing(self):
        page = TrustPage(TrustPageState(cases=(case("one"),)))
        for content in (
            {"do": "set"},
            {"do": "set", "key": "x", "index": 1},
            {"do": "set", "key": "model", "index": "a"},
        ):
            send(page.controls, **content)
        assert page.state.snapshot == type(page.state.snapshot)()

    def test_a_panel_opens_in_any_notebook(self):
        assert "lab-page" in panel("own.model=wire")._dom_classes
