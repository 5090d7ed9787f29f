"""The workshop book's page: a batch typed and judged, the months and their stories, a shared lab's closed book."""

from __future__ import annotations

import asyncio
import pickle
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from labkit.app.kit.own_book import CLOSED, demo_book, own_book
from labkit.app.kit.page_state import WITHOUT
from labkit.app.pages.book.page import BookPage, panel
from labkit.app.pages.book.state import BookPageState
from labkit.app.pages.cable.page import CablePage
from labkit.app.pages.cable.state import CablePageState
from labkit.app.pages.pots.page import PotsPage
from labkit.app.pages.pots.state import PotsPageState
from labkit.app.pages.rig.page import RigPage
from labkit.app.pages.rig.state import RigPageState
from labkit.app.pages.study.page import StudyPage
from labkit.app.pages.study.state import StudyPageState
from labkit.app.pages.study.work import spread_rig
from labkit.app.server.door import Door, hub_door, room_door
from labkit.app.server.server import book_environment
from labkit.book.exchange import read_in
from labkit.book.records import CoilReading, Session, Spool, WoundCoil, new_uid
from labkit.book.store import Book, new_book, open_book, read_design
from labkit.cli.open_command import open_lab
from labkit.core.errors import InputError
from labkit.core.files import BOOK_CLOSED_VARIABLE, BOOK_VARIABLE, DEMO_BOOK
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig

NECK = "Saltmarsh Lane, neck"
GOOD = [["0161", "5.73", "2.12", "5950"], ["0162", "5.74", "2.13", "5960"], ["0163", "5.72", "2.11", "5935"]]


@pytest.fixture(scope="module")
def filled(tmp_path_factory) -> Iterator[Book]:
    """The demo book in a file, as a winder has one."""
    with new_book(tmp_path_factory.mktemp("book") / "own.book") as book:
        read_in(book, DEMO_BOOK)
        yield book


@pytest.fixture
def page(filled: Book) -> BookPage:
    """A page over a copy of it, so that tests do not meet."""
    return BookPage(BookPageState(filled.scratch()))


def shown(page: BookPage, view: str) -> str:
    page.state.set_text("view", view)
    page.show()
    return re.sub(r"<[^>]+>", " ", page.answer.value + page.text.value + page.stories.value)


def test_the_first_row_has_the_number_that_is_due_and_waits_for_readings(page):
    assert page.table.rows == [["0161", "", "", ""]]
    assert [column["label"] for column in page.table.columns] == ["serial", "ohms, kΩ", "henries, H", "loss, Ω"]
    assert page.enter_button.disabled, "there is nothing to enter yet"


def test_a_typed_batch_is_judged_before_it_is_entered_and_nothing_is_written(page):
    page._typed(rows=[*GOOD, ["0164", "5.20", "2.11", "5400"]])
    kinds = [each["kind"] for each in page.table.said]
    assert kinds == ["good", "good", "good", "bad"]
    assert "In its batch: fault" in page.table.said[3]["text"]
    assert "−11.6 % from the plan" in page.table.said[3]["text"]
    assert len(page.state.book.records(WoundCoil)) == 60, "judging enters nothing"
    assert not page.enter_button.disabled, "a coil that is off is entered as it is"


def test_a_slip_of_the_unit_is_asked_about_and_holds_the_batch_back(page):
    page._typed(rows=[*GOOD, ["0164", "5730000", "2.12", "5950"]])
    assert page.table.said[3]["kind"] == "ask"
    assert "Type it anew, or '5730000!' to keep it" in page.table.said[3]["text"]
    assert page.enter_button.disabled
    page._enter()  # a press that was on its way
    assert len(page.state.book.records(WoundCoil)) == 60


