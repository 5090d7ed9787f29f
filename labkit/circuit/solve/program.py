"""A stage as a straight list of array operations: star–mesh elimination, written down once and run many times.

Inner nodes are eliminated in minimum-degree order. With s = 1/Σy of node k, every pair of its neighbours gains
y_i·s·y_j, and a current that enters k and leaves j is shared out to the neighbours m as J·y_m·s, still leaving j.
No diagonal is formed and nothing is subtracted, so a short of 1 nΩ beside 10 MΩ costs no digits.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from labkit.circuit.elements import AdmittanceRow
from labkit.circuit.solve.topology import SolverStage, inductive

OPEN_SIEMENS = 1e-150
"""Added to every Σy, so that a node which only opens reach gives zero instead of 0/0; its square is a number, too."""


@dataclass(frozen=True, slots=True, eq=False)
class Program:
    """Operations on numbered slots; slots 0 … B−1 hold the branch admittances, the rest is work space.

    ``operations`` are tuples of a letter and slots: ``("s", out, a, b, …)`` reciprocal of a sum,
    ``("m", out, a, b)`` product, ``("f", out, a, b)`` out += a·b, ``("n", out, a, b)`` out −= a·b,
    ``("e", out, a, source)`` out = a·EMF, ``("E", out, a, source)`` out += a·EMF (EMF with the sign of the injection).
    """

    operations: tuple[tuple[str | int, ...], ...]
    slots: int
    branches: int
    rows: tuple[AdmittanceRow, ...]
    cells: tuple[tuple[int, int], ...]
    """Branch and row of every coefficient that may differ from zero."""
    landings: tuple[int, ...]
    """To which of these each term of the stage adds, then each landing of its coupled groups."""
    through: int | None
    """Slot of the admittance from output to ground; None when nothing loads the output."""
    currents: tuple[int | None, ...]
    """Slot of the current into the output, one for each group of injections; None when none arrives."""
    dead_impedance: float | None = None
    """Impedance of an output that nothing can move: 0 Ω when grounded, 1/`OPEN_SIEMENS` when it floats."""
    descent: tuple[tuple[int, tuple[tuple[int, int | None], ...]], ...] = ()
    """For `node_voltages`: every inner node, last eliminated first, with its neighbours and the slots of their shares
    (None: the whole voltage of the only neighbour)."""


def compile_stage(stage: SolverStage, groups: tuple[tuple[int, ...], ...], *, with_nodes: bool = False) -> Program:
    """Write the program of a stage.

    Parameters
    ----------
    stage : SolverStage
    groups : tuple of tuples of int
        Injections (by index) that are summed into one current each; one group gives the summed response, one
        group per source gives every transfer by itself.
    with_nodes : bool
        Keep what `node_voltages` needs.
    """
    return _Compiler(stage, with_nodes).compile(groups)


class _Compiler:
    def __init__(self, stage: SolverStage, with_nodes: bool) -> None:
        self.stage = stage
        self.with_nodes = with_nodes
        self.descent: list[tuple[int, tuple[tuple[int, int | None], ...]]] = []
        self.summed = len(stage.branches) - len(stage.injections)
        self.branch = {pair: slot for slot, pair in enumerate(stage.branches[: self.summed])}
        self.neighbours: dict[int, set[int]] = {node: set() for node in range(len(stage.nodes))}
        for a, b in self.branch:
            self.neighbours[a].add(b)
            self.neighbours[b].add(a)
        self.operations: list[tuple[str | int, ...]] = []
        self.free: list[int] = []
        self.next_slot = len(stage.branches)

    def compile(self, groups: tuple[tuple[int, ...], ...]) -> Program:
        flows: list[dict[tuple[int, int], int]] = [{} for _ in groups]
        for flow, group in zip(flows, groups):
            for index in group:
                injection = self.stage.injections[index]
                pair, sign = _oriented(injection.into, injection.out)
                letter, slot = ("E", flow[pair]) if pair in flow else ("e", self._slot())
                flow[pair] = slot
                self.operations.append((letter, slot, injection.carrier, index if sign > 0 else ~index))
        inner = set(range(2, len(self.stage.nodes)))
        while inner:
            node = min(inner, key=lambda n: (len(self.neighbours[n]), n))
            self._eliminate(node, flows)
            inner.remove(node)
        through = self.branch.get((0, 1))
        used = [term.row for term in self.stage.terms] + [inductive] * bool(self.stage.groups)
        rows = tuple(dict.fromkeys(used))
        cells = [(term.branch, rows.index(term.row)) for term in self.stage.terms]
        cells += [(branch, rows.index(inductive)) for group in self.stage.groups for branch, *_ in group.landings]
        place = {cell: index for index, cell in enumerate(dict.fromkeys(cells))}
        return Program(
            tuple(self.operations),
            self.next_slot,
            len(self.stage.branches),
            rows,
            tuple(place),
            tuple(place[cell] for cell in cells),
            through,
            tuple(flow.get((0, 1)) for flow in flows),
            {"driven": None, "grounded": 0.0, "floating": 1 / OPEN_SIEMENS}[self.stage.drivable],
            tuple(reversed(self.descent)),
        )

    def _eliminate(self, node: int, flows: list[dict[tuple[int, int], int]]) -> None:
        around = sorted(self.neighbours.pop(node))
        spokes = {m: self.branch.pop(_pair(node, m)) for m in around}
        touched = [(flow, [pair for pair in flow if node in pair]) for flow in flows]
        if len(around) > 1:
            shares = self._shares(spokes, self.with_nodes or any(pairs for _, pairs in touched))
            for i, a in enumerate(around):
                for b in around[i + 1 :]:
                    self._accumulate(self.branch, _pair(a, b), shares[a], spokes[b], 1)
                    self.neighbours[a].add(b)
                    self.neighbours[b].add(a)
        elif around:
            shares = {}
        for flow, pairs in touched:
            for pair in pairs:
                slot = flow.pop(pair)
                far = pair[0] if pair[1] == node else pair[1]
                sign = _oriented(node, far)[1]
                if len(around) == 1:
                    if around[0] != far:
                        self._redirect(flow, around[0], far, slot, sign)
                        continue
                else:
                    for m in around:
                        if m != far:
                            to, orientation = _oriented(m, far)
                            self._accumulate(flow, to, slot, shares[m], sign * orientation)
                self.free.append(slot)
        for m in around:
            self.neighbours[m].discard(node)
        if self.with_nodes:
            self.descent.append((node, tuple((m, shares[m] if len(around) > 1 else None) for m in around)))
        elif len(around) > 1:
            self.free.extend({shares[m] for m in around})
        self.free.extend(spokes.values())

    def _shares(self, spokes: Mapping[int, int], all_needed: bool) -> dict[int, int]:
        total = self._slot()
        self.operations.append(("s", total, *spokes.values()))
        shares: dict[int, int] = {}
        nodes = list(spokes)
        for m in nodes if all_needed else nodes[:-1]:
            shares[m] = self._slot()
            self.operations.append(("m", shares[m], spokes[m], total))
        self.free.append(total)
        return {m: shares.get(m, shares[nodes[0]]) for m in nodes}

    def _accumulate(
        self, places: dict[tuple[int, int], int], pair: tuple[int, int], first: int, second: int, sign: int
    ) -> None:
        if pair in places:
            self.operations.append(("f" if sign > 0 else "n", places[pair], first, second))
        else:
            places[pair] = self._slot()
            self.operations.append(("m" if sign > 0 else "w", places[pair], first, second))

    def _redirect(self, flow: dict[tuple[int, int], int], into: int, out: int, slot: int, sign: int) -> None:
        pair, orientation = _oriented(into, out)
        if pair in flow:
            self.operations.append(("+" if sign * orientation > 0 else "-", flow[pair], slot))
            self.free.append(slot)
        elif sign * orientation > 0:
            flow[pair] = slot
        else:
            self.operations.append(("~", slot, slot))
            flow[pair] = slot

    def _slot(self) -> int:
        if self.free:
            return self.free.pop()
        self.next_slot += 1
        return self.next_slot - 1


def run(
    program: Program,
    coefficients: np.ndarray,
    basis: np.ndarray,
    emfs: Mapping[int, np.ndarray | float],
) -> np.ndarray:
    """Run a program on one block.

    Parameters
    ----------
    program : Program
    coefficients : ndarray, shape (cells, V), real
        Of the cells of the program.
    basis : ndarray, shape (rows, F), complex
        Rows of the program at the block's frequencies.
    emfs : mapping of int to float or ndarray broadcastable to (V, F)
        Signed EMF of every injection, volts.

    Returns
    -------
    ndarray, shape (groups + 1, V, F), complex
        Voltage at the output for each group; last, the output impedance, Ω.
    """
    if program.dead_impedance is not None:
        dead = np.zeros((len(program.currents) + 1, coefficients.shape[1], basis.shape[-1]), dtype=complex)
        dead[-1] = program.dead_impedance
        return dead
    return _results(program, _worked(program, coefficients, basis, emfs))


def node_voltages(program: Program, coefficients: np.ndarray, basis: np.ndarray) -> np.ndarray:
    """Return the voltage of every node for 1 A into the output and all sources silent.

    A stage is reciprocal, so this is also the voltage at the output for 1 A into each node: one pass gives the way of
    every part's noise to the output. A node that was eliminated sits at the mean of its neighbours, weighted by their
    shares.

    Parameters
    ----------
    program : Program
        Compiled ``with_nodes``, without injections.
    coefficients, basis : ndarray
        As for `run`.

    Returns
    -------
    ndarray, shape (nodes, V, F), complex, Ω
        Ground first, then the output; all zero where nothing can move the output.
    """
    count = len(program.descent) + 2
    voltages = np.zeros((count, coefficients.shape[1], basis.shape[-1]), dtype=complex)
    if program.dead_impedance is not None:
        return voltages
    work = _worked(program, coefficients, basis, {})
    voltages[1] = _results(program, work)[-1]
    for node, around in program.descent:
        for neighbour, share in around:
            if share is None:
                voltages[node] = voltages[neighbour]
            elif neighbour:
                voltages[node] += work[share] * voltages[neighbour]
    return voltages


def _worked(
    program: Program, coefficients: np.ndarray, basis: np.ndarray, emfs: Mapping[int, np.ndarray | float]
) -> np.ndarray:
    variants, points, branches = coefficients.shape[1], basis.shape[-1], program.branches
    work = np.empty((program.slots, variants, points), dtype=complex)
    if branches:
        table = np.zeros((branches, variants, len(program.rows)))
        for (branch, row), cell in zip(program.cells, coefficients):
            table[branch, :, row] = cell
        # One small product a branch: a single large one would wake the threads of the linear-algebra library, which
        # cost more processor time than they save and stall where cores are shared.
        np.matmul(table, basis.view(float), out=work[:branches].view(float))
    product = np.empty((variants, points), dtype=complex)
    for letter, out, *rest in program.operations:
        target = work[out]
        match letter:
            case "f":
                np.multiply(work[rest[0]], work[rest[1]], out=product)
                target += product
            case "m":
                np.multiply(work[rest[0]], work[rest[1]], out=target)
            case "s":
                np.add(work[rest[0]], work[rest[1]], out=product)
                for slot in rest[2:]:
                    product += work[slot]
                product += OPEN_SIEMENS
                np.reciprocal(product, out=target)
            case "n":
                np.multiply(work[rest[0]], work[rest[1]], out=product)
                target -= product
            case "w":
                np.multiply(work[rest[0]], work[rest[1]], out=target)
                np.negative(target, out=target)
            case "e" | "E":
                index = int(rest[1])
                emf = emfs[index] if index >= 0 else -emfs[~index]
                if letter == "e":
                    np.multiply(work[rest[0]], emf, out=target)
                else:
                    np.multiply(work[rest[0]], emf, out=product)
                    target += product
            case "+":
                target += work[rest[0]]
            case "-":
                target -= work[rest[0]]
            case "~":
                np.negative(target, out=target)
    return work


def _results(program: Program, work: np.ndarray) -> np.ndarray:
    result = np.zeros((len(program.currents) + 1, *work.shape[1:]), dtype=complex)
    impedance = result[-1]
    if program.through is None:
        impedance[:] = 1 / OPEN_SIEMENS
    else:
        np.add(work[program.through], OPEN_SIEMENS, out=impedance)
        np.reciprocal(impedance, out=impedance)
    for group, current in enumerate(program.currents):
        if current is not None:
            np.multiply(work[current], impedance, out=result[group])
            np.negative(result[group], out=result[group])
    return result


def blocks(variants: int, points: int, size: int) -> Iterator[tuple[slice, slice]]:
    """Cut a (variants, frequencies) table into blocks of about ``size`` points: whole rows where they fit.

    >>> [(v.start, v.stop, f.start, f.stop) for v, f in blocks(3, 4, 8)]
    [(0, 2, 0, 4), (2, 3, 0, 4)]
    """
    if points > size:
        for variant in range(variants):
            for start in range(0, points, size):
                yield slice(variant, variant + 1), slice(start, min(start + size, points))
        return
    rows = max(size // max(points, 1), 1)
    for start in range(0, variants, rows):
        yield slice(start, min(start + rows, variants)), slice(0, points)


def _pair(a: int, b: int) -> tuple[int, int]:
    return (a, b) if a < b else (b, a)


def _oriented(into: int, out: int) -> tuple[tuple[int, int], int]:
    """Return the ordered pair (into, out) is stored under, and the sign: +1 when current enters the lower node."""
    return ((into, out), 1) if into < out else ((out, into), -1)
