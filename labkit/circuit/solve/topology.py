"""From a `Circuit` to stages of plain branches: what is joined to what, before any value is looked at.

Closed contacts merge nodes, open ones vanish. A buffer passes signal one way only, so it cuts the circuit into
stages; within a stage every element becomes one or more two-terminal branches whose admittance is a real
coefficient times a frequency row. EMFs are carried by a branch in series with them (Norton form), so they may
float. An island that only magnetism reaches is tied to ground at one node, which changes no current.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from labkit.circuit.elements import (
    GROUND,
    AdmittanceRow,
    Buffer,
    Capacitor,
    Circuit,
    Contact,
    Coupling,
    CustomAdmittance,
    Element,
    Inductor,
    Resistor,
    Source,
)
from labkit.core.errors import CircuitError, join_words
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

    ``rule`` is "inverse" (1/value), "direct", "dissipation", or "short" (a fixed 1/`SHORT_OHM`).
    """

    branch: int
    row: AdmittanceRow
    element: str
    rule: str


@dataclass(frozen=True, slots=True, eq=False)
class CoupledGroup:
    """Inductors joined by couplings: their inverse inductance matrix lands on branches with signs."""

    inductors: tuple[str, ...]
    couplings: tuple[tuple[str, int, int], ...]
    landings: tuple[tuple[int, int, int, float], ...]
    """(branch, i, j, sign) for every entry of the inverse matrix that lands on a branch."""


@dataclass(frozen=True, slots=True)
class Injection:
    """An EMF seen as a current: enters ``into``, leaves ``out``, of size sign · EMF · admittance of ``carrier``."""

    source: str
    carrier: int
    into: int
    out: int
    sign: float


@dataclass(frozen=True, slots=True, eq=False)
class SolverStage:
    """One part of the circuit between buffers. Node 0 is ground, node 1 the output.

    ``branches`` are node pairs; the first ``len(branches) − len(carriers)`` are summed branches, carriers repeat
    an admittance that an injection needs by itself.
    """

    nodes: tuple[str, ...]
    branches: tuple[tuple[int, int], ...]
    terms: tuple[Term, ...]
    groups: tuple[CoupledGroup, ...]
    injections: tuple[Injection, ...]
    buffers: tuple[str, ...]
    drivable: Literal["driven", "grounded", "floating"] = "driven"
    """Whether anything can move the output: contacts may tie it to ground, or nothing may tie it there at all."""


@dataclass(frozen=True, slots=True, eq=False)
class Topology:
    """Every stage that reaches the output, by the name of the buffer it feeds; the last feeds nothing (``""``)."""

    stages: tuple[tuple[str, SolverStage], ...]
    """In the order they must be solved."""


def topology_key(circuit: Circuit) -> Hashable:
    """Return what decides the topology of a circuit and nothing else; equal keys share one compiled program."""
    return circuit.output, tuple(_shape(element) for element in circuit.elements)


def _shape(element: Element) -> Hashable:
    extra: Hashable = None
    if isinstance(element, Contact):
        extra = element.closed
    elif isinstance(element, CustomAdmittance):
        extra = element.row
    elif isinstance(element, Coupling):
        extra = element.inductors
    elif isinstance(element, Capacitor):
        extra = element.dissipation > 0
    return type(element), element.name, element.nodes, extra


def analyse(circuit: Circuit) -> Topology:
    """Split a circuit into solvable stages.

    Raises
    ------
    CircuitError
        If an EMF is shorted out by closed contacts, or buffers feed each other in a circle.
    """
    merged = Joined(contact.nodes for contact in circuit.of_kind(Contact) if contact.closed)
    for source in circuit.sources:
        if merged.same(*source.nodes):
            raise CircuitError(f"{circuit.name}: the EMF '{source.name}' is shorted out by contacts; open one of them")
    passive = [e for e in circuit.elements if not isinstance(e, Contact | Buffer)]
    component: Joined[str] = Joined()
    for element in passive:
        if isinstance(element, Coupling):
            live = [node for name in element.inductors if (node := _live_node(merged, circuit[name])) is not None]
        else:
            live = [merged.root(node) for node in element.nodes if not merged.same(node, GROUND)]
        if live:
            component.join(*live)
    buffers = circuit.of_kind(Buffer)
    stages: list[tuple[str, SolverStage]] = []
    waiting: list[str] = []

    def visit(target: str, feeds: str) -> None:
        if feeds in waiting:
            raise CircuitError(
                f"{circuit.name}: buffers {join_words(waiting[waiting.index(feeds) :])} feed each other in a circle"
            )
        if any(name == feeds for name, _ in stages):
            return
        waiting.append(feeds)
        root = component.root(merged.root(target))
        inside = [
            b
            for b in buffers
            if component.root(merged.root(b.nodes[1])) == root and merged.root(b.nodes[1]) != merged.root(GROUND)
        ]
        for buffer in inside:
            visit(buffer.nodes[0], buffer.name)
        members = [e for e in passive if _belongs(e, circuit, merged, component, root)]
        stages.append((feeds, _build_stage(circuit, members, inside, merged, merged.root(target))))
        waiting.remove(feeds)

    visit(circuit.output, "")
    return Topology(tuple(stages))


