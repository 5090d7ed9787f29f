"""Poles of a circuit, and whether it is stable: a curve of an unstable circuit is one that nobody can measure.

Passive parts, and stages that pass signal one way, are stable whatever their values; feedback need not be.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

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
    Inductor,
    Resistor,
    Source,
    control_nodes,
    driven_nodes,
)
from labkit.circuit.solve.topology import SHORT_OHM, analyse
from labkit.core.joined import Joined
from labkit.core.units import format_quantity

LEAK_SIEMENS = 1e-12
"""From every node to ground, so that one which only capacitors reach has a pole and not none."""

SHIFT = 1e5
"""rad/s, in the middle of what is asked about: poles far from it lose digits."""

MARGIN = 1e-7
"""A pole counts as growing where its real part is above this part of its size; below lies rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stability:
    """Whether a circuit is stable, and by which poles.

    Attributes
    ----------
    poles : ndarray, complex, rad/s
        Of the circuit with its EMFs silent, least damped first; empty where nothing feeds back and none were sought.
    """

    poles: np.ndarray

    @property
    def is_stable(self) -> bool:
        """Whether every pole decays."""
        return not np.any(self._growing)

    @property
    def _growing(self) -> np.ndarray:
        growing: np.ndarray = self.poles.real > MARGIN * np.abs(self.poles)
        return growing

    @property
    def words(self) -> str:
        """The verdict in a sentence."""
        if self.is_stable:
            return "stable: whatever is stirred up in it dies away"
        worst = self.poles[self._growing][np.argmax(self.poles[self._growing].real)]
        time = format_quantity(1 / worst.real, "s", digits=2)
        if abs(worst.imag) < MARGIN * abs(worst):
            return f"unstable: its output would run to one side, growing threefold every {time}"
        frequency = format_quantity(abs(worst.imag) / (2 * math.pi), "Hz", digits=2)
        return f"unstable: it would oscillate at about {frequency}, growing threefold every {time}"


def stability(circuit: Circuit) -> Stability:
    """Return whether a circuit is stable.

    The poles are the s at which (G + sC)·x = 0 of the nodal equations has an answer.

    Parameters
    ----------
    circuit : Circuit

    Returns
    -------
    Stability
        Without poles where nothing feeds back: such a circuit is stable.

    Notes
    -----
    For the small signals of the model. A real amplifier has more poles than its gain–bandwidth product tells, so
    "stable" with a pole of high Q near that frequency proves little. Dissipation of capacitors and custom admittances
    are left out: losses only damp. Source: J. Vlach and K. Singhal, Computer Methods for Circuit Analysis and Design,
    ch. 7.

    >>> amplifier = ControlledVoltage(
    ...     name="u", nodes=("out", GROUND, "in", GROUND), gain=1e5, corner_hz=10.0, output_resistance=100.0)
    >>> back = Resistor(name="r", nodes=("out", "in"), resistance=1e4)
    >>> load = Resistor(name="load", nodes=("in", GROUND), resistance=1e4)
    >>> stability(Circuit(elements=(amplifier, back, load), output="out")).words.partition(",")[0]
    'unstable: its output would run to one side'
    """
    if not analyse(circuit).is_loop:
        return Stability(poles=np.zeros(0, dtype=complex))
    return Stability(poles=poles(circuit))


def poles(circuit: Circuit) -> np.ndarray:
    """Return the poles of a circuit with its EMFs silent, rad/s, complex, least damped first; as `stability`."""
    constant, rate = _pencil(circuit)
    # (G + s₀C)⁻¹·C has the eigenvalues −1/(s − s₀); those of no pole are zero
    inverse = np.linalg.eigvals(np.linalg.solve(constant + SHIFT * rate, rate))
    finite = inverse[np.abs(inverse) > 1e-13 * np.max(np.abs(inverse), initial=1e-300)]
    found = SHIFT - 1 / finite
    return np.asarray(found[np.argsort(-found.real / np.abs(found))])


def _pencil(circuit: Circuit) -> tuple[np.ndarray, np.ndarray]:
    """G and C of the nodal equations; unknowns are node voltages and the currents of inductors and voltage sources."""
    merged = Joined(
        element.nodes
        for element in circuit.elements
        if (isinstance(element, Contact) and element.closed)
        or (isinstance(element, Resistor) and element.resistance <= SHORT_OHM)
    )
    ground = merged.root(GROUND)
    names = dict.fromkeys(merged.root(node) for node in circuit.nodes if merged.root(node) != ground)
    place = {node: index for index, node in enumerate(names)}
    own_current = [e for e in circuit.elements if isinstance(e, Inductor | Source | Buffer | ControlledVoltage)]
    current = {element.name: len(place) + index for index, element in enumerate(own_current)}
    constant, rate = np.zeros((2, len(place) + len(current), len(place) + len(current)))

    def add(matrix: np.ndarray, row: str | int, column: str | int, value: float) -> None:
        places = [place.get(merged.root(each)) if isinstance(each, str) else each for each in (row, column)]
        if places[0] is not None and places[1] is not None:
            matrix[places[0], places[1]] += value

    def branch(matrix: np.ndarray, nodes: tuple[str, ...], value: float) -> None:
        for here, there, sign in ((0, 0, 1), (1, 1, 1), (0, 1, -1), (1, 0, -1)):
            add(matrix, nodes[here], nodes[there], sign * value)

    for index in range(len(place)):
        constant[index, index] += LEAK_SIEMENS
    for element in circuit.elements:
        match element:
            case Resistor(resistance=resistance) if SHORT_OHM < resistance < math.inf:
                branch(constant, element.nodes, 1 / resistance)
            case Capacitor(capacitance=capacitance):
                branch(rate, element.nodes, capacitance)
            case ControlledCurrent(transconductance=transconductance):
                for node, flow in zip(element.nodes[:2], (1, -1)):
                    add(constant, node, element.nodes[2], flow * transconductance)
                    add(constant, node, element.nodes[3], -flow * transconductance)
            case Coupling(coefficient=coefficient):
                first, second = (circuit[name] for name in element.inductors)
                mutual = coefficient * math.sqrt(first.inductance * second.inductance)  # type: ignore[attr-defined]
                rate[current[first.name], current[second.name]] -= mutual
                rate[current[second.name], current[first.name]] -= mutual
            case Inductor() | Source() | Buffer() | ControlledVoltage():
                own = current[element.name]
                ends = driven_nodes(element) if isinstance(element, Buffer | ControlledVoltage) else element.nodes
                lag = 1 / (2 * math.pi * element.corner_hz) if isinstance(element, ControlledVoltage) else 0.0
                for node, sign in zip(ends, (1, -1)):
                    add(constant, node, own, sign)
                    add(constant, own, node, sign)
                    add(rate, own, node, sign * lag)
                if isinstance(element, Inductor):
                    rate[own, own] -= element.inductance
                elif not isinstance(element, Source):
                    constant[own, own] -= element.output_resistance
                    rate[own, own] -= lag * element.output_resistance
                    for node, sign in zip(control_nodes(element), (1, -1)):
                        add(constant, own, node, -sign * element.gain)
    return constant, rate
