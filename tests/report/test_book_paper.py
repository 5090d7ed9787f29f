"""Papers of the workshop book: what they say is what the book and the design say, and cautions stand at their steps."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from labkit.app.kit.own_book import demo_book
from labkit.book.learn.from_book import place_in, taught_by
from labkit.book.learn.prediction import knowledge
from labkit.book.records import CoilReading, Design, Note, Session, Spool, WoundCoil, new_uid
from labkit.book.stock import wire_of
from labkit.book.store import Book, read_design
from labkit.core.errors import InputError
from labkit.report.book_paper import (
    batch_sheet_html,
    book_customer_html,
    coil_card_html,
    measured_pickup,
    record_html,
    reel_labels_html,
    work_card_html,
)
from labkit.report.paper_page import bounds
from tests.book.books import small_book

NECK = "Saltmarsh Lane, neck"


@pytest.fixture(scope="module")
def book() -> Book:
    return demo_book()


def plain(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html.replace("\u00a0", " ")))


def test_a_work_card_has_materials_steps_in_order_limits_of_the_book_and_a_row_for_each_coil(book):
    design = book.design(NECK)
    said = plain(work_card_html(book, design, count=8, first_serial="0161", spool="reel 14", lot="lot 6", celsius=24.0))
    length, _ = wire_of(read_design(design.sheet), "leads")
    assert f"{8 * length:.0f} m, have" in said
    assert "may not be enough" in said, "8 coils need more than is left"
    assert "Alnico 5 rod magnet" in said
    assert ", lot 6 48" in said
    steps = [
        "Press the poles",
        "Lacquer the poles",
        " Wind ",
        "Leads: solder",
        "Charge the magnets",
        "Polarity",
        "Resistance, coil at 24 °C",
        "Phase: steel",
        "Wax",
        "Final sweep",
    ]
    places = [said.index(step) for step in steps]
    assert places == sorted(places)
    place = replace(place_in(book, design=NECK, spool="reel 14", lot="lot 6"), celsius=24.0)
    ohms = knowledge(taught_by(book).records, read_design(design.sheet).build, place).next_readings[0]
    assert bounds(ohms.after, "Ω", digits=3).replace("\u00a0", " ") in said, "limits with the book, at that temperature"
    assert ["0161" in said, "0168" in said, "0169" in said] == [True, True, False]
    cautions = "insulation tester can destroy|wear glasses|fume extraction|lethal energy|double boiler|Local codes"
    for caution in cautions.split("|"):
        assert caution in said, caution


def test_a_work_card_of_an_empty_book_rests_on_the_design_and_says_so(tmp_path):
    empty = small_book(tmp_path)
    said = plain(work_card_html(empty, empty.records(Design)[0], count=2))
    assert "the design alone" in said
    with pytest.raises(InputError, match="1 to 24"):
        work_card_html(empty, empty.records(Design)[0], count=25)


def test_a_batch_sheet_has_every_coil_with_its_verdict_and_what_they_share(book):
    session = next(each for each in book.records(Session) if each.label == "batch 10")
    said = plain(batch_sheet_html(book, session))
    assert all(f"015{digit}" in said for digit in "56789")
    assert "0160" in said
    assert "counter may have done it" in said
    assert "0160: resistance and inductance say so together" in said, "and what to do next"


def test_a_coil_card_has_readings_as_typed_and_a_curve_of_what_was_measured(book):
    coil = book.coil("0125")
    said = coil_card_html(book, coil)
    assert "6.075" in said
    assert "<svg" in said
    assert "measured resistance and inductance" in said
    made, _ = measured_pickup(book, coil)
    (coil_of_it,) = made.coils.values()
    # 6.075 kΩ at 22 °C, back to 20 °C by hand
    assert coil_of_it.resistance == pytest.approx(6075 / (1 + 0.00393 * 2), rel=1e-6)


def test_a_test_record_passes_a_good_coil_and_not_one_with_missing_turns(book):
    assert "Passed" in record_html(book, book.coil("0125"))
    changed = book.scratch()
    for read in changed.records(CoilReading, "coil = ? and quantity = 'resistance'", [book.coil("0125").uid]):
        changed.cross_out(read, "for this test")
        changed.add(replace(read, uid=new_uid(), value=0.8 * read.value))
    assert "Not passed" in record_html(changed, changed.coil("0125"))


def test_a_customer_sheet_carries_the_serial_number_and_nothing_of_the_workshop(book):
    said = plain(book_customer_html(book, book.coil("0125")))
    assert "Serial number 0125" in said
    assert "Measured resistance at 22 °C 6.075 kΩ" in said
    assert "reel 12" not in said, "reels and notes stay in the book"


def test_reel_labels_and_texts_of_the_book_are_escaped(book):
    said = plain(reel_labels_html(book, book.records(Spool)))
    assert "reel 13" in said
    assert "804 m (118 to 1491 m)" in said
    changed = book.scratch()
    changed.add(Note(about=changed.records(WoundCoil)[0].uid, text="<script>"))
    assert "<script>" not in coil_card_html(changed, changed.records(WoundCoil)[0])
