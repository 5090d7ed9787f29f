"""Which real switch makes the joins of a harness, and what goes to each of its lugs.

A sheet says for each position which nodes are joined. A device has poles, each of which joins its common to some
throws. `fit_device` searches for nodes on the lugs such that every position is the same circuit. Joins that may as well
stay soldered in every position need no contact; where there is a choice they go to ground, so that a coil that is not
heard hangs on ground and not on the hot.

A search that ends says "impossible"; one that is broken off after so many tries says "not found". What is searched:
every join that a position asks for is made there by a contact or is soldered for good, and further joins are allowed
only where they change nothing. Whether two circuits are the same is tried with values drawn at random.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

import numpy as np

from labkit.circuit.elements import GROUND
from labkit.core.errors import InputError, join_words
from labkit.core.joined import Joined
from labkit.rig.devices.device import Device, Pole, device_called, devices, pole_lug
from labkit.rig.harness import Harness
from labkit.rig.parts.active import OnboardBuffer
from labkit.rig.parts.parts import UNCONNECTED, Pot, Switch

Verdict = Literal["found", "impossible", "not found"]
Pairs = tuple[tuple[str, str], ...]

BUDGET = 4000
"""Tries of one round of a search before it is broken off."""
_MOST_SOLDERED = 24
_SEED = 20261


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceFit:
    """What a search for a switch found.

    Attributes
    ----------
    control : str
        The switch of the harness.
    verdict : "found", "impossible" or "not found"
        Impossible only after a whole search; not found where it was broken off.
    device : Device or None
        The one that was found, or the one that was asked for.
    nodes : mapping of str to str
        Node at each lug in use, by lug.
    order : tuple of str
        The switch's positions in the order of the device's.
    soldered : tuple of pair of str
        Nodes that are joined for good beside the contacts.
    reason : str
        Why there is none; empty where there is.
    """

    control: str
    verdict: Verdict
    device: Device | None = None
    nodes: Mapping[str, str] = field(default_factory=dict)
    order: tuple[str, ...] = ()
    soldered: Pairs = ()
    reason: str = ""

    @property
    def is_found(self) -> bool:
        """Say whether there is a device."""
        return self.verdict == "found"

    @property
    def words(self) -> str:
        """The device, and the throws that it joins to their commons in each position."""
        if self.device is None:
            return _said(self.control)
        positions = []
        for index, position in enumerate(self.order):
            throws = [throw for _, throw in self.device.joined(index) if throw in self.nodes]
            positions.append(f"{_said(position)} {' '.join(throws) or 'none'}")
        return f"{_said(self.control)}: {self.device.name}. Joined to the common: {'; '.join(positions)}."

    def joins(self, position: str) -> Pairs:
        """Return the pairs of nodes that the device joins in a position, what is soldered for good left out."""
        if self.device is None:
            return ()
        lugs = self.device.joined(self.order.index(position))
        return tuple(
            (self.nodes[one], self.nodes[other]) for one, other in lugs if one in self.nodes and other in self.nodes
        )


def _said(name: str) -> str:
    return name.replace("_", " ")


def switches_of(harness: Harness, control: str) -> tuple[Switch, ...]:
    """Return the parts that one switch of a harness moves."""
    return tuple(part for part in harness.parts.values() if isinstance(part, Switch) and part.control.name == control)


def asked_joins(harness: Harness, control: str) -> dict[str, Pairs]:
    """Return for each position of a switch the pairs of nodes that its sheet joins, those of ganged parts together."""
    parts = switches_of(harness, control)
    return {
        position: tuple(pair for part in parts for pair in part.positions[position]) for position in parts[0].positions
    }


def always_joined(harness: Harness) -> Pairs:
    """Return the pairs that some switch joins in all of its positions: they are wires, not contacts."""
    found: list[tuple[str, str]] = []
    for selector in harness.selectors:
        sets = [{(min(pair), max(pair)) for pair in pairs} for pairs in asked_joins(harness, selector.name).values()]
        found += sorted(set.intersection(*sets))
    return tuple(found)


class _Behaviour:
    """What is heard of a harness whose nodes are joined in some way, in numbers that compare.

    Every branch has an admittance drawn at random, the coils of a pickup are coupled; two ways of joining that give
    the same signal of every coil and the same impedance at the jack are the same circuit for other values too.
    """

    def __init__(self, harness: Harness) -> None:
        self.output = harness.output
        random = np.random.default_rng(_SEED)
        self.branches: list[tuple[str, str]] = []
        self.buffers: list[tuple[str, str]] = []
        for part in harness.parts.values():
            if isinstance(part, Switch):
                continue
            if isinstance(part, Pot):
                clockwise, wiper, counter = part.nodes
                self.branches += [(end, wiper) for end in (clockwise, counter) if end != UNCONNECTED]
            elif isinstance(part, OnboardBuffer):
                self.buffers.append((part.nodes[0], part.nodes[1]))
            else:
                self.branches += [(part.joints[0], other) for other in part.joints[1:]]
        self.admittance = random.uniform(0.5, 2.0, len(self.branches))
        self.coils = [coil for slot in harness.slots for coil in coils_of(harness, slot)]
        slots = [start.partition(".")[0] for start, _ in self.coils]
        impedance = np.diag(random.uniform(0.5, 2.0, len(self.coils)))
        for one, other in itertools.combinations(range(len(self.coils)), 2):
            if slots[one] == slots[other]:
                impedance[one, other] = impedance[other, one] = random.uniform(0.05, 0.2)
        self.coil_admittance = np.linalg.inv(impedance) if self.coils else impedance
        self._known: dict[frozenset[tuple[str, str]], np.ndarray] = {}

    def of(self, pairs: Sequence[tuple[str, str]]) -> np.ndarray:
        """Return the signal of each coil at the jack and the impedance there, shape (coils + 1,)."""
        key = frozenset(pairs)
        if key not in self._known:
            self._known[key] = self._solved(Joined(pairs))
        return self._known[key]

    def _solved(self, joined: Joined[str]) -> np.ndarray:
        ground, output = joined.root(GROUND), joined.root(self.output)
        index: dict[str, int] = {}

        def at(node: str) -> int:
            root = joined.root(node)
            return -1 if root == ground else index.setdefault(root, len(index))

        if output == ground:
            return np.zeros(len(self.coils) + 1)
        where = at(output)
        ends = [(at(one), at(other)) for one, other in self.branches]
        coils = [(at(start), at(finish)) for start, finish in self.coils]
        buffers = [(at(before), at(after)) for before, after in self.buffers]
        size = len(index)
        # ground is the last row, dropped at the end; the leak keeps what hangs loose from being singular
        incidence = np.zeros((size + 1, len(ends)))
        for branch, (one, other) in enumerate(ends):
            incidence[one, branch] += 1
            incidence[other, branch] -= 1
        across = np.zeros((size + 1, len(coils)))
        for coil, (start, finish) in enumerate(coils):
            across[finish, coil] += 1
            across[start, coil] -= 1
        matrix = (incidence * self.admittance) @ incidence.T + across @ self.coil_admittance @ across.T
        for before, after in buffers:
            matrix[before, before] += 0.3
            matrix[after, after] += 3.0
            matrix[after, before] -= 2.7
        matrix = matrix[:size, :size] + 1e-9 * np.eye(size)
        driven = np.column_stack([across @ self.coil_admittance, np.eye(size + 1)[:, where]])[:size]
        return np.asarray(np.linalg.solve(matrix, driven)[where])

    def same(self, one: Sequence[tuple[str, str]], other: Sequence[tuple[str, str]]) -> bool:
        """Say whether two ways of joining are one circuit."""
        return bool(np.allclose(self.of(one), self.of(other), rtol=0, atol=1e-6))


def coils_of(harness: Harness, slot: str) -> tuple[tuple[str, str], ...]:
    """Return start and finish of every coil of a slot that the wiring reaches; ground and hot where it takes the whole.

    The ground of a slot that no part names is the instrument's ground.
    """
    terminals = [node for node in harness.terminals if node.partition(".")[0] == slot]
    singles = dict.fromkeys(node.rpartition(".")[0] for node in terminals if node.count(".") == 2)
    if singles:
        return tuple((f"{coil}.start", f"{coil}.finish") for coil in singles)
    return ((f"{slot}.ground" if f"{slot}.ground" in terminals else GROUND, f"{slot}.hot"),)


class _Search:
    """The joins that one switch of a harness has to make."""

    def __init__(self, harness: Harness, control: str, behaviour: _Behaviour) -> None:
        self.harness, self.control, self.behaviour = harness, control, behaviour
        self.asked = asked_joins(harness, control)
        self.always = always_joined(harness)
        others = [asked_joins(harness, other.name) for other in harness.selectors if other.name != control]
        self.elsewhere: list[Pairs] = [
            tuple(pair for pairs in combination for pair in pairs)
            for combination in itertools.product(*(other.values() for other in others))
        ]

    def is_same(self, position: str, joins: Pairs) -> bool:
        """Say whether joins of a position sound as those that were asked for, wherever the other switches stand."""
        return all(
            self.behaviour.same((*self.always, *self.asked[position], *elsewhere), (*self.always, *joins, *elsewhere))
            for elsewhere in self.elsewhere
        )

    def soldered(self) -> list[Pairs]:
        """Return the sets of joins that may stay in every position: none first, then to ground, the largest first."""
        pairs = dict.fromkeys((min(pair), max(pair)) for joins in self.asked.values() for pair in joins)
        candidates = [pair for pair in pairs if pair not in self.always and self._may_stay((pair,))][:8]
        sets = [
            chosen
            for count in range(len(candidates), 0, -1)
            for chosen in itertools.combinations(candidates, count)
            if count == 1 or self._may_stay(chosen)
        ]
        sets.sort(key=lambda chosen: (sum(GROUND not in pair for pair in chosen), -len(chosen)))
        return [(), *sets[:_MOST_SOLDERED]]

    def _may_stay(self, pairs: Pairs) -> bool:
        return all(self.is_same(position, (*joins, *pairs)) for position, joins in self.asked.items())

    def orders(self, device: Device) -> list[tuple[str, ...]]:
        """Return the orders of the positions on a device: the sheet's first; three may stand in any order."""
        names = tuple(self.asked)
        return list(itertools.permutations(names)) if len(names) == device.position_count == 3 else [names]

    def fit(self, device: Device) -> DeviceFit:
        """Search one device."""
        names = tuple(self.asked)
        if not device.suits(len(names)):
            reason = f"switch '{self.control}' has {len(names)} positions; '{device.name}' has {device.position_count}"
            return DeviceFit(control=self.control, verdict="impossible", device=device, reason=reason)
        soldered = self.soldered()
        harmless = [pairs for pairs in soldered if all(GROUND in pair for pair in pairs)]
        rounds = ((harmless, False), (harmless, True), (soldered[len(harmless) :], True))
        is_whole = True
        for sets, slack in rounds:
            for pairs, order in itertools.product(sets, self.orders(device)):
                trial = _Assignment(self, device, order, pairs, slack)
                is_whole = is_whole and trial.tries <= BUDGET
                if trial.found is not None:
                    return self._found(device, trial.found, order, pairs)
        return DeviceFit(
            control=self.control,
            verdict="impossible" if is_whole else "not found",
            device=device,
            reason=self._reason(device) if is_whole else self._broken_off(device),
        )

    def _broken_off(self, device: Device) -> str:
        return (
            f"switch '{self.control}': no wiring of '{device.name}' was found in {BUDGET} tries a round, "
            "and there may be one; name another device, or write fewer joins"
        )

    def _reason(self, device: Device) -> str:
        for position, pairs in self.asked.items():
            index = list(self.asked).index(position)
            left = [pair for pair in pairs if (min(pair), max(pair)) not in self.always]
            if left and not device.joined(index) and not self.is_same(position, ()):
                return (
                    f"switch '{self.control}': position '{position}' must join {left[0][0]} and {left[0][1]}, and "
                    f"'{device.name}' joins nothing there"
                )
        return (
            f"switch '{self.control}': no wiring of '{device.name}' makes the joins of {join_words(list(self.asked))} "
            f"apart from each other; it needs more poles, or another kind of switch"
        )

    def _found(
        self, device: Device, lugs: Mapping[tuple[int, int | None], str], order: tuple[str, ...], soldered: Pairs
    ) -> DeviceFit:
        poles = _pole_order(device, lugs, self.harness)
        nodes = {pole_lug(poles[pole], throw): node for (pole, throw), node in lugs.items()}
        return DeviceFit(
            control=self.control,
            verdict="found",
            device=device,
            nodes={lug: nodes[lug] for lug in device.lugs if lug in nodes},
            order=order,
            soldered=soldered,
        )


