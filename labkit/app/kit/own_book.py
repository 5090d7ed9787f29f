"""The workshop book of this lab's pages: the file that the person at this machine named, and nobody else's.

A lab that other machines may reach has its book closed: whoever has the link would read, and write, somebody's records.
Modules of the book are imported where one is opened: most pages, and a browser's Python without SQLite, never do.
"""

from __future__ import annotations

import os
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from labkit.core.errors import InputError
from labkit.core.files import BOOK_CLOSED_VARIABLE, BOOK_VARIABLE, DEMO_BOOK

if TYPE_CHECKING:
    from labkit.book.learn.from_book import Taught
    from labkit.book.store import Book

CLOSED = "The workshop book is closed here: this lab is open to other machines. It opens in a lab of your own machine."
NO_BOOK = (
    "No workshop book is open. Make one with: labkit book new FILE, then open the lab with: labkit open --book FILE."
)


def own_book() -> Book:
    """Return the workshop book of this lab, open.

    Raises
    ------
    InputError
        If the lab is shared, none is named, or it cannot be opened; says what to do.
    """
    if os.environ.get(BOOK_CLOSED_VARIABLE):
        raise InputError(CLOSED)
    path = os.environ.get(BOOK_VARIABLE)
    if not path:
        raise InputError(NO_BOOK)
    return _opened(path)


@lru_cache(maxsize=1)
def _opened(path: str) -> Book:
    from labkit.book.store import open_book

    return open_book(Path(path).expanduser())


def has_book() -> bool:
    """Whether a workshop book of one's own can be opened here."""
    try:
        own_book()
    except InputError:
        return False
    return True


def demo_book() -> Book:
    """Return the invented book of the winding room at Saltmarsh Lane, in memory: no entry is kept."""
    from labkit.book.exchange import read_in
    from labkit.book.store import new_book

    with TemporaryDirectory() as folder, new_book(Path(folder) / "demo.book") as made:
        read_in(made, DEMO_BOOK)
        return made.scratch()


def taught(book: Book) -> Taught:
    """Return what a book teaches, worked out anew when it has changed."""
    return _taught(book, book.moment)


@lru_cache(maxsize=2)
def _taught(book: Book, moment: tuple[int, int]) -> Taught:
    from labkit.book.learn.from_book import taught_by

    return taught_by(book)
