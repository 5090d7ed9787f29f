"""Materials of a pickup and of what it hears: metals, enamel films, strings; each number with its source.

A catalogue entry gives each quantity as text with its unit, and may give for a quantity ``KEY`` also ``KEY_spread``
(half-width of the 95 % interval), ``KEY_kind``, ``KEY_source`` and ``KEY_doubt``; what is left out comes from the
entry's own ``kind``, ``source`` and ``doubt``, and those from the top of the file.
"""

from __future__ import annotations

import math
from dataclasses import MISSING, dataclass
from typing import Any, TypeVar, cast, get_args

from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.keys import custom, quantity, read_keys, text
from labkit.core.sheet import Table
from labkit.core.sourced import Kind, SourcedValue

Thing = TypeVar("Thing")


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


def sourced_key(
    unit: str, *, meaning: str, low: float = -math.inf, high: float = math.inf, default: Any = MISSING
) -> Any:
    """Declare a field that `sourced` reads; see `labkit.core.keys`."""
    return custom(
        default=default,
        take=lambda table, key: sourced(table, key, unit, low=low, high=high),
        form=f"quantity in {unit}" if unit != "1" else "number",
        meaning=meaning,
    )


def _core_diameter(table: Table, key: str) -> SourcedValue:
    provenance(table, key)  # stated once for a whole file, plain strings included
    return sourced(table, key if table.text("wrap", "") else "diameter", "m", low=1e-4, high=6e-3)


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

    name: str = text(meaning="its name")
    resistivity: SourcedValue = sourced_key("Ω·m", low=1e-9, high=1e-4, meaning="at 20 °C")
    temperature_coefficient: SourcedValue = sourced_key(
        "1/K", low=-0.02, high=0.02, meaning="of the resistivity, at 20 °C"
    )
    permeability: SourcedValue = sourced_key("1", low=0.9, high=1e6, meaning="relative, for small signals")
    density: SourcedValue = sourced_key("kg/m³", low=500.0, high=25e3, meaning="density")


@dataclass(frozen=True, slots=True, kw_only=True)
class Enamel:
    """The insulating film of a wire: its relative permittivity at audio frequencies and room temperature."""

    name: str = text(meaning="its name")
    permittivity: SourcedValue = sourced_key("1", low=1.0, high=20.0, meaning="relative, at audio frequencies")


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

    name: str = text(meaning="its name")
    diameter: SourcedValue = sourced_key("m", low=1e-4, high=6e-3, meaning="over the wrap")
    core_diameter: SourcedValue = custom(
        take=_core_diameter, form="quantity in m", meaning="across the flats of the core; of a wound string only"
    )
    mass_per_length: SourcedValue = sourced_key("kg/m", low=1e-5, high=0.1, meaning="mass of a metre")
    modulus: SourcedValue = sourced_key("Pa", low=1e9, high=1e12, meaning="Young's modulus of the core")
    density: SourcedValue = sourced_key("kg/m³", low=500.0, high=25e3, meaning="of the core")
    wrap: str = text(default="", meaning="material of the wrap; none of a plain string")

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

    name: str = text(meaning="its name")
    strings: tuple[str, ...] = custom(take=Table.texts, form="list of texts", meaning="strings, thinnest first")
    notes: tuple[str, ...] = custom(
        take=lambda table, key: table.texts(key, count=len(table.texts("strings"))),
        form="list of texts",
        meaning="their notes",
    )
    scale_length: float = quantity("m", low=0.2, high=1.5, meaning="of the instrument")


def read_entry(kind: type[Thing], table: Table, *, at: str = "") -> Thing:
    """Read a catalogue entry of a kind by its declared keys; what the kind refuses is said of the key ``at``."""
    values = read_keys(kind, table)
    read = table.attempt(at, lambda: kind(**values))
    table.done()
    return read


def metal_from_sheet(table: Table) -> Metal:
    """Read a ``metal`` entry of the catalogue."""
    return read_entry(Metal, table)


def enamel_from_sheet(table: Table) -> Enamel:
    """Read an ``enamel`` entry of the catalogue."""
    return read_entry(Enamel, table)


def string_from_sheet(table: Table) -> StringStock:
    """Read a ``string`` entry of the catalogue; a plain string has no ``wrap`` and no ``core_diameter``."""
    return read_entry(StringStock, table, at="core_diameter")


def string_set_from_sheet(table: Table) -> StringSetStock:
    """Read a ``string set`` entry of the catalogue."""
    provenance(table, "strings")
    return read_entry(StringSetStock, table)


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