class _Assignment:
    """One depth-first search: cover the first join that is still missing with some pole, until none is."""

    def __init__(self, search: _Search, device: Device, order: tuple[str, ...], soldered: Pairs, slack: bool) -> None:
        self.search, self.device, self.order, self.slack = search, device, order, slack
        self.soldered = soldered
        self.tries = 0
        fixed = Joined((*search.always, *soldered))
        self.pairs: list[list[tuple[str, str]]] = [
            [
                (fixed.root(one), fixed.root(other))
                for one, other in search.asked[position]
                if not fixed.same(one, other)
            ]
            for position in order
        ]
        self.nodes = list(dict.fromkeys(node for pairs in self.pairs for pair in pairs for node in pair))
        self.classes = [Joined(pairs) for pairs in self.pairs]
        self.silent = [self._silent_nodes(position) for position in order] if slack else []
        self.throws = [
            {throw: [i for i in range(len(order)) if throw in pole[i]] for throw in sorted(frozenset().union(*pole))}
            for pole in device.poles
        ]
        self.allowed: dict[Pole, dict[str, dict[int, list[str]]]] = {}
        for pole, throws in zip(device.poles, self.throws):
            self.allowed.setdefault(pole, self._allowed(throws))
        self.found = self._cover({}) if self.nodes else ({} if self._is_right({}) else None)

    def _silent_nodes(self, position: str) -> frozenset[str]:
        """Nodes that may be joined to any one other node in a position without a change."""
        asked = self.search.asked[position]
        return frozenset(
            node
            for node in self.nodes
            if all(
                self.search.is_same(position, (*asked, *self.soldered, (node, other)))
                for other in (GROUND, self.search.harness.output)
            )
        )

    def _allowed(self, throws: Mapping[int, list[int]]) -> dict[str, dict[int, list[str]]]:
        """For each node at the common the nodes that may sit at each throw."""
        found: dict[str, dict[int, list[str]]] = {}
        for common in self.nodes:
            at_throws = {
                throw: [
                    node for node in self.nodes if node != common and all(self._fits(common, node, i) for i in closed)
                ]
                for throw, closed in throws.items()
            }
            if any(at_throws.values()):
                found[common] = at_throws
        uses = Counter(node for pairs in self.pairs for pair in pairs for node in pair)
        return dict(sorted(found.items(), key=lambda item: -uses[item[0]]))

    def _fits(self, one: str, other: str, index: int) -> bool:
        if self.classes[index].same(one, other):
            return True
        return self.slack and (one in self.silent[index] or other in self.silent[index])

    def _joins(self, lugs: Mapping[tuple[int, int | None], str], index: int) -> list[tuple[str, str]]:
        found = []
        for (pole, throw), node in lugs.items():
            if throw is not None and throw in self.device.poles[pole][index]:
                found.append((lugs[pole, None], node))
        return found

    def _is_right(self, lugs: Mapping[tuple[int, int | None], str]) -> bool:
        return all(
            self.search.is_same(position, (*self.soldered, *self._joins(lugs, index)))
            for index, position in enumerate(self.order)
        )

    def _missing(self, lugs: Mapping[tuple[int, int | None], str]) -> tuple[int, str] | None:
        for index, pairs in enumerate(self.pairs):
            made = Joined(self._joins(lugs, index))
            for one, other in pairs:
                if not made.same(one, other):
                    return index, one
        return None

    def _cover(self, lugs: dict[tuple[int, int | None], str]) -> dict[tuple[int, int | None], str] | None:
        self.tries += 1
        if self.tries > BUDGET:
            return None
        missing = self._missing(lugs)
        if missing is None or (self.slack and self._is_right(lugs)):
            return lugs if self._is_right(lugs) else None
        index, node = missing
        group = self.classes[index].root(node)
        made = Joined(self._joins(lugs, index))
        tried: set[Pole] = set()
        for pole, closes in enumerate(self.device.poles):
            common = lugs.get((pole, None))
            if common is None:
                if closes in tried:  # a free pole like one that was tried already
                    continue
                tried.add(closes)
            for at_common, at_throws in self.allowed[closes].items():
                if common not in (None, at_common) or self.classes[index].root(at_common) != group:
                    continue
                for throw in sorted(closes[index]):
                    if (pole, throw) in lugs:
                        continue
                    for at_throw in at_throws[throw]:
                        if self.classes[index].root(at_throw) != group or made.same(at_common, at_throw):
                            continue
                        found = self._cover({**lugs, (pole, None): at_common, (pole, throw): at_throw})
                        if found is not None or self.tries > BUDGET:
                            return found
        return None


