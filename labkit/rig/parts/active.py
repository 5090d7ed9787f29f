"""Parts beyond pots, switches and single components: buffers, dummy coils and screened leads."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, ClassVar

from labkit.circuit.elements import GROUND, Buffer, Capacitor, Element, InputNoise, Resistor, Source
from labkit.core.keys import inline, quantity
from labkit.core.sheet import Table
from labkit.core.units import UsualRange
from labkit.pickup.electrical import CAPACITANCE, Coil, Pickup
from labkit.pickup.network import pickup_elements
from labkit.rig.parts.parts import FixedCapacitor, FixedInductor, FixedResistor, Part, Position, Pot, Switch

INPUT_RESISTANCE = UsualRange(low=100e3, high=100e6)
OUTPUT_RESISTANCE = UsualRange(low=1.0, high=20e3)
VOLTAGE_NOISE = UsualRange(low=0.5e-9, high=100e-9)
CURRENT_NOISE = UsualRange(low=0.1e-15, high=10e-12)
NOISE_CORNER = UsualRange(low=1.0, high=20e3)
LEAD = UsualRange(low=20e-12, high=1e-9)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseData:
    """Noise of an active part referred to its input, as data sheets give it: e²(f) = e_n²·(1 + f_c/f), i_n likewise."""

    voltage_noise: float | None = quantity(
        "V/√Hz", default=None, usual=VOLTAGE_NOISE, low=0.0, is_varied=False, meaning="noise voltage e_n of its input"
    )
    voltage_noise_corner: float | None = quantity(
        "Hz", default=None, usual=NOISE_CORNER, low=0.0, is_varied=False, meaning="where e_n is 3 dB up, below it 1/f"
    )
    current_noise: float | None = quantity(
        "A/√Hz", default=None, usual=CURRENT_NOISE, low=0.0, is_varied=False, meaning="noise current i_n of its input"
    )
    current_noise_corner: float | None = quantity(
        "Hz", default=None, usual=NOISE_CORNER, low=0.0, is_varied=False, meaning="where i_n is 3 dB up, below it 1/f"
    )

    def elements(self, name: str, node: str, *, other: str = GROUND, reader: str = "") -> tuple[Element, ...]:
        """Return the noise between two nodes; none where nothing is stated."""
        if not (self.voltage_noise or self.current_noise):
            return ()
        noise = InputNoise(
            name=f"{name}.noise",
            nodes=(node, other),
            reader=reader,
            voltage=self.voltage_noise or 0.0,
            voltage_corner_hz=self.voltage_noise_corner or 0.0,
            current=self.current_noise or 0.0,
            current_corner_hz=self.current_noise_corner or 0.0,
        )
        return (noise,)


@dataclass(frozen=True, slots=True, kw_only=True)
class BufferStage:
    """A unilateral stage: input resistance and capacitance, gain, output resistance, noise."""

    input_resistance: float = quantity(
        "Ω", default=1e6, usual=INPUT_RESISTANCE, low=1.0, meaning="resistance of its input"
    )
    input_capacitance: float = quantity(
        "F", default=0.0, usual=CAPACITANCE, low=0.0, meaning="capacitance of its input"
    )
    gain_db: float = quantity("dB", name="gain", default=0.0, low=-60.0, high=60.0, meaning="gain")
    output_resistance: float = quantity(
        "Ω", default=1e3, usual=OUTPUT_RESISTANCE, low=0.0, meaning="resistance of its output"
    )
    noise: NoiseData = inline(NoiseData, default=NoiseData())

    @property
    def gain(self) -> float:
        """Gain as a ratio."""
        return float(10 ** (self.gain_db / 20))

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
        return (*found, *self.noise.elements(name, before, reader=name))


@dataclass(frozen=True, slots=True, kw_only=True)
class OnboardBuffer(Part):
    """A buffer inside the instrument: nodes are its input and its output."""

    kind: ClassVar[str] = "buffer"
    lugs: ClassVar[tuple[str, ...]] = ("input", "output")
    stage: BufferStage = inline(BufferStage)

    @classmethod
    def settled(cls, table: Table, values: dict[str, Any]) -> dict[str, Any]:
        """Refuse one node for both."""
        before, after = values["nodes"]
        if before == after:
            table.fail("nodes", f"a buffer's input and output must be two nodes; both are '{before}'")
        return values

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return the stage."""
        return self.stage.elements(self.name, *self.nodes)


@dataclass(frozen=True, slots=True, kw_only=True)
class DummyCoil(Part):
    """A coil without magnet: it picks up hum as a pickup does, and no string."""

    kind: ClassVar[str] = "dummy coil"
    lugs: ClassVar[tuple[str, ...]] = ("start", "finish")
    coil: Coil = inline(Coil)

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
    lugs: ClassVar[tuple[str, ...]] = ("conductor", "screen")
    capacitance: float = quantity("F", usual=LEAD, low=0.0, meaning="capacitance from conductor to screen")

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
