"""Papers of the workshop book: the work card that goes with a batch, and what is printed of batches, coils and reels.

Limits are those of the design with what the book's own coils teach; without a coil in the book, of the design alone.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace

from labkit.bench.diagnose.diagnose import diagnose_readings
from labkit.bench.diagnose.meter import expected_lcr
from labkit.bench.fit.fixture import Load
from labkit.book.cells import COLUMNS, EntryValue, next_serial
from labkit.book.entry import BatchHeading, as_readings
from labkit.book.learn.from_book import judge_session, place_in, taught_by
from labkit.book.learn.prediction import knowledge
from labkit.book.records import (
    LEADS,
    QUANTITIES,
    CoilReading,
    Design,
    Meter,
    Note,
    Session,
    Spool,
    SweepFit,
    WoundCoil,
    reading_in_words,
)
from labkit.book.stock import wire_left, wire_of
from labkit.book.store import Book, read_design
from labkit.core.errors import InputError
from labkit.core.sourced import Interval
from labkit.pickup.electrical import Pickup
from labkit.pickup.materials.wire import resistance_at_20
from labkit.pickup.predict.built import BuiltPickup
from labkit.pickup.predict.propagation import COVERAGE
from labkit.report.build_paper import field_targets
from labkit.report.paper_page import (
    TO_FILL_IN,
    WINDING_CAUTIONS,
    PaperHead,
    bounds,
    bullets,
    curves_figure,
    grid,
    lead,
    page,
    remark,
    signature,
    table,
    titled,
)
from labkit.report.papers import CustomerSheet, bench_record_html, customer_sheet_html
from labkit.report.sheet_paper import STANDARD_WORDS, standard_response
from labkit.view.curve.curve import Curve
from labkit.view.words import read_response

WINDER, SOLDER, WAX, MAGNETISER, INSULATION, DEFER = WINDING_CAUTIONS
MOST_ON_A_CARD = 24
"""Coils of one work card: more do not fit its page."""

BOX = "☐"


def work_card_html(
    book: Book,
    design: Design,
    *,
    count: int,
    first_serial: str = "",
    spool: str = "",
    lot: str = "",
    machine: str = "",
    celsius: float = 20.0,
    head: PaperHead = TO_FILL_IN,
) -> str:
    """Return the card that goes with a batch: materials to pull, steps in order with limits, a row for each coil.

    Parameters
    ----------
    book : Book
    design : Design
    count : int
        Coils of the batch.
    first_serial : str
        Number of the first; empty leaves the numbers to fill in.
    spool, lot, machine : str
        Labels of the book; empty where not chosen yet.
    celsius : float, °C
        Of the room, where the coils will be read.

    Raises
    ------
    InputError
        If the design is no build, or the count is not 1 to `MOST_ON_A_CARD`.
    """
    if not 1 <= count <= MOST_ON_A_CARD:
        raise InputError(f"a work card is for 1 to {MOST_ON_A_CARD} coils; got {count}")
    built = read_design(design.sheet, design.title)
    if built.is_given:
        raise InputError(f"'{design.title}' is a sheet of values; a work card needs a build, which says what to wind")
    place = replace(
        place_in(book, design=design.name, spool=spool, lot=lot, machine=machine),
        celsius=celsius,
    )
    known = knowledge(taught_by(book).records, built.build, place)
    limits: dict[str, str] = {
        item.kind.quantity: bounds(item.after, item.unit, digits=3) for item in known.next_readings
    }
    resting = f"{known.coils} coils of the book" if known.coils else "the design alone: no coil of the book teaches it"
    body = [
        lead(f"{count} × {design.title}"),
        titled("Pull", grid(("", "Material", "How much"), _materials(book, built, count, spool, lot))),
        titled("Make, in this order", grid(("", "Step", "Accept", "Mind"), _steps(built, limits, celsius))),
        remark(f"Limits: 95 of 100 good coils, with {resting}. A coil outside them is read again before it is judged."),
        titled(
            "Readings",
            grid(
                ("Coil", "Insulation to poles", "Ohms", "Henries", "Field, pole", "Phase", "Peak", "Passed"),
                [(serial, *[""] * 6, BOX) for serial in _serials(first_serial, count)],
            ),
        ),
        bullets("Cautions", [DEFER]),
        signature(("Wound by", "Date", "Temperature", "Meters")),
    ]
    return page(f"Work card: {design.title}", head, body, is_dense=True)


def _serials(first: str, count: int) -> list[str]:
    found = [first]
    while len(found) < count:
        found.append(next_serial(found[-1]) if first else "")
    return found


def _materials(book: Book, built: BuiltPickup, count: int, spool: str, lot: str) -> list[tuple[str, str, str]]:
    build, rows = built.build, []
    wires: dict[str, tuple[float, float]] = {}
    for name, made in build.wound:
        assert made.winding is not None
        length, deviation = wire_of(built, name)
        before = wires.get(made.winding.wire.name, (0.0, 0.0))
        wires[made.winding.wire.name] = (before[0] + length, before[1] + deviation)
    for wire, (length, deviation) in wires.items():
        most = count * (length + COVERAGE * deviation)
        said = f"{count * length:.0f} m, have {most:.0f} m"
        left = next((each for each in wire_left(book) if each.spool.label == spool), None)
        if left is not None and left.left_m is not None:
            enough = "enough" if left.left_m.low >= most else "may not be enough"
            said += (
                f"; on {spool} {left.left_m.value:.0f} m ({left.left_m.low:.0f} to {left.left_m.high:.0f}): {enough}"
            )
        rows.append((BOX, f"Wire {wire}" + (f", {spool}" if spool else ""), said))
    for name, made in build.coils:
        poles = made.poles
        if poles is None:
            continue
        what = poles.grade or "steel"
        which = f" of the {name} coil" if len(build.coils) > 1 else ""
        size = "" if poles.kind == "blade" else f", {1e3 * poles.length:.1f} mm long"
        of_lot = f", {lot}" if lot and poles.grade else ""
        rows.append((BOX, f"{what} {poles.kind}{which}{size}{of_lot}", f"{count * poles.count}"))
    if build.bar is not None:
        rows.append((BOX, f"Bar magnet{f' of {lot}' if lot else ''}", f"{count * build.bar.count}"))
    rows.append((BOX, "Fibre plates, or bobbins", f"{count * len(build.coils)} sets"))
    rows.append((BOX, f"Lead {build.data.get('lead', {}).get('kind', '')}".rstrip(), f"{count}"))
    return rows


def _steps(built: BuiltPickup, limits: dict[str, str], celsius: float) -> list[tuple[str, str, str, str]]:
    """The steps of this build: those that it does not have are left out."""
    build = built.build
    has_poles = any(made.poles is not None for _, made in build.coils)
    magnets = bool(build.magnets)
    steps: list[tuple[str, str, str]] = [("Plates: edges round, holes clean", "no burr", "")]
    if has_poles:
        steps.append(("Press the poles", "at the height of the design, square", "Eyes: a rod may chip or spring out."))
        steps.append(
            (
                "Lacquer the poles, let dry, check each",
                "open on a low-voltage ohmmeter from pole to pole",
                "Solvents burn: ventilate. " + INSULATION,
            )
        )
    for name, made in build.wound:
        winding = made.winding
        assert winding is not None
        which = f" the {name} coil" if len(build.wound) > 1 else ""
        way = f", {made.wound}" if made.wound else ""
        accept = f"{winding.turns:,.0f} turns of {winding.wire.name}{way}; build-up {1e3 * winding.build_up:.1f} mm"
        steps.append((f"Wind{which}", accept, WINDER))
    if has_poles:
        steps.append(("Coil to poles", "open on a low-voltage ohmmeter", ""))
    steps.append(("Leads: solder, dress, pull gently", "start and finish as the design says", SOLDER))
    if magnets:
        steps.append(("Charge the magnets", "to saturation, then as the design says", MAGNETISER))
        for pole, target in field_targets(built, 0.0).items():
            steps.append((f"Field at the face, {pole.lower()}", bounds(target, "T", digits=2), ""))
        facing = next((made.facing for _, made in build.coils if made.facing), None)
        steps.append(("Polarity, every pole", f"{facing} to the strings" if facing else "as the design says", ""))
    if "resistance" in limits:
        steps.append((f"Resistance, coil at {celsius:g} °C", limits["resistance"], "Not held in the hand."))
    if "inductance" in limits:
        steps.append(("Inductance at 1 kHz, series", limits["inductance"], ""))
    steps.append(("Phase: steel brought to a pole", "first swing positive at hot", ""))
    if not ("wax" in build.data and build.wax_fill == 0):
        steps.append(("Wax, or as the design says", "no bubbles; cool before it is read", WAX))
    if "peak" in limits:
        height = f"; height {limits['height']}" if "height" in limits else ""
        steps.append((f"Final sweep, {STANDARD_WORDS}", f"{limits['peak']}{height}", ""))
    return [(BOX, *step) for step in steps]


def batch_sheet_html(book: Book, session: Session, *, head: PaperHead = TO_FILL_IN) -> str:
    """Return a batch as it stands in the book: heading, every coil's readings and verdict, what all share."""
    read = book.records(CoilReading, "session = ? and void_reason is null", [session.uid])
    if not read:
        raise InputError(f"session '{session.label or session.started_at}' has no reading of a coil")
    coils = {each.uid: each for each in book.records(WoundCoil)}
    kinds = [key for key in QUANTITIES if any(each.quantity == key for each in read)]
    verdicts = judge_session(book, session)
    judged = {coil.serial: coil for verdict in verdicts.values() for coil in verdict.coils}
    rows = []
    for uid in dict.fromkeys(each.coil for each in read):
        own = [each for each in read if each.coil == uid]
        cells = [", ".join(_value(each) for each in own if each.quantity == key) for key in kinds]
        verdict = judged.get(coils[uid].serial)
        said = "" if verdict is None else f"{verdict.tier} ({100 * verdict.good:.0f} % that it is good)"
        rows.append((coils[uid].serial, *cells, said))
    body = [
        table(_heading_rows(book, session, coils[read[0].coil])),
        grid(("Coil", *(QUANTITIES[key].words for key in kinds), "In its batch"), rows),
    ]
    body.append(
        bullets("What to do next", [f"{each.serial}: {each.action}" for each in judged.values() if each.action])
    )
    for title, found in verdicts.items():
        body.append(bullets(f"What the coils of {title} share", found.sentences))
    body += [bullets("Cautions", [INSULATION, DEFER]), signature(("Read by", "Date"))]
    return page(f"Batch sheet: {session.label or session.started_at[:10]}", head, body, is_dense=len(rows) > 12)


