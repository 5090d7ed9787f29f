"""What is bought, soldered and checked for a plan: shopping list, numbered steps, and the checks of every position."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from labkit.core.errors import join_words
from labkit.core.joined import Joined
from labkit.core.sourced import Interval
from labkit.core.units import format_quantity
from labkit.rig.devices.faults import FaultFinder, Signature
from labkit.rig.devices.meter import RESISTOR_TOLERANCE, SHORT_OHM
from labkit.rig.devices.plan import CAN, Lug, PlanPart, SolderPlan
from labkit.rig.hum import position_row
from labkit.rig.parts.parts import FixedCapacitor, FixedInductor, FixedResistor, Position, Pot


@dataclass(frozen=True, slots=True, kw_only=True)
class ToBuy:
    """A line of the shopping list.

    Attributes
    ----------
    count : int
    what : str
        The device as it is ordered.
    value : str
        Value and law with their tolerance; empty where there is none.
    use : str
        Which part of the wiring it becomes.
    """

    count: int
    what: str
    value: str
    use: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to do with the iron.

    Attributes
    ----------
    wires : tuple of int
        Numbers of the plan's wires, counted from 1; both legs of a small part together.
    words : str
    solder : tuple of str
        Lugs that have all their wires now and are soldered; wires on others are only hooked in.
    """

    wires: tuple[int, ...]
    words: str
    solder: tuple[str, ...]

    def __str__(self) -> str:
        """Return the step as a sentence."""
        return f"{self.words}; " + (
            f"solder {join_words(list(self.solder))}" if self.solder else "hook in, more to come"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionCheck:
    """What must show in one position of the switches, knobs as in a new rig.

    Attributes
    ----------
    place : str
    tip, sleeve : tuple of str
        Leads that must beep with the jack's tip, and with its sleeve.
    ohms : Interval or None
        Between tip and sleeve, Ω; None where it is not modelled, infinite where open.
    heard, phase, hum : str
        In words.
    """

    place: str
    tip: tuple[str, ...]
    sleeve: tuple[str, ...]
    ohms: Interval | None
    heard: str
    phase: str
    hum: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRow:
    """What shows where one of some wires is missing.

    Attributes
    ----------
    complaint : "no sound", "hum", "backwards", "another sound", "a knob", "a ground" or "nothing"
    shows : str
        What the meter shows and what is heard, where it differs from a whole wiring.
    wires : tuple of int
        Any one of these is missing.
    """

    complaint: str
    shows: str
    wires: tuple[int, ...]


def shopping_list(plan: SolderPlan) -> tuple[ToBuy, ...]:
    """Return what is bought for a plan, equal parts together; pickups and wire come last."""
    rows: dict[tuple[str, str], list[str]] = {}
    for part in plan.parts.values():
        if part.kind not in ("pickup", "bridge", "screened lead"):
            rows.setdefault((part.device.name, _value(plan, part)), []).append(part.name.replace("_", " "))
    found = [
        ToBuy(count=len(names), what=what, value=value, use=join_words(names)) for (what, value), names in rows.items()
    ]
    for part in plan.parts.values():
        if part.kind == "pickup":
            leads = join_words(list(part.nodes))
            found.append(ToBuy(count=1, what="pickup", value=f"leads: {leads}", use=part.name.replace("_", " ")))
    screened = sum(part.kind == "screened lead" for part in plan.parts.values())
    if screened:
        found.append(ToBuy(count=screened, what="screened lead", value="", use="as drawn"))
    own = sum(not wire.is_leg and "lead" not in _ends(plan, wire.one, wire.other) for wire in plan.wires)
    if own:
        found.append(ToBuy(count=own, what="piece of hook-up wire", value="", use="links and wires, cut to length"))
    return tuple(found)


def _ends(plan: SolderPlan, *lugs: Lug) -> set[str]:
    return {plan.parts[lug.part].device.lug_is for lug in lugs}


def _value(plan: SolderPlan, part: PlanPart) -> str:
    words = [] if part.kind == "switch" else list(part.words)
    pots = [other.name.replace("_", " ") for other in plan.parts.values() if other.kind == "pot"]
    if part.device.style == "push-pull" and pots:
        words.append(f"on the shaft of a pot, such as {pots[-1]}: order both as one")
    for name in part.terminals:
        original = plan.harness.parts[name]
        if isinstance(original, Pot | FixedCapacitor):
            words.append(f"± {100 * original.tolerance:g} %")
        elif isinstance(original, FixedResistor):
            words.append(f"± {100 * RESISTOR_TOLERANCE:g} %")
        elif isinstance(original, FixedInductor) and original.resistance:
            words.append(f"winding {format_quantity(original.resistance, 'Ω')}")
        if isinstance(original, FixedCapacitor) and original.dielectric:
            words.append(original.dielectric)
    return ", ".join(dict.fromkeys(words))


def soldering_steps(plan: SolderPlan) -> tuple[Step, ...]:
    """Return the wires of a plan as steps: both legs of a part in one, and which lugs are full with it.

    >>> from labkit.catalogue import catalogue
    >>> from labkit.rig.devices.plan import solder_plan
    >>> for step in soldering_steps(solder_plan(catalogue().load("harness", "one volume, one tone")))[:2]:
    ...     print(step)
    link from volume lug 1 to the back of the volume pot; solder volume lug 1 and the back of the volume pot
    tone capacitor: legs to tone lug 2 and the back of the tone pot; solder tone lug 2 and the back of the tone pot
    """
    left = Counter(lug for wire in plan.wires for lug in (wire.one, wire.other))
    found = []
    numbered = list(enumerate(plan.wires, start=1))

    def part_of(entry: tuple[int, object]) -> str:
        wire = plan.wires[entry[0] - 1]
        legs = [lug.part for lug in (wire.one, wire.other) if plan.parts[lug.part].device.lug_is == "leg"]
        return legs[0] if legs else f"wire {entry[0]}"

    for name, group in itertools.groupby(numbered, key=part_of):
        entries = list(group)
        solder: dict[str, None] = {}
        ends = [lug for _, wire in entries for lug in (wire.one, wire.other)]
        left.subtract(ends)
        for lug in ends:
            is_lug = plan.parts[lug.part].device.lug_is == "lug"
            if is_lug and (left[lug] == 0 or lug.lug == CAN):
                solder[plan.lug_words(lug)] = None
        if len(entries) > 1:
            to = [plan.lug_words(lug) for lug in ends if lug.part != name]
            words = f"{name.replace('_', ' ')}: legs to {join_words(to)}"
        else:
            words = plan.wire_words(entries[0][1])
        found.append(Step(wires=tuple(number for number, _ in entries), words=words, solder=tuple(solder)))
    return tuple(found)


# ---------------------------------------------------------------------------------------------------------- the checks


def position_checks(finder: FaultFinder) -> tuple[PositionCheck, ...]:
    """Return what a meter and the ear must find in every position of the switches."""
    rows = []
    for place, settings in finder.positions.items():
        tip, sleeve = _beeping(finder, settings)
        reading = finder.whole.readings[place]
        heard, phase, hum, _ = position_row(finder.rig.replace(settings=settings))
        ohms = None if reading is None else finder.interval(place, reading)
        rows.append(
            PositionCheck(
                place=finder.place_words(place), tip=tip, sleeve=sleeve, ohms=ohms, heard=heard, phase=phase, hum=hum
            )
        )
    return tuple(rows)


def knob_checks(finder: FaultFinder) -> tuple[tuple[str, str], ...]:
    """Return places with a knob turned and the ohms at the jack there, in words."""
    turned = [place for place in finder.places if place not in finder.positions]
    return tuple((finder.place_words(place), finder.reading_words(place)) for place in turned)


def _beeping(finder: FaultFinder, settings: Mapping[str, Position]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Leads of pickups that beep with the jack's tip, and with its sleeve."""
    plan = finder.plan
    pairs = [(wire.one, wire.other) for wire in plan.wires] + list(plan.strands)
    for control, fit in plan.fits.items():
        device = plan.parts[control].device
        at = fit.order.index(str(settings[control]))
        pairs += [(Lug(control, one), Lug(control, other)) for one, other in device.joined(at)]
    for part in plan.parts.values():
        for name, lugs in part.terminals.items():
            pot = plan.harness.parts[name]
            if isinstance(pot, Pot):
                legs = pot.legs(settings.get(pot.control.name, pot.default))
                for lug, ohms in zip((lugs[0], lugs[2]), legs):
                    if ohms <= SHORT_OHM:
                        pairs.append((Lug(part.name, lug), Lug(part.name, lugs[1])))
    joined = Joined(pairs)
    leads = [Lug(part.name, lug) for part in plan.parts.values() if part.kind == "pickup" for lug in part.nodes]

    def with_jack(end: str) -> tuple[str, ...]:
        return tuple(
            f"{lead.part.replace('_', ' ')} {lead.lug}"
            for lead in leads
            if lead.lug != "screen" and joined.same(lead, Lug(finder.jack, end))
        )

    return with_jack("tip"), with_jack("sleeve")


def fault_table(finder: FaultFinder) -> tuple[FaultRow, ...]:
    """Return what shows where a wire is missing, each broken in the model; wires that show the same are in one row."""
    rows: dict[object, tuple[list[int], Signature]] = {}
    for fault, signature in finder.missing_wires:
        rows.setdefault(signature.key(), ([], signature))[0].extend(fault.wires)
    found = [
        FaultRow(complaint=_complaint(finder, signature), shows=finder.shows(signature), wires=tuple(wires))
        for wires, signature in rows.values()
    ]
    order = ("no sound", "hum", "backwards", "another sound", "a knob", "a ground", "nothing")
    return tuple(sorted(found, key=lambda row: order.index(row.complaint)))


def _complaint(finder: FaultFinder, signature: Signature) -> str:
    words = list(signature.heard.values())
    if "silent" in words:
        return "no sound"
    for complaint, said in (("hum", "hums"), ("backwards", "out of phase")):
        if said in words:
            return complaint
    tone = {"as it should", "dull", "bright"}
    if not tone.issuperset(words):
        return "another sound"
    if any(word != "as it should" for word in signature.turned.values()):
        return "backwards" if "backwards" in signature.turned.values() else "a knob"
    if any(word != "as it should" for word in words):
        return "another sound"
    is_loose = any(signature.readings[place] != finder.whole.readings[place] for place in finder.grounds)
    return "a ground" if is_loose else "nothing"
