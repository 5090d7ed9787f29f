"""``labkit open``: the lab's pages in the browser."""

from __future__ import annotations

import click

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
def open_lab(port: int, no_browser: bool, debug: bool) -> None:
    """Open the lab in the browser, on this machine only."""
    from labkit.app.server import serve  # the server takes a second to import: only here

    serve(port=port, open_browser=not no_browser, debug=debug)


commands = [open_lab]
