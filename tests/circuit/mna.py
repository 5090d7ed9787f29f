"""Modified nodal analysis with dense matrices: the plain second route beside labkit's solver.

Unknowns are the node voltages and the currents of inductors, sources, buffers and controlled voltages; every frequency
is one matrix, and LAPACK solves the stack.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labkit.circuit.elements import (
    GROUND,
    Buffer,
    Capacitor,
    Circuit,
    ControlledCurrent,
    ControlledVoltage,
    Coupling,
    CustomAdmittance,
    Inductor,
    InputNoise,
    Resistor,
    Source,
)
from tests.circuit.ideal import idealised

TIE_RESISTANCE = 1.0
"""From one node of an island to ground, Ω: no current can flow through a single tie, so its value does not matter."""


@dataclass(frozen=True)
class NodalSolution:
    """Results of the dense route: weighted sum, one row a source, and impedance at the output; frequency is last."""

    transfer: np.ndarray
    per_source: np.ndarray
    output_impedance: np.ndarray


def solve_dense(circuit: Circuit, frequency_hz: np.ndarray) -> NodalSolution:
    """Solve one circuit at all frequencies; ``per_source`` holds the output for 1 V of each source alone."""
    matrix, excitation, output = assemble(circuit, frequency_hz)
    weights = np.array([source.voltage for source in circuit.sources])
    if output is None:
        nothing = np.zeros((len(weights), len(frequency_hz)), dtype=complex)
        return NodalSolution(weights @ nothing, nothing, np.zeros(len(frequency_hz), dtype=complex))
    unknowns = np.linalg.solve(matrix, np.broadcast_to(excitation, (len(frequency_hz), *excitation.shape)))
    per_source = np.moveaxis(unknowns[:, output, :-1], 0, -1)
    return NodalSolution(weights @ per_source, per_source, unknowns[:, output, -1])


def assemble(circuit: Circuit, frequency_hz: np.ndarray) -> tuple[np.ndarray, np.ndarray, int | None]:
    """Return matrices (F, n, n), right-hand sides (n, S + 1) and the index of the output (None: it is grounded).

    The last right-hand side is 1 A into the output, so that column of the solution is the output impedance.
    """
    ideal = idealised(circuit)
    omega = 2 * np.pi * np.asarray(frequency_hz, dtype=float)
    row = {node: index for index, node in enumerate(ideal.nodes)}
    branches = [
        element for element in ideal.elements if isinstance(element, (Inductor, Source, Buffer, ControlledVoltage))
    ]
    for offset, element in enumerate(branches):
        row[f"current of {element.name}"] = len(ideal.nodes) + offset
    size = len(row)
    matrix = np.zeros((len(omega), size, size), dtype=complex)

    def add(one: str, other: str, value: np.ndarray | complex) -> None:
        if GROUND not in (one, other):
            matrix[:, row[one], row[other]] += value

    def add_admittance(one: str, other: str, value: np.ndarray | complex) -> None:
        for here, there, sign in ((one, one, 1), (other, other, 1), (one, other, -1), (other, one, -1)):
            add(here, there, sign * value)

    for element in ideal.elements:
        if isinstance(element, Resistor):
            add_admittance(*element.nodes, 1 / element.resistance)
        elif isinstance(element, Capacitor):
            add_admittance(*element.nodes, omega * element.capacitance * (1j + element.dissipation))
        elif isinstance(element, CustomAdmittance):
            add_admittance(*element.nodes, element.coefficient * element.row(omega))
        elif isinstance(element, Coupling):
            first, second = (circuit[name] for name in element.inductors)
            assert isinstance(first, Inductor)
            assert isinstance(second, Inductor)
            mutual = element.coefficient * np.sqrt(first.inductance * second.inductance)
            for one, other in ((first, second), (second, first)):
                add(f"current of {one.name}", f"current of {other.name}", -1j * omega * mutual)
        elif isinstance(element, ControlledCurrent):
            leaves, enters, plus, minus = element.nodes
            for node, flow in ((leaves, 1.0), (enters, -1.0)):
                add(node, plus, flow * element.transconductance)
                add(node, minus, -flow * element.transconductance)
        elif not isinstance(element, InputNoise):
            current = f"current of {element.name}"
            if isinstance(element, ControlledVoltage):
                positive, negative, plus, minus = element.nodes
                gain = element.gain / (1 + 1j * omega / (2 * np.pi * element.corner_hz))
                for node, sign in ((positive, 1.0), (negative, -1.0)):
                    add(node, current, sign)
                    add(current, node, sign)
                add(current, plus, -gain)
                add(current, minus, gain)
                add(current, current, -element.output_resistance)
            elif isinstance(element, Buffer):
                taken, given = element.nodes
                add(given, current, 1.0)
                add(current, given, 1.0)
                add(current, taken, -element.gain)
                add(current, current, -element.output_resistance)
            else:
                positive, negative = element.nodes
                for node, sign in ((positive, 1.0), (negative, -1.0)):
                    add(node, current, sign)
                    add(current, node, sign)
                if isinstance(element, Inductor):
                    add(current, current, -1j * omega * element.inductance)
    for node in ideal.islands:
        add(node, node, 1 / TIE_RESISTANCE)

    excitation = np.zeros((size, len(circuit.sources) + 1), dtype=complex)
    for column, source in enumerate(circuit.sources):
        excitation[row[f"current of {source.name}"], column] = 1.0
    output = row.get(ideal.output)
    if output is not None:
        excitation[output, -1] = 1.0
    return matrix, excitation, output