def test_an_entered_batch_stands_in_the_book_as_typed_and_the_table_is_ready_for_the_next(page):
    page.state.set_text("celsius", "23.5")
    page._typed(rows=GOOD)
    page._enter()
    book = page.state.book
    session = book.records(Session)[-1]
    assert (session.label, session.celsius) == ("batch 11", 23.5)
    read = book.records(CoilReading, "session = ?", [session.uid])
    assert [(each.text_as_typed, each.value) for each in read[:2]] == [("5.73", 5730.0), ("2.12", 2.12)]
    coil = book.coil("0163")
    assert coil.spool == book.coil("0160").spool, "as for the coil before, unless somebody says otherwise"
    assert page.table.rows == [["0164", "", "", ""]]
    assert page.actions.said == f"batch 11 entered into {book.name}."


def test_rows_of_a_spreadsheet_are_taken_with_their_columns_and_decimal_commas(page):
    page._pasted(
        rows=[["0161", "", "", ""]], text="number\tR (kΩ)\tL\tpeak\n0201\t5,73\t2,12\t4400\n0202\t5,74\t2,13\t4390\n"
    )
    assert [column["key"] for column in page.table.columns] == ["serial", "ohms", "henries", "peak"]
    assert page.table.rows == [["0201", "5,73", "2,12", "4400"], ["0202", "5,74", "2,13", "4390"]]
    assert [each["kind"] for each in page.table.said] == ["good", "good"]
    page._pasted(rows=page.table.rows, text="number\tcolour\n1\tred")
    assert "colour" in page.table.summary, "what cannot be read is said under the table"
    assert len(page.table.rows) == 2


def test_the_months_tell_both_stories_of_the_demo_book(page):
    said = shown(page, "months")
    afternoon, counter = (said[said.index(name) :] for name in ("batch 5 of", "batch 10 of"))
    assert "room's temperature may have done it" in afternoon.replace("&#x27;", "'")[:900]
    assert "Sun on the bench after lunch." in afternoon
    assert "Counter may have done it" in counter
    assert "The counter was hard to reset." in counter
    assert "Capability against ± 5 %" in said, "30 coils are enough"
    assert page.chart.svg.count('stroke-dasharray="2 3"') == 3, "three changes of reel are marked"


def test_a_capability_is_not_given_from_fewer_than_25_coils(page, filled):
    few = filled.scratch()
    for coil in few.records(WoundCoil)[:12]:
        few.cross_out(coil, "for this test")
    said = shown(BookPage(BookPageState(few)), "months")
    assert "no capability yet".casefold() in said.casefold()
    assert "Capability against" not in said


def test_what_the_shop_knows_stands_beside_what_labkit_says_alone(page):
    said = shown(page, "knows")
    assert "60 coils" in said
    assert "Without the book" in said
    known = page.state.knowledge()
    ohms = known.next_readings[0]
    assert ohms.after.high - ohms.after.low < ohms.before.high - ohms.before.low


def test_a_search_finds_coils_and_one_of_them_with_everything(page):
    page.state.set_text("view", "find")
    page.search.value = "neck, reel 12, ohms > 5.9k"
    found = [line.name for line in page.state.found()]
    assert found
    assert all(page.state.book.coil(name) for name in found)
    assert all(line.values["resistance"] > 5900 and line.spool == "reel 12" for line in page.state.found())
    page.search.value = "0101"
    assert "As typed" in page.text.value
    assert "5.931" in page.text.value
    page.search.value = "reel 99"
    assert "drop one of the terms" in page.text.value
    page.search.value = "ohms > blue"
    assert "blue" in page.text.value, "said in a sentence"


def enter_thing(page: BookPage, thing: str, label: str, **said: str) -> str:
    page.state.set_text("thing", thing)
    page.show()
    page.thing_label.value = label
    for key, text in said.items():
        page.thing_texts[key].value = text
    page.thing_button.click()
    return page.actions.said


