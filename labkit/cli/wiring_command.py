"""``labkit wiring``: a wiring as a technician builds it: real parts, what is soldered to what, and the drawing."""

from __future__ import annotations

import math
from typing import Any

import click

from labkit.catalogue.named import find_sheet
from labkit.cli.options import Output, result_options
from labkit.core.errors import InputError, did_you_mean, join_words
from labkit.core.files import write_atomically
from labkit.core.sheet import sheet_text
from labkit.core.sourced import Interval
from labkit.core.units import name_and_value, parse_quantity
from labkit.rig.devices.faults import UNSTATED_TOLERANCE, FaultFinder, Observation
from labkit.rig.devices.meter import with_resistances
from labkit.rig.devices.own_wiring import SWITCH, OwnWiring, own_wiring, read_wish
from labkit.rig.devices.plan import SolderPlan
from labkit.rig.devices.steps import fault_table, knob_checks, position_checks, shopping_list, soldering_steps
from labkit.rig.harness import Harness, harness_data, read_harness
from labkit.rig.parts.parts import SWITCH_STYLES, Switch
from labkit.rig.rewiring import demo_rig
from labkit.rig.rig import Rig
from labkit.rig.sheet import read_rig, rig_data
from labkit.view.soldering.drawing import SolderDrawing, draw_soldering
from labkit.view.soldering.words import (
    CAUTION,
    MOST_CAUSES,
    causes_text,
    checks_text,
    own_wiring_text,
    pickups_words,
    plan_text,
    steps_text,
)

_SUFFIX = ".svg"


@click.command()
@click.argument("wiring")
@result_options()
@click.option("--drawing", is_flag=True, help="The soldering drawing, SVG, in place of the list of wires.")
@click.option("--steps", is_flag=True, help="Shopping list and numbered steps in place of the list of wires.")
@click.option(
    "--checks", is_flag=True, help="What beeps and the ohms at the jack in every position, and a table of faults."
)
@click.option(
    "--paper",
    is_flag=True,
    help="Printable page (HTML): drawing, shopping list, steps, checks, faults; two pages A4, more for many positions.",
)
@click.option(
    "--fault",
    "seen",
    multiple=True,
    metavar="'PLACE: READING'",
    help="What the meter shows at the jack or what is heard, such as 'neck: open', 'both: 2.9k', 'bridge: silent' or "
    "'tone: does nothing'; names the likeliest faults. Repeatable.",
)
@click.option(
    "--pickup",
    "resistances",
    multiple=True,
    metavar="SLOT=OHMS",
    help="DC resistance of a pickup at its leads, for --checks, --paper and --fault. Repeatable.",
)
def wiring(
    wiring: str,
    out: Output,
    drawing: bool,
    steps: bool,
    checks: bool,
    paper: bool,
    seen: tuple[str, ...],
    resistances: tuple[str, ...],
) -> None:
    """List the real parts of a WIRING and every wire between their lugs; draw, solder and check it, or find its fault.

    WIRING is a harness of the catalogue or the path of a harness sheet; of a rig, its harness is taken. For each switch
    the plainest real one that makes its joins is found, or the one that its sheet names. Numbers in the list and on the
    drawing are the same.
    """
    path = out.path
    asked = {"--drawing": drawing, "--steps": steps, "--checks": checks, "--paper": paper, "--fault": bool(seen)}
    given = [name for name, is_given in asked.items() if is_given]
    if len(given) > 1:
        raise InputError(f"{join_words(given)} ask for different things; give one of them")
    if resistances and not (checks or paper or seen):
        raise InputError("--pickup says what is wired for --checks, --paper or --fault; give one of them as well")
    if paper and out.as_json:
        raise InputError("--paper is a printed page; for --json ask for --steps or --checks")
    if drawing and not out.as_json and path is not None and path.suffix.lower() != _SUFFIX:
        raise InputError(
            f"--output {path}: a soldering drawing is written as {_SUFFIX}; got the suffix '{path.suffix}'."
            f"{did_you_mean(path.suffix, [_SUFFIX])}"
        )
    harness, rig = _wired(wiring)
    drawn = draw_soldering(harness)
    if drawing and not out.as_json and path is not None:
        write_atomically(path, drawn.to_svg().encode(), overwrite=out.force)
        return
    if paper:
        from labkit.report.wiring_paper import wiring_paper_html

        finder, stated = _finder(drawn.plan, rig, resistances)
        out.emit(wiring_paper_html(drawn, finder, stated))
        return
    if checks or seen:
        finder, stated = _finder(drawn.plan, rig, resistances)
        if seen:
            found = [finder.observation(text) for text in seen]
            out.write(
                text=lambda: "\n".join((pickups_words(finder, stated), "", *causes_text(finder, found), "", CAUTION)),
                data=lambda: _causes_data(finder, found),
            )
            return
        out.write(
            text=lambda: "\n".join((*checks_text(finder, stated), "", CAUTION)), data=lambda: _checks_data(finder)
        )
        return
    if steps:
        out.write(text=lambda: "\n".join((*steps_text(drawn.plan), "", CAUTION)), data=lambda: _steps_data(drawn.plan))
        return
    out.write(
        text=lambda: drawn.to_svg().rstrip() if drawing else "\n".join((*plan_text(drawn.plan), "", CAUTION)),
        data=lambda: _data(drawn),
    )


