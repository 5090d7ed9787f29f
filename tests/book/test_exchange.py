"""A book as text and back: nothing lost, nothing twice, nothing half."""

from __future__ import annotations

import string
from dataclasses import fields
from typing import get_args, get_type_hints

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.book.exchange import (
    TABLES,
    THINGS_FILE,
    book_texts,
    read_in,
    read_table_text,
    table_text,
    thing_from,
    write_out,
)
from labkit.book.records import RECORDS, CoilReading, MagnetLot, Note, WoundCoil
from labkit.book.schema import columns
from labkit.book.store import new_book
from labkit.core.errors import InputError
from labkit.core.sheet import parse_sheet, sheet_text
from tests.book.books import full_book, read, small_book, wound


def everything(book):
    return {kind: book.records(kind) for kind in RECORDS}, book.uid, book.name


def test_a_book_read_in_from_its_own_text_is_the_same_book(tmp_path):
    book = full_book(tmp_path)
    write_out(book, tmp_path / "text")
    assert {path.name for path in (tmp_path / "text").iterdir()} == {THINGS_FILE, *TABLES.values()}
    again = new_book(tmp_path / "again.book")
    read_in(again, tmp_path / "text")
    assert everything(again) == everything(book)
    assert book_texts(again) == book_texts(book)


def test_reading_in_twice_changes_nothing_and_the_books_own_word_stays(tmp_path):
    book = full_book(tmp_path)
    write_out(book, tmp_path / "text")
    before = everything(book)
    done = read_in(book, tmp_path / "text")
    assert (done.entered, done.kept) == (0, ())
    assert done.known == sum(map(len, before[0].values()))
    (reading,) = book.records(CoilReading)
    book.cross_out(reading, "clip")
    done = read_in(book, tmp_path / "text")
    assert done.kept == (f"reading {reading.uid}",)
    assert book.records(CoilReading)[0].void_reason == "clip"


def test_two_workshops_with_a_spool_of_one_name_are_not_mixed(tmp_path):
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    book, other = small_book(tmp_path / "one"), full_book(tmp_path / "two")
    write_out(other, tmp_path / "text")
    before = everything(book)
    with pytest.raises(InputError, match="another spool has the same label"):
        read_in(book, tmp_path / "text")
    assert everything(book) == before


def test_what_is_shown_to_others_names_nobody(tmp_path):
    book = full_book(tmp_path)
    texts = book_texts(book, names=False)
    assert "M" not in [row.split(",")[-8] for row in texts["coils.csv"].splitlines()]
    assert "returned by its owner" in book_texts(book)["notes.csv"]
    assert texts["notes.csv"].count("\n") == texts["events.csv"].count("\n") == 1
    assert texts["readings.csv"] == book_texts(book)["readings.csv"]


def of_kind(kind):
    """Records of a kind with any fields that its own checks and the tables allow."""
    texts = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=20)
    numbers = st.floats(min_value=1e-300, max_value=1e300) | st.floats(min_value=1.0, max_value=1e6)
    hints = get_type_hints(kind)
    given_ones = {
        "uid": st.text(string.hexdigits, min_size=16, max_size=16),
        "entered_at": st.just("2026-03-05T12:00:00+00:00"),
        "wound_at": st.dates().map(str),
        "bought_on": st.none() | st.dates().map(str),
        "left_on": st.none() | st.datetimes().map(lambda at: at.isoformat()),
        "quantity": st.just("resistance"),
        "value": numbers | st.just(float("inf")),
        "void_reason": st.none() | texts.filter(bool),
    }
    made = {}
    for each in fields(kind):
        options = get_args(hints[each.name]) or (hints[each.name],)
        if each.name in given_ones:
            strategy = given_ones[each.name]
        elif isinstance(options[0], str):
            strategy = st.sampled_from(options)
        elif float in options:
            strategy = numbers
        elif int in options:
            strategy = st.integers(min_value=1, max_value=2**31)
        elif get_args(options[0]):
            strategy = st.sampled_from(get_args(options[0]))
        else:
            strategy = texts.filter(lambda text: bool(text.strip()))
        made[each.name] = st.none() | strategy if type(None) in options and each.name not in given_ones else strategy
    return st.builds(kind, **made)


@pytest.mark.parametrize("kind", [CoilReading, WoundCoil, Note])
def test_any_record_comes_back_from_its_table(kind):
    @given(st.lists(of_kind(kind), max_size=4))
    def holds(records):
        assert read_table_text(kind, table_text(kind, records), "table") == records

    holds()


@given(records=st.lists(of_kind(MagnetLot), max_size=4))
def test_any_thing_comes_back_from_the_sheet_of_things(records):
    data = {
        MagnetLot.table: [{n: v for n in columns(MagnetLot) if (v := getattr(each, n)) is not None} for each in records]
    }
    tables = parse_sheet(sheet_text("workshop book", data), "things").tables(MagnetLot.table)
    assert [thing_from(MagnetLot, table) for table in tables] == records


@pytest.mark.parametrize(
    ("name", "old", "new", "message"),
    [
        ("readings.csv", "resistance", "resistence", "row 2: .*Did you mean 'resistance'"),
        ("readings.csv", "5912.0", "much", "row 2: value: must be a number; got 'much'"),
        ("readings.csv", "text_as_typed", "text_typed", "column 'text_typed' is none .* Did you mean 'text_as_typed'"),
        ("readings.csv", ",1,0,", ",1,", "row 2: has 17 cells, the first row 18"),
        ("coils.csv", "0113", " ", "row 2: coil: serial: is empty"),
        ("coils.csv", "good", "fine", "one of good, suspect or scrapped"),
        ("things.toml", "Alnico 5", "", "grade: is empty"),
        ("things.toml", "celsius = 23.0", "celsius = 72.0", "must be −10 to 60 °C"),
        ("things.toml", "celsius = 23.0", "celcius = 23.0", "celcius: is not a key .* Did you mean 'celsius'"),
        ("things.toml", "count = 60", 'count = "sixty"', "count must be a whole number; got 'sixty'"),
        ("things.toml", 'sheet = "workshop book"', 'sheet = "rig"', "a workshop book sheet is due"),
    ],
)
def test_a_damaged_text_is_refused_by_place_and_leaves_the_book_alone(tmp_path, name, old, new, message):
    book = full_book(tmp_path)
    write_out(book, tmp_path / "text")
    file = tmp_path / "text" / name
    assert old in file.read_text()
    file.write_text(file.read_text().replace(old, new))
    again = new_book(tmp_path / "again.book")
    with pytest.raises(InputError, match=message):
        read_in(again, tmp_path / "text")
    assert not any(again.records(kind) for kind in RECORDS)


def test_an_absent_file_or_a_folder_that_is_there_is_refused(tmp_path):
    book = small_book(tmp_path)
    book.add(coil := wound(book, "1"), read(book, coil, "resistance", 5900.0, "Ω"))
    write_out(book, tmp_path / "text")
    with pytest.raises(InputError, match="exists already"):
        write_out(book, tmp_path / "text")
    (tmp_path / "text" / "readings.csv").unlink()
    with pytest.raises(InputError, match=r"readings\.csv: no such file"):
        read_in(book, tmp_path / "text")
    with pytest.raises(InputError, match="cannot be written"):
        write_out(book, tmp_path / "absent" / "text")
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []
