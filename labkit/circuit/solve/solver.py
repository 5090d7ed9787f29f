"""Solve a circuit: voltage at the output for its EMFs, and output impedance.

`solve` compiles the topology once (cached) and runs it for one set of values or for a batch of variants;
`solve_blocks` does the same piece by piece, so that a million variants need little memory. Noise is worked out in
`labkit.circuit.solve.noise`, poles in `labkit.circuit.solve.stability`.

Controlled sources cut a circuit into passive stages. Where nothing feeds back, the stages are run one after another;
otherwise what the sources read, c, follows from what reaches each of them through the passive stages, c = T·e + L·c.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from labkit.circuit.elements import (
    MAIN_VALUE,
    AdmittanceRow,
    Buffer,
    Capacitor,
    Circuit,
    Contact,
    ControlledCurrent,
    ControlledVoltage,
    Coupling,
    CustomAdmittance,
    Element,
    Resistor,
    Source,
    ValuesByName,
)
from labkit.circuit.solve import fast
from labkit.circuit.solve.program import Program, blocks, compile_stage, node_voltages, run
from labkit.circuit.solve.topology import (
    SHORT_OHM,
    CoupledGroup,
    SolverStage,
    Topology,
    analyse,
    topology_key,
)
from labkit.core.errors import CircuitError
from labkit.core.grid import frequency_grid
from labkit.core.response import Response

KEPT_POINTS = 2048
"""Frequencies up to which the rows of a program are kept from one call to the next."""

BLOCK_POINTS = 8192
"""Points (variants × frequencies) of one block: keeps the work space in the processor's cache."""


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
    is_compiled: bool | None = None,
) -> Solution:
    """Solve a circuit at given frequencies.

    Parameters
    ----------
    circuit : Circuit
    frequency_hz : ndarray, shape (F,), Hz
        Positive, in any order.
    values : mapping of str to float or ndarray of shape (V,), optional
        Main values (Ω, F, H, coupling, V, gain, A/V) that replace those of the named elements; arrays make a batch.
    per_source : bool
        Give the transfer from each EMF by itself (1 V each, weights ignored) instead of the weighted sum.
    is_compiled : bool, optional
        As for `solve_blocks`.

    Returns
    -------
    Solution
        Without arrays in ``values`` the variant axis is absent.

    Raises
    ------
    CircuitError
        If a name is unknown, a value is impossible, or feedback has no answer.

    Notes
    -----
    Valid for linear circuits; whether one with feedback is stable is another question
    (`labkit.circuit.solve.stability`). Relative accuracy is about 1e-12 whatever the spread of values.

    >>> from labkit.circuit.elements import GROUND, Resistor, Source
    >>> divider = Circuit(output="out", elements=(
    ...     Source(name="emf", nodes=("in", GROUND)),
    ...     Resistor(name="upper", nodes=("in", "out"), resistance=3e3),
    ...     Resistor(name="lower", nodes=("out", GROUND), resistance=1e3)))
    >>> solution = solve(divider, np.array([1000.0]))
    >>> float(solution.transfer[0].real.round(12)), float(solution.output_impedance[0].real.round(9))
    (0.25, 750.0)
    """
    batch = Batch(circuit, frequency_hz, values, is_compiled=is_compiled)
    sources = tuple(source.name for source in circuit.sources) if per_source else ()
    pieces = list(blocks(batch.variants, batch.points, batch.block_points))
    if len(pieces) == 1:
        transfer, impedance = batch.block(*pieces[0], per_source)
    else:
        transfer = np.empty((len(sources) if per_source else 1, batch.variants, batch.points), dtype=complex)
        impedance = np.empty((batch.variants, batch.points), dtype=complex)
        for rows, columns in pieces:
            transfer[:, rows, columns], impedance[rows, columns] = batch.block(rows, columns, per_source)
    if not batch.is_batch:
        transfer, impedance = transfer[:, 0], impedance[0]
    return Solution(
        frequency_hz=batch.frequency_hz,
        transfer=transfer if per_source else transfer[0],
        output_impedance=impedance,
        sources=sources,
    )


