"""`SolderPlan`: what a technician solders, as data: real parts with their lugs, and the wires between them.

`solder_plan` makes it from a harness; `harness_as_soldered` goes the other way, from wires alone, so that a plan, a
drawing of it, or a fault in it can be held against the sheet.

Ground: every grounded lug of a pot goes to its own can, cans are chained to the jack's sleeve, and pickups' grounds,
screens and the wire from the bridge go to a can near by, so that there is one way to the sleeve and no loop. A lug
takes three wires at most, a can three at each of three places; where more meet, a tag strip is added. The two legs of
a capacitor or resistor go straight to their lugs.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Literal, NamedTuple

from labkit.circuit.elements import GROUND
from labkit.core.joined import Joined
from labkit.core.units import format_quantity
from labkit.rig.devices.device import Device, device_called, words_of_lug
from labkit.rig.devices.fit import DeviceFit, always_joined, coils_of, fit_devices, refusal
from labkit.rig.harness import Harness
from labkit.rig.parts.active import (
    DummyCoil,
    OnboardBuffer,
    OperationalAmplifier,
    ScreenedLead,
    ShelvingAmplifier,
    Transistor,
)
from labkit.rig.parts.parts import UNCONNECTED, FixedCapacitor, FixedInductor, FixedResistor, Part, Pot, Switch

Mark = Literal["hot", "return", "screen", "link", "supply"]
CAN = "can"
WIRES_A_LUG = 3
SPOTS_OF_A_CAN = 3
POT_LUGS = ("3", "2", "1")
"""Clockwise end, wiper, counter-clockwise end: the order of a pot's nodes."""
BOARDS: Mapping[type[Part], tuple[str, tuple[str, ...]]] = {
    OnboardBuffer: ("buffer board", ("in", "out")),
    ShelvingAmplifier: ("buffer board", ("in", "out")),
    OperationalAmplifier: ("operational amplifier board", ("in +", "in -", "out")),
    Transistor: ("transistor board", ("drain", "gate", "source")),
}
"""Parts that need a battery: their board, and its lugs in the order of the part's nodes."""
INSULATION_OHM = 1e9
"""What is left between tip and sleeve of a jack that nothing is soldered to (common practice, no source)."""


class Lug(NamedTuple):
    """A lug, leg or lead end: the plan's part and the name of the lug on it."""

    part: str
    lug: str