def _heading_rows(book: Book, session: Session, coil: WoundCoil) -> list[tuple[str, str]]:
    (design,) = book.records(Design, "uid = ?", [coil.design])
    spools = {each.uid: each.label for each in book.records(Spool)}
    at = "not said" if session.celsius is None else f"{session.celsius:g} °C"
    rows = [("Design", design.title), ("Read", session.started_at), ("Coils at", at)]
    return [*rows, ("Wound", coil.wound_at[:10]), ("Reel of wire", spools.get(coil.spool or "", "not said"))]


def _value(read: CoilReading) -> str:
    return reading_in_words(read.quantity, read.value, read.unit).replace(" ", "\u00a0")


def measured_pickup(book: Book, coil: WoundCoil) -> tuple[Pickup, str]:
    """Return a coil's pickup with what was measured of it in place of the plan's values, and the words for that.

    A fitted sweep gives resistance, inductance and capacitance; else an ohmmeter (to 20 °C) and an LCR meter give the
    first two, and capacitance and losses stay those of the plan. A pickup of several coils stays as planned.
    """
    (design,) = book.records(Design, "uid = ?", [coil.design])
    pickup = read_design(design.sheet, design.title).pickup
    if len(pickup.coils) > 1 and coil.coil == LEADS:
        return pickup, "the plan's curve: its coils were not measured one by one"
    name = next(iter(pickup.coils)) if coil.coil == LEADS else coil.coil
    planned = pickup.coils[name]
    fits = book.records(SweepFit, "coil = ? and void_reason is null", [coil.uid])
    if fits:
        values = dict(zip(fits[-1].names.split(), json.loads(fits[-1].values)))
        made = replace(planned, **values)
        return replace(pickup, coils={**pickup.coils, name: made}), "from its fitted sweep"
    newest = {each.quantity: each for each in book.records(CoilReading, "coil = ? and void_reason is null", [coil.uid])}
    made, taken = planned, []
    ohms, henries = newest.get("resistance"), newest.get("inductance")
    if ohms is not None and math.isfinite(ohms.value):
        (session,) = book.records(Session, "uid = ?", [ohms.session])
        celsius = 20.0 if session.celsius is None else session.celsius
        cold = float(resistance_at_20(resistance=ohms.value, temperature_c=celsius))
        made, taken = replace(made, resistance=cold), ["resistance"]
    if henries is not None and henries.model != "parallel":
        ratio = henries.value / expected_lcr(pickup, henries.hz or 1000.0).series_inductance
        made, taken = replace(made, inductance=made.inductance * ratio), [*taken, "inductance"]
    if not taken:
        return pickup, "the plan's curve: neither resistance nor inductance was measured"
    words = f"from its measured {' and '.join(taken)}; the rest as planned"
    return replace(pickup, coils={**pickup.coils, name: made}), words


