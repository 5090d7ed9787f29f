"""What a person reads of a circuit first: closed forms with their errors, and the circuit cut down to what matters.

The closed forms are those of a coil L with R in series, loaded by C and R across the output. Their four numbers are
taken from the circuit at its settings, and each result stands beside that of the whole circuit. The cut-down circuit
keeps the parts without which the curve would move by more than `WITHIN_DB`; the whole H(s) is in `formula`.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from labkit.circuit.elements import (
    GROUND,
    Capacitor,
    Circuit,
    Contact,
    Coupling,
    CustomAdmittance,
    Element,
    Inductor,
    InputNoise,
    Resistor,
    control_nodes,
)
from labkit.circuit.elements import ControlledSource as ActivePart
from labkit.circuit.formula.names import name_symbols
from labkit.circuit.formula.reduction import ReducedNetwork, reduce_circuit
from labkit.circuit.solve.solver import circuit_response, solve
from labkit.circuit.solve.stability import poles
from labkit.core.errors import CircuitError
from labkit.core.grid import REFERENCE_HZ, frequency_grid
from labkit.core.response import Response, gain_db
from labkit.core.units import format_quantity

WITHIN_DB = 0.1
"""How far the cut-down circuit may be from the whole one between 20 Hz and 20 kHz, dB."""

LOUD_DB = 60.0
"""Where the curve is further than this below its highest point, its cut-down form is not held to `WITHIN_DB`."""

WIDTH = 104
"""Columns of plain text."""

_POINTS = 96
_NO_LOAD_OHM = 1e9
"""From here on a load is none: between two coils of a pickup nothing but the other coil leads on."""

_LOW_HZ = 1.0
"""Where coil and loads are read for direct current: every reactance of an instrument is negligible beside them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosedForm:
    """One formula of the trade with this circuit's numbers, beside what the whole circuit does.

    Attributes
    ----------
    quantity : str
        What it is of, in words.
    expression : str
        The formula.
    value, exact : float or None
        By the formula and of the whole circuit, in ``unit``; None where there is none, such as a peak.
    unit : "Hz", "1" or "dB"
    """

    quantity: str
    expression: str
    value: float | None
    exact: float | None
    unit: str

    @property
    def error(self) -> float | None:
        """The formula against the circuit: a ratio less 1, or dB; None where one of the two has no value."""
        if self.value is None or self.exact is None:
            return None
        return self.value - self.exact if self.unit == "dB" else self.value / self.exact - 1

    @property
    def words(self) -> tuple[str, str, str]:
        """Value, exact and error as a table shows them."""
        error, shown = self.error, ""
        if error is not None:
            shown = f"{error:+.2f} dB" if self.unit == "dB" else f"{100 * error:+.1f} %"
        return _shown(self.value, self.unit), _shown(self.exact, self.unit), shown


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilAndLoad:
    """The four numbers of a coil and its load, taken from a circuit.

    Attributes
    ----------
    inductance, series_resistance : float, H and Ω
        Of coil and all that lies in series with it, at low frequencies.
    capacitance, load_resistance : float, F and Ω
        Across the output with the coils taken out, at the frequency that L and C give.
    direct_load : float, Ω
        The same load for direct current.
    emf : float
        What drives it, over the EMF of the pickups.
    node : str
        Where it was taken.
    is_output : bool
        Whether that is the output.
    """

    inductance: float
    series_resistance: float
    capacitance: float
    load_resistance: float
    direct_load: float
    emf: float
    node: str
    is_output: bool

    @property
    def resonance_hz(self) -> float:
        """f₀ = 1/(2π√(LC)), Hz."""
        return 1 / (2 * math.pi * math.sqrt(self.inductance * self.capacitance))

    @property
    def q(self) -> float:
        """Q = 1/(R_s/X + X/R_p) with X = √(L/C)."""
        reactance = math.sqrt(self.inductance / self.capacitance)
        return 1 / (self.series_resistance / reactance + reactance / self.load_resistance)


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What is read first of a circuit; made by `summary`.

    Attributes
    ----------
    name : str
    coil : CoilAndLoad or None
    forms : tuple of ClosedForm
    reason : str
        Why there are no closed forms, where there are none.
    cut_down : CutDown or None
        None for a silent circuit.
    """

    name: str
    coil: CoilAndLoad | None
    forms: tuple[ClosedForm, ...]
    reason: str
    cut_down: CutDown | None

    def text(self) -> str:
        """Return it as plain text."""
        return summary_text(self)

    def mapping(self) -> dict[str, Any]:
        """Return it as plain values for JSON, SI with the unit in the key."""
        coil, cut = self.coil, self.cut_down
        return {
            "coil_and_load": None
            if coil is None
            else {
                "inductance_h": coil.inductance,
                "series_resistance_ohm": coil.series_resistance,
                "capacitance_f": coil.capacitance,
                "load_resistance_ohm": min(coil.load_resistance, _NO_LOAD_OHM),
                "direct_load_ohm": min(coil.direct_load, _NO_LOAD_OHM),
                "emf_v_per_v": coil.emf,
                "node": coil.node,
            },
            "closed_forms": [
                {
                    "quantity": form.quantity,
                    "expression": form.expression,
                    "value": form.value,
                    "exact": form.exact,
                    "error": form.error,
                    "unit": form.unit,
                }
                for form in self.forms
            ],
            "no_closed_form": self.reason or None,
            "cut_down": None
            if cut is None
            else {
                "within_db": WITHIN_DB,
                "worst_db": cut.worst_db,
                "worst_hz": cut.worst_hz,
                "dropped": list(cut.dropped),
                "formula": list(cut.lines),
            },
        }


def summary(circuit: Circuit) -> Summary:
    """Return the closed forms of a circuit with their errors, and the circuit cut down to the parts that matter.

    Parameters
    ----------
    circuit : Circuit
        At its present settings; every EMF with its weight.

    Returns
    -------
    Summary

    Notes
    -----
    The closed forms hold for one coil under one load; what they leave out (eddy currents, a tone branch that is neither
    open nor short, a second coil's own resonance) is what their errors show. They are the second-order low-pass
    D(s) = (R_s + sL)(1/R_p + sC) + 1 with R_s/R_p left out beside 1, worked out here.

    >>> from labkit.circuit.elements import Source
    >>> coil = Circuit(output="out", elements=(
    ...     Source(name="emf", nodes=("a", GROUND)),
    ...     Resistor(name="coil.resistance", nodes=("a", "b"), resistance=6e3),
    ...     Inductor(name="coil.inductance", nodes=("b", "out"), inductance=2.4),
    ...     Capacitor(name="cable", nodes=("out", GROUND), capacitance=700e-12),
    ...     Resistor(name="load", nodes=("out", GROUND), resistance=2e5)))
    >>> [f"{form.quantity} {form.words[0]}" for form in summary(coil).forms][:2]
    ['resonance 3.88 kHz', 'Q 2.52']
    """
    curve = circuit_response(circuit)
    if curve.is_silent:
        return Summary(name=circuit.name, coil=None, forms=(), reason="the output is silent", cut_down=None)
    coil = coil_and_load(circuit)
    forms = () if coil is None else _closed_forms(circuit, coil)
    reason = "" if coil else "no coil in series with the output under a load of one capacitance"
    return Summary(name=circuit.name, coil=coil, forms=forms, reason=reason, cut_down=cut_down(circuit))


def coil_and_load(circuit: Circuit) -> CoilAndLoad | None:
    """Return coil and load as seen from where the coil meets its load; None where there is none.

    With the inductances opened, the admittance at that node is the load; what the whole adds to it is the coil with all
    that lies in series. Exact where the circuit is one such divider. The node is the output, or the input of the first
    active part; where a pot turned down keeps the coil from it, the node with a capacitor that the coil reaches best.
    """
    found = [_coil_at(circuit, node) for node in (*_active_inputs(circuit), circuit.output)]
    ends = [each for each in found if each is not None]
    others = dict.fromkeys(node for part in circuit.of_kind(Capacitor) for node in part.nodes if node != GROUND)
    near = [
        each for node in others if (each := _coil_at(circuit, node)) is not None and each.direct_load < _NO_LOAD_OHM
    ]
    best = min(near, key=lambda each: each.series_resistance, default=None)
    if ends and (best is None or ends[0].series_resistance <= 3 * best.series_resistance):
        return ends[0]
    return best


def _active_inputs(circuit: Circuit) -> list[str]:
    active = [part for part in circuit.elements if isinstance(part, ActivePart)]
    return [node for part in active for node in control_nodes(part) if node != GROUND]


def _coil_at(whole_circuit: Circuit, node: str) -> CoilAndLoad | None:
    circuit = replace(whole_circuit, output=node)
    coils = {part.name for part in circuit.of_kind(Inductor)}
    if not coils:
        return None
    kept = tuple(
        part for part in circuit.elements if part.name not in coils and not isinstance(part, Coupling | InputNoise)
    )
    try:  # a node that only coils reach is none of what is left
        load = replace(circuit, elements=kept)
        low = np.array([_LOW_HZ, REFERENCE_HZ])
        whole, alone = solve(circuit, low), solve(load, low)
        with np.errstate(divide="ignore", invalid="ignore"):
            series = 1 / (1 / whole.output_impedance - 1 / alone.output_impedance)
        inductance = float(series[1].imag) / (2 * math.pi * REFERENCE_HZ)
        if not (inductance > 0 and np.isfinite(inductance)):
            return None
        frequency = 3000.0
        for _ in range(30):
            admittance = complex(1 / solve(load, np.array([frequency])).output_impedance[0])
            capacitance = admittance.imag / (2 * math.pi * frequency)
            if not 1e-15 < capacitance < 1.0:
                return None
            frequency = math.sqrt(frequency / (2 * math.pi * math.sqrt(inductance * capacitance)))
    except CircuitError:
        return None
    with np.errstate(divide="ignore", invalid="ignore"):
        loads = 1 / np.array([admittance.real, (1 / alone.output_impedance[0]).real])
    resistances = float(loads[0]), float(loads[1]), float(series[0].real)
    emf = abs(complex(whole.transfer[0] * series[0] / whole.output_impedance[0]))
    if not all(each > 0 for each in resistances) or not 0.01 < emf < 100 or not math.isfinite(resistances[2]):
        return None
    return CoilAndLoad(
        inductance=inductance,
        series_resistance=resistances[2],
        capacitance=capacitance,
        load_resistance=resistances[0],
        direct_load=resistances[1],
        emf=emf,
        node=node,
        is_output=node == whole_circuit.output,
    )


def _closed_forms(circuit: Circuit, coil: CoilAndLoad) -> tuple[ClosedForm, ...]:
    curve = circuit_response(replace(circuit, output=coil.node))
    peak, resonance, q = curve.peak, coil.resonance_hz, coil.q
    damped = 1 - 1 / (2 * q**2)
    return (
        ClosedForm(
            quantity="resonance",
            expression="f0 = 1/(2π√(L·C))",
            value=resonance,
            exact=None if peak is None else peak.frequency_hz,
            unit="Hz",
        ),
        ClosedForm(
            quantity="Q",
            expression="Q = 1/(R_s/X + X/R_p), X = √(L/C)",
            value=q,
            exact=_pole_q(circuit, resonance if peak is None else peak.frequency_hz),
            unit="1",
        ),
        ClosedForm(
            quantity="height of the peak",
            expression="Q/√(1 − 1/(4Q²))",
            value=20 * math.log10(q / math.sqrt(1 - 1 / (4 * q**2))) if damped > 0 else None,
            exact=None if peak is None else peak.height_db,
            unit="dB",
        ),
        *_level_and_edge(circuit, coil, curve, damped),
    )


def _level_and_edge(circuit: Circuit, coil: CoilAndLoad, curve: Response, damped: float) -> tuple[ClosedForm, ...]:
    """The level at low frequencies and the treble's end: of the coil's node, or behind a pot that is turned down."""
    emf = "" if abs(coil.emf - 1) < 0.005 else f"{coil.emf:.3g}·"
    level = coil.emf / (1 + coil.series_resistance / coil.direct_load)
    low = f"{emf}R_dc/(R_s + R_dc)"
    edge = coil.resonance_hz * math.sqrt(damped + math.sqrt(damped**2 + 1))
    high = "f0·√(u + √(u² + 1)), u = 1 − 1/(2Q²)"
    if coil.node != circuit.output and not _active_inputs(circuit):
        curve = circuit_response(circuit)
        direct = solve(circuit, np.array([_LOW_HZ]))
        level, resistance = float(abs(direct.transfer[0])), float(direct.output_impedance[0].real)
        opened = tuple(part for part in circuit.elements if not isinstance(part, Inductor | Coupling | InputNoise))
        far = 1e7  # Hz: what lies straight across the output is all that counts there
        admittance = 1 / complex(solve(replace(circuit, elements=opened), np.array([far])).output_impedance[0])
        capacitance = admittance.imag / (2 * math.pi * far)
        edge = 1 / (2 * math.pi * resistance * capacitance)
        low = "the resistances alone"
        high = f"1/(2π·{_short(resistance, 'Ω')}·{_short(capacitance, 'F')})"
    return (
        ClosedForm(
            quantity="low frequencies",
            expression=low,
            value=20 * math.log10(level),
            exact=curve.gain_db_at(REFERENCE_HZ),
            unit="dB",
        ),
        ClosedForm(quantity="3 dB down", expression=high, value=edge, exact=curve.minus_3db_hz, unit="Hz"),
    )


def _pole_q(circuit: Circuit, near_hz: float) -> float | None:
    """Q of the pair of poles nearest to a frequency, None where no pair is complex."""
    pairs = [complex(pole) for pole in poles(circuit) if pole.imag > 1e-6 * abs(pole)]
    if not pairs:
        return None
    pole = min(pairs, key=lambda each: abs(math.log(abs(each) / (2 * math.pi * near_hz))))
    return abs(pole) / (-2 * pole.real) if pole.real < 0 else None


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
    words = {code: f"{each.name} {_short(each.value, each.unit)}" for code, each in symbols.items()}
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


def summary_text(found: Summary) -> str:
    """Return a summary as plain text, some ten lines."""
    lines = [f"{found.name}: output voltage over EMF, closed forms and their errors"]
    coil, cut = found.coil, found.cut_down
    if coil is None:
        lines.append(f"No closed form holds here: {found.reason}.")
    else:
        where = "" if coil.is_output else f"; at {coil.node}"
        loads = f"R_p {_ohms(coil.load_resistance)} at f0, R_dc {_ohms(coil.direct_load)}"
        lines.append(
            f"L {_short(coil.inductance, 'H')} and R_s {_short(coil.series_resistance, 'Ω')} in series; load "
            f"C {_short(coil.capacitance, 'F')}, {loads}{where}"
        )
        rows = [(form.quantity, form.expression, *form.words) for form in found.forms]
        wide = [max(len(row[column]) for row in rows) for column in range(5)]
        for quantity, expression, value, exact, error in rows:
            lines.append(
                f"  {quantity:<{wide[0]}}  {expression:<{wide[1]}}  = {value:>{wide[2]}}, the circuit "
                f"{exact:>{wide[3]}}" + (f": {error:>{wide[4]}}" if error else "")
            )
    if cut is not None:
        lines += _wrapped(f"To {WITHIN_DB:g} dB, 20 Hz to 20 kHz ({cut.worst_db:.2f} dB at most): {cut.lines[0]}")
        for line in cut.lines[1:]:
            lines += _wrapped(line, "  ")
        if cut.dropped:
            lines += _wrapped(f"Left out for that: {_counted(cut.dropped)}", "  ")
    return "\n".join(line.rstrip() for line in lines) + "\n"


_MOST_LISTED = 12
"""Parts that were left out which the text names; JSON names all."""


def _counted(parts: tuple[str, ...]) -> str:
    shown = ", ".join(parts[:_MOST_LISTED])
    more = len(parts) - _MOST_LISTED
    return f"{shown} and {more} more" if more > 0 else shown


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text.strip(),
        WIDTH,
        initial_indent=indent,
        subsequent_indent=f"{indent}  ",
        break_long_words=False,
        break_on_hyphens=False,
    )


def _ohms(value: float) -> str:
    return _short(value, "Ω") if value < _NO_LOAD_OHM else "none"


def _short(value: float, unit: str) -> str:
    return f"{value:.3g}" if unit == "1" else format_quantity(value, unit, digits=3)


def _shown(value: float | None, unit: str) -> str:
    if value is None:
        return "has none"
    return f"{value:+.2f} dB" if unit == "dB" else _short(value, unit)