def _belongs(element: Element, circuit: Circuit, merged: Joined[str], component: Joined[str], root: str) -> bool:
    if isinstance(element, Coupling):
        return all(_belongs(circuit[name], circuit, merged, component, root) for name in element.inductors)
    node = _live_node(merged, element)
    return node is not None and component.root(node) == root


def _live_node(merged: Joined[str], element: Element) -> str | None:
    ground = merged.root(GROUND)
    return next((merged.root(node) for node in element.nodes if merged.root(node) != ground), None)


def _build_stage(
    circuit: Circuit, members: list[Element], buffers: list[Buffer], merged: Joined[str], output: str
) -> SolverStage:
    numbers: dict[str, int] = {merged.root(GROUND): 0}
    numbers.setdefault(output, 1)
    islands = Joined(map(merged.root, element.nodes) for element in members if not isinstance(element, Coupling))
    for buffer in buffers:
        islands.join(merged.root(buffer.nodes[1]), merged.root(GROUND))
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
    for buffer in buffers:
        touching.setdefault(number(buffer.nodes[1]), []).append(buffer)
    carried: dict[str, tuple[Source, int]] = {}
    for source in sources:
        plus, minus = number(source.nodes[0]), number(source.nodes[1])
        for terminal in (plus, minus):
            beside = [e for e in touching[terminal] if e is not source]
            if (
                terminal > 1
                and len(beside) == 1
                and isinstance(beside[0], Resistor | Inductor)
                and beside[0].name not in coupled | carried.keys()
            ):
                carried[beside[0].name] = (source, terminal)
                break
        else:
            builder.add_short_source(source.name, plus, minus)
    for element in members:
        if isinstance(element, Source | Coupling) or element.name in coupled:
            continue
        first, second = number(element.nodes[0]), number(element.nodes[1])
        if element.name in carried:
            source, terminal = carried[element.name]
            far = second if first == terminal else first
            plus, minus = number(source.nodes[0]), number(source.nodes[1])
            near = minus if terminal == plus else plus
            builder.add_carrier(element, source.name, near, far, 1.0 if terminal == plus else -1.0)
        else:
            builder.add(element, first, second)
    for buffer in buffers:
        builder.add_short_source(buffer.name, number(buffer.nodes[1]), 0, resistance_of=buffer)
    builder.add_coupled(circuit, members, number)
    names = tuple(sorted(numbers, key=numbers.__getitem__))
    if len(names) == 1:
        names = (*names, output)
    ground = merged.root(GROUND)
    drivable: Literal["driven", "grounded", "floating"] = "driven" if output != ground else "grounded"
    if islands.root(output) != islands.root(ground):
        drivable = "floating"
    return builder.stage(names, tuple(b.name for b in buffers), drivable)


class _StageBuilder:
    def __init__(self) -> None:
        self.branches: dict[tuple[int, int], int] = {}
        self.carriers: list[tuple[int, int]] = []
        self.terms: list[tuple[tuple[int, int] | int, AdmittanceRow, str, str]] = []
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
            self.terms.append((pair, row, element.name, rule))

    def add_carrier(self, element: Element, source: str, near: int, far: int, sign: float) -> None:
        """Put the EMF in series with an element: the branch runs from ``near`` to ``far``, current enters ``far``."""
        if near == far:
            return
        pair = self._pair(near, far)
        carrier = len(self.carriers)
        self.carriers.append(pair)
        for row, rule in _rows(element):
            self.terms.append((pair, row, element.name, rule))
            self.terms.append((carrier, row, element.name, rule))
        self.injections.append((source, carrier, far, near, sign))

    def add_short_source(self, source: str, plus: int, minus: int, *, resistance_of: Buffer | None = None) -> None:
        pair = self._pair(plus, minus)
        carrier = len(self.carriers)
        self.carriers.append(pair)
        rule = "short" if resistance_of is None else "output resistance"
        for place in (pair, carrier):
            self.terms.append((place, constant, source, rule))
        self.injections.append((source, carrier, plus, minus, 1.0))

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
        self, nodes: tuple[str, ...], buffers: tuple[str, ...], drivable: Literal["driven", "grounded", "floating"]
    ) -> SolverStage:
        summed = len(self.branches)
        terms = tuple(
            Term(self.branches[place] if isinstance(place, tuple) else summed + place, row, name, rule)
            for place, row, name, rule in self.terms
        )
        injections = tuple(
            Injection(source, summed + carrier, into, out, sign) for source, carrier, into, out, sign in self.injections
        )
        branches = (*self.branches, *self.carriers)
        return SolverStage(nodes, branches, terms, tuple(self.groups), injections, buffers, drivable)


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
