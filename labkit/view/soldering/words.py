"""A soldering plan in words: the real parts, the wires by number, and the list that stands beside the drawing."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from labkit.rig.devices.fit import DeviceFit
from labkit.rig.devices.plan import SolderPlan
from labkit.view.soldering.shapes import said

CAUTION = (
    "Unplug the instrument first. Solder with fume extraction, mind the hot iron, and keep off mains amplifiers; local "
    "codes, data sheets and licensed practice come first. Lugs are seen from behind; devices are common practice, no "
    "source: hold a switch's contacts against a meter before soldering."
)


def switch_words(control: str, fit: DeviceFit) -> str:
    """Return a switch's device and the throws that it joins to their commons in each position."""
    if fit.device is None:
        return said(control)
    positions = []
    for index, position in enumerate(fit.order):
        throws = [throw for _, throw in fit.device.joined(index) if throw in fit.nodes]
        positions.append(f"{said(position)} {' '.join(throws) or 'none'}")
    return f"{said(control)}: {fit.device.name}. Joined to the common: {'; '.join(positions)}."


def plan_text(plan: SolderPlan) -> Iterator[str]:
    """Yield the lines of a plan: parts with what is printed on them, switches by position, and the numbered wires."""
    yield plan.harness.name
    yield ""
    yield "Parts"
    for part in plan.parts.values():
        printed = "" if part.kind == "switch" else ", ".join(part.words)
        yield f"  {said(part.name)}: {part.device.name}{f', {printed}' if printed else ''}"
    if plan.fits:
        yield ""
        yield "Switches"
        for control, fit in plan.fits.items():
            yield f"  {switch_words(control, fit)}"
    yield ""
    yield "Wires and legs, in the order of soldering"
    for number, wire in enumerate(plan.wires, start=1):
        yield f"  {number:2} {plan.wire_words(wire)}"


def linked_html(svg: str, plan: SolderPlan) -> str:
    """Return a drawing with the list of its wires: pointing at one, or reaching it by keyboard, shows it in both."""
    items = "".join(
        f'<li tabindex="0" data-step="{number}">{escape(plan.wire_words(wire))}</li>'
        for number, wire in enumerate(plan.wires, start=1)
    )
    rules = "".join(
        f'.lab-soldering:has([data-step="{number}"]:is(:hover,:focus)) [data-step="{number}"] .lab-run'
        "{stroke-width:5px}"
        f'.lab-soldering:has([data-step="{number}"]:is(:hover,:focus)) li[data-step="{number}"]'
        "{background:var(--well);text-decoration:underline}"
        for number in range(1, len(plan.wires) + 1)
    )
    return (
        f'<div class="lab-soldering"><style>{rules}</style><div class="lab-soldering-drawing">{svg}</div>'
        f'<ol class="lab-soldering-wires">{items}</ol><p class="lab-note">{escape(CAUTION)}</p></div>'
    )
