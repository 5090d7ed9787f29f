"""More of what follows the jack: boxes, buffers, pedals, splits, and the inputs of amplifiers."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Self

from labkit.circuit.elements import GROUND, Capacitor, Element, Resistor
from labkit.core.keys import custom, inline, number, quantity
from labkit.core.sheet import Table
from labkit.core.units import UsualRange
from labkit.core.validity import range_called
from labkit.rig.chain.chain import INPUT_RESISTANCE, SMALL_CAPACITANCE, Cable, Input, Stage, read_by_nothing
from labkit.rig.parts.active import BufferStage, NoiseData
from labkit.rig.parts.parts import FULL, POT
from labkit.rig.parts.taper import Taper, parse_taper, taper_data

STOPPER = UsualRange(low=1e3, high=1e6)
COUPLING = UsualRange(low=1e-9, high=100e-6)
AUDIO = parse_taper("audio")
LOW_RESISTANCE = UsualRange(low=500.0, high=200e3)
VALVE_CAPACITANCE = UsualRange(low=0.01e-12, high=50e-12)

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
    """An input of some kilohms behind a coupling capacitor; the response is taken across the resistance."""

    kind: ClassVar[str] = "low-impedance input"
    is_shunt: ClassVar[bool] = False
    coupling: float = quantity("F", usual=COUPLING, low=1e-12, meaning="capacitor in series with the input")
    resistance: float = quantity("Ω", usual=LOW_RESISTANCE, low=1.0, meaning="resistance to ground")
    noise: NoiseData = inline(NoiseData, default=NoiseData())

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return the capacitor in series, and resistance and noise to ground."""
        return (
            Capacitor(name=f"{self.name}.coupling", nodes=(before, after), capacitance=self.coupling),
            Resistor(name=f"{self.name}.resistance", nodes=(after, GROUND), resistance=self.resistance),
            *self.noise.elements(self.name, after),
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
        return read_by_nothing(found)


BRANCH_KINDS: Mapping[str, type[Stage]] = {
    kind.kind: kind for kind in (Cable, Input, BypassBox, BufferBox, VolumePedal, ValveInput, LowImpedanceInput)
}

CHAIN_KINDS: tuple[type[Stage], ...] = (*BRANCH_KINDS.values(), PassiveSplit)
"""The kinds of stage that labkit itself brings."""


def with_length(cable: Cable, length: float) -> Cable:
    """Return a cable of another length, m."""
    return dataclasses.replace(cable, length=length)
