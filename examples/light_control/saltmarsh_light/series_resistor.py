"""``series resistor``: a resistor in the line after the jack, such as the one in the lead of a fuse-protected input."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from labkit.circuit.elements import Element, Resistor
from labkit.core.keys import quantity
from labkit.core.units import UsualRange
from labkit.rig.chain.chain import Stage

VALUE = UsualRange(low=100.0, high=1e6)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesResistor(Stage):
    """A resistor from the node before it to the node after it."""

    kind: ClassVar[str] = "series resistor"
    is_shunt: ClassVar[bool] = False
    value: float = quantity("Ω", usual=VALUE, low=1.0, meaning="resistance")

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return the resistor."""
        return (Resistor(name=self.name, nodes=(before, after), resistance=self.value),)
