"""Several processes at one book, and writers that die: what was reported is there, and nothing is half there."""

from __future__ import annotations

from tests.book.books import small_book
from tests.book.workers import kill_writers, run_together


def test_killed_writers_lose_nothing_that_they_reported(tmp_path):
    small_book(tmp_path).close()
    assert kill_writers(tmp_path / "workshop.book", 3) >= 3


def test_two_writers_and_two_readers_at_once_lose_nothing(tmp_path):
    small_book(tmp_path).close()
    said = run_together(tmp_path / "workshop.book", writers=2, readers=2, count=12)
    assert all(each.startswith("read ") for each in said)
