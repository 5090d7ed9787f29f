"""``labkit book paper``: the papers of a workshop book as printable pages, HTML files that ask for nothing outside."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TYPE_CHECKING, Any, TypeVar

import click

from labkit.cli.main import WholeHelpGroup
from labkit.cli.options import Output, book_option, result_options
from labkit.cli.with_book import session_called
from labkit.core.units import stated_temperature

if TYPE_CHECKING:
    from labkit.book.store import Book
    from labkit.report.paper_page import PaperHead

Command = TypeVar("Command", bound=Callable[..., Any])


@click.group(cls=WholeHelpGroup)
def paper() -> None:
    """Printable papers (HTML) of the book: print them, or save them as PDF, from any browser."""


def _paper(function: Command) -> Command:
    """What every paper takes: the book, what stands in its head, and where it goes; ``head`` and the book as given."""

    @wraps(function)
    def printed(*, book: Book, out: Output, number: str, date: str, shop: str | None, **given: Any) -> None:
        from labkit.report.paper_page import PaperHead

        head = PaperHead(number=number, date=date, shop=book.name if shop is None else shop)
        out.emit(function(book=book, head=head, **given))

    printed = click.option("--shop", help="Name of the shop; that of the book unless given.")(printed)
    printed = click.option("--date", default="", help="Printed as it is written; a line to fill in where left out.")(
        printed
    )
    printed = click.option("--number", default="", help="Number of the paper or the order.")(printed)
    return result_options(json=False)(book_option(printed))  # type: ignore[return-value]


@paper.command("card")
@click.argument("design")
@click.option("--count", type=int, default=6, show_default=True, help="Coils of the batch.")
@click.option("--first", metavar="SERIAL", help="Number of the first coil; the one that is due unless given.")
@click.option("--spool", default="", metavar="LABEL", help="The reel of wire.")
@click.option("--magnets", default="", metavar="LABEL", help="Lot of the magnets.")
@click.option("--machine", default="", metavar="LABEL", help="The winding machine.")
@click.option("--temperature", default="20 °C", show_default=True, help="Of the room where the coils will be read.")
@_paper
def work_card(
    book: Book, head: PaperHead, design: str, count: int, first: str | None, temperature: str, **things: str
) -> str:
    """Work card of a batch of DESIGN: materials to pull, steps in order with this shop's limits, boxes for readings."""
    from labkit.report.book_paper import work_card_html

    return work_card_html(
        book,
        book.design(design),
        count=count,
        first_serial=book.next_serial() if first is None else first,
        spool=things["spool"],
        lot=things["magnets"],
        machine=things["machine"],
        celsius=stated_temperature(temperature, "--temperature")[0],
        head=head,
    )


@paper.command("batch")
@click.argument("session", required=False)
@_paper
def batch_sheet(book: Book, head: PaperHead, session: str | None) -> str:
    """Batch sheet of a SESSION, the newest unless named: every coil's readings and verdict, and what all share."""
    from labkit.report.book_paper import batch_sheet_html

    return batch_sheet_html(book, session_called(book, session), head=head)


def _coil_paper(name: str, words: str, maker: str) -> None:
    @click.argument("serial")
    @click.option("--coil", help="Which coil of the pickup, where it has several.")
    @_paper
    def coil_paper(book: Book, head: PaperHead, serial: str, coil: str | None) -> str:
        from labkit.report import book_paper

        html: str = getattr(book_paper, maker)(book, book.coil(serial, coil), head=head)
        return html

    paper.command(name, help=words)(coil_paper)


_coil_paper("coil", "Card of the coil SERIAL: readings as typed, repairs, notes, and its curve.", "coil_card_html")
_coil_paper("test", "Test record of the coil SERIAL: its newest readings against the plan.", "record_html")
_coil_paper("customer", "Customer's sheet of the pickup SERIAL: its curve and what was measured.", "book_customer_html")


@paper.command("reels")
@click.argument("labels", nargs=-1, metavar="[LABEL]...")
@_paper
def reel_labels(book: Book, head: PaperHead, labels: tuple[str, ...]) -> str:
    """Labels of the reels LABEL …, of all that are not empty unless named: wire, what was measured, what is left."""
    from labkit.book.records import Spool
    from labkit.report.book_paper import reel_labels_html

    spools = [book.labelled(Spool, each) for each in labels] or book.records(Spool, "emptied_on is null")
    return reel_labels_html(book, spools, head=head)
