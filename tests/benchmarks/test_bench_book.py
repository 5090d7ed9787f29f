"""A workshop book of 20 000 coils: opening it, all it says, a prediction, a search."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from labkit.book.evidence import book_evidence
from labkit.book.history import coil_lines, find_coils
from labkit.book.learn.from_book import place_in, taught_by
from labkit.book.learn.prediction import knowledge
from labkit.book.records import CoilReading, Design, Session, Spool, WoundCoil, new_uid
from labkit.book.store import Book, open_book, read_design
from tests.benchmarks.conftest import Timed, cpu_seconds
from tests.book.books import design_text, small_book, wound
from tests.book.workers import READINGS

pytestmark = pytest.mark.benchmark(timer=cpu_seconds)

COILS, DESIGNS = 20_000, 10
GROUP = "workshop book of 20 000 coils"


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten designs, a reel of 18 coils, a session of ten: thirty years of a busy workshop."""
    folder = tmp_path_factory.mktemp("large")
    rng = np.random.default_rng(1)
    with small_book(folder) as book, book.writing():
        first, reel, past = wound(book, "0"), book.records(Spool)[0], book.records(Session)[0]
        designs = [first.design]
        for number in range(1, DESIGNS):
            designs.append(book.enter_design(design_text(name=f"design {number}")).uid)
        session, spool = past.uid, reel.uid
        for number in range(COILS):
            day = f"{1996 + number * 30 // COILS}-03-05"
            if number % 10 == 0:
                session = new_uid()
                book.add(replace(past, uid=session, started_at=f"{day}T14:30", label=f"batch {number}"))
            if number and number % 18 == 0:
                spool = new_uid()
                book.add(replace(reel, uid=spool, label=f"reel {12 + number // 18}"))
            design = designs[number // 10 % DESIGNS]
            coil = WoundCoil(serial=f"{number:05d}", design=design, wound_at=day, spool=spool, lot=first.lot)
            book.add(coil)
            for (quantity, value, unit), away in zip(READINGS, 0.01 * rng.normal(size=len(READINGS))):
                made = {"quantity": quantity, "value": value * (1 + away), "unit": unit, "text_as_typed": f"{value:g}"}
                book.add(CoilReading(coil=coil.uid, session=session, hz=1e3 if unit == "H" else None, **made))
    return folder / "workshop.book"


@pytest.fixture
def book(large: Path) -> Book:
    return open_book(large)


def test_opening(large: Path, timed: Timed) -> None:
    timed(GROUP, "open", COILS, lambda: open_book(large).close(), rounds=5)


def test_all_it_says(book: Book, timed: Timed) -> None:
    said = timed(GROUP, "all coils as evidence", COILS, lambda: book_evidence(book), rounds=3)
    assert len(said.coils) == COILS


def test_what_it_teaches(book: Book, timed: Timed) -> None:
    known = timed(GROUP, "what it teaches, once", COILS, lambda: taught_by(book), rounds=3)
    assert known.records.coils + known.records.unread + len(known.records.left_out) >= COILS


def test_a_prediction(book: Book, timed: Timed) -> None:
    design = book.records(Design)[0]
    build, records = read_design(design.sheet).build, taught_by(book).records
    place = place_in(book, design=design.name, spool=book.records(Spool)[-1].label)
    said = timed(GROUP, "predict", COILS, lambda: knowledge(records, build, place), rounds=3)
    assert said.of_spool


def test_a_search(book: Book, timed: Timed) -> None:
    found = timed(GROUP, "find", COILS, lambda: find_coils(coil_lines(book), ["reel 12", "ohms < 6k"]), rounds=3)
    assert found