def test_reels_magnets_and_meters_are_entered_on_the_page_as_at_the_command_line(page):
    shown(page, "stock")
    assert enter_thing(page, "spool", "reel 15", wire="AWG 42 single build", weight="450 g").startswith(
        "Spool reel 15: entered."
    )
    spool = page.state.book.labelled(Spool, "reel 15")
    assert spool.length_m == pytest.approx(15000, rel=0.1)  # 450 g of 42 gauge: some 34 m a gram
    assert page.thing_texts["weight"].value == "", "the form is empty for the next one"
    assert "reel 15" in page.text.value
    enter_thing(page, "spool", "reel 15", ten_metres="54.4 Ω")
    assert "need the temperature" in page.actions.said
    assert page.thing_texts["ten_metres"].value == "54.4 Ω", "what was refused stays, to be mended"
    enter_thing(page, "spool", "reel 15", ten_metres="54.4 Ω", temperature="21 °C")
    assert "with ten metres" in page.actions.said
    assert "new to the book" in enter_thing(page, "magnets", "lot 7", count="120")
    assert "entered" in enter_thing(page, "magnets", "lot 7", count="120", grade="Alnico 5")
    assert "whole number" in enter_thing(page, "magnets", "lot 7", count="1e3")
    assert "entered" in enter_thing(page, "meter", "new bridge", kind="lcr", accuracy="1 %")
    assert "+2.00 % too much" in enter_thing(
        page, "check-meter", "new bridge", piece="1 H", shown="1.02 H", known="1 H"
    )
    assert "new bridge" in page.text.value
    assert "+2.00 % too much" in page.text.value
    page.state.set_text("view", "batch")
    assert "reel 15" in [str(each) for each in page.state.controls["spool"].positions], "ready for a batch"


def act(page: BookPage, name: str, text: str = "", entry: int | None = None) -> str:
    page.state.set_text("act", name)
    if entry is not None:
        page.state.set_index("entry", entry)
    page.show()
    page.act_text.value = text
    page.act_button.click()
    return page.actions.said


def test_notes_repairs_and_crossing_out_are_done_to_the_coil_that_was_found(page):
    shown(page, "find")
    assert page.act_box.layout.display == "none", "a search that leaves sixty coils offers nothing to do to one"
    page.search.value = "0125"
    assert page.act_box.layout.display is None
    book = page.state.book
    assert "is empty" in act(page, "note")
    assert act(page, "note", "read in the sun <b>").startswith("Coil 0125: noted.")
    assert "read in the sun &lt;b&gt;" in page.text.value
    assert "repair entered" in act(page, "repair", "new lead")
    assert "Say why" in act(page, "cross out", "", entry=1)
    said = act(page, "cross out", "the clip had slipped", entry=1)
    assert "resistance" in said
    assert "crossed out" in said
    read = book.records(CoilReading, "coil = ?", [book.coil("0125").uid])
    assert (read[0].void_reason, read[1].void_reason) == ("the clip had slipped", None)
    assert "crossed out: the clip had slipped" in page.text.value, "it stays in sight"
    act(page, "restore", entry=1)
    assert book.records(CoilReading, "uid = ?", [read[0].uid])[0].void_reason is None
    act(page, "suspect")
    assert book.coil("0125").state == "suspect"
    assert "left on 2026-08-01" in act(page, "left", "2026-08-01")
    assert "must be a day" in act(page, "left", "August")
    act(page, "cross out", "entered twice", entry=0)
    assert page.state.found() == [], "a coil that was crossed out is found no more"


def test_stock_and_pairs_are_there(page):
    assert "reel 12" in shown(page, "stock")
    assert "20" in shown(page, "stock")
    page.state.set_text("view", "pairs")
    assert "pairs" in shown(page, "pairs")


def test_coils_are_judged_as_a_set(page):
    shown(page, "pairs")
    page.set_text.value = "0101, 0107"
    said = re.sub(r"<[^>]+>", " ", page.text.value)
    assert "hum cancels" in said
    assert "+0.3 dB" in said
    assert "compass and first swing tell" in said
    page.set_text.value = "0101, 9999"
    assert "no coil has the serial number" in page.text.value.casefold()
    page.set_text.value = ""
    assert "As a set" not in page.text.value


