"""Noise of a circuit at its output: thermal noise of every resistance, e_n and i_n of active parts.

A passive stage is reciprocal, so one pass that feeds 1 A into the node where it is read gives the way of every part's
noise there; what the controlled sources make of it is added with its phase.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from labkit.circuit.elements import Circuit, ControlledVoltage, InputNoise, Resistor, ValuesByName
from labkit.circuit.solve.program import blocks
from labkit.circuit.solve.solver import BLOCK_POINTS, Batch
from labkit.circuit.solve.topology import SolverStage, Term
from labkit.core.validity import range_called

NOISE_TEMPERATURE = range_called("noise_temperature")

BOLTZMANN = 1.380649e-23
"""J/K, exact in the SI."""

ZERO_CELSIUS_K = 273.15


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseDensity:
    """Noise at the output of a circuit, element by element.

    Attributes
    ----------
    frequency_hz : ndarray, shape (F,), Hz
    power : mapping of str to ndarray, shape (F,) or (V, F), V²/Hz
        By element name; a resistance shorted by contacts or unreached has none.
    """

    frequency_hz: np.ndarray
    power: dict[str, np.ndarray]

    def grouped(self, part_of: Callable[[str], str]) -> NoiseDensity:
        """Return the same by parts, each the sum of its elements; ``part_of`` names the part of an element."""
        found: dict[str, np.ndarray] = {}
        for name, power in self.power.items():
            part = part_of(name)
            found[part] = found[part] + power if part in found else power
        return NoiseDensity(frequency_hz=self.frequency_hz, power=found)

    @property
    def total(self) -> np.ndarray:
        """V²/Hz, shape (F,) or (V, F): powers of independent parts add."""
        whole = np.zeros(self.frequency_hz.shape)
        for power in self.power.values():
            whole = whole + power
        return whole


def noise_density(
    circuit: Circuit, frequency_hz: np.ndarray, values: ValuesByName | None = None, *, temperature_c: float = 20.0
) -> NoiseDensity:
    """Return the noise at the output of a circuit, element by element.

    Thermal: 4kT·Re(Y)·|Z_t|², Z_t the voltage at the output for 1 A across the element. Of an `InputNoise`: e_n² times
    the square of the gain from what reads it, and i_n²·|Z_t|².

    Parameters
    ----------
    circuit : Circuit
    frequency_hz : ndarray, shape (F,), Hz
    values : mapping of str to float or ndarray of shape (V,), optional
        As for `labkit.circuit.solve.solver.solve`; arrays make a batch.
    temperature_c : float, °C
        One temperature for every part.

    Returns
    -------
    NoiseDensity

    Raises
    ------
    CircuitError
        As `labkit.circuit.solve.solver.solve`.
    InputError
        If the temperature lies outside the range of parts and wire.

    Notes
    -----
    The output resistance of a controlled source counts as a resistor unless its ``is_noisy`` is False. Not modelled:
    noise of magnets (Barkhausen), excess noise of resistors that carry current, correlation of e_n and i_n. Source:
    Nyquist 1928, eq. 5 (4kTR).

    >>> from labkit.circuit.elements import GROUND
    >>> coil = Resistor(name="coil", nodes=("out", GROUND), resistance=6e3)
    >>> found = noise_density(Circuit(elements=(coil,), output="out"), np.array([1e3]))
    >>> float((np.sqrt(found.total[0]) * 1e9).round(2))
    9.86
    """
    NOISE_TEMPERATURE.check(temperature_c)
    batch = Batch(circuit, frequency_hz, values)
    density = 4 * BOLTZMANN * (temperature_c + ZERO_CELSIUS_K)
    found: dict[str, np.ndarray] = {}
    for rows, columns in blocks(batch.variants, batch.points, BLOCK_POINTS):
        for name, power in _block(batch, density, rows, columns).items():
            if name not in found:
                found[name] = np.zeros((batch.variants, batch.points))
            found[name][rows, columns] = power
    if not batch.is_batch:
        found = {name: table[0] for name, table in found.items()}
    return NoiseDensity(frequency_hz=batch.frequency_hz, power=found)


def thermal_noise(circuit: Circuit, frequency_hz: np.ndarray, *, temperature_c: float = 20.0) -> np.ndarray:
    """Return the thermal (Johnson–Nyquist) noise density at the output, V/√Hz, shape (F,).

    As `noise_density` without e_n and i_n of active parts.
    """
    found = noise_density(circuit, frequency_hz, temperature_c=temperature_c).power
    thermal = [power for name, power in found.items() if not isinstance(circuit[name], InputNoise)]
    density: np.ndarray = np.sqrt(np.sum([np.zeros(np.shape(frequency_hz)), *thermal], axis=0))
    return density


def _block(batch: Batch, density: float, rows: slice, columns: slice) -> dict[str, np.ndarray]:
    """V²/Hz of every element on one block, broadcastable to (V, F); ``density`` is 4kT."""
    topology, circuit, frequency = batch.topology, batch.circuit, batch.frequency_hz[columns]
    control_gain, node_gain = _gains(batch, rows, columns)
    impedance: dict[str, np.ndarray] = {}
    conductance: dict[str, np.ndarray] = {}
    for gain, (node, stage) in zip(node_gain, topology.stages):
        voltages = gain * batch.node_voltages(node, stage, rows, columns)
        own: dict[str, np.ndarray] = {}
        siemens: dict[str, np.ndarray] = {}
        for term in stage.terms:
            real = _real_part(term, stage, circuit, frequency)
            if real is not None:
                first, second = term.ends
                own[term.element] = voltages[first] - voltages[second]
                value = np.atleast_1d(batch.coefficient(term.element, term.rule, rows))[:, None] * real
                siemens[term.element] = siemens.get(term.element, 0.0) + value
        for name, ends in topology.noisy.items():
            first, second = (stage.nodes.index(end) if end in stage.nodes else 0 for end in ends)
            own[name] = voltages[first] - voltages[second]
        conductance |= siemens
        for name, way in own.items():
            impedance[name] = impedance.get(name, 0.0) + way
    found = {
        name: density * np.maximum(value, 0.0) * np.abs(impedance[name]) ** 2 for name, value in conductance.items()
    }
    readers = list(topology.controls)
    for noise in circuit.of_kind(InputNoise):
        if not noise.reader:
            gain = np.ones(1)
        else:
            gain = control_gain[readers.index(noise.reader)] if noise.reader in readers else np.zeros(1)
        voltage = noise.voltage**2 * (1 + noise.voltage_corner_hz / frequency)
        current = noise.current**2 * (1 + noise.current_corner_hz / frequency)
        found[noise.name] = voltage * np.abs(gain) ** 2 + current * np.abs(impedance[noise.name]) ** 2
    return found


def _gains(batch: Batch, rows: slice, columns: slice) -> tuple[np.ndarray, np.ndarray]:
    """What 1 V more at the control of each source, and at each node that is read, adds to the output; (…, V, F)."""
    if not batch.topology.controls:
        return np.zeros((0, 1, 1)), np.ones((1, 1, 1), dtype=complex)
    ways = batch.ways(rows, columns)
    control_gain = ways.gain_to_output
    node_gain = np.zeros((len(ways.nodes), *control_gain.shape[1:]), dtype=complex)
    node_gain[ways.output] = 1.0
    for gain, (plus, minus) in zip(control_gain, ways.controls):
        if plus is not None:
            node_gain[ways.nodes.index(plus)] += gain
        if minus is not None:
            node_gain[ways.nodes.index(minus)] -= gain
    return control_gain, node_gain


def _real_part(term: Term, stage: SolverStage, circuit: Circuit, frequency_hz: np.ndarray) -> np.ndarray | None:
    """Real part of a term's row, which makes noise; None for reactances, shorts and what states its noise itself."""
    element = circuit[term.element]
    is_carrier = term.branch >= len(stage.branches) - len(stage.injections)
    if is_carrier or term.rule == "short":
        return None
    if isinstance(element, Resistor | ControlledVoltage) and not element.is_noisy:
        return None
    real: np.ndarray = term.row(2 * np.pi * frequency_hz).real
    return real if np.any(real) else None