def coil_card_html(book: Book, coil: WoundCoil, *, head: PaperHead = TO_FILL_IN) -> str:
    """Return a coil's card: what it was wound from, every reading as typed, repairs and notes, and its curve."""
    (design,) = book.records(Design, "uid = ?", [coil.design])
    sessions = {each.uid: each for each in book.records(Session)}
    made, how = measured_pickup(book, coil)
    response = standard_response(made)
    reading = read_response(response)
    curve = Curve(
        frequency_hz=response.frequency_hz,
        gain_db=response.shown_gain_db - reading.bass_db,
        label=coil.serial,
        reading=reading,
    )
    shown = (response.frequency_hz >= 50) & (response.frequency_hz <= 20e3)
    curve = replace(curve, frequency_hz=curve.frequency_hz[shown], gain_db=curve.gain_db[shown])
    rows = [
        (
            QUANTITIES[each.quantity].words,
            each.text_as_typed,
            _value(each),
            sessions[each.session].started_at[:10],
            "" if each.void_reason is None else f"crossed out: {each.void_reason}",
        )
        for each in book.records(CoilReading, "coil = ?", [coil.uid])
    ]
    first = next((sessions[each.session] for each in book.records(CoilReading, "coil = ?", [coil.uid])), None)
    facts = [("State", coil.state), ("Design", design.title), ("Wound", coil.wound_at[:10])]
    body = [
        table(facts if first is None else [("State", coil.state), *_heading_rows(book, first, coil)]),
        grid(("Reading", "As typed", "Is", "Day", ""), rows),
        bullets("Notes", [each.text for each in book.records(Note, "about = ? and void_reason is null", [coil.uid])]),
        curves_figure(
            [curve],
            title=f"Curve of coil {coil.serial}",
            description=f"Curve of coil {coil.serial}, {how}",
            height=300,
            caption=f"Zero is the level at 100 Hz. Load: {STANDARD_WORDS}. The curve is {how}.",
        ),
    ]
    return page(f"Coil {coil.serial}", head, body)


