"""A soldering plan in words: the real parts, the wires by number, and the list that stands beside the drawing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from html import escape

from labkit.core.errors import join_words
from labkit.core.sourced import Interval
from labkit.rig.devices.faults import Cause, FaultFinder, Observation, ohms_words
from labkit.rig.devices.own_wiring import OwnWiring
from labkit.rig.devices.plan import SolderPlan
from labkit.rig.devices.steps import ToBuy, fault_table, knob_checks, position_checks, shopping_list, soldering_steps
from labkit.view.soldering.shapes import said

CAUTION = (
    "Unplug the instrument first. Solder with fume extraction, mind the hot iron, and keep off mains amplifiers; local "
    "codes, data sheets and licensed practice come first. Lugs are seen from behind; devices are common practice, no "
    "source: hold a switch's contacts against a meter before soldering."
)


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
        for fit in plan.fits.values():
            yield f"  {fit.words}"
    yield ""
    yield "Wires and legs, in the order of soldering"
    for number, wire in enumerate(plan.wires, start=1):
        yield f"  {number:2} {plan.wire_words(wire)}"


OWN_BASIS = (
    "Heard, phase, hum and level are those of these pickups, knobs as in a new rig, every pickup given the same EMF. A "
    "pickup that is turned round or stands in series needs its cover and screen on a wire of their own (common "
    "practice, no source). One switch is searched; a second one has to be written into the sheet."
)


def own_wiring_text(found: OwnWiring) -> Iterator[str]:
    """Yield the lines of a wiring that was made from words: its switch, what each position joins and does."""
    yield f"{found.harness.name}, made from {found.start}"
    yield ""
    yield found.fit.words
    for position, heard, phase, hum, level in found.rows():
        joins = "; ".join(f"{one} to {other}" for one, other in found.fit.joins(position))
        yield ""
        yield said(position)
        yield f"  heard: {heard}; {phase}; hum: {hum}; level at 400 Hz {level}"
        yield f"  the switch joins {joins or 'nothing'}"
    if found.fit.soldered:
        yield ""
        yield f"Joined for good: {'; '.join(f'{one} to {other}' for one, other in found.fit.soldered)}"
    yield ""
    pickups = ", ".join(f"{said(slot)} {pickup.name}" for slot, pickup in found.rig.pickups.items())
    yield f"Pickups it was tried with: {pickups}. {OWN_BASIS}"


CHECKS_BASIS = (
    "Ohms between the jack's tip and sleeve, nothing plugged in, coils at 20 °C; bounds hold 95 of 100 instruments "
    "whose parts keep their tolerance: coils ± 5 % (± 30 % where nobody stated them), resistors ± 5 %, the meter 1 %, "
    "half a turn of a knob ± 50 % (common practice, no source). Not modelled: resistance of contacts and wires, and "
    "what a meter shows of electronics."
)
FAULTS_BASIS = (
    "One fault at a time, each worked out in the model; which kinds are more frequent is common practice, no source. "
    "Not modelled: two faults together, a contact that comes and goes, hum from outside the wiring."
)


def to_buy_words(row: ToBuy) -> str:
    """Return a line of the shopping list."""
    return f"{row.count} × {row.what}{f', {row.value}' if row.value else ''} ({row.use})"


def interval_words(ohms: Interval | None) -> str:
    """Return a reading with its bounds, or that it is open, a beep, or not modelled."""
    if ohms is None:
        return "not modelled"
    value, low, high = (ohms_words(each) for each in (ohms.value, ohms.low, ohms.high))
    return value if value in ("open", "0 Ω") else f"{value} ({low} to {high})"


def pickups_words(finder: FaultFinder, stated: Mapping[str, float] | None) -> str:
    """Return which DC resistances are taken for the pickups.

    Parameters
    ----------
    finder : FaultFinder
    stated : mapping of str to float or None
        Slots whose resistance was given; None where the pickups are the rig's own.
    """
    words = [f"{said(slot)} {ohms_words(pickup_ohms(finder, slot))}" for slot in finder.rig.pickups]
    own = "of the rig" if stated is None else "as given" if set(stated) >= set(finder.rig.pickups) else "taken for them"
    return f"DC resistance of the pickups, {own}: {', '.join(words)}."


def pickup_ohms(finder: FaultFinder, slot: str) -> float:
    """Return the DC resistance of a pickup between its leads, Ω."""
    pickup = finder.rig.pickups[slot]
    each = [coil.resistance for coil in pickup.coils.values()]
    return sum(each) if pickup.connection == "series" else 1 / sum(1 / ohms for ohms in each)


def steps_text(plan: SolderPlan) -> Iterator[str]:
    """Yield the shopping list and the numbered steps of a plan."""
    yield plan.harness.name
    yield ""
    yield "To buy"
    for row in shopping_list(plan):
        yield f"  {to_buy_words(row)}"
    yield ""
    yield "Steps (wires by their number on the drawing)"
    for number, step in enumerate(soldering_steps(plan), start=1):
        yield f"  {number:2} [{', '.join(map(str, step.wires))}] {step}"


CHECKS_HEAD = ("Position", "Tip beeps with", "Sleeve beeps with", "At the jack", "Heard", "Hum")


def check_rows(finder: FaultFinder) -> list[tuple[str, ...]]:
    """Return what must show before the strings go on, a row a position, under `CHECKS_HEAD`."""
    return [
        (
            check.place,
            ", ".join(check.tip) or "no lead",
            ", ".join(check.sleeve) or "no lead",
            interval_words(check.ohms),
            f"{check.heard}; {check.phase}",
            check.hum,
        )
        for check in position_checks(finder)
    ]


def sleeve_words(finder: FaultFinder) -> str:
    """Return what must beep at the jack's sleeve in every position."""
    return (
        f"The jack's sleeve beeps with {', '.join(finder.grounds)}; its tip does not beep with the sleeve, unless a "
        "volume is at 0."
    )


