"""Parts beyond pots, switches and single components: buffers, dummy coils and screened leads."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Any, ClassVar, Self

from labkit.circuit.elements import GROUND, Buffer, Capacitor, Element, Resistor, Source
from labkit.core.sheet import Table
from labkit.core.units import UsualRange, format_quantity
from labkit.pickup.electrical import Coil, Pickup
from labkit.pickup.network import pickup_elements
from labkit.pickup.sheet import CAPACITANCE, coil_data, read_coil
from labkit.rig.parts import FixedCapacitor, FixedInductor, FixedResistor, Part, Position, Pot, Switch, read_nodes

INPUT_RESISTANCE = UsualRange(low=100e3, high=100e6)
OUTPUT_RESISTANCE = UsualRange(low=1.0, high=20e3)
LEAD = UsualRange(low=20e-12, high=1e-9)


@dataclass(frozen=True, slots=True, kw_only=True)
class BufferStage:
    """A unilateral stage: input resistance and capacitance, gain, output resistance. SI; gain as a ratio."""

    input_resistance: float
    input_capacitance: float
    gain: float
    output_resistance: float

    @classmethod
    def read(cls, table: Table) -> Self:
        """Read the keys of a buffer."""
        return cls(
            input_resistance=table.quantity("input_resistance", "Ω", 1e6, usual=INPUT_RESISTANCE, low=1.0),
            input_capacitance=table.quantity("input_capacitance", "F", 0.0, usual=CAPACITANCE, low=0.0),
            gain=10 ** (table.quantity("gain", "dB", 0.0, low=-60.0, high=60.0) / 20),
            output_resistance=table.quantity("output_resistance", "Ω", 1e3, usual=OUTPUT_RESISTANCE, low=0.0),
        )

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this stage."""
        return {
            "input_resistance": format_quantity(self.input_resistance, "Ω", usual=INPUT_RESISTANCE),
            "input_capacitance": format_quantity(self.input_capacitance, "F", usual=CAPACITANCE),
            "gain": f"{20 * math.log10(self.gain)!r} dB",
            "output_resistance": format_quantity(self.output_resistance, "Ω", usual=OUTPUT_RESISTANCE),
        }

    def elements(self, name: str, before: str, after: str) -> tuple[Element, ...]:
        """Return the stage between two nodes."""
        found: list[Element] = [
            Resistor(name=f"{name}.input_resistance", nodes=(before, GROUND), resistance=self.input_resistance)
        ]
        if self.input_capacitance > 0:
            found.append(
                Capacitor(name=f"{name}.input_capacitance", nodes=(before, GROUND), capacitance=self.input_capacitance)
            )
        found.append(Buffer(name=name, nodes=(before, after), gain=self.gain, output_resistance=self.output_resistance))
        return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class OnboardBuffer(Part):
    """A buffer inside the instrument: nodes are its input and its output."""

    kind: ClassVar[str] = "buffer"
    stage: BufferStage

    @classmethod
    def read(cls, name: str, table: Table) -> Self:
        """Read a buffer."""
        part = cls(name=name, nodes=read_nodes(table, 2, "input, output"), stage=BufferStage.read(table))
        if part.nodes[0] == part.nodes[1]:
            table.fail("nodes", f"a buffer's input and output must be two nodes; both are '{part.nodes[0]}'")
        table.done()
        return part

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this buffer."""
        return {"kind": self.kind, "nodes": list(self.nodes), **self.stage.data()}

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return the stage."""
        return self.stage.elements(self.name, *self.nodes)


@dataclass(frozen=True, slots=True, kw_only=True)
class DummyCoil(Part):
    """A coil without magnet: it hums like a pickup and hears no string. Nodes are start and finish."""

    kind: ClassVar[str] = "dummy coil"
    coil: Coil

    @classmethod
    def read(cls, name: str, table: Table) -> Self:
        """Read a dummy coil (the keys of a pickup's coil)."""
        nodes = read_nodes(table, 2, "start, finish")
        table.asked.setdefault("kind")
        coil = read_coil(table)
        return cls(name=name, nodes=nodes, coil=coil)

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this coil."""
        return {"kind": self.kind, "nodes": list(self.nodes), **coil_data(self.coil)}

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return the coil's elements; its EMF is silent, and there only for hum."""
        start, finish = self.nodes
        renamed = {f"{self.name}.coil.start": start, f"{self.name}.coil.finish": finish}
        found: list[Element] = []
        for element in pickup_elements(self.name, Pickup(name=self.name, coils={"coil": self.coil}), rewired=True):
            joined = dataclasses.replace(element, nodes=tuple(renamed.get(node, node) for node in element.nodes))
            found.append(dataclasses.replace(joined, voltage=0.0) if isinstance(joined, Source) else joined)
        return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenedLead(Part):
    """Screened wire inside the instrument: a capacitance from its conductor to its screen. Nodes: conductor, screen."""

    kind: ClassVar[str] = "screened lead"
    capacitance: float

    @classmethod
    def read(cls, name: str, table: Table) -> Self:
        """Read a screened lead."""
        part = cls(
            name=name,
            nodes=read_nodes(table, 2, "conductor, screen"),
            capacitance=table.quantity("capacitance", "F", usual=LEAD, low=0.0),
        )
        table.done()
        return part

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this lead."""
        return {
            "kind": self.kind,
            "nodes": list(self.nodes),
            "capacitance": format_quantity(self.capacitance, "F", usual=LEAD),
        }

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return the capacitance."""
        return (Capacitor(name=self.name, nodes=self.nodes, capacitance=self.capacitance),)


PART_KINDS: tuple[type[Part], ...] = (
    Pot,
    FixedResistor,
    FixedCapacitor,
    FixedInductor,
    Switch,
    OnboardBuffer,
    DummyCoil,
    ScreenedLead,
)
"""The kinds of part that labkit itself brings."""
