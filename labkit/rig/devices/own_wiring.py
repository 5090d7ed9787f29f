"""An own wiring from words: what each position of a switch shall do, and the contacts and the real switch that do it.

`read_wish` reads a line such as ``both: neck + bridge in series, out of phase``. `own_wiring` starts from a known
wiring: it keeps its pots, capacitors and the switches that select no pickup, and puts one new switch between the
pickups' leads and what follows. Ways to join the leads are tried until what the pickups then do is what was asked for
(heard, phase, hum), and among those the ones that the plainest real switch makes are kept. `nearest_wiring` finds the
wiring of the catalogue to start from.

One switch is searched; what a second one is to add has to be written into the sheet.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from labkit.catalogue import catalogue
from labkit.circuit.elements import GROUND
from labkit.core.errors import InputError, capitalized, did_you_mean, join_words
from labkit.core.joined import Joined
from labkit.rig.claims import HUM_CLAIMS, Claim, HumClaim, PhaseClaim
from labkit.rig.devices.fit import DeviceFit, Pairs, fit_devices
from labkit.rig.harness import Harness
from labkit.rig.hum import broken_claims, position_facts, position_row
from labkit.rig.parts.parts import SWITCH_STYLES, Part, Pot, Switch
from labkit.rig.rewiring import demo_rig, rewired
from labkit.rig.rig import Rig

SWITCH = "selector"
MOST_WAYS = 64
"""Ways to join the leads of one position that are tried."""
MOST_FITTED = 12
"""Combinations of the ways of all positions for which a switch is searched."""
FIRST, SECOND = "first", "second"
_BUS = "bus"
_USUAL_PARTS = 3
"""Volume, tone and its capacitor."""
_SILENT = ("off", "silent", "silence", "nothing", "none")
_MODES = {
    "": "",
    "whole": "",
    "split": "split",
    "one coil": "split",
    "single coil": "split",
    "first coil": FIRST,
    "second coil": SECOND,
    "coils in parallel": "parallel",
    "coils parallel": "parallel",
    "parallel": "parallel",
    "coils in series": "series",
    "series": "series",
}
_HUM = {f"hum {word}": word for word in HUM_CLAIMS} | {"hum-cancelling": "cancels", "hum cancelling": "cancels"}
_TAILS = ("in series", "in parallel", "out of phase", "in phase", *_HUM)
ONE_SWITCH = (
    "One switch is searched; a second one, such as a push-pull that splits coils, is written into the sheet of the "
    "wiring, and its real switch is found then"
)
SYNTAX = (
    "write POSITION: PICKUPS, such as 'both: neck + bridge', 'thick: neck + bridge in series', 'thin: neck + bridge "
    "out of phase', 'inner: neck split + bridge split, hum cancels', 'low: neck coils in parallel' or 'mute: off'"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Voice:
    """A pickup in a position: whole, or ``mode`` of its coils (split, first, second, parallel, series)."""

    slot: str
    mode: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What a position shall do.

    Attributes
    ----------
    position : str
    voices : tuple of Voice
        Empty where it shall be silent.
    in_series : bool
        How several pickups are joined; side by side where false.
    phase : "in" or "out"
    hum : "cancels", "reduces", "stays", "adds" or None
        None where nothing is asked.
    """

    position: str
    voices: tuple[Voice, ...]
    in_series: bool = False
    phase: PhaseClaim = "in"
    hum: HumClaim | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnWiring:
    """A wiring that was found.

    Attributes
    ----------
    harness : Harness
        With the switch, its device, and what was asked for as claims.
    rig : Rig
        It with the pickups that it was tried with.
    start : str
        The wiring it was made from.
    fit : DeviceFit
    tried : int
        Combinations of joins for which a switch was searched.
    """

    harness: Harness
    rig: Rig
    start: str
    fit: DeviceFit
    tried: int

    def rows(self) -> tuple[tuple[str, str, str, str, str], ...]:
        """Return for each position what is heard, its phase, hum and level, in words."""
        return tuple(
            (position, *position_row(self.rig.replace(settings={SWITCH: position}))) for position in self.fit.order
        )


# ------------------------------------------------------------------------------------------------------- from words


