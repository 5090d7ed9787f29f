"""Parts beyond pots, switches and single components: amplifiers, transistors, transformers, piezos, dummy coils, leads.

Active parts are small-signal models by the numbers of their data sheets; chains and harnesses share them.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Any, ClassVar

from labkit.circuit.elements import (
    GROUND,
    Buffer,
    Capacitor,
    ControlledVoltage,
    Coupling,
    Element,
    Inductor,
    InputNoise,
    Resistor,
    Source,
)
from labkit.core.keys import inline, number, quantity, text
from labkit.core.sheet import Table
from labkit.core.units import UsualRange
from labkit.pickup.electrical import CAPACITANCE, Coil, Pickup
from labkit.pickup.network import pickup_elements
from labkit.rig.parts.parts import (
    FULL,
    POT,
    FixedCapacitor,
    FixedInductor,
    FixedResistor,
    Knob,
    Part,
    Position,
    Pot,
    Switch,
)

INPUT_RESISTANCE = UsualRange(low=100e3, high=100e6)
OUTPUT_RESISTANCE = UsualRange(low=1.0, high=20e3)
VOLTAGE_NOISE = UsualRange(low=0.5e-9, high=100e-9)
CURRENT_NOISE = UsualRange(low=0.1e-15, high=10e-12)
NOISE_CORNER = UsualRange(low=1.0, high=20e3)
GAIN_BANDWIDTH = UsualRange(low=100e3, high=100e6)
STRAY = UsualRange(low=0.1e-12, high=100e-12)
TRANSCONDUCTANCE = UsualRange(low=100e-6, high=100e-3)
PRIMARY = UsualRange(low=0.1, high=100.0)
PIEZO = UsualRange(low=100e-12, high=20e-9)
SHELF = UsualRange(low=30.0, high=10e3)
SHELF_SUM = 0.1
"""Resistor from the wiper of a bass shelf to the summing point, over its pot."""
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
class AmplifierData:
    """An operational amplifier: gain that falls from a corner on, input impedance, output resistance, noise.

    Its input resistance makes no thermal noise of its own: e_n and i_n hold what its data sheet measured.
    """

    open_loop_gain_db: float = quantity(
        "dB",
        name="open_loop_gain",
        default=100.0,
        low=20.0,
        high=160.0,
        is_varied=False,
        meaning="gain at low frequency",
    )
    gain_bandwidth: float = quantity(
        "Hz", default=3e6, usual=GAIN_BANDWIDTH, low=1e3, is_varied=False, meaning="product of gain and bandwidth"
    )
    differential_resistance: float = quantity(
        "Ω", default=1e12, low=1e3, is_varied=False, meaning="resistance between its two inputs"
    )
    differential_capacitance: float = quantity(
        "F", default=3e-12, usual=STRAY, low=0.0, is_varied=False, meaning="capacitance between its two inputs"
    )
    amplifier_output_resistance: float = quantity(
        "Ω",
        default=100.0,
        usual=OUTPUT_RESISTANCE,
        low=0.1,
        is_varied=False,
        meaning="output resistance without feedback",
    )
    noise: NoiseData = inline(NoiseData, default=NoiseData())

    def elements(self, name: str, plus: str, minus: str, output: str) -> tuple[Element, ...]:
        """Return the amplifier between its inputs and its output; the noise current flows at each input."""
        gain = 10 ** (self.open_loop_gain_db / 20)
        found: list[Element] = [
            ControlledVoltage(
                name=name,
                nodes=(output, GROUND, plus, minus),
                gain=gain,
                corner_hz=self.gain_bandwidth / gain,
                output_resistance=self.amplifier_output_resistance,
            ),
            Resistor(
                name=f"{name}.between",
                nodes=(plus, minus),
                resistance=self.differential_resistance,
                is_noisy=False,
            ),
            Capacitor(name=f"{name}.capacitance", nodes=(plus, minus), capacitance=self.differential_capacitance),
        ]
        signal, other = (plus, minus) if plus != GROUND else (minus, plus)
        current_alone = dataclasses.replace(self.noise, voltage_noise=None)
        found += self.noise.elements(name, signal, reader=name)
        found += current_alone.elements(f"{name}.other", other, reader=name) if other != GROUND else ()
        return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class TransistorData:
    """A field-effect or bipolar transistor at its working point, by small-signal values: μ = g_m·r behind r.

    Names are those of a field-effect transistor; a bipolar one has its base as gate, with the resistance β/g_m.
    """

    transconductance: float = quantity(
        "S", usual=TRANSCONDUCTANCE, low=1e-6, is_varied=False, meaning="g_m at the working point"
    )
    drain_resistance_inside: float = quantity(
        "Ω", name="output_resistance", default=1e5, low=100.0, is_varied=False, meaning="r_ds, or r_ce"
    )
    gate_resistance: float | None = quantity(
        "Ω", default=None, low=100.0, is_varied=False, meaning="resistance from gate to source; of a bipolar one β/g_m"
    )
    gate_source: float = quantity(
        "F", default=4e-12, usual=STRAY, low=0.0, is_varied=False, meaning="capacitance from gate to source"
    )
    gate_drain: float = quantity(
        "F", default=2e-12, usual=STRAY, low=0.0, is_varied=False, meaning="capacitance from gate to drain"
    )
    noise: NoiseData = inline(NoiseData, default=NoiseData())

    def elements(self, name: str, drain: str, gate: str, source: str) -> tuple[Element, ...]:
        """Return the transistor between its three terminals."""
        inside = self.drain_resistance_inside
        found: list[Element] = [
            ControlledVoltage(
                name=name,
                nodes=(drain, source, source, gate),
                gain=self.transconductance * inside,
                output_resistance=inside,
                is_noisy=False,
            ),
            Capacitor(name=f"{name}.gate_source", nodes=(gate, source), capacitance=self.gate_source),
            Capacitor(name=f"{name}.gate_drain", nodes=(gate, drain), capacitance=self.gate_drain),
        ]
        if self.gate_resistance is not None:
            found.append(
                Resistor(
                    name=f"{name}.gate_resistance",
                    nodes=(gate, source),
                    resistance=self.gate_resistance,
                    is_noisy=False,
                )
            )
        return (*found, *self.noise.elements(name, gate, other=source, reader=name))


@dataclass(frozen=True, slots=True, kw_only=True)
class TransformerData:
    """A transformer for small signals: primary inductance, ratio, coupling, resistances of its windings.

    Its core is linear and without loss; hysteresis makes a small transformer's inductance fall at low level.
    """

    primary_inductance: float = quantity("H", usual=PRIMARY, low=1e-6, meaning="inductance of the primary winding")
    ratio: float = number(low=1e-3, high=1e3, meaning="turns of the secondary for each of the primary")
    coupling: float = number(default=0.999, low=0.0, high=0.999999, meaning="of the windings; 1 less the leakage")
    primary_resistance: float = quantity("Ω", default=0.0, low=0.0, meaning="resistance of the primary winding")
    secondary_resistance: float = quantity("Ω", default=0.0, low=0.0, meaning="resistance of the secondary winding")

    def elements(self, name: str, primary: tuple[str, str], secondary: tuple[str, str]) -> tuple[Element, ...]:
        """Return the windings from their dotted ends on."""
        found: list[Element] = []
        sides = (
            ("primary", primary, self.primary_inductance, self.primary_resistance),
            ("secondary", secondary, self.primary_inductance * self.ratio**2, self.secondary_resistance),
        )
        for word, (start, finish), inductance, resistance in sides:
            inside = f"{name}.{word}_inside" if resistance else start
            if resistance:
                found.append(Resistor(name=f"{name}.{word}_wire", nodes=(start, inside), resistance=resistance))
            found.append(Inductor(name=f"{name}.{word}", nodes=(inside, finish), inductance=inductance))
        pair = (f"{name}.primary", f"{name}.secondary")
        return (*found, Coupling(name=f"{name}.core", inductors=pair, coefficient=self.coupling))


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


@dataclass(frozen=True, slots=True, kw_only=True)
class OperationalAmplifier(Part):
    """An operational amplifier inside the instrument; its feedback is made of other parts."""

    kind: ClassVar[str] = "operational amplifier"
    lugs: ClassVar[tuple[str, ...]] = ("non-inverting input", "inverting input", "output")
    amplifier: AmplifierData = inline(AmplifierData)

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return the amplifier."""
        return self.amplifier.elements(self.name, *self.nodes)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelvingAmplifier(Part):
    """A stage that lifts or cuts bass or treble by a knob, flat at 5: a feedback tone control for one end of the band.

    An operational amplifier inverts; equal networks before and behind its summing point hold the ends of a pot. For the
    bass both halves of the pot are bridged by capacitors; for the treble a capacitor joins its wiper. At either end of
    the knob the shelf reaches ``range``, and is 3 dB from flat at about ``corner``. It inverts: two of them do not.

    Source: P. J. Baxandall, Negative-feedback tone control, Wireless World, October 1952.
    """

    kind: ClassVar[str] = "shelving amplifier"
    lugs: ClassVar[tuple[str, ...]] = ("input", "output")
    control_word: ClassVar[str] = "knob"
    band: str = text(options=("bass", "treble"), meaning="which end of the band it moves")
    corner: float = quantity("Hz", usual=SHELF, low=1.0, high=100e3, meaning="where the shelf is 3 dB from flat, about")
    range_db: float = quantity("dB", name="range", default=12.0, low=1.0, high=30.0, meaning="lift or cut at the ends")
    pot: float = quantity("Ω", default=100e3, usual=POT, low=1.0, meaning="resistance of the pot, of linear taper")
    default: float = number(
        default=5.0, low=0, high=FULL, is_varied=False, meaning="where the knob stands in a new rig"
    )
    amplifier: AmplifierData = inline(AmplifierData, default=AmplifierData())

    @property
    def control(self) -> Knob:
        """The knob."""
        return Knob(name=self.control_name or self.name, default=self.default)

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return amplifier, pot and networks."""
        part = self.control.check(self.default if position is None else position) / FULL
        before, after = self.nodes
        top, wiper, foot, summing = (f"{self.name}.{word}" for word in ("top", "wiper", "foot", "summing"))
        gain = 10 ** (self.range_db / 20)
        is_bass = self.band == "bass"
        end = self.pot / (gain - 1) if is_bass else self.pot * (math.sqrt(1 + 1 / (gain - 1)) - 1)

        def resistor(word: str, here: str, there: str, ohms: float) -> Element:
            return Resistor(name=f"{self.name}.{word}", nodes=(here, there), resistance=ohms)

        def capacitor(word: str, here: str, there: str, farads: float) -> Element:
            return Capacitor(name=f"{self.name}.{word}", nodes=(here, there), capacitance=farads)

        found = [
            resistor("in", before, top, end),
            resistor("upper", top, wiper, self.pot * (1 - part)),
            resistor("lower", wiper, foot, self.pot * part),
            resistor("back", foot, after, end),
        ]
        if is_bass:
            farads = gain / (2 * math.pi * self.corner * self.pot)
            found += [capacitor("over", top, wiper, farads), capacitor("under", wiper, foot, farads)]
            found.append(resistor("sum", wiper, summing, SHELF_SUM * self.pot))
        else:
            farads = 1 / (2 * math.pi * self.corner * (self.pot + end))
            found += [resistor("flat_in", before, summing, self.pot), resistor("flat_back", summing, after, self.pot)]
            found.append(capacitor("turn", wiper, summing, farads))
        return (*found, *self.amplifier.elements(f"{self.name}.amplifier", GROUND, summing, after))


@dataclass(frozen=True, slots=True, kw_only=True)
class Transistor(Part):
    """A transistor inside the instrument, at its working point; supply and bias are short and open to signals."""

    kind: ClassVar[str] = "transistor"
    lugs: ClassVar[tuple[str, ...]] = ("drain or collector", "gate or base", "source or emitter")
    transistor: TransistorData = inline(TransistorData)

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return the transistor."""
        return self.transistor.elements(self.name, *self.nodes)