def solve_blocks(
    circuit: Circuit,
    frequency_hz: np.ndarray,
    values: ValuesByName,
    *,
    block_points: int | None = None,
    is_compiled: bool | None = None,
) -> Iterator[tuple[slice, np.ndarray]]:
    """Yield the summed response of a batch block by block, in order.

    Parameters
    ----------
    circuit, frequency_hz, values
        As for `solve`; at least one value should be an array of shape (V,).
    block_points : int, optional
        Points (variants × frequencies) of a block; as many as suit the processor's cache by default.
    is_compiled : bool, optional
        Run by the extra `labkit[fast]` or by numpy; by default as `labkit.circuit.solve.fast.pays` says of this batch.

    Yields
    ------
    slice, ndarray of shape (variants of the block, F), complex
        The variants covered, and their output voltage.
    """
    batch = Batch(circuit, frequency_hz, values, is_compiled=is_compiled)
    size = max(block_points or batch.block_points, batch.points)
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ways:
    """What reaches the nodes that are read through the passive stages alone, before controlled sources act on.

    Attributes
    ----------
    nodes : tuple of str
        Nodes that are read.
    output : int
        The one of them that is the output.
    controls : tuple of (str or None, str or None)
        What each controlled source reads; None is ground.
    direct : ndarray, shape (nodes, groups, V, F), complex, V
        Of the EMFs.
    through : ndarray, shape (nodes, controlled sources, V, F), complex
        Of 1 V read by each controlled source.
    circuit : Circuit
    """

    nodes: tuple[str, ...]
    output: int
    controls: tuple[tuple[str | None, str | None], ...]
    direct: np.ndarray
    through: np.ndarray
    circuit: Circuit

    def select(self, at_nodes: np.ndarray) -> np.ndarray:
        """Return what the controlled sources read of voltages at the nodes, first axis for first axis."""
        read = np.zeros((len(self.controls), *at_nodes.shape[1:]), dtype=complex)
        for place, (plus, minus) in enumerate(self.controls):
            if plus is not None:
                read[place] += at_nodes[self.nodes.index(plus)]
            if minus is not None:
                read[place] -= at_nodes[self.nodes.index(minus)]
        return read

    @property
    def return_difference(self) -> np.ndarray:
        """1 − L: what the controlled sources read less what they return of it, shape (V, F, sources, sources)."""
        loop = np.moveaxis(self.select(self.through), (0, 1), (-2, -1))
        difference: np.ndarray = np.eye(len(self.controls)) - loop
        return difference

    @property
    def gain_to_output(self) -> np.ndarray:
        """What 1 V more at the control of each source adds to the output, shape (sources, V, F)."""
        if not self.controls:
            return np.zeros(self.through.shape[1:])
        onward = np.moveaxis(self.through[self.output], 0, -1)[..., None]
        found = self._solved(np.swapaxes(self.return_difference, -1, -2), onward)
        return np.moveaxis(found[..., 0], -1, 0)

    def closed(self, read: np.ndarray) -> np.ndarray:
        """Return what the sources read, (sources, groups, V, F), once they have acted on one another."""
        return np.moveaxis(self._solved(self.return_difference, np.moveaxis(read, (0, 1), (-2, -1))), (-2, -1), (0, 1))

    def _solved(self, matrix: np.ndarray, wanted: np.ndarray) -> np.ndarray:
        try:
            found = np.linalg.solve(matrix, wanted)
        except np.linalg.LinAlgError:
            found = np.full(1, np.nan)
        if not np.all(np.isfinite(found)):
            raise CircuitError(
                f"{self.circuit.name}: the feedback of its active parts has no answer: all of what they read is what "
                "they return; change a gain or a resistor in the loop"
            )
        return found


