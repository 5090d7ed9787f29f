"""SPICE out: `spice_deck` writes any `Circuit` as a deck that a circuit simulator runs as it stands.

What a plain SPICE element cannot say is written in the nearest exact form: a short is a 0 V source (a tiny
resistor would cost the digits of everything beside it), a capacitor's loss and any other frequency dependence
are controlled sources that read the simulator's ``hertz`` variable, as ngspice offers it in an AC analysis.
Reading a netlist back lives in `labkit.circuit.spice.reading`; `read_spice` is offered here too.
"""

from __future__ import annotations

import math
import re

import numpy as np

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
    HasCircuit,
    Inductor,
    InputNoise,
    Resistor,
    Source,
    circuit_of,
)
from labkit.circuit.spice.reading import could_be_element, read_spice
from labkit.core.errors import CircuitError, InputError, did_you_mean
from labkit.core.grid import HIGHEST_HZ, LOWEST_HZ
from labkit.core.joined import Joined

__all__ = ["read_spice", "spice_deck", "spice_node_names"]

SHORT_BELOW_OHM = 1e-6
"""Resistances up to this are written as exact shorts; a conductance above 1e6 S would swamp its neighbours."""

LOOP_OHM = 1e-3
"""Put in series with an inductor that closes a loop without resistance, which has no DC solution."""

TABLE_POINTS_PER_DECADE = 80
"""Of a tabulated admittance: linear between points, a √f law is then met within 3e-5 of its value."""

_LINE_WIDTH = 100


def spice_deck(
    circuit: Circuit | HasCircuit,
    *,
    source: str | None = None,
    low_hz: float = LOWEST_HZ,
    high_hz: float = HIGHEST_HZ,
    points_per_decade: int = 100,
    as_subcircuit: bool = False,
) -> str:
    """Write a circuit as a SPICE deck with an AC sweep of its output, or as a subcircuit to be called.

    Parameters
    ----------
    circuit : Circuit, or a thing that has one, such as a Rig
    source : str, optional
        Name of the only EMF to be driven, with 1 V; all EMFs with their own weights when left out.
    low_hz, high_hz : float, Hz
        Ends of the sweep.
    points_per_decade : int
        Density of the sweep.
    as_subcircuit : bool
        Write ``.subckt`` with the output as its one pin, without a sweep: for a schematic editor or another deck.

    Returns
    -------
    str
        The deck, ended by ``.end``, which prints gain in dB and phase in degrees; or the subcircuit.

    Raises
    ------
    CircuitError
        If ``source`` names no EMF of the circuit.
    InputError
        If the sweep is empty.

    Notes
    -----
    Exact but for a custom admittance, which is tabulated (a comment says so), and for 10¹⁵ Ω from every node
    to ground, without which a node behind a capacitor has no DC solution.

    >>> parts = (Source(name="emf", nodes=("a", GROUND)), Resistor(name="load", nodes=("a", GROUND), resistance=1e6))
    >>> print(spice_deck(Circuit(elements=parts, output="a", name="demo")).splitlines()[0])
    demo
    """
    if not 0 < low_hz < high_hz < math.inf or points_per_decade < 1:
        raise InputError(
            f"a sweep needs 0 < low < high and a point or more per decade; "
            f"got {low_hz:g} Hz to {high_hz:g} Hz, {points_per_decade} points"
        )
    circuit = circuit_of(circuit)
    names = [emf.name for emf in circuit.sources]
    if source is not None and source not in names:
        raise CircuitError(f"{circuit.name}: no source is named '{source}'.{did_you_mean(source, names)}")
    writer = _DeckWriter(circuit, source=source, low_hz=low_hz, high_hz=high_hz)
    return writer.subcircuit() if as_subcircuit else writer.deck(points_per_decade)


def spice_node_names(circuit: Circuit) -> dict[str, str]:
    """Return the SPICE name of every node: lower-case letters, digits and ``_``, unique, ground as ``0``.

    >>> emf = Source(name="emf", nodes=("bridge.hot", GROUND))
    >>> spice_node_names(Circuit(elements=(emf,), output="bridge.hot"))
    {'bridge.hot': 'bridge_hot', 'ground': '0'}
    """
    taken = {"0", "gnd"}
    return {node: "0" if node == GROUND else _unique(node, taken) for node in circuit.nodes}


