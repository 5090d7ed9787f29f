"""What is left of a circuit when a formula is to be written: root nodes, branches, buffers and the wanted voltage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["R", "L", "C"]

Driven = tuple[tuple[str, int], ...]
"""A sum of signed ideal voltages by name: EMFs and buffer outputs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Branch:
    """A resistance, inductance or capacitance between root nodes ``start`` and ``end``, with EMFs in series.

    The voltage across it is V_start − V_end + ``driven``. ``members`` are the parts it stands for, each with
    d ln(value) / d ln(part), and ``combination`` says in words how they lie.
    """

    kind: Kind
    start: int
    end: int
    driven: Driven
    value: float
    members: tuple[tuple[str, float], ...]
    combination: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeVoltage:
    """An original node's voltage: that of a root node plus ideal voltages."""

    root: int
    driven: Driven


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A buffer: its name, its gain and the voltage that it reads."""

    name: str
    gain: float
    reads: NodeVoltage


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutual:
    """Mutual inductance between two branches: their places in the list, its coefficient k and the coupling's name."""

    first: int
    second: int
    coefficient: float
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """What is left of a circuit: ``size`` root nodes (0 is ground), branches, and the voltage that is wanted.

    Attributes
    ----------
    without_influence : tuple of str
        Parts that cannot change the output, in the circuit's order.
    left_out : tuple of str
        Sentences on what a rational formula cannot hold.
    """

    name: str
    size: int
    branches: tuple[Branch, ...]
    mutuals: tuple[Mutual, ...]
    stages: tuple[Stage, ...]
    output: NodeVoltage
    weights: tuple[tuple[str, float], ...]
    without_influence: tuple[str, ...]
    left_out: tuple[str, ...]
