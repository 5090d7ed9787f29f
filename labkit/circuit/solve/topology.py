"""From a `Circuit` to stages of plain branches: what is joined to what, before any value is looked at.

Closed contacts merge nodes, open ones vanish. A controlled source passes signal one way only, so it cuts the circuit
into stages: one for the output and one for every node that a controlled source reads. Within a stage every element
becomes one or more two-terminal branches whose admittance is a real coefficient times a frequency row. EMFs are
carried by a branch in series with them (Norton form), so they may float. An island that only magnetism reaches is tied
to ground at one node, which changes no current.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from labkit.circuit.elements import (
    GROUND,
    AdmittanceRow,
    Capacitor,
    Circuit,
    Contact,
    ControlledCurrent,
    ControlledSource,
    Coupling,
    CustomAdmittance,
    Element,
    Inductor,
    InputNoise,
    Resistor,
    Source,
    control_nodes,
    driven_nodes,
)
from labkit.core.errors import CircuitError
from labkit.core.joined import Joined


def constant(omega: np.ndarray) -> np.ndarray:
    """Row 1: conductances."""
    return np.ones_like(omega, dtype=complex)


def capacitive(omega: np.ndarray) -> np.ndarray:
    """Row jω: capacitances."""
    return 1j * omega


def inductive(omega: np.ndarray) -> np.ndarray:
    """Row 1/(jω): inverse inductances."""
    return 1 / (1j * omega)


def dissipative(omega: np.ndarray) -> np.ndarray:
    """Row ω: conductance of a capacitor with constant tan δ."""
    return omega.astype(complex)


SHORT_OHM = 1e-9
"""Resistance that stands for zero; star–mesh elimination loses nothing with it."""


@dataclass(frozen=True, slots=True)
class Term:
    """One coefficient of one branch: which element's value it comes from and how.

    ``rule`` is "inverse" (1/value), "direct", "dissipation", "output resistance", or "short" (a fixed 1/`SHORT_OHM`).
    """

    branch: int
    row: AdmittanceRow
    element: str
    rule: str
    ends: tuple[int, int]
    """Nodes of the branch in the element's own order, which is one order in every stage."""


@dataclass(frozen=True, slots=True, eq=False)
class CoupledGroup:
    """Inductors joined by couplings: their inverse inductance matrix lands on branches with signs."""

    inductors: tuple[str, ...]
    couplings: tuple[tuple[str, int, int], ...]
    landings: tuple[tuple[int, int, int, float], ...]
    """(branch, i, j, sign) for every entry of the inverse matrix that lands on a branch."""


@dataclass(frozen=True, slots=True)
class Injection:
    """A source seen as a current: enters ``into``, leaves ``out``, of size sign · EMF · admittance of ``carrier``.

    Of a controlled current the carrier holds the transconductance, and the EMF is what it reads.
    """

    source: str
    carrier: int
    into: int
    out: int
    sign: float


@dataclass(frozen=True, slots=True, eq=False)
class SolverStage:
    """One part of the circuit between controlled sources. Node 0 is ground, node 1 the output.

    ``branches`` are node pairs; the first ``len(branches) − len(carriers)`` are summed branches, carriers repeat
    an admittance that an injection needs by itself.
    """

    nodes: tuple[str, ...]
    branches: tuple[tuple[int, int], ...]
    terms: tuple[Term, ...]
    groups: tuple[CoupledGroup, ...]
    injections: tuple[Injection, ...]
    driven: tuple[str, ...]
    """Controlled sources that act in this stage."""
    drivable: Literal["driven", "grounded", "floating"] = "driven"
    """Whether anything can move the output: contacts may tie it to ground, or nothing may tie it there at all."""


@dataclass(frozen=True, slots=True, eq=False)
class Topology:
    """Every stage that reaches the output, by the node at which it is read.

    Attributes
    ----------
    stages : tuple of (str, SolverStage)
        In the order they must be solved, where nothing feeds back.
    output : str
        Node of the last stage.
    controls : mapping of str to (str or None, str or None)
        What each controlled source reads, by nodes of stages; None is ground.
    is_loop : bool
        Whether a controlled source acts on what it reads, by itself or through others.
    noisy : mapping of str to (str or None, str or None)
        Between which nodes of stages the current of each `InputNoise` runs.
    """

    stages: tuple[tuple[str, SolverStage], ...]
    output: str
    controls: Mapping[str, tuple[str | None, str | None]]
    is_loop: bool
    noisy: Mapping[str, tuple[str | None, str | None]]