class _DeckWriter:
    """One deck in the making: names already given out, and which nodes are joined by ideal voltages."""

    def __init__(self, circuit: Circuit, *, source: str | None, low_hz: float, high_hz: float) -> None:
        self.circuit = circuit
        self.source = source
        self.low_hz, self.high_hz = low_hz, high_hz
        self.nodes = spice_node_names(circuit)
        self.taken_nodes = {"0", "gnd", *self.nodes.values()}
        self.taken_names: set[str] = set()
        self.designator: dict[str, str] = {}
        self.ideal: Joined[str] = Joined()
        self.shorted: Joined[str] = Joined()

    def deck(self, points_per_decade: int) -> str:
        """Return the whole deck."""
        title = _line(self.circuit.name) or "circuit"
        output = self.nodes[self.circuit.output]
        return "\n".join(
            [
                f"* {title}" if could_be_element(title) else title,
                *self.body(),
                "* 10^15 ohm from every node to ground, so that a node behind a capacitor has a DC solution",
                ".options rshunt=1e15",
                f".ac dec {points_per_decade} {self.low_hz:.17g} {self.high_hz:.17g}",
                f".print ac v({output}) vdb({output}) vp({output})",
                "* width, digits and degrees of ngspice's table; another simulator may need this block removed",
                ".control",
                "set width=120",
                "set numdgt=10",
                "set units=degrees",
                ".endc",
                ".end",
                "",
            ]
        )

    def subcircuit(self) -> str:
        """Return the circuit as ``.subckt``, its EMFs inside."""
        name, output = _unique(self.circuit.name, set()), self.nodes[self.circuit.output]
        body, whole = self.body(), re.compile(r"\w+")
        inside = {word for line in body if not line.startswith("*") for word in whole.findall(line)}
        return "\n".join(
            [
                f"* {_line(self.circuit.name)}: a subcircuit with the EMFs of its pickups inside, 1 V AC in all",
                f"* call it as: X1 out {name}; its pin is the output, and node 0 is ground inside as well",
                f".subckt {name} {output}",
                *body,
                "* 10^15 ohm from every node to ground, so that a node behind a capacitor has a DC solution",
                *(f"{self.shunt(node)} {node} 0 1e15" for node in sorted(self.taken_nodes & inside) if node != "0"),
                f".ends {name}",
                "",
            ]
        )

    def shunt(self, node: str) -> str:
        return _unique(f"R_shunt_{node}", self.taken_names, keep_case_of=1)

    def body(self) -> list[str]:
        """Return comments and elements."""
        # Ideal voltages first: an inductor, then a short, is what yields where they close a loop.
        order = {Source: 0, Buffer: 0, ControlledVoltage: 0, Inductor: 2, Coupling: 3}
        ranked = sorted(self.circuit.elements, key=lambda element: order.get(type(element), 1))
        lines = {element.name: self.lines(element) for element in ranked}
        output = self.nodes[self.circuit.output]
        written = [line for element in self.circuit.elements for line in lines[element.name]]
        if output != "0" and not any(output in line.split() for line in written if not line.startswith("*")):
            written += [
                "* nothing that was written touches the output: 10^15 ohm keeps its node",
                f"{_unique('R_open_output', self.taken_names, keep_case_of=1)} {output} 0 1e15",
            ]
        renamed = [
            f"* node {spelt} is '{_line(node)}'" for node, spelt in self.nodes.items() if spelt not in ("0", node)
        ]
        driven = f"only '{_line(self.source)}', with 1 V" if self.source else "every source with its weight"
        return [f"* output: node '{_line(self.circuit.output)}'; driven: {driven}", *renamed, *written]

    def lines(self, element: Element) -> list[str]:
        """Return the lines of one element, its comment included."""
        ends = [self.nodes[node] for node in element.nodes]
        pair = " ".join(ends)
        shown = _line(element.name)
        match element:
            case Resistor(resistance=resistance):
                if math.isinf(resistance):
                    return [f"* '{shown}' is an open: left out"]
                if resistance <= SHORT_BELOW_OHM:
                    return self.short(element, ends, f"a resistor of {resistance:g} ohm")
                return [f"{self.name('R', element)} {pair} {_number(resistance)}"]
            case Contact(closed=closed):
                return (
                    self.short(element, ends, "a closed contact")
                    if closed
                    else [f"* '{shown}' is an open contact: left out"]
                )
            case Capacitor(capacitance=capacitance, dissipation=dissipation):
                if capacitance == 0:
                    return [f"* '{shown}' is a capacitor of 0 F: left out"]
                written = [f"{self.name('C', element)} {pair} {_number(capacitance)}"]
                if dissipation:
                    conductance = _number(2 * math.pi * capacitance * dissipation)
                    written += [
                        f"* dissipation factor {dissipation:g} of '{shown}': conductance 2*pi*f*C*D",
                        f"{self.name('B', element, '_loss')} {pair} I={_across(ends)}*hertz*{conductance}",
                    ]
                return written
            case Inductor(inductance=inductance):
                return self.inductor(element, ends, inductance)
            case Coupling(inductors=inductors, coefficient=coefficient):
                if coefficient == 0:
                    return [f"* '{shown}' is a coupling of 0: left out"]
                coupled = " ".join(self.designator[inductor] for inductor in inductors)
                return [f"{self.name('K', element)} {coupled} {_number(coefficient)}"]
            case Source(voltage=voltage):
                if self.source is not None:
                    voltage = 1.0 if element.name == self.source else 0.0
                return self.emf(element, ends, voltage)
            case InputNoise():
                return [f"* '{shown}' is the noise of an input: left out of the sweep"]
            case Buffer(gain=gain, output_resistance=output_resistance):
                return self.buffer(element, ends, gain, output_resistance)
            case ControlledVoltage():
                return self.controlled_voltage(element, ends)
            case ControlledCurrent(transconductance=transconductance):
                return [f"{self.name('G', element)} {' '.join(ends)} {_number(transconductance)}"]
            case CustomAdmittance():
                return self.table(element, ends)
        raise CircuitError(
            f"{self.circuit.name}: part '{element.name}' of kind {type(element).__name__} has no SPICE form; "
            f"replace it by resistors, inductors and capacitors"
        )

    def short(self, element: Element, ends: list[str], reason: str) -> list[str]:
        shown = f"* '{_line(element.name)}' is {reason}"
        if not self.shorted.join(*ends):
            return [f"{shown} between nodes that are joined already: left out"]
        if not self.ideal.join(*ends):
            return [
                f"{shown} across an ideal source: 1 mohm, since the two contradict each other",
                f"{self.name('R', element, '_short')} {' '.join(ends)} {_number(LOOP_OHM)}",
            ]
        return [f"{shown}: an exact short", f"{self.name('V', element, '_short')} {' '.join(ends)} DC 0"]

    def emf(self, element: Source, ends: list[str], voltage: float) -> list[str]:
        phase = " 180" if voltage < 0 else ""
        written = f"DC 0 AC {_number(abs(voltage))}{phase}"
        name = self.name("V", element)
        return self.outside_loops(element, name, ends, written, "of ideal sources: 1 mohm added")

    def inductor(self, element: Inductor, ends: list[str], inductance: float) -> list[str]:
        name = self.name("L", element)
        self.designator[element.name] = name
        why = "without resistance: 1 mohm added, for the DC solution"
        return self.outside_loops(element, name, ends, _number(inductance), why)

    def outside_loops(self, element: Element, name: str, ends: list[str], written: str, why: str) -> list[str]:
        """Return a card between its nodes; with a resistor in series where it would close an ideal loop."""
        if self.ideal.join(*ends):
            return [f"{name} {' '.join(ends)} {written}"]
        inner = _unique(f"{element.name}_inner", self.taken_nodes)
        return [
            f"* '{_line(element.name)}' closes a loop {why}",
            f"{name} {ends[0]} {inner} {written}",
            f"{self.name('R', element, '_loop')} {inner} {ends[1]} {_number(LOOP_OHM)}",
        ]

    def buffer(self, element: Buffer, ends: list[str], gain: float, output_resistance: float) -> list[str]:
        enters, leaves = ends
        source = self.name("E", element)
        written = [
            f"* buffer '{_line(element.name)}': gain {gain:g}, {output_resistance:g} ohm; its input takes no current"
        ]
        if output_resistance == 0:
            self.ideal.join(leaves, "0")
            return [*written, f"{source} {leaves} 0 {enters} 0 {_number(gain)}"]
        inner = _unique(f"{element.name}_inner", self.taken_nodes)
        return [
            *written,
            f"{source} {inner} 0 {enters} 0 {_number(gain)}",
            f"{self.name('R', element, '_out')} {inner} {leaves} {_number(output_resistance)}",
        ]

    def controlled_voltage(self, element: ControlledVoltage, ends: list[str]) -> list[str]:
        """Write a falling gain as 1 ohm and a capacitor between two controlled sources."""
        positive, negative, plus, minus = ends
        gain, corner, resistance = element.gain, element.corner_hz, element.output_resistance
        falling = f", 3 dB down at {corner:g} Hz" if math.isfinite(corner) else ""
        written = [f"* amplifier '{_line(element.name)}': gain {gain:g}{falling}, {resistance:g} ohm"]
        if math.isfinite(corner):
            before = _unique(f"{element.name}_gain", self.taken_nodes)
            after = _unique(f"{element.name}_corner", self.taken_nodes)
            written += [
                f"{self.name('E', element, '_gain')} {before} 0 {plus} {minus} {_number(gain)}",
                f"{self.name('R', element, '_corner')} {before} {after} 1",
                f"{self.name('C', element, '_corner')} {after} 0 {_number(1 / (2 * math.pi * corner))}",
            ]
            plus, minus, gain = after, "0", 1.0
        inner = positive
        if resistance == 0:
            self.ideal.join(positive, negative)
        else:
            inner = _unique(f"{element.name}_inner", self.taken_nodes)
        written.append(f"{self.name('E', element)} {inner} {negative} {plus} {minus} {_number(gain)}")
        if resistance:
            written.append(f"{self.name('R', element, '_out')} {inner} {positive} {_number(resistance)}")
        return written

    def table(self, element: CustomAdmittance, ends: list[str]) -> list[str]:
        """Write Y(f) as tables of conductance and of susceptance over ω, both linear in log f."""
        decades = math.log10(self.high_hz / self.low_hz)
        frequency = np.geomspace(self.low_hz, self.high_hz, max(2, math.ceil(decades * TABLE_POINTS_PER_DECADE) + 1))
        omega = 2 * np.pi * frequency
        admittance = element.coefficient * np.asarray(element.row(omega), dtype=complex)
        if not np.all(np.isfinite(admittance)):
            raise CircuitError(f"{self.circuit.name}: part '{element.name}' has no finite admittance over the sweep")
        shown = _line(element.name)
        terms: list[str] = []
        written = [f"* '{shown}': its own frequency dependence, tabulated at {frequency.size} points"]
        if np.any(admittance.real):
            terms.append(f"{_across(ends)}*{_pwl(frequency, admittance.real, self.low_hz)}")
        if np.any(admittance.imag):
            rate = _unique(f"{element.name}_rate", self.taken_nodes)
            written += [
                f"* v({rate}) is the rate of change of the voltage across it",
                f"{self.name('B', element, '_rate')} 0 {rate} I={_across(ends)}",
                f"{self.name('L', element, '_rate')} {rate} 0 1",
            ]
            terms.append(f"v({rate})*{_pwl(frequency, admittance.imag / omega, self.low_hz)}")
        if not terms:
            return [f"* '{shown}' is an admittance of 0 S: left out"]
        return [*written, *_wrapped(f"{self.name('B', element)} {' '.join(ends)} I={' + '.join(terms)}")]

    def name(self, letter: str, element: Element, suffix: str = "") -> str:
        # Letters of the part's own name that repeat the designator are kept: 'R_r1' beats a clash with 'R1'.
        return _unique(f"{letter}_{element.name}{suffix}", self.taken_names, keep_case_of=1)


