"""A workshop book of 20 000 coils: opening it, all it says, a prediction, a search."""

from __future__ import annotations

from pathlib import Path

import pytest

from labkit.book.evidence import book_evidence
from labkit.book.history import coil_lines, find_coils
from labkit.book.learn.from_book import NEWEST, place_in, taught_by
from labkit.book.learn.prediction import knowledge
from labkit.book.records import CoilReading, Design, Session, WoundCoil
from labkit.book.store import Book, open_book, read_design
from tests.benchmarks.conftest import Timed, cpu_seconds
from tests.book.books import small_book, wound
from tests.book.workers import READINGS

pytestmark = pytest.mark.benchmark(timer=cpu_seconds)

COILS = 20_000
GROUP = "workshop book of 20 000 coils"


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("large")
    with small_book(folder) as book, book.writing():
        first = wound(book, "0")
        usual = {name: getattr(first, name) for name in ("design", "wound_at", "spool", "lot")}
        session = book.records(Session)[0].uid
        for number in range(COILS):
            coil = WoundCoil(serial=f"{number:05d}", **usual)
            book.add(coil)
            for quantity, value, unit in READINGS:
                made = {"quantity": quantity, "value": value, "unit": unit, "text_as_typed": f"{value:g}"}
                book.add(CoilReading(coil=coil.uid, session=session, **made))
    return folder / "workshop.book"


@pytest.fixture
def book(large: Path) -> Book:
    return open_book(large)


def test_opening(large: Path, timed: Timed) -> None:
    timed(GROUP, "open", COILS, lambda: open_book(large).close(), rounds=5)


def test_all_it_says(book: Book, timed: Timed) -> None:
    said = timed(GROUP, "all coils as evidence", COILS, lambda: book_evidence(book), rounds=3)
    assert len(said.coils) == COILS


def test_a_prediction(book: Book, timed: Timed) -> None:
    design = book.records(Design)[0]
    build = read_design(design.sheet).build
    place = place_in(book, design=design.name, spool="reel 12")
    said = timed(GROUP, "predict", COILS, lambda: knowledge(taught_by(book).records, build, place), rounds=3)
    assert said.passed_over == COILS - NEWEST


def test_a_search(book: Book, timed: Timed) -> None:
    found = timed(GROUP, "find", COILS, lambda: find_coils(coil_lines(book), ["reel 12", "ohms < 6k"]), rounds=3)
    assert len(found) == COILS
