"""``--book`` of commands that predict, and the commands of a workshop book that say what it knows and judge a batch."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from labkit.cli.main import CHECK_FAILED, DONE
from labkit.cli.options import Output, book_option, result_options
from labkit.core.errors import InputError, capitalized, did_you_mean
from labkit.core.units import format_quantity

if TYPE_CHECKING:
    from labkit.book.learn.batch import BatchVerdict
    from labkit.book.learn.prediction import Knowledge
    from labkit.book.records import Session
    from labkit.book.store import Book
    from labkit.pickup.predict.built import BuiltPickup
    from labkit.rig.rig import Rig

Command = TypeVar("Command", bound=Callable[..., Any])

WIDTH = 96


@dataclass(frozen=True, slots=True, kw_only=True)
class FromBook:
    """What a command was told of a workshop book: its file, and from what the next coil will be wound."""

    file: Path | None = None
    spool: str = ""
    lot: str = ""
    machine: str = ""

    def of_pickup(self, built: BuiltPickup) -> tuple[BuiltPickup, Knowledge | None]:
        """Return a pickup with the book, and what the book knows; the pickup as it is without one."""
        if self.file is None:
            self._refuse_things()
            return built, None
        from labkit.book.learn.from_book import place_in, taught_by
        from labkit.book.learn.prediction import with_book

        with self._open() as book:
            place = place_in(book, design=built.name, spool=self.spool, lot=self.lot, machine=self.machine)
            if built.is_given:
                raise InputError(
                    f"--book: '{built.name}' is a sheet of values; a book speaks of what is wound from a build"
                )
            return with_book(built, taught_by(book).records, place)

    def of_rig(self, rig: Rig) -> tuple[Rig, dict[str, BuiltPickup], dict[str, Knowledge]]:
        """Return a rig with the book's values in every pickup that is known by its build, those pickups, and why."""
        if self.file is None:
            self._refuse_things()
            return rig, {}, {}
        from labkit.book.learn.from_book import rig_with_book, taught_by

        with self._open() as book:
            records = taught_by(book).records
            return rig_with_book(rig, book, records, spool=self.spool, lot=self.lot, machine=self.machine)

    def _refuse_things(self) -> None:
        given = {"--spool": self.spool, "--lot": self.lot, "--machine": self.machine}
        named = next((name for name, value in given.items() if value), None)
        if named:
            raise InputError(f"{named} names a thing of a workshop book; say which with --book FILE")

    @contextmanager
    def _open(self) -> Iterator[Book]:
        from labkit.book.store import open_book

        assert self.file is not None
        with open_book(self.file) as book:
            yield book


def with_book_options(function: Command) -> Command:
    """``--book``, ``--spool``, ``--lot`` and ``--machine``, as ``from_book``."""

    @wraps(function)
    def told(*, with_book: Path | None, spool: str, lot: str, machine: str, **given: Any) -> Any:
        return function(from_book=FromBook(file=with_book, spool=spool, lot=lot, machine=machine), **given)

    for name, meaning in (("machine", "winding machine"), ("lot", "lot of magnets"), ("spool", "spool of wire")):
        help_text = f"With --book: the {meaning} of the next coil, as the book calls it; else one it does not know."
        if name == "machine":
            help_text = "With --book: the winding machine, as the book calls it; else the usual one."
        told = click.option(f"--{name}", default="", help=help_text)(told)
    option = click.option(
        "with_book",
        "--book",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Predict with the past coils of this workshop book.",
    )
    return option(told)  # type: ignore[return-value]


def knowledge_text(known: Knowledge) -> str:
    """Return what a book knows: the next coil's readings without it and with it, what was used, and why."""
    lines = _wrapped(f"With the book: {known.sentence}.")
    rows = [
        (item.kind.words, _bounds(item.before, item.unit), _bounds(item.after, item.unit), ", ".join(item.causes))
        for item in known.next_readings
    ]
    heads = ("the next coil will read", "without the book", "with it", "learned")
    widths = [max(len(row[place]) for row in [heads, *rows]) for place in range(4)]
    for row in [heads, *rows]:
        lines.append("  " + "  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths)).rstrip())
    if known.coils:
        lines += _wrapped(
            f"Coils of this workshop scatter {known.coil_scale:.1f} times as much as labkit takes. Output over the "
            "strings is not learned. No real workshop's records stand behind the way doubts are divided."
        )
    if known.conflict is not None:
        lines += _wrapped(f"Mind: {known.conflict.sentence}.")
    return "\n".join(lines)


def known_text(known: Mapping[str, Knowledge]) -> str:
    """Return what a book knows of the pickups of a rig, a paragraph a slot, to stand below an answer."""
    lines = [
        line for slot, each in known.items() for line in ("", *_wrapped(f"{slot} with the book: {each.sentence}."))
    ]
    return "".join(f"\n{line}" for line in lines)


def known_data(known: Mapping[str, Knowledge]) -> dict[str, object]:
    """Return the same as a key of an answer's JSON form; nothing without a book."""
    return {"knowledge": {slot: each.as_dict() for slot, each in known.items()}} if known else {}


def _bounds(interval: Any, unit: str) -> str:
    if unit == "dB":
        return f"{interval.low:.1f} … {interval.high:.1f} dB"
    return f"{format_quantity(interval.low, unit, digits=3)} … {format_quantity(interval.high, unit, digits=3)}"


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="  ")


