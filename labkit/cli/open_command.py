"""``labkit open``: the lab's pages in the browser."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from labkit.core.errors import InputError
from labkit.core.files import BOOK_VARIABLE

DEFAULT_PORT = 8866


@click.command("open")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=DEFAULT_PORT,
    show_default=True,
    help="Port on this machine; 0 takes a free one.",
)
@click.option("--no-browser", is_flag=True, help="Print the address only.")
@click.option("--debug", is_flag=True, help="Show tracebacks in the pages and the server's log here.")
@click.option("--share", is_flag=True, help="Open the lab to the room: other machines, with a token in the link.")
@click.option("--address", help="With --share: the address of this machine to be reached at.")
@click.option(
    "--most-pages",
    type=click.IntRange(1, 1000),
    help="With --share: pages open at once (12 by default); each needs 110 to 200 MB of memory.",
)
@click.option(
    "--most-pages-each",
    type=click.IntRange(1, 1000),
    help="With --share: of these, pages open at one visitor's address (4 by default).",
)
@click.option("--public-address", help="Address under which a hub in front of the lab serves it.")
@click.option(
    "book_file",
    "--book",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help=f"The workshop book of the pages; {BOOK_VARIABLE} names one too. Closed in a lab that others can reach.",
)
def open_lab(
    port: int,
    no_browser: bool,
    debug: bool,
    share: bool,
    address: str | None,
    most_pages: int | None,
    most_pages_each: int | None,
    public_address: str | None,
    book_file: Path | None,
) -> None:
    """Open the lab in the browser: on this machine only, unless it is shared."""
    if not share and (address, most_pages, most_pages_each) != (None, None, None):
        raise InputError(
            "--address, --most-pages and --most-pages-each belong to --share, which opens the lab to other machines"
        )
    if share and public_address is not None:
        raise InputError("--share and --public-address exclude each other: behind a hub, the hub decides who comes in")
    if book_file is not None:
        if share or public_address is not None:
            raise InputError(
                "--book is for a lab of this machine alone: a lab that others can reach keeps the book closed"
            )
        from labkit.book.store import open_book

        open_book(book_file).close()
        os.environ[BOOK_VARIABLE] = str(book_file.resolve())
    # the server takes a second to import: only here
    with _left_out("rfc3987_syntax"):
        from labkit.app.server.door import PAGES_IN_A_ROOM, PAGES_OF_ONE, Door, hub_door, room_door
        from labkit.app.server.server import serve

    door = Door()
    if share:
        door = room_door(
            address, most_pages=most_pages or PAGES_IN_A_ROOM, most_pages_each=most_pages_each or PAGES_OF_ONE
        )
    elif public_address is not None:
        door = hub_door(public_address)
    serve(port=port, open_browser=not no_browser, debug=debug, door=door)


@contextmanager
def _left_out(module: str) -> Iterator[None]:
    """Import other things without a module that they take along where it can be had.

    That of international addresses builds its grammar when it is imported, which takes longer than all the rest of
    the server; it would check values in event schemas, of which the lab has none.
    """
    if module in sys.modules:
        yield
        return
    sys.modules[module] = None  # type: ignore[assignment]  # how Python says that something cannot be imported
    try:
        yield
    finally:
        del sys.modules[module]


commands = [open_lab]
