"""A rig sheet that somebody opened: read from text, and packed into an address so that it travels.

Both ways are outside input. Nothing here reads a file: a sheet that refers to another file by its path is refused
with a sentence, because a browser sends one file and no folder.
"""

from __future__ import annotations

import base64
import binascii
import json
import zlib
from collections.abc import Mapping
from typing import Any

from labkit.catalogue import catalogue, catalogue_only
from labkit.core.errors import InputError
from labkit.core.sheet import FORMAT, Table, parse_sheet, sheet_text
from labkit.pickup.sheet import pickup_data
from labkit.rig.harness import Harness, harness_data, read_harness
from labkit.rig.netlist import read_netlist
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_pickup, read_rig, rig_data

PACKED = "sheet:"
"""The name of a rig in an address begins so where the rig itself follows."""

LONGEST_PACKED = 3600
"""Characters; a longer address is cut or refused somewhere on its way."""

LARGEST_SHEET = 200_000
_MOST_UNPACKED = 60_000
_MOST_PARTS, _MOST_STAGES, LONGEST_NAME = 80, 16, 80


def read_sheet_text(text: str, where: str) -> Rig:
    """Read a rig sheet from its text.

    Parameters
    ----------
    text : str
        TOML.
    where : str
        The file's name, for messages.

    Raises
    ------
    InputError
        Naming the key and the remedy.
    """
    if len(text) > LARGEST_SHEET:
        raise InputError(f"{where}: a rig sheet has at most {LARGEST_SHEET // 1000} kB; this one is larger")
    return _checked(parse_sheet(text, where, kinds=["rig"]))


def read_wiring_text(text: str, where: str) -> Harness:
    """Read a wiring from the text of a harness sheet, of a rig sheet, or of a SPICE netlist.

    Parameters
    ----------
    text : str
        TOML; a netlist where the file's name does not end with ``.toml``.
    where : str
        The file's name, for messages.

    Raises
    ------
    InputError
        Naming the key or the line, and the remedy.
    """
    if len(text) > LARGEST_SHEET:
        raise InputError(f"{where}: a wiring has at most {LARGEST_SHEET // 1000} kB; this one is larger")
    if not where.casefold().endswith(".toml"):
        return read_netlist(text, where)
    table = parse_sheet(text, where, kinds=["harness", "rig"])
    if table.text("sheet") == "rig":
        return _checked(table).harness
    with catalogue_only():
        return read_harness(table)


def rig_sheet_text(rig: Rig) -> str:
    """Return a rig as the text of a sheet that reads back to it, with everything inside."""
    return sheet_text("rig", rig_data(rig))


def pack(rig: Rig) -> str:
    """Return a rig as one text for an address; what the catalogue holds is called by its name.

    Raises
    ------
    InputError
        If it is too large to travel in an address.
    """
    written = json.dumps(_brief(rig), ensure_ascii=False, separators=(",", ":"))
    packed = base64.urlsafe_b64encode(zlib.compress(written.encode(), 9)).decode().rstrip("=")
    if len(packed) > LONGEST_PACKED:
        raise InputError(
            f"the rig '{rig.name[:LONGEST_NAME]}' is too large to travel in an address; put its own wiring or pickups "
            "into a catalogue folder and call them by name"
        )
    return PACKED + packed


def unpack(text: str) -> Rig:
    """Return the rig of such a text.

    Raises
    ------
    InputError
        If it is damaged, too large, or no rig.
    """
    packed = text.removeprefix(PACKED)
    damaged = InputError("the rig in the link is damaged")
    if len(packed) > LONGEST_PACKED:
        raise damaged
    try:
        inflate = zlib.decompressobj()
        written = inflate.decompress(base64.urlsafe_b64decode(packed + "=" * (-len(packed) % 4)), _MOST_UNPACKED)
        if inflate.unconsumed_tail or not inflate.eof:
            raise damaged
        data = json.loads(written)
    except (ValueError, binascii.Error, zlib.error, RecursionError):
        raise damaged from None
    if not isinstance(data, dict):
        raise damaged
    return _checked(Table({"sheet": "rig", "format": FORMAT, **data}, "the rig in the link"))


def _checked(table: Table) -> Rig:
    with catalogue_only():
        rig = read_rig(table)
    if not rig.name.strip() or len(rig.name) > LONGEST_NAME:
        table.fail("name", f"must have 1 to {LONGEST_NAME} characters")
    if len(rig.harness.parts) > _MOST_PARTS or len(rig.chain) > _MOST_STAGES:
        table.fail("", f"a page takes at most {_MOST_PARTS} parts and {_MOST_STAGES} stages behind the jack")
    _ = rig.circuit  # coils that the wiring cannot reach are refused now, not later
    return rig


def _brief(rig: Rig) -> dict[str, Any]:
    data = rig_data(rig)
    known = catalogue()
    if rig.harness.name in known.usable_names("harness"):
        plain = harness_data(known.load("harness", rig.harness.name))
        changed = _changed_parts(plain, data["harness"])
        if changed is not None:
            data["harness"] = rig.harness.name
            if changed:
                data["parts"] = changed
    for slot, pickup in rig.pickups.items():
        if pickup.name in known.usable_names("pickup") and pickup_data(load_pickup(pickup.name)) == pickup_data(pickup):
            data["pickups"][slot] = pickup.name
    return data


def _changed_parts(plain: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any] | None:
    """What of the parts differs; None where it is another wiring."""
    if any(plain.get(key) != own.get(key) for key in ("pickups", "output")) or list(plain["parts"]) != list(
        own["parts"]
    ):
        return None
    changed: dict[str, Any] = {}
    for name, part in own["parts"].items():
        before = plain["parts"][name]
        different = {key: value for key, value in part.items() if before.get(key) != value}
        if before.keys() - part.keys() or different.keys() & {"kind", "nodes", "positions"}:
            return None
        if different:
            changed[name] = different
    return changed
