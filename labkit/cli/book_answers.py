"""``labkit book``, what comes out: batches as understood, one coil, what is found, stock, charts, pairs, sets."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import click

from labkit.book.records import QUANTITIES, reading_in_words
from labkit.cli.options import Output, book_option, result_options
from labkit.core.errors import InputError, capitalized
from labkit.core.units import format_quantity, parse_quantity

if TYPE_CHECKING:
    from labkit.book.chart import Chart
    from labkit.book.entry import EntryRow, EntryTable
    from labkit.book.history import CoilLine
    from labkit.book.matching import CoilSet
    from labkit.book.records import Session, WoundCoil
    from labkit.book.store import Book

_UNIT_KEYS = {"Ω": "ohm", "H": "h", "F": "f", "Hz": "hz", "dB": "db", "T": "t", "1": "", "marks": "marks"}


def aligned(rows: Iterable[Sequence[str]]) -> str:
    """Return rows of cells as a table of aligned columns."""
    kept = [list(row) for row in rows]
    widths = [max(len(row[place]) for row in kept) for place in range(len(kept[0]))]
    return "\n".join("  ".join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip() for row in kept)


def batch_text(table: EntryTable, rows: Sequence[EntryRow], session: Session | None) -> str:
    """Return a batch as it was understood."""
    shown = [("serial", *table.columns[1:], "verdict")]
    for row in rows:
        by = {value.column: value.words for value in row.values} | {"note": row.note}
        said = "; ".join((*row.problems, *row.questions)) or row.verdict
        shown.append((row.serial, *(by.get(column, "") for column in table.columns[1:]), said))
    done = f"{len(rows)} coils entered" if session else "nothing entered"
    return f"{aligned(shown)}\n\n{table.heading.design.title}: {done}"


def batch_json(table: EntryTable, rows: Sequence[EntryRow], session: Session | None) -> dict[str, Any]:
    """Return the same with SI values by the unit in the key."""
    return {
        "design": table.heading.design.name,
        "version": table.heading.design.version,
        "is_entered": session is not None,
        "coils": [
            {
                "serial": row.serial,
                "readings": [
                    {"column": each.column, "value": each.value, "unit": each.unit, "text": each.text}
                    for each in row.values
                ],
                "verdict": row.verdict,
                "fits": row.fits,
                "questions": list(row.questions),
                "problems": list(row.problems),
            }
            for row in rows
        ],
    }


def _key(quantity: str, unit: str | None = None) -> str:
    ending = _UNIT_KEYS[QUANTITIES[quantity].unit if unit is None else unit]
    return f"{quantity}_{ending}" if ending else quantity


@click.command("coil")
@click.argument("serial")
@result_options()
@book_option
@click.option("--coil", "part", help="Which coil of the pickup, where it has several.")
def coil(book: Book, out: Output, serial: str, part: str | None) -> None:
    """Everything the book says of the coil SERIAL, crossed-out entries and changes included."""
    found = book.coil(serial, part)
    out.write(text=lambda: _coil_text(book, found), data=lambda: _coil_json(book, found))


def _line_of(book: Book, coil: WoundCoil) -> CoilLine:
    from labkit.book.history import coil_lines

    return next(line for line in coil_lines(book, crossed_out=True) if line.coil.uid == coil.uid)


def _coil_parts(book: Book, coil: WoundCoil) -> tuple[CoilLine, list[Any], dict[str, Any], list[Any], list[Any]]:
    from labkit.book.records import CoilReading, Note, Repair, Session, SweepFit

    read = book.records(CoilReading, "coil = ?", [coil.uid]) + book.records(SweepFit, "coil = ?", [coil.uid])
    sessions = {each.uid: each for each in book.records(Session)}
    repairs, notes = book.records(Repair, "coil = ?", [coil.uid]), book.records(Note, "about = ?", [coil.uid])
    return _line_of(book, coil), read, sessions, repairs, notes


def _crossed(record: Any) -> str:
    return f"   crossed out: {record.void_reason}" if record.void_reason else ""


def _coil_text(book: Book, coil: WoundCoil) -> str:
    from labkit.book.records import SweepFit

    line, read, sessions, repairs, notes = _coil_parts(book, coil)
    facts = {
        "design": line.design.title,
        "wound": coil.wound_at + (f" by {coil.who}" if coil.who else ""),
        "spool": line.spool,
        "magnets": line.lot,
        "machine": line.machine,
        "bobbin": line.bobbin,
        "turns counted": "" if coil.turns_counted is None else f"{coil.turns_counted:g}",
        "build-up": "" if coil.build_up_m is None else format_quantity(coil.build_up_m, "m"),
        "state": coil.state + (f", left on {coil.left_on}" if coil.left_on else ""),
    }
    lines = [f"{line.name}{_crossed(coil)}", aligned([(f"  {key}", value) for key, value in facts.items() if value])]
    rows = []
    for each in read:
        session = sessions[each.session]
        room = "" if session.celsius is None else f"{session.celsius:g} °C"
        if isinstance(each, SweepFit):
            what, value = "fitted sweep", each.names.replace(" ", ", ")
        else:
            where = [format_quantity(each.hz, "Hz")] if each.hz else []
            where += [f"pole {each.pole}"] if each.pole else []
            what = " ".join((QUANTITIES[each.quantity].words, *where))
            value = f"{reading_in_words(each.quantity, each.value, each.unit)} ('{each.text_as_typed}')"
        after = f"after repair {each.repairs_before}" if each.repairs_before else ""
        rows.append((f"  {session.started_at[:16]}", what, value, room, after, each.uid + _crossed(each)))
    if rows:
        lines += ["", aligned(rows)]
    lines += [f"  {each.done_at}  repair: {each.what}{_crossed(each)}" for each in repairs]
    lines += [f"  note: {each.text}{_crossed(each)}" for each in notes]
    lines += [f"  {event.entered_at[:16]}  changed: {_change(event)}" for event in book.trail(coil)]
    return "\n".join(lines)


def _change(event: Any) -> str:
    import json

    before, after = json.loads(event.before), json.loads(event.after)
    changed = [key for key in after if before.get(key) != after[key]]
    return ", ".join(f"{key} from {before.get(key) or 'nothing'} to {after[key] or 'nothing'}" for key in changed)


def _coil_json(book: Book, coil: WoundCoil) -> dict[str, Any]:
    from labkit.book.records import SweepFit

    line, read, sessions, repairs, notes = _coil_parts(book, coil)
    return {
        **_line_json(line),
        "turns_counted": coil.turns_counted,
        "build_up_m": coil.build_up_m,
        "readings": [
            {
                "uid": each.uid,
                "quantity": each.quantity,
                "value": each.value,
                "unit": each.unit,
                "text": each.text_as_typed,
                "frequency_hz": each.hz,
                "read_at": sessions[each.session].started_at,
                "celsius": sessions[each.session].celsius,
                "repairs_before": each.repairs_before,
                "crossed_out": each.void_reason,
            }
            for each in read
            if not isinstance(each, SweepFit)
        ],
        "sweeps": [
            {"uid": each.uid, "names": each.names.split(), "source": each.source, "crossed_out": each.void_reason}
            for each in read
            if isinstance(each, SweepFit)
        ],
        "repairs": [{"done_at": each.done_at, "what": each.what} for each in repairs],
        "notes": [each.text for each in notes],
    }


def _line_json(line: CoilLine) -> dict[str, Any]:
    coil = line.coil
    return {
        "serial": coil.serial,
        "coil": coil.coil,
        "design": line.design.name,
        "version": line.design.version,
        "wound_at": coil.wound_at,
        "who": coil.who,
        "spool": line.spool,
        "magnets": line.lot,
        "machine": line.machine,
        "bobbin": line.bobbin,
        "state": coil.state,
        "left_on": coil.left_on,
        "crossed_out": coil.void_reason,
        **{_key(quantity): value for quantity, value in line.values.items() if quantity != "field"},
    }


@click.command("find")
@click.argument("terms", nargs=-1, metavar="[TERM]...")
@result_options(csv="Print a CSV table of what is found.")
@book_option
@click.option("--crossed-out", is_flag=True, help="Show entries that were crossed out, too.")
def find(book: Book, out: Output, terms: tuple[str, ...], crossed_out: bool) -> None:
    """Coils for which every TERM holds: a word (neck, 'reel 12') or a comparison ('ohms > 6.1k', 'wound >= 2026-03').

    A word is looked for in serial number, coil, design, spool, magnets, machine, bobbin, winder, state and notes.
    """
    from labkit.book.history import coil_lines, find_coils

    found = find_coils(coil_lines(book, crossed_out=crossed_out), terms)
    out.write(
        text=lambda: _lines_text(found),
        data=lambda: {"coils": [_line_json(line) for line in found]},
        csv=lambda: _lines_csv(found),
    )


_FOUND = ("resistance", "inductance", "loss_resistance", "peak")


def _lines_text(lines: Sequence[CoilLine]) -> str:
    if not lines:
        return "no coil is like that"
    shown = [("serial", "design", "spool", "wound", *(QUANTITIES[each].words for each in _FOUND), "state")]
    for line in lines:
        values = [reading_in_words(each, line.values[each]) if each in line.values else "" for each in _FOUND]
        state = f"crossed out: {line.coil.void_reason}" if line.coil.void_reason else line.coil.state
        shown.append((line.name, line.design.title, line.spool, line.coil.wound_at[:10], *values, state))
    return f"{aligned(shown)}\n\n{len(lines)} coil{'s' if len(lines) != 1 else ''}"


def _lines_csv(lines: Sequence[CoilLine]) -> str:
    import csv
    import io

    written = io.StringIO()
    quantities = [each for each in QUANTITIES if each != "field"]
    rows = csv.writer(written, lineterminator="\n")
    names = ("serial", "coil", "design", "version", "wound_at", "who", "spool", "magnets", "machine", "bobbin", "state")
    rows.writerow([*names, *map(_key, quantities)])
    for line in lines:
        data = _line_json(line)
        rows.writerow([*(data[name] for name in names), *(line.values.get(each, "") for each in quantities)])
    return written.getvalue().rstrip("\n")


@click.command("stock")
@result_options()
@book_option
def stock(book: Book, out: Output) -> None:
    """What is left of spools and magnets, counted down by what was wound."""
    from labkit.book.stock import magnets_left, wire_left

    wires, lots = wire_left(book), magnets_left(book)

    def text() -> str:
        rows = [("spool", "wire", "coils", "used", "left", "enough for")]
        for each in wires:
            left = (
                "not said how much there was"
                if each.left_m is None
                else (f"{each.left_m.value:.0f} m ({each.left_m.low:.0f} to {each.left_m.high:.0f} m)")
            )
            more = "" if each.coils_left is None else f"{each.coils_left} more"
            rows.append((each.spool.label, each.spool.wire, str(each.coils), f"{each.used_m:.0f} m", left, more))
        magnets = [("magnets", "grade", "coils", "used", "left")]
        for lot in lots:
            left = "not said how many there were" if lot.left is None else str(lot.left)
            magnets.append((lot.lot.label, lot.lot.grade, str(lot.coils), str(lot.used), left))
        tables = [aligned(each) for each in (rows, magnets) if len(each) > 1]
        return "\n\n".join([*tables, "Wire that tore or was unwound is not in the book."]) if tables else "no stock yet"

    def data() -> dict[str, Any]:
        return {
            "spools": [
                {
                    "spool": each.spool.label,
                    "wire": each.spool.wire,
                    "coils": each.coils,
                    "used_m": each.used_m,
                    "left_m": None if each.left_m is None else each.left_m.as_dict(),
                    "coils_left": each.coils_left,
                }
                for each in wires
            ],
            "magnets": [
                {
                    "lot": each.lot.label,
                    "grade": each.lot.grade,
                    "coils": each.coils,
                    "used": each.used,
                    "left": each.left,
                }
                for each in lots
            ],
        }

    out.write(text=text, data=data)


@click.command("chart")
@click.argument("design")
@result_options()
@book_option
@click.option("--quantity", default="ohms", show_default=True, help="ohms, henries, loss, peak, height or field.")
@click.option("--tolerance", default="5 %", show_default=True, help="Of a finished coil, for the capability.")
def chart(book: Book, out: Output, design: str, quantity: str, tolerance: str) -> None:
    """Coils of DESIGN against their plan over the months, with limits from the workshop's own scatter."""
    from labkit.book.cells import COLUMNS
    from labkit.book.chart import chart as chart_of

    names = {name.casefold(): each.quantity for each in COLUMNS.values() if each.quantity for name in each.names}
    try:
        share = parse_quantity(tolerance, "1")
    except InputError as problem:
        raise InputError(f"--tolerance: {problem}") from None
    found = chart_of(book, design, names.get(quantity.casefold(), quantity), tolerance=share)
    out.write(text=lambda: _chart_text(found), data=lambda: _chart_json(found))


