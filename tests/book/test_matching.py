"""Pairs and sets from what a book holds."""

from __future__ import annotations

import math

import pytest

from labkit.bench.diagnose.meter import expected_lcr
from labkit.bench.diagnose.readings import load_plan
from labkit.book.history import coil_lines, find_coils
from labkit.book.matching import METER_HZ, book_pairs, coil_set
from labkit.core.errors import InputError
from tests.book.books import DESIGN, design_text, read, small_book, wound

PLAN = load_plan(DESIGN)
HENRIES = expected_lcr(PLAN.pickup, METER_HZ).series_inductance


def shelf(folder, turns, **fields):
    """Return a book with coils whose turns × area are off by so much, as their inductance shows."""
    book = small_book(folder)
    for number, off in enumerate(turns, start=1):
        coil = wound(book, str(number), **fields)
        book.add(coil, read(book, coil, "inductance", HENRIES * (1 + off) ** 2, "H", hz=1000.0, model="series"))
    return book


def test_pairs_are_those_with_the_smallest_differences_of_turns(tmp_path):
    book = shelf(tmp_path, (0.0, 0.03, 0.004, 0.034, 0.2))
    pairs, left = book_pairs(coil_lines(book))
    assert {frozenset((match.first, match.second)) for match in pairs} == {frozenset("13"), frozenset("24")}
    assert left == ("5",)
    assert pairs[0].difference == pytest.approx(0.004, rel=1e-3)


def test_suspect_sold_and_unread_coils_are_no_match(tmp_path):
    book = shelf(tmp_path, (0.0,))
    book.add(wound(book, "sold", left_on="2026-04-01"), wound(book, "bad", state="suspect"), wound(book, "unread"))
    for serial in ("sold", "bad"):
        book.add(read(book, book.coil(serial), "inductance", HENRIES, "H", hz=1000.0))
    with pytest.raises(InputError, match="found 1"):
        book_pairs(coil_lines(book))


def test_two_kinds_are_paired_across_and_one_hopeless_coil_spoils_no_other_pair(tmp_path):
    book = shelf(tmp_path, (0.0, 0.02, 0.5))
    reverse = book.enter_design(design_text(name="reverse")).uid
    for serial, off in (("a", 0.021), ("b", -0.001)):
        coil = wound(book, serial, design=reverse)
        book.add(coil, read(book, coil, "inductance", HENRIES * (1 + off) ** 2, "H", hz=1000.0))
    lines = coil_lines(book)
    pairs, left = book_pairs(find_coils(lines, ["narrow"]), find_coils(lines, ["reverse"]))
    assert {(match.first, match.second) for match in pairs} == {("1", "b"), ("2", "a")}
    assert left == ("3",)


def test_a_set_counts_measured_turns_and_field_in_its_levels(tmp_path):
    book = shelf(tmp_path, (0.0, 0.05))
    planned = PLAN.planned_field(0.0)
    for pole in (1, 2):
        book.add(read(book, book.coil("1"), "field", planned * 0.8, "T", gap_m=0.0, pole=pole))
    found = coil_set(book, coil_lines(book), ["neck", "bridge"])
    off = 20 * math.log10(1.05) - 20 * math.log10(0.8)
    # the end pole's own plan is another than the row's, some 0.3 dB
    assert found.levels.spread_db == pytest.approx(off, abs=0.4)
    assert not found.levels.is_balanced
    assert found.warnings == ("bridge: its field was not read in tesla or gauss, so it is taken as planned",)
    ((first, second, verdict),) = found.pairs
    assert (first, second) == ("neck", "bridge")
    assert verdict.mismatch == pytest.approx(0.05, rel=1e-3)
    assert verdict.in_phase is True
    assert verdict.hum_cancels is False


def test_a_whole_two_coil_pickup_cancels_its_hum_itself(tmp_path):
    import tomli_w

    from labkit.catalogue import find_sheet

    book = small_book(tmp_path)
    sheet = dict(find_sheet("two-coil, built", "pickup").data)
    design = book.enter_design(tomli_w.dumps(sheet)).uid
    for serial in ("H1", "H2"):
        coil = wound(book, serial, design=design)
        book.add(coil, read(book, coil, "inductance", 4.5, "H", hz=1000.0))
    found = coil_set(book, coil_lines(book))
    assert found.pairs[0][2].in_phase is None
    assert found.pairs[0][2].mismatch == 0.0


def test_a_set_that_cannot_be_judged_is_refused(tmp_path):
    book = shelf(tmp_path, (0.0,))
    with pytest.raises(InputError, match="at least two"):
        coil_set(book, coil_lines(book))
    book.add(wound(book, "2"))
    with pytest.raises(InputError, match="coil 2: its inductance was not read"):
        coil_set(book, coil_lines(book))
    with pytest.raises(InputError, match="2 places; got 1"):
        coil_set(book, coil_lines(book), ["neck"])
