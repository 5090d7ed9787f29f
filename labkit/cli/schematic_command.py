"""``labkit schematic``: the circuit of a rig at its settings as a drawing."""

from __future__ import annotations

from pathlib import Path

import click

from labkit.cli.options import emit, json_option, output_options, rig_with, set_option, sheet_argument
from labkit.core.errors import InputError, did_you_mean
from labkit.core.files import as_json_text, write_atomically
from labkit.view.schematic import draw, to_svg
from labkit.view.schematic.from_rig import drawing_of

_SUFFIXES = (".svg", ".png")


@click.command()
@sheet_argument
@json_option
@output_options
@set_option
def schematic(sheet: str, as_json: bool, output: Path | None, force: bool, changes: tuple[str, ...]) -> None:
    """Draw the circuit of the rig SHEET at its settings, with values.

    SHEET is the path of a rig sheet or the name of a rig in the catalogue. Prints SVG, or writes SVG or PNG to the
    file of --output by its suffix. --json gives the drawing with its description in words.
    """
    if output is not None and not as_json and output.suffix.lower() not in _SUFFIXES:
        raise InputError(
            f"--output {output}: a schematic is written as .svg or .png; got the suffix '{output.suffix}'."
            f"{did_you_mean(output.suffix, _SUFFIXES)}"
        )
    drawing = draw(drawing_of(rig_with(sheet, changes)))
    if as_json:
        data = {"name": drawing.name, "description": drawing.description, "svg": to_svg(drawing)}
        emit(as_json_text(data), output, force)
    elif output is not None and output.suffix.lower() == ".png":
        from labkit.view.schematic.png import to_png

        write_atomically(output, to_png(drawing), overwrite=force)
    else:
        emit(to_svg(drawing).rstrip(), output, force)


commands = [schematic]