def _unique(wanted: str, taken: set[str], keep_case_of: int = 0) -> str:
    spelt = re.sub(r"[^a-z0-9_]+", "_", wanted.lower()).strip("_") or "n"
    if not re.search(r"[a-z0-9]", spelt):
        spelt = "n"
    candidate, count = spelt, 1
    while candidate in taken:
        count += 1
        candidate = f"{spelt}_{count}"
    taken.add(candidate)
    return candidate[:keep_case_of].upper() + candidate[keep_case_of:]


def _line(text: str) -> str:
    """Keep a name on its own line: a line break in it must not become a statement."""
    return " ".join(text.split())


def _number(value: float) -> str:
    return f"{value:.17g}" if float(f"{value:.15g}") != value else f"{value:.15g}"


def _across(ends: list[str]) -> str:
    first, second = ends
    if second == "0":
        return f"v({first})"
    return f"(-v({second}))" if first == "0" else f"v({first},{second})"


def _pwl(frequency: np.ndarray, values: np.ndarray, low_hz: float) -> str:
    points = ", ".join(f"{math.log(x):.12g}, {y:.12g}" for x, y in zip(frequency, values))
    return f"pwl(log(max(hertz, {low_hz:.12g})), {points})"


def _wrapped(line: str) -> list[str]:
    """Break a long line at blanks into continuation lines."""
    words, lines = line.split(" "), [""]
    for word in words:
        if lines[-1] and len(lines[-1]) + 1 + len(word) > _LINE_WIDTH:
            lines.append(f"+ {word}")
        else:
            lines[-1] = f"{lines[-1]} {word}" if lines[-1] else word
    return lines