def read_wish(text: str, slots: Collection[str] | None = None) -> Wish:
    """Read what a position shall do.

    Parameters
    ----------
    text : str
        ``POSITION: PICKUP MODE + PICKUP MODE, in series, out of phase, hum cancels``.
    slots : collection of str, optional
        Names of the pickups there are; any where left out.

    Raises
    ------
    InputError
        With what is not understood, and how it is written.

    >>> wish = read_wish("inner: neck split + bridge split, hum cancels")
    >>> [(voice.slot, voice.mode) for voice in wish.voices], wish.hum
    ([('neck', 'split'), ('bridge', 'split')], 'cancels')
    """
    position, colon, said = (word.strip() for word in text.partition(":"))
    if not colon or not position or not said or len(position) > 40 or any(sign in position for sign in "=,"):
        raise InputError(f"'{text[:80]}': {SYNTAX}")
    words = re.sub(r"[\s,]+", " ", said.casefold())
    tails: list[str] = []
    while (tail := next((each for each in _TAILS if words == each or words.endswith(f" {each}")), None)) is not None:
        if words.endswith(f"coils {tail}"):
            break
        tails.append(tail)
        words = words.removesuffix(tail).strip()
    if words in _SILENT:
        if tails:
            raise InputError(f"'{text[:80]}': a silent position has neither {tails[-1]} nor anything else")
        return Wish(position=position, voices=())
    names = [each.strip() for each in re.split(r"\+|&| and | with ", words)]
    own = [tail for tail in tails if tail in ("in series", "in parallel")]
    if len(names) == 1 and own:
        names = [f"{names[0]} coils {own[0]}"]
    voices = tuple(_voice(name, text, slots) for name in names)
    if len({voice.slot for voice in voices}) < len(voices):
        raise InputError(f"'{text[:80]}': a pickup is named twice; name it once, with what its coils do")
    if len(set(own)) > 1 or {"in phase", "out of phase"} <= set(tails):
        raise InputError(f"'{text[:80]}': {join_words(tails[::-1])} exclude each other")
    hums = list(dict.fromkeys(_HUM[tail] for tail in tails if tail in _HUM))
    if len(hums) > 1:
        raise InputError(f"'{text[:80]}': says two things of hum, {join_words(hums)}")
    return Wish(
        position=position,
        voices=voices,
        in_series=len(voices) > 1 and "in series" in own,
        phase="out" if "out of phase" in tails else "in",
        hum=hums[0] if hums else None,
    )


def _voice(words: str, text: str, slots: Collection[str] | None) -> Voice:
    known = sorted(slots or (), key=len, reverse=True)
    for slot in known:
        if words == slot.replace("_", " ") or words.startswith(f"{slot.replace('_', ' ')} "):
            return Voice(slot=slot, mode=_mode(words[len(slot) :].strip(), text))
    slot, _, mode = words.partition(" ")
    if slots is not None:
        raise InputError(f"'{text[:80]}': there is no pickup '{slot}' here.{did_you_mean(slot, slots)}")
    if not re.fullmatch(r"[a-z][a-z0-9_-]*", slot) or slot in (_BUS, GROUND):
        raise InputError(f"'{text[:80]}': {SYNTAX}")
    return Voice(slot=slot, mode=_mode(mode, text))


def _mode(words: str, text: str) -> str:
    if words not in _MODES:
        known = [mode for mode in _MODES if mode]
        raise InputError(f"'{text[:80]}': '{words}' says nothing of a pickup.{did_you_mean(words, known)}")
    return _MODES[words]


# ------------------------------------------------------------------------------------------------ what it starts from


