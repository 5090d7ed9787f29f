"""Solve a circuit: voltage at the output for its EMFs, output impedance, thermal noise.

`solve` compiles the topology once (cached) and runs it for one set of values or for a batch of variants;
`solve_blocks` does the same piece by piece, so that a million variants need little memory.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from labkit.circuit.elements import (
    MAIN_VALUE,
    Buffer,
    Capacitor,
    Circuit,
    Contact,
    Element,
    Resistor,
    ValuesByName,
)
from labkit.circuit.solve.program import Program, blocks, compile_stage, run
from labkit.circuit.solve.topology import (
    SHORT_OHM,
    CoupledGroup,
    SolverStage,
    Topology,
    analyse,
    inductive,
    topology_key,
)
from labkit.core.errors import CircuitError
from labkit.core.grid import frequency_grid
from labkit.core.response import Response
from labkit.core.validity import range_called

BLOCK_POINTS = 8192
"""Points (variants × frequencies) of one block: keeps the work space in the processor's cache."""

NOISE_TEMPERATURE = range_called("noise_temperature")

BOLTZMANN = 1.380649e-23
"""J/K, exact in the SI."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """What `solve` found.

    Attributes
    ----------
    frequency_hz : ndarray, shape (F,), Hz
    transfer : ndarray, complex, shape (F,), (V, F), (S, F) or (S, V, F)
        Output voltage; for the weighted sum of all EMFs, or for each EMF of 1 V alone.
    output_impedance : ndarray, complex, shape (F,) or (V, F), Ω
    sources : tuple of str
        EMF names in the order of the S axis; empty for the summed response.
    """

    frequency_hz: np.ndarray
    transfer: np.ndarray
    output_impedance: np.ndarray
    sources: tuple[str, ...] = ()


def solve(
    circuit: Circuit,
    frequency_hz: np.ndarray,
    values: ValuesByName | None = None,
    *,
    per_source: bool = False,
) -> Solution:
    """Solve a circuit at given frequencies.

    Parameters
    ----------
    circuit : Circuit
    frequency_hz : ndarray, shape (F,), Hz
        Positive, in any order.
    values : mapping of str to float or ndarray of shape (V,), optional
        Main values (Ω, F, H, coupling, V, gain) that replace those of the named elements; arrays make a batch.
    per_source : bool
        Give the transfer from each EMF by itself (1 V each, weights ignored) instead of the weighted sum.

    Returns
    -------
    Solution
        Without arrays in ``values`` the variant axis is absent.

    Raises
    ------
    CircuitError
        If a name is unknown, a value is impossible, or the circuit cannot be split into stages.

    Notes
    -----
    Valid for linear circuits. Relative accuracy is about 1e-12 whatever the spread of values.

    >>> from labkit.circuit.elements import GROUND, Resistor, Source
    >>> divider = Circuit(output="out", elements=(
    ...     Source(name="emf", nodes=("in", GROUND)),
    ...     Resistor(name="upper", nodes=("in", "out"), resistance=3e3),
    ...     Resistor(name="lower", nodes=("out", GROUND), resistance=1e3)))
    >>> solution = solve(divider, np.array([1000.0]))
    >>> float(solution.transfer[0].real.round(12)), float(solution.output_impedance[0].real.round(9))
    (0.25, 750.0)
    """
    batch = _Batch(circuit, frequency_hz, values)
    sources = tuple(source.name for source in circuit.sources) if per_source else ()
    count = len(sources) if per_source else 1
    transfer = np.empty((count, batch.variants, batch.points), dtype=complex)
    impedance = np.empty((batch.variants, batch.points), dtype=complex)
    for rows, columns in blocks(batch.variants, batch.points, BLOCK_POINTS):
        voltage, output = batch.block(rows, columns, per_source)
        transfer[:, rows, columns] = voltage
        impedance[rows, columns] = output
    if not batch.is_batch:
        transfer, impedance = transfer[:, 0], impedance[0]
    return Solution(
        frequency_hz=batch.frequency_hz,
        transfer=transfer if per_source else transfer[0],
        output_impedance=impedance,
        sources=sources,
    )


def solve_blocks(
    circuit: Circuit, frequency_hz: np.ndarray, values: ValuesByName, *, block_points: int = BLOCK_POINTS
) -> Iterator[tuple[slice, np.ndarray]]:
    """Yield the summed response of a batch block by block, in order.

    Parameters
    ----------
    circuit, frequency_hz, values
        As for `solve`; at least one value should be an array of shape (V,).
    block_points : int
        Points (variants × frequencies) of a block.

    Yields
    ------
    slice, ndarray of shape (variants of the block, F), complex
        The variants covered, and their output voltage.
    """
    batch = _Batch(circuit, frequency_hz, values)
    size = max(block_points, batch.points)
    for rows, columns in blocks(batch.variants, batch.points, size):
        yield rows, batch.block(rows, columns, False)[0][0]


def circuit_response(
    circuit: Circuit, frequency_hz: np.ndarray | None = None, values: ValuesByName | None = None, *, name: str = ""
) -> Response:
    """Return the summed response of a circuit as a `Response` that can be evaluated at any frequency.

    Parameters
    ----------
    circuit : Circuit
    frequency_hz : ndarray, shape (F,), Hz, optional
        Default: 512 log-spaced points, 20 Hz to 20 kHz.
    values : mapping of str to float, optional
        As for `solve`.
    """
    grid = frequency_grid() if frequency_hz is None else frequency_hz

    def evaluate(wanted: np.ndarray) -> np.ndarray:
        return solve(circuit, wanted, values).transfer

    return Response(frequency_hz=grid, values=evaluate(grid), name=name or circuit.name, evaluate=evaluate)


def thermal_noise(circuit: Circuit, frequency_hz: np.ndarray, *, temperature_c: float = 20.0) -> np.ndarray:
    """Return the thermal (Johnson–Nyquist) noise density at the output.

    e² = 4kT·Re(Z) of each stage, carried through the buffers behind it.

    Parameters
    ----------
    circuit : Circuit
    frequency_hz : ndarray, shape (F,), Hz
    temperature_c : float, °C
        One temperature for every part.

    Returns
    -------
    ndarray, shape (F,), V/√Hz

    Notes
    -----
    Buffers are taken as noiseless, so with an active stage this is a lower bound. Magnetic (Barkhausen) noise is
    not modelled. Source: Nyquist 1928, eq. 5 (4kTR).
    """
    NOISE_TEMPERATURE.check(temperature_c)
    batch = _Batch(circuit, frequency_hz, None)
    density: np.ndarray = np.sqrt(batch.noise(4 * BOLTZMANN * (temperature_c + 273.15)))
    return density


class _Batch:
    """One circuit with its values and frequencies laid out for the programs of its stages."""

    def __init__(self, circuit: Circuit, frequency_hz: np.ndarray, values: ValuesByName | None) -> None:
        frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=float))
        if frequency.ndim != 1 or not np.all(np.isfinite(frequency)) or not np.all(frequency > 0):
            raise CircuitError(f"{circuit.name}: frequencies must be one row of positive, finite numbers in Hz")
        self.circuit = circuit
        self.frequency_hz = frequency
        self.points = frequency.size
        self.given = {name: _checked(circuit, name, value) for name, value in (values or {}).items()}
        lengths = {array.size for array in self.given.values() if array.ndim}
        if len(lengths) > 1:
            raise CircuitError(
                f"{circuit.name}: all value arrays of a batch must have one length; got {sorted(lengths)}"
            )
        self.is_batch = bool(lengths)
        self.variants = lengths.pop() if lengths else 1
        self.topology: Topology = _topology(_Keyed(_without_opens(circuit, self.given)))
        self.basis: dict[Program, np.ndarray] = {}
        self.coefficients: dict[str, np.ndarray] = {}

    def block(self, rows: slice, columns: slice, per_source: bool) -> tuple[np.ndarray, np.ndarray]:
        """Return transfers (groups, V, F) and output impedance (V, F) of one block."""
        names = [source.name for source in self.circuit.sources]
        at_input: dict[str, np.ndarray] = {}
        for feeds, stage in self.topology.stages:
            own = [i for i, injection in enumerate(stage.injections) if injection.source not in stage.buffers]
            buffered = [i for i, injection in enumerate(stage.injections) if injection.source in stage.buffers]
            everything = tuple(range(len(stage.injections)))
            groups = tuple((i,) for i in everything) if per_source else (everything,)
            program = _program(stage, groups)
            emfs: dict[int, np.ndarray | float] = {}
            for i in own:
                injection = stage.injections[i]
                weight: np.ndarray | float = 1.0 if per_source else self._value(injection.source, rows)
                emfs[i] = injection.sign * weight
            for i in buffered:
                injection = stage.injections[i]
                gain = self._value(injection.source, rows)
                emfs[i] = gain if per_source else gain * at_input[injection.source][0]
            solved = run(program, self._coefficients(feeds, stage, program, rows), self._basis(program, columns), emfs)
            if per_source:
                voltage = np.zeros((len(names), *solved.shape[1:]), dtype=complex)
                for i in own:
                    voltage[names.index(stage.injections[i].source)] += solved[i]
                for i in buffered:
                    voltage += solved[i] * at_input[stage.injections[i].source]
            else:
                voltage = solved[:1]
            at_input[feeds] = voltage
        return at_input[""], solved[-1]

    def noise(self, density: float) -> np.ndarray:
        """Return e² at the output, V²/Hz, for 4kT = ``density``."""
        at_input: dict[str, np.ndarray] = {}
        for feeds, stage in self.topology.stages:
            everything = tuple((i,) for i in range(len(stage.injections)))
            program = _program(stage, everything)
            emfs: dict[int, np.ndarray | float] = dict.fromkeys(range(len(stage.injections)), 1.0)
            rows = slice(0, 1)
            solved = run(
                program, self._coefficients(feeds, stage, program, rows), self._basis(program, slice(None)), emfs
            )[:, 0]
            power = density * np.maximum(solved[-1].real, 0.0)
            for i, injection in enumerate(stage.injections):
                if injection.source in stage.buffers:
                    gain = float(self._value(injection.source, rows).ravel()[0])
                    power = power + np.abs(gain * solved[i]) ** 2 * at_input[injection.source]
            at_input[feeds] = power
        return at_input[""]

    def _value(self, name: str, rows: slice) -> np.ndarray:
        """Main value of an element, shape (V, 1) or (1, 1)."""
        given = self.given.get(name)
        if given is None:
            element = self.circuit[name]
            return np.array([[getattr(element, MAIN_VALUE[type(element)])]], dtype=float)
        return given.reshape(1, 1) if given.ndim == 0 else given[rows, None]

    def _coefficients(self, feeds: str, stage: SolverStage, program: Program, rows: slice) -> np.ndarray:
        varies = any(self.given[name].ndim for name in self.given)
        if not varies and feeds in self.coefficients:
            return self.coefficients[feeds]
        count = rows.stop - rows.start if varies else 1
        place = {row: index for index, row in enumerate(program.rows)}
        cells: dict[tuple[int, int], np.ndarray | float] = {}
        for term in stage.terms:
            cell = (term.branch, place[term.row])
            cells[cell] = cells.get(cell, 0.0) + self._coefficient(term.element, term.rule, rows)
        for group in stage.groups:
            inverse = self._inverse_inductance(group, rows)
            for branch, i, j, sign in group.landings:
                cell = (branch, place[inductive])
                cells[cell] = cells.get(cell, 0.0) + sign * inverse[:, i, j]
        table = np.zeros((program.branches, count, len(program.rows)))
        for (branch, column), value in cells.items():
            table[branch, :, column] = value
        self.coefficients[feeds] = table
        return table

    def _coefficient(self, name: str, rule: str, rows: slice) -> np.ndarray | float:
        element = self.circuit[name]
        if rule == "short":
            return 1 / SHORT_OHM
        if rule == "output resistance":
            assert isinstance(element, Buffer)
            return 1 / max(element.output_resistance, SHORT_OHM)
        given = self.given.get(name)
        value: np.ndarray | float
        if given is None:
            value = float(getattr(element, MAIN_VALUE[type(element)]))
        else:
            value = float(given) if given.ndim == 0 else given[rows]
        if rule == "inverse":
            return 1 / max(value, SHORT_OHM) if isinstance(value, float) else 1 / np.maximum(value, SHORT_OHM)
        if rule == "dissipation":
            assert isinstance(element, Capacitor)
            return value * element.dissipation
        return value

    def _inverse_inductance(self, group: CoupledGroup, rows: slice) -> np.ndarray:
        own = [self._value(name, rows)[:, 0] for name in group.inductors]
        mutual = [(self._value(name, rows)[:, 0], i, j) for name, i, j in group.couplings]
        count = max(array.size for array in (*own, *(k for k, _, _ in mutual)))
        matrix = np.zeros((count, len(own), len(own)))
        for i, inductance in enumerate(own):
            matrix[:, i, i] = inductance
        for coefficient, i, j in mutual:
            matrix[:, i, j] += coefficient * np.sqrt(own[i] * own[j])
            matrix[:, j, i] = matrix[:, i, j]
        if np.any(np.linalg.eigvalsh(matrix)[:, 0] <= 0):
            raise CircuitError(
                f"{self.circuit.name}: the couplings of {', '.join(group.inductors)} are together stronger than "
                "is possible; lower one of them"
            )
        return np.linalg.inv(matrix)

    def _basis(self, program: Program, columns: slice) -> np.ndarray:
        if program not in self.basis:
            omega = 2 * math.pi * self.frequency_hz
            table = np.empty((len(program.rows), self.points), dtype=complex)
            for index, row in enumerate(program.rows):
                table[index] = row(omega)
            self.basis[program] = table
        whole = self.basis[program]
        return whole if columns == slice(0, self.points) else np.ascontiguousarray(whole[:, columns])


def _without_opens(circuit: Circuit, given: Mapping[str, np.ndarray]) -> Circuit:
    """Make open contacts of infinite resistors, so that a coil behind one counts as floating."""
    opens = {
        part.name
        for part in circuit.of_kind(Resistor)
        if (np.all(np.isinf(given[part.name])) if part.name in given else math.isinf(part.resistance))
    }
    if not opens:
        return circuit
    return replace(
        circuit,
        elements=tuple(
            Contact(name=part.name, nodes=part.nodes, closed=False) if part.name in opens else part
            for part in circuit.elements
        ),
    )


@lru_cache(maxsize=512)
def _program(stage: SolverStage, groups: tuple[tuple[int, ...], ...]) -> Program:
    return compile_stage(stage, groups)


class _Keyed:
    """A circuit that compares by topology, so that the analysis can be cached without keeping values apart."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.key: Hashable = topology_key(circuit)

    def __hash__(self) -> int:
        return hash(self.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Keyed) and self.key == other.key


@lru_cache(maxsize=512)
def _topology(keyed: _Keyed) -> Topology:
    return analyse(keyed.circuit)


def _checked(circuit: Circuit, name: str, value: float | np.ndarray) -> np.ndarray:
    element: Element = circuit[name]
    if type(element) not in MAIN_VALUE:
        raise CircuitError(f"{circuit.name}: '{name}' has no value to replace")
    array = np.asarray(value, dtype=float)
    if array.ndim > 1 or array.size == 0:
        raise CircuitError(
            f"{circuit.name}: values of '{name}' must be a number or one row of numbers; got shape {array.shape}"
        )
    lowest = float(np.min(array))
    signed = MAIN_VALUE[type(element)] in ("voltage", "gain") or not hasattr(element, "resistance")
    if (
        np.any(np.isnan(array))
        or (not signed and lowest < 0)
        or (MAIN_VALUE[type(element)] in ("capacitance", "inductance") and lowest < 0)
    ):
        raise CircuitError(f"{circuit.name}: values of '{name}' must be 0 or more; got {lowest:g}")
    return array