def _wired(name: str) -> tuple[Harness, Rig | None]:
    """The harness of a sheet, and its rig where the sheet is one."""
    sheet = find_sheet(name, "harness", "rig")
    if sheet.text("sheet") == "harness":
        return read_harness(sheet), None
    rig = read_rig(sheet)
    return rig.harness, rig


def _finder(
    plan: SolderPlan, rig: Rig | None, resistances: tuple[str, ...]
) -> tuple[FaultFinder, dict[str, float] | None]:
    """What finds faults, with the pickups' resistances that were given; None where they are the rig's own."""
    ohms = {}
    for text in resistances:
        slot, value = name_and_value(text, "--pickup takes SLOT=OHMS, such as neck=7.8k")
        ohms[slot] = parse_quantity(value, "Ω")
    wired = with_resistances(rig or demo_rig(plan.harness), ohms)
    stated = None if rig is not None else ohms
    unknown = () if rig is not None else (slot for slot in wired.pickups if slot not in ohms)
    return FaultFinder(plan, wired, coils=dict.fromkeys(unknown, UNSTATED_TOLERANCE)), stated


def _steps_data(plan: SolderPlan) -> dict[str, Any]:
    return {
        "name": plan.harness.name,
        "to_buy": [
            {"count": row.count, "what": row.what, "value": row.value, "use": row.use} for row in shopping_list(plan)
        ],
        "steps": [
            {"wires": list(step.wires), "words": step.words, "solder": list(step.solder)}
            for step in soldering_steps(plan)
        ],
    }


def _checks_data(finder: FaultFinder) -> dict[str, Any]:
    return {
        "name": finder.plan.harness.name,
        "positions": [
            {
                "position": check.place,
                "tip_beeps_with": list(check.tip),
                "sleeve_beeps_with": list(check.sleeve),
                "reading_ohm": _bounds(check.ohms),
                "heard": check.heard,
                "phase": check.phase,
                "hum": check.hum,
            }
            for check in position_checks(finder)
        ],
        "knobs": [{"place": place, "words": words} for place, words in knob_checks(finder)],
        "grounds": list(finder.grounds),
        "missing_wires": [
            {"complaint": row.complaint, "shows": row.shows, "wires": list(row.wires)} for row in fault_table(finder)
        ],
    }


def _bounds(ohms: Interval | None) -> dict[str, float | None] | None:
    """A reading with its bounds, Ω; null where it is not modelled, its value null where the line is open."""
    if ohms is None:
        return None
    return {
        name: value if math.isfinite(value) else None
        for name, value in (("value", ohms.value), ("low", ohms.low), ("high", ohms.high))
    }


