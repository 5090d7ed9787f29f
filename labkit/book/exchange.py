"""A book as text files, and back: nothing is lost either way, and reading in twice changes nothing.

A folder holds ``things.toml`` (what the workshop has: spools, lots, machines, bobbins, meters, checks, designs,
sessions) and a CSV table for each kind of what there are many of (coils, readings, fitted sweeps, repairs, notes, the
event trail). Numbers are SI and in full.
"""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, dataclass, fields, replace
from pathlib import Path
from typing import Any, get_args, get_type_hints

from labkit.book.records import (
    RECORDS,
    BookRecord,
    CoilReading,
    Event,
    Note,
    Repair,
    SweepFit,
    WoundCoil,
    new_uid,
)
from labkit.book.schema import columns
from labkit.book.store import Book
from labkit.core.errors import InputError, did_you_mean
from labkit.core.files import read_bytes
from labkit.core.sheet import Table, parse_sheet, sheet_text

SHEET = "workshop book"
"""Kind of the sheet of things."""

THINGS_FILE = "things.toml"
TABLES: Mapping[type[BookRecord], str] = {
    WoundCoil: "coils.csv",
    SweepFit: "sweep_fits.csv",
    CoilReading: "readings.csv",
    Repair: "repairs.csv",
    Note: "notes.csv",
    Event: "events.csv",
}
"""Files of what there are many of."""

