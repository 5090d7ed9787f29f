"""`Device`: a real switch, pot, jack or small part, with its lugs, what each position joins, and how it is drawn.

Devices are sheets of the catalogue. A switch has poles, called A, B, C …; the common of pole A is the lug ``AC``, its
throws are ``A1``, ``A2`` …. How the lugs stand about the body is what a technician sees from behind, not a size.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from string import ascii_uppercase
from typing import Any

from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.rig.parts.parts import SWITCH_STYLES

DEVICE_KINDS = (
    "switch",
    "pot",
    "jack",
    "capacitor",
    "resistor",
    "inductor",
    "buffer",
    "battery",
    "dummy coil",
    "screened lead",
    "tag strip",
)
"""Kinds that sheets may give; plans also know pickups, the wire from the bridge and parts of plugins."""
LUG_WORDS = ("lug", "leg", "lead")
"""What the ends of a device are: a switch has lugs, a resistor legs, a battery's clip leads."""
COMMON = "C"
SHEET_KIND = "device"

Pole = tuple[frozenset[int], ...]
"""For each position the throws that are joined to the common."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A real part.

    Attributes
    ----------
    name : str
        What a sheet writes under ``device`` and a parts list prints.
    kind : str
        What it is; other than a switch, the kind of the harness's part.
    style : str
        Of a switch: toggle, lever, slide, rotary or push-pull.
    poles : tuple of Pole
        Of a switch; empty otherwise.
    has_stop : bool
        True where fewer than all positions can be used (the stop ring of a rotary switch).
    columns : tuple of tuple of str
        Lugs in upright rows from left to right, from the top down; two columns stand left and right of one body.
    ring : tuple of str
        Lugs around a round body, clockwise from the top, where they do not stand in columns.
    ends : tuple of tuple of str
        Lugs above the body from left to right, and below it.
    lug_is : str
        ``"lug"`` (takes three wires), ``"leg"`` or ``"lead"`` (one end that goes where it is needed).
    source : str
    """

    name: str
    kind: str
    style: str = ""
    poles: tuple[Pole, ...] = ()
    has_stop: bool = False
    columns: tuple[tuple[str, ...], ...] = ()
    ring: tuple[str, ...] = ()
    ends: tuple[tuple[str, ...], tuple[str, ...]] = ((), ())
    lug_is: str = "lug"
    source: str = ""

    @property
    def position_count(self) -> int:
        """Positions of a switch; 0 of what is none."""
        return len(self.poles[0]) if self.poles else 0

    @property
    def lugs(self) -> tuple[str, ...]:
        """Every lug, each once."""
        return tuple(lug for row in (*self.columns, self.ring, *self.ends) for lug in row)

    @property
    def has_equal_poles(self) -> bool:
        """Say whether all poles do the same."""
        return len(set(self.poles)) == 1

    def suits(self, positions: int) -> bool:
        """Say whether a switch has so many positions, or can be stopped at so many."""
        return self.position_count == positions or (self.has_stop and self.position_count > positions > 1)

    def joined(self, position: int) -> tuple[tuple[str, str], ...]:
        """Return the pairs of lugs that a switch joins in a position, counted from 0."""
        return tuple(
            (pole_lug(pole, None), pole_lug(pole, throw))
            for pole, closes in enumerate(self.poles)
            for throw in sorted(closes[position])
        )


def pole_lug(pole: int, throw: int | None) -> str:
    """Return the name of a throw of a pole, or of its common.

    >>> pole_lug(1, 3), pole_lug(0, None)
    ('B3', 'AC')
    """
    return f"{ascii_uppercase[pole]}{COMMON if throw is None else throw}"


def read_device(table: Table) -> Device:
    """Read a ``device`` sheet or entry.

    Raises
    ------
    SheetError
        If a switch's lugs are not those of its poles, or its poles have unlike numbers of positions.
    """
    table.allow("sheet", "format", "summary", "note")
    kind = table.choice("kind", DEVICE_KINDS)
    is_switch = kind == "switch"
    poles = _read_poles(table) if is_switch else ()
    device = Device(
        name=table.text("name"),
        kind=kind,
        style=table.choice("style", SWITCH_STYLES) if is_switch else "",
        poles=poles,
        has_stop=table.flag("stop_ring", False) if is_switch else False,
        columns=tuple(_texts(table, "columns", entry) for entry in table.raw("columns", [])),
        ring=table.texts("ring", ()),
        ends=(table.texts("above", ()), table.texts("below", ())),
        lug_is=table.choice("ends_are", LUG_WORDS, "lug"),
        source=table.text("source"),
    )
    table.done()
    if len(set(device.lugs)) != len(device.lugs) or not device.lugs:
        table.fail("columns", "must name the lugs, each once (columns, ring, above or below)")
    wanted = {
        lug
        for pole, closes in enumerate(poles)
        for lug in (pole_lug(pole, None), *(pole_lug(pole, throw) for each in closes for throw in each))
    }
    if is_switch and set(device.lugs) != wanted:
        table.fail("columns", f"must name the lugs of its poles: {', '.join(sorted(wanted))}")
    return device


def _texts(table: Table, key: str, given: Any) -> tuple[str, ...]:
    if not isinstance(given, list) or not all(isinstance(each, str) for each in given):
        table.fail(key, 'must be a list of lists of lugs, such as [["A1", "AC", "A2"], []]')
    return tuple(given)


def _read_poles(table: Table) -> tuple[Pole, ...]:
    """Read ``poles`` and ``closes``: a list of positions, each a list of throws, for every pole or for all alike."""
    count = int(table.number("poles", low=1, high=len(ascii_uppercase), whole=True))
    closes = table.raw("closes", expected="the throws that each position joins, such as [[1], [1, 2], [2]]")
    unlike = table.flag("unlike_poles", False)
    rows = closes if unlike else [closes]

    def good(positions: Any) -> bool:
        return isinstance(positions, list) and all(
            isinstance(throws, list) and all(isinstance(throw, int) and throw > 0 for throw in throws)
            for throws in positions
        )

    if not isinstance(rows, list) or not rows or not all(good(row) for row in rows) or len({*map(len, rows)}) != 1:
        table.fail("closes", "must list for each position the throws that are joined, such as [[1], [1, 2], [2]]")
    if unlike and len(rows) != count:
        table.fail("closes", f"must have one list for each of the {count} poles; got {len(rows)}")
    made = [tuple(frozenset(throws) for throws in row) for row in rows]
    return tuple(made[pole % len(made)] for pole in range(count))


def devices(kind: str, style: str | None = None) -> tuple[Device, ...]:
    """Return the devices of the catalogue of one kind; those of a style first, otherwise in the order of the sheets."""
    known = [catalogue().load(SHEET_KIND, name) for name in catalogue().usable_names(SHEET_KIND)]
    found: Iterable[Device] = (device for device in known if device.kind == kind)
    return tuple(found) if style is None else tuple(sorted(found, key=lambda device: device.style != style))


def device_called(name: str, kind: str) -> Device:
    """Return a device by name.

    Raises
    ------
    InputError
        If the catalogue has none of that name and kind; says the nearest.
    """
    found: Device = catalogue().load(SHEET_KIND, name)
    if found.kind != kind:
        raise InputError(f"the device '{name}' is a {found.kind}; a {kind} is needed here")
    return found


def words_of_lug(lug: str) -> str:
    """Return how a lug is called in a sentence.

    >>> words_of_lug("BC"), words_of_lug("A2"), words_of_lug("tip")
    ('B common', 'A2', 'tip')
    """
    return f"{lug[0]} common" if re.fullmatch(r"[A-Z]C", lug) else lug
