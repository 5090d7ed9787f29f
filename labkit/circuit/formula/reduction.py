"""From a `Circuit` to the smallest network with the same answer: what a formula is written for.

Ideal voltages (EMFs, closed contacts, exact shorts, buffer outputs) are taken out by contraction: every node is a
root node plus EMFs. Branches that cannot influence the output are left out, and equal kinds in parallel or in
series are lumped. Nothing here is an approximation except what `ReducedNetwork.left_out` names.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from labkit.circuit.elements import (
    GROUND,
    Buffer,
    Capacitor,
    Circuit,
    Contact,
    ControlledCurrent,
    ControlledVoltage,
    Coupling,
    CustomAdmittance,
    Element,
    Inductor,
    Resistor,
    Source,
    control_nodes,
    driven_nodes,
)
from labkit.core.errors import CircuitError

Kind = Literal["R", "L", "C"]

Driven = tuple[tuple[str, int], ...]
"""A sum of signed ideal voltages by name: EMFs and buffer outputs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Branch:
    """A resistance, inductance or capacitance between root nodes ``start`` and ``end``, with EMFs in series.

    The voltage across it is V_start − V_end + ``driven``. ``members`` are the parts it stands for, each with
    d ln(value) / d ln(part), and ``combination`` says in words how they lie.
    """

    kind: Kind
    start: int
    end: int
    driven: Driven
    value: float
    members: tuple[tuple[str, float], ...]
    combination: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeVoltage:
    """An original node's voltage: that of a root node plus ideal voltages."""

    root: int
    driven: Driven


@dataclass(frozen=True, slots=True, kw_only=True)
class ReducedBuffer:
    """A buffer or controlled voltage: its name, its gain and the voltage it reads, less another where it reads two."""

    name: str
    gain: float
    reads: NodeVoltage
    less: NodeVoltage | None = None

    @property
    def voltages(self) -> tuple[NodeVoltage, ...]:
        """What it reads."""
        return (self.reads,) if self.less is None else (self.reads, self.less)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutual:
    """Mutual inductance between two branches: their places in the list, its coefficient k and the coupling's name."""

    first: int
    second: int
    coefficient: float
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReducedNetwork:
    """What is left of a circuit: ``size`` root nodes (0 is ground), branches, and the voltage that is wanted.

    Attributes
    ----------
    without_influence : tuple of str
        Parts that cannot change the output, in the circuit's order.
    left_out : tuple of str
        Sentences on what a rational formula cannot hold.
    """

    name: str
    size: int
    branches: tuple[Branch, ...]
    mutuals: tuple[Mutual, ...]
    stages: tuple[ReducedBuffer, ...]
    output: NodeVoltage
    weights: tuple[tuple[str, float], ...]
    without_influence: tuple[str, ...]
    left_out: tuple[str, ...]


CORNER_OHM = 1e3

MOST_ELEMENTS = 500
"""More than a formula can be written of: a rig has tens, and a long cable in sections some hundreds."""

SHORT_BELOW_OHM = 1e-9
"""Up to here a resistance is a short, as in the numeric solver."""