class Batch:
    """One circuit with its values and frequencies laid out for the programs of its stages."""

    def __init__(
        self,
        circuit: Circuit,
        frequency_hz: np.ndarray,
        values: ValuesByName | None,
        *,
        is_compiled: bool | None = None,
    ) -> None:
        frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=float))
        if frequency.ndim != 1 or (frequency.size and not (frequency.min() > 0 and frequency.max() < math.inf)):
            raise CircuitError(f"{circuit.name}: frequencies must be one row of positive, finite numbers in Hz")
        self.circuit = circuit
        self.frequency_hz = frequency
        self.points = frequency.size
        self.given = {name: _checked(circuit, name, value) for name, value in (values or {}).items()}
        lengths = {value.size for value in self.given.values() if not isinstance(value, float)}
        if len(lengths) > 1:
            raise CircuitError(
                f"{circuit.name}: all value arrays of a batch must have one length; got {sorted(lengths)}"
            )
        self.is_batch = bool(lengths)
        self.variants = lengths.pop() if lengths else 1
        self.is_compiled = fast.pays(self.variants * self.points) if is_compiled is None else is_compiled
        # compiled code needs no work space, and a call costs the same for more points
        self.block_points = 8 * BLOCK_POINTS if self.is_compiled else BLOCK_POINTS
        self.topology: Topology = _topology(_Keyed(_without_opens(circuit, self.given)))
        self.bases: dict[tuple[Program, int, int, bool], np.ndarray] = {}
        self.tables: dict[str, np.ndarray] = {}

    def block(self, rows: slice, columns: slice, per_source: bool) -> tuple[np.ndarray, np.ndarray]:
        """Return transfers (groups, V, F) and output impedance (V, F) of one block."""
        if self.topology.is_loop:
            return self._block_with_feedback(rows, columns, per_source)
        names = [source.name for source in self.circuit.sources]
        read: dict[str | None, np.ndarray] = {None: np.zeros((1, 1, 1))}
        for node, stage in self.topology.stages:
            everything = tuple(range(len(stage.injections)))
            program = _program(stage, tuple((i,) for i in everything) if per_source else (everything,))
            emfs: dict[int, np.ndarray | float] = {}
            for i, injection in enumerate(stage.injections):
                if injection.source not in stage.driven:
                    weight: np.ndarray | float = 1.0 if per_source else self._column(injection.source, rows)
                elif per_source:
                    weight = self.gain(injection.source, rows, columns)
                else:
                    weight = self.gain(injection.source, rows, columns) * self._read(read, injection.source)[0]
                emfs[i] = injection.sign * weight
            solved = self._run(node, stage, program, rows, columns, emfs)
            if per_source:
                voltage = np.zeros((len(names), *solved.shape[1:]), dtype=complex)
                for i, injection in enumerate(stage.injections):
                    if injection.source in stage.driven:
                        voltage = voltage + solved[i] * self._read(read, injection.source)
                    else:
                        voltage[names.index(injection.source)] += solved[i]
            else:
                voltage = solved[:1]
            read[node] = voltage
        return read[self.topology.output], solved[-1]

    def _block_with_feedback(self, rows: slice, columns: slice, per_source: bool) -> tuple[np.ndarray, np.ndarray]:
        ways = self.ways(rows, columns, per_source)
        seen = np.concatenate([ways.direct, self._of_one_ampere(ways, rows, columns)[:, None]], axis=1)
        read = ways.closed(ways.select(seen))
        at_output = seen[ways.output] + np.einsum("avf,agvf->gvf", ways.through[ways.output], read)
        return at_output[:-1], at_output[-1]

    def _of_one_ampere(self, ways: Ways, rows: slice, columns: slice) -> np.ndarray:
        """Voltage of every node that is read for 1 A into the output, the sources silent; shape (nodes, V, F)."""
        stage = dict(self.topology.stages)[self.topology.output]
        voltages = self.node_voltages(self.topology.output, stage, rows, columns)
        found = np.zeros((len(ways.nodes), *voltages.shape[1:]), dtype=complex)
        for place, node in enumerate(ways.nodes):
            if node in stage.nodes:
                found[place] = voltages[stage.nodes.index(node)]
        return found

    def ways(self, rows: slice, columns: slice, per_source: bool = False) -> Ways:
        """Return how sources and controlled sources act on every node that is read, through the passive stages."""
        names = [source.name for source in self.circuit.sources] if per_source else [""]
        active = list(self.topology.controls)
        direct, through = [], []
        for node, stage in self.topology.stages:
            program = _program(stage, tuple((i,) for i in range(len(stage.injections))))
            emfs: dict[int, np.ndarray | float] = {}
            for i, injection in enumerate(stage.injections):
                if injection.source in stage.driven:
                    weight: np.ndarray | float = self.gain(injection.source, rows, columns)
                else:
                    weight = 1.0 if per_source else self._column(injection.source, rows)
                emfs[i] = injection.sign * weight
            solved = self._run(node, stage, program, rows, columns, emfs)
            own = np.zeros((len(names), *solved.shape[1:]), dtype=complex)
            driven = np.zeros((len(active), *solved.shape[1:]), dtype=complex)
            for i, injection in enumerate(stage.injections):
                if injection.source in stage.driven:
                    driven[active.index(injection.source)] += solved[i]
                else:
                    own[names.index(injection.source) if per_source else 0] += solved[i]
            direct.append(own)
            through.append(driven)
        nodes = tuple(node for node, _ in self.topology.stages)
        return Ways(
            nodes=nodes,
            output=nodes.index(self.topology.output),
            controls=tuple(self.topology.controls.values()),
            direct=np.array(direct),
            through=np.array(through),
            circuit=self.circuit,
        )

    def _run(
        self,
        node: str,
        stage: SolverStage,
        program: Program,
        rows: slice,
        columns: slice,
        emfs: Mapping[int, np.ndarray | float],
    ) -> np.ndarray:
        is_compiled = self.is_compiled and program.dead_impedance is None
        table, basis = self.coefficients(node, stage, program, rows), self.basis(program, columns, is_compiled)
        if is_compiled:
            return fast.run_compiled(program, table, basis, columns.stop - columns.start, emfs)
        return run(program, table, basis, emfs)

    def node_voltages(self, node: str, stage: SolverStage, rows: slice, columns: slice) -> np.ndarray:
        """Return the voltage of every node of a stage for 1 A into the node it is read at, (nodes, V, F), Ω."""
        program = _program(stage, (), True)
        return node_voltages(program, self.coefficients(node, stage, program, rows), self.basis(program, columns))

    def gain(self, name: str, rows: slice, columns: slice) -> np.ndarray | float:
        """Return what a controlled source makes of what it reads, in its carrier's unit, broadcastable to (V, F)."""
        element = self.circuit[name]
        if not isinstance(element, Buffer | ControlledVoltage):
            return 1.0
        gain = self._column(name, rows)
        if isinstance(element, ControlledVoltage) and math.isfinite(element.corner_hz):
            gain = gain / (1 + 1j * self.frequency_hz[columns] / element.corner_hz)
        return gain

    def _read(self, read: Mapping[str | None, np.ndarray], name: str) -> np.ndarray:
        plus, minus = self.topology.controls[name]
        return read[plus] if minus is None else read[plus] - read[minus]

    def _value(self, name: str, rows: slice) -> np.ndarray | float:
        """Main value of an element, a number or shape (V,)."""
        given = self.given.get(name)
        if given is None:
            element = self.circuit[name]
            return float(getattr(element, MAIN_VALUE[type(element)]))
        return given if isinstance(given, float) else given[rows]

    def _column(self, name: str, rows: slice) -> np.ndarray | float:
        """Main value of an element, a number or shape (V, 1)."""
        value = self._value(name, rows)
        return value if isinstance(value, float) else value[:, None]

    def coefficients(self, node: str, stage: SolverStage, program: Program, rows: slice) -> np.ndarray:
        """Return real coefficients of the cells of a stage's program, (cells, V)."""
        if not self.is_batch and node in self.tables:
            return self.tables[node]
        added = [self.coefficient(term.element, term.rule, rows) for term in stage.terms]
        for group in stage.groups:
            inverse = self._inverse_inductance(group, rows)
            added += [sign * inverse[:, i, j] for _, i, j, sign in group.landings]
        cells: list[np.ndarray | float] = [0.0] * len(program.cells)
        for place, value in zip(program.landings, added):
            cells[place] = cells[place] + value
        table = np.empty((len(cells), rows.stop - rows.start))
        for place, value in enumerate(cells):
            table[place] = value
        self.tables[node] = table
        return table

    def coefficient(self, name: str, rule: str, rows: slice) -> np.ndarray | float:
        """Return the coefficient that an element brings by a rule, a number or shape (V,)."""
        if rule == "inverse":
            value = self._value(name, rows)
            return 1 / (max(value, SHORT_OHM) if isinstance(value, float) else np.maximum(value, SHORT_OHM))
        if rule == "direct":
            return self._value(name, rows)
        if rule == "short":
            return 1 / SHORT_OHM
        element = self.circuit[name]
        if rule == "dissipation":
            assert isinstance(element, Capacitor)
            return self._value(name, rows) * element.dissipation
        assert isinstance(element, Buffer | ControlledVoltage)
        return 1 / max(element.output_resistance, SHORT_OHM)

    def _inverse_inductance(self, group: CoupledGroup, rows: slice) -> np.ndarray:
        own = [np.atleast_1d(self._value(name, rows)) for name in group.inductors]
        mutual = [(np.atleast_1d(self._value(name, rows)), i, j) for name, i, j in group.couplings]
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

    def basis(self, program: Program, columns: slice, is_compiled: bool = False) -> np.ndarray:
        """Return the rows of a program at the block's frequencies, (rows, F), complex, or as compiled code has it."""
        key = program, columns.start, columns.stop, is_compiled
        if key not in self.bases:
            small = self.points <= KEPT_POINTS
            frequency = self.frequency_hz[columns].tobytes()
            self.bases[key] = (_basis if small else _basis.__wrapped__)(program.rows, frequency, is_compiled)
        return self.bases[key]