@dataclass(frozen=True, slots=True, kw_only=True)
class _Start:
    """What is kept of a wiring, and where pickups come in.

    Attributes
    ----------
    parts : mapping of str to Part
    bus : str
        Node that the switch leads to.
    entries, exits : mapping of str to str
        Where a pickup with a knob of its own comes in, and where that goes on to the switch, by slot.
    companions : mapping of str to tuple of str
        Nodes that the switch joins to the bus wherever a pickup is heard: its tone.
    """

    parts: Mapping[str, Part]
    bus: str
    entries: Mapping[str, str] = field(default_factory=dict)
    exits: Mapping[str, str] = field(default_factory=dict)
    companions: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def _start(harness: Harness, slots: Sequence[str]) -> _Start:
    """Take a wiring's selecting switches out.

    Raises
    ------
    InputError
        If it does not lead its pickups to one place through switches.
    """
    if len(harness.slots) > 1:
        missing = [slot for slot in slots if slot not in harness.slots]
        if missing:
            raise InputError(
                f"the wiring '{harness.name}' has no pickup '{missing[0]}'.{did_you_mean(missing[0], harness.slots)}"
            )
    others = [part for part in harness.parts.values() if not isinstance(part, Switch)]
    switches = [part for part in harness.parts.values() if isinstance(part, Switch)]
    nets = Joined([tuple(node for node in part.joints if node != GROUND) for part in others])
    terminals = set(harness.terminals)
    lines = {slot: {node for node in terminals if node.startswith(f"{slot}.")} for slot in harness.slots}

    def slot_of(node: str) -> str | None:
        return next((slot for slot, own in lines.items() if any(nets.same(node, each) for each in own)), None)

    def is_after(node: str) -> bool:
        return nets.same(node, harness.output)

    mixed = [slot for slot, own in lines.items() if any(map(is_after, own))]
    if mixed and len(harness.slots) == 1 and not any(terminals & set(part.nodes) for part in switches):
        hot = f"{harness.slots[0]}.hot"
        return _Start(parts={part.name: _renamed(part, {hot: _BUS}) for part in harness.parts.values()}, bus=_BUS)
    if mixed:
        raise InputError(
            f"'{harness.name}' does not lead its pickups through a switch alone; start from another wiring, such as "
            "'one volume, one tone'"
        )
    moved = {
        part.control.name
        for part in switches
        if any(node in terminals or slot_of(node) is not None for node in part.nodes)
    }
    gone = [part for part in switches if part.control.name in moved]
    after = dict.fromkeys(node for part in gone for node in part.nodes if is_after(node))
    if len(after) != 1:
        raise InputError(
            f"the switch of '{harness.name}' leads to {len(after) or 'no'} places, so it is not known where "
            "pickups come in; start from another wiring, such as 'one volume, one tone'"
        )
    bus = next(iter(after))
    entries, exits = {}, {}
    for slot in slots if len(harness.slots) > 1 else ():
        if any(slot_of(node) == slot for part in others for node in part.joints):
            ways = dict.fromkeys(node for part in gone for node in part.nodes if slot_of(node) == slot)
            if len(ways) != 1:
                raise InputError(
                    f"the {slot} pickup of '{harness.name}' goes on in {len(ways)} ways; start from another"
                )
            entries[slot], exits[slot] = f"{slot} in", next(iter(ways)).replace(f"{slot}.hot", f"{slot} in")
    kept = {
        part.name: _renamed(part, {f"{slot}.hot": entry for slot, entry in entries.items()})
        for part in harness.parts.values()
        if part not in gone and not any(slot_of(node) not in (None, *slots) for node in part.joints)
    }
    return _Start(
        parts=kept,
        bus=bus,
        entries=entries,
        exits=exits,
        companions=_companions(harness, gone, bus, terminals, slot_of),
    )


def _renamed(part: Part, names: Mapping[str, str]) -> Part:
    if isinstance(part, Switch):
        positions = {
            position: tuple((names.get(one, one), names.get(other, other)) for one, other in pairs)
            for position, pairs in part.positions.items()
        }
        nodes = dict.fromkeys(node for pairs in positions.values() for pair in pairs for node in pair)
        return replace(part, positions=positions, nodes=tuple(nodes))
    return replace(part, nodes=tuple(names.get(node, node) for node in part.nodes))


def _companions(
    harness: Harness, gone: Sequence[Switch], bus: str, terminals: set[str], slot_of: object
) -> dict[str, tuple[str, ...]]:
    """Nodes that are joined to the bus in just those positions in which a pickup is."""
    assert callable(slot_of)
    uses = {node for part in harness.parts.values() if not isinstance(part, Switch) for node in part.joints}
    found: dict[str, tuple[str, ...]] = {}
    where: dict[str, set[str]] = {}
    for part in gone:
        for position, pairs in part.positions.items():
            for node in {node for pair in pairs for node in pair}:
                where.setdefault(node, set()).add(position)
    for node, positions in where.items():
        if node in (bus, GROUND) or node in terminals or node not in uses or slot_of(node) is not None:
            continue
        slot = next((each for each in harness.slots if where.get(f"{each}.hot") == positions), None)
        if slot is None:
            raise InputError(
                f"the switch of '{harness.name}' also moves '{node}', which follows no pickup; start from "
                "another wiring"
            )
        found[slot] = (*found.get(slot, ()), node)
    return found


