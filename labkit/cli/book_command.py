"""``labkit book``: the workshop book at the command line, what goes in; what comes out is in `book_answers`."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from labkit.book.things import THINGS, ThingKind
from labkit.cli.book_answers import ANSWERS, batch_json, batch_text
from labkit.cli.book_papers import paper
from labkit.cli.main import WholeHelpGroup
from labkit.cli.options import Output, book_option, result_options
from labkit.cli.with_book import LEARNED
from labkit.core.errors import InputError, did_you_mean
from labkit.core.units import parse_quantity, stated_temperature

if TYPE_CHECKING:
    from labkit.book.entry import BatchHeading
    from labkit.book.records import BookRecord, Meter, WoundCoil
    from labkit.book.store import Book


@click.group(cls=WholeHelpGroup)
def book() -> None:
    """Keep a workshop book: what was wound, from which materials, and what was read on it.

    One file of your own, on a disk of this machine. Nothing is deleted: what is wrong is crossed out.
    """


for _answer in (*ANSWERS, *LEARNED, paper):
    book.add_command(_answer)


@book.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--name", default="", help="What the workshop calls it.")
@click.option("--demo", is_flag=True, help="With the invented coils of the winding room at Saltmarsh Lane in it.")
def new(file: Path, name: str, demo: bool) -> None:
    """Make a workshop book in FILE."""
    from labkit.book.exchange import read_in
    from labkit.book.store import new_book
    from labkit.core.files import DEMO_BOOK

    with new_book(file, name=name) as made:
        if demo:
            read_in(made, DEMO_BOOK)
        click.echo(f"{file}: a new workshop book, {made.name}")


def _thing_command(name: str, kind: ThingKind) -> None:
    """Add the command that enters a thing by its label, with an option for everything that can be said of it."""

    @book_option
    def entered(*, book: Book, label: str, **said: str | None) -> None:
        click.echo(kind.enter(book, label, {key: text for key, text in said.items() if text is not None}))

    for each in reversed(kind.fields):
        entered = click.option(f"--{each.key.replace('_', '-')}", each.key, help=each.meaning)(entered)
    book.command(name, help=kind.meaning)(click.argument("label")(entered))


for _name, _kind in THINGS.items():
    _thing_command(_name, _kind)


@book.command()
@click.argument("sheet")
@book_option
def design(book: Book, sheet: str) -> None:
    """Enter the pickup SHEET (a path, or a name in the catalogue) as a design; a changed one is its next version."""
    found = _design(book, sheet)
    click.echo(f"design {found.title}: in the book")


def _design(book: Book, sheet: str) -> Any:
    """A design of the book by name, else a sheet that is entered now."""
    from labkit.catalogue import find_sheet
    from labkit.core.sheet import sheet_text

    if book.query("select 1 from design where name = ?", (sheet,)) and not Path(sheet).is_file():
        return book.design(sheet)
    table = find_sheet(sheet, "pickup")
    text = sheet_text("pickup", {key: value for key, value in table.data.items() if key not in ("sheet", "format")})
    return book.enter_design(text, table.where)


@book.command()
@click.argument("source", metavar="TABLE")
@result_options()
@book_option
@click.option("--design", "sheet", required=True, help="A design of the book, a pickup sheet, or one of the catalogue.")
@click.option("--coil", default="leads", show_default=True, help="Which coil of the pickup was read.")
@click.option("--spool", metavar="LABEL")
@click.option("--magnets", metavar="LABEL", help="Lot of the magnets.")
@click.option("--machine", metavar="LABEL")
@click.option("--bobbin", metavar="LABEL")
@click.option("--who", default="", help="The winder.")
@click.option("--meter", "meters", multiple=True, metavar="LABEL", help="Once for each meter.")
@click.option("--temperature", metavar="CELSIUS", help="Of the coils, '23 °C ± 1'.")
@click.option("--at", default="1 kHz", show_default=True, metavar="HZ", help="Frequency of the LCR meter.")
@click.option("--model", type=click.Choice(("series", "parallel")), default="series", show_default=True)
@click.option("--load", metavar="LOAD", help="Across the coil where a peak is read, such as 200k+470p.")
@click.option("--gap", metavar="LENGTH", help="Between pole and probe where the field is read.")
@click.option("--pole", type=click.IntRange(min=1), help="Which pole it is read at.")
@click.option("--wound", metavar="DAY", help="When the coils were wound; today unless given.")
@click.option("--read", metavar="TIME", help="When they were read; now unless given.")
@click.option("--label", default="", help="What the batch is called.")
@click.option("--try", "only_try", is_flag=True, help="Show what is understood and enter nothing.")
def batch(book: Book, out: Output, source: str, only_try: bool, **given: Any) -> None:
    """Enter a batch from TABLE, a CSV file or - for standard input: a row for each coil.

    The first row may name the columns: serial, ohms, henries, loss, Q, peak, height, field, farads, turns, build-up,
    note. A bare number is in the unit of its meter. What is far from the plan is asked about; end it with ! to keep it.
    """
    from labkit.book.entry import EntryTable
    from labkit.core.files import read_text

    text = sys.stdin.read() if source == "-" else read_text(Path(source))
    with book.writing():
        entry = EntryTable(heading=_heading(book, **given)).pasted(text)
        rows = entry.understood()
        session = None if only_try else entry.enter(book)
    data = lambda: batch_json(entry, rows, session)  # noqa: E731
    out.write(text=lambda: batch_text(entry, rows, session), data=data)


def _heading(
    book: Book,
    *,
    sheet: str,
    coil: str,
    spool: str | None,
    magnets: str | None,
    machine: str | None,
    bobbin: str | None,
    who: str,
    meters: tuple[str, ...],
    temperature: str | None,
    at: str,
    model: Any,
    load: str | None,
    gap: str | None,
    pole: int | None,
    wound: str | None,
    read: str | None,
    label: str,
) -> BatchHeading:
    from labkit.bench.fit.fixture import NO_LOAD, parse_load
    from labkit.book.entry import BatchHeading
    from labkit.book.records import BobbinKind, Machine, MagnetLot, Meter, Spool, now

    def uid(kind: Any, name: str | None) -> str | None:
        return None if name is None else str(book.labelled(kind, name).uid)

    used: dict[str, Meter] = {}
    for name in meters:
        found = book.labelled(Meter, name)
        if found.kind in used:
            raise InputError(f"--meter: {name} and {used[found.kind].label} both read {found.kind}; give one of them")
        used[found.kind] = found
    celsius, deviation = stated_temperature(temperature, "--temperature") if temperature is not None else (None, None)
    return BatchHeading(
        design=_design(book, sheet),
        coil=coil,
        spool=uid(Spool, spool),
        lot=uid(MagnetLot, magnets),
        machine=uid(Machine, machine),
        bobbin=uid(BobbinKind, bobbin),
        who=who,
        wound_at=wound or now()[:10],
        read_at=read or now()[:16],
        label=label,
        celsius=celsius,
        celsius_deviation=deviation,
        meters=used,
        hz=parse_quantity(at, "Hz"),
        model=model,
        load=NO_LOAD if load is None else parse_load(load),
        gap_m=None if gap is None else parse_quantity(gap, "m"),
        pole=pole,
    )


def _coil_argument(function: Callable[..., Any]) -> Callable[..., Any]:
    """``SERIAL`` and ``--coil``, as ``found``."""

    @wraps(function)
    def with_coil(*, book: Book, serial: str, coil: str | None, **given: Any) -> Any:
        return function(book=book, found=book.coil(serial, coil), **given)

    option = click.option("--coil", help="Which coil of the pickup, where it has several.")
    return click.argument("serial")(book_option(option(with_coil)))


@book.command()
@_coil_argument
@click.argument("text")
def note(book: Book, found: WoundCoil, text: str) -> None:
    """Write the note TEXT beside the coil SERIAL."""
    from labkit.book.records import Note

    book.add(Note(about=found.uid, text=text))
    click.echo(f"coil {found.serial}: noted")


@book.command()
@_coil_argument
@click.argument("what")
@click.option("--on", "day", metavar="DAY", help="When it was done; today unless given.")
def repair(book: Book, found: WoundCoil, what: str, day: str | None) -> None:
    """Enter a repair of the coil SERIAL: WHAT was done. Later readings are of the coil as it is then."""
    from labkit.book.records import Repair, now

    book.add(Repair(coil=found.uid, done_at=day or now()[:10], what=what))
    click.echo(f"coil {found.serial}: repair entered")


@book.command()
@_coil_argument
@click.option("--state", help="good, suspect or scrapped; only good coils teach.")
@click.option("--left", metavar="DAY", help="The day it left the workshop.")
def mark(book: Book, found: WoundCoil, state: Any, left: str | None) -> None:
    """Mark the coil SERIAL as good, suspect or scrapped, or as gone from the workshop."""
    if state is None and left is None:
        raise InputError("say what to mark: --state good, suspect or scrapped, or --left DAY")
    book.change(replace(found, state=state or found.state, left_on=left or found.left_on))
    click.echo(f"coil {found.serial}: {state or found.state}{f', left on {left}' if left else ''}")


@book.command("cross-out")
@click.argument("serial")
@book_option
@click.option("--why", help="The reason; it stays beside the entry.")
@click.option("--coil", help="Which coil of the pickup, where it has several.")
@click.option("--reading", metavar="QUANTITY", help="Only its newest reading of this, such as ohms or peak.")
@click.option("--restore", is_flag=True, help="Let an entry that was crossed out count again.")
def cross_out(book: Book, serial: str, why: str | None, coil: str | None, reading: str | None, restore: bool) -> None:
    """Cross out the entry of the coil SERIAL, one of its readings, or any record by its uid.

    It stays in the book and on its pages, with the reason, and counts no more.
    """
    target, words = _crossed(book, serial, coil, reading)
    if restore:
        book.restore(target)
        click.echo(f"{words}: counts again")
        return
    book.cross_out(target, why or "")
    click.echo(f"{words}: crossed out, {why}")


def _crossed(book: Book, serial: str, coil: str | None, reading: str | None) -> tuple[BookRecord, str]:
    from labkit.book.cells import COLUMNS
    from labkit.book.records import CoilReading

    with suppress(InputError):
        record = book.record(serial)
        return record, f"{record.name_of_one} {serial}"
    found = book.coil(serial, coil)
    if reading is None:
        return found, f"coil {serial}"
    names = {name.casefold(): each.quantity for each in COLUMNS.values() if each.quantity for name in each.names}
    if reading.casefold() not in names:
        raise InputError(f"--reading: '{reading}' is no reading of a coil.{did_you_mean(reading, names)}")
    quantity = names[reading.casefold()]
    read = book.records(CoilReading, "coil = ? and quantity = ?", [found.uid, quantity])
    if not read:
        raise InputError(f"coil {serial}: has no reading of its {quantity.replace('_', ' ')}")
    return read[-1], f"coil {serial}, {quantity.replace('_', ' ')} '{read[-1].text_as_typed}'"


@book.command("copy-to")
@click.argument("file", type=click.Path(path_type=Path))
@book_option
def copy_to(book: Book, file: Path) -> None:
    """Write a whole copy of the book into FILE, also while others write into the book."""
    book.copy_to(file)
    click.echo(f"{file}: a copy of {book.name}")


@book.command("write-out")
@click.argument("folder", type=click.Path(path_type=Path))
@book_option
@click.option("--without-names", is_flag=True, help="Leave winders, notes and the trail of changes out.")
def write_out(book: Book, folder: Path, without_names: bool) -> None:
    """Write the book into the new FOLDER as text: TOML for things, CSV for coils and readings."""
    from labkit.book.exchange import write_out as write

    write(book, folder, names=not without_names)
    click.echo(f"{folder}: {book.name} as text")


@book.command("read-in")
@click.argument("folder", type=click.Path(path_type=Path))
@book_option
def read_in(book: Book, folder: Path) -> None:
    """Enter what write-out wrote into FOLDER; what is in the book already is left as it is."""
    from labkit.book.exchange import read_in as read

    done = read(book, folder)
    kept = f"; the book says otherwise of {len(done.kept)}, and keeps its own word" if done.kept else ""
    click.echo(f"{folder}: {done.entered} entered, {done.known} known already{kept}")


@book.command()
@book_option
def check(book: Book) -> int:
    """Check the file of the book; exit code 1 says that it is damaged."""
    wrong = book.check()
    click.echo("\n".join(wrong) if wrong else f"{book.path}: sound")
    return 0 if not wrong else 1