def _off(found: Chart, off: float) -> str:
    return f"{off:+.2f} dB" if found.quantity == "height" else f"{100 * math.expm1(off):+.2f} %"


def _chart_text(found: Chart) -> str:
    rows = [("serial", "spool", "session", "machine", f"{found.quantity.replace('_', ' ')} off the plan", "")]
    for point in found.points:
        said = point.left_out or ("outside" if point.is_outside else "")
        rows.append((point.serial, point.spool, point.session, point.machine, _off(found, point.off), said))
    lines = [f"{found.design}, {len(found.points)} coils", "", aligned(rows), ""]
    if found.deviation is not None:
        lines.append(f"coils of one spool scatter by {_off(found, found.deviation)[1:]} (one standard deviation)")
    if found.capability is not None:
        c = found.capability
        lines.append(
            f"capability against ± {100 * found.tolerance:g} %: {c.value:.2f}, {c.low:.2f} to {c.high:.2f} (95 %; "
            "1 just fits; coils of few spools make it less sure than that)"
        )
    return "\n".join([*lines, *found.sentences])


def _chart_json(found: Chart) -> dict[str, Any]:
    return {
        "design": found.design,
        "quantity": found.quantity,
        "points": [
            {
                "serial": each.serial,
                "month": each.month,
                "spool": each.spool,
                "session": each.session,
                "machine": each.machine,
                "off": each.off,
                "is_outside": each.is_outside,
                "left_out": each.left_out,
            }
            for each in found.points
        ],
        "runs": [
            {
                "spool": each.spool,
                "first": each.first,
                "last": each.last,
                "count": each.count,
                "middle": each.middle,
                "limits": None if each.limits is None else list(each.limits),
            }
            for each in found.runs
        ],
        "deviation": found.deviation,
        "capability": None if found.capability is None else found.capability.as_dict(),
        "tolerance": found.tolerance,
        "sentences": list(found.sentences),
    }


