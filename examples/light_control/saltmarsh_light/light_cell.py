"""Light-dependent resistors: resistance over illuminance, and the sheets that describe them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.core.units import UsualRange

REFERENCE_LUX = 10.0
"""Illuminance at which data sheets give a cell's resistance, lux."""

AT_10_LUX = UsualRange(low=1e3, high=500e3)


def cell_resistance(
    illuminance_lux: ArrayLike, *, at_10_lux: ArrayLike, exponent: ArrayLike, dark: ArrayLike
) -> np.ndarray:
    """Return the resistance of a cell, Ω.

    1/R = 1/R_dark + (E/10 lux)^γ/R_10.

    Parameters
    ----------
    illuminance_lux : array_like, lux
        0 or more.
    at_10_lux, dark : array_like, Ω
        Without the other.
    exponent : array_like
        γ = lg(R_10/R_100), 0.5 … 1.

    Source: the form of common data sheets of cadmium-sulphide cells (common practice, no source).
    Not modelled: the cell's memory of past light, its slowness (tens of ms), its noise.

    >>> float(cell_resistance(10.0, at_10_lux=20e3, exponent=0.7, dark=1e12).round(1))
    20000.0
    """
    lit = (np.asarray(illuminance_lux, dtype=float) / REFERENCE_LUX) ** exponent / np.asarray(at_10_lux)
    value: np.ndarray = 1 / (1 / np.asarray(dark) + lit)
    return value


@dataclass(frozen=True, slots=True, kw_only=True)
class LightCell:
    """One type of cell: resistance at 10 lux (Ω), exponent, resistance in the dark (Ω)."""

    name: str
    at_10_lux: float
    exponent: float
    dark: float

    def __post_init__(self) -> None:
        if not self.dark > self.at_10_lux:
            raise InputError(
                f"cell '{self.name}' must resist more in the dark than at 10 lux; "
                f"got {self.dark:g} Ω and {self.at_10_lux:g} Ω"
            )

    def resistance(self, illuminance_lux: ArrayLike) -> np.ndarray:
        """Return the resistance at an illuminance, Ω."""
        return cell_resistance(illuminance_lux, at_10_lux=self.at_10_lux, exponent=self.exponent, dark=self.dark)


def read_light_cell(table: Table) -> LightCell:
    """Read a ``light cell`` sheet."""
    for key in ("sheet", "format", "summary", "source"):
        table.raw(key, None)
    name = table.text("name", expected="the name of the cell")
    at_10_lux = table.quantity("at_10_lux", "Ω", usual=AT_10_LUX, low=10.0)
    exponent = table.number("exponent", low=0.3, high=1.2)
    dark = table.quantity("dark", "Ω", low=10.0)
    table.done()
    return table.attempt("dark", lambda: LightCell(name=name, at_10_lux=at_10_lux, exponent=exponent, dark=dark))


def check_light_cell(inputs: Mapping[str, Any]) -> Mapping[str, float]:
    """Return lg(R_10/R_100) of a cell that is never dark, by which data sheets define the exponent."""
    resistance = cell_resistance(
        np.array([10.0, 100.0]), at_10_lux=inputs["at_10_lux_ohm"], exponent=inputs["exponent"], dark=np.inf
    )
    return {"lg(R10/R100)": float(np.log10(resistance[0] / resistance[1]))}
