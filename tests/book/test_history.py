"""Searching a book, and what is left of its spools and magnets."""

from __future__ import annotations

from dataclasses import replace

import pytest

from labkit.book.history import coil_lines, find_coils
from labkit.book.records import Machine, MagnetLot, Note, Session, Spool
from labkit.book.stock import magnets_left, wire_left
from labkit.book.store import read_design
from labkit.core.errors import InputError
from tests.book.books import DESIGN, design_text, read, small_book, wound


@pytest.fixture
def book(tmp_path):
    book = small_book(tmp_path)
    neck = book.enter_design(design_text(name="neck, narrow")).uid
    other = Spool(label="reel 1", wire="AWG 42 single build")
    book.add(other)
    left = book.labelled(Machine, "left machine").uid
    coils = [
        wound(book, "0001", design=neck, wound_at="2026-01-09", who="M"),
        wound(book, "0002", design=neck, wound_at="2026-02-10", machine=left),
        wound(book, "0003", wound_at="2026-03-01", turns_counted=7900.0),
        wound(book, "0004", design=neck, spool=other.uid, state="suspect"),
        wound(book, "0005", design=neck),
    ]
    book.add(*coils)
    for coil, ohms in zip(coils, (6080.0, 6120.0, 6130.0, 6140.0, 6150.0)):
        book.add(read(book, coil, "resistance", ohms, "Ω"))
    book.add(Note(about=coils[2].uid, text="Wire joined at 3000 turns"))
    book.cross_out(coils[4], "was never wound")
    return book


@pytest.mark.parametrize(
    ("terms", "found"),
    [
        ((), "0001 0002 0003 0004"),
        (("neck", "reel 12", "ohms > 6.1k"), "0002"),
        (("reel 1",), "0004"),
        (("suspect",), "0004"),
        (("joined",), "0003"),
        (("NECK", "resistance <= 6.12 kΩ"), "0001 0002"),
        (("ohms above 6125",), "0003 0004"),
        (("wound since 2026-02", "wound < 2026-03"), "0002"),
        (("turns < 8000",), "0003"),
        (("left machine",), "0002"),
        (("M",), "0001"),
        (("henries > 2",), ""),
    ],
)
def test_words_and_comparisons_pick_coils(book, terms, found):
    assert " ".join(line.name for line in find_coils(coil_lines(book), terms)) == found


def test_crossed_out_entries_are_shown_where_they_are_asked_for(book):
    shown = find_coils(coil_lines(book, crossed_out=True), ["neck", "reel 12"])
    assert [(line.name, line.coil.void_reason) for line in shown][-1] == ("0005", "was never wound")


@pytest.mark.parametrize(
    ("term", "message"),
    [
        ("omhs > 6.1k", "Did you mean 'ohms'"),
        ("ohms > 22 nF", "a resistance is due"),
        ("wound > May", "must be a day"),
        (" ", "empty"),
    ],
)
def test_a_term_that_cannot_be_meant_is_refused(book, term, message):
    with pytest.raises(InputError, match=message):
        find_coils(coil_lines(book), [term])


def test_a_line_shows_the_newest_session_and_the_mean_of_its_repeats(book):
    later = Session(started_at="2026-09-01")
    coil = book.coil("0001")
    book.add(
        later,
        read(book, coil, "resistance", 6010.0, "Ω", session=later.uid),
        read(book, coil, "resistance", 6030.0, "Ω", session=later.uid, repeat_no=2),
    )
    assert coil_lines(book)[0].values == {"resistance": 6020.0}


def test_wire_is_counted_down_by_what_was_wound(book):
    reels = {each.spool.label: each for each in wire_left(book)}
    reel = reels["reel 12"]
    design = read_design(book.design(DESIGN).sheet)
    (winding,) = (coil.winding for _, coil in design.build.coils)
    counted = 7900 / winding.turns
    assert reel.coils == 3
    assert reel.used_m == pytest.approx((2 + counted) * winding.spool_length)
    assert reel.left_m.value == pytest.approx(4000 - reel.used_m)
    # 1 % of the length that was stated, and the doubt of the design's wire, alike in all three coils
    assert reel.left_m.high - reel.left_m.value > 1.96 * 40
    assert reel.coils_left == int(reel.left_m.low // (counted * winding.spool_length))
    assert reels["reel 1"].left_m is None
    book.change(replace(book.labelled(Spool, "reel 12"), emptied_on="2026-04-01"))
    assert wire_left(book)[0].left_m.high == 0.0


def test_magnets_are_counted_down_and_the_whole_pickup_takes_its_bar(book):
    (lot,) = magnets_left(book)
    assert (lot.coils, lot.used, lot.left) == (4, 24, 36)
    two = book.enter_design(design_text_of_two())
    book.add(wound(book, "H1", design=two.uid), wound(book, "H2", design=two.uid, coil="screw"))
    assert magnets_left(book)[0].used == 24 + 1
    assert book.labelled(MagnetLot, "lot 3").count == 60
    one, both = (wire_left(book)[0].used_m, read_design(two.sheet).total.wire_length.value)
    assert one > both


def design_text_of_two():
    import tomli_w

    from labkit.catalogue import find_sheet

    return tomli_w.dumps(dict(find_sheet("two-coil, built", "pickup").data))