def test_a_link_carries_the_part_and_nothing_of_the_book(page):
    page.state.set_text("view", "months")
    page.state.set_text("design", NECK)
    assert page.state.query.endswith("own.view=months"), "no name of the book leaves in an address"
    assert BookPageState(page.state.book, query=page.state.query).snapshot.view == "months"


def test_texts_of_the_book_are_escaped(filled):
    book = filled.scratch()
    coil = book.coil("0101")
    from labkit.book.records import Note

    book.change(replace(coil, who="<b>"))
    book.add(Note(about=coil.uid, text="<script>alert(1)</script>"))
    page = BookPage(BookPageState(book))
    page.state.set_text("view", "find")
    page.search.value = "0101"
    assert "<script>" not in page.text.value
    assert "&lt;script&gt;" in page.text.value


def test_an_empty_book_says_what_is_missing(tmp_path):
    with new_book(tmp_path / "empty.book") as book:
        page = BookPage(BookPageState(book))
        assert "labkit book design SHEET" in page.text.value
        assert shown(page, "stock")


def test_a_lab_that_others_reach_has_its_book_closed(monkeypatch, filled):
    monkeypatch.setenv(BOOK_VARIABLE, str(filled.path))
    assert own_book().uid == filled.uid
    assert book_environment(Door()) == {}
    for door in (room_door("127.0.0.1"), hub_door("https://hub.example/lab/")):
        monkeypatch.setenv(*next(iter(book_environment(door).items())))
        with pytest.raises(InputError, match=re.escape(CLOSED)):
            own_book()
        monkeypatch.delenv(BOOK_CLOSED_VARIABLE)
    monkeypatch.setenv(BOOK_CLOSED_VARIABLE, "1")
    shown = panel().children[2].children[1].children
    assert any("closed here" in str(getattr(each, "value", "")) for each in shown)


def test_a_book_is_named_for_a_lab_of_this_machine_alone(tmp_path):
    missing = CliRunner().invoke(open_lab, ["--book", str(tmp_path / "none.book")])
    assert isinstance(missing.exception, InputError)
    assert "no such workshop book" in str(missing.exception)
    shared = CliRunner().invoke(open_lab, ["--share", "--book", str(tmp_path / "none.book")])
    assert isinstance(shared.exception, InputError)
    assert "keeps the book closed" in str(shared.exception)


def test_entries_into_the_demo_book_are_gone_with_it():
    book = demo_book()
    assert not Path(book.path).exists()
    assert len(book.records(WoundCoil)) == 60


def test_the_winding_page_predicts_with_the_book_where_one_is_open(monkeypatch, filled):
    from labkit.app.pages.winding.page import WindingPage
    from labkit.app.pages.winding.state import BOOK, WindingPageState

    monkeypatch.delenv(BOOK_VARIABLE, raising=False)
    assert BOOK not in WindingPageState().controls, "nothing to choose without a book"
    monkeypatch.setenv(BOOK_VARIABLE, str(filled.path))
    page = WindingPage(WindingPageState())
    state = page.state
    alone, curve = state.built.total.resistance, state.result.gain_db
    reel = next(each.uid for each in filled.records(Spool) if each.label == "reel 14")
    state.set_text(BOOK, reel)
    page.show()
    told = state.built.total.resistance
    assert told.high - told.low < 0.9 * (alone.high - alone.low), "the shop's own coils narrow it"
    assert told.value < 0.98 * alone.value, "and reel 14 runs low"
    assert state.rig.pickups[state.slot].coils["main"].resistance == pytest.approx(
        state.built.pickup.coils["main"].resistance
    )
    assert abs(state.result.gain_db - curve).max() > 0.01, "curve and sound follow"
    assert "12 of this spool" in page.known.value
    assert "Without the book" in page.known.value
    assert "reel" not in state.query, "a link names no thing of the book"
    state.set_text("turns", "7800")
    assert state.reel == reel, "it stays while one winds"
    again = WindingPageState(query=state.query)
    assert again.reel == reel
    state.set_text(BOOK, WITHOUT)
    page.show()
    assert page.known.value == ""
    assert state.built.total.resistance.high - state.built.total.resistance.low > told.high - told.low


