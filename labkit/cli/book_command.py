"""``labkit book``: the workshop book at the command line, what goes in; what comes out is in `book_answers`."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from labkit.cli.book_answers import ANSWERS, batch_json, batch_text
from labkit.cli.book_papers import paper
from labkit.cli.main import WholeHelpGroup
from labkit.cli.options import Output, book_option, result_options, stated, temperature_option
from labkit.cli.with_book import LEARNED
from labkit.core.errors import InputError, did_you_mean
from labkit.core.units import parse_quantity

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


def _measured(text: str | None, unit: str, option: str, tolerance: float) -> tuple[float | None, float | None]:
    """Value and standard deviation of ``63 µm ± 1 µm``; nothing where it is not given."""
    if text is None:
        return None, None
    value, half = stated(text, unit, option, tolerance)
    return value, value * half / 1.96


def _labelled(book: Book, kind: type[BookRecord], label: str, given: dict[str, Any]) -> str:
    """Enter a thing by its label, or change what is given of the one that is there; say which."""
    said = {key: value for key, value in given.items() if value is not None}
    found = book.records(kind, "label = ?", [label])
    if not found:
        book.add(kind(label=label, **said))  # type: ignore[call-arg]
        return "entered"
    changed = replace(found[0], **said)
    if changed == found[0]:
        return "is in the book just so"
    book.change(changed)
    return "changed"


@book.command()
@click.argument("label")
@book_option
@click.option("--wire", help="Name of the wire in the catalogue; due for a new spool.")
@click.option("--maker", help="Whose wire, so that spools of one maker count as alike.")
@click.option("--bare", metavar="SIZE", help="Copper by micrometer, '62.8 µm ± 0.5 µm'.")
@click.option("--overall", metavar="SIZE", help="Over the film by micrometer.")
@click.option("--length", metavar="LENGTH", help="On it when it was opened, '4000 m ± 2 %'.")
@click.option("--weight", metavar="MASS", help="The same by the weight of the wire alone, '113 g ± 2 %'.")
@click.option("--ten-metres", metavar="OHMS", help="Ten metres of it on the ohmmeter, '54.4 Ω'.")
@click.option("--temperature", metavar="CELSIUS", help="Of those ten metres, '21 °C ± 1'.")
@click.option("--meter", metavar="LABEL", help="The ohmmeter.")
@click.option("--opened", metavar="DAY", help="When it was opened.")
@click.option("--emptied", metavar="DAY", help="When it was empty.")
def spool(
    book: Book,
    label: str,
    wire: str | None,
    maker: str | None,
    bare: str | None,
    overall: str | None,
    length: str | None,
    weight: str | None,
    ten_metres: str | None,
    temperature: str | None,
    meter: str | None,
    opened: str | None,
    emptied: str | None,
) -> None:
    """Enter the spool LABEL, say more about it, or enter ten metres of its wire on the ohmmeter."""
    from labkit.book.records import Meter, Spool, WireReading, now
    from labkit.book.stock import length_of_mass
    from labkit.pickup.materials.wire import wire as wire_called

    known = book.records(Spool, "label = ?", [label])
    wire = wire or (known[0].wire if known else None)
    if wire is None:
        raise InputError(f"spool {label}: is new to the book; say its wire, such as --wire 'AWG 42 single build'")
    kind = wire_called(wire)
    if length is not None and weight is not None:
        raise InputError("--length and --weight say the same; give one of them")
    bare_m, bare_deviation = _measured(bare, "m", "--bare", 0.016)
    overall_m, overall_deviation = _measured(overall, "m", "--overall", 0.014)
    length_m, length_deviation = _measured(length, "m", "--length", 0.02)
    if weight is not None:
        mass, half = stated(weight, "kg", "--weight", 0.02)
        length_m, length_deviation = length_of_mass(kind, mass, half / 1.96)
    given = {
        "wire": wire,
        "maker": maker,
        "bare_m": bare_m,
        "bare_deviation": bare_deviation,
        "overall_m": overall_m,
        "overall_deviation": overall_deviation,
        "length_m": length_m,
        "length_deviation": length_deviation,
        "opened_on": opened,
        "emptied_on": emptied,
    }
    with book.writing():
        done = _labelled(book, Spool, label, given)
        if ten_metres is not None:
            celsius, deviation = temperature_option(temperature) if temperature is not None else (None, None)
            if celsius is None or deviation is None:
                raise InputError("--ten-metres needs the temperature of the wire: --temperature '21 °C'; 1 K is 0.4 %")
            book.add(
                WireReading(
                    spool=book.labelled(Spool, label).uid,
                    read_at=now(),
                    length_m=10.0,
                    length_deviation=0.005,
                    resistance=parse_quantity(ten_metres, "Ω"),
                    text_as_typed=ten_metres,
                    celsius=celsius,
                    celsius_deviation=deviation,
                    meter=None if meter is None else book.labelled(Meter, meter).uid,
                )
            )
            done += ", with ten metres on the ohmmeter"
    click.echo(f"spool {label}: {done}")


@book.command()
@click.argument("label")
@book_option
@click.option("--grade", help="Grade of the magnets, as in the catalogue; due for a new lot.")
@click.option("--count", type=click.IntRange(min=0), help="How many came.")
@click.option("--bought", metavar="DAY", help="When they came.")
def magnets(book: Book, label: str, grade: str | None, count: int | None, bought: str | None) -> None:
    """Enter the lot of magnets LABEL, or say more about it."""
    from labkit.book.records import MagnetLot
    from labkit.pickup.magnetics.magnet import magnet

    known = book.records(MagnetLot, "label = ?", [label])
    grade = grade or (known[0].grade if known else None)
    if grade is None:
        raise InputError(f"lot {label}: is new to the book; say the grade of its magnets, such as --grade 'Alnico 5'")
    grade = magnet(grade).name
    given = {"grade": grade, "count": count, "bought_on": bought}
    click.echo(f"lot of magnets {label}: {_labelled(book, MagnetLot, label, given)}")


@book.command()
@click.argument("label")
@book_option
def machine(book: Book, label: str) -> None:
    """Enter the winding machine LABEL."""
    from labkit.book.records import Machine

    click.echo(f"machine {label}: {_labelled(book, Machine, label, {})}")


@book.command()
@click.argument("label")
@book_option
def bobbin(book: Book, label: str) -> None:
    """Enter the bobbins LABEL: a kind, or a delivery, that are alike."""
    from labkit.book.records import BobbinKind

    click.echo(f"bobbin {label}: {_labelled(book, BobbinKind, label, {})}")


@book.command()
@click.argument("label")
@book_option
@click.option("--kind", help="ohms, lcr, sweep, field or thermometer; due for a new meter.")
@click.option("--unit", help="Of a number without one, such as kΩ; 'marks' for a field meter of its own scale.")
@click.option("--accuracy", metavar="PERCENT", help="95 % of the value, such as '0.5 %'.")
def meter(book: Book, label: str, kind: Any, unit: str | None, accuracy: str | None) -> None:
    """Enter the meter LABEL, or say more about it."""
    from labkit.book.records import Meter

    known = book.records(Meter, "label = ?", [label])
    kind = kind or (known[0].kind if known else None)
    if kind is None:
        raise InputError(f"meter {label}: is new to the book; say its --kind: ohms, lcr, sweep, field or thermometer")
    given = {"kind": kind, "unit": unit, "accuracy": None if accuracy is None else parse_quantity(accuracy, "1")}
    click.echo(f"meter {label}: {_labelled(book, Meter, label, given)}")


@book.command("check-meter")
@click.argument("label")
@book_option
@click.option("--piece", required=True, help="What was measured, such as '1 kΩ, 0.01 %'.")
@click.option("--shown", required=True, metavar="VALUE", help="What the meter showed.")
@click.option("--known", metavar="VALUE", help="What the piece is, '1 kΩ ± 0.01 %'; leave out for a magnet of a grade.")
@click.option("--grade", help="Grade of a fully charged magnet that was measured.")
def check_meter(book: Book, label: str, piece: str, shown: str, known: str | None, grade: str | None) -> None:
    """Enter a check of the meter LABEL on a known piece; its readings are corrected by it from then on."""
    from labkit.book.evidence import meter_evidence
    from labkit.book.records import MARKS, Calibration, Meter, now

    found = book.labelled(Meter, label)
    unit = {"ohms": "Ω", "field": "T", "lcr": "H", "sweep": "Hz", "thermometer": "°C"}[found.kind]
    if known is None and grade is None:
        raise InputError("a check needs what the piece is: --known '1 kΩ ± 0.01 %', or --grade of a charged magnet")
    in_marks = found.unit == MARKS
    value = parse_quantity(shown, "1") if in_marks else parse_quantity(shown, unit)
    known_value, known_deviation = _measured(known, "1" if in_marks else unit, "--known", 0.0)
    book.add(
        Calibration(
            meter=found.uid,
            done_at=now(),
            piece=piece,
            grade=grade,
            known=known_value,
            known_deviation=known_deviation,
            shown=value,
        )
    )
    said = meter_evidence(book, found)
    gain = f"; it shows {100 * said.gain:+.2f} % too much" if known is not None else ""
    click.echo(f"meter {label}: {len(said.checks)} check{'s' if len(said.checks) > 1 else ''} in the book{gain}")


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
    celsius, deviation = temperature_option(temperature) if temperature is not None else (None, None)
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
    from labkit.book.records import RECORDS, CoilReading

    for kind in RECORDS:
        for record in book.records(kind, "uid = ?", [serial]):
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