def verdict_text(verdict: BatchVerdict) -> str:
    """Return a batch's verdict: what all share, then each coil that is not simply good, with the next step."""
    lines = []
    for sentence in verdict.sentences:
        lines += _wrapped(f"{capitalized(sentence)}.")
    good = [coil.serial for coil in verdict.coils if coil.tier == "good"]
    for coil in verdict.coils:
        if coil.tier == "good":
            continue
        causes = ", ".join(
            f"{name}{f' ({size})' if size else ''} {100 * part:.0f} %" for name, size, part in coil.causes[:3]
        )
        lines += _wrapped(
            f"{coil.serial}  {coil.tier}, {100 * coil.good:.0f} % that it is good; {causes}. Next: {coil.action}."
        )
    lines.append(f"  {len(good)} of {len(verdict.coils)} coils pass" + (f": {', '.join(good)}" if good else ""))
    return "\n".join(lines)


@click.command("knows")
@click.argument("design")
@result_options()
@book_option
@click.option("--spool", default="", help="Of the next coil, as the book calls it; else one it does not know.")
@click.option("--lot", default="", help="Of its magnets, as the book calls it; else one it does not know.")
@click.option("--machine", default="", help="The winding machine; else the usual one.")
def knows(book: Book, out: Output, design: str, spool: str, lot: str, machine: str) -> None:
    """What the next coil of DESIGN will read, without the book and with it, and why.

    DESIGN is a design of the book, the path of a build sheet, or a build in the catalogue.
    """
    from labkit.book.learn.from_book import place_in, taught_by
    from labkit.book.learn.prediction import knowledge
    from labkit.book.store import read_design
    from labkit.pickup.predict.built import load_built

    known = {str(row[0]) for row in book.query("select distinct name from design")}
    built = read_design(book.design(design).sheet, design) if design in known else load_built(design)
    if built.is_given:
        raise InputError(f"'{built.name}' is a sheet of values; a book speaks of builds")
    place = place_in(book, design=built.name, spool=spool, lot=lot, machine=machine)
    found = knowledge(taught_by(book).records, built.build, place)
    out.write(text=lambda: f"{built.name}\n{knowledge_text(found)}", data=found.as_dict)


def session_called(book: Book, label: str | None) -> Session:
    """Return the session with readings that its batch was entered under, the newest one without a label.

    Raises
    ------
    InputError
        If there is none; says the nearest.
    """
    from labkit.book.records import Session

    known = book.records(Session, "uid in (select session from reading where void_reason is null)")
    found = [each for each in known if label is None or each.label == label]
    if not found:
        labels = [each.label for each in known if each.label]
        hint = did_you_mean(label or "", labels) or " None with readings is entered yet."
        raise InputError(f"{book.path.name}: no session is called '{label or ''}'.{hint}")
    return max(found, key=lambda each: each.started_at)


@click.command("judge")
@click.argument("session", required=False)
@result_options()
@book_option
def judge(book: Book, out: Output, session: str | None) -> int:
    """Judge the coils of a SESSION together: what they share, and each one's own verdict with the next step.

    SESSION is the name its batch was entered under; without it the newest is judged. Coils are held against one another
    and against what was wound before, so that spool, room and meter are blamed on none of them. Exit code 1: a coil is
    likely to be faulty.
    """
    from labkit.book.learn.from_book import judge_session

    chosen = session_called(book, session)
    verdicts = judge_session(book, chosen)
    if not verdicts:
        raise InputError(
            f"{book.path.name}: no coil of session '{chosen.label}' was read in a way that a plan predicts"
        )
    title = chosen.label or chosen.started_at
    out.write(
        text=lambda: "\n".join(
            line for name, verdict in verdicts.items() for line in (f"{title}: {name}", verdict_text(verdict))
        ),
        data=lambda: {
            "session": title,
            "designs": [{"design": name, **verdict.as_dict()} for name, verdict in verdicts.items()],
        },
    )
    is_faulty = any(coil.tier == "fault" for verdict in verdicts.values() for coil in verdict.coils)
    return CHECK_FAILED if is_faulty else DONE


LEARNED = (knows, judge)
"""Commands of ``labkit book`` that learn from it."""