def reduce_circuit(circuit: Circuit, *, separate: Collection[str] = ()) -> ReducedNetwork:
    """Return the smallest network with the same response.

    Parameters
    ----------
    circuit : Circuit
    separate : collection of str
        Parts that are not to be lumped with others.

    Raises
    ------
    CircuitError
        If ideal voltages contradict each other, the output is connected to nothing, there are more than
        `MOST_ELEMENTS`, or a kind of element has no formula.
    """
    if len(circuit.elements) > MOST_ELEMENTS:
        raise CircuitError(
            f"{circuit.name}: a formula is written of at most {MOST_ELEMENTS} elements, and this circuit has "
            f"{len(circuit.elements)}; its curve is to be had all the same (labkit response)"
        )
    circuit = _without_corners(circuit)
    contraction = _contract(circuit)
    branches, left_out = _branches(circuit, contraction)
    place = {branch.members[0][0]: index for index, branch in enumerate(branches)}
    couplings = [
        (place[one], place[two], coupling)
        for coupling in circuit.of_kind(Coupling)
        if coupling.coefficient
        for one, two in [coupling.inductors]
    ]
    stages: dict[str, ReducedBuffer] = {}
    for stage in circuit.elements:
        if not isinstance(stage, Buffer | ControlledVoltage):
            continue
        plus, minus = control_nodes(stage)
        less = None if minus == GROUND else contraction.voltage(minus)
        stages[stage.name] = ReducedBuffer(name=stage.name, gain=stage.gain, reads=contraction.voltage(plus), less=less)
    output = contraction.voltage(circuit.output)
    kept, read, used = _influential(circuit, branches, couplings, stages, output)
    couplings = [entry for entry in couplings if entry[0] in kept and entry[1] in kept]
    coupled = {index for one, two, _ in couplings for index in (one, two)}
    mutual_names = [(branches[one].members[0][0], branches[two].members[0][0], entry) for one, two, entry in couplings]
    protected = {branches[index].members[0][0] for index in coupled} | set(separate)
    lumped = _lump([branches[index] for index in sorted(kept)], read, protected)
    wanted = (output, *(voltage for name in used for voltage in stages[name].voltages))
    lumped, renumber = _renumber(lumped, [voltage.root for voltage in wanted])
    place = {branch.members[0][0]: index for index, branch in enumerate(lumped)}
    alive = {name for branch in lumped for name, _ in branch.members} | {entry.name for _, _, entry in couplings}
    alive |= set(used)
    heard = {name for branch in lumped for name, _ in branch.driven}
    heard |= {name for voltage in wanted for name, _ in voltage.driven}
    passive = (Resistor, Inductor, Capacitor, Coupling, Buffer, ControlledVoltage)
    return ReducedNetwork(
        name=circuit.name,
        size=len(set(renumber.values()) | {0}),
        branches=tuple(lumped),
        mutuals=tuple(
            Mutual(first=place[one], second=place[two], coefficient=entry.coefficient, name=entry.name)
            for one, two, entry in mutual_names
        ),
        stages=tuple(
            replace(
                stages[name],
                reads=_moved(stages[name].reads, renumber),
                less=None if (less := stages[name].less) is None else _moved(less, renumber),
            )
            for name in used
        ),
        output=_moved(output, renumber),
        weights=tuple((source.name, source.voltage) for source in circuit.sources if source.name in heard),
        without_influence=tuple(
            part.name for part in circuit.elements if isinstance(part, passive) and part.name not in alive
        ),
        left_out=tuple(left_out),
    )


