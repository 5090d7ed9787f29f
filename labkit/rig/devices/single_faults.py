"""Every single fault of a soldered wiring: what is then joined to what, in words, and what settles that it is this one.

`single_faults` breaks every wire, bridges every two lugs that stand side by side, exchanges and misplaces wires, and
lets coils, tracks, contacts and capacitors fail.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from labkit.core.joined import Joined
from labkit.rig.devices.device import COMMON
from labkit.rig.devices.plan import CAN, Lug, PlanPart, SolderPlan

Kind = Literal[
    "missing wire", "bridged lugs", "exchanged wires", "wire on the wrong lug", "broken part", "shorted part"
]

Joints = tuple[tuple[Lug, Lug], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SolderFault:
    """One thing that is wrong.

    Attributes
    ----------
    kind : str
        What kind of fault.
    words : str
        Which wire, lug or part, in a sentence's words.
    check : str
        What settles whether it is this one.
    wires : tuple of int
        The wires of the plan that it is about, counted from 1.
    joints : tuple of pair of Lug
        What is then joined to what.
    """

    kind: Kind
    words: str
    check: str
    wires: tuple[int, ...] = ()
    joints: Joints = ()


def single_faults(plan: SolderPlan) -> tuple[SolderFault, ...]:
    """Return every single fault that is thought of in a plan.

    >>> from labkit.catalogue import catalogue
    >>> from labkit.rig.devices.plan import solder_plan
    >>> faults = single_faults(solder_plan(catalogue().load("harness", "one volume")))
    >>> faults[0].kind, faults[0].words
    ('missing wire', 'wire 1, link from volume lug 1 to the back of the volume pot')
    """
    joints: Joints = tuple((wire.one, wire.other) for wire in plan.wires)
    return tuple(
        itertools.chain(
            missing_wires(plan, joints),
            _bridges(plan, joints),
            _exchanged(plan, joints),
            _misplaced(plan, joints),
            _failed(plan, joints),
        )
    )


def _at(plan: SolderPlan, lug: Lug) -> tuple[int, ...]:
    return tuple(number for number, wire in enumerate(plan.wires, start=1) if lug in (wire.one, wire.other))


def missing_wires(plan: SolderPlan, joints: Joints) -> Iterator[SolderFault]:
    """Yield each wire left out."""
    for number, wire in enumerate(plan.wires, start=1):
        yield SolderFault(
            kind="missing wire",
            words=f"wire {number}, {plan.wire_words(wire)}",
            check=f"from {plan.lug_words(wire.one)} to {plan.lug_words(wire.other)} must beep; heat both joints anew",
            wires=(number,),
            joints=joints[: number - 1] + joints[number:],
        )


def _neighbours(plan: SolderPlan) -> Iterator[tuple[Lug, Lug]]:
    """Lugs that stand side by side on one part; the outer lugs of a pot stand beside its can as well."""
    for part in plan.parts.values():
        if part.device.lug_is != "lug":
            continue
        ring = (*part.device.ring, *part.device.ring[:1])
        rows = (*part.device.columns, ring, *part.device.ends)
        pairs = [pair for row in rows for pair in itertools.pairwise(row)]
        if CAN in part.nodes:
            pairs += [(lug, CAN) for lug in part.device.lugs]
        yield from ((Lug(part.name, one), Lug(part.name, other)) for one, other in pairs)


def _bridges(plan: SolderPlan, joints: Joints) -> Iterator[SolderFault]:
    joined = Joined([*joints, *plan.strands])
    for one, other in _neighbours(plan):
        is_used = all(lug.lug == CAN or _at(plan, lug) for lug in (one, other))
        if is_used and not joined.same(one, other):
            words = f"{plan.lug_words(one)} and {plan.lug_words(other)}"
            yield SolderFault(
                kind="bridged lugs",
                words=f"solder or a stray strand between {words}",
                check=f"look between {words} with a glass; the gap must be clean",
                wires=(*_at(plan, one), *_at(plan, other)),
                joints=(*joints, (one, other)),
            )


def _renamed(joints: Joints, names: Mapping[Lug, Lug]) -> Joints:
    return tuple((names.get(one, one), names.get(other, other)) for one, other in joints)


def _exchanged(plan: SolderPlan, joints: Joints) -> Iterator[SolderFault]:
    """Wires of two lugs of one part, the one in the other's place."""
    pairs = [(one, other) for one, other in _neighbours(plan) if CAN not in (one.lug, other.lug)]
    for part in plan.parts.values():
        if part.kind == "pot":
            pairs += [(Lug(part.name, f"{gang}3"), Lug(part.name, f"{gang}1")) for gang in ("", "A", "B")]
        elif part.kind == "pickup":
            leads = [Lug(part.name, lug) for lug in part.nodes if lug != "screen"]
            pairs += list(itertools.combinations(leads, 2))
    joined = Joined([*joints, *plan.strands])
    for one, other in pairs:
        wires = (*_at(plan, one), *_at(plan, other))
        are_used = bool(_at(plan, one) and _at(plan, other))
        are_outer = plan.parts[one.part].kind == "pot" and {one.lug[-1], other.lug[-1]} == {"1", "3"}
        if not wires or joined.same(one, other) or not (are_used or are_outer):
            continue
        words = f"{plan.lug_words(one)} and {plan.lug_words(other)}"
        yield SolderFault(
            kind="exchanged wires",
            words=f"what belongs on {words} is exchanged",
            check=f"follow the wires of {words} by their numbers on the drawing",
            wires=wires,
            joints=_renamed(joints, {one: other, other: one}),
        )