def neck_rig(book: Book) -> Rig:
    """A rig with the pickup that the book calls neck."""
    built = read_design(book.design(NECK).sheet)
    pickups = {"bridge": replace(built.pickup, made_from=built.build)}
    return load_rig("Saltmarsh Lane, narrow single coil").replace(name="neck alone", pickups=pickups)


@pytest.fixture
def opened(monkeypatch, filled) -> Book:
    """The filled book as that of this lab."""
    monkeypatch.setenv(BOOK_VARIABLE, str(filled.path))
    monkeypatch.delenv(BOOK_CLOSED_VARIABLE, raising=False)
    return filled


def test_the_rig_page_predicts_with_the_book_where_one_is_open(opened, monkeypatch):
    page = RigPage(RigPageState(neck_rig(opened)))
    state, reel = page.state, opened.labelled(Spool, "reel 14").uid
    assert (page.known.value, state.known) == ("", {})
    plain, wide = state.result.gain_db, state.banded(state.curves()[0])
    state.set_text("own.book", reel)
    page.show()
    assert state.query.endswith(f"own.book={reel}"), "a link names the reel by its uid alone"
    (found,) = state.known.values()
    assert found.of_spool == 12
    assert "12 of this spool" in page.known.value
    assert "without the book" in page.known.value.casefold()
    (pickup,) = state.rig.pickups.values()
    assert pickup.coils["main"].resistance < 0.98 * neck_rig(opened).pickups["bridge"].coils["main"].resistance
    assert np.abs(state.result.gain_db - plain).max() > 0.05
    narrow = state.banded(state.curves()[0])
    assert (narrow.high_db - narrow.low_db).max() < 0.95 * (wide.high_db - wide.low_db).max()
    state.undo()
    assert state.result.gain_db == pytest.approx(plain)
    monkeypatch.delenv(BOOK_VARIABLE)
    assert "own.book" not in RigPageState().controls


@pytest.mark.parametrize(("page_of", "state_of"), [(CablePage, CablePageState), (PotsPage, PotsPageState)])
def test_cable_and_pots_predict_with_the_book_as_the_rig_page_does(opened, page_of, state_of):
    page = page_of(state_of(neck_rig(opened)))
    state, alone = page.state, page.state.result.reading.peak_hz
    reel = opened.labelled(Spool, "reel 14").uid
    page._set_control("own.book", text=reel)
    assert "12 of this spool" in page.known.value
    rig = RigPageState(neck_rig(opened))
    rig.set_text("own.book", reel)
    assert state.result.reading.peak_hz == pytest.approx(rig.result.reading.peak_hz)
    assert abs(state.result.reading.peak_hz / alone - 1) > 1e-3
    assert state_of(neck_rig(opened), query=state.query).reel == reel
    if state_of is CablePageState:
        assert re.search(r"√\(\d\.\d\d\sH ×", state.formula), state.formula


def a_coil_more(book: Book) -> None:
    """Another coil of reel 14, read like the newest one, as another page or command would enter it."""
    with open_book(book.path) as other:
        reel = other.labelled(Spool, "reel 14")
        before = other.records(WoundCoil, "spool = ? and state = 'good'", [reel.uid])[-1]
        coil = replace(before, uid=new_uid(), serial="9001")
        readings = other.records(CoilReading, "coil = ?", [before.uid])
        other.add(coil, *(replace(each, uid=new_uid(), coil=coil.uid) for each in readings))


