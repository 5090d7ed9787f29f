"""Circuit elements between named nodes, and the immutable `Circuit` they make up.

Elements hold values in SI and know nothing of knobs or sheets: a wiring scheme becomes a list of these.
`Circuit` checks the list once, on creation; everything that solves, draws, exports or explains a circuit
starts from it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol, TypeVar

import numpy as np

from labkit.core.errors import CircuitError, did_you_mean

GROUND = "ground"
"""Name of the reference node."""


class AdmittanceRow(Protocol):
    """A frequency dependence of an admittance: hashable, called with ω (rad/s, shape (F,)), returns complex (F,)."""

    def __call__(self, omega: np.ndarray, /) -> np.ndarray: ...

    def __hash__(self) -> int: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Element:
    """What every element has: a name that is unique in its circuit, and the nodes it joins."""

    name: str
    nodes: tuple[str, ...]


ElementT = TypeVar("ElementT", bound=Element)


@dataclass(frozen=True, slots=True, kw_only=True)
class Resistor(Element):
    """A resistance, Ω, zero (a short) to infinity (an open) inclusive.

    ``is_noisy`` is False for a small-signal resistance of an active part, whose noise its data state as e_n and i_n.
    """

    resistance: float
    is_noisy: bool = True

    def __post_init__(self) -> None:
        _require_two_nodes(self)
        _require(self.resistance >= 0, self, f"resistance must be 0 Ω or more; got {self.resistance} Ω")


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacitor(Element):
    """A capacitance, F, with a constant dissipation factor tan δ: Y = jωC + ωC·tan δ."""

    capacitance: float
    dissipation: float = 0.0

    def __post_init__(self) -> None:
        _require_two_nodes(self)
        _require(0 <= self.capacitance < math.inf, self, f"capacitance must be 0 F or more; got {self.capacitance} F")
        _require(0 <= self.dissipation < 1, self, f"dissipation must lie in 0 … 1; got {self.dissipation}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Inductor(Element):
    """An inductance, H; its first node is the dotted end."""

    inductance: float

    def __post_init__(self) -> None:
        _require_two_nodes(self)
        _require(0 < self.inductance < math.inf, self, f"inductance must be more than 0 H; got {self.inductance} H")


@dataclass(frozen=True, slots=True, kw_only=True)
class Coupling(Element):
    """Mutual inductance M = k·√(L₁L₂) between two inductors named in ``inductors``; ``nodes`` is empty."""

    nodes: tuple[str, ...] = ()
    inductors: tuple[str, str]
    coefficient: float

    def __post_init__(self) -> None:
        _require(self.nodes == (), self, "a coupling has no nodes of its own")
        _require(-1 < self.coefficient < 1, self, f"coupling must lie between −1 and 1; got {self.coefficient}")
        _require(self.inductors[0] != self.inductors[1], self, "an inductor cannot be coupled to itself")


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact(Element):
    """A switch contact: an exact short when ``closed``, otherwise absent."""

    closed: bool

    def __post_init__(self) -> None:
        _require_two_nodes(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Source(Element):
    """An ideal EMF from its second node to its first; ``voltage`` is its weight in the summed response."""

    voltage: float = 1.0

    def __post_init__(self) -> None:
        _require_two_nodes(self)
        _require(math.isfinite(self.voltage), self, f"voltage must be finite; got {self.voltage} V")


@dataclass(frozen=True, slots=True, kw_only=True)
class Buffer(Element):
    """A unilateral stage from its first node (input) to its second (output): gain behind ``output_resistance``, Ω.

    Its input resistance and capacitance are ordinary elements beside it.
    """

    gain: float = 1.0
    output_resistance: float = 0.0

    def __post_init__(self) -> None:
        _require_two_nodes(self)
        _require(math.isfinite(self.gain), self, f"gain must be finite; got {self.gain}")
        _require(
            0 <= self.output_resistance < math.inf,
            self,
            f"output resistance must be 0 Ω or more; got {self.output_resistance} Ω",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlledVoltage(Element):
    """A voltage from its second node to its first, set by the voltage between its third and its fourth.

    V = gain/(1 + jf/corner)·(v₃ − v₄) behind ``output_resistance``, Ω; its third and fourth node take no current. An
    operational amplifier has its open-loop gain here, and gain·corner is its gain–bandwidth product; a transistor or a
    valve has μ = g_m·r behind r. ``is_noisy`` is False where e_n states all the noise of the active part.
    """

    gain: float
    corner_hz: float = math.inf
    output_resistance: float = 0.0
    is_noisy: bool = True

    def __post_init__(self) -> None:
        _require(len(self.nodes) == 4, self, f"needs four nodes (output and control); got {len(self.nodes)}")
        _require(math.isfinite(self.gain), self, f"gain must be finite; got {self.gain}")
        _require(self.corner_hz > 0, self, f"corner must be more than 0 Hz; got {self.corner_hz} Hz")
        _require(
            0 <= self.output_resistance < math.inf,
            self,
            f"output resistance must be 0 Ω or more; got {self.output_resistance} Ω",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlledCurrent(Element):
    """A current through it from its first node to its second: transconductance (A/V) times v₃ − v₄."""

    transconductance: float

    def __post_init__(self) -> None:
        _require(len(self.nodes) == 4, self, f"needs four nodes (output and control); got {len(self.nodes)}")
        _require(
            math.isfinite(self.transconductance),
            self,
            f"transconductance must be finite; got {self.transconductance} A/V",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class InputNoise(Element):
    """Noise of an active part referred to its input; it carries no signal and loads nothing.

    A voltage e_n in series with what reads the input, and a current i_n between its two nodes, both white with a 1/f
    part below a corner: e²(f) = e_n²·(1 + f_c/f). The two are taken as independent.

    ``reader`` names the controlled source that reads the input; empty, the output of the circuit is what is read.
    """

    reader: str = ""
    voltage: float = 0.0
    voltage_corner_hz: float = 0.0
    current: float = 0.0
    current_corner_hz: float = 0.0

    def __post_init__(self) -> None:
        _require_two_nodes(self)
        for name, unit in (("voltage", "V/√Hz"), ("current", "A/√Hz")):
            for value, what in ((getattr(self, name), unit), (getattr(self, f"{name}_corner_hz"), "Hz")):
                _require(0 <= value < math.inf, self, f"noise {name} and corner must be 0 or more; got {value} {what}")


@dataclass(frozen=True, slots=True, kw_only=True)
class CustomAdmittance(Element):
    """A branch of admittance ``coefficient``·``row(ω)``, siemens: any frequency dependence a model needs."""

    row: AdmittanceRow
    coefficient: float = 1.0

    def __post_init__(self) -> None:
        _require_two_nodes(self)
        _require(0 <= self.coefficient < math.inf, self, f"coefficient must be 0 or more; got {self.coefficient}")


MAIN_VALUE: Mapping[type[Element], str] = {
    Resistor: "resistance",
    Capacitor: "capacitance",
    Inductor: "inductance",
    Coupling: "coefficient",
    Source: "voltage",
    Buffer: "gain",
    ControlledVoltage: "gain",
    ControlledCurrent: "transconductance",
    CustomAdmittance: "coefficient",
}
"""The field of each kind that a batch of variants may replace, by element name."""

ControlledSource = Buffer | ControlledVoltage | ControlledCurrent
"""Elements that a voltage elsewhere drives."""


def driven_nodes(element: ControlledSource) -> tuple[str, str]:
    """Return the nodes that a controlled source acts between; a current runs from the first to the second."""
    return (element.nodes[1], GROUND) if isinstance(element, Buffer) else (element.nodes[0], element.nodes[1])


def control_nodes(element: ControlledSource) -> tuple[str, str]:
    """Return the nodes between which a controlled source reads a voltage."""
    return (element.nodes[0], GROUND) if isinstance(element, Buffer) else (element.nodes[2], element.nodes[3])


ValuesByName = Mapping[str, float | np.ndarray]


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """Elements between named nodes, with the node whose voltage to ground is wanted.

    Parameters
    ----------
    elements : tuple of Element
        Order is kept; it decides the order of drawings and netlists.
    output : str
        Node at which the response is taken.
    name : str
        Shown in errors and titles.

    Raises
    ------
    CircuitError
        If two elements share a name, a coupling names no inductor, an input's noise no controlled source, or the output
        is no node.
    """

    elements: tuple[Element, ...]
    output: str
    name: str = "circuit"
    _by_name: Mapping[str, Element] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        by_name: dict[str, Element] = {}
        for element in self.elements:
            if element.name in by_name:
                raise CircuitError(f"{self.name}: two parts are named '{element.name}'; every part needs its own name")
            by_name[element.name] = element
        object.__setattr__(self, "_by_name", by_name)
        for element in self.elements:
            if isinstance(element, Coupling):
                for inductor in element.inductors:
                    if not isinstance(by_name.get(inductor), Inductor):
                        known = [other.name for other in self.elements if isinstance(other, Inductor)]
                        raise CircuitError(
                            f"{self.name}: coupling '{element.name}' needs an inductor named '{inductor}'."
                            f"{did_you_mean(inductor, known)}"
                        )
            if isinstance(element, InputNoise) and element.reader:
                found = by_name.get(element.reader)
                known = [other.name for other in self.elements if isinstance(other, ControlledSource)]
                requirement = f"noise '{element.name}' needs a controlled source named '{element.reader}'"
                if not isinstance(found, ControlledSource):
                    raise CircuitError(f"{self.name}: {requirement}.{did_you_mean(element.reader, known)}")
        if self.output not in self.nodes:
            raise CircuitError(
                f"{self.name}: the output '{self.output}' is no node of the circuit."
                f"{did_you_mean(self.output, self.nodes)}"
            )

    @property
    def nodes(self) -> tuple[str, ...]:
        """Every node, in order of first appearance."""
        return tuple(dict.fromkeys(node for element in self.elements for node in element.nodes))

    @property
    def sources(self) -> tuple[Source, ...]:
        """The EMFs, in order."""
        return tuple(element for element in self.elements if isinstance(element, Source))

    def __getitem__(self, name: str) -> Element:
        """Return an element by name; CircuitError with the nearest name when there is none."""
        if name not in self._by_name:
            raise CircuitError(f"{self.name}: no part is named '{name}'.{did_you_mean(name, self._by_name)}")
        return self._by_name[name]

    def of_kind(self, kind: type[ElementT]) -> tuple[ElementT, ...]:
        """Return the elements of one kind, in order."""
        return tuple(element for element in self.elements if isinstance(element, kind))

    def with_values(self, values: Mapping[str, float]) -> Circuit:
        """Return a circuit with the main values of the named elements replaced.

        >>> r = Resistor(name="load", nodes=("a", GROUND), resistance=1e6)
        >>> Circuit(elements=(r,), output="a").with_values({"load": 2e5})["load"].resistance
        200000.0
        """
        for name in values:
            element = self[name]
            if type(element) not in MAIN_VALUE:
                raise CircuitError(f"{self.name}: '{name}' has no value to replace")
        return replace(
            self,
            elements=tuple(
                replace(element, **{MAIN_VALUE[type(element)]: float(values[element.name])})  # type: ignore[arg-type]
                if element.name in values
                else element
                for element in self.elements
            ),
        )


def _require(holds: bool, element: Element, requirement: str) -> None:
    if not holds:
        raise CircuitError(f"part '{element.name}': {requirement}")


def _require_two_nodes(element: Element) -> None:
    _require(len(element.nodes) == 2, element, f"needs two nodes; got {len(element.nodes)}")


class HasCircuit(Protocol):
    """What has a circuit, such as a rig at its settings."""

    @property
    def circuit(self) -> Circuit:
        """The circuit."""


def circuit_of(thing: Circuit | HasCircuit) -> Circuit:
    """Return a circuit itself, or that of the thing that has one."""
    return thing if isinstance(thing, Circuit) else thing.circuit