@click.command("pairs")
@click.argument("terms", nargs=-1, metavar="[TERM]...")
@result_options()
@book_option
@click.option("others", "--with", multiple=True, metavar="TERM", help="The second coils, found by these terms.")
@click.option("--tolerance", default="2 %", show_default=True, help="Of turns × area, for hum.")
def pairs(book: Book, out: Output, terms: tuple[str, ...], others: tuple[str, ...], tolerance: str) -> None:
    """Coils that belong together by turns × area, among those that the TERMs find (see find).

    Good coils that are still in the workshop and whose inductance was read are taken.
    """
    from labkit.book.history import coil_lines, find_coils
    from labkit.book.matching import MATCH_DOUBT, book_pairs, hum_left_db

    lines = coil_lines(book)
    second = find_coils(lines, others) if others else None
    try:
        share = parse_quantity(tolerance, "1")
    except InputError as problem:
        raise InputError(f"--tolerance: {problem}") from None
    found, left = book_pairs(find_coils(lines, terms), second, tolerance=share)
    hum = {match: hum_left_db(match) for match in found}

    def text() -> str:
        rows = [("pair", "", "turns × area differ", "hum left")]
        rows += [(each.first, each.second, f"{100 * each.difference:.2f} %", f"{hum[each]:.0f} dB") for each in found]
        table = aligned(rows) if found else "no two are that close"
        rest = f"\n\nleft over: {', '.join(left)}" if left else ""
        return (
            f"{table}{rest}\n\nHum is over one coil alone, if wind and pole of the two are opposite; pairs closer than "
            f"{100 * MATCH_DOUBT:.1f} % are alike, since no meter repeats better."
        )

    out.write(
        text=text,
        data=lambda: {
            "pairs": [
                {"first": each.first, "second": each.second, "difference": each.difference, "hum_db": hum[each]}
                for each in found
            ],
            "left_over": list(left),
        },
    )


