"""``light resistor``: a part of a harness whose resistance follows a knob that shades a light cell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Self

import numpy as np

from labkit.catalogue import catalogue
from labkit.circuit.elements import Element, Resistor
from labkit.core.sheet import Table
from labkit.rig.parts import FULL, Knob, Part, Position, read_nodes
from saltmarsh_light.light_cell import LightCell

BRIGHTEST_LUX, DARKEST_LUX = 300.0, 0.1
"""Light on the cell at 0 and at 10 on the knob unless the sheet says otherwise: a small lamp, a good shutter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LightResistor(Part):
    """A light cell behind a shutter: 0 lets all light in, 10 shuts it out; in between light falls evenly in decades."""

    kind: ClassVar[str] = "light resistor"
    cell: LightCell
    brightest_lux: float = BRIGHTEST_LUX
    darkest_lux: float = DARKEST_LUX
    default: float = FULL

    @classmethod
    def read(cls, name: str, table: Table) -> Self:
        """Read a light resistor."""
        nodes = read_nodes(table, 2, "its two ends")
        wanted = table.text("cell", expected="the name of a light cell")
        cell = table.attempt("cell", lambda: catalogue().load("light cell", wanted))
        part = cls(
            name=name,
            nodes=nodes,
            control_name=table.text("control", name, expected="the name of a knob"),
            cell=cell,
            brightest_lux=table.number("brightest_lux", BRIGHTEST_LUX, low=1.0, high=100_000.0),
            darkest_lux=table.number("darkest_lux", DARKEST_LUX, low=0.001, high=1000.0),
            default=table.number("default", FULL, low=0, high=FULL),
        )
        if not part.darkest_lux < part.brightest_lux:
            table.fail("darkest_lux", f"must be below brightest_lux ({part.brightest_lux:g}); got {part.darkest_lux:g}")
        table.done()
        return part

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this part."""
        data: dict[str, Any] = {
            "kind": self.kind,
            "nodes": list(self.nodes),
            "cell": self.cell.name,
            "brightest_lux": self.brightest_lux,
            "darkest_lux": self.darkest_lux,
            "default": self.default,
        }
        if self.control_name != self.name:
            data["control"] = self.control_name
        return data

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