def nearest_wiring(wishes: Sequence[Wish]) -> str:
    """Return the wiring of the catalogue that does the most of what is asked, with the fewest parts beside it.

    Raises
    ------
    InputError
        If none takes these pickups.
    """
    slots = _slots_of(wishes)
    found: list[tuple[int, int, int, int, int, int, str]] = []
    for name in catalogue().usable_names("harness"):
        harness: Harness = catalogue().load("harness", name)
        try:
            _start(harness, slots)
        except InputError:
            continue
        claimed = {(claim.selects and frozenset(claim.selects), claim.phase) for claim in harness.claims}
        kept = sum(
            (frozenset(voice.slot for voice in wish.voices), wish.phase if len(wish.voices) > 1 else None) in claimed
            for wish in wishes
        )
        others = [part for part in harness.parts.values() if not isinstance(part, Switch)]
        if any(isinstance(part, Pot) for part in others):
            spare = abs(len(harness.slots) - len(slots)), abs(len(others) - _USUAL_PARTS), len(harness.parts)
            found.append((spare[0], -kept, *spare[1:], abs(len(harness.claims) - len(wishes)), len(name), name))
    if not found:
        raise InputError(f"no wiring of the catalogue takes the pickups {join_words(slots)}; name one to start from")
    return min(found)[-1]


def _slots_of(wishes: Sequence[Wish]) -> list[str]:
    return list(dict.fromkeys(voice.slot for wish in wishes for voice in wish.voices))


# -------------------------------------------------------------------------------------------------- ways to join leads


def own_wiring(
    wishes: Sequence[Wish],
    start: Harness | None = None,
    *,
    rig: Rig | None = None,
    style: str | None = None,
    name: str = "own wiring",
) -> OwnWiring:
    """Search the contacts and the switch that do what is asked.

    Parameters
    ----------
    wishes : sequence of Wish
        In the order of the positions.
    start : Harness, optional
        What it is made from; the nearest of the catalogue where left out.
    rig : Rig, optional
        Whose pickups are wired; those of the catalogue that suit where left out.
    style : str, optional
        Of the switch, where it must be a lever, rotary …
    name : str
        Of the new wiring.

    Raises
    ------
    InputError
        If a position cannot do what is asked, or no switch makes the joins, with the reason.
    """
    _check(wishes, style)
    start = start or catalogue().load("harness", nearest_wiring(wishes))
    slots = _slots_of(wishes)
    kept = _start(start, slots)
    slots.sort(key=lambda slot: start.slots.index(slot) if slot in start.slots else len(start.slots))
    maker = _Maker(wishes, start, kept, slots, rig, name)
    if len(wishes) == 1:
        raise InputError("an own wiring needs at least two positions; one alone needs no switch")
    good = [maker.ways(wish) for wish in wishes]
    best: tuple[tuple[int, int], Harness, DeviceFit] | None = None
    failed: DeviceFit | None = None
    ranked = sorted(itertools.product(*map(range, map(len, good))), key=sum)[:MOST_FITTED]
    tried = 0
    for chosen in ranked:
        tried += 1
        joins = {wish.position: good[index][way] for index, (wish, way) in enumerate(zip(wishes, chosen))}
        harness = maker.harness(joins, style or SWITCH_STYLES[0])
        fit = fit_devices(harness)[SWITCH]
        if style and fit.device is not None and fit.device.style != style:
            fit = replace(fit, verdict="impossible", reason=f"no {style} switch of the catalogue makes these joins")
        if not fit.is_found or fit.device is None:
            failed = failed or fit
            continue
        cost = len(fit.device.poles), len(fit.nodes)
        if best is None or cost < best[0]:
            best = cost, harness, fit
        if cost[0] == 1:
            break
    if best is None:
        assert failed is not None  # there is at least one combination
        raise InputError(f"{failed.reason}; {tried} ways to join the leads were tried. {ONE_SWITCH}")
    _, harness, fit = best
    assert fit.device is not None
    part = harness.parts[SWITCH]
    assert isinstance(part, Switch)
    harness = harness.with_part(replace(part, device=fit.device.name, style=fit.device.style))
    found = maker.rig_of(harness)
    claims = tuple(_with_coils(claim, wish, found) for claim, wish in zip(harness.claims, wishes))
    harness = replace(harness, claims=claims)
    return OwnWiring(
        harness=harness,
        rig=found.replace(harness=harness),
        start=start.name,
        fit=fit_devices(harness)[SWITCH],
        tried=tried,
    )


def _with_coils(claim: Claim, wish: Wish, rig: Rig) -> Claim:
    """A claim that names the coil which was found for a split."""
    if all(voice.mode != "split" for voice in wish.voices):
        return claim
    heard = position_facts(rig.replace(settings=claim.where)).heard
    names = []
    for voice in wish.voices:
        coils = [f"{voice.slot}.{coil}" in heard for coil in rig.pickups[voice.slot].coils]
        names.append(voice.slot if all(coils) else f"{voice.slot}.{(FIRST, SECOND)[coils.index(True)]}")
    return replace(claim, selects=tuple(names))