def topology_key(circuit: Circuit) -> Hashable:
    """Return what decides the topology of a circuit and nothing else; equal keys share one compiled program."""
    shapes: list[Hashable] = []
    for element in circuit.elements:
        kind = type(element)
        shapes.append((kind, element.name, element.nodes, _BESIDE_NODES[kind](element) if kind in _BESIDE_NODES else 0))
    return circuit.output, tuple(shapes)


_BESIDE_NODES: Mapping[type[Element], Callable[[Any], Hashable]] = {
    Contact: lambda contact: contact.closed,
    CustomAdmittance: lambda custom: custom.row,
    Coupling: lambda coupling: coupling.inductors,
    Capacitor: lambda capacitor: capacitor.dissipation > 0,
}
"""What else than its nodes decides what an element is to a topology."""


def analyse(circuit: Circuit) -> Topology:
    """Split a circuit into solvable stages.

    Raises
    ------
    CircuitError
        If an EMF is shorted out by closed contacts.
    """
    merged = Joined(contact.nodes for contact in circuit.of_kind(Contact) if contact.closed)
    for source in circuit.sources:
        if merged.same(*source.nodes):
            raise CircuitError(f"{circuit.name}: the EMF '{source.name}' is shorted out by contacts; open one of them")
    passive = [e for e in circuit.elements if not isinstance(e, Contact | ControlledSource | InputNoise)]
    component: Joined[str] = Joined()
    for element in passive:
        if isinstance(element, Coupling):
            live = [node for name in element.inductors if (node := _live_node(merged, circuit[name].nodes)) is not None]
        else:
            live = [merged.root(node) for node in element.nodes if not merged.same(node, GROUND)]
        if live:
            component.join(*live)
    controlled = [e for e in circuit.elements if isinstance(e, ControlledSource)]
    for driven in controlled:
        if live := [merged.root(node) for node in driven_nodes(driven) if not merged.same(node, GROUND)]:
            component.join(*live)

    def pair(nodes: tuple[str, ...]) -> tuple[str | None, str | None]:
        plus, minus = (None if merged.same(node, GROUND) else merged.root(node) for node in nodes)
        return (None, None) if plus == minus else (plus, minus)

    controls = {driven.name: pair(control_nodes(driven)) for driven in controlled}
    noisy = {noise.name: pair(noise.nodes) for noise in circuit.of_kind(InputNoise)}
    observed = {node for ends in (*controls.values(), *noisy.values()) for node in ends if node is not None}
    stages: list[tuple[str, SolverStage]] = []
    waiting: list[str] = []
    used: dict[str, tuple[str | None, str | None]] = {}
    is_loop = False

    def visit(target: str) -> None:
        nonlocal is_loop
        is_loop |= target in waiting
        if target in waiting or any(name == target for name, _ in stages):
            return
        waiting.append(target)
        root = component.root(target)
        inside = [
            s
            for s in controlled
            if (node := _live_node(merged, driven_nodes(s))) is not None
            and component.root(node) == root
            and not merged.same(*driven_nodes(s))
        ]
        for driven in inside:
            used[driven.name] = controls[driven.name]
            for read in controls[driven.name]:
                if read is not None:
                    visit(read)
        members = [e for e in passive if _belongs(e, circuit, merged, component, root)]
        stages.append((target, _build_stage(circuit, members, inside, merged, target, observed)))
        waiting.remove(target)

    output = merged.root(circuit.output)
    visit(output)
    return Topology(tuple(stages), output, used, is_loop, noisy)


def _belongs(element: Element, circuit: Circuit, merged: Joined[str], component: Joined[str], root: str) -> bool:
    if isinstance(element, Coupling):
        return all(_belongs(circuit[name], circuit, merged, component, root) for name in element.inductors)
    node = _live_node(merged, element.nodes)
    return node is not None and component.root(node) == root


