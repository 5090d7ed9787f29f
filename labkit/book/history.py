"""Searching a book: every coil as one line with its materials and its newest readings, and the lines that terms pick.

A term is a word or a comparison, and all of them must hold: ``neck``, ``"reel 12"``, ``"ohms > 6.1k"``,
``"wound >= 2026-03"``.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from labkit.book.cells import COLUMNS
from labkit.book.records import (
    QUANTITIES,
    BobbinKind,
    Design,
    Machine,
    MagnetLot,
    Note,
    Spool,
    WoundCoil,
    checked_time,
)
from labkit.book.store import Book
from labkit.core.errors import InputError, did_you_mean
from labkit.core.units import parse_quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilLine:
    """A coil with everything it refers to by name.

    Attributes
    ----------
    coil : WoundCoil
    design : Design
    spool, lot, machine, bobbin : str
        Labels; empty where not said.
    values : mapping of str to float
        Newest reading of each quantity (SI, or marks): the mean of its last session, over repeats and poles.
    notes : tuple of str
    """

    coil: WoundCoil
    design: Design
    spool: str
    lot: str
    machine: str
    bobbin: str
    values: Mapping[str, float]
    notes: tuple[str, ...]

    @property
    def name(self) -> str:
        """Serial number, with the coil where it is one of several."""
        return self.coil.serial if self.coil.coil == "leads" else f"{self.coil.serial} {self.coil.coil}"

    @property
    def words(self) -> tuple[str, ...]:
        """Texts that a word of a search is looked up in."""
        coil = self.coil
        own = (coil.serial, coil.coil, coil.who, coil.state, coil.scatter)
        return (*own, self.design.name, self.spool, self.lot, self.machine, self.bobbin, *self.notes)


def coil_lines(book: Book, *, crossed_out: bool = False) -> list[CoilLine]:
    """Return every coil in the order of entry; with ``crossed_out`` also those entries that no longer count."""
    labels: dict[str | None, str] = {None: ""}
    for kind in (Spool, MagnetLot, Machine, BobbinKind):
        labels |= dict(book.query(f"select uid, label from {kind.table}"))
    designs = {each.uid: each for each in book.records(Design)}
    notes: dict[str, list[str]] = {}
    for note in book.records(Note, "void_reason is null"):
        notes.setdefault(note.about, []).append(note.text)
    newest: dict[tuple[str, str], tuple[Any, list[float]]] = {}
    for coil, quantity, value, session in book.query(
        "select r.coil, r.quantity, r.value, s.rowid from reading r join session s on s.uid = r.session "
        "where r.void_reason is null order by s.started_at, s.rowid, r.rowid"
    ):
        at, values = newest.get((coil, quantity), (None, []))
        newest[coil, quantity] = (session, [*values, value] if at == session else [value])
    read: dict[str, dict[str, float]] = {}
    for (coil, quantity), (_, values) in newest.items():
        read.setdefault(coil, {})[quantity] = sum(values) / len(values)
    return [
        CoilLine(
            coil=each,
            design=designs[each.design],
            spool=labels[each.spool],
            lot=labels[each.lot],
            machine=labels[each.machine],
            bobbin=labels[each.bobbin],
            values=read.get(each.uid, {}),
            notes=tuple(notes.get(each.uid, ())),
        )
        for each in book.records(WoundCoil, "" if crossed_out else "void_reason is null")
    ]


Term = Callable[[CoilLine], bool]

_COMPARED: Mapping[str, Callable[[Any, Any], bool]] = {
    "<=": operator.le,
    ">=": operator.ge,
    "<": operator.lt,
    ">": operator.gt,
    "=": operator.eq,
    "above": operator.gt,
    "below": operator.lt,
    "since": operator.ge,
    "before": operator.lt,
}
_COMPARISON = re.compile(rf"\s*(.+?)\s*({'|'.join(_COMPARED)})\s*(\S.*?)\s*")


def find_coils(lines: Iterable[CoilLine], terms: Iterable[str]) -> list[CoilLine]:
    """Return the lines for which every term holds.

    Parameters
    ----------
    lines : iterable of CoilLine
    terms : iterable of str
        A whole word or words of serial number, coil, design, spool, lot, machine, bobbin, winder, state or note; or a
        comparison of ``wound`` with a day, of ``turns`` with a number, or of a quantity (``ohms``, ``henries``,
        ``peak`` …) with a quantity in its unit.

    Raises
    ------
    InputError
        If a comparison cannot be understood.
    """
    tests = [_term(term) for term in terms]
    return [line for line in lines if all(test(line) for test in tests)]


def _term(text: str) -> Term:
    found = _COMPARISON.fullmatch(text)
    if found is None:
        if not text.strip():
            raise InputError("a word to search for is empty")
        word = re.compile(rf"(?<!\w){re.escape(text.strip())}(?!\w)", re.IGNORECASE)
        return lambda line: any(word.search(words) for words in line.words)
    name, sign, limit = found[1].casefold(), found[2], found[3]
    holds = _COMPARED[sign]
    if name == "wound":
        day = checked_time(limit if limit.count("-") > 1 else f"{limit}-01", f"'{text}'")
        return lambda line: holds(line.coil.wound_at[: len(limit)], day[: len(limit)])
    names = {each.casefold(): kind for kind in COLUMNS.values() if kind.quantity for each in kind.names}
    names |= {quantity: kind for kind in COLUMNS.values() for quantity in (kind.quantity,) if quantity}
    if name == "turns":
        count = parse_quantity(limit, "1")
        return lambda line: line.coil.turns_counted is not None and holds(line.coil.turns_counted, count)
    if name not in names:
        raise InputError(
            f"'{text}': '{found[1]}' is nothing to compare.{did_you_mean(name, ['wound', 'turns', *names])}"
        )
    quantity = names[name].quantity
    kind = QUANTITIES[quantity]
    bare = bool(re.fullmatch(r"[\d.]+", limit)) and kind.bare_unit
    try:
        value = parse_quantity(f"{limit} {kind.bare_unit}" if bare else limit, kind.unit)
    except InputError as problem:
        raise InputError(f"'{text}': {problem}") from None
    return lambda line: quantity in line.values and holds(line.values[quantity], value)
