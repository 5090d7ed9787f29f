"""Entering a batch: few keys, any spreadsheet, questions instead of corrections, all rows or none."""

from __future__ import annotations

import math
import string
from contextlib import suppress
from dataclasses import replace

import pytest

from labkit.bench.diagnose.meter import expected_lcr
from labkit.bench.fit.fixture import STANDARD_LOAD
from labkit.book.cells import next_serial, split_rows
from labkit.book.entry import BatchHeading, EntryTable
from labkit.book.evidence import book_evidence
from labkit.book.records import CoilReading, Meter, Note, Repair, Session, Spool, WoundCoil
from labkit.core.errors import InputError
from tests.book.books import DESIGN, design_text, small_book


def heading(book, **fields):
    usual = {
        "design": book.design(DESIGN),
        "spool": book.labelled(Spool, "reel 12").uid,
        "read_at": "2026-03-06T10:00",
        "celsius": 20.0,
        "meters": {"ohms": book.labelled(Meter, "bench ohmmeter"), "lcr": book.labelled(Meter, "bridge")},
    }
    return BatchHeading(**{**usual, **fields})


@pytest.fixture
def book(tmp_path):
    return small_book(tmp_path)


@pytest.fixture
def table(book):
    return EntryTable(heading=heading(book))


def typed_values(table):
    shown = expected_lcr(table.heading.plan().pickup, 1000.0)
    ohms = table.heading.plan().pickup.coils["main"].resistance
    return [f"{ohms:.0f}", f"{shown.series_inductance:.3f}", f"{shown.series_resistance:.0f}"]


def test_a_row_takes_sixteen_keys_once_the_first_serial_number_is_typed(table):
    row = "\t".join(typed_values(table)) + "\n"
    assert len(row) <= 16
    table = table.typed("0114\t" + 20 * row)
    rows = table.understood()
    assert [each.serial for each in rows] == [f"{114 + count:04d}" for count in range(20)]
    assert all(each.verdict == "fits the plan" and each.fits and len(each.values) == 3 for each in rows)


def test_serial_numbers_go_on_and_skip_those_that_are_there(table):
    assert [next_serial(each) for each in ("9", "A-099", "B")] == ["10", "A-100", "B"]
    table = table.typed("7\t5900\n").with_cell(2, 0, "9")
    assert table.rows[1][0] == "8"
    assert table.typed("5900\n").rows[2][0] == "10"


@pytest.mark.parametrize(
    "pasted",
    [
        "0114\t5,91\t2,213\t6120\n0115\t5,93\t2,22\t6140",
        "serial\tR [kΩ]\tL (H)\tRs\n0114\t5.91\t2.213\t6120\n0115\t5.93\t2.220\t6140\n",
        "serial;ohms [kΩ];henries;loss\r\n0114;5,91;2,213;6120\r\n0115;5,93;2,220;6.140\r\n",
        "Number,DCR (ohm),Ls (mH),series resistance (kΩ)\n0114,5910,2213,6.12\n0115,5930,2220,6.14",
        "0114 5k91 2213mH 6k12\n0115 5930Ω 2.22H 6.14k",
    ],
)
def test_any_spreadsheet_gives_the_same_values(book, pasted):
    meters = {"ohms": Meter(label="x", kind="ohms", unit="Ω" if "[" not in pasted and "," not in pasted else "kΩ")}
    table = EntryTable(heading=heading(book, meters=meters)).pasted(pasted)
    values = [[value.value for value in row.values] for row in table.understood()]
    assert values == [pytest.approx([5910, 2.213, 6120]), pytest.approx([5930, 2.220, 6140])]


def test_a_comma_before_three_digits_is_read_the_only_way_it_can_be_or_asked_about(table):
    assert table.pasted("1\t5,912").understood()[0].values[0].value == 5912.0
    in_kilo = replace(table, units={"ohms": "kΩ"})
    assert in_kilo.pasted("1\t5,912").understood()[0].values[0].value == pytest.approx(5912.0)
    (row,) = replace(table, columns=("serial", "build-up")).pasted("1\t4,312").understood()
    assert "ambiguous" in row.problems[0]


def test_rows_typed_with_points_and_rows_pasted_with_commas_stand_in_one_table(book):
    meters = {"ohms": Meter(label="x", kind="ohms", unit="kΩ")}
    table = EntryTable(heading=heading(book, meters=meters)).with_cell(0, 0, "1").with_cell(0, 1, "5.73")
    table = table.pasted("2\t5,74\t2,13\t5.961\n3\t5,75\t2,14\t5961")
    ohms = [row.values[0].value for row in table.understood()]
    assert ohms == pytest.approx([5730, 5740, 5750])
    assert table.understood()[1].values[2].value == 5961, "a point before three digits is that table's thousands mark"
    pointed = replace(table, decimal=".").with_cell(0, 1, "5,73")
    assert pointed.understood()[0].values[0].value == pytest.approx(5730)


def test_cells_between_commas_keep_points_as_decimals():
    assert split_rows("1,5.9\n2,6.1") == ([["1", "5.9"], ["2", "6.1"]], ".")
    assert split_rows('1;"1.234,5"')[1] == ","
    assert split_rows("1\t5912")[1] is None


def test_a_value_far_from_the_plan_is_asked_about_and_never_corrected(book, table):
    (row,) = table.pasted("0114\t5.91").understood()
    assert row.values[0].value == 5.91
    (question,) = row.questions
    assert "understood as 5.910 Ω" in question
    assert "Is it 5.910 kΩ?" in question
    with pytest.raises(InputError, match=r"coil 0114: ohms: '5\.91' .* nothing was entered"):
        table.pasted("0114\t5.91").enter(book)
    kept = table.pasted("0114\t5.91!")
    assert kept.understood()[0].questions == ()
    kept.enter(book)
    (reading,) = book.records(CoilReading)
    assert (reading.value, reading.text_as_typed) == (5.91, "5.91!")


