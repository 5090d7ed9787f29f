"""The rig that travels from page to page: frozen, and written as a short versioned text for the address.

A page's own fields of the address are named ``own.NAME``; the menu leaves them behind when it takes the rig along, so a
page never meets a field of another one. The address is outside input. Reading it never fails: what cannot be used is
left out, what lies outside the limits is moved to them, and each is said in a sentence.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Self
from urllib.parse import parse_qsl, urlencode

from labkit.app.kit.controls import ControlSet, Value
from labkit.core.errors import InputError, capitalized

VERSION = "1"
MOST_PINS = 3
MOST_CHARACTERS = 6000
OWN = "own."
_MOST_FIELDS, _LONGEST_OWN = 200, 400
_RESERVED = ("v", "rig", "pin")


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """A rig and what was changed in it.

    Attributes
    ----------
    rig : str
        Name of the rig that the changes start from; it may ask for another wiring or line
        (`labkit.app.kit.rig.structure`).
    changes : tuple of (str, float or str)
        Controls that stand elsewhere than in the rig's sheet, sorted by key.
    """

    rig: str
    changes: tuple[tuple[str, Value], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PinnedSetup:
    """A kept setup; ``slot`` is its place, which decides letter, colour and dash: B, C, D."""

    slot: int
    setup: Setup


@dataclass(frozen=True, slots=True, kw_only=True)
class RigState:
    """The present setup and the pins, which every page about a rig has."""

    setup: Setup
    pins: tuple[PinnedSetup, ...] = ()

    def with_pin(self) -> Self:
        """Return the state with the present setup kept as the first pin, which is B; the fourth one is dropped."""
        return self._with_setups([self.setup, *(pin.setup for pin in self.pins if pin.setup != self.setup)])

    def with_b(self, setup: Setup) -> Self:
        """Return the state with a setup as B, the first of the kept ones, in the place of the present B."""
        return self._with_setups([setup, *(pin.setup for pin in self.pins[1:] if pin.setup != setup)])

    def without_pin(self, slot: int) -> Self:
        """Return the state without the pin in a slot; those behind it move up."""
        return self._with_setups([pin.setup for pin in self.pins if pin.slot != slot])

    def next_pin(self) -> Self:
        """Return the state with the second pin as the first one, and the first as the last."""
        setups = [pin.setup for pin in self.pins]
        return self._with_setups([*setups[1:], *setups[:1]])

    def _with_setups(self, setups: list[Setup]) -> Self:
        return replace(self, pins=pins_of(setups[:MOST_PINS]))


def pins_of(setups: list[Setup]) -> tuple[PinnedSetup, ...]:
    """Return setups as pins in their order."""
    return tuple(PinnedSetup(slot=slot, setup=setup) for slot, setup in enumerate(setups))


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """What a rig lets a page set: its controls and where they stand in its sheet.

    Attributes
    ----------
    controls : ControlSet
    defaults : mapping of str to float or str
    name, address : str
        What a setup and an address call the rig.
    """

    controls: ControlSet
    defaults: Mapping[str, Value]
    name: str
    address: str

    def setup(self, rig: str, values: Mapping[str, Value]) -> Setup:
        """Return a setup with only what differs from the sheet."""
        changed = {key: value for key, value in values.items() if key != "rig" and value != self.defaults.get(key)}
        return Setup(rig=rig, changes=tuple(sorted(changed.items())))


def write_query(state: RigState, *, default_rig: str, offer: Callable[[str], Offer]) -> str:
    """Return the state as the query of an address: empty for the state the page opens with.

    Parameters
    ----------
    state : RigState
    default_rig : str
    offer : callable
        ``offer(rig_name)`` gives the controls of a rig.
    """
    fields = _setup_fields(state.setup, default_rig, offer)
    fields += [
        ("pin", urlencode(_setup_fields(pin.setup, default_rig, offer) or [("rig", default_rig)])) for pin in state.pins
    ]
    return urlencode([("v", VERSION), *fields], safe=",;") if fields else ""


def read_query(query: str, *, default_rig: str, offer: Callable[[str], Offer]) -> tuple[RigState, tuple[str, ...]]:
    """Return the state an address asks for, and a sentence for each part of it that could not be used.

    Parameters
    ----------
    query : str
        With or without the question mark.
    default_rig : str
    offer : callable
        As for `write_query`; must refuse with InputError what is no rig here.
    """
    text = query.removeprefix("?")
    fresh = RigState(setup=Setup(rig=default_rig))
    if not text:
        return fresh, ()
    if len(text) > MOST_CHARACTERS:
        return fresh, ("The link is too long to be one of this page; the page opens as usual.",)
    try:
        fields = parse_qsl(text, keep_blank_values=True, max_num_fields=_MOST_FIELDS, errors="replace")
    except ValueError:
        return fresh, ("The link holds more than this page ever writes; the page opens as usual.",)
    versions = [value for name, value in fields if name == "v"]
    if versions and versions[0] != VERSION:
        return fresh, (
            f"The link was made by another version of this page ('{versions[0][:12]}'); the page opens as usual.",
        )
    problems: list[str] = []
    setup = _read_setup(fields, default_rig, offer, problems)
    pins: list[PinnedSetup] = []
    for _, value in [field for field in fields if field[0] == "pin"][:MOST_PINS]:
        try:
            inner = parse_qsl(value, max_num_fields=_MOST_FIELDS, errors="replace")
        except ValueError:
            problems.append("A kept rig of the link could not be read.")
            continue
        kept = _read_setup(inner, default_rig, offer, problems)
        if all(pin.setup != kept for pin in pins):
            pins.append(PinnedSetup(slot=len(pins), setup=kept))
    return RigState(setup=setup, pins=tuple(pins)), tuple(dict.fromkeys(problems))


def split_query(query: str) -> tuple[str, dict[str, str]]:
    """Return the part of an address that is about the rig, and the page's own fields by name.

    >>> split_query("?v=1&volume=3&own.take=E+chord")
    ('v=1&volume=3', {'take': 'E chord'})
    """
    text = query.removeprefix("?")
    if len(text) > MOST_CHARACTERS:
        return text, {}
    try:
        fields = parse_qsl(text, keep_blank_values=True, max_num_fields=_MOST_FIELDS, errors="replace")
    except ValueError:
        return text, {}
    own = {name.removeprefix(OWN): value[:_LONGEST_OWN] for name, value in fields if name.startswith(OWN)}
    rig = [(name, value) for name, value in fields if not name.startswith(OWN)]
    return urlencode(rig, safe=",;"), own


def join_query(rig_query: str, own: Mapping[str, str]) -> str:
    """Return an address of both; empty where neither says anything.

    >>> join_query("", {"trials": "20"})
    'v=1&own.trials=20'
    """
    if not own:
        return rig_query
    fields = urlencode([(f"{OWN}{name}", value) for name, value in own.items()], safe=",;")
    return f"{rig_query or f'v={VERSION}'}&{fields}"


def _setup_fields(setup: Setup, default_rig: str, offer: Callable[[str], Offer]) -> list[tuple[str, str]]:
    offered = offer(setup.rig)
    fields = [("rig", offered.address)] if setup.rig != default_rig else []
    return fields + [(_outer_name(key), offered.controls[key].encode(value)) for key, value in setup.changes]


def _read_setup(
    fields: list[tuple[str, str]],
    default_rig: str,
    offer: Callable[[str], Offer],
    problems: list[str],
) -> Setup:
    rig = next((value for name, value in fields if name == "rig"), default_rig)
    try:
        offered = offer(rig)
    except InputError as error:
        problems.append(f"{_sentence(error)} The usual rig is shown.")
        offered = offer(default_rig)
    values: dict[str, Value] = {}
    by_name = {_outer_name(control.key): control for control in offered.controls}
    for name, text in fields:
        if name in _RESERVED:
            continue
        if name not in by_name:
            problems.append(f"This rig has no '{name[:40]}'; that part of the link is left out.")
            continue
        control = by_name[name]
        try:
            values[control.key] = control.decode(text)
        except InputError as error:
            problems.append(f"{_sentence(error)} That part of the link is left out.")
    return offered.setup(offered.name, values)


def _sentence(error: InputError) -> str:
    text = str(error)[:160]
    return capitalized(text) + ("" if text.endswith((".", "?")) else ".")


def _outer_name(key: str) -> str:
    """A control that is called like a field of the address gets a trailing underscore there."""
    return f"{key}_" if key.rstrip("_") in _RESERVED else key
