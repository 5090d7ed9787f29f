"""JSON Schemas (draft 2020-12) of rigs, harnesses, pickups and stages of the chain, from the keys of their readers.

A schema takes every sheet that the reader takes. It refuses unknown and missing keys, values of the wrong kind, words
that are none of the options and plain numbers outside their limits; units, limits of quantities, names and what one key
asks of another are left to the reader.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import Any

from labkit.core.errors import InputError, did_you_mean
from labkit.core.keys import NUMBER, Key, declared_keys, declared_lists
from labkit.core.sheet import FORMAT
from labkit.pickup.electrical import Coil, Pickup
from labkit.pickup.losses.plates import Cover
from labkit.pickup.magnetics.bar import BarMagnet
from labkit.pickup.magnetics.poles import Pole
from labkit.pickup.predict.sheet import CoilBuild, LeadBuild, PickupBuild
from labkit.pickup.winding.bobbin import Bobbin
from labkit.pickup.winding.winding import Winding
from labkit.rig.claims import HUM_CLAIMS, PHASE_CLAIMS
from labkit.rig.harness import part_kinds
from labkit.rig.parts.parts import Switch
from labkit.rig.sheet import chain_kinds

Schema = dict[str, Any]

SCHEMAS = ("rig", "harness", "pickup")
"""Kinds that have a schema, beside every kind of stage of the chain: a cable, an input, an amplifier …"""

_TEXT: Schema = {"type": "string"}


def sheet_schema(kind: str) -> Schema:
    """Return the JSON Schema of a kind of sheet, plugins' parts and stages included.

    Raises
    ------
    InputError
        If there is no schema of that kind.

    >>> sheet_schema("rig")["required"]
    ['sheet', 'format', 'name', 'harness', 'pickups']
    """
    makers = {"rig": _rig, "harness": _harness, "pickup": _pickup}
    stages = chain_kinds()
    if kind not in makers and kind not in stages:
        raise InputError(f"there is no schema of a '{kind}' sheet.{did_you_mean(kind, (*makers, *stages))}")
    body = makers[kind]() if kind in makers else _stage(stages[kind])
    own = {"sheet": {"const": kind}, "format": {"const": FORMAT}, "summary": _TEXT, "note": _TEXT}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"labkit {kind} sheet",
        **body,
        "properties": own | body["properties"],
        "required": ["sheet", "format", *body["required"]],
    }


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
        own: dict[str, Schema] = {"kind": {"const": name}, "note": _TEXT}
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