def _without_opens(circuit: Circuit, given: Mapping[str, np.ndarray | float]) -> Circuit:
    """Make open contacts of infinite resistors, so that a coil behind one counts as floating."""
    opens = set()
    for part in circuit.elements:
        if isinstance(part, Resistor):
            value = given.get(part.name, part.resistance)
            if math.isinf(value) if isinstance(value, float) else np.isinf(value).all():
                opens.add(part.name)
    if not opens:
        return circuit
    return replace(
        circuit,
        elements=tuple(
            Contact(name=part.name, nodes=part.nodes, closed=False) if part.name in opens else part
            for part in circuit.elements
        ),
    )


@lru_cache(maxsize=64)
def _basis(rows: tuple[AdmittanceRow, ...], frequency_hz: bytes, is_compiled: bool) -> np.ndarray:
    """Rows at frequencies, which are those of the last curve as a rule; not to be written to."""
    omega = 2 * math.pi * np.frombuffer(frequency_hz)
    table = np.array([row(omega) for row in rows], dtype=complex).reshape(len(rows), omega.size)
    return fast.laid_out(table) if is_compiled else table


@lru_cache(maxsize=512)
def _program(stage: SolverStage, groups: tuple[tuple[int, ...], ...], with_nodes: bool = False) -> Program:
    return compile_stage(stage, groups, with_nodes=with_nodes)


_SIGNED = Source | Coupling | Buffer | ControlledVoltage | ControlledCurrent | CustomAdmittance


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


def _checked(circuit: Circuit, name: str, value: float | np.ndarray) -> np.ndarray | float:
    element: Element = circuit[name]
    if type(element) not in MAIN_VALUE:
        raise CircuitError(f"{circuit.name}: '{name}' has no value to replace")
    checked = value if isinstance(value, float) else np.asarray(value, dtype=float)
    if not isinstance(checked, float) and (checked.ndim > 1 or checked.size == 0):
        raise CircuitError(
            f"{circuit.name}: values of '{name}' must be a number or one row of numbers; got shape {checked.shape}"
        )
    lowest = float(checked if isinstance(checked, float) else checked.min())  # NaN where one of them is
    if not lowest >= 0 and (math.isnan(lowest) or not isinstance(element, _SIGNED)):
        raise CircuitError(f"{circuit.name}: values of '{name}' must be 0 or more; got {lowest:g}")
    return checked if isinstance(checked, float) or checked.ndim else float(checked)