def record_html(book: Book, coil: WoundCoil, *, head: PaperHead = TO_FILL_IN) -> str:
    """Return the test record of a coil: its newest session's readings against the plan, pass or fail.

    Raises
    ------
    InputError
        If nothing was read on it that its plan predicts.
    """
    (design,) = book.records(Design, "uid = ?", [coil.design])
    found = book.records(CoilReading, "coil = ? and void_reason is null", [coil.uid])
    columns = {kind.quantity: key for key, kind in reversed(tuple(COLUMNS.items())) if kind.quantity}
    found = [each for each in found if each.session == found[-1].session and each.quantity in columns]
    if not found:
        raise InputError(f"coil {coil.serial}: nothing was read on it yet")
    (session,) = book.records(Session, "uid = ?", [found[0].session])
    meters = {each.uid: each for each in book.records(Meter)}
    peak = next((each for each in found if each.quantity == "peak"), None)
    field = next((each for each in found if each.quantity == "field"), None)
    lcr = next((each for each in found if each.hz is not None), None)
    heading = BatchHeading(
        design=design,
        coil=coil.coil,
        celsius=session.celsius,
        meters={meters[each.meter].kind: meters[each.meter] for each in found if each.meter is not None},
        hz=1000.0 if lcr is None or lcr.hz is None else lcr.hz,
        model="parallel" if lcr is not None and lcr.model == "parallel" else "series",
        load=Load(
            resistance=math.inf if peak is None or peak.load_ohm is None else peak.load_ohm,
            capacitance=0.0 if peak is None or peak.load_farad is None else peak.load_farad,
        ),
        gap_m=None if field is None else field.gap_m,
        pole=None if field is None else field.pole,
    )
    values = tuple(
        EntryValue(column=columns[each.quantity], value=each.value, unit=each.unit, text=each.text_as_typed)
        for each in found
    )
    readings = as_readings(heading, values, f"{design.title}, No. {coil.serial}")
    notes = [
        f"read {session.started_at}",
        *([f"coil at {session.celsius:g} °C"] if session.celsius is not None else []),
    ]
    return bench_record_html(diagnose_readings(heading.plan(), readings), head=head, notes=tuple(notes))


