"""``labkit site``: the lab's pages as a folder of files for any web space."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--runtime",
    type=click.Path(path_type=Path),
    required=True,
    help="Folder of the browser's Python: pyodide-lock.json with the files it names.",
)
@click.option("--force", is_flag=True, help="Write into a folder that has files already.")
def site(folder: Path, runtime: Path, force: bool) -> None:
    """Write the pages as files that need no server program: start, rig, cable, pots, wiring, winding, blind test.

    They work the curve and the sound out in the visitor's browser, ask no other host for anything, and open without a
    network after the first visit. Try the folder with `python -m http.server`; a web space has to serve it by https.
    """
    # pages and their libraries take a second to import: only here
    from labkit.app.site.runtime import read_runtime
    from labkit.app.site.site import write_site

    size = write_site(folder, read_runtime(runtime), overwrite=force)
    click.echo(f"{folder}: {size / 1e6:.1f} MB, of them the browser's Python; open index.html from a web server")


commands = [site]