def checks_text(finder: FaultFinder, stated: Mapping[str, float] | None) -> Iterator[str]:
    """Yield what must show before the strings go on: beeps, ohms, phase and hum by position, and the fault table."""
    yield finder.plan.harness.name
    yield ""
    yield pickups_words(finder, stated)
    yield ""
    yield sleeve_words(finder)
    for place, tip, sleeve, ohms, heard, hum in check_rows(finder):
        yield ""
        yield place
        yield f"  tip beeps with {tip}"
        yield f"  sleeve beeps with {sleeve}"
        yield f"  at the jack {ohms}"
        yield f"  heard: {heard}; hum: {hum}"
    turned = knob_checks(finder)
    if turned:
        yield ""
        yield "Knobs"
        yield from (f"  {place}: {ohms}" for place, ohms in turned)
    yield ""
    yield "When one wire is missing"
    for row in fault_table(finder):
        yield f"  {row.complaint}: {row.shows}: {wire_numbers(row.wires)}"
    yield ""
    yield CHECKS_BASIS


def wire_numbers(wires: Sequence[int]) -> str:
    """Return numbers of wires, any one of which is meant."""
    return f"wire{'s' if len(wires) > 1 else ''} {either_of(wires)}"


def either_of(numbers: Sequence[int]) -> str:
    """Return numbers any one of which is meant, runs of three and more by their ends.

    >>> either_of((2, 3, 4, 7, 9))
    '2 to 4, 7 or 9'
    """
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    words = [word for run in runs for word in ([f"{run[0]} to {run[-1]}"] if len(run) > 2 else map(str, run))]
    return join_words(words, "or")


MOST_CAUSES = 3
MOST_FAULTS = 6


def said_causes(
    finder: FaultFinder, observations: Sequence[Observation]
) -> tuple[list[tuple[str, list[str]]], list[str], str]:
    """Return the first causes of what was read with their faults and checks, what to read next, and the basis."""
    causes = finder.causes(observations)
    first = [cause for cause in causes[:MOST_CAUSES] if cause.share >= 0.01 or cause is causes[0]]
    found = []
    for cause in first:
        faults = [f"{fault.words}: {fault.check}" for fault in cause.faults[:MOST_FAULTS]]
        if len(cause.faults) > MOST_FAULTS:
            faults.append(f"and {len(cause.faults) - MOST_FAULTS} more that show the same")
        found.append((cause_words(finder, cause), faults))
    place = finder.next_place(first, observations)
    following = [] if place is None else [f"Read next: {finder.place_words(place)}"]
    for number, cause in enumerate(first, start=1):
        reading = None if place is None else cause.signature.readings[place]
        if reading is not None:
            following.append(f"{ohms_words(reading.ohms)} speaks for {number}")
    return found, following, FAULTS_BASIS


def causes_text(finder: FaultFinder, observations: Sequence[Observation]) -> Iterator[str]:
    """Yield the first causes of what was read, each with the check that settles it, and what to read next."""
    causes, following, basis = said_causes(finder, observations)
    for number, (words, faults) in enumerate(causes, start=1):
        yield f"{number}  {words}"
        yield from (f"     {fault}" for fault in faults)
    if following:
        yield ""
        yield following[0]
        yield from (f"  {line}" for line in following[1:])
    yield ""
    yield basis


def cause_words(finder: FaultFinder, cause: Cause) -> str:
    """Return what a cause shows, and how likely it is among the others."""
    share = f"{100 * cause.share:.0f} %" if cause.share >= 0.01 else "below 1 %"
    if not cause.faults:
        return f"{share}: the wiring is whole, or the fault does not show at the jack"
    return f"{share}: {finder.shows(cause.signature)}"


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
