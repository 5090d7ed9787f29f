"""``labkit schema``: the JSON Schema of a kind of sheet, with which editors complete and check it."""

from __future__ import annotations

import click

from labkit.cli.options import Output, result_options
from labkit.cli.sheet_schemas import output_schema, sheet_schema
from labkit.core.errors import InputError
from labkit.core.files import as_json_text


@click.command()
@click.argument("kind", required=False)
@click.option("--output-of", metavar="COMMAND", help="The schema of what a command prints with --json, instead.")
@result_options(json=False)
def schema(kind: str | None, output_of: str | None, out: Output) -> None:
    """Print the JSON Schema of a KIND of sheet, made from the keys that its reader declares.

    KIND is rig, harness, pickup, readings, take, goal, a stage of the chain such as cable, input or "valve input", or a
    kind of the catalogue's materials and parts, such as wire or magnet.

    An editor of TOML that knows JSON Schema completes keys with it, and marks what cannot be read. What a schema cannot
    say is left to the reader: units of quantities, limits, names of the catalogue.

    COMMAND is a heading of the reference of JSON keys, such as response, "book stock" or "fit --coil"; its schema was
    made from runs of the command, and holds what all of them gave.
    """
    if (kind is None) == (output_of is None):
        raise InputError("give a KIND of sheet, such as rig, or --output-of COMMAND, such as --output-of response")
    out.emit(as_json_text(sheet_schema(kind) if kind is not None else output_schema(str(output_of))))
