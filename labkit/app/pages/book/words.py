"""What the workshop book's page says, as text and HTML; everything from the book is escaped here."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

from labkit.app.kit.text import capital, table_html
from labkit.app.pages.book.state import JudgedBatch
from labkit.bench.sets import Match
from labkit.book.chart import Chart
from labkit.book.entry import EntryRow
from labkit.book.evidence import meter_evidence
from labkit.book.history import CoilLine
from labkit.book.learn.batch import BatchVerdict, CoilVerdict
from labkit.book.matching import CoilSet, hum_left_db
from labkit.book.records import (
    QUANTITIES,
    CoilReading,
    Meter,
    Note,
    Repair,
    Session,
    SweepFit,
    WoundCoil,
    reading_in_words,
)
from labkit.book.stock import magnets_left, wire_left
from labkit.book.store import Book

MOST_LINES = 100
"""Coils listed at once."""

DEMO = "An invented book, of the winding room at Saltmarsh Lane: what you enter is judged, not kept."
CAUTION = (
    "Resistance and insulation: low-voltage ohmmeter only. Read coils at the room's temperature: 10 K add 3.9 %. The "
    "winder entangles hair and sleeves, a breaking wire can reach an eye: wear glasses."
)
METER_KINDS = {
    "ohms": "resistance",
    "lcr": "inductance, Q",
    "sweep": "sweep, peak",
    "field": "field",
    "thermometer": "temperature",
}
KINDS = {"good": "good", "read again": "again", "fault": "bad"}


def row_said(row: EntryRow | None, judged: CoilVerdict | None) -> dict[str, str]:
    """Return the verdict beside a row: what is asked, else what the batch says of it, else how it lies to the plan."""
    if row is None:
        return {"text": "", "kind": ""}
    if row.problems:
        return {"text": capital("; ".join(row.problems)), "kind": "problem"}
    if row.questions:
        return {"text": capital("; ".join(row.questions)), "kind": "ask"}
    plan = capital(row.verdict) if row.verdict else ""
    if judged is None:
        return {"text": plan, "kind": "" if row.fits is None else "good" if row.fits else "bad"}
    return {"text": f"{plan} {verdict_in_words(judged)}", "kind": KINDS[judged.tier]}


def verdict_in_words(coil: CoilVerdict) -> str:
    """Return what a batch says of one of its coils.

    >>> verdict_in_words(CoilVerdict(serial="1", good=0.987, tier="good", causes=(), action=""))
    'In its batch: good, 99 %.'
    """
    if coil.tier == "good":
        return f"In its batch: good, {100 * coil.good:.0f} %."
    causes = ", ".join(
        f"{name}{f' ({size})' if size else ''} {100 * part:.0f} %" for name, size, part in coil.causes[:2]
    )
    return f"In its batch: {coil.tier}, good {100 * coil.good:.0f} %; {causes}. Next: {coil.action}."


def summary(rows: Sequence[EntryRow | None], verdict: BatchVerdict | None) -> str:
    """Return what is said under the table: how many can be entered, and what they share."""
    read = [row for row in rows if row is not None]
    if not read:
        return "Type serial number and readings, or paste rows of a spreadsheet. Enter: next coil."
    asks = sum(bool(row.problems or row.questions) for row in read)
    parts = [f"{len(read)} {'coil' if len(read) == 1 else 'coils'}"]
    if asks:
        parts.append(f"{asks} {'asks' if asks == 1 else 'ask'} something first")
    said = ", ".join(parts) + "."
    if verdict is not None and len(verdict.coils) > 1:
        said += " " + " ".join(map(capital, verdict.sentences))
    return said


def chart_answer(chart: Chart) -> str:
    """Return the first thing that stands out, HTML."""
    steps = [text for text in chart.sentences if text.startswith(("session", "machine"))]
    others = [text for text in chart.sentences if text.startswith("outside")]
    said = next(iter([*steps, *others]), "No coil lies outside the limits of its reel" if chart.deviation else "")
    return escape(capital(said)) if said else ""


def chart_html(chart: Chart) -> str:
    """Return what the chart says in full, and the capability with its interval."""
    said = [capital(text) for text in chart.sentences]
    if chart.capability is not None:
        found = chart.capability
        count = sum(not each.left_out for each in chart.points)
        said.append(
            f"Capability against ± {100 * chart.tolerance:.0f} %: {found.value:.2f} ({found.low:.2f} to "
            f"{found.high:.2f}), from {count} good coils; 1 just fits. It counts all reels together, and the true "
            "interval is wider, since coils of a reel are alike."
        )
    left_out = [each.serial for each in chart.points if each.left_out]
    if left_out:
        said.append(f"Drawn and not counted: {', '.join(left_out)}.")
    return f"<ul>{''.join(f'<li>{escape(text)}</li>' for text in said)}</ul>"


def batches_html(batches: Sequence[JudgedBatch]) -> str:
    """Return what each batch that stands out has to say: what its coils share, what may have done it, and the notes."""
    if not batches:
        return '<p class="lab-note">No batch stands out.</p>'
    told = []
    for each in batches:
        name = each.session.label or each.session.started_at[:10]
        head = f"{each.design}, {name} of {each.session.started_at[:10]}: {each.serials[0]} to {each.serials[-1]}"
        lines = [capital(text) for text in each.verdict.sentences]
        bad = [coil for coil in each.verdict.coils if coil.tier == "fault"]
        lines += [f"{coil.serial}: {verdict_in_words(coil)}" for coil in bad[:6]]
        lines += [f"Noted in the book, {note}" for note in each.notes]
        told.append(
            f'<div class="lab-told"><h3>{escape(head)}</h3>{"".join(f"<p>{escape(text)}</p>" for text in lines)}</div>'
        )
    return "".join(told)


def lines_html(lines: Sequence[CoilLine], searched: str) -> str:
    """Return coils as a table, the newest first."""
    if not lines:
        return f'<p class="lab-note">No coil has all of “{escape(searched)}”; drop one of the terms.</p>'
    quantities = [key for key in QUANTITIES if key != "first_swing" and any(key in line.values for line in lines)]
    heads = ("Coil", "Wound", "Design", "Reel", *(QUANTITIES[key].words for key in quantities), "State")
    rows = [
        (
            line.name,
            line.coil.wound_at[:10],
            line.design.title,
            line.spool or "–",
            *(reading_in_words(key, line.values[key]) if key in line.values else "" for key in quantities),
            line.coil.state + (f", left {line.coil.left_on}" if line.coil.left_on else ""),
        )
        for line in lines[:MOST_LINES]
    ]
    more = f"{len(lines)} {'coil' if len(lines) == 1 else 'coils'}"
    more += f", the newest {MOST_LINES} shown" if len(lines) > MOST_LINES else ""
    return table_html(more, heads, rows)


def coil_html(book: Book, coil: WoundCoil) -> str:
    """Return everything the book says of a coil: readings as typed, what was crossed out and why, repairs, notes."""
    sessions = {each.uid: each for each in book.records(Session)}
    rows = []
    for read in book.records(CoilReading, "coil = ?", [coil.uid]):
        session = sessions[read.session]
        at = "" if session.celsius is None else f"{session.celsius:g} °C"
        how = ", ".join(
            text
            for text in (
                f"{read.hz:g} Hz" if read.hz else "",
                read.model or "",
                f"pole {read.pole}" if read.pole else "",
            )
            if text
        )
        out = f"crossed out: {read.void_reason}" if read.void_reason else ""
        value = reading_in_words(read.quantity, read.value, read.unit)
        rows.append((QUANTITIES[read.quantity].words, read.text_as_typed, value, how, session.started_at[:10], at, out))
    for fit in book.records(SweepFit, "coil = ?", [coil.uid]):
        out = f"crossed out: {fit.void_reason}" if fit.void_reason else ""
        rows.append(("fitted sweep", fit.source, fit.names, "", sessions[fit.session].started_at[:10], "", out))
    heads = ("Reading", "As typed", "Is", "How", "Day", "At", "")
    counts = "= ? and void_reason is null"
    beside = [f"Note: {each.text}" for each in book.records(Note, f"about {counts}", [coil.uid])]
    beside += [f"Repair, {each.done_at}: {each.what}" for each in book.records(Repair, f"coil {counts}", [coil.uid])]
    said = "".join(f"<p>{escape(text)}</p>" for text in beside)
    return table_html(f"Coil {coil.serial}, {coil.state}", heads, rows) + said


def pairs_html(pairs: Sequence[Match], left_over: Sequence[str]) -> str:
    """Return coils that belong together, with the hum that is left, and those without a partner."""
    rows = [
        (
            f"{match.first} and {match.second}",
            f"{100 * match.difference:.2f} %",
            f"{hum_left_db(match):.0f} dB".replace("-", "−"),
        )
        for match in pairs
    ]
    table = table_html(
        f"{len(rows)} {'pair' if len(rows) == 1 else 'pairs'}",
        ("Pair", "Turns × area apart", "Hum left, over one coil"),
        rows,
    )
    alone = f'<p class="lab-note">Without a partner: {escape(", ".join(left_over))}.</p>' if left_over else ""
    return (
        f'{table}{alone}<p class="lab-note">From the measured inductance. Wind and pole are those of the designs: '
        "compass and first swing tell whether a coil was made so.</p>"
    )


def set_html(found: CoilSet) -> str:
    """Return what coils do as a set: levels, phase and hum of every two, and what to do."""
    pairs = table_html("As a set", ("Coils", "Phase", "Hum", "Turns × area"), found.pair_rows)
    levels = table_html("Level from the middle of the set", ("Coil", "Level"), found.level_rows)
    return (
        f"{pairs}{levels if found.level_rows else ''}<ul>"
        + "".join(f"<li>{escape(capital(said))}</li>" for said in found.sentences)
        + "</ul>"
    )


def stock_html(book: Book) -> str:
    """Return what is left of reels and magnets."""
    reels = []
    for each in wire_left(book):
        left = each.left_m
        words = "length not said" if left is None else f"{left.value:,.0f} m ({left.low:,.0f} to {left.high:,.0f})"
        enough = "" if each.coils_left is None else f"{each.coils_left} more coils"
        reels.append((each.spool.label, each.spool.wire, str(each.coils), words, enough))
    lots = [
        (each.lot.label, each.lot.grade, str(each.coils), "number not said" if each.left is None else str(each.left))
        for each in magnets_left(book)
    ]
    said = table_html("Reels of wire", ("Reel", "Wire", "Coils wound", "Left, 95 of 100", "Enough for"), reels)
    said += table_html("Magnets", ("Lot", "Grade", "Coils", "Left"), lots)
    meters = []
    for meter in book.records(Meter):
        known = meter_evidence(book, meter)
        checked = any(each.known is not None for each in known.checks)
        shows = f"{100 * math.expm1(known.gain):+.2f} % too much".replace("-", "−") if checked else "not checked"
        accuracy = "not said" if meter.accuracy is None else f"± {100 * meter.accuracy:g} %"
        meters.append((meter.label, METER_KINDS[meter.kind], meter.unit or "–", accuracy, shows))
    said += table_html("Meters", ("Meter", "Reads", "Unit", "Accuracy", "Shows"), meters)
    return f'{said}<p class="lab-note">Wire that tore or was unwound again is not in the book: rather less is left.</p>'