@dataclass(frozen=True, slots=True, kw_only=True)
class Transformer(Part):
    """A transformer inside the instrument; starts are the dotted ends."""

    kind: ClassVar[str] = "transformer"
    lugs: ClassVar[tuple[str, ...]] = ("primary start", "primary finish", "secondary start", "secondary finish")
    transformer: TransformerData = inline(TransformerData)

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return its windings."""
        first, second, third, fourth = self.nodes
        return self.transformer.elements(self.name, (first, second), (third, fourth))


@dataclass(frozen=True, slots=True, kw_only=True)
class Piezo(Part):
    """A piezo under the saddle: a charge that its own capacitance turns into a voltage. Nodes: hot, ground.

    It gives ``level`` over the EMF that every pickup of the rig is given. It answers the string's force at the bridge,
    not its motion over a pole, so its balance of partials is not modelled, and takes do not sound through it.
    """

    kind: ClassVar[str] = "piezo"
    lugs: ClassVar[tuple[str, ...]] = ("hot", "ground")
    capacitance: float = quantity("F", usual=PIEZO, low=1e-12, meaning="capacitance of all its elements together")
    level_db: float = quantity(
        "dB", name="level", default=0.0, low=-60.0, high=60.0, meaning="open voltage over the EMF of a pickup"
    )

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return a voltage behind the capacitance, which is the charge across it."""
        hot, ground = self.nodes
        inside = f"{self.name}.charge"
        level = 10 ** (self.level_db / 20)
        return (
            Source(name=f"{self.name}.emf", nodes=(inside, ground), voltage=level),
            Capacitor(name=f"{self.name}.capacitance", nodes=(inside, hot), capacitance=self.capacitance),
        )


PART_KINDS: tuple[type[Part], ...] = (
    Pot,
    FixedResistor,
    FixedCapacitor,
    FixedInductor,
    Switch,
    OnboardBuffer,
    DummyCoil,
    ScreenedLead,
    OperationalAmplifier,
    ShelvingAmplifier,
    Transistor,
    Transformer,
    Piezo,
)
"""The kinds of part that labkit itself brings."""
