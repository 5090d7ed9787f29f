"""A small book for the tests, with one of everything."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import tomli_w

from labkit.book.records import (
    BobbinKind,
    Calibration,
    CoilReading,
    Machine,
    MagnetLot,
    Meter,
    Note,
    Repair,
    Session,
    Spool,
    SweepFit,
    WireReading,
    WoundCoil,
)
from labkit.book.store import Book, new_book
from labkit.catalogue import find_sheet

DESIGN = "narrow single coil, built"


def design_text(**changes: Any) -> str:
    """Return the sheet of a design, with keys at its top changed."""
    return tomli_w.dumps({**find_sheet(DESIGN, "pickup").data, **changes})


def small_book(folder: Path, name: str = "workshop.book") -> Book:
    """Return a book with one design, spool, lot, machine, bobbin, three meters and one session, but no coil."""
    book = new_book(folder / name, name="test room")
    book.enter_design(design_text())
    ohms = Meter(label="bench ohmmeter", kind="ohms", accuracy=0.005)
    book.add(
        Spool(label="reel 12", wire="AWG 42 single build", maker="first mill", length_m=4000.0, length_deviation=40.0),
        MagnetLot(label="lot 3", grade="Alnico 5", count=60),
        Machine(label="left machine"),
        BobbinKind(label="narrow, moulded"),
        ohms,
        Meter(label="bridge", kind="lcr", accuracy=0.02),
        Meter(label="field meter", kind="field", unit="marks"),
        Calibration(
            meter=ohms.uid, done_at="2026-01-02", piece="1 kΩ", known=1000.0, known_deviation=0.1, shown=1002.0
        ),
        Session(started_at="2026-03-05T14:30", label="batch 1", celsius=23.0, celsius_deviation=1.0),
    )
    return book


def full_book(folder: Path) -> Book:
    """Return the small book with a record of every kind in it, the change of one among them."""
    book = small_book(folder)
    coil, spool, session = wound(book, "0113", coil="main", who="M"), book.records(Spool)[0], book.records(Session)[0]
    book.add(
        WireReading(
            spool=spool.uid,
            read_at="2026-03-01",
            length_m=10.0,
            length_deviation=0.01,
            resistance=54.4,
            text_as_typed="54.4",
            celsius=21.0,
        ),
        coil,
        SweepFit(
            coil=coil.uid,
            session=session.uid,
            names="resistance inductance",
            values="[5900.0, 2.2]",
            covariance="[[1e-4, 0.0], [0.0, 4e-4]]",
            source="bare.csv",
        ),
        read(book, coil, "resistance", 5912.0, "Ω", text_as_typed="5,912"),
        Repair(coil=coil.uid, done_at="2026-04-01", what="lead renewed"),
        Note(about=coil.uid, text="returned by its owner"),
    )
    book.change(replace(spool, emptied_on="2026-04-02"))
    return book


def wound(book: Book, serial: str, **fields: Any) -> WoundCoil:
    """Return a coil of the small book's design, spool and lot, not yet entered."""
    usual = {
        "design": book.design(DESIGN).uid,
        "wound_at": "2026-03-05",
        "spool": book.labelled(Spool, "reel 12").uid,
        "lot": book.labelled(MagnetLot, "lot 3").uid,
    }
    return WoundCoil(serial=serial, **{**usual, **fields})


def read(book: Book, coil: WoundCoil, quantity: str, value: float, unit: str, **fields: Any) -> CoilReading:
    """Return a reading of a coil in the small book's session, not yet entered."""
    session = book.records(Session)[0]
    return CoilReading(
        **{
            "coil": coil.uid,
            "session": session.uid,
            "quantity": quantity,
            "value": value,
            "unit": unit,
            "text_as_typed": f"{value:g}",
            **fields,
        }
    )