def _check(wishes: Sequence[Wish], style: str | None) -> None:
    positions = [wish.position for wish in wishes]
    twice = next((each for each in positions if positions.count(each) > 1), None)
    if twice is not None:
        raise InputError(f"the position '{twice}' is given twice")
    if not _slots_of(wishes):
        raise InputError(f"no position says which pickup is heard; {SYNTAX}")
    if style is not None and style not in SWITCH_STYLES:
        raise InputError(f"there is no switch '{style}'.{did_you_mean(style, SWITCH_STYLES)}")


class _Maker:
    """Builds wirings from joins, and tries what their positions do."""

    def __init__(
        self,
        wishes: Sequence[Wish],
        start: Harness,
        kept: _Start,
        slots: Sequence[str],
        rig: Rig | None,
        name: str,
    ) -> None:
        self.kept, self.slots, self.given, self.name, self.start = kept, tuple(slots), rig, name, start.name
        self.output = kept.bus if start.output.partition(".")[0] in start.slots else start.output
        self.by_coil = {voice.slot for wish in wishes for voice in wish.voices if voice.mode}
        self.wishes = wishes
        if SWITCH in kept.parts or any(part.control_name == SWITCH for part in kept.parts.values()):
            raise InputError(f"the wiring '{start.name}' has another switch called '{SWITCH}'; rename it first")

    def rig_of(self, harness: Harness) -> Rig:
        """The wiring with the pickups that were given, or such as suit."""
        return rewired(self.given, harness) if self.given is not None else demo_rig(harness)

    def harness(self, joins: Mapping[str, Pairs], style: str) -> Harness:
        """A wiring with one switch; leads that stay on ground in every position where they are used are left out."""
        nodes = dict.fromkeys(node for pairs in joins.values() for pair in pairs for node in pair)
        grounds = [f"{slot}.ground" for slot in self.slots if f"{slot}.ground" in nodes]
        still = {
            node
            for node in grounds
            if all(GROUND in pair for pairs in joins.values() for pair in pairs if node in pair)
        }
        trimmed = {
            position: tuple(pair for pair in pairs if not still & set(pair)) for position, pairs in joins.items()
        }
        nodes = dict.fromkeys(node for pairs in trimmed.values() for pair in pairs for node in pair)
        switch = Switch(
            name=SWITCH,
            nodes=tuple(nodes),
            control_name=SWITCH,
            positions=trimmed,
            default=next(iter(trimmed)),
            style=style,
        )
        claims = tuple(_claim(wish) for wish in self.wishes if wish.position in joins)
        lines = {wish.position: wish for wish in self.wishes}
        summary = "; ".join(f"{position}: {_said(lines[position])}" for position in trimmed if position in lines)
        return Harness(
            name=self.name,
            summary=f"{capitalized(summary)}.",
            slots=self.slots,
            output=self.output,
            parts={SWITCH: switch, **self.kept.parts},
            claims=claims,
        )

    def ways(self, wish: Wish) -> list[Pairs]:
        """Return the ways to join the leads that do what is asked, the plainest first.

        Raises
        ------
        InputError
            If none does, with what the nearest one does.
        """
        if not wish.voices:
            return [()]
        said: dict[str, None] = {}
        good: list[Pairs] = []
        for way in itertools.islice(self._tried(wish), MOST_WAYS):
            harness = self.harness({wish.position: way}, SWITCH_STYLES[0])
            rig = self.rig_of(harness)
            wrong = broken_claims(rig)
            if not wrong and _is_heard(rig, wish):
                good.append(way)
            said.update(dict.fromkeys(each.rpartition(": claims ")[2] for each in wrong))
        if not good:
            raise InputError(
                f"position '{wish.position}': no way to join the leads of {join_words([v.slot for v in wish.voices])} "
                f"does it with these pickups; asked "
                f"{', or '.join(list(said)[:2]) or 'are other coils than those heard'}"
            )
        return good

    def _tried(self, wish: Wish) -> Iterator[Pairs]:
        """Yield ways to join: coils of split pickups, pickups turned round, and the order of pickups in series."""
        tied = [voice.slot for voice in wish.voices if voice.slot in self.kept.entries]
        if wish.in_series and tied:
            raise InputError(
                f"position '{wish.position}': in '{self.start}' the {tied[0]} pickup has a knob of its own before the "
                "switch, so it cannot stand in series with another; start from a wiring whose knobs follow the switch"
            )
        choices = [self._leads(voice) for voice in wish.voices]
        turned = sorted(itertools.product((False, True), repeat=len(wish.voices)), key=sum)
        orders = (
            list(itertools.permutations(range(len(wish.voices)))) if wish.in_series else [tuple(range(len(choices)))]
        )
        for reverse, order, leads in itertools.product(turned, orders, itertools.product(*choices)):
            if all(reverse):
                continue
            ends = [
                (bottom, top) if is_turned else (top, bottom) for is_turned, (_, top, bottom) in zip(reverse, leads)
            ]
            pairs = [pair for inner, _, _ in leads for pair in inner]
            pairs += self._companions(wish)
            if wish.in_series:
                chain = [ends[index] for index in order]
                pairs.append((chain[0][0], self.kept.bus))
                pairs += [(above[1], below[0]) for above, below in itertools.pairwise(chain)]
                pairs.append((chain[-1][1], GROUND))
            else:
                for voice, (top, bottom) in zip(wish.voices, ends):
                    entry = self.kept.entries.get(voice.slot)
                    pairs.append((top, self.kept.bus if entry is None else entry))
                    if entry is not None:
                        pairs.append((self.kept.exits[voice.slot], self.kept.bus))
                    pairs.append((bottom, GROUND))
            yield tuple(dict.fromkeys(pairs))

    def _companions(self, wish: Wish) -> list[tuple[str, str]]:
        return [(node, self.kept.bus) for voice in wish.voices for node in self.kept.companions.get(voice.slot, ())]

    def _leads(self, voice: Voice) -> list[tuple[Pairs, str, str]]:
        """Joins inside a pickup, and its upper and lower end, for each way to do what is asked of its coils."""
        slot = voice.slot
        if slot not in self.by_coil:
            return [((), f"{slot}.hot", f"{slot}.ground")]
        finish, start = ({coil: f"{slot}.{coil}.{end}" for coil in (FIRST, SECOND)} for end in ("finish", "start"))
        if voice.mode == "parallel":
            joins = ((finish[FIRST], finish[SECOND]), (start[FIRST], start[SECOND]))
            opposed = ((finish[FIRST], start[SECOND]), (start[FIRST], finish[SECOND]))
            return [(joins, finish[FIRST], start[FIRST]), (opposed, finish[FIRST], start[FIRST])]
        if voice.mode in ("split", FIRST, SECOND):
            coils = (SECOND, FIRST) if voice.mode == "split" else (voice.mode,)
            return [((), finish[coil], start[coil]) for coil in coils]
        series = (((start[FIRST], finish[SECOND]),), finish[FIRST], start[SECOND])
        opposed_series = (((start[FIRST], start[SECOND]),), finish[FIRST], finish[SECOND])
        return [series, opposed_series] if voice.mode == "series" else [series]