class _Contraction:
    """Union–find over nodes with the ideal voltage between each node and its root."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.parent: dict[str, tuple[str, dict[str, int]]] = {}
        self.numbers: dict[str, int] = {GROUND: 0}

    def find(self, node: str) -> tuple[str, dict[str, int]]:
        """Return the root and V_node − V_root."""
        total: dict[str, int] = {}
        while node in self.parent:
            node, step = self.parent[node]
            total = _sum(total, step)
        return node, total

    def join(self, part: str, nodes: tuple[str, ...], driven: dict[str, int]) -> None:
        """Fix V_high − V_low."""
        high, low = nodes
        (root_high, over_high), (root_low, over_low) = self.find(high), self.find(low)
        # V_root_high − V_root_low = driven + over_low − over_high
        between = _sum(_sum(driven, over_low), over_high, -1)
        if root_high == root_low:
            if between:
                raise CircuitError(
                    f"{self.circuit.name}: '{part}' closes a loop of ideal voltages at node '{high}', which has no "
                    "answer; a resistance must lie in the loop"
                )
            return
        if root_high == GROUND or (root_high == self.circuit.output and root_low != GROUND):
            self.parent[root_low] = (root_high, _sum({}, between, -1))
        else:
            self.parent[root_high] = (root_low, between)

    def voltage(self, node: str) -> NodeVoltage:
        root, over = self.find(node)
        return NodeVoltage(root=self.numbers.setdefault(root, len(self.numbers)), driven=_tuple(over))


def _contract(circuit: Circuit) -> _Contraction:
    contraction = _Contraction(circuit)
    for element in circuit.elements:
        match element:
            case Contact(closed=True) | Resistor(resistance=0.0):
                contraction.join(element.name, element.nodes, {})
            case Resistor(resistance=resistance) if resistance <= SHORT_BELOW_OHM:
                contraction.join(element.name, element.nodes, {})
            case Source():
                contraction.join(element.name, element.nodes, {element.name: 1})
            case Buffer() | ControlledVoltage():
                low = driven_nodes(element)[1]
                contraction.join(element.name, (_driven_node(element), low), {element.name: 1})
    return contraction


def _driven_node(stage: Buffer | ControlledVoltage) -> str:
    return driven_nodes(stage)[0] if stage.output_resistance <= SHORT_BELOW_OHM else f"inside {stage.name}"


def _without_corners(circuit: Circuit) -> Circuit:
    """Write a gain that falls from a corner on as one that does not, 1 kΩ and a capacitor: the same, in plain parts."""
    elements: list[Element] = []
    for element in circuit.elements:
        if isinstance(element, ControlledCurrent):
            raise CircuitError(
                f"{circuit.name}: '{element.name}' is a controlled current, which has no formula here; write it as a "
                "voltage behind a resistance"
            )
        if not isinstance(element, ControlledVoltage) or math.isinf(element.corner_hz):
            elements.append(element)
            continue
        before, after = f"gain of {element.name}", f"corner of {element.name}"
        farad = 1 / (2 * math.pi * element.corner_hz * CORNER_OHM)
        elements += [
            replace(element, name=before, nodes=(before, GROUND, *element.nodes[2:]), corner_hz=math.inf,
                    output_resistance=0.0),
            Resistor(name=f"{element.name} corner resistor", nodes=(before, after), resistance=CORNER_OHM),
            Capacitor(name=f"{element.name} corner capacitor", nodes=(after, GROUND), capacitance=farad),
            replace(element, nodes=(*element.nodes[:2], after, GROUND), gain=1.0, corner_hz=math.inf),
        ]  # fmt: skip
    return replace(circuit, elements=tuple(elements))


def _branches(circuit: Circuit, contraction: _Contraction) -> tuple[list[Branch], list[str]]:
    branches: list[Branch] = []
    left_out: list[str] = []

    def add(name: str, kind: Kind, nodes: tuple[str, ...], value: float) -> None:
        start, end = (contraction.voltage(node) for node in nodes)
        driven = _tuple(_sum(dict(start.driven), dict(end.driven), -1))
        branches.append(
            Branch(
                kind=kind,
                start=start.root,
                end=end.root,
                driven=driven,
                value=value,
                members=((name, 1.0),),
                combination=name,
            )
        )

    for element in circuit.elements:
        match element:
            case Resistor(resistance=resistance) if SHORT_BELOW_OHM < resistance < math.inf:
                add(element.name, "R", element.nodes, resistance)
            case Inductor():
                add(element.name, "L", element.nodes, element.inductance)
            case Capacitor() if element.capacitance > 0:
                add(element.name, "C", element.nodes, element.capacitance)
                if element.dissipation:
                    left_out.append(f"the loss of '{element.name}' (dissipation factor {element.dissipation:g})")
            case CustomAdmittance() if element.coefficient > 0:
                left_out.append(f"'{element.name}' (its own frequency dependence)")
            case Buffer() | ControlledVoltage() if element.output_resistance > SHORT_BELOW_OHM:
                add(element.name, "R", (driven_nodes(element)[0], _driven_node(element)), element.output_resistance)
    return branches, left_out


def _influential(
    circuit: Circuit,
    branches: Sequence[Branch],
    couplings: Sequence[tuple[int, int, Coupling]],
    stages: dict[str, ReducedBuffer],
    output: NodeVoltage,
) -> tuple[set[int], set[int], tuple[str, ...]]:
    """Return the branches that matter, the root nodes whose voltage is read, and the buffers in use.

    A branch matters for a node's voltage if it lies on a loop with an imagined branch from that node to ground, or
    if it is coupled to one that does and can carry a current.
    """
    edges = [(branch.start, branch.end) for branch in branches]
    blocks = _blocks(edges)
    kept: set[int] = set()
    read: set[int] = set()
    used: dict[str, None] = {}
    pending = [output]
    while pending:
        voltage = pending.pop()
        news = set()
        if voltage.root not in read and voltage.root != 0:
            read.add(voltage.root)
            news = next(block for block in _blocks([*edges, (voltage.root, 0)]) if len(edges) in block) - {len(edges)}
            if not news:
                raise CircuitError(f"{circuit.name}: {_where(circuit, stages, voltage)} is connected to nothing")
        growing = True
        while growing:
            growing = False
            for one, two, _ in couplings:
                for here, there in ((one, two), (two, one)):
                    if here in news | kept and there not in news | kept:
                        block = next(block for block in blocks if there in block)
                        # A lone branch between two different nodes closes no loop and carries no current.
                        if len(block) > 1 or edges[there][0] == edges[there][1]:
                            news |= block
                            growing = True
        kept |= news
        names = [name for name, _ in voltage.driven] + [name for index in news for name, _ in branches[index].driven]
        for name in names:
            if name in stages and name not in used:
                used[name] = None
                pending += stages[name].voltages
    return kept, read, tuple(used)


def _where(circuit: Circuit, stages: dict[str, ReducedBuffer], voltage: NodeVoltage) -> str:
    reader = next((stage.name for stage in stages.values() if voltage in stage.voltages), None)
    return f"the output '{circuit.output}'" if reader is None else f"the input of '{reader}'"


def _blocks(edges: Sequence[tuple[int, int]]) -> list[set[int]]:
    """Return the biconnected components of a multigraph as sets of edge numbers (a loop at one node is its own)."""
    touching: dict[int, list[int]] = {}
    for index, (one, two) in enumerate(edges):
        touching.setdefault(one, []).append(index)
        if two != one:
            touching.setdefault(two, []).append(index)
    blocks = [{index} for index, (one, two) in enumerate(edges) if one == two]
    order: dict[int, int] = {}
    lowest: dict[int, int] = {}
    stack: list[int] = []
    done: set[int] = set()

    def visit(node: int) -> None:
        order[node] = lowest[node] = len(order)
        for index in touching[node]:
            one, two = edges[index]
            if index in done or one == two:
                continue
            done.add(index)
            other = two if one == node else one
            stack.append(index)
            if other in order:
                lowest[node] = min(lowest[node], order[other])
                continue
            visit(other)
            lowest[node] = min(lowest[node], lowest[other])
            if lowest[other] >= order[node]:
                block = set()
                while index not in block:
                    block.add(stack.pop())
                blocks.append(block)

    for node in touching:
        if node not in order:
            visit(node)
    return blocks


def _lump(branches: list[Branch], read: set[int], protected: set[str]) -> list[Branch]:
    """Take equal kinds in parallel and in series together until nothing changes."""

    def free(branch: Branch) -> bool:
        return all(name not in protected for name, _ in branch.members) and branch.start != branch.end

    changed = True
    while changed:
        changed = False
        for first in range(len(branches)):
            for second in range(first + 1, len(branches)):
                one, two = branches[first], branches[second]
                if one.kind != two.kind or not free(one) or not free(two):
                    continue
                merged = _parallel(one, two) or _series(one, two, branches, read)
                if merged:
                    branches = [merged if at == first else branch for at, branch in enumerate(branches) if at != second]
                    changed = True
                    break
            if changed:
                break
    return branches


def _parallel(one: Branch, two: Branch) -> Branch | None:
    for turned in (two, _turned(two)):
        if (one.start, one.end, one.driven) == (turned.start, turned.end, turned.driven):
            return _merged(one, two, sign="∥")
    return None


def _series(one: Branch, two: Branch, branches: Iterable[Branch], read: set[int]) -> Branch | None:
    shared = ({one.start, one.end} & {two.start, two.end}) - read - {0}
    for node in shared:
        if sum((branch.start == node) + (branch.end == node) for branch in branches) != 2:
            continue
        left = one if one.end == node else _turned(one)
        right = two if two.start == node else _turned(two)
        merged = _merged(left, right, sign="+")
        return replace(
            merged, start=left.start, end=right.end, driven=_tuple(_sum(dict(left.driven), dict(right.driven)))
        )
    return None


def _merged(one: Branch, two: Branch, *, sign: Literal["∥", "+"]) -> Branch:
    """Take two branches together, in parallel (∥) or in series (+)."""
    adds = (one.kind == "C") == (sign == "∥")
    value = one.value + two.value if adds else one.value * two.value / (one.value + two.value)
    members = tuple(
        (name, weight * (branch.value / value if adds else value / branch.value))
        for branch in (one, two)
        for name, weight in branch.members
    )
    other = "+" if sign == "∥" else "∥"
    sides = (
        f"({branch.combination})" if f" {other} " in branch.combination else branch.combination for branch in (one, two)
    )
    return replace(one, value=value, members=members, combination=f" {sign} ".join(sides))


def _turned(branch: Branch) -> Branch:
    driven = tuple((name, -sign) for name, sign in branch.driven)
    return replace(branch, start=branch.end, end=branch.start, driven=driven)


def _renumber(branches: list[Branch], read: Iterable[int]) -> tuple[list[Branch], dict[int, int]]:
    """Number the nodes in use from 0; an island that only magnetism reaches is tied to ground at one node."""
    neighbours: dict[int, set[int]] = {0: set(), **{node: set() for node in read}}
    for branch in branches:
        neighbours.setdefault(branch.start, set()).add(branch.end)
        neighbours.setdefault(branch.end, set()).add(branch.start)
    numbers: dict[int, int] = {}
    for beginning in neighbours:
        if beginning in numbers:
            continue
        numbers[beginning] = 0
        queue = [beginning]
        while queue:
            for node in sorted(neighbours[queue.pop()]):
                if node not in numbers:
                    numbers[node] = max(numbers.values()) + 1
                    queue.append(node)
    moved = [replace(branch, start=numbers[branch.start], end=numbers[branch.end]) for branch in branches]
    return moved, numbers


def _moved(voltage: NodeVoltage, numbers: dict[int, int]) -> NodeVoltage:
    return replace(voltage, root=numbers[voltage.root])


def _sum(one: dict[str, int], two: dict[str, int], factor: int = 1) -> dict[str, int]:
    total = dict(one)
    for name, sign in two.items():
        total[name] = total.get(name, 0) + factor * sign
    return {name: sign for name, sign in total.items() if sign}


def _tuple(driven: dict[str, int]) -> Driven:
    return tuple(sorted(driven.items()))
