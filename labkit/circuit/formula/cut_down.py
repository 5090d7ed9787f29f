"""A circuit cut down to what matters: without the parts that would move its curve by less than `WITHIN_DB`."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from labkit.circuit.elements import (
    Capacitor,
    Circuit,
    Contact,
    Coupling,
    CustomAdmittance,
    Element,
    Inductor,
    InputNoise,
    Resistor,
)
from labkit.circuit.formula.closed_forms import in_short
from labkit.circuit.formula.names import name_symbols
from labkit.circuit.formula.reduction import ReducedNetwork, reduce_circuit
from labkit.circuit.solve.solver import solve
from labkit.core.errors import CircuitError
from labkit.core.grid import frequency_grid
from labkit.core.response import gain_db

WITHIN_DB = 0.1
"""How far the cut-down circuit may be from the whole one between 20 Hz and 20 kHz, dB."""

LOUD_DB = 60.0
"""Where the curve is further than this below its highest point, its cut-down form is not held to `WITHIN_DB`."""

_POINTS = 96


@dataclass(frozen=True, slots=True, kw_only=True)
class CutDown:
    """The circuit without the parts that move its curve by less than `WITHIN_DB`, all left out together.

    Attributes
    ----------
    circuit : Circuit
    dropped : tuple of str
        Each with how: "tone.lower opened", "volume.upper shorted".
    worst_db, worst_hz : float
        Greatest difference from the whole circuit, and where.
    lines : tuple of str
        The formula: voltage dividers where its shape allows, otherwise its parts.
    """

    circuit: Circuit
    dropped: tuple[str, ...]
    worst_db: float
    worst_hz: float
    lines: tuple[str, ...]


# How a value stands for a part that is gone, while the topology stays the same and the solver's program with it.
_GONE: Mapping[tuple[type[Element], str], float] = {
    (Resistor, "opened"): 1e14,
    (Resistor, "shorted"): 1e-4,
    (Capacitor, "opened"): 1e-21,
    (Capacitor, "shorted"): 1e-1,
    (Inductor, "opened"): 1e8,
    (Inductor, "shorted"): 1e-9,
    (Coupling, "taken out"): 0.0,
    (CustomAdmittance, "opened"): 0.0,
}


def cut_down(circuit: Circuit, within_db: float = WITHIN_DB) -> CutDown:
    """Return the circuit without the parts that move its curve by less than a limit, all left out together.

    The least influential part goes first, opened or shorted, and each next one is tried on what is left.

    Parameters
    ----------
    circuit : Circuit
    within_db : float, dB
    """
    grid = frequency_grid(points=_POINTS)
    levels = gain_db(solve(circuit, grid).transfer)
    loud = levels > np.max(levels) - LOUD_DB

    def moved(other: np.ndarray) -> np.ndarray:
        worst: np.ndarray = np.max(np.abs(gain_db(other) - levels)[..., loud], axis=-1)
        return worst

    dead = {name for name in reduce_circuit(circuit).without_influence if not _is_extreme(circuit[name])}
    plain = replace(
        circuit,
        elements=tuple(part for part in circuit.elements if not isinstance(part, InputNoise) and part.name not in dead),
    )
    plain, dropped = _without_loss(plain, lambda changed: float(moved(solve(changed, grid).transfer)), within_db)
    coupled = {name for coupling in plain.of_kind(Coupling) for name in coupling.inductors}
    tried = [
        (part, how)
        for part in plain.elements
        for kind, how in _GONE
        if type(part) is kind and part.name not in coupled and not _is_extreme(part)
    ]
    names = dict.fromkeys(part.name for part, _ in tried)
    own = {name: _value(plain[name]) for name in names}
    batch = {name: np.full(len(tried), value) for name, value in own.items()}
    for place, (part, how) in enumerate(tried):
        batch[part.name][place] = _GONE[type(part), how]
    order = [] if not tried else np.argsort(moved(solve(plain, grid, batch).transfer), kind="stable").tolist()
    gone: dict[str, str] = {}
    now = dict(own)
    for part, how in (tried[place] for place in order):
        if part.name in gone:
            continue
        trial = now | {part.name: _GONE[type(part), how]}
        if float(moved(solve(plain, grid, trial).transfer)) <= within_db:
            gone[part.name], now = how, trial
    left, worst = _without(plain, gone), math.inf
    while gone:
        try:
            worst = float(moved(solve(left, grid).transfer))
        except CircuitError:
            worst = math.inf
        if worst <= within_db:
            break
        gone.popitem()
        left = _without(plain, gone)
    difference = np.where(loud, np.abs(gain_db(solve(left, grid).transfer) - levels), 0.0)
    return CutDown(
        circuit=left,
        dropped=(*dropped, *(f"{name} {how}" for name, how in gone.items())),
        worst_db=float(np.max(difference)),
        worst_hz=float(grid[int(np.argmax(difference))]),
        lines=divider_lines(reduce_circuit(left)),
    )


def _is_extreme(part: Element) -> bool:
    """Whether a part is a short or an open already."""
    return isinstance(part, Resistor) and not 1e-6 < part.resistance < math.inf


def _value(part: Element) -> float:
    for kind, field in ((Resistor, "resistance"), (Capacitor, "capacitance"), (Inductor, "inductance")):
        if isinstance(part, kind):
            return float(getattr(part, field))
    return float(part.coefficient) if isinstance(part, Coupling | CustomAdmittance) else math.nan


def _without_loss(
    circuit: Circuit, moved: Callable[[Circuit], float], within_db: float
) -> tuple[Circuit, tuple[str, ...]]:
    """Take the dissipation out of all capacitors, where half the limit allows it."""
    lossy = [part.name for part in circuit.of_kind(Capacitor) if part.dissipation]
    bare = replace(
        circuit,
        elements=tuple(
            replace(part, dissipation=0.0) if isinstance(part, Capacitor) else part for part in circuit.elements
        ),
    )
    if not lossy or moved(bare) > within_db / 2:
        return circuit, ()
    return bare, tuple(f"loss of {name}" for name in lossy)


def _without(circuit: Circuit, gone: Mapping[str, str]) -> Circuit:
    elements: list[Element] = []
    for part in circuit.elements:
        how = gone.get(part.name)
        if how is None:
            elements.append(part)
        elif how == "shorted":
            elements.append(Contact(name=part.name, nodes=part.nodes, closed=True))
    return replace(circuit, elements=tuple(elements))


@dataclass(frozen=True, slots=True)
class _Edge:
    """An impedance between two nodes with an EMF in series that raises ``start``; ``ties`` is what its words hold."""

    start: int
    end: int
    words: str
    emf: float
    ties: str = ""

    def turned(self) -> _Edge:
        return replace(self, start=self.end, end=self.start, emf=-self.emf)

    def inside(self, tie: str) -> str:
        """Its words as a member of a row or of parallels."""
        return f"({self.words})" if self.ties not in ("", tie) else self.words


def divider_lines(network: ReducedNetwork) -> tuple[str, ...]:
    """Write a network as voltage dividers between the EMF and the output; its parts where it has another shape."""
    places = {f"x{place}" for place in range(len(network.branches))}
    mutuals = {f"m{at}" for at in range(len(network.mutuals))}
    symbols = {symbol.code: symbol for symbol in name_symbols(network, places | mutuals)}
    words = {code: f"{each.name} {in_short(each.value, each.unit)}" for code, each in symbols.items()}
    lines = _dividers(network, words)
    if lines is None:
        listed = ", ".join(words[code] for code in sorted(words, key=lambda each: (each[0] != "x", int(each[1:]))))
        stages = ", ".join(f"{stage.name} ×{stage.gain:.4g}" for stage in network.stages)
        lines = [f"H is of these parts: {listed}" + (f"; behind {stages}" if stages else "")]
    lumps = [f"{each.name} = {each.combination}" for each in symbols.values() if len(each.parts) > 1]
    return (*lines, *(["where " + "; ".join(lumps)] if lumps else []))


def _dividers(network: ReducedNetwork, words: Mapping[str, str]) -> list[str] | None:
    weights = dict(network.weights)
    if network.mutuals or network.stages or network.output.driven or not network.output.root:
        return None
    edges = [
        _Edge(
            branch.start,
            branch.end,
            words[f"x{place}"],
            -sum(sign * weights.get(name, 0.0) for name, sign in branch.driven),
        )
        for place, branch in enumerate(network.branches)
    ]
    out = network.output.root
    lines: list[str] = []
    gain, stage = "", 0
    while True:
        edges = _merged(edges, out)
        driven = [edge for edge in edges if abs(edge.emf) > 1e-9]
        if len(driven) != 1 or 0 not in (driven[0].start, driven[0].end):
            return None
        source = driven[0] if driven[0].end == 0 else driven[0].turned()
        node = source.start
        others = [edge for edge in edges if edge is not driven[0]]
        across = [edge for edge in others if {edge.start, edge.end} == {0, node}]
        onward = [edge for edge in others if node in (edge.start, edge.end) and edge not in across]
        # What bridges two sections of a ladder is no divider any more.
        if len(across) > 1 or len(onward) > (0 if node == out else 1) or len(edges) != 1 + len(others):
            return None
        number = f"_{stage + 1}" if stage or node != out else ""
        factor = "" if abs(source.emf - 1) < 1e-9 else f"{source.emf:.4g}·"
        if not stage:
            gain = factor
        if across:
            lines += [f"  Zs{number} = {source.words}", f"  Zp{number} = {across[0].words}"]
            gain += f"{'·' if gain and not gain.endswith('·') else ''}Zp{number}/(Zs{number} + Zp{number})"
        if node == out:
            return [f"H = {gain or '1'}", *lines]
        stage += 1
        behind = f"(Zs{number} ∥ Zp{number})" if across else source.words
        first = _Edge(node, 0, behind, 1.0, "" if across else source.ties)
        edges = [first, *(edge for edge in others if edge not in across)]


def _merged(edges: list[_Edge], out: int) -> list[_Edge]:
    """Merge what is in parallel with equal EMFs, and what is in series, until nothing is left to merge."""
    while True:
        merged = _one_merge(edges, out)
        if merged is None:
            return edges
        edges = merged


def _one_merge(edges: list[_Edge], out: int) -> list[_Edge] | None:
    ends: dict[int, list[_Edge]] = {}
    for edge in edges:
        for node in (edge.start, edge.end):
            ends.setdefault(node, []).append(edge)
    for first_at, first in enumerate(edges):
        for second in edges[first_at + 1 :]:
            if {first.start, first.end} == {second.start, second.end}:
                other = second if second.start == first.start else second.turned()
                if abs(other.emf - first.emf) < 1e-9:
                    row = f"{first.inside('∥')} ∥ {other.inside('∥')}"
                    rest = [edge for edge in edges if edge is not first and edge is not second]
                    return [*rest, replace(first, words=row, ties="∥")]
    for node, at in ends.items():
        if node in (0, out):
            continue
        if len(at) == 1:
            return [edge for edge in edges if edge is not at[0]]
        if len(at) == 2:
            first = at[0] if at[0].end == node else at[0].turned()
            second = at[1] if at[1].start == node else at[1].turned()
            row = f"{first.inside('+')} + {second.inside('+')}"
            rest = [edge for edge in edges if edge is not at[0] and edge is not at[1]]
            return [*rest, _Edge(first.start, second.end, row, first.emf + second.emf, "+")]
    return None