def _pole_order(device: Device, lugs: Mapping[tuple[int, int | None], str], harness: Harness) -> dict[int, int]:
    """Put poles that are alike in an order that is easy to wire: those with the pickups' leads first, unused last."""

    def rank(pole: int) -> tuple[bool, int]:
        mine = [node for (found, _), node in lugs.items() if found == pole]
        return not mine, -sum(node.partition(".")[0] in harness.slots for node in mine)

    order: dict[int, int] = {}
    for closes in dict.fromkeys(device.poles):
        alike = [pole for pole, each in enumerate(device.poles) if each == closes]
        order |= dict(zip(sorted(alike, key=rank), alike))
    return order


def fit_device(harness: Harness, control: str, device: Device) -> DeviceFit:
    """Search for a wiring of one device that does what a switch of a harness does.

    Parameters
    ----------
    harness : Harness
    control : str
        Name of the switch.
    device : Device
        A switch.

    Returns
    -------
    DeviceFit
        Found, impossible (after a whole search), or not found (broken off), with the reason.
    """
    return _Search(harness, control, _Behaviour(harness)).fit(device)


def refusal(harness: Harness, fit: DeviceFit, doing: str) -> InputError:
    """Return the error of a wiring that no real switch makes: what cannot be done with it, why, and what to do.

    Parameters
    ----------
    harness : Harness
    fit : DeviceFit
        Of the switch for which none was found.
    doing : str
        What was asked for: "soldered" or "drawn".
    """
    return InputError(
        f"harness '{harness.name}' cannot be {doing} as it stands: {fit.reason} ('labkit catalogue device' lists the "
        "switches; a sheet of your own adds one)"
    )