def _live_node(merged: Joined[str], nodes: Iterable[str]) -> str | None:
    ground = merged.root(GROUND)
    return next((merged.root(node) for node in nodes if merged.root(node) != ground), None)


def _build_stage(
    circuit: Circuit,
    members: list[Element],
    controlled: list[ControlledSource],
    merged: Joined[str],
    output: str,
    observed: set[str],
) -> SolverStage:
    numbers: dict[str, int] = {merged.root(GROUND): 0}
    numbers.setdefault(output, 1)
    islands = Joined(map(merged.root, element.nodes) for element in members if not isinstance(element, Coupling))
    for driven in controlled:
        if not isinstance(driven, ControlledCurrent):
            islands.join(*map(merged.root, driven_nodes(driven)))
    tied: dict[str, str] = {}

    def number(node: str) -> int:
        name = merged.root(node)
        island = islands.root(name)
        floats = island not in (islands.root(merged.root(GROUND)), islands.root(output))
        if floats and tied.setdefault(island, name) == name:
            return 0
        return numbers.setdefault(name, len(numbers))

    builder = _StageBuilder()
    coupled = {name for e in members if isinstance(e, Coupling) for name in e.inductors}
    sources = [e for e in members if isinstance(e, Source)]
    touching: dict[int, list[Element]] = {}
    for element in members:
        if not isinstance(element, Coupling):
            for node in element.nodes:
                touching.setdefault(number(node), []).append(element)
    for driven in controlled:
        for node in driven_nodes(driven):
            touching.setdefault(number(node), []).append(driven)
    carried: dict[str, tuple[Source, int]] = {}
    for source in sources:
        plus, minus = number(source.nodes[0]), number(source.nodes[1])
        for terminal, name in zip((plus, minus), source.nodes):
            beside = [e for e in touching[terminal] if e is not source]
            if (
                terminal > 1
                and merged.root(name) not in observed
                and len(beside) == 1
                and isinstance(beside[0], Resistor | Inductor)
                and beside[0].name not in coupled | carried.keys()
            ):
                carried[beside[0].name] = (source, terminal)
                break
        else:
            builder.add_voltage(source.name, plus, minus)
    for element in members:
        if isinstance(element, Source | Coupling) or element.name in coupled:
            continue
        first, second = number(element.nodes[0]), number(element.nodes[1])
        if element.name in carried:
            source, terminal = carried[element.name]
            far = second if first == terminal else first
            plus, minus = number(source.nodes[0]), number(source.nodes[1])
            near = minus if terminal == plus else plus
            ends = (near, far) if first == terminal else (far, near)
            builder.add_carrier(element, source.name, near, far, 1.0 if terminal == plus else -1.0, ends)
        else:
            builder.add(element, first, second)
    for driven in controlled:
        first, second = map(number, driven_nodes(driven))
        if isinstance(driven, ControlledCurrent):
            builder.add_current(driven.name, first, second)
        else:
            builder.add_voltage(driven.name, first, second, "output resistance")
    builder.add_coupled(circuit, members, number)
    names = tuple(sorted(numbers, key=numbers.__getitem__))
    if len(names) == 1:
        names = (*names, output)
    ground = merged.root(GROUND)
    drivable: Literal["driven", "grounded", "floating"] = "driven" if output != ground else "grounded"
    if islands.root(output) != islands.root(ground):
        drivable = "floating"
    return builder.stage(names, tuple(driven.name for driven in controlled), drivable)