def test_pages_with_the_book_follow_what_others_enter_into_it(opened, monkeypatch, tmp_path):
    """Without a move on the page; nothing is waited for but the page's own look at the book."""
    opened.copy_to(tmp_path / "copy.book")
    monkeypatch.setenv(BOOK_VARIABLE, str(tmp_path / "copy.book"))
    monkeypatch.setattr("labkit.app.kit.page.FOLLOW_S", 0.01)
    own = own_book()
    reel = own.labelled(Spool, "reel 14").uid

    async def follow() -> None:
        page, of_book = RigPage(RigPageState(neck_rig(own))), BookPage(BookPageState(own))
        shown(of_book, "find")
        page._set_control("own.book", text=reel)
        before = page.state.result
        assert page.state.result is before, "nothing is worked out twice"
        assert "12 of this spool" in page.known.value
        a_coil_more(own)
        while "13 of this spool" not in page.known.value or "9001" not in of_book.text.value:
            await asyncio.sleep(0.01)
        assert page.state.result is not before
        page._set_control("own.book", text=WITHOUT)
        assert page._followed is None, "a page without the book does not look at it"

    asyncio.run(asyncio.wait_for(follow(), 60))


def test_a_rig_of_measured_values_is_not_the_book_s_business_and_the_page_says_so(opened):
    page = RigPage(RigPageState())
    page.state.set_text("own.book", "new")
    page.show()
    assert page.state.errors == {}
    assert "No pickup of this rig is known by its build" in page.known.value


def test_the_tolerances_page_spreads_with_the_book(opened):
    page = StudyPage(StudyPageState(neck_rig(opened)))
    state = page.state
    before = state.job().ask
    state.set_text("own.book", opened.labelled(Spool, "reel 14").uid)
    page.show()
    assert "own.book" in state.visible_controls
    assert "12 of this spool" in page.known.value
    ask = pickle.loads(pickle.dumps(state.job().ask))  # it travels to a process of its own
    wide, narrow = (spread_rig(each, progress=lambda _: None, stop=lambda: False).measure for each in (before, ask))
    assert narrow.high - narrow.low < 0.97 * (wide.high - wide.low), "most of it is capacitance, which nobody read"


def test_the_measure_page_enters_a_fit_as_one_evidence_on_a_coil(monkeypatch, filled, tmp_path):
    from labkit.app.pages.measure.page import MeasurePage
    from labkit.app.pages.measure.state import MeasurePageState
    from labkit.bench.fit.fit import fit_sweeps
    from labkit.bench.fit.fixture import Fixture, Measurement
    from labkit.bench.read.sweep_reader import parse_sweep
    from labkit.book.records import SweepFit
    from tests.book.test_sweeps import TABLE

    monkeypatch.delenv(BOOK_VARIABLE, raising=False)
    assert "lab-away" in MeasurePage(MeasurePageState()).book_box._dom_classes, "nothing to enter into"
    filled.copy_to(tmp_path / "own.book")
    monkeypatch.setenv(BOOK_VARIABLE, str(tmp_path / "own.book"))
    page = MeasurePage(MeasurePageState())
    page.serial.value = "0101"
    page.into_book.click()
    assert "example sweeps" in page.entered.value, "the lab's own sweeps are of no coil"
    page.state.is_demo = False
    sweep = parse_sweep(TABLE, name="bare.csv")
    found = fit_sweeps([Measurement(sweep=sweep, fixture=Fixture(kind="impedance"))], sections=0)
    monkeypatch.setattr(MeasurePageState, "fit", found)
    page.serial.value = "9999"
    page.into_book.click()
    assert "9999" in page.entered.value
    page.serial.value, page.celsius.value = "0101", "22.5 °C"
    page.into_book.click()
    assert "one piece of evidence" in page.entered.value
    book = own_book()
    (kept,) = book.records(SweepFit)
    assert kept.coil == book.coil("0101").uid
    assert book.records(Session, "uid = ?", [kept.session])[0].celsius == 22.5
    page.into_book.click()
    assert "in the book already" in page.entered.value