def fit_devices(harness: Harness) -> dict[str, DeviceFit]:
    """Return for every switch of a harness the device that its sheet names, or the plainest that does what it does.

    Where the sheet names none, devices of its style are tried first, in the order of the catalogue.
    """
    return dict(_fits(_Known(harness)))


class _Known:
    """A harness that equals another with the same parts, so that a search is not run twice."""

    def __init__(self, harness: Harness) -> None:
        self.harness = harness
        self.key = (harness.slots, harness.output, tuple(repr(part) for part in harness.parts.values()))

    def __hash__(self) -> int:
        return hash(self.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Known) and self.key == other.key


@lru_cache(maxsize=256)
def _fits(known: _Known) -> tuple[tuple[str, DeviceFit], ...]:
    harness = known.harness
    behaviour = _Behaviour(harness)
    return tuple((selector.name, _best_fit(harness, selector.name, behaviour)) for selector in harness.selectors)


def _best_fit(harness: Harness, control: str, behaviour: _Behaviour) -> DeviceFit:
    search = _Search(harness, control, behaviour)
    switches = switches_of(harness, control)
    named = dict.fromkeys(switch.device for switch in switches if switch.device is not None)
    if len(named) > 1:
        raise InputError(
            f"harness '{harness.name}': the parts of switch '{control}' name two devices, {join_words(list(named))}"
        )
    for name in named:
        return search.fit(device_called(name, "switch"))
    style = switches[0].style
    tried: list[DeviceFit] = []
    on_the_hot: DeviceFit | None = None
    for device in devices("switch", style):
        if device.suits(len(search.asked)) and (on_the_hot is None or device.style == style):
            fit = search.fit(device)
            if fit.is_found and all(GROUND in pair for pair in fit.soldered):
                return fit
            if fit.is_found:
                on_the_hot = on_the_hot or fit
            tried.append(fit)
    if on_the_hot is not None:
        return on_the_hot
    if not tried:
        reason = f"switch '{control}' has {len(search.asked)} positions, and no switch of the catalogue has so many"
        return DeviceFit(control=control, verdict="impossible", reason=reason)
    return next((fit for fit in tried if fit.verdict == "not found"), tried[0])
