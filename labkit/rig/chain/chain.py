"""What follows the jack: cable, input and whatever stands between them, as stages in a row."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Self

import numpy as np

from labkit.circuit.elements import (
    GROUND,
    Capacitor,
    ControlledSource,
    Element,
    InputNoise,
    Resistor,
    control_nodes,
)
from labkit.core.keys import inline, made, quantity, read_keys, written_keys
from labkit.core.sheet import Table
from labkit.core.units import UsualRange
from labkit.core.validity import Range, range_called
from labkit.rig.parts.active import NoiseData

LENGTH = UsualRange(low=0.1, high=100.0)
PER_LENGTH = UsualRange(low=20e-12, high=500e-12)
INPUT_RESISTANCE = UsualRange(low=5e3, high=20e6)
SMALL_CAPACITANCE = UsualRange(low=5e-12, high=5e-9)


CABLE_LENGTH = range_called("cable_length")
CABLE_CAPACITANCE = range_called("cable_capacitance")


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
    def read(cls, name: str, table: Table, base: Self | None = None) -> Self:
        """Read the stage from its table; what the table leaves out stays as it is in ``base``, where one is given."""
        table.allow("kind")
        values = read_keys(cls, table, base=base)
        table.done()
        return made(cls, table, {"name": name, **cls.settled(table, values)})

    @classmethod
    def settled(cls, table: Table, values: dict[str, Any]) -> dict[str, Any]:
        """Return the values with what follows from them; refuse what cannot stand together with ``table.fail``."""
        return values

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this stage."""
        return {"kind": self.kind, **written_keys(self)}

    @property
    def ranges(self) -> tuple[tuple[Range, float], ...]:
        """Every range that limits the stage's model, with the stage's own value."""
        return ()

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return the elements between the node before the stage and the node after it.

        Noise of an input has an empty ``reader``: the rig gives it to the stage behind; the last input has none.
        """
        raise NotImplementedError


def read_by(elements: Iterable[Element], behind: Iterable[Element] = ()) -> tuple[Element, ...]:
    """Give the noise of an input that is not the last one to the stage behind that reads it.

    Where none does (an input beside the way to the last one), e_n goes and i_n stays.
    """
    readers = {control_nodes(each)[0]: each.name for each in behind if isinstance(each, ControlledSource)}

    def settled(each: Element) -> Element:
        if not isinstance(each, InputNoise) or each.reader:
            return each
        reader = readers.get(each.nodes[0])
        return replace(each, voltage=0.0) if reader is None else replace(each, reader=reader)

    return tuple(map(settled, elements))


@dataclass(frozen=True, slots=True, kw_only=True)
class Cable(Stage):
    """A screened cable, lumped into one capacitance.

    The line's own resistance and inductance are left out: below 20 kHz and 30 m they move the response by less than
    0.05 dB when a pickup of kilohms feeds it. Where they may count, `labkit.rig.chain.stages.CableLine` holds them.
    """

    kind: ClassVar[str] = "cable"
    length: float = quantity("m", usual=LENGTH, low=0.0, meaning="length")
    capacitance_per_length: float = quantity(
        "F/m", name="capacitance", usual=PER_LENGTH, low=0.0, meaning="capacitance for each metre or foot"
    )
    plugs: float = quantity("F", default=0.0, usual=SMALL_CAPACITANCE, low=0.0, meaning="capacitance of both plugs")

    def __post_init__(self) -> None:
        CABLE_LENGTH.check(self.length)
        CABLE_CAPACITANCE.check(self.capacitance_per_length)

    @property
    def ranges(self) -> tuple[tuple[Range, float], ...]:
        """As `Stage.ranges`."""
        return ((CABLE_LENGTH, self.length), (CABLE_CAPACITANCE, self.capacitance_per_length))

    @property
    def capacitance(self) -> float:
        """Total capacitance, F."""
        return self.length * self.capacitance_per_length + self.plugs

    def in_lengths(self, lengths: np.ndarray) -> np.ndarray:
        """Return the capacitance of the same cable in other lengths, m; F, of the same shape."""
        CABLE_LENGTH.check(lengths)
        total: np.ndarray = lengths * self.capacitance_per_length + self.plugs
        return total

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return the capacitance to ground."""
        return (Capacitor(name=self.name, nodes=(before, GROUND), capacitance=self.capacitance),)


@dataclass(frozen=True, slots=True, kw_only=True)
class Input(Stage):
    """The input that the signal ends in: a resistance and a capacitance to ground, and what its first stage makes."""

    kind: ClassVar[str] = "input"
    resistance: float = quantity("Ω", usual=INPUT_RESISTANCE, low=1.0, meaning="resistance to ground")
    capacitance: float = quantity("F", default=0.0, usual=SMALL_CAPACITANCE, low=0.0, meaning="capacitance to ground")
    noise: NoiseData = inline(NoiseData, default=NoiseData())

    def elements(self, before: str, after: str) -> tuple[Element, ...]:
        """Return resistance, capacitance and noise to ground."""
        found: list[Element] = [
            Resistor(name=f"{self.name}.resistance", nodes=(before, GROUND), resistance=self.resistance)
        ]
        if self.capacitance > 0:
            found.append(
                Capacitor(name=f"{self.name}.capacitance", nodes=(before, GROUND), capacitance=self.capacitance)
            )
        return (*found, *self.noise.elements(self.name, before))