def _misplaced(plan: SolderPlan, joints: Joints) -> Iterator[SolderFault]:
    """A wire on the lug beside its own, where it has company on neither."""
    for one, other in _neighbours(plan):
        for right, wrong in ((one, other), (other, one)):
            if CAN in (right.lug, wrong.lug):
                continue
            for number in _at(plan, right):
                moved = _renamed((joints[number - 1],), {right: wrong})[0]
                if moved[0] != moved[1] and plan.node(right) != plan.node(wrong):
                    yield SolderFault(
                        kind="wire on the wrong lug",
                        words=f"wire {number} sits on {plan.lug_words(wrong)} in place of {plan.lug_words(right)}",
                        check=f"wire {number} belongs on {plan.lug_words(right)}",
                        wires=(number,),
                        joints=(*joints[: number - 1], moved, *joints[number:]),
                    )


def _failed(plan: SolderPlan, joints: Joints) -> Iterator[SolderFault]:
    """Coils, contacts, tracks and small parts that are open or short inside."""

    def open_at(lug: Lug, words: str, check: str) -> SolderFault:
        cut = Lug(lug.part, f"{lug.lug} cut off")
        return SolderFault(
            kind="broken part", words=words, check=check, wires=_at(plan, lug), joints=_renamed(joints, {lug: cut})
        )

    def short(one: Lug, other: Lug, words: str, check: str) -> SolderFault:
        wires = (*_at(plan, one), *_at(plan, other))
        return SolderFault(kind="shorted part", words=words, check=check, wires=wires, joints=(*joints, (one, other)))

    for part in plan.parts.values():
        name = part.name.replace("_", " ")
        if part.kind in ("pickup", "dummy coil"):
            for one, other, coil in _coils(part):
                check = f"one lead of {coil} off: the meter must show its ohms across the leads"
                yield open_at(one, f"{coil} is open inside", check)
                yield short(one, other, f"the leads of {coil} touch", check)
        elif part.kind == "pot":
            for lug in (lug for lug in part.nodes if lug != CAN and _at(plan, Lug(part.name, lug))):
                words = plan.lug_words(Lug(part.name, lug))
                yield open_at(
                    Lug(part.name, lug),
                    f"the track of the {name} pot is broken at {words}",
                    f"the {name} pot: lug 1 to lug 3 must show its value, and turning it must move lug 2",
                )
        elif part.kind == "switch":
            for lug in part.nodes:
                if not lug.endswith(COMMON):
                    words = plan.lug_words(Lug(part.name, lug))
                    yield open_at(
                        Lug(part.name, lug),
                        f"the contact at {words} does not close",
                        f"work {name} some twenty times; {words} must beep with its common",
                    )
        elif part.kind in ("capacitor", "resistor", "inductor"):
            ends = [Lug(part.name, lug) for lug in part.nodes]
            check = f"one leg of the {name} off: measure it by itself"
            yield open_at(ends[0], f"the {name} is open inside", check)
            if part.kind != "inductor":
                yield short(ends[0], ends[1], f"the {name} is short, or its legs touch", check)


def _coils(part: PlanPart) -> Iterator[tuple[Lug, Lug, str]]:
    name = part.name.replace("_", " ")
    if "hot" in part.nodes:
        yield Lug(part.name, "hot"), Lug(part.name, "ground"), f"the {name} pickup"
        return
    for lug in part.nodes:
        coil, _, end = lug.rpartition(" ")
        if end == "start" or lug == "start":
            finish = Lug(part.name, f"{coil} finish".strip())
            words = f"the {coil} coil of {name}" if coil else f"the {name}"
            yield Lug(part.name, lug), finish, words
