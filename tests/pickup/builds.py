"""Builds that the tests of built pickups share, as the keys of their sheets."""

from __future__ import annotations

from typing import Any

from labkit.core.sheet import Table
from labkit.pickup.predict.built import BuiltPickup, read_build
from labkit.pickup.predict.sheet import with_changes

ROD_COIL: dict[str, Any] = {
    "turns": 8000,
    "wire": "AWG 42 single build",
    "packing": 0.85,
    "straight_length": "52 mm",
    "end_radius": "2.5 mm",
    "winding_height": "11 mm",
    "wound": "clockwise",
    "poles": {
        "kind": "rod magnet",
        "grade": "Alnico 5",
        "count": 6,
        "diameter": "4.8 mm",
        "length": "17 mm",
        "pitch": "10.4 mm",
        "charge": "100 %",
        "facing": "north",
    },
}
SINGLE: dict[str, Any] = {"name": "narrow single coil", "coil": {"main": ROD_COIL}, "lead": {"capacitance": "20 pF"}}

SLUG_COIL: dict[str, Any] = {
    "turns": 5000,
    "wire": "AWG 42 single build",
    "straight_length": "50 mm",
    "end_radius": "2.5 mm",
    "winding_height": "6.5 mm",
    "wound": "clockwise",
    "poles": {"kind": "slug", "count": 6, "diameter": "4.8 mm", "length": "13 mm", "pitch": "10 mm", "facing": "north"},
}
SCREW_COIL: dict[str, Any] = SLUG_COIL | {
    "wound": "counter-clockwise",
    "poles": {
        "kind": "screw",
        "count": 6,
        "diameter": "4.2 mm",
        "length": "16 mm",
        "pitch": "10 mm",
        "facing": "south",
    },
}
BAR: dict[str, Any] = {"grade": "Alnico 5", "length": "62 mm", "thickness": "3.2 mm", "keeper": True}
PAIR: dict[str, Any] = {
    "name": "two-coil",
    "spacing": "18 mm",
    "coil": {"screw": SCREW_COIL, "slug": SLUG_COIL},
    "bar": BAR,
    "lead": {"kind": "four-conductor"},
}
COVER = {"cover.metal": "nickel silver", "cover.thickness": "0.4 mm", "cover.gap": "1 mm"}


def table(data: dict[str, Any], changes: dict[str, Any] | None = None, *, without: str = "") -> Table:
    """A fresh sheet with keys changed and, optionally, one dotted key removed."""
    changed = with_changes(Table(data, "build.toml"), changes or {})
    if without:
        *parents, key = without.split(".")
        here = changed.data
        for part in parents:
            here = here[part]
        del here[key]
    return changed


def built(data: dict[str, Any] = SINGLE, changes: dict[str, Any] | None = None, *, without: str = "") -> BuiltPickup:
    """The pickup of a sheet with keys changed."""
    return read_build(table(data, changes, without=without))
