"""From an open workshop book to what it teaches: its coils as evidence, its spools' wire, and where a coil is wound."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from labkit.book.evidence import BookCoil, BookEvidence, FitEvidence, MeterEvidence, ReadingEvidence, book_evidence
from labkit.book.learn.batch import BatchVerdict, judge_batch
from labkit.book.learn.evidence import CoilEvidence, CoilPlace, Kind, Quantity, WireEvidence
from labkit.book.learn.groups import Records, records_of
from labkit.book.learn.prediction import Knowledge, with_book
from labkit.book.records import LEADS, QUANTITIES, BobbinKind, Design, Machine, MagnetLot, Session, Spool, months, now
from labkit.book.store import Book, read_design
from labkit.core.errors import InputError
from labkit.pickup.materials.wire import wire
from labkit.pickup.network import LOAD_CAPACITANCE, LOAD_RESISTANCE
from labkit.pickup.predict.built import BuiltPickup, predict_build
from labkit.pickup.predict.sheet import PickupBuild
from labkit.rig.rig import Rig

NEAR_LOAD = 0.1
"""A peak read into another load than the usual one by more than this part says something else."""

FIT_DEVIATION = 0.06
"""A capacitance that a sweep leaves this open (one standard deviation, as a ratio) teaches nothing."""

FIT_INDUCTANCE_HZ = 100.0
"""A fit's inductance is that below all losses: what an LCR meter shows at this frequency."""


