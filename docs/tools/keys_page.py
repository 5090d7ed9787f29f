"""Generates the page of keys of parts, stages, coils, builds, readings and materials from their declarations.

python -m docs.tools.keys_page
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable
from pathlib import Path

from docs.tools.tables import table
from labkit.bench.diagnose.readings import FieldMeter, FieldValue, LcrValue, MeterReference, PeakValue, Readings
from labkit.core.keys import Key, declared_keys
from labkit.core.units import format_quantity
from labkit.pickup.electrical import Coil, EddySection, Pickup
from labkit.pickup.losses.plates import Cover
from labkit.pickup.magnetics.bar import BarMagnet
from labkit.pickup.magnetics.history import HistoryEvent
from labkit.pickup.magnetics.magnet import MagnetGrade
from labkit.pickup.magnetics.poles import Pole
from labkit.pickup.materials.materials import Enamel, Metal, StringSetStock, StringStock
from labkit.pickup.materials.wire import MeasuredWire
from labkit.pickup.predict.sheet import CoilBuild, LeadBuild, MoreTurns, PickupBuild
from labkit.pickup.string.known_steel import KnownSteel
from labkit.pickup.winding.bobbin import Bobbin
from labkit.pickup.winding.winding import Winding
from labkit.rig.harness import part_kinds
from labkit.rig.sheet import chain_kinds

PAGE = Path(__file__).resolve().parents[1] / "reference" / "keys.md"

HEAD = """# Keys of parts, stages, coils, builds, readings and materials

Generated from the declarations by `python -m docs.tools.keys_page`. A key without a default must be there. Limits are
refused; a value a hundred times outside the usual range is questioned (write `"22 uF!"` to insist). Keys marked ~ are
numbers that [tolerances and searches](../explanation/tolerance-and-search.md) may vary, named `PART.key`.
"""

BUILD = """A coil with `turns` and no `resistance` is predicted from its build; see [sheets](sheets.md). Changes name a
key by its place, such as `coil.main.turns` or `cover.gap`."""

BUILD_TABLES = {
    "The pickup": (PickupBuild,),
    "A coil, `[coil.NAME]`": (Winding, CoilBuild),
    "A wire as measured, `wire`": (MeasuredWire,),
    "Its bobbin, `bobbin`, in place of `straight_length`, `end_radius` and `winding_height`": (Bobbin,),
    "More turns over the first, `then`": (MoreTurns,),
    "Its poles, `poles`, a table for a row of equal ones or a list string by string": (Pole,),
    "A bar magnet, `[bar]`": (BarMagnet,),
    "What happened to the magnets, each `[[history]]`": (HistoryEvent,),
    "A cover or baseplate, `[cover]` and `[baseplate]`": (Cover,),
    "The lead, `[lead]`": (LeadBuild,),
}

READINGS = """A `readings` sheet says what was read on one pickup; see
[bench](../how-to/repair_bench.md) for how it is held against a plan."""

READINGS_TABLES = {
    "The sheet": (Readings,),
    "A meter's inductance, `[[lcr]]`": (LcrValue,),
    "A resonance under a load, `[peak]`": (PeakValue,),
    "A field at a pole, `[[field]]`": (FieldValue,),
    "The field meter, `[field_meter]`, or a `field meter` sheet of its own": (FieldMeter,),
    "A piece of known grade, `[[field_meter.reference]]`, or `[[reference]]` of that sheet": (MeterReference,),
}

MATERIALS = """Each quantity `KEY` may have `KEY_spread` (95 % half-width), `KEY_kind`, `KEY_source` and `KEY_doubt`
beside it; what is left out comes from the entry's own `kind`, `source` and `doubt`."""

MATERIAL_TABLES = {
    "Metal": (Metal,),
    "Enamel": (Enamel,),
    "Magnet": (MagnetGrade,),
    "String": (StringStock,),
    "String set": (StringSetStock,),
    "String steel, as `labkit shim` writes it": (KnownSteel,),
}


def generate() -> str:
    """Return the text of the page."""
    parts = [HEAD, "## Parts of a harness", ""]
    for name, kind in sorted(part_kinds().items()):
        parts += [f"### {name}", "", _first_line(kind), "", f"`nodes`: {', '.join(kind.lugs)}.", "", _keys(kind), ""]
    parts += ["## Stages of the chain", ""]
    for name, stage in sorted(chain_kinds().items()):
        parts += [f"### {name}", "", _first_line(stage), "", _keys(stage), ""]
    parts += ["## A pickup by its values", "", _keys(Pickup, is_marked=False), ""]
    parts += ["## A coil by its values", "", _keys(Coil), "", "Each entry of `eddy`:", "", _keys(EddySection), ""]
    parts += ["## A pickup by its build", "", BUILD, ""]
    for heading, kinds in BUILD_TABLES.items():
        parts += [f"### {heading}", "", _keys(*kinds, is_marked=False), ""]
    parts += ["## Readings of a pickup", "", READINGS, ""]
    for heading, kinds in READINGS_TABLES.items():
        parts += [f"### {heading}", "", _keys(*kinds, is_marked=False), ""]
    parts += ["## Materials of the catalogue", "", MATERIALS, ""]
    for heading, kinds in MATERIAL_TABLES.items():
        parts += [f"### {heading}", "", _keys(*kinds, is_marked=False), ""]
    return "\n".join(part for part in parts if part is not None).rstrip() + "\n"


def _first_line(kind: type) -> str:
    return (kind.__doc__ or "").strip().splitlines()[0]


def _keys(*kinds: type, is_marked: bool = True) -> str:
    keys = [key for kind in kinds for key in declared_keys(kind)]
    return table(("key", "value", "default", "meaning"), _rows(keys, is_marked)) if keys else "See [sheets](sheets.md)."


def _rows(keys: Iterable[Key], is_marked: bool) -> Iterable[tuple[str, str, str, str]]:
    for key in keys:
        mark = " ~" if key.is_varied and is_marked else ""
        yield f"`{key.name}`{mark}", _value(key), _default(key), key.meaning


def _value(key: Key) -> str:
    if key.options:
        return " or ".join(f'"{option}"' for option in key.options)
    if key.unit is None:
        return key.form or "text"
    low, high = (math.isfinite(limit) for limit in (key.low, key.high))
    plain = "whole number" if key.is_whole else "number"
    kind = f"quantity in {'%' if key.unit == '1' else key.unit}" if key.unit else plain
    limits = " to ".join(_number(key, limit) for limit in (key.low, key.high)) if low and high else ""
    limits = limits or (f"{_number(key, key.low)} or more" if low else "")
    usual = key.usual
    often = f"usually {_number(key, usual.low)} to {_number(key, usual.high)}" if usual else ""
    return "; ".join(text for text in (kind, limits, often) if text)


def _number(key: Key, value: float) -> str:
    return format_quantity(value, key.unit) if key.unit else f"{value:g}"


def _default(key: Key) -> str:
    if key.default is dataclasses.MISSING:
        return "—"
    written = key.written(key.default)
    if isinstance(written, bool):
        return f"`{str(written).lower()}`"
    return f"`{written}`" if written != "" and isinstance(written, str | float | int) else "none"


def main() -> None:
    """Write the page."""
    PAGE.write_text(generate(), encoding="utf-8")


if __name__ == "__main__":
    main()