LARGEST_FILE = 1 << 28
"""Bytes of one file: readings of a million coils."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadIn:
    """What reading in did.

    Attributes
    ----------
    entered : int
        Records that are new to the book.
    known : int
        Records that the book had, just so.
    kept : tuple of str
        What the book had otherwise, such as a reading crossed out since; the book's own stays. Named by kind and uid.
    """

    entered: int
    known: int
    kept: tuple[str, ...]


def write_out(book: Book, folder: Path, *, names: bool = True) -> None:
    """Write a book into a new folder.

    Parameters
    ----------
    book : Book
    folder : Path
        Made here; it must not exist.
    names : bool
        With False winders, notes and the event trail (which holds both) are left out, for showing the book to others.

    Raises
    ------
    InputError
        If the folder exists or cannot be written.
    """
    if folder.exists():
        raise InputError(f"{folder}: exists already; choose another name")
    temporary = folder.with_name(f".{folder.name}.{new_uid()}")
    try:
        temporary.mkdir()
        for name, text in book_texts(book, names=names).items():
            (temporary / name).write_text(text, encoding="utf-8", newline="")
        temporary.rename(folder)
    except OSError as error:
        raise InputError(f"{folder}: cannot be written ({error.strerror or error})") from None
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


def book_texts(book: Book, *, names: bool = True) -> dict[str, str]:
    """Return the files of a book by name, as `write_out` writes them; all as of one moment."""
    with book.reading():
        ((uid, name, made_at),) = book.query("select uid, name, made_at from book")
        things: dict[str, Any] = {"book": {"uid": uid, "name": name, "made_at": made_at}}
        files = {}
        for kind in RECORDS:
            records: Iterable[BookRecord] = book.records(kind)
            if not names:
                records = [] if kind in (Note, Event) else [_nameless(each) for each in records]
            if kind in TABLES:
                files[TABLES[kind]] = table_text(kind, records)
            else:
                things[kind.table] = [
                    {key: value for key in columns(kind) if (value := getattr(each, key)) is not None}
                    for each in records
                ]
    return {THINGS_FILE: sheet_text(SHEET, things), **files}


def _nameless(record: BookRecord) -> BookRecord:
    return replace(record, who="") if isinstance(record, WoundCoil) else record


def table_text(kind: type[BookRecord], records: Iterable[BookRecord]) -> str:
    """Return records of a kind as CSV, with a header; an empty cell is an absent value, or an empty text."""
    written = io.StringIO(newline="")
    names = columns(kind)
    rows = csv.writer(written)  # lines end as RFC 4180 says; another end would leave some texts unquoted
    rows.writerow(names)
    for each in records:
        values = (getattr(each, name) for name in names)
        rows.writerow(["" if value is None else value for value in values])
    return written.getvalue()


def read_in(book: Book, folder: Path) -> ReadIn:
    """Enter what `write_out` wrote, all of it or nothing.

    An empty book becomes the book that was written out; into another one its records are added.

    Raises
    ------
    InputError
        If a file is missing or no such table, a value cannot be, or a thing is called as another one of the book.
    """
    things = parse_sheet(_text(folder / THINGS_FILE), str(folder / THINGS_FILE), kinds=(SHEET,))
    found: list[BookRecord] = []
    for kind in RECORDS:
        if kind in TABLES:
            path = folder / TABLES[kind]
            found += read_table_text(kind, _text(path), str(path))
        else:
            found += [thing_from(kind, table) for table in things.tables(kind.table, [])]
    own = things.table("book")
    identity = [own.text(key) for key in ("uid", "name", "made_at")]
    own.done()
    things.allow("format")
    things.done()
    return _entered(book, found, identity)


def _entered(book: Book, found: list[BookRecord], identity: list[str]) -> ReadIn:
    with book.writing():
        here = {kind: {each.uid: each for each in book.records(kind)} for kind in RECORDS}
        if not any(here.values()):
            book.rename(*identity)
        new, known, kept = [], 0, []
        for record in found:
            same = here[type(record)].get(record.uid)
            if same is None:
                new.append(record)
            elif same == record:
                known += 1
            else:
                kept.append(f"{record.name_of_one} {record.uid}")
        book.add(*new)
    return ReadIn(entered=len(new), known=known, kept=tuple(kept))


def _text(path: Path) -> str:
    data = read_bytes(path, largest=LARGEST_FILE)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{path}: is not a text file (not UTF-8)") from None


def thing_from(kind: type[BookRecord], table: Table) -> BookRecord:
    """Return a record from its table in the sheet of things.

    Raises
    ------
    InputError
        If a key is unknown or missing, or its value cannot be.
    """
    table.allow(*columns(kind))
    table.done()
    return _made(kind, dict(table.data), f"{table.where}: {table.path}")


def read_table_text(kind: type[BookRecord], text: str, where: str) -> list[BookRecord]:
    """Return the records of a CSV table that `table_text` wrote, perhaps with columns moved or left out.

    Raises
    ------
    InputError
        Naming the file, the row and the column.
    """
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except csv.Error as error:
        raise InputError(f"{where}: is not a table ({error})") from None
    if not rows:
        raise InputError(f"{where}: is empty; a row with the names of the columns is due")
    header = rows[0]
    for name in header:
        if name not in columns(kind):
            raise InputError(
                f"{where}: column '{name}' is none of a {kind.name_of_one}.{did_you_mean(name, columns(kind))}"
            )
    if len(set(header)) < len(header):
        raise InputError(f"{where}: a column stands twice in the first row")
    types = _types(kind)
    found = []
    for number, cells in enumerate(rows[1:], start=2):
        place = f"{where}: row {number}"
        if not cells:
            continue
        if len(cells) != len(header):
            raise InputError(f"{place}: has {len(cells)} cells, the first row {len(header)}")
        values = {name: _value(cell, *types[name], f"{place}: {name}") for name, cell in zip(header, cells)}
        found.append(_made(kind, values, place))
    return found


def _types(kind: type[BookRecord]) -> dict[str, tuple[type, bool]]:
    """Of each column: text, whole number or number, and whether it may be absent."""
    hints = get_type_hints(kind)
    found = {}
    for each in fields(kind):
        options = get_args(hints[each.name]) or (hints[each.name],)
        plain = next((option for option in options if option in (int, float)), str)
        found[each.name] = (plain, type(None) in options)
    return found


def _value(cell: str, plain: type, may_be_absent: bool, where: str) -> Any:
    if cell == "" and may_be_absent:
        return None
    try:
        return plain(cell)
    except ValueError:
        raise InputError(f"{where}: must be a {'whole ' if plain is int else ''}number; got '{cell}'") from None


def _made(kind: type[BookRecord], values: dict[str, Any], where: str) -> BookRecord:
    types = _types(kind)
    for each in fields(kind):
        if each.name not in values:
            if each.default is MISSING and (each.default_factory is MISSING or each.name == "uid"):
                raise InputError(f"{where}: {each.name} is missing")
            continue
        value, (plain, may_be_absent) = values[each.name], types[each.name]
        if plain is float and isinstance(value, int) and not isinstance(value, bool):
            values[each.name] = value = float(value)
        if not (value is None and may_be_absent) and (not isinstance(value, plain) or isinstance(value, bool)):
            words = {str: "a text", int: "a whole number", float: "a number"}[plain]
            raise InputError(f"{where}: {each.name} must be {words}; got {value!r}")
    try:
        return kind(**values)
    except InputError as problem:
        raise InputError(f"{where}: {problem}") from None