NEWEST = 200
"""Coils of a design that are read for learning; older ones would add nothing: twenty say nearly all, see the study of
simulated shops."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Taught:
    """A book made ready for predictions.

    Attributes
    ----------
    records : Records
    coils : mapping of str to CoilEvidence
        Every coil that could be read as evidence, by uid, those left out by state included.
    """

    records: Records
    coils: Mapping[str, CoilEvidence]


def taught_by(book: Book, *, until: str | None = None, session: str | None = None) -> Taught:
    """Return what a book teaches, worked out from its records as they are now: the newest coils of each design.

    Parameters
    ----------
    book : Book
    until : str, optional
        A day or a time; of coils that were wound no later.
    session : str, optional
        Uid; coils that were read in it are taken as well.
    """
    evidence = book_evidence(book, newest=NEWEST, until=until, session=session)
    builds: dict[str, PickupBuild | str] = {}
    for uid, design in evidence.designs.items():
        try:
            build = read_design(design.sheet, design.title).build
        except InputError as error:
            builds[uid] = f"its design cannot be read any more ({error})"
            continue
        wound = all(coil.winding is not None for _, coil in build.coils)
        builds[uid] = build if wound else "its design states values, not a build"
    found: dict[str, CoilEvidence] = {}
    left_out: dict[str, str] = {}
    for coil in evidence.coils:
        taken = _coil(coil, builds[coil.design], evidence)
        if isinstance(taken, CoilEvidence):
            found[coil.uid] = taken
        else:
            left_out[coil.serial] = taken
    records = records_of(found.values(), _wires(evidence))
    (total,) = book.query("select count(*) from coil where void_reason is null and wound_at <= ?", (until or "9999",))[
        0
    ]
    return Taught(
        records=replace(records, left_out={**left_out, **records.left_out}, unread=max(total - len(evidence.coils), 0)),
        coils=found,
    )


def _coil(coil: BookCoil, build: PickupBuild | str, evidence: BookEvidence) -> CoilEvidence | str:
    if isinstance(build, str):
        return build
    if coil.coil != LEADS and len(build.coils) > 1:
        return "read coil by coil; a pair teaches by what is read at its leads"
    readings: dict[Kind, float] = {}
    meters: dict[str, str] = {}
    first: ReadingEvidence | FitEvidence | None = None
    swept = {(fit.session, fit.meter) for fit in coil.fits}
    for item in sorted(coil.readings, key=lambda each: (each.quantity != "resistance", each.month)):
        kind = _kind(item)
        from_sweep = item.quantity in ("peak", "height") and (item.session, item.meter) in swept
        if kind is None or from_sweep or kind in readings or not math.isfinite(item.value):
            continue
        readings[kind] = _without_gain(kind, item.value, evidence.meters.get(item.meter or ""))
        meters.setdefault(QUANTITIES[kind.quantity].meter or "", item.meter or "")
        first = first or item
    for fit in coil.fits:  # one sweep is one piece of evidence: its capacitance, and what no meter read
        for kind, value in _fitted(fit).items():
            has = {known.quantity for known in readings}
            if kind.quantity not in has and not (kind.quantity == "capacitance" and "peak" in has):
                readings[kind] = value
                meters.setdefault(QUANTITIES[kind.quantity].meter or "", fit.meter or "")
                first = first or fit
    place = CoilPlace(
        design=coil.design,
        spool=coil.spool or "",
        maker=coil.maker,
        lot=coil.lot or "",
        machine=coil.machine or "",
        bobbin=coil.bobbin or "",
        session="" if first is None else first.session,
        months=coil.month,
        celsius=None if first is None else first.celsius,
        celsius_deviation=None if first is None else first.celsius_deviation,
        meters=tuple(sorted(meters.items())),
    )
    return CoilEvidence(serial=coil.serial, build=build, place=place, readings=readings, fault=coil.left_out)


def _kind(item: ReadingEvidence) -> Kind | None:
    """What a reading is for learning; None for what has no plan: another load, marks, a phase."""
    if item.quantity in ("inductance", "loss_resistance"):
        return None if not item.hz else Kind(quantity=_named(item.quantity), frequency_hz=item.hz)
    if item.quantity in ("peak", "height"):
        load = ((item.load_ohm, LOAD_RESISTANCE), (item.load_farad, LOAD_CAPACITANCE))
        usual = all(given is not None and abs(given / due - 1) <= NEAR_LOAD for given, due in load)
        return Kind(quantity=_named(item.quantity)) if usual else None
    if item.quantity == "field":
        pole = "" if item.pole is None else str(item.pole)
        return None if item.is_marks else Kind(quantity="field", gap=item.gap_m or 0.0, pole=pole)
    return Kind(quantity=_named(item.quantity)) if item.quantity in ("resistance", "capacitance") else None


def _named(quantity: str) -> Quantity:
    return quantity  # type: ignore[return-value]


def _without_gain(kind: Kind, value: float, meter: MeterEvidence | None) -> float:
    if meter is None or not meter.gain or kind.quantity == "height":
        return value
    return value * math.exp(-meter.gain)


def _fitted(fit: FitEvidence) -> dict[Kind, float]:
    found = {}
    for index, (name, value) in enumerate(zip(fit.names, fit.values)):
        if math.sqrt(max(fit.covariance[index][index], 0.0)) > FIT_DEVIATION:
            continue
        if name == "inductance":
            found[Kind(quantity="inductance", frequency_hz=FIT_INDUCTANCE_HZ)] = value
        elif name in ("resistance", "capacitance"):
            found[Kind(quantity=_named(name))] = value
    return found


def _wires(evidence: BookEvidence) -> list[WireEvidence]:
    return [
        WireEvidence(
            wire=wire(spool.wire),
            place=CoilPlace(spool=spool.uid, maker=spool.maker, celsius_deviation=0.0),
            ohm_per_m=spool.ohm_per_m,
            deviation=spool.ohm_deviation,
        )
        for spool in evidence.spools.values()
        if spool.ohm_per_m is not None and spool.ohm_deviation is not None
    ]


def place_in(
    book: Book, *, design: str = "", spool: str = "", lot: str = "", machine: str = "", bobbin: str = ""
) -> CoilPlace:
    """Return where the next coil will be wound, by the workshop's own names for its things, today.

    Parameters
    ----------
    book : Book
    design : str
        Name of a design of the book; any other name is a design that it does not know.
    spool, lot, machine, bobbin : str
        Labels; empty for a spool or lot that is not in the book, and for the machine and the bobbins of the newest coil
        (of this design, where there is one).

    Raises
    ------
    InputError
        If the book holds nothing of that label; says the nearest.
    """
    own = book.labelled(Spool, spool) if spool else None
    known = book.query("select uid from design where name = ? order by version desc limit 1", (design,))
    usual = book.query(
        "select machine, bobbin from coil where void_reason is null order by "
        "design in (select uid from design where name = ?) desc, wound_at desc, rowid desc limit 1",
        (design,),
    )
    usual_machine, usual_bobbin = usual[0] if usual else (None, None)
    return CoilPlace(
        design=str(known[0][0]) if known else "",
        spool=own.uid if own else "",
        maker=own.maker if own else "",
        lot=book.labelled(MagnetLot, lot).uid if lot else "",
        machine=book.labelled(Machine, machine).uid if machine else usual_machine or "",
        bobbin=book.labelled(BobbinKind, bobbin).uid if bobbin else usual_bobbin or "",
        months=months(now()),
    )


def rig_with_book(
    rig: Rig, book: Book, records: Records, *, spool: str = "", lot: str = "", machine: str = ""
) -> tuple[Rig, dict[str, BuiltPickup], dict[str, Knowledge]]:
    """Return a rig whose built pickups are predicted with a book, those pickups, and what the book knows, by slot.

    Parameters
    ----------
    rig : Rig
    book : Book
    records : Records
        What it teaches (`taught_by`).
    spool, lot, machine : str
        As for `place_in`.

    Raises
    ------
    InputError
        If no pickup of the rig is known by its build.
    """
    made = {slot: pickup.made_from for slot, pickup in rig.pickups.items() if pickup.made_from is not None}
    if not made:
        raise InputError("no pickup of this rig is known by its build, so a book has nothing to say of it")
    built, known = {}, {}
    for slot, build in made.items():
        plain = predict_build(build)
        place = place_in(book, design=plain.name, spool=spool, lot=lot, machine=machine)
        built[slot], known[slot] = with_book(plain, records, place)
    pickups = {slot: replace(each.pickup, made_from=made[slot]) for slot, each in built.items()}
    return rig.replace(pickups={**rig.pickups, **pickups}), built, known


def batch_in(book: Book, session: Session, taught: Taught) -> list[CoilEvidence]:
    """Return the coils that were read in a session, in the order of their entry, whatever their state."""
    uids = [
        row[0]
        for row in book.query(
            "select distinct c.uid, c.rowid from coil c join reading r on r.coil = c.uid "
            "where r.session = ? and r.void_reason is null and c.void_reason is null order by c.rowid",
            (session.uid,),
        )
    ]
    return [taught.coils[uid] for uid in uids if uid in taught.coils and taught.coils[uid].readings]


def judge_session(book: Book, session: Session) -> dict[str, BatchVerdict]:
    """Judge what was read in a session, each design by itself, against one another and against what went before.

    Coils that were wound later do not count: a counter that wears on would else make the batch in which it began look
    as expected.

    Returns
    -------
    dict of str to BatchVerdict
        By the title of the design.
    """
    (last,) = book.query(
        "select max(c.wound_at) from coil c join reading r on r.coil = c.uid "
        "where r.session = ? and r.void_reason is null and c.void_reason is null",
        (session.uid,),
    )[0]
    taught = taught_by(book, until=last, session=session.uid)
    batch = batch_in(book, session, taught)
    serials = {coil.serial for coil in batch}
    others = records_of([coil for coil in taught.coils.values() if coil.serial not in serials])
    wires = tuple(group for group in taught.records.groups if not group.kinds)
    others = replace(others, groups=others.groups + wires, unread=taught.records.unread)
    found: dict[str, list[CoilEvidence]] = {}
    for coil in batch:
        found.setdefault(coil.place.design, []).append(coil)
    titles = {each.uid: each.title for each in book.records(Design)}
    return {titles[uid]: judge_batch(coils, others) for uid, coils in found.items()}
