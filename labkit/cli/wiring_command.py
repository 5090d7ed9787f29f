"""``labkit wiring``: a wiring as a technician builds it: real parts, what is soldered to what, and the drawing."""

from __future__ import annotations

from typing import Any

import click

from labkit.catalogue.named import find_sheet
from labkit.cli.options import Output, result_options
from labkit.core.errors import InputError, did_you_mean
from labkit.core.files import write_atomically
from labkit.rig.harness import Harness, read_harness
from labkit.rig.sheet import read_rig
from labkit.view.soldering.drawing import SolderDrawing, draw_soldering
from labkit.view.soldering.words import CAUTION, plan_text

_SUFFIX = ".svg"


@click.command()
@click.argument("wiring")
@result_options()
@click.option("--drawing", is_flag=True, help="The soldering drawing, SVG, in place of the list of wires.")
def wiring(wiring: str, out: Output, drawing: bool) -> None:
    """List the real parts of a WIRING and every wire between their lugs, or draw them.

    WIRING is a harness of the catalogue or the path of a harness sheet; of a rig, its harness is taken. For each switch
    the plainest real one that makes its joins is found, or the one that its sheet names. Numbers in the list and on the
    drawing are the same.
    """
    path = out.path
    if drawing and not out.as_json and path is not None and path.suffix.lower() != _SUFFIX:
        raise InputError(
            f"--output {path}: a soldering drawing is written as {_SUFFIX}; got the suffix '{path.suffix}'."
            f"{did_you_mean(path.suffix, [_SUFFIX])}"
        )
    drawn = draw_soldering(_harness(wiring))
    if drawing and not out.as_json and path is not None:
        write_atomically(path, drawn.to_svg().encode(), overwrite=out.force)
        return
    out.write(
        text=lambda: drawn.to_svg().rstrip() if drawing else "\n".join((*plan_text(drawn.plan), "", CAUTION)),
        data=lambda: _data(drawn),
    )


def _harness(name: str) -> Harness:
    sheet = find_sheet(name, "harness", "rig")
    return read_harness(sheet) if sheet.text("sheet") == "harness" else read_rig(sheet).harness


def _data(drawn: SolderDrawing) -> dict[str, Any]:
    plan = drawn.plan
    return {
        "name": plan.harness.name,
        "parts": [
            {
                "name": part.name,
                "device": part.device.name,
                "printed": list(part.words),
                "lugs": [{"lug": lug, "node": node} for lug, node in part.nodes.items()],
            }
            for part in plan.parts.values()
        ],
        "switches": [
            {
                "name": control,
                "device": part.device.name,
                "positions": [
                    {"position": position, "joined": [list(pair) for pair in part.device.joined(index)]}
                    for index, position in enumerate(fit.order)
                ],
            }
            for control, fit in plan.fits.items()
            for part in [plan.parts[control]]
        ],
        "wires": [
            {
                "number": number,
                "from": {"part": wire.one.part, "lug": wire.one.lug},
                "to": {"part": wire.other.part, "lug": wire.other.lug},
                "mark": wire.mark,
                "is_leg": wire.is_leg,
                "words": plan.wire_words(wire),
            }
            for number, wire in enumerate(plan.wires, start=1)
        ],
        "crossings": drawn.crossings,
        "svg": drawn.to_svg(),
    }


commands = [wiring]
