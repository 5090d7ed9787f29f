"""Materials of a pickup and of what it hears: metals, enamel films, strings; each number with its source.

A catalogue entry gives each quantity as text with its unit, and may give for a quantity ``KEY`` also ``KEY_spread``
(half-width of the 95 % interval), ``KEY_kind``, ``KEY_source`` and ``KEY_doubt``; what is left out comes from the
entry's own ``kind``, ``source`` and ``doubt``, and those from the top of the file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import cast, get_args

from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.core.sourced import Kind, SourcedValue


def sourced(table: Table, key: str, unit: str, *, low: float = -math.inf, high: float = math.inf) -> SourcedValue:
    """Read a quantity of a catalogue entry with its spread, kind, source and doubt.

    Parameters
    ----------
    table : Table
    key : str
    unit : str
        SI unit, as for `labkit.core.units.parse_quantity`; the spread is in the same unit.
    low, high : float
        Bounds in ``unit``.

    Raises
    ------
    SheetError
        If the quantity or its source is missing or cannot be read.
    """
    value = table.quantity(key, unit, low=low, high=high)
    spread = table.quantity(f"{key}_spread", unit, None, low=0.0)
    kind, source, doubt = provenance(table, key)
    return SourcedValue(value=value, unit=unit, spread=spread, kind=kind, source=source, doubt=doubt)


def provenance(table: Table, key: str) -> tuple[Kind, str, str]:
    """Read kind, source and doubt of one key, falling back to those of the whole entry."""
    shared = (
        table.choice("kind", get_args(Kind)),
        table.text("source", expected="where the numbers can be looked up"),
        table.text("doubt", "", expected="what speaks against the numbers"),
    )
    return (
        cast("Kind", table.choice(f"{key}_kind", get_args(Kind), shared[0])),
        table.text(f"{key}_source", shared[1]),
        table.text(f"{key}_doubt", shared[2]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Metal:
    """A conductor of poles, covers and plates.

    Attributes
    ----------
    name : str
    resistivity : SourcedValue, Ω·m
        At 20 °C.
    temperature_coefficient : SourcedValue, 1/K
        Of the resistivity, at 20 °C.
    permeability : SourcedValue, 1
        Relative, for small signals.
    density : SourcedValue, kg/m³
    """

    name: str
    resistivity: SourcedValue
    temperature_coefficient: SourcedValue
    permeability: SourcedValue
    density: SourcedValue

    def resistivity_at(self, temperature_c: float) -> float:
        """Resistivity at a temperature, Ω·m: ρ·(1 + α(T − 20 °C))."""
        return self.resistivity.value * (1 + self.temperature_coefficient.value * (temperature_c - 20.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Enamel:
    """The insulating film of a wire: its relative permittivity at audio frequencies and room temperature."""

    name: str
    permittivity: SourcedValue


@dataclass(frozen=True, slots=True, kw_only=True)
class StringStock:
    """A string as sold by the piece.

    Attributes
    ----------
    name : str
    diameter : SourcedValue, m
    core_diameter : SourcedValue, m
        The whole diameter of a plain string; across the flats of a wound string's core.
    mass_per_length : SourcedValue, kg/m
    modulus : SourcedValue, Pa
        Young's modulus of the core.
    density : SourcedValue, kg/m³
        Of the core.
    wrap : str
        Material of the wrap; empty for a plain string.
    """

    name: str
    diameter: SourcedValue
    core_diameter: SourcedValue
    mass_per_length: SourcedValue
    modulus: SourcedValue
    density: SourcedValue
    wrap: str = ""

    def __post_init__(self) -> None:
        if self.core_diameter.value > self.diameter.value:
            raise InputError(
                f"string '{self.name}': the core cannot be thicker than the string; "
                f"got {self.core_diameter.value * 1e3:g} mm in {self.diameter.value * 1e3:g} mm"
            )

    @property
    def is_wound(self) -> bool:
        """Whether the string has a wrap over a core."""
        return bool(self.wrap)


@dataclass(frozen=True, slots=True, kw_only=True)
class StringSetStock:
    """Strings of one instrument by name, thinnest first, with their notes and the scale length in m."""

    name: str
    strings: tuple[str, ...]
    notes: tuple[str, ...]
    scale_length: float


def metal_from_sheet(table: Table) -> Metal:
    """Read a ``metal`` entry of the catalogue."""
    read = Metal(
        name=table.text("name"),
        resistivity=sourced(table, "resistivity", "Ω·m", low=1e-9, high=1e-4),
        temperature_coefficient=sourced(table, "temperature_coefficient", "1/K", low=-0.02, high=0.02),
        permeability=sourced(table, "permeability", "1", low=0.9, high=1e6),
        density=sourced(table, "density", "kg/m³", low=500.0, high=25e3),
    )
    table.done()
    return read


def enamel_from_sheet(table: Table) -> Enamel:
    """Read an ``enamel`` entry of the catalogue."""
    read = Enamel(name=table.text("name"), permittivity=sourced(table, "permittivity", "1", low=1.0, high=20.0))
    table.done()
    return read


def string_from_sheet(table: Table) -> StringStock:
    """Read a ``string`` entry of the catalogue; a plain string has no ``wrap`` and no ``core_diameter``."""
    wrap = table.text("wrap", "")
    provenance(table, "core_diameter")  # stated once for a whole file, plain strings included
    diameter = sourced(table, "diameter", "m", low=1e-4, high=6e-3)
    read = table.attempt(
        "core_diameter",
        lambda: StringStock(
            name=table.text("name"),
            diameter=diameter,
            core_diameter=sourced(table, "core_diameter", "m", low=1e-4, high=6e-3) if wrap else diameter,
            mass_per_length=sourced(table, "mass_per_length", "kg/m", low=1e-5, high=0.1),
            modulus=sourced(table, "modulus", "Pa", low=1e9, high=1e12),
            density=sourced(table, "density", "kg/m³", low=500.0, high=25e3),
            wrap=wrap,
        ),
    )
    table.done()
    return read


def string_set_from_sheet(table: Table) -> StringSetStock:
    """Read a ``string set`` entry of the catalogue."""
    strings = table.texts("strings")
    read = StringSetStock(
        name=table.text("name"),
        strings=strings,
        notes=table.texts("notes", count=len(strings)),
        scale_length=table.quantity("scale_length", "m", low=0.2, high=1.5),
    )
    provenance(table, "strings")
    table.done()
    return read


def metal(name: str) -> Metal:
    """Return a metal of the catalogue by name, such as ``"nickel silver"``."""
    return metal_from_sheet(catalogue().item("metal", name).table())


def enamel(name: str) -> Enamel:
    """Return an enamel film of the catalogue by name, such as ``"polyurethane"``."""
    return enamel_from_sheet(catalogue().item("enamel", name).table())


def string(name: str) -> StringStock:
    """Return a string of the catalogue by name, such as ``"plain steel 0.010 in"``."""
    return string_from_sheet(catalogue().item("string", name).table())


def string_set(name: str) -> StringSetStock:
    """Return a set of strings of the catalogue by name, such as ``"six strings 10-46"``."""
    return string_set_from_sheet(catalogue().item("string set", name).table())