Distance = Callable[[Lug, Lug], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanPart:
    """A real part of a plan.

    Attributes
    ----------
    name : str
    device : Device
    nodes : mapping of str to str
        Node at each lug that is in use, by lug.
    terminals : mapping of str to tuple of str
        For each part of the harness that it stands for, the lugs of its nodes in their order.
    words : tuple of str
        What is printed on it or beside it: values, taper.
    """

    name: str
    device: Device
    nodes: Mapping[str, str]
    terminals: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    words: tuple[str, ...] = ()

    @property
    def kind(self) -> str:
        """Kind of its device."""
        return self.device.kind

    def room(self, lug: str) -> int:
        """Return how many wires a lug takes."""
        if lug == CAN:
            return WIRES_A_LUG * SPOTS_OF_A_CAN
        return WIRES_A_LUG if self.device.lug_is == "lug" else 1


@dataclass(frozen=True, slots=True, kw_only=True)
class SolderWire:
    """A wire, or the leg of a part, between two lugs.

    Attributes
    ----------
    one, other : Lug
    node : str
        Node of the harness that it belongs to.
    mark : "hot", "return", "screen", "link" or "supply"
        A link joins two lugs of one part.
    is_leg : bool
        True for a leg of a small part, which needs no wire.
    """

    one: Lug
    other: Lug
    node: str
    mark: Mark
    is_leg: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SolderPlan:
    """Parts and the wires between them, in the order in which they are soldered; wires are numbered from 1.

    Attributes
    ----------
    harness : Harness
        What it carries out.
    fits : mapping of str to DeviceFit
        The real switch of each selector.
    parts : mapping of str to PlanPart
    wires : tuple of SolderWire
    """

    harness: Harness
    fits: Mapping[str, DeviceFit]
    parts: Mapping[str, PlanPart]
    wires: tuple[SolderWire, ...] = ()

    def node(self, lug: Lug) -> str | None:
        """Return the node at a lug; None where it is open."""
        return self.parts[lug.part].nodes.get(lug.lug)

    def wires_at(self, lug: Lug) -> tuple[SolderWire, ...]:
        """Return the wires that end at a lug."""
        return tuple(wire for wire in self.wires if lug in (wire.one, wire.other))

    def lug_words(self, lug: Lug) -> str:
        """Return how a lug is called in a sentence: ``volume lug 3``, ``selector A common``, ``neck hot lead``."""
        name, part = lug.part.replace("_", " "), self.parts[lug.part]
        if lug.lug == CAN:
            return f"the back of the {name} pot"
        if part.device.lug_is == "leg":
            return f"the {name}"
        if part.kind == "bridge":
            return "the wire from the bridge"
        if part.kind == "tag strip":
            return name
        if part.device.lug_is == "lead":
            return f"{name} {lug.lug} lead"
        return f"{name} {'lug ' if part.kind == 'pot' else ''}{words_of_lug(lug.lug)}"

    def wire_words(self, wire: SolderWire) -> str:
        """Return what a wire joins, for a reader who does not see it."""
        kinds = {"return": "ground wire", "hot": "wire", "screen": "screen wire", "supply": "battery wire"}
        kind = "leg" if wire.is_leg else kinds.get(wire.mark, "link")
        if self.parts[wire.one.part].device.lug_is == "lead" and not wire.is_leg:
            return f"{self.lug_words(wire.one)} to {self.lug_words(wire.other)}"
        return f"{kind} from {self.lug_words(wire.one)} to {self.lug_words(wire.other)}"

    @property
    def strands(self) -> tuple[tuple[Lug, Lug], ...]:
        """Pairs of lugs that a part joins inside, whatever is soldered: the ends of a screened lead's conductor."""
        leads = [part.name for part in self.parts.values() if part.kind == "screened lead"]
        return tuple((Lug(name, "in"), Lug(name, "out")) for name in leads)

    def part_of_kind(self, kind: str) -> PlanPart | None:
        """Return the first part of a kind."""
        return next((part for part in self.parts.values() if part.kind == kind), None)


# ---------------------------------------------------------------------------------------------------- from a harness


def solder_plan(harness: Harness, *, distance: Distance | None = None) -> SolderPlan:
    """Return what has to be soldered for a harness.

    Parameters
    ----------
    harness : Harness
    distance : callable, optional
        How far apart two lugs lie, for the choice between wires that do the same; how many parts apart in the order
        of the plan where left out.

    Raises
    ------
    InputError
        If no real switch makes the joins of one of its switches, with the reason.

    >>> from labkit.catalogue import catalogue
    >>> plan = solder_plan(catalogue().load("harness", "one volume, one tone"))
    >>> [plan.wire_words(wire) for wire in plan.wires][:2]
    ['link from volume lug 1 to the back of the volume pot', 'leg from the tone capacitor to tone lug 2']
    """
    fits = fit_devices(harness)
    for fit in fits.values():
        if not fit.is_found:
            raise refusal(harness, fit, "soldered")
    parts = _parts(harness, fits)
    if distance is None:
        places = {name: place for place, name in enumerate(parts)}

        def distance(one: Lug, other: Lug) -> float:
            return abs(places.get(one.part, len(places)) - places.get(other.part, len(places)))

    return joined_up(SolderPlan(harness=harness, fits=MappingProxyType(dict(fits)), parts=parts), distance)


class Nets:
    """One name for all nodes that are joined for good: by a switch in all of its positions, or beside its contacts."""

    def __init__(
        self, harness: Harness, fits: Mapping[str, DeviceFit], *, known: Iterable[tuple[str, str]] = ()
    ) -> None:
        self.output = harness.output
        always = always_joined(harness) if fits else ()
        self.joined = Joined((*known, *always, *(pair for fit in fits.values() for pair in fit.soldered)))

    def __call__(self, node: str) -> str:
        """Return the name of a node: ground's or the output's where it is joined to them."""
        for known in (GROUND, self.output):
            if self.joined.same(node, known):
                return known
        return self.joined.root(node)


def _parts(harness: Harness, fits: Mapping[str, DeviceFit]) -> dict[str, PlanPart]:
    """Pickups, switches, pots, small parts, jack and what goes with them, in this order."""
    net = Nets(harness, fits)
    has_board = any(type(part) in BOARDS for part in harness.parts.values())
    found = [_pickup(harness, slot, net) for slot in harness.slots]
    found += [
        PlanPart(
            name=control,
            device=_needed(fit.device),
            nodes={lug: net(node) for lug, node in fit.nodes.items()},
            words=(_needed(fit.device).name,),
        )
        for control, fit in fits.items()
    ]
    found += _pots(harness, net)
    found += [_small(part, net) for part in harness.parts.values() if not isinstance(part, Switch | Pot)]
    taken = {part.name for part in found}

    def named(name: str) -> str:
        while name in taken:
            name += " of the instrument"
        taken.add(name)
        return name

    jack = {"tip": net(harness.output), "sleeve": GROUND} | ({"ring": "battery minus"} if has_board else {})
    if has_board:
        nodes = {"plus": "battery plus", "minus": "battery minus"}
        battery = device_called("battery, 9 V", "battery")
        found.append(PlanPart(name=named("battery"), device=battery, nodes=nodes, words=("9 V",)))
    device = device_called("jack, stereo" if has_board else "jack, mono", "jack")
    found.append(PlanPart(name=named("jack"), device=device, nodes={lug: jack[lug] for lug in device.lugs}))
    strings = Device(name="wire from the bridge", kind="bridge", columns=(("wire",),), lug_is="lead")
    found.append(PlanPart(name=named("string ground"), device=strings, nodes={"wire": GROUND}))
    return {part.name: part for part in found}


def _needed(device: Device | None) -> Device:
    assert device is not None  # only fits that were found come this far
    return device


def _pickup(harness: Harness, slot: str, net: Callable[[str], str]) -> PlanPart:
    """A pickup with its leads: what is ground leaves on one side, everything else on the other."""
    coils = coils_of(harness, slot)
    if coils[0][1] == f"{slot}.hot":
        leads = {"hot": f"{slot}.hot", "ground": coils[0][0]}
        leads |= {"screen": GROUND} if leads["ground"] != GROUND else {}
    else:
        leads = {node.removeprefix(f"{slot}.").replace(".", " "): node for coil in coils for node in coil[::-1]}
        leads["screen"] = GROUND
    nodes = {lug: net(node) for lug, node in leads.items()}
    grounded = tuple(lug for lug, node in nodes.items() if node == GROUND)
    device = Device(
        name="pickup",
        kind="pickup",
        columns=(grounded, tuple(lug for lug in nodes if lug not in grounded)),
        lug_is="lead",
    )
    return PlanPart(name=slot, device=device, nodes=nodes)


def _pots(harness: Harness, net: Callable[[str], str]) -> list[PlanPart]:
    pots = [part for part in harness.parts.values() if isinstance(part, Pot)]
    bodies: dict[str, list[Pot]] = {}
    waiting: dict[str, str] = {}
    for pot in pots:
        ganged = [other for other in pots if other.control.name == pot.control.name]
        key = pot.control.name if len(ganged) == 2 else pot.name
        if pot.device is not None and _gangs(pot.device) == 2 and len(ganged) == 1:
            key = waiting.pop(pot.device, "") or waiting.setdefault(pot.device, key)
        bodies.setdefault(key, []).append(pot)
    return [_pot(name, body, net) for name, body in bodies.items()]


def _gangs(device: str) -> int:
    return len(device_called(device, "pot").lugs) // 3


def _pot(name: str, pots: Sequence[Pot], net: Callable[[str], str]) -> PlanPart:
    """One body with a pot, or with two gangs of which the first has its lugs above."""
    named = next((pot.device for pot in pots if pot.device is not None), None)
    usual = "pot, 2 gangs" if len(pots) > 1 else "pot" if pots[0].opens_above is None else "pot, no load"
    device = device_called(named or usual, "pot")
    nodes, terminals = {CAN: GROUND}, {}
    for pot, letter in zip(pots, ("", "") if len(device.lugs) == 3 else ("A", "B")):
        lugs = tuple(f"{letter}{lug}" for lug in POT_LUGS)
        terminals[pot.name] = lugs
        nodes |= {lug: net(node) for lug, node in zip(lugs, pot.nodes) if node != UNCONNECTED}
    words = dict.fromkeys(format_quantity(float(f"{pot.value:.3g}"), "Ω") for pot in pots)
    laws = dict.fromkeys(str(pot.taper) for pot in pots)
    return PlanPart(name=name, device=device, nodes=nodes, terminals=terminals, words=(*words, *laws))


_VALUES: tuple[tuple[type[Part], str], ...] = ((FixedCapacitor, "F"), (FixedResistor, "Ω"), (FixedInductor, "H"))


def _small(part: Part, net: Callable[[str], str]) -> PlanPart:
    """A part that is neither switch nor pot."""
    words = [format_quantity(float(f"{part.value:.3g}"), unit) for kind, unit in _VALUES if isinstance(part, kind)]  # type: ignore[attr-defined]
    nodes = [net(node) for node in part.nodes]
    lugs: tuple[str, ...]
    if type(part) in BOARDS:
        board, lugs = BOARDS[type(part)]
        device = device_called(board, "buffer")
        more = {"ground": GROUND, "supply": "battery plus"}
    elif isinstance(part, ScreenedLead):
        device, lugs = device_called("screened lead", "screened lead"), ("in", "screen")
        more = {"out": nodes[0]}
        words = ["screened"]
    elif isinstance(part, DummyCoil):
        device, lugs, more = device_called("dummy coil", "dummy coil"), ("start", "finish"), {}
        words = ["dummy coil"]
    elif len(nodes) == 2 and part.kind in ("capacitor", "resistor", "inductor"):
        device = device_called(part.kind, part.kind)
        lugs, more = (("b", "a") if nodes[0] == GROUND else ("a", "b")), {}
    else:
        lugs, more = tuple(str(number) for number, _ in enumerate(nodes, start=1)), {}
        half = (len(lugs) + 1) // 2
        device = Device(name=part.kind, kind="other part", columns=(lugs[:half], lugs[half:]))
        words = [part.kind]
    at = {lug: node for lug, node in zip(lugs, nodes) if node != UNCONNECTED} | more
    return PlanPart(name=part.name, device=device, nodes=at, terminals={part.name: lugs}, words=tuple(words))


# ---------------------------------------------------------------------------------------------------------- the wires


def joined_up(plan: SolderPlan, distance: Distance) -> SolderPlan:
    """Return a plan with its wires chosen anew, each as short as may be; tag strips are added where lugs are full."""
    parts = {name: part for name, part in plan.parts.items() if part.kind != "tag strip"}
    members: dict[str, list[Lug]] = {}
    for part in parts.values():
        for lug, node in part.nodes.items():
            members.setdefault(node, []).append(Lug(part.name, lug))
    wires: list[SolderWire] = []
    for node, lugs in members.items():
        if len(lugs) > 1:
            wires += _Net(node, lugs, parts, distance).wires()
    return replace(plan, parts=MappingProxyType(parts), wires=in_order(wires, parts))


def wire_between(parts: Mapping[str, PlanPart], one: Lug, other: Lug, node: str) -> SolderWire:
    """Return the wire, or leg, of a node between two lugs."""
    mark: Mark = "hot"
    if node == GROUND:
        mark = "screen" if "screen" in (one.lug, other.lug) else "return"
    elif node.startswith("battery "):
        mark = "supply"
    if one.part == other.part and parts[one.part].kind != "pickup":
        mark = "link"
    is_leg = "leg" in (parts[one.part].device.lug_is, parts[other.part].device.lug_is)
    return SolderWire(one=one, other=other, node=node, mark=mark, is_leg=is_leg)


class _Net:
    """The lugs of one node, and the wires that make them one."""

    def __init__(self, node: str, lugs: list[Lug], parts: dict[str, PlanPart], distance: Distance) -> None:
        self.node, self.parts, self.distance = node, parts, distance
        self.lugs = lugs
        self.made: list[SolderWire] = []
        self.used: Counter[Lug] = Counter()

    def wires(self) -> list[SolderWire]:
        """Return the wires: lugs first, then legs and leads, each to the nearest lug with room."""
        self._screened_leads()
        hubs = [lug for lug in self.lugs if self._room(lug) > 1]
        ends = [lug for lug in self.lugs if self._room(lug) == 1]
        if not hubs and len(ends) == 2:
            self._join(*ends)
            return self.made
        short = len(ends) - (sum(map(self._room, hubs)) - 2 * max(0, len(hubs) - 1))
        while short > 0:
            hubs.append(self._tag_strip())
            short -= WIRES_A_LUG if len(hubs) == 1 else WIRES_A_LUG - 2
        groups: Joined[Lug] = Joined()
        for one, other in sorted(itertools.combinations(hubs, 2), key=lambda pair: self._far(*pair)):
            if self._has_room(one, other) and groups.join(one, other):
                self._join(one, other)
        for end in sorted(ends, key=lambda end: min(self.distance(end, hub) for hub in hubs)):
            self._join(end, min(filter(self._has_room, hubs), key=lambda hub: self._far(end, hub)))
        return self.made

    def _screened_leads(self) -> None:
        """A screened lead stands between a lead of a pickup, or the jack's tip, and the rest."""
        for lead in [lug for lug in self.lugs if lug.lug == "in" and self.parts[lug.part].kind == "screened lead"]:
            outer = [lug for lug in self.lugs if self.parts[lug.part].kind in ("pickup", "jack")]
            others = [lug for lug in self.lugs if self.parts[lug.part].kind != "screened lead"]
            end = next(iter([*outer, *others]), None)
            if end is not None and len(self.lugs) > 3:
                self._join(end, lead)
                self.lugs = [lug for lug in self.lugs if lug not in (end, lead)]

    def _far(self, one: Lug, other: Lug) -> float:
        """Distance of two lugs; cans are the better place for grounds, and a lug's own can the best."""
        far = self.distance(one, other) + (0.01 if one.part != other.part else 0.0)
        if self.node != GROUND:
            return far
        if one.part == other.part and CAN in (one.lug, other.lug):
            return -1.0
        return far * (1 if CAN in (one.lug, other.lug) else 3)

    def _room(self, lug: Lug) -> int:
        return self.parts[lug.part].room(lug.lug)

    def _has_room(self, *lugs: Lug) -> bool:
        return all(self.used[lug] < self._room(lug) for lug in lugs)

    def _join(self, one: Lug, other: Lug) -> None:
        self.made.append(wire_between(self.parts, one, other, self.node))
        self.used.update((one, other))

    def _tag_strip(self) -> Lug:
        count = sum(part.kind == "tag strip" for part in self.parts.values())
        name = f"tag strip {count + 1}"
        device = device_called("tag strip", "tag strip")
        self.parts[name] = PlanPart(name=name, device=device, nodes={"tag": self.node})
        return Lug(name, "tag")


def in_order(wires: Iterable[SolderWire], parts: Mapping[str, PlanPart]) -> tuple[SolderWire, ...]:
    """Return wires in the order of soldering: links, legs (a part's together), grounds, hots, jack, pickups, bridge."""

    def rank(wire: SolderWire) -> tuple[int, str, int]:
        kinds = [parts[lug.part].kind for lug in (wire.one, wire.other)]
        legs = [lug for lug in (wire.one, wire.other) if parts[lug.part].device.lug_is == "leg"]
        if wire.mark == "link":
            return 0 if CAN in (wire.one.lug, wire.other.lug) else 1, "", 0
        if legs:
            return 2, legs[0].part, 0
        for place, kind in ((8, "bridge"), (7, "pickup"), (6, "jack"), (5, "battery")):
            if kind in kinds:
                return place, "", 0
        return (3 if wire.node == GROUND else 4), "", 0

    return tuple(sorted((_outward(wire, parts) for wire in wires), key=rank))


def _outward(wire: SolderWire, parts: Mapping[str, PlanPart]) -> SolderWire:
    """Let a wire start at the end that moves: a leg or lead before a lug."""
    order = {"leg": 0, "lead": 1, "lug": 2}
    ranks = [(order[parts[lug.part].device.lug_is], lug.lug == CAN) for lug in (wire.one, wire.other)]
    return wire if ranks[0] <= ranks[1] else replace(wire, one=wire.other, other=wire.one)


# --------------------------------------------------------------------------------------------------- back to a harness


def harness_as_soldered(plan: SolderPlan, joints: Iterable[tuple[Lug, Lug]] | None = None) -> Harness:
    """Return the harness that parts and wires make, whatever the plan meant.

    Parameters
    ----------
    plan : SolderPlan
        Its parts, and what the devices join in each position.
    joints : iterable of pair of Lug, optional
        What is soldered to what; the plan's own wires where left out.

    Returns
    -------
    Harness
        With the same slots and controls. A board whose supply or ground is open drives nothing; a tip that nothing is
        soldered to keeps the jack's insulation to the sleeve.
    """
    pairs = [(wire.one, wire.other) for wire in plan.wires] if joints is None else list(joints)
    touched = {lug for pair in pairs for lug in pair}
    jack = next(part.name for part in plan.parts.values() if part.kind == "jack")
    joined = Joined([*pairs, *plan.strands])
    names: dict[Lug, str] = {}
    output = plan.harness.output
    names[joined.root(Lug(jack, "tip"))] = output
    names[joined.root(Lug(jack, "sleeve"))] = GROUND

    def node(lug: Lug) -> str:
        return names.setdefault(joined.root(lug), f"joint {len(names)}")

    is_shorted = joined.same(Lug(jack, "tip"), Lug(jack, "sleeve"))
    parts: dict[str, Part] = {}
    ties: list[tuple[str, str]] = [(output, GROUND)] if is_shorted else []
    for plan_part in plan.parts.values():
        if plan_part.kind == "pickup":
            ties += _ties(plan, plan_part, node)
        elif plan_part.kind == "switch":
            parts[plan_part.name] = _switch(plan, plan_part.name, node)
        for name, lugs in plan_part.terminals.items():
            original = plan.harness.parts[name]
            nodes = [node(Lug(plan_part.name, lug)) for lug in lugs]
            if type(original) in BOARDS and not _has_supply(plan, plan_part.name, joined):
                if original.control is None:
                    continue
                nodes[-1] = f"{name} without supply"  # its knob stays, and moves nothing that is heard
            if isinstance(original, Pot):
                nodes = [
                    each if index == 1 or Lug(plan_part.name, lug) in touched else UNCONNECTED
                    for index, (lug, each) in enumerate(zip(lugs, nodes))
                ]
            parts[name] = replace(original, nodes=tuple(nodes))
    flat = tuple(end for tie in ties for end in tie)
    leads = "leads as soldered"
    parts[leads] = Switch(name=leads, nodes=flat, control_name=leads, positions={"on": tuple(ties)}, default="on")
    if all(output not in part.joints for part in parts.values()):
        parts[jack] = FixedResistor(name=jack, nodes=(output, GROUND), value=INSULATION_OHM)
    return Harness(name=f"{plan.harness.name}, as soldered", slots=plan.harness.slots, output=output, parts=parts)


def _ties(plan: SolderPlan, pickup: PlanPart, node: Callable[[Lug], str]) -> list[tuple[str, str]]:
    return [
        (f"{pickup.name}.{lug.replace(' ', '.')}", node(Lug(pickup.name, lug)))
        for lug in pickup.device.lugs
        if lug != "screen"
    ]


def _switch(plan: SolderPlan, control: str, node: Callable[[Lug], str]) -> Switch:
    fit = plan.fits[control]
    device = _needed(fit.device)
    positions = {}
    for position in plan.harness.control(control).positions:  # type: ignore[union-attr]
        pairs = [
            (node(Lug(control, one)), node(Lug(control, other)))
            for one, other in device.joined(fit.order.index(position))
        ]
        positions[position] = tuple((one, other) for one, other in pairs if one != other)
    nodes = tuple(dict.fromkeys(end for pairs in positions.values() for pair in pairs for end in pair))
    default = plan.harness.control(control).default
    return Switch(name=control, nodes=nodes, control_name=control, positions=positions, default=str(default))


def _has_supply(plan: SolderPlan, board: str, joined: Joined[Lug]) -> bool:
    def only(kind: str) -> str:
        return next(part.name for part in plan.parts.values() if part.kind == kind)

    battery, jack = only("battery"), only("jack")
    return (
        joined.same(Lug(battery, "plus"), Lug(board, "supply"))
        and joined.same(Lug(battery, "minus"), Lug(jack, "ring"))
        and joined.same(Lug(board, "ground"), Lug(jack, "sleeve"))
    )
