"""``labkit schematic``: the circuit of a rig at its settings as a drawing."""

from __future__ import annotations

import click

from labkit.cli.options import Output, result_options, rig_argument
from labkit.core.errors import InputError, did_you_mean
from labkit.core.files import write_atomically
from labkit.rig.rig import Rig
from labkit.view.schematic import draw, to_svg
from labkit.view.schematic.from_rig import drawing_of

_SUFFIXES = (".svg", ".png")


@click.command()
@result_options()
@rig_argument
def schematic(rig: Rig, out: Output) -> None:
    """Draw the circuit of the rig SHEET at its settings, with values.

    SHEET is the path of a rig sheet or the name of a rig in the catalogue. Prints SVG, or writes SVG or PNG to the
    file of --output by its suffix. --json gives the drawing with its description in words.
    """
    picture = None if out.as_json else out.path
    if picture is not None and picture.suffix.lower() not in _SUFFIXES:
        raise InputError(
            f"--output {picture}: a schematic is written as .svg or .png; got the suffix '{picture.suffix}'."
            f"{did_you_mean(picture.suffix, _SUFFIXES)}"
        )
    drawing = draw(drawing_of(rig))
    if picture is not None and picture.suffix.lower() == ".png":
        from labkit.view.schematic.png import to_png

        write_atomically(picture, to_png(drawing), overwrite=out.force)
        return
    out.write(
        text=lambda: to_svg(drawing).rstrip(),
        data=lambda: {"name": drawing.name, "description": drawing.description, "svg": to_svg(drawing)},
    )


commands = [schematic]
