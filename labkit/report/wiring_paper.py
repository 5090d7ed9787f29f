"""The technician's paper of a wiring: drawing and shopping list on one page; steps, checks and faults on the next."""

from __future__ import annotations

from collections.abc import Mapping

from labkit.report.paper_page import (
    AMPLIFIER,
    DEFER,
    PLUG,
    TO_FILL_IN,
    PaperHead,
    bullets,
    figure,
    grid,
    page,
    remark,
    signature,
    text,
    titled,
)
from labkit.rig.devices.faults import FaultFinder
from labkit.rig.devices.steps import fault_table, knob_checks, shopping_list, soldering_steps
from labkit.view.soldering.drawing import SolderDrawing
from labkit.view.soldering.words import CHECKS_BASIS, CHECKS_HEAD, check_rows, either_of, pickups_words, sleeve_words

WIRING_CAUTIONS = (
    "Unplug the instrument and take the strings off. Solder with fume extraction, a stand for the hot iron and "
    "glasses; wash hands after leaded solder; never solder on a magnet.",
    AMPLIFIER,
    PLUG,
    DEFER,
)
"""Every caution is common practice, no source."""
DEVICES = (
    "Lugs are seen from behind. Devices are common practice, no source: hold a switch's contacts against a meter "
    "before soldering."
)


def wiring_paper_html(
    drawing: SolderDrawing,
    finder: FaultFinder,
    stated: Mapping[str, float] | None = None,
    *,
    head: PaperHead = TO_FILL_IN,
) -> str:
    """Return the paper of a wiring.

    Parameters
    ----------
    drawing : SolderDrawing
    finder : FaultFinder
        Of the drawing's plan, with the pickups that are wired.
    stated : mapping of str to float, Ω, or None
        DC resistances that were given, by slot; None where the pickups are a rig's own.
    head : PaperHead
    """
    plan = drawing.plan
    to_buy = [(str(row.count), row.what, row.value, row.use) for row in shopping_list(plan)]
    steps = "".join(
        f"<li>{text('[' + ', '.join(map(str, step.wires)) + '] ' + str(step))}</li>" for step in soldering_steps(plan)
    )
    knobs = "; ".join(f"{place}: {ohms}" for place, ohms in knob_checks(finder))
    faults = [(row.complaint, row.shows, either_of(row.wires)) for row in fault_table(finder)]
    body = [
        figure(drawing.to_svg(), f"Numbers are wires and legs in the order of soldering. {DEVICES}"),
        titled("To buy", grid(("", "Part", "Value", "For"), to_buy)),
        bullets("Cautions", WIRING_CAUTIONS),
        titled("Steps: numbers in brackets are the wires of the drawing", f'<ol class="steps">{steps}</ol>'),
        titled(
            "Checks before the strings go on, knobs at 10",
            grid(CHECKS_HEAD, check_rows(finder)),
        ),
        remark(
            f"{sleeve_words(finder)} {f'Knobs: {knobs}. ' if knobs else ''}"
            f"{pickups_words(finder, stated)} {CHECKS_BASIS}"
        ),
        titled("When one wire is missing", grid(("Complaint", "What shows", "Wire"), faults)),
        signature(("Wired by", "Checked by", "Date")),
    ]
    return page(f"Wiring: {plan.harness.name}", head, (_STYLE, *body), is_dense=True)


_STYLE = (
    "<style>ol.steps { columns: 2; column-gap: 6mm; margin: 0; padding-left: 6mm; font-size: 7.5pt; }"
    ".dense figure { margin: 0 0 1mm; } .dense td:first-child { min-width: 0; }"
    ".dense table { font-size: 7.5pt; line-height: 1.12; } .dense th, .dense td { padding: 0.2mm 2mm 0.2mm 0; }</style>"
)