def _causes_data(finder: FaultFinder, seen: list[Observation]) -> dict[str, Any]:
    causes = finder.causes(seen)
    return {
        "name": finder.plan.harness.name,
        "causes": [
            {
                "share": cause.share,
                "shows": finder.shows(cause.signature),
                "faults": [
                    {"kind": fault.kind, "words": fault.words, "check": fault.check, "wires": list(fault.wires)}
                    for fault in cause.faults
                ],
            }
            for cause in causes[:MOST_CAUSES]
        ],
        "read_next": finder.next_place(causes, seen),
    }


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


@click.command(name="own-wiring")
@click.argument("wishes", nargs=-1, required=True, metavar="'POSITION: PICKUPS' ...")
@result_options()
@click.option(
    "--start", metavar="WIRING", help="What it is made from: a wiring, or a rig, whose pickups are then wired as well."
)
@click.option("--style", type=click.Choice(SWITCH_STYLES), help="Of the switch; the plainest one where left out.")
@click.option("--name", default="own wiring", show_default=True, help="Of the new wiring.")
@click.option("--sheet", is_flag=True, help="The harness sheet, which every command takes where it takes a wiring.")
@click.option("--rig", "as_rig", is_flag=True, help="The rig sheet: the wiring with the pickups it was tried with.")
@click.option("--schematic", is_flag=True, help="The circuit, SVG.")
@click.option("--drawing", is_flag=True, help="The soldering drawing, SVG.")
def own_wiring_command(
    wishes: tuple[str, ...],
    out: Output,
    start: str | None,
    style: str | None,
    name: str,
    sheet: bool,
    as_rig: bool,
    schematic: bool,
    drawing: bool,
) -> None:
    """Find the switch and the joins for a wiring said in words, position by position, such as 'both: neck + bridge'.

    After the pickups stands how they are joined: 'in series', 'out of phase', 'hum cancels'; after a pickup what its
    coils do: 'split', 'first coil', 'coils in parallel'; 'off' is silent. It starts from the nearest wiring of the
    catalogue, keeps its pots and capacitors, tries each position with the pickups, and puts the plainest real switch
    in that makes the joins. One switch is searched; a second one, such as a push-pull that splits coils, is written
    into the --sheet, and its real switch is found then.
    """
    asked = {"--sheet": sheet, "--rig": as_rig, "--schematic": schematic, "--drawing": drawing, "--json": out.as_json}
    given = [option for option, is_given in asked.items() if is_given]
    if len(given) > 1:
        raise InputError(f"{join_words(given)} ask for different things; give one of them")
    harness, rig = (None, None) if start is None else _wired(start)
    slots = harness.slots if harness is not None and len(harness.slots) > 1 else None
    found = own_wiring([read_wish(text, slots) for text in wishes], harness, rig=rig, style=style, name=name)
    if sheet or as_rig:
        kind, data = ("harness", harness_data(found.harness)) if sheet else ("rig", rig_data(found.rig))
        out.emit(sheet_text(kind, data).rstrip())
    elif schematic:
        from labkit.view.schematic import draw, to_svg
        from labkit.view.schematic.from_rig import drawing_of

        out.emit(to_svg(draw(drawing_of(found.rig))).rstrip())
    elif drawing:
        out.emit(draw_soldering(found.harness).to_svg().rstrip())
    else:
        out.write(text=lambda: "\n".join((*own_wiring_text(found), "", CAUTION)), data=lambda: _own_data(found))


def _own_data(found: OwnWiring) -> dict[str, Any]:
    part = found.harness.parts[SWITCH]
    return {
        "name": found.harness.name,
        "start": found.start,
        "device": part.device if isinstance(part, Switch) else None,
        "positions": [
            {
                "position": position,
                "joined": [list(pair) for pair in found.fit.joins(position)],
                "heard": heard,
                "phase": phase,
                "hum": hum,
                "level": level,
            }
            for position, heard, phase, hum, level in found.rows()
        ],
        "soldered": [list(pair) for pair in found.fit.soldered],
        "sheet": sheet_text("harness", harness_data(found.harness)),
    }


commands = [wiring, own_wiring_command]
