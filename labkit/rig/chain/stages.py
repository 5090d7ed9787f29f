"""More of what follows the jack: boxes, buffers, pedals, splits, and the inputs of amplifiers."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Self

from labkit.circuit.elements import GROUND, Buffer, Capacitor, Element, Inductor, Resistor
from labkit.core.errors import InputError
from labkit.core.keys import custom, inline, number, quantity, text
from labkit.core.sheet import Table
from labkit.core.units import UsualRange
from labkit.core.validity import range_called
from labkit.rig.chain.chain import (
    CABLE_CAPACITANCE,
    CABLE_LENGTH,
    INPUT_RESISTANCE,
    LENGTH,
    PER_LENGTH,
    SMALL_CAPACITANCE,
    Cable,
    Input,
    Stage,
    read_by,
)
from labkit.rig.parts.active import AmplifierData, BufferStage, NoiseData, TransformerData, TransistorData
from labkit.rig.parts.parts import FULL, POT
from labkit.rig.parts.taper import Taper, parse_taper, taper_data

STOPPER = UsualRange(low=1e3, high=1e6)
COUPLING = UsualRange(low=1e-9, high=100e-6)
AUDIO = parse_taper("audio")
LOW_RESISTANCE = UsualRange(low=500.0, high=200e3)
VALVE_CAPACITANCE = UsualRange(low=0.01e-12, high=50e-12)

OHM_PER_METRE = UsualRange(low=0.005, high=1.0)
HENRY_PER_METRE = UsualRange(low=0.1e-6, high=2e-6)
LINE_PIECES = 8

STAGE_GAIN = range_called("stage_gain")


@dataclass(frozen=True, slots=True, kw_only=True)
class BypassBox(Stage):
    """A box switched out by a true bypass: what is left of it is the capacitance of its sockets and wiring."""

    kind: ClassVar[str] = "bypass box"
    capacitance: float = quantity("F", usual=SMALL_CAPACITANCE, low=0.0, meaning="capacitance of sockets and wiring")

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return the capacitance to ground."""
        return (Capacitor(name=self.name, nodes=(before, GROUND), capacitance=self.capacitance),)


