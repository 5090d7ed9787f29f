"""``light resistor``: a part of a harness whose resistance follows a knob that shades a light cell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from labkit.catalogue import catalogue
from labkit.circuit.elements import Element, Resistor
from labkit.core.errors import InputError
from labkit.core.keys import custom, number
from labkit.core.sheet import Table
from labkit.rig.parts.parts import FULL, Knob, Part, Position
from saltmarsh_light.light_cell import LightCell

BRIGHTEST_LUX, DARKEST_LUX = 300.0, 0.1
"""Light on the cell at 0 and at 10 on the knob unless the sheet says otherwise: a small lamp, a good shutter."""


def _light_cell(name: object) -> LightCell:
    if not isinstance(name, str):
        raise InputError(f"must be the name of a light cell; got {name!r}")
    return catalogue().load("light cell", name)


@dataclass(frozen=True, slots=True, kw_only=True)
class LightResistor(Part):
    """A light cell behind a shutter: 0 lets all light in, 10 shuts it out; in between light falls evenly in decades."""

    kind: ClassVar[str] = "light resistor"
    control_word: ClassVar[str] = "knob"
    cell: LightCell = custom(parse=_light_cell, write=lambda cell: cell.name, meaning="the name of a light cell")
    brightest_lux: float = number(
        default=BRIGHTEST_LUX, low=1.0, high=100_000.0, meaning="light on the cell at 0 on the knob, lux"
    )
    darkest_lux: float = number(default=DARKEST_LUX, low=0.001, high=1000.0, meaning="light at 10 on the knob, lux")
    default: float = number(
        default=FULL, low=0, high=FULL, is_varied=False, meaning="where the knob stands in a new rig"
    )

    @classmethod
    def settled(cls, table: Table, values: dict[str, Any]) -> dict[str, Any]:
        """Refuse a shutter that brightens when it closes."""
        darkest, brightest = values["darkest_lux"], values["brightest_lux"]
        if not darkest < brightest:
            table.fail("darkest_lux", f"must be below brightest_lux ({brightest:g}); got {darkest:g}")
        return values

    @property
    def control(self) -> Knob:
        """The knob."""
        return Knob(name=self.control_name or self.name, default=self.default)

    def resistance(self, position: Position | np.ndarray) -> np.ndarray:
        """Return the resistance at knob positions, Ω."""
        shade = np.asarray(position, dtype=float) / FULL
        return self.cell.resistance(self.brightest_lux * (self.darkest_lux / self.brightest_lux) ** shade)

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return the cell as a resistor."""
        checked = self.control.check(self.default if position is None else position)
        return (Resistor(name=self.name, nodes=self.nodes, resistance=float(self.resistance(checked))),)

    def element_values(
        self, position: np.ndarray | None, keys: Mapping[str, np.ndarray]
    ) -> dict[str, np.ndarray] | None:
        """Return the cell's resistance over arrays of knob positions."""
        if keys:
            return None
        return {self.name: self.resistance(np.asarray(self.default if position is None else position))}