class _StageBuilder:
    def __init__(self) -> None:
        self.branches: dict[tuple[int, int], int] = {}
        self.carriers: list[tuple[int, int]] = []
        self.terms: list[tuple[tuple[int, int] | int, AdmittanceRow, str, str, tuple[int, int]]] = []
        self.groups: list[CoupledGroup] = []
        self.injections: list[tuple[str, int, int, int, float]] = []

    def _pair(self, first: int, second: int) -> tuple[int, int]:
        pair = (min(first, second), max(first, second))
        self.branches.setdefault(pair, len(self.branches))
        return pair

    def add(self, element: Element, first: int, second: int) -> None:
        if first == second:
            return
        pair = self._pair(first, second)
        for row, rule in _rows(element):
            self.terms.append((pair, row, element.name, rule, (first, second)))

    def add_carrier(
        self, element: Element, source: str, near: int, far: int, sign: float, ends: tuple[int, int]
    ) -> None:
        """Put the EMF in series with an element: the branch runs from ``near`` to ``far``, current enters ``far``."""
        if near == far:
            return
        pair = self._pair(near, far)
        carrier = len(self.carriers)
        self.carriers.append(pair)
        for row, rule in _rows(element):
            self.terms.append((pair, row, element.name, rule, ends))
            self.terms.append((carrier, row, element.name, rule, ends))
        self.injections.append((source, carrier, far, near, sign))

    def add_voltage(self, source: str, plus: int, minus: int, rule: str = "short") -> None:
        pair = self._pair(plus, minus)
        carrier = len(self.carriers)
        self.carriers.append(pair)
        for place in (pair, carrier):
            self.terms.append((place, constant, source, rule, (plus, minus)))
        self.injections.append((source, carrier, plus, minus, 1.0))

    def add_current(self, source: str, first: int, second: int) -> None:
        """Put a controlled current from ``first`` to ``second``: it adds no admittance of its own."""
        carrier = len(self.carriers)
        self.carriers.append((min(first, second), max(first, second)))
        self.terms.append((carrier, constant, source, "direct", (first, second)))
        self.injections.append((source, carrier, second, first, 1.0))

    def add_coupled(self, circuit: Circuit, members: list[Element], number: Callable[[str], int]) -> None:
        couplings = [e for e in members if isinstance(e, Coupling)]
        groups = Joined(coupling.inductors for coupling in couplings)
        by_root: dict[str, list[str]] = {}
        for element in members:
            if isinstance(element, Inductor) and any(element.name in c.inductors for c in couplings):
                by_root.setdefault(groups.root(element.name), []).append(element.name)
        for names in by_root.values():
            ends = [tuple(number(node) for node in circuit[name].nodes) for name in names]
            landings: list[tuple[tuple[int, int], int, int, float]] = []
            for i, (a, b) in enumerate(ends):
                if a != b:
                    landings.append((self._pair(a, b), i, i, 1.0))
                for j in range(i + 1, len(ends)):
                    c, d = ends[j]
                    for x, y, sign in ((a, c, -1.0), (a, d, 1.0), (b, c, 1.0), (b, d, -1.0)):
                        if x != y and a != b and c != d:
                            landings.append((self._pair(x, y), i, j, sign))
            own = tuple(
                (c.name, names.index(c.inductors[0]), names.index(c.inductors[1]))
                for c in couplings
                if c.inductors[0] in names
            )
            numbered = tuple((self.branches[pair], i, j, sign) for pair, i, j, sign in landings)
            self.groups.append(CoupledGroup(tuple(names), own, numbered))

    def stage(
        self, nodes: tuple[str, ...], driven: tuple[str, ...], drivable: Literal["driven", "grounded", "floating"]
    ) -> SolverStage:
        summed = len(self.branches)
        terms = tuple(
            Term(self.branches[place] if isinstance(place, tuple) else summed + place, row, name, rule, ends)
            for place, row, name, rule, ends in self.terms
        )
        injections = tuple(
            Injection(source, summed + carrier, into, out, sign) for source, carrier, into, out, sign in self.injections
        )
        branches = (*self.branches, *self.carriers)
        return SolverStage(nodes, branches, terms, tuple(self.groups), injections, driven, drivable)


def _rows(element: Element) -> Iterable[tuple[AdmittanceRow, str]]:
    if isinstance(element, Resistor):
        return ((constant, "inverse"),)
    if isinstance(element, Capacitor):
        lossless = ((capacitive, "direct"),)
        return (*lossless, (dissipative, "dissipation")) if element.dissipation > 0 else lossless
    if isinstance(element, Inductor):
        return ((inductive, "inverse"),)
    if isinstance(element, CustomAdmittance):
        return ((element.row, "direct"),)
    raise CircuitError(f"part '{element.name}' is of a kind the solver does not know: {type(element).__name__}")
