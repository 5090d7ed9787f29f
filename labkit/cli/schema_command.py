"""``labkit schema``: the JSON Schema of a kind of sheet, with which editors complete and check it."""

from __future__ import annotations

import click

from labkit.cli.options import Output, result_options
from labkit.cli.sheet_schemas import sheet_schema
from labkit.core.files import as_json_text


@click.command()
@click.argument("kind")
@result_options(json=False)
def schema(kind: str, out: Output) -> None:
    """Print the JSON Schema of a KIND of sheet, made from the keys that its reader declares.

    KIND is rig, harness, pickup, readings, take, goal, a stage of the chain such as cable, input or "valve input", or a
    kind of the catalogue's materials and parts, such as wire or magnet.

    An editor of TOML that knows JSON Schema completes keys with it, and marks what cannot be read. What a schema cannot
    say is left to the reader: units of quantities, limits, names of the catalogue.
    """
    out.emit(as_json_text(sheet_schema(kind)))