def _claim(wish: Wish) -> Claim:
    heard = tuple(
        f"{voice.slot}.{voice.mode}" if voice.mode in (FIRST, SECOND) else voice.slot
        for voice in wish.voices
        if voice.mode != "split"
    )
    is_whole = all(voice.mode != "split" for voice in wish.voices)
    is_pair = len(wish.voices) > 1 or any(voice.mode in ("parallel", "series") for voice in wish.voices)
    return Claim(
        where={SWITCH: wish.position},
        selects=heard if is_whole else None,
        phase=wish.phase if is_pair else None,
        hum=wish.hum,
    )


def _is_heard(rig: Rig, wish: Wish) -> bool:
    """Say whether one coil of each split pickup is heard, and every other pickup whole."""
    heard = position_facts(rig).heard
    for slot, pickup in rig.pickups.items():
        mode = next((voice.mode for voice in wish.voices if voice.slot == slot), None)
        count = sum(name.partition(".")[0] == slot for name in heard)
        if count != (0 if mode is None else 1 if mode in ("split", FIRST, SECOND) else len(pickup.coils)):
            return False
    return True


def _said(wish: Wish) -> str:
    if not wish.voices:
        return "silent"
    modes = {"": "", "split": " split", FIRST: " first coil", SECOND: " second coil"}
    names = [
        f"{voice.slot}{modes.get(voice.mode, f' coils in {voice.mode}')}".replace("_", " ") for voice in wish.voices
    ]
    tails = [" in series"] * wish.in_series + [" out of phase"] * (wish.phase == "out")
    return " + ".join(names) + "".join(tails)