def test_a_value_at_the_edge_of_ten_deviations_is_a_verdict_below_and_a_question_above(table):
    plan = table.heading.plan()
    planned = plan.pickup.coils["main"].resistance
    deviation = math.hypot(plan.resistance_tolerance, 0.005) / 1.96
    below, above = (table.pasted(f"1\t{planned * math.exp(times * deviation):.2f}") for times in (9.9, 10.1))
    assert below.understood()[0].questions == ()
    assert "from the plan" in below.understood()[0].verdict
    assert below.understood()[0].fits is False
    assert len(above.understood()[0].questions) == 1


def test_a_batch_enters_coils_readings_and_notes_with_its_heading(book, table):
    load = replace(table, columns=("serial", "ohms", "henries", "Q", "peak", "height", "turns", "build-up", "note"))
    table = replace(load, heading=heading(book, load=STANDARD_LOAD, who="M", label="batch 7", coil="leads"))
    resistance, inductance, _ = typed_values(table)
    session = table.pasted(f"1\t{resistance}\t{inductance}\t2.2\t4700\t4.1\t8000\t4.2\tdark lacquer").enter(book)
    assert (session.label, session.celsius) == ("batch 7", 20.0)
    (coil,) = book.records(WoundCoil)
    assert (coil.turns_counted, coil.build_up_m, coil.who) == (8000.0, 0.0042, "M")
    read = {each.quantity: each for each in book.records(CoilReading)}
    assert set(read) == {"resistance", "inductance", "quality", "peak", "height"}
    assert (read["inductance"].hz, read["inductance"].model) == (1000.0, "series")
    assert (read["peak"].load_ohm, read["peak"].load_farad) == (200e3, 470e-12)
    assert read["resistance"].meter == book.labelled(Meter, "bench ohmmeter").uid
    assert book.records(Note)[0].text == "dark lacquer"
    assert {each.quantity for each in book_evidence(book).coils[0].readings} >= {"loss_resistance", "peak"}


def test_a_serial_number_that_stands_twice_was_read_twice(book, table):
    resistance = typed_values(table)[0]
    table.pasted(f"1\t{resistance}\n1\t{resistance}").enter(book)
    assert [each.repeat_no for each in book.records(CoilReading)] == [1, 2]
    assert len(book.records(WoundCoil)) == 1


def test_later_readings_join_the_coil_and_know_of_its_repairs(book, table):
    resistance = typed_values(table)[0]
    table.pasted(f"1\t{resistance}").enter(book)
    (coil,) = book.records(WoundCoil)
    book.add(Repair(coil=coil.uid, done_at="2026-04-01", what="lead renewed"))
    table.pasted(f"1\t{resistance}").enter(book)
    assert [each.repairs_before for each in book.records(CoilReading)] == [0, 1]
    other = replace(table.heading, design=book.enter_design(design_text(name="another")))
    with pytest.raises(InputError, match="in the book already, of the design"):
        replace(table, heading=other).pasted(f"1\t{resistance}").enter(book)
    assert len(book.records(Session)) == 3  # that of the small book, and two batches: nothing of the refused one


def test_an_open_coil_is_a_reading(book, table):
    table.pasted("1\topen").enter(book)
    assert book.records(CoilReading)[0].value == math.inf
    assert book_evidence(book).coils[0].left_out == "reads open"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "nothing was pasted"),
        ("serial\tohms\tcolour\n1\t5900\tred", "column 'colour' is none"),
        ("ohms\thenries\n5900\t2.2", "no column is called 'serial'"),
        ("serial\tohms\tDCR\n1\t2\t3", "column 'ohms' stands twice"),
        ("1\t5900\t2.2\t6100\t7\t8", "row 1 has 6 cells"),
        ("1\n" * 6000, "5000 at most"),
    ],
)
def test_a_table_that_cannot_be_meant_is_refused_in_a_sentence(table, text, message):
    with pytest.raises(InputError, match=message):
        table.pasted(text)


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        ("\t5900", "serial number is missing"),
        ("1\t22 nF", "capacitance; a resistance is due"),
        ("1\tfive", "five"),
        ("1\t-5900", "above 0"),
        ("1\t5900\topen", "no henries"),
    ],
)
def test_a_cell_that_cannot_be_read_says_so_in_its_row(book, table, cells, message):
    table = table.pasted(cells)
    (row,) = table.understood()
    assert message in row.problems[0]
    with pytest.raises(InputError, match="nothing was entered"):
        table.enter(book)


def test_no_text_whatever_breaks_the_table(table):
    import random

    letters = string.printable + "Ωµ−\u00a0é∞"
    chance = random.Random(7)
    for _ in range(60):
        text = "".join(chance.choice(letters) for _ in range(chance.randrange(1, 60)))
        with suppress(InputError):
            rows = table.pasted(text).understood()
            assert all(math.isfinite(value.value) or value.words == "open" for row in rows for value in row.values)


def test_a_batch_is_held_against_what_a_caller_expects(table):
    table = table.pasted(f"1\t{typed_values(table)[0]}")
    (row,) = table.understood(judge=lambda row: (f"{row.serial} looks well", None))
    assert row.verdict == "1 looks well"
    with pytest.raises(InputError, match="has no coil 'screw'"):
        replace(table.heading, coil="screw").plan()
