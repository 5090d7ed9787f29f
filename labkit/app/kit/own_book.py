"""The workshop book of this lab's pages: the file that the person at this machine named, and nobody else's.

A lab that other machines may reach has its book closed: whoever has the link would read, and write, somebody's records.
Modules of the book are imported where one is opened: most pages, and a browser's Python without SQLite, never do.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from functools import lru_cache
from html import escape
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from labkit.app.kit.controls import Control, Group
from labkit.app.kit.page_state import BOOK, BOOK_TITLE, NEW_REEL, WITHOUT
from labkit.app.kit.text import capital
from labkit.core.errors import InputError
from labkit.core.files import BOOK_CLOSED_VARIABLE, BOOK_VARIABLE, DEMO_BOOK
from labkit.core.sourced import Interval
from labkit.core.units import format_quantity
from labkit.pickup.predict.built import BuiltPickup
from labkit.rig.rig import Rig
from labkit.view.drawings.interval import IntervalScale, draw_interval

if TYPE_CHECKING:
    from labkit.book.learn.from_book import Taught
    from labkit.book.learn.prediction import Knowledge, Learned
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


def open_own_book() -> Book | None:
    """Return the workshop book of this lab, open; None where there is none."""
    return own_book() if has_book() else None


def book_groups() -> tuple[Group, ...]:
    """Return the switch to predict with the workshop book, where one is open.

    A reel is named in links by its uid alone, so that a link carries no label of the workshop.
    """
    book = open_own_book()
    if book is None:
        return ()
    from labkit.book.records import Spool

    reels = [each for each in reversed(book.records(Spool)) if each.emptied_on is None]
    control = Control(
        key=BOOK,
        label="Predict",
        kind="choice",
        positions=(WITHOUT, NEW_REEL, *(each.uid for each in reels)),
        names=("without the book", "with it, from a new reel", *(f"with it, from {each.label}" for each in reels)),
    )
    return (Group(title=BOOK_TITLE, controls=(control,)),)


def predicted_with_book(rig: Rig, reel: str) -> tuple[Rig, dict[str, BuiltPickup], dict[str, Knowledge]]:
    """Return a rig whose built pickups are predicted with the workshop book, those pickups, and what the book knows.

    Parameters
    ----------
    rig : Rig
    reel : str
        Uid of the reel of wire; any other text is a new one.

    Raises
    ------
    InputError
        If no book is open, or no pickup of the rig is known by its build.
    """
    from labkit.book.learn.from_book import rig_with_book
    from labkit.book.records import Spool

    book = own_book()
    spool = next((each.label for each in book.records(Spool, "uid = ?", [reel])), "")
    return rig_with_book(rig, book, taught(book).records, spool=spool)


def known_html(known: Mapping[str, Knowledge]) -> str:
    """Return what the workshop book says of every pickup of a rig that is predicted with it, by slot."""
    if not known:
        return '<p class="lab-note">No pickup of this rig is known by its build: the book has no say.</p>'
    return "".join(
        f"<p>{escape(capital(found.sentence))}</p>{knowledge_html(found, f'{slot}, with the workshop book')}"
        for slot, found in known.items()
    )


def knowledge_html(known: Knowledge, title: str) -> str:
    """Return the next coil's readings without the book and with it, drawn one over the other, and why."""
    lines = []
    for item in known.next_readings:
        scale = _scale(item)
        learned = f"<small>learned: {escape(', '.join(item.causes))}</small>" if item.causes else ""
        lines.append(
            f'<tr><th scope="row">{escape(item.kind.words)}{learned}</th>'
            f"<td>{escape(_bounds(item.before, item.unit))}</td>"
            f"<td>{draw_interval(item.before, scale)}<br>{draw_interval(item.after, scale)}</td>"
            f"<td><b>{escape(_bounds(item.after, item.unit))}</b></td></tr>"
        )
    heads = ("The next coil reads", "Without the book", "", "With the book")
    top = "".join(f'<th scope="col">{name}</th>' if name else "<td></td>" for name in heads)
    said = [
        f"Coils of this workshop scatter {known.coil_scale:.1f} times as much as labkit takes.",
        "Bars hold 95 of 100 coils: above without the book, below with it. Output over the strings is not learned; no "
        "real workshop's records stand behind the way doubts are divided.",
    ]
    conflict = "" if known.conflict is None else f'<p class="lab-fit lab-bad">{escape(known.conflict.sentence)}.</p>'
    return (
        f'{conflict}<div class="lab-table-holder" role="region" tabindex="0" aria-label="{escape(title)}">'
        f'<table class="lab-table"><caption>{escape(title)}</caption><thead><tr>{top}</tr></thead>'
        f"<tbody>{''.join(lines)}</tbody></table></div>"
        + "".join(f'<p class="lab-note">{escape(text)}</p>' for text in said)
    )


def _scale(item: Learned) -> IntervalScale:
    low, high = min(item.before.low, item.after.low), max(item.before.high, item.after.high)
    return IntervalScale(low=low - 0.1 * (high - low), high=high + 0.1 * (high - low), is_log=False)


def _bounds(interval: Interval, unit: str) -> str:
    if unit == "dB":
        return f"{interval.low:.1f} dB – {interval.high:.1f} dB".replace("-", "−")
    low, high = (format_quantity(end, unit, digits=3) for end in (interval.low, interval.high))
    return f"{low} – {high}"


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