@click.command("sets")
@click.argument("serials", nargs=-1, required=True, metavar="SERIAL...")
@result_options()
@book_option
@click.option("places", "--as", multiple=True, metavar="NAME", help="Place of each coil in order, such as neck.")
def sets(book: Book, out: Output, serials: tuple[str, ...], places: tuple[str, ...]) -> None:
    """What the coils SERIAL … do as a set: level, phase and hum, from what was measured."""
    from labkit.book.history import coil_lines
    from labkit.book.matching import coil_set

    chosen = [book.coil(serial) for serial in serials]
    lines = {line.coil.uid: line for line in coil_lines(book, crossed_out=True)}
    found = coil_set(book, [lines[coil.uid] for coil in chosen], places)
    out.write(text=lambda: _set_text(found), data=lambda: _set_json(found))


def _set_text(found: CoilSet) -> str:
    levels = ["level from the middle of the set", aligned(found.level_rows), ""] if found.level_rows else []
    said = [f"{capitalized(each)}{'' if each.endswith('.') else '.'}" for each in found.sentences]
    return "\n".join([*levels, aligned(found.pair_rows), *said])


def _set_json(found: CoilSet) -> dict[str, Any]:
    return {
        "levels_db": None if found.levels is None else dict(found.levels.offset_db),
        "spread_db": None if found.levels is None else found.levels.spread_db,
        "is_balanced": None if found.levels is None else found.levels.is_balanced,
        "advice": [] if found.levels is None else list(found.levels.advice),
        "pairs": [
            {
                "first": first,
                "second": second,
                "in_phase": each.in_phase,
                "hum_cancels": each.hum_cancels,
                "hum_db": each.hum_db,
                "mismatch": each.mismatch,
                "sentences": list(each.sentences),
            }
            for first, second, each in found.pairs
        ],
        "warnings": list(found.warnings),
    }


ANSWERS = (coil, find, stock, chart, pairs, sets)
"""Commands of ``labkit book`` that only read it."""