def book_customer_html(book: Book, coil: WoundCoil, *, head: PaperHead = TO_FILL_IN) -> str:
    """Return the customer's sheet of a pickup by its serial number: its curve and what was measured of it."""
    (design,) = book.records(Design, "uid = ?", [coil.design])
    made, how = measured_pickup(book, coil)
    sessions = {each.uid: each for each in book.records(Session)}
    facts = [("Serial number", coil.serial), ("Wound", coil.wound_at[:10])]
    counts = book.records(CoilReading, "coil = ? and void_reason is null", [coil.uid])
    for read in {each.quantity: each for each in counts}.values():
        if read.quantity in ("resistance", "inductance"):
            celsius = sessions[read.session].celsius
            at = f" at {celsius:g} °C" if read.quantity == "resistance" and celsius is not None else ""
            facts.append((f"Measured {QUANTITIES[read.quantity].words}{at}", _value(read)))
    facts.append(("Its curve", how))
    return customer_sheet_html(
        CustomerSheet(
            name=f"{design.name}, No. {coil.serial}",
            response=standard_response(made),
            load=STANDARD_WORDS,
            facts=tuple(facts),
            head=head,
        )
    )


def reel_labels_html(book: Book, spools: Sequence[Spool], *, head: PaperHead = TO_FILL_IN) -> str:
    """Return labels for reels: name, wire, what was measured, how much is left.

    Raises
    ------
    InputError
        If there is none.
    """
    if not spools:
        raise InputError("no reel of wire is in the book yet")
    left = {each.spool.uid: each for each in wire_left(book)}
    body = []
    for spool in spools:
        stock = left[spool.uid]
        rows = [("Wire", spool.wire), ("Opened", spool.opened_on or "not yet"), ("Coils wound", str(stock.coils))]
        if spool.maker:
            rows.insert(1, ("From", spool.maker))
        for words, value, deviation in (
            ("Bare, by micrometer", spool.bare_m, spool.bare_deviation),
            ("Overall, by micrometer", spool.overall_m, spool.overall_deviation),
        ):
            if value is not None:
                half = COVERAGE * (deviation or 0.0)
                rows.append((words, bounds(Interval(value=value, low=value - half, high=value + half), "m", digits=3)))
        if stock.left_m is not None:
            amount = f"{stock.left_m.value:.0f} m ({stock.left_m.low:.0f} to {stock.left_m.high:.0f} m)"
            rows.append(("Left when printed", amount))
        body.append(titled(spool.label, table(rows)))
    return page("Reel labels" if len(spools) > 1 else f"Reel label: {spools[0].label}", head, body)
