"""The take sheet: strings, plucks and decay as text with units.

sheet = "take"
format = 1
name = "open-string chord"
strings = "six strings 10-46"   # a set of the catalogue; or [[string]] tables with note, diameter, core, mass
scale = "25.5 in"               # optional
duration = "4 s"
pluck = { position = "130 mm", displacement = "1.5 mm", width = "1 mm" }
decay = { low = "2.5 s", at_3khz = "0.35 s" }
variation = { timing = "3 ms", level = "0.5 dB", position = "2 mm" }
seed = 1
notes = [{ at = "0 s", string = 6, fret = 0 }, …]
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

from labkit.catalogue import catalogue, find_sheet
from labkit.core.errors import InputError
from labkit.core.keys import made, read_keys, written_keys
from labkit.core.sheet import Table
from labkit.core.units import format_quantity
from labkit.pickup.string.vibration import note_frequency
from labkit.plugins import plugins
from labkit.sound.strings import STEEL_DENSITY, STEEL_MODULUS_PA, String, StringSet, string_set
from labkit.sound.take.performance import (
    LONGEST_TAKE_S,
    OPEN_DECAY,
    Decay,
    NoteVariation,
    Performance,
    Pluck,
    made_take,
    take_makers,
)

DEFAULT_TAKE = "E chord"
_USUAL_SCALE = 0.6477


def load_take(name: str | Path) -> Performance:
    """Load a performance by path, by catalogue name, or by the name of a maker that a plugin brings.

    Raises
    ------
    InputError
        If nothing answers to the name, or the sheet cannot be read.
    """
    if str(name) in take_makers() and str(name) not in catalogue().names("take"):
        return made_take(str(name))
    return read_take(find_sheet(name, "take", also=take_makers()))


def usable_takes() -> tuple[str, ...]:
    """Return the names of the takes that can be played: sheets first, then makers, each once."""
    names = list(catalogue().usable_names("take"))
    for name, brought in take_makers().items():
        try:
            made_take(name)
        except InputError as error:
            plugins().report(brought.plugin, str(error))
            continue
        names.append(name)
    return tuple(dict.fromkeys(names))


def read_take(table: Table) -> Performance:
    """Read a take sheet.

    Raises
    ------
    SheetError
        Naming the file, the key and the remedy.
    """
    table.allow("sheet", "format", "source", "note")
    name = table.text("name", expected="the take's name")
    summary = table.text("summary", "")
    strings = _read_strings(table)
    duration = table.quantity("duration", "s", 4.0, low=0.1, high=LONGEST_TAKE_S)
    decay = _read_decay(table.table("decay"), OPEN_DECAY) if "decay" in table else None
    usual = Pluck(at_s=0.0, string=1, decay=decay)
    if "pluck" in table:
        entry = table.table("pluck")
        usual = _read_pluck(entry, usual)
        entry.done()
    plucks = []
    for entry in table.tables("notes"):
        pluck = _read_pluck(entry, usual)
        at = entry.quantity("at", "s", low=0.0, high=LONGEST_TAKE_S)
        string = int(entry.number("string", low=1, high=len(strings.strings), whole=True))
        fret = int(entry.number("fret", 0, low=0, high=36, whole=True))
        if "decay" in entry:
            pluck = replace(pluck, decay=_read_decay(entry.table("decay"), decay or OPEN_DECAY))
        entry.done()
        plucks.append(replace(pluck, at_s=at, string=string, fret=fret))
    variation = NoteVariation()
    if "variation" in table:
        entry = table.table("variation")
        variation = made(NoteVariation, entry, read_keys(NoteVariation, entry))
        entry.done()
    seed = int(table.number("seed", 1, low=0, high=2**31 - 1, whole=True))
    table.done()
    return table.attempt(
        "notes",
        lambda: Performance(
            name=name,
            summary=summary,
            strings=strings,
            plucks=tuple(plucks),
            duration_s=duration,
            variation=variation,
            seed=seed,
        ),
    )


def take_data(performance: Performance) -> dict[str, Any]:
    """Return the keys of a take sheet that reads back to the same performance, with its strings inline."""
    data: dict[str, Any] = {"name": performance.name}
    if performance.summary:
        data["summary"] = performance.summary
    data |= {
        "scale": format_quantity(performance.strings.scale, "m"),
        "duration": format_quantity(performance.duration_s, "s"),
        "seed": performance.seed,
        "variation": written_keys(performance.variation),
        "string": [_string_data(string) for string in performance.strings.strings],
        "notes": [_pluck_data(pluck) for pluck in performance.plucks],
    }
    return data


def _read_strings(table: Table) -> StringSet:
    if "string" in table:
        if "strings" in table:
            table.fail("string", "cannot stand beside 'strings'; name a set or list the strings, not both")
        strings = tuple(_read_string(entry) for entry in table.tables("string"))
        scale = table.quantity("scale", "m", _USUAL_SCALE, low=0.2, high=1.5)
        return table.attempt("string", lambda: StringSet(name="own strings", strings=strings, scale=scale))
    name = table.text("strings", expected="the name of a set of strings")
    usual = table.attempt("strings", lambda: string_set(name))
    return replace(usual, scale=table.quantity("scale", "m", usual.scale, low=0.2, high=1.5))


def _read_string(entry: Table) -> String:
    note = entry.raw("note", expected="the open note, such as 'E2',")
    if isinstance(note, str) and note.rstrip().endswith("Hz"):
        open_hz = entry.quantity("note", "Hz", low=10.0, high=2000.0)
    else:
        open_hz = entry.attempt("note", lambda: note_frequency(str(note)))
    diameter = entry.quantity("diameter", "m", low=1e-4, high=6e-3)
    core = entry.quantity("core", "m", None, low=5e-5, high=6e-3)
    if core is not None and "mass" not in entry:
        entry.fail("mass", "is missing; a wound string needs its mass per length, such as '6.8 g/m'")
    mass = entry.quantity("mass", "kg/m", STEEL_DENSITY * math.pi * diameter**2 / 4, low=1e-5, high=0.1)
    modulus = entry.quantity("modulus", "Pa", STEEL_MODULUS_PA, low=1e9, high=1e12)
    name = entry.text("name", f"{note} {format_quantity(diameter, 'm')}")
    entry.done()
    return entry.attempt(
        "",
        lambda: String(
            name=name,
            open_hz=open_hz,
            diameter=diameter,
            core_diameter=core,
            mass_per_length=mass,
            modulus_pa=modulus,
        ),
    )


def _read_decay(entry: Table, usual: Decay) -> Decay:
    low = entry.quantity("low", "s", 1 / usual.constant, low=1e-3, high=60.0)
    at_3khz = entry.quantity("at_3khz", "s", float(1 / usual.rate(3000.0)), low=1e-3, high=60.0)
    entry.done()
    return entry.attempt("", lambda: Decay.from_times(low_s=low, at_3khz_s=at_3khz))


def _read_pluck(entry: Table, usual: Pluck) -> Pluck:
    return replace(
        usual,
        displacement=entry.quantity("displacement", "m", usual.displacement, low=1e-6, high=0.0199),
        position=entry.quantity("position", "m", usual.position, low=1e-3, high=1.4),
        width=entry.quantity("width", "m", usual.width, low=0.0, high=0.049),
    )


def _string_data(string: String) -> dict[str, Any]:
    data = {
        "name": string.name,
        "note": f"{string.open_hz!r} Hz",
        "diameter": format_quantity(string.diameter, "m"),
        "mass": format_quantity(string.mass_per_length, "kg/m"),
        "modulus": format_quantity(string.modulus_pa, "Pa"),
    }
    if string.core_diameter is not None:
        data["core"] = format_quantity(string.core_diameter, "m")
    return data


def _pluck_data(pluck: Pluck) -> dict[str, Any]:
    data: dict[str, Any] = {
        "at": format_quantity(pluck.at_s, "s"),
        "string": pluck.string,
        "fret": pluck.fret,
        "displacement": format_quantity(pluck.displacement, "m"),
        "position": format_quantity(pluck.position, "m"),
        "width": format_quantity(pluck.width, "m"),
    }
    if pluck.decay is not None:
        data["decay"] = {
            "low": format_quantity(1 / pluck.decay.constant, "s"),
            "at_3khz": format_quantity(float(1 / pluck.decay.rate(3000.0)), "s"),
        }
    return data
