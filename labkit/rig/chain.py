"""What follows the jack: cable, input and whatever stands between them, as stages in a row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Self

from labkit.circuit.elements import GROUND, Capacitor, Element, Resistor
from labkit.core.sheet import Table
from labkit.core.units import UsualRange, format_quantity

LENGTH = UsualRange(low=0.1, high=100.0)
PER_LENGTH = UsualRange(low=20e-12, high=500e-12)
INPUT_RESISTANCE = UsualRange(low=5e3, high=20e6)
SMALL_CAPACITANCE = UsualRange(low=5e-12, high=5e-9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One stage of the chain.

    Attributes
    ----------
    name : str
        Name for settings: its kind, numbered from the second of a kind on (``cable``, ``cable2``).
    is_shunt : bool
        True for a stage that only loads the line, so that the node before it is also the node after it.
    """

    kind: ClassVar[str]
    is_shunt: ClassVar[bool] = True
    name: str

    @classmethod
    def read(cls, name: str, table: Table) -> Self:
        """Read the stage from its table; must call ``table.done()``."""
        raise NotImplementedError

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this stage."""
        raise NotImplementedError

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return the elements between the node before the stage and the node after it."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True, kw_only=True)
class Cable(Stage):
    """A screened cable, lumped into one capacitance.

    The line's own resistance and inductance are left out: below 20 kHz and 30 m they move the response by less than
    0.05 dB when a pickup of kilohms feeds it.
    """

    kind: ClassVar[str] = "cable"
    length: float
    capacitance_per_length: float
    plugs: float = 0.0

    @classmethod
    def read(cls, name: str, table: Table) -> Self:
        """Read a cable."""
        stage = cls(
            name=name,
            length=table.quantity("length", "m", usual=LENGTH, low=0.0),
            capacitance_per_length=table.quantity("capacitance", "F/m", usual=PER_LENGTH, low=0.0),
            plugs=table.quantity("plugs", "F", 0.0, usual=SMALL_CAPACITANCE, low=0.0),
        )
        table.done()
        return stage

    @property
    def capacitance(self) -> float:
        """Total capacitance, F."""
        return self.length * self.capacitance_per_length + self.plugs

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this cable."""
        return {
            "kind": self.kind,
            "length": format_quantity(self.length, "m", usual=LENGTH),
            "capacitance": format_quantity(self.capacitance_per_length, "F/m", usual=PER_LENGTH),
            "plugs": format_quantity(self.plugs, "F", usual=SMALL_CAPACITANCE),
        }

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return the capacitance to ground."""
        return (Capacitor(name=self.name, nodes=(before, GROUND), capacitance=self.capacitance),)


@dataclass(frozen=True, slots=True, kw_only=True)
class Input(Stage):
    """The input that the signal ends in: a resistance and a capacitance to ground."""

    kind: ClassVar[str] = "input"
    resistance: float
    capacitance: float = 0.0

    @classmethod
    def read(cls, name: str, table: Table) -> Self:
        """Read an input."""
        stage = cls(
            name=name,
            resistance=table.quantity("resistance", "Ω", usual=INPUT_RESISTANCE, low=1.0),
            capacitance=table.quantity("capacitance", "F", 0.0, usual=SMALL_CAPACITANCE, low=0.0),
        )
        table.done()
        return stage

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this input."""
        return {
            "kind": self.kind,
            "resistance": format_quantity(self.resistance, "Ω", usual=INPUT_RESISTANCE),
            "capacitance": format_quantity(self.capacitance, "F", usual=SMALL_CAPACITANCE),
        }

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return resistance and capacitance to ground."""
        found: list[Element] = [
            Resistor(name=f"{self.name}.resistance", nodes=(before, GROUND), resistance=self.resistance)
        ]
        if self.capacitance > 0:
            found.append(
                Capacitor(name=f"{self.name}.capacitance", nodes=(before, GROUND), capacitance=self.capacitance)
            )
        return tuple(found)
