"""JSON Schemas (draft 2020-12) of every kind of sheet, from the keys of their readers.

A schema takes every sheet that the reader takes. It refuses unknown and missing keys, values of the wrong kind, words
that are none of the options and plain numbers outside their limits; units, limits of quantities, names and what one key
asks of another are left to the reader.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from string import ascii_uppercase
from typing import Any, get_args

from labkit.bench.diagnose import readings
from labkit.cases.case import HOW, Role, ToleranceKind
from labkit.core.errors import InputError, did_you_mean
from labkit.core.keys import NUMBER, Key, declared_keys, declared_lists
from labkit.core.sheet import FORMAT
from labkit.core.sourced import Kind
from labkit.pickup.electrical import Coil, Pickup
from labkit.pickup.losses.plates import Cover
from labkit.pickup.magnetics.bar import BarMagnet
from labkit.pickup.magnetics.magnet import MagnetGrade
from labkit.pickup.magnetics.poles import Pole
from labkit.pickup.materials.materials import Enamel, Metal, StringSetStock, StringStock
from labkit.pickup.predict.sheet import CoilBuild, LeadBuild, PickupBuild
from labkit.pickup.string.known_steel import KnownSteel
from labkit.pickup.winding.bobbin import Bobbin
from labkit.pickup.winding.winding import Winding
from labkit.rig.claims import HUM_CLAIMS, PHASE_CLAIMS
from labkit.rig.devices.device import DEVICE_KINDS, LUG_WORDS
from labkit.rig.harness import part_kinds
from labkit.rig.parts.parts import SWITCH_STYLES, Switch
from labkit.rig.sheet import chain_kinds
from labkit.sound.take.performance import NoteVariation

Schema = dict[str, Any]

_DRAFT = "https://json-schema.org/draft/2020-12/schema"
_OUTPUT_SCHEMAS = Path(__file__).parents[1] / "data" / "output_schemas.json"
_TEXT: Schema = {"type": "string"}
_QUANTITY: Schema = {"type": ["string", "number"], "description": "a quantity with its unit"}


def sheet_schema(kind: str) -> Schema:
    """Return the JSON Schema of a kind of sheet, plugins' parts and stages included.

    Raises
    ------
    InputError
        If there is no schema of that kind.

    >>> sheet_schema("rig")["required"]
    ['sheet', 'format', 'name', 'harness', 'pickups']
    """
    stages = chain_kinds()
    if kind not in schema_kinds():
        raise InputError(f"there is no schema of a '{kind}' sheet.{did_you_mean(kind, schema_kinds())}")
    body = _MAKERS[kind]() if kind in _MAKERS else _stage(stages[kind])
    own = {"sheet": {"const": kind}, "format": {"const": FORMAT}, "summary": _TEXT, "note": _TEXT}
    return {
        "$schema": _DRAFT,
        "title": f"labkit {kind} sheet",
        **body,
        "properties": own | body["properties"],
        "required": ["sheet", "format", *body["required"]],
    }


def output_schema(command: str) -> Schema:
    """Return the JSON Schema of what a command prints with ``--json``, by its heading in the reference of JSON keys.

    Raises
    ------
    InputError
        If no command of that name has ``--json``; says the nearest.
    """
    known = json.loads(_OUTPUT_SCHEMAS.read_text(encoding="utf-8"))
    if command not in known:
        raise InputError(f"there is no schema of the output of '{command}'.{did_you_mean(command, known)}")
    return {"$schema": _DRAFT, "title": f"labkit {command} --json", **known[command]}


def schema_kinds() -> tuple[str, ...]:
    """Return the kinds of sheet that have a schema: all that labkit reads, and the stages that plugins bring."""
    return (*_MAKERS, *chain_kinds())


def key_schema(key: Key) -> Schema:
    """Return the schema of the value of one key."""
    words: Schema = {"description": "; ".join(text for text in (key.meaning, key.form) if text)}
    if key.default is not dataclasses.MISSING and key.default is not None and key.take is None and key.parse is None:
        written = key.written(key.default)
        if isinstance(written, str | int | float):
            words["default"] = written
    if key.form == "true or false":
        return words | {"type": "boolean"}
    if key.take is not None or key.parse is not None:
        return words
    if key.options:
        return words | {"enum": list(key.options)}
    if key.unit == NUMBER:
        limits = {name: end for name, end in (("minimum", key.low), ("maximum", key.high)) if math.isfinite(end)}
        return words | {"type": "integer" if key.is_whole else "number"} | limits
    if key.unit is not None:
        return words | {"type": ["string", "number"] if key.unit == "1" else "string", "x-unit": key.unit}
    return words | {"type": "string"}


def _table(*kinds: type, required: Sequence[str] | None = None, is_open: bool = False, **own: Schema) -> Schema:
    """An object of the keys that some dataclasses declare and of ``own`` ones.

    Keys without a default must be there, unless ``required`` says which. An open one may hold more keys.
    """
    keys = [key for kind in kinds for key in declared_keys(kind)]
    lists = {name: _list(_table(entry)) for kind in kinds for name, entry in declared_lists(kind).items()}
    needed = [key.name for key in keys if key.default is dataclasses.MISSING] if required is None else list(required)
    properties = {key.name: key_schema(key) for key in keys} | lists | own
    made: Schema = {"type": "object", "properties": properties, "required": needed}
    return made if is_open else made | {"additionalProperties": False}


def _list(entry: Schema, **more: int) -> Schema:
    return {"type": "array", "items": entry} | more


def _named(entry: Schema, **more: int) -> Schema:
    return {"type": "object", "additionalProperties": entry} | more


def _or_table(words: str) -> Schema:
    return {"type": ["string", "object"], "description": words}


def _rig() -> Schema:
    """Parts and inline tables are those of a harness that the schema does not know, so they are left open."""
    stages = []
    for name, stage in chain_kinds().items():
        is_open = "read" in vars(stage)
        stages.append(_table(stage, kind={"const": name}, use=_TEXT, required=["kind"], is_open=is_open))
    return _table(
        name=_TEXT,
        harness=_or_table("name, path or table of a harness"),
        pickups=_named(_or_table("name, path or table of a pickup")),
        parts=_named({"type": ["string", "number", "object"], "description": "other values of a part of the harness"}),
        settings=_named({"type": ["string", "number"], "description": "knob 0 to 10, or position of a switch"}),
        chain=_list({"oneOf": stages}),
        required=["name", "harness", "pickups"],
    )


def _stage(stage: type) -> Schema:
    """A cable, an input …, by itself or many of them as entries, which then need what is not shared at the top."""
    own = {"name": _TEXT, "source": _TEXT, "summary": _TEXT, "note": _TEXT}
    is_open = "read" in vars(stage)
    entry = _table(stage, required=["name"], is_open=is_open, **own)
    many = _table(stage, required=["entry"], is_open=is_open, **own, entry=_list(entry, minItems=1))
    alone = ["name", *_table(stage)["required"]]
    return many | {"required": [], "anyOf": [{"required": ["entry"]}, {"required": ["name"] if is_open else alone}]}


def _harness() -> Schema:
    parts = []
    for name, part in part_kinds().items():
        own: dict[str, Any] = {"kind": {"const": name}, "note": _TEXT}
        if part is Switch:
            contacts = _list(_list(_TEXT, minItems=2, maxItems=2))
            own |= {"positions": _named(contacts, minProperties=1), "default": _TEXT, "control": _TEXT}
        else:
            own["nodes"] = _list(_TEXT, minItems=len(part.lugs), maxItems=len(part.lugs)) | {
                "description": ", ".join(part.lugs)
            }
            own |= {"control": _TEXT} if part.control_word else {}
        needed = [key.name for key in declared_keys(part) if key.default is dataclasses.MISSING]
        reads_itself = part is not Switch and ("read" in vars(part) or "read_values" in vars(part))
        needed = ["kind"] if reads_itself else ["kind", "positions" if part is Switch else "nodes", *needed]
        parts.append(_table(part, required=needed, is_open=reads_itself, **own))
    claim = _table(
        selects=_list(_TEXT), phase={"enum": list(PHASE_CLAIMS)}, hum={"enum": list(HUM_CLAIMS)}, required=[]
    ) | {"minProperties": 1}
    return _table(
        name=_TEXT,
        purpose=_TEXT,
        pickups=_list(_TEXT, minItems=1),
        output=_TEXT,
        parts=_named({"oneOf": parts}),
        claims=_named(claim),
        check={},
        source=_TEXT,
        required=["name", "pickups", "output"],
    )


def _pickup() -> Schema:
    """One object for pickups by values and by build: which of the two it is shows in its coils."""
    values = _table(Coil)
    pole = _table(Pole, required=[], is_open=True)  # a blade has keys of its own
    bobbin = _table(Bobbin, required=[])
    build = _table(Winding, CoilBuild, poles={"anyOf": [pole, _list(pole)]}, bobbin=bobbin, required=["turns"])
    plate = _table(Cover, required=[])
    return _table(
        Pickup,
        PickupBuild,
        coil=_named({"anyOf": [values, build]}, minProperties=1, maxProperties=2),
        bar=_table(BarMagnet, required=[]),
        cover=plate,
        baseplate=plate,
        lead=_table(LeadBuild, required=[]),
        output=_TEXT,
        output_doubt=_TEXT,
        source=_TEXT,
        doubt=_TEXT,
        required=["name", "coil"],
    )


def _or_many(alone: Schema) -> Schema:
    """One thing, or a file of many as entries, whose own keys go before those that they share at the top."""
    properties = alone["properties"] | {"summary": _TEXT, "note": _TEXT}
    entry = alone | {"properties": properties, "required": ["name"]}
    return {
        "type": "object",
        "properties": properties | {"entry": _list(entry, minItems=1)},
        "additionalProperties": False,
        "required": [],
        "anyOf": [{"required": ["entry"]}, {"required": alone["required"]}],
    }


def _sourced(material: type, *, required: Sequence[str] | None = None) -> Schema:
    """A material: beside each of its quantities may stand spread, kind, source and doubt."""
    origin: dict[str, Any] = {"kind": {"enum": list(get_args(Kind))}, "source": _TEXT, "doubt": _TEXT}
    own = dict(origin)
    for key in declared_keys(material):
        if key.take is not None and not key.form.startswith("list"):
            own |= {key.name: _QUANTITY | {"description": f"{key.meaning}; {key.form}"}}
            own |= {f"{key.name}_{name}": schema for name, schema in {"spread": _QUANTITY, **origin}.items()}
    table = _table(material, required=required, **own)
    return _or_many(table | {"required": [*table["required"], "kind", "source"]})


def _wire() -> Schema:
    ends = [f"{part}_{end}" for part in ("bare", "overall") for end in ("min", "nominal", "max")]
    origin: dict[str, Any] = {"kind": {"enum": list(get_args(Kind))}, "source": _TEXT, "doubt": _TEXT}
    own = origin | {
        f"{key}_{name}": schema for key in ("bare", "overall", "standard_resistance") for name, schema in origin.items()
    }
    lengths: dict[str, Any] = {
        end: {"type": "string", "x-unit": "m", "description": "limit of acceptance"} for end in ends
    }
    resistance: Schema = {"type": "string", "x-unit": "Ω/m", "description": "as a standard prints it, at 20 °C"}
    gauge: Schema = {"type": "integer", "minimum": 0, "maximum": 60, "description": "American wire gauge"}
    own |= {"standard_resistance": resistance, "standard_resistance_spread": _QUANTITY, "film": _TEXT, "gauge": gauge}
    return _or_many(_table(name=_TEXT, **lengths, **own, required=["name", *ends, "kind", "source"]))


def _dielectric() -> Schema:
    tangent = {"type": ["string", "number"], "x-unit": "1"}
    kind = {"enum": list(get_args(Kind))}
    needed = ["name", "loss_tangent", "kind", "source"]
    own: dict[str, Any] = {
        "name": _TEXT,
        "loss_tangent": tangent,
        "spread": tangent,
        "kind": kind,
        "source": _TEXT,
        "doubt": _TEXT,
    }
    return _or_many(_table(**own, required=needed))


def _device() -> Schema:
    lugs = _list(_TEXT)
    return _or_many(
        _table(
            name=_TEXT,
            kind={"enum": list(DEVICE_KINDS)},
            source=_TEXT,
            style={"enum": list(SWITCH_STYLES)},
            poles={"type": "integer", "minimum": 1, "maximum": len(ascii_uppercase)},
            closes=_list({"type": "array"}) | {"description": "throws that each position joins, for all poles or each"},
            unlike_poles={"type": "boolean"},
            stop_ring={"type": "boolean"},
            columns=_list(lugs),
            ring=lugs,
            above=lugs,
            below=lugs,
            ends_are={"enum": list(LUG_WORDS)},
            required=["name", "kind", "source"],
        )
    )


def _case() -> Schema:
    expected = _table(
        quantity=_TEXT,
        value={"type": "number"},
        unit=_TEXT,
        tolerance={"type": "number", "minimum": 0},
        tolerance_kind={"enum": list(get_args(ToleranceKind))},
        required=["quantity", "value", "unit"],
    )
    texts = ("name", "claim", "source", "model", "check", "tolerance_reason")
    choices: dict[str, Any] = {"how": {"enum": list(HOW)}, "role": {"enum": list(get_args(Role))}}
    own: dict[str, Any] = dict.fromkeys((*texts, "doubt", "known_gap"), _TEXT) | choices
    own |= {"inputs": {"type": "object"}, "expected": _list(expected, minItems=1)}
    return _or_many(_table(**own, required=[*texts, *choices, "expected"]))


def _take() -> Schema:
    decay = _table(low=_QUANTITY, at_3khz=_QUANTITY, required=[])
    pluck: dict[str, Any] = {"displacement": _QUANTITY, "position": _QUANTITY, "width": _QUANTITY}
    texts: dict[str, Any] = dict.fromkeys(("note", "diameter", "core", "mass", "modulus", "name"), _TEXT)
    string = _table(**texts, required=["note", "diameter"])
    number: Schema = {"type": "integer", "minimum": 1}
    fret: Schema = {"type": "integer", "minimum": 0, "maximum": 36}
    note = _table(**pluck, at=_QUANTITY, string=number, fret=fret, decay=decay, required=["at", "string"])
    table = _table(
        name=_TEXT,
        source=_TEXT,
        strings=_TEXT | {"description": "a set of strings of the catalogue"},
        string=_list(string) | {"description": "own strings, thinnest first, in place of `strings`"},
        scale=_QUANTITY,
        duration=_QUANTITY,
        decay=decay,
        pluck=_table(**pluck, required=[]),
        notes=_list(note),
        variation=_table(NoteVariation),
        seed={"type": "integer", "minimum": 0},
        required=["name", "notes"],
    )
    return table | {"oneOf": [{"required": ["strings"]}, {"required": ["string"]}]}


def _goal() -> Schema:
    value: Schema = {"type": ["string", "number"]}
    rig = _or_table("name, path or table of a rig")
    names = ("resonance", "resonance_within", "height", "height_within", "level", "level_within")
    own: dict[str, Any] = dict.fromkeys((*names, "levels_within", "like_within"), value)
    target = _table(**own, levels=_named(value), sounds_like=rig, required=[]) | {"minProperties": 1}
    ends: dict[str, Any] = {"from": value, "to": value, "step": value}
    prices = _list({"type": "number", "minimum": 0})
    vary = _table(part=_TEXT, choices=_list(value), prices=prices, series=_TEXT, **ends, required=["part"])
    return _table(
        name=_TEXT,
        rig=rig,
        set=_named(value),
        budget={"type": "number", "minimum": 0},
        results={"type": "integer", "minimum": 1, "maximum": 50},
        vary=_list(vary, minItems=1),
        target=target,
        required=["name", "rig", "vary", "target"],
    )


def _readings() -> Schema:
    own: dict[str, Any] = {"reference_reading": _QUANTITY, "reference_value": _QUANTITY}
    meter = _table(readings.FieldMeter, reference=_list(_table(readings.MeterReference)), **own)
    part: dict[str, Any] = dict.fromkeys(("planned", "read", "leak"), _QUANTITY) | {
        "tolerance": {"type": ["string", "number"]}
    }
    return _table(
        readings.Readings,
        date={},
        field_meter=meter,
        coil=_named(_table(resistance=_QUANTITY, required=[])),
        lcr=_list(_table(readings.LcrValue)),
        peak=_table(readings.PeakValue),
        field=_list(_table(readings.FieldValue)),
        part=_named(_table(**part, required=["planned", "read"])),
        winding=_table(readings.WindingValue),
    )


def _string_steel() -> Schema:
    return _table(KnownSteel, source=_TEXT)


_MAKERS: Mapping[str, Callable[[], Schema]] = {
    "rig": _rig,
    "harness": _harness,
    "pickup": _pickup,
    "readings": _readings,
    "take": _take,
    "goal": _goal,
    "wire": _wire,
    "enamel": partial(_sourced, Enamel),
    "metal": partial(_sourced, Metal),
    "magnet": partial(_sourced, MagnetGrade),
    "string": partial(_sourced, StringStock, required=("name", "diameter", "mass_per_length", "modulus", "density")),
    "string set": partial(_sourced, StringSetStock),
    "string steel": _string_steel,
    "dielectric": _dielectric,
    "device": _device,
    "case": _case,
}
