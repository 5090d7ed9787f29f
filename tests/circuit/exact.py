"""A 40-digit reference: nodal analysis in arbitrary precision (mpmath), with ideal parts as limits.

A short is 10⁻⁶⁰ Ω and an open 10⁸⁰ Ω, worked out with 200 digits, so that the limit is reached to more than 40 digits
without any reasoning about topology. Every node leaks to ground through 10⁶⁰ Ω, which decides where a node sits that
only open contacts reach. Slow, and meant to be: it shares nothing with the other routes.
"""

from __future__ import annotations

import math

import mpmath
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
    Inductor,
    InputNoise,
    Resistor,
    Source,
)

DIGITS = 200
SHORT = "1e-60"
OPEN = "1e80"
LEAK = "1e60"


def solve_exactly(circuit: Circuit, frequency_hz: float) -> tuple[complex, complex]:
    """Return the weighted transfer and the output impedance at one frequency, rounded to double at the very end."""
    with mpmath.workdps(DIGITS):
        return _solve(circuit, mpmath.mpf(float(frequency_hz)))


def _solve(circuit: Circuit, frequency: mpmath.mpf) -> tuple[complex, complex]:
    omega = 2 * mpmath.pi * frequency
    j_omega = mpmath.mpc(0, omega)
    short, opened, leak = mpmath.mpf(SHORT), mpmath.mpf(OPEN), mpmath.mpf(LEAK)
    nodes = [node for node in circuit.nodes if node != GROUND]
    if circuit.output == GROUND:
        return 0j, 0j
    index = {node: place for place, node in enumerate(nodes)}
    own_current = (Inductor, Source, Buffer, ControlledVoltage)
    branches = [element for element in circuit.elements if isinstance(element, own_current)]
    index |= {f"current of {element.name}": len(nodes) + place for place, element in enumerate(branches)}
    size = len(index)
    # Two right-hand sides stand at the end of each row: the EMFs, and 1 A into the output.
    rows = [[mpmath.mpc(0)] * (size + 2) for _ in range(size)]

    def add(one: str, other: str, value: mpmath.mpc) -> None:
        if GROUND not in (one, other):
            rows[index[one]][index[other]] += value

    def add_admittance(one: str, other: str, value: mpmath.mpc) -> None:
        add(one, one, value)
        add(other, other, value)
        add(one, other, -value)
        add(other, one, -value)

    for element in circuit.elements:
        if isinstance(element, Resistor):
            resistance = opened if math.isinf(element.resistance) else mpmath.mpf(element.resistance)
            add_admittance(*element.nodes, 1 / (resistance or short))
        elif isinstance(element, Contact):
            add_admittance(*element.nodes, 1 / (short if element.closed else opened))
        elif isinstance(element, Capacitor):
            capacitance, dissipation = mpmath.mpf(element.capacitance), mpmath.mpf(element.dissipation)
            add_admittance(*element.nodes, capacitance * (j_omega + omega * dissipation))
        elif isinstance(element, CustomAdmittance):
            row = complex(element.row(np.array([float(omega)]))[0])
            add_admittance(*element.nodes, mpmath.mpf(element.coefficient) * mpmath.mpc(row))
        elif isinstance(element, Coupling):
            first, second = (circuit[name] for name in element.inductors)
            assert isinstance(first, Inductor)
            assert isinstance(second, Inductor)
            mutual = mpmath.mpf(element.coefficient) * mpmath.sqrt(
                mpmath.mpf(first.inductance) * mpmath.mpf(second.inductance)
            )
            add(f"current of {first.name}", f"current of {second.name}", -j_omega * mutual)
            add(f"current of {second.name}", f"current of {first.name}", -j_omega * mutual)
        elif isinstance(element, ControlledCurrent):
            leaves, enters, plus, minus = element.nodes
            transconductance = mpmath.mpf(element.transconductance)
            for node, flow in ((leaves, 1), (enters, -1)):
                add(node, plus, flow * transconductance)
                add(node, minus, -flow * transconductance)
        elif not isinstance(element, InputNoise):
            current = f"current of {element.name}"
            if isinstance(element, ControlledVoltage):
                positive, negative, plus, minus = element.nodes
                gain = mpmath.mpf(element.gain)
                if math.isfinite(element.corner_hz):
                    gain = gain / (1 + mpmath.mpc(0, frequency / mpmath.mpf(element.corner_hz)))
                for node, sign in ((positive, 1), (negative, -1)):
                    add(node, current, mpmath.mpf(sign))
                    add(current, node, mpmath.mpf(sign))
                add(current, plus, -gain)
                add(current, minus, gain)
                add(current, current, -(mpmath.mpf(element.output_resistance) or short))
                continue
            if isinstance(element, Buffer):
                taken, given = element.nodes
                add(given, current, mpmath.mpf(1))
                add(current, given, mpmath.mpf(1))
                add(current, taken, -mpmath.mpf(element.gain))
                add(current, current, -(mpmath.mpf(element.output_resistance) or short))
                continue
            positive, negative = element.nodes
            for node, sign in ((positive, 1), (negative, -1)):
                add(node, current, mpmath.mpf(sign))
                add(current, node, mpmath.mpf(sign))
            if isinstance(element, Inductor):
                add(current, current, -j_omega * mpmath.mpf(element.inductance))
            else:
                assert isinstance(element, Source)
                rows[index[current]][size] = mpmath.mpc(element.voltage)
    for node in nodes:
        add(node, node, 1 / leak)
    output = index[circuit.output]
    rows[output][size + 1] = mpmath.mpc(1)
    # The output is made the last unknown, so that elimination ends with it and nothing is substituted back.
    for row in rows:
        row[output], row[size - 1] = row[size - 1], row[output]
    return _last_unknown(rows)


def _last_unknown(rows: list[list[mpmath.mpc]]) -> tuple[complex, complex]:
    """Return the last unknown for both right-hand sides, by Gaussian elimination with partial pivoting."""
    size = len(rows)
    for column in range(size):
        pivot = max(range(column, size), key=lambda place: abs(rows[place][column]))
        rows[column], rows[pivot] = rows[pivot], rows[column]
        head = rows[column]
        for row in rows[column + 1 :]:
            if row[column]:
                factor = row[column] / head[column]
                for place in range(column + 1, size + 2):
                    if head[place]:
                        row[place] -= factor * head[place]
    last = rows[-1]
    return complex(last[size] / last[size - 1]), complex(last[size + 1] / last[size - 1])