@dataclass(frozen=True, slots=True, kw_only=True)
class BufferBox(Stage):
    """A buffer in a box or pedal: what comes before it no longer feels what comes after."""

    kind: ClassVar[str] = "buffer"
    is_shunt: ClassVar[bool] = False
    stage: BufferStage = inline(BufferStage)

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return the stage."""
        return self.stage.elements(self.name, before, after)


@dataclass(frozen=True, slots=True, kw_only=True)
class VolumePedal(Stage):
    """A passive volume pedal: a pot with its position from 0 (heel) to 10 (toe)."""

    kind: ClassVar[str] = "volume pedal"
    is_shunt: ClassVar[bool] = False
    value: float = quantity("Ω", usual=POT, low=1.0, meaning="resistance of the whole track")
    taper: Taper = custom(parse=parse_taper, write=taper_data, default=AUDIO, meaning="law of the track")
    position: float = number(default=FULL, low=0, high=FULL, meaning="0 at the heel, 10 at the toe")

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return the two legs of the pot."""
        part = float(self.taper(self.position / FULL))
        return (
            Resistor(name=f"{self.name}.upper", nodes=(before, after), resistance=self.value * (1 - part)),
            Resistor(name=f"{self.name}.lower", nodes=(after, GROUND), resistance=self.value * part),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveInput(Stage):
    """The input of a valve stage; the response is taken at its grid.

    A leak resistor at the socket, a stopper in series, optionally a resistor from grid to ground (the divider of a low
    input), and the grid's own capacitance C = C_gk + C_ga·(1 + A) + stray (Miller).
    """

    kind: ClassVar[str] = "valve input"
    is_shunt: ClassVar[bool] = False
    stopper: float = quantity("Ω", usual=STOPPER, low=0.0, meaning="resistor in series with the grid")
    leak: float | None = quantity(
        "Ω", default=None, usual=INPUT_RESISTANCE, low=1.0, meaning="resistor from the socket to ground"
    )
    divider: float | None = quantity(
        "Ω", default=None, usual=STOPPER, low=1.0, meaning="resistor from the grid to ground"
    )
    grid_cathode: float = quantity("F", usual=VALVE_CAPACITANCE, low=0.0, meaning="capacitance from grid to cathode")
    grid_anode: float = quantity("F", usual=VALVE_CAPACITANCE, low=0.0, meaning="capacitance from grid to anode")
    stage_gain: float = number(
        low=STAGE_GAIN.low, high=STAGE_GAIN.high, meaning="gain of the stage, which multiplies the grid's capacitance"
    )
    stray: float = quantity("F", default=0.0, usual=SMALL_CAPACITANCE, low=0.0, meaning="capacitance of the wiring")
    noise: NoiseData = inline(NoiseData, default=NoiseData())

    @classmethod
    def settled(cls, table: Table, values: dict[str, Any]) -> dict[str, Any]:
        """Refuse a grid without a way to ground."""
        if values["leak"] is None and values["divider"] is None:
            table.fail("leak", "a valve's grid needs a way to ground; give leak or divider")
        return values

    @property
    def grid_capacitance(self) -> float:
        """C_gk + C_ga·(1 + A) + stray, F."""
        return self.grid_cathode + self.grid_anode * (1 + self.stage_gain) + self.stray

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return leak, stopper, divider and grid capacitance."""
        found: list[Element] = []
        if self.leak is not None:
            found.append(Resistor(name=f"{self.name}.leak", nodes=(before, GROUND), resistance=self.leak))
        found.append(Resistor(name=f"{self.name}.stopper", nodes=(before, after), resistance=self.stopper))
        if self.divider is not None:
            found.append(Resistor(name=f"{self.name}.divider", nodes=(after, GROUND), resistance=self.divider))
        found.append(Capacitor(name=f"{self.name}.grid", nodes=(after, GROUND), capacitance=self.grid_capacitance))
        return (*found, *self.noise.elements(self.name, after))


@dataclass(frozen=True, slots=True, kw_only=True)
class LowImpedanceInput(Stage):
    """An input of some kilohms behind a coupling capacitor and a resistor; the response is taken across the resistance.

    With the resistor in series it is what the first stage of many distortion pedals does to a pickup.
    """

    kind: ClassVar[str] = "low-impedance input"
    is_shunt: ClassVar[bool] = False
    coupling: float = quantity("F", usual=COUPLING, low=1e-12, meaning="capacitor in series with the input")
    resistance: float = quantity("Ω", usual=LOW_RESISTANCE, low=1.0, meaning="resistance to ground")
    series: float = quantity("Ω", default=0.0, usual=STOPPER, low=0.0, meaning="resistor in series with the capacitor")
    noise: NoiseData = inline(NoiseData, default=NoiseData())

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return the capacitor in series, and resistance and noise to ground."""
        found: list[Element] = []
        if self.series:
            found.append(
                Resistor(name=f"{self.name}.series", nodes=(before, f"{self.name}.in"), resistance=self.series)
            )
            before = f"{self.name}.in"
        return (
            *found,
            Capacitor(name=f"{self.name}.coupling", nodes=(before, after), capacitance=self.coupling),
            Resistor(name=f"{self.name}.resistance", nodes=(after, GROUND), resistance=self.resistance),
            *self.noise.elements(self.name, after),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class AmplifierStage(Stage):
    """A stage around an operational amplifier, of a gain set by two resistors.

    Non-inverting: the input sees ``input_resistance`` to ground. Inverting: it sees ``input_resistance`` into the
    summing point, which is ground to it, and so loads the pickup.
    """

    kind: ClassVar[str] = "amplifier"
    is_shunt: ClassVar[bool] = False
    connection: str = text(options=("non-inverting", "inverting"), default="non-inverting", meaning="how it is fed")
    gain_db: float = quantity("dB", name="gain", default=0.0, low=-40.0, high=80.0, meaning="gain")
    input_resistance: float = quantity("Ω", usual=INPUT_RESISTANCE, low=1.0, meaning="what the input sees")
    coupling: float = quantity("F", usual=COUPLING, low=1e-12, meaning="capacitor in series with the input")
    feedback: float = quantity(
        "Ω", default=100e3, usual=STOPPER, low=1.0, meaning="resistor from output to inverting input, if non-inverting"
    )
    roll_off: float = quantity("F", default=0.0, usual=SMALL_CAPACITANCE, low=0.0, meaning="capacitor across it")
    amplifier: AmplifierData = inline(AmplifierData, default=AmplifierData())

    def __post_init__(self) -> None:
        if self.connection == "non-inverting" and self.gain_db < 0:
            raise InputError(f"gain: a non-inverting stage has 0 dB or more; got {self.gain_db:g} dB")

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return input network, amplifier and feedback."""
        name, gain = self.name, 10 ** (self.gain_db / 20)
        inside, summing = f"{name}.in", f"{name}.summing"
        found: list[Element] = [Capacitor(name=f"{name}.coupling", nodes=(before, inside), capacitance=self.coupling)]
        if self.connection == "inverting":
            back = gain * self.input_resistance
            found.append(Resistor(name=f"{name}.series", nodes=(inside, summing), resistance=self.input_resistance))
            plus = GROUND
        else:
            back, plus = self.feedback, inside
            found.append(Resistor(name=f"{name}.leak", nodes=(inside, GROUND), resistance=self.input_resistance))
            if gain > 1:
                shunt = Resistor(name=f"{name}.ground", nodes=(summing, GROUND), resistance=back / (gain - 1))
                found.append(shunt)
        found += self.amplifier.elements(f"{name}.amplifier", plus, summing, after)
        found.append(Resistor(name=f"{name}.feedback", nodes=(after, summing), resistance=back))
        if self.roll_off:
            found.append(Capacitor(name=f"{name}.roll_off", nodes=(after, summing), capacitance=self.roll_off))
        return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class TransistorStage(Stage):
    """A stage around one transistor, as a follower or with its source (emitter) common, capacitors at both ends."""

    kind: ClassVar[str] = "transistor stage"
    is_shunt: ClassVar[bool] = False
    connection: str = text(
        options=("follower", "common source"), default="follower", meaning="where the output is taken"
    )
    leak: float = quantity("Ω", default=1e6, usual=INPUT_RESISTANCE, low=1.0, meaning="resistor from gate to ground")
    drain_resistor: float = quantity(
        "Ω", default=10e3, usual=STOPPER, low=1.0, meaning="resistor at the drain, if common source"
    )
    source_resistor: float = quantity("Ω", default=10e3, usual=STOPPER, low=1.0, meaning="resistor at the source")
    bypass: float = quantity(
        "F", default=0.0, usual=COUPLING, low=0.0, meaning="capacitor across that, if common source"
    )
    coupling: float = quantity("F", default=1e-6, usual=COUPLING, low=1e-12, meaning="capacitors at input and output")
    load: float = quantity("Ω", default=1e6, usual=INPUT_RESISTANCE, low=1.0, meaning="resistor to ground behind it")
    transistor: TransistorData = inline(TransistorData)

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return the transistor with its resistors and capacitors."""
        name = self.name
        gate, source = f"{name}.gate", f"{name}.source"
        is_follower = self.connection == "follower"
        drain = GROUND if is_follower else f"{name}.drain"
        taken = source if is_follower else drain
        found: list[Element] = [
            Capacitor(name=f"{name}.input", nodes=(before, gate), capacitance=self.coupling),
            Resistor(name=f"{name}.leak", nodes=(gate, GROUND), resistance=self.leak),
            *self.transistor.elements(f"{name}.transistor", drain, gate, source),
            Resistor(name=f"{name}.source", nodes=(source, GROUND), resistance=self.source_resistor),
        ]
        if not is_follower:
            found.append(Resistor(name=f"{name}.drain", nodes=(drain, GROUND), resistance=self.drain_resistor))
            if self.bypass:
                found.append(Capacitor(name=f"{name}.bypass", nodes=(source, GROUND), capacitance=self.bypass))
        found.append(Capacitor(name=f"{name}.output", nodes=(taken, after), capacitance=self.coupling))
        found.append(Resistor(name=f"{name}.load", nodes=(after, GROUND), resistance=self.load))
        return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class TransformerStage(Stage):
    """A transformer between two lines, such as in a box that drives a balanced line."""

    kind: ClassVar[str] = "transformer"
    is_shunt: ClassVar[bool] = False
    transformer: TransformerData = inline(TransformerData)

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return its windings; of a balanced line the cold wire is ground to signals."""
        return self.transformer.elements(self.name, (before, GROUND), (after, GROUND))


@dataclass(frozen=True, slots=True, kw_only=True)
class CableLine(Stage):
    """A cable as a line: series resistance and inductance, shunt capacitance and its dielectric loss, in short pieces.

    Eight pieces answer as the line itself within 0.002 dB below 20 kHz up to 300 m (tests hold it to the hyperbolic
    formula). A cable of some metres at a pickup is better taken as the one capacitance of `Cable`.
    """

    kind: ClassVar[str] = "cable line"
    is_shunt: ClassVar[bool] = False
    length: float = quantity("m", usual=LENGTH, low=0.01, meaning="length")
    capacitance_per_length: float = quantity(
        "F/m", name="capacitance", usual=PER_LENGTH, low=1e-15, meaning="capacitance for each metre or foot"
    )
    resistance_per_length: float = quantity(
        "Ω/m", name="resistance", usual=OHM_PER_METRE, low=1e-9, meaning="of core and screen together, for each metre"
    )
    inductance_per_length: float = quantity(
        "H/m", name="inductance", usual=HENRY_PER_METRE, low=1e-12, meaning="inductance for each metre"
    )
    loss_tangent: float = number(default=0.0, low=0.0, high=0.5, is_varied=False, meaning="tan δ of its dielectric")

    def __post_init__(self) -> None:
        CABLE_LENGTH.check(self.length)
        CABLE_CAPACITANCE.check(self.capacitance_per_length)

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return the pieces, each with half its capacitance at either end."""
        piece, node = self.length / LINE_PIECES, before
        found: list[Element] = []

        def shunt(index: int, here: str, share: float) -> Element:
            return Capacitor(
                name=f"{self.name}.shunt{index}",
                nodes=(here, GROUND),
                capacitance=share * piece * self.capacitance_per_length,
                dissipation=self.loss_tangent,
            )

        found.append(shunt(0, before, 0.5))
        for index in range(1, LINE_PIECES + 1):
            further = after if index == LINE_PIECES else f"{self.name}.{index}"
            middle = f"{self.name}.wire{index}"
            ohm, henry = piece * self.resistance_per_length, piece * self.inductance_per_length
            found.append(Resistor(name=f"{self.name}.resistance{index}", nodes=(node, middle), resistance=ohm))
            found.append(Inductor(name=f"{self.name}.inductance{index}", nodes=(middle, further), inductance=henry))
            found.append(shunt(index, further, 0.5 if index == LINE_PIECES else 1.0))
            node = further
        return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneStack(Stage):
    """The passive treble, middle and bass network of a guitar amplifier, driven by the stage before it.

    From the driving stage the treble capacitor leads to the top of the treble pot, a slope resistor to the bass and the
    middle capacitor; the bass pot is a rheostat from the treble pot's foot to the middle pot, whose wiper meets the
    middle capacitor. The output is the treble pot's wiper. Source: D. T. Yeh and J. O. Smith, Discretization of the
    '59 Fender Bassman tone stack, DAFx-06, fig. 1, whose transfer function tests hold it to.
    """

    kind: ClassVar[str] = "tone stack"
    is_shunt: ClassVar[bool] = False
    gain_db: float = quantity(
        "dB", name="gain", default=0.0, low=-60.0, high=80.0, meaning="gain of the stage before it"
    )
    driving_resistance: float = quantity(
        "Ω", usual=STOPPER, low=0.0, meaning="output resistance of the stage before it"
    )
    slope: float = quantity("Ω", usual=STOPPER, low=1.0, meaning="resistor into the bass and middle capacitors")
    treble_capacitor: float = quantity("F", usual=SMALL_CAPACITANCE, low=1e-12, meaning="capacitor into the treble pot")
    bass_capacitor: float = quantity("F", usual=COUPLING, low=1e-12, meaning="capacitor into the bass pot")
    middle_capacitor: float = quantity("F", usual=COUPLING, low=1e-12, meaning="capacitor into the middle pot")
    treble_pot: float = quantity("Ω", usual=POT, low=1.0, meaning="treble pot")
    bass_pot: float = quantity("Ω", usual=POT, low=1.0, meaning="bass pot")
    middle_pot: float = quantity("Ω", usual=POT, low=1.0, meaning="middle pot, or the resistor in its place")
    treble: float = number(default=5.0, low=0, high=FULL, meaning="treble, 0 to 10")
    bass: float = number(default=5.0, low=0, high=FULL, meaning="bass, 0 to 10")
    middle: float = number(default=5.0, low=0, high=FULL, meaning="middle, 0 to 10; 10 where a resistor stands for it")
    bass_taper: Taper = custom(parse=parse_taper, write=taper_data, default=AUDIO, meaning="law of the bass pot")
    load: float = quantity("Ω", default=1e6, usual=INPUT_RESISTANCE, low=1.0, meaning="volume pot behind it")

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return the driving stage, the network and its load."""
        name = self.name
        driven, foot, mid, wiper, slope = (f"{name}.{each}" for each in ("driven", "foot", "mid", "wiper", "slope"))
        treble, middle = self.treble / FULL, self.middle / FULL
        bass = float(self.bass_taper(self.bass / FULL))
        top = f"{name}.top"
        gain = 10 ** (self.gain_db / 20)

        def capacitor(word: str, here: str, there: str, farads: float) -> Element:
            return Capacitor(name=f"{name}.{word}_capacitor", nodes=(here, there), capacitance=farads)

        def resistor(word: str, here: str, there: str, ohms: float) -> Element:
            return Resistor(name=f"{name}.{word}", nodes=(here, there), resistance=ohms)

        return (
            Buffer(name=f"{name}.stage", nodes=(before, driven), gain=gain, output_resistance=self.driving_resistance),
            capacitor("treble", driven, top, self.treble_capacitor),
            resistor("treble_upper", top, after, self.treble_pot * (1 - treble)),
            resistor("treble_lower", after, foot, self.treble_pot * treble),
            resistor("slope", driven, slope, self.slope),
            capacitor("bass", slope, foot, self.bass_capacitor),
            capacitor("middle", slope, wiper, self.middle_capacitor),
            resistor("bass", foot, mid, self.bass_pot * bass),
            resistor("middle_upper", mid, wiper, self.middle_pot * (1 - middle)),
            resistor("middle_lower", wiper, GROUND, self.middle_pot * middle),
            resistor("load", after, GROUND, self.load),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PassiveSplit(Stage):
    """A passive Y: a second branch of stages hangs on the line and loads it; the response goes on along the first."""

    kind: ClassVar[str] = "passive split"
    branch: tuple[Stage, ...]

    @classmethod
    def read(cls, name: str, table: Table, base: Self | None = None) -> Self:
        """Read a split; ``branch`` is a list of stages like the chain itself."""
        table.allow("kind")
        if base is not None and "branch" not in table:
            table.done()
            return base
        stages: list[Stage] = []
        for place, entry in enumerate(table.tables("branch"), start=1):
            kind = entry.choice("kind", BRANCH_KINDS)
            stages.append(BRANCH_KINDS[kind].read(f"{name}.branch{place}", entry))
        if not stages:
            table.fail("branch", "needs at least one stage, such as a cable and an input")
        table.done()
        return cls(name=name, branch=tuple(stages))

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this split."""
        return {"kind": self.kind, "branch": [stage.data() for stage in self.branch]}

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return the elements of the branch."""
        node = before
        found: list[Element] = []
        for place, stage in enumerate(self.branch, start=1):
            following = node if stage.is_shunt else f"{self.name}.node{place}"
            found += stage.elements(node, following)
            node = following
        return read_by(found)


BRANCH_KINDS: Mapping[str, type[Stage]] = {
    kind.kind: kind
    for kind in (
        Cable,
        Input,
        BypassBox,
        BufferBox,
        VolumePedal,
        ValveInput,
        LowImpedanceInput,
        AmplifierStage,
        TransistorStage,
        TransformerStage,
        CableLine,
        ToneStack,
    )
}

CHAIN_KINDS: tuple[type[Stage], ...] = (*BRANCH_KINDS.values(), PassiveSplit)
"""The kinds of stage that labkit itself brings."""


def with_length(cable: Cable, length: float) -> Cable:
    """Return a cable of another length, m."""
    return dataclasses.replace(cable, length=length)
