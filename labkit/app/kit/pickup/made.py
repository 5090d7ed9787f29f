"""A pickup that somebody is designing, as one text: the sheet it started from and the keys that differ.

Where a page keeps the name of a pickup, it may keep such a text instead, so a pickup that is in no catalogue travels
in the address, stands in a rig and can be pinned. The text is outside input: it is checked in number, length and, by
the sheet's own reader, in meaning.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, urlencode

from labkit.catalogue import catalogue
from labkit.core.errors import InputError, did_you_mean
from labkit.core.sheet import Table
from labkit.pickup.electrical import Pickup
from labkit.pickup.predict.sheet import is_build_sheet
from labkit.pickup.winding.bobbin import bobbin_measures

if TYPE_CHECKING:
    from labkit.pickup.predict.built import BuiltPickup

MADE = "made:"
"""A text that begins so describes a pickup; any other is a catalogue name."""

Scalar = str | int | float | bool
Keys = dict[str, Scalar]
"""A sheet laid flat: dotted key to value (``coil.main.turns``)."""

FLANGE = "flange_radius"
"""Whether turns fit their flange is said by the page that designs them; a coil that overflows still has a sound."""

COIL_ORDER = "coils"
"""Key that holds the names of two coils where they do not stand in the order of the alphabet, which the flat keys have;
harnesses tell the first coil from the second."""

_MOST_KEYS = 120
_LONGEST_KEY, _LONGEST_VALUE, _LONGEST_NUMBER = 80, 160, 32
_LEFT_OUT = ("sheet", "format", "summary", "source", "note", "doubt")


@dataclass(frozen=True, slots=True, kw_only=True)
class MadePickup:
    """A pickup in the making.

    Attributes
    ----------
    base : str
        Catalogue name of the sheet it started from; empty for a sheet that was opened.
    keys : tuple of (str, scalar)
        Its whole sheet, laid flat and sorted.
    """

    base: str
    keys: tuple[tuple[str, Scalar], ...]

    @property
    def sheet(self) -> Keys:
        """The keys as a mapping of its own."""
        return dict(self.keys)

    @property
    def name(self) -> str:
        """The pickup's name."""
        return str(self.sheet.get("name", "")) or "unnamed pickup"


def made_from(base: str, keys: Mapping[str, Scalar]) -> MadePickup:
    """Return a pickup in the making."""
    return MadePickup(base=base, keys=tuple(sorted(keys.items())))


def built_names() -> tuple[str, ...]:
    """Return the pickups of the catalogue that are described by their build."""
    found = catalogue()
    return tuple(name for name in found.names("pickup") if is_build_sheet(Table(found.item("pickup", name).data, name)))


def flatten(data: Mapping[str, Any]) -> Keys:
    """Return a sheet's tables as dotted keys.

    Raises
    ------
    InputError
        If a key holds a point, a value is neither text, number nor flag, or there are too many.

    >>> flatten({"coil": {"main": {"turns": 8000}}})
    {'coil.main.turns': 8000}
    """
    flat: Keys = {}

    def walk(table: Mapping[str, Any], before: str) -> None:
        for key, value in table.items():
            if "." in key or not key:
                raise InputError(f"the name '{key[:40]}' holds a point; call it something plain")
            if isinstance(value, Mapping):
                walk(value, f"{before}{key}.")
            elif isinstance(value, str | int | float):
                flat[before + key] = value
            elif isinstance(value, list) and all(isinstance(entry, Mapping) for entry in value):
                walk({str(place): entry for place, entry in enumerate(value)}, f"{before}{key}.")
            else:
                raise InputError(f"'{before}{key}' is a list or a date, which no build sheet has")

    coils = data.get("coil")
    if isinstance(coils, Mapping):
        data = {**data, "coil": {name: _measured(coil) for name, coil in coils.items()}}
    walk({key: value for key, value in data.items() if key not in _LEFT_OUT}, "")
    names = list(coils) if isinstance(coils, Mapping) else []
    if names != sorted(names):
        flat[COIL_ORDER] = ",".join(names)
    _check(flat)
    return flat


def _measured(coil: Any) -> Any:
    """A coil whose bobbin is given by its size or outline, with the measures that sliders set in its place."""
    if not isinstance(coil, Mapping) or "bobbin" not in coil:
        return coil
    measures = bobbin_measures(Table(coil, "the pickup"))
    rest = {key: value for key, value in coil.items() if key != "bobbin"}
    return rest | {key: f"{1e3 * value:.6g} mm" for key, value in measures.items()}


def nest(keys: Mapping[str, Scalar]) -> dict[str, Any]:
    """Return dotted keys as the tables of a sheet, the reverse of `flatten`."""
    data: dict[str, Any] = {}
    for name, value in keys.items():
        if name == COIL_ORDER:
            continue
        *parents, key = name.split(".")
        here = data
        for part in parents:
            step = here.setdefault(part, {})
            if not isinstance(step, dict):
                raise InputError(f"'{name[:60]}' leads through '{part[:40]}', which is not a table")
            here = step
        if isinstance(here.get(key), dict):
            raise InputError(f"'{name[:60]}' is a table and cannot have a value of its own")
        here[key] = value
    if isinstance(data.get("coil"), dict):
        data["coil"] = {name: data["coil"][name] for name in ordered_coils(keys, data["coil"])}
    return {key: _with_lists(value) for key, value in data.items()}


def ordered_coils(keys: Mapping[str, Scalar], names: Iterable[str]) -> list[str]:
    """Return the names of coils in the order of their sheet.

    >>> ordered_coils({"coils": "slug,screw"}, ["screw", "slug"]), ordered_coils({}, ["slug", "screw"])
    (['slug', 'screw'], ['screw', 'slug'])
    """
    stated = str(keys.get(COIL_ORDER, "")).split(",")
    return sorted(names, key=lambda name: (stated.index(name) if name in stated else len(stated), name))


def _with_lists(value: Any) -> Any:
    """Tables whose keys count from 0 were lists before they were laid flat."""
    if not isinstance(value, dict):
        return value
    inner = {key: _with_lists(entry) for key, entry in value.items()}
    return list(inner.values()) if inner and list(inner) == [str(place) for place in range(len(inner))] else inner


def catalogue_keys(name: str) -> Keys:
    """Return the sheet of a built pickup of the catalogue, laid flat."""
    return dict(_catalogue_keys(name))


@lru_cache(maxsize=32)
def _catalogue_keys(name: str) -> tuple[tuple[str, Scalar], ...]:
    return tuple(flatten(catalogue().item("pickup", name).data).items())


def pickup_text(made: MadePickup) -> str:
    """Return a pickup as one text: its catalogue name where nothing differs.

    >>> pickup_text(made_from("narrow single coil, built", catalogue_keys("narrow single coil, built")))
    'narrow single coil, built'
    """
    before = catalogue_keys(made.base) if made.base else {}
    now = made.sheet
    if made.base and now == before:
        return made.base
    fields = [("from", made.base)] if made.base else []
    fields += [(f"-{key}", "") for key in sorted(before.keys() - now.keys())]
    fields += [(key, _written(value)) for key, value in made.keys if key not in before or before[key] != value]
    return MADE + urlencode(fields)


@lru_cache(maxsize=128)
def read_text(text: str) -> MadePickup:
    """Return the pickup that a text describes: a catalogue name, or what `pickup_text` wrote.

    Raises
    ------
    InputError
        If it describes none, or one that is given by measured values.
    """
    if not text.startswith(MADE):
        if text not in built_names():
            raise InputError(f"'{text[:60]}' is given by what it measures, not by how it is wound")
        return made_from(text, catalogue_keys(text))
    try:
        fields = parse_qsl(text[len(MADE) :], keep_blank_values=True, max_num_fields=_MOST_KEYS)
    except ValueError:
        raise InputError("the pickup in the link holds more than a sheet ever does") from None
    base = next((value for name, value in fields if name == "from"), "")
    if base and base not in built_names():
        raise InputError(f"the pickup in the link starts from '{base[:60]}', which is not in the catalogue")
    keys = catalogue_keys(base) if base else {}
    for name, value in fields:
        if name.startswith("-"):
            keys.pop(name[1:], None)
        elif name != "from":
            keys[name] = _read(value)
    _check(keys)
    made = made_from(base, keys)
    built_from(made)
    return made


def is_made(text: str) -> bool:
    """True for a text that describes a pickup, false for a catalogue name."""
    return text.startswith(MADE)


def checked_text(text: str) -> str:
    """Return a text that describes a pickup in its shortest form; InputError where it describes none."""
    if not is_made(text):
        raise InputError(f"there is no pickup '{text[:60]}'.{did_you_mean(text, catalogue().names('pickup'))}")
    return pickup_text(read_text(text))


def text_in_words(text: str) -> str:
    """Say what a pickup is: its name, and up to three things that differ from where it started.

    >>> text_in_words("made:from=narrow+single+coil%2C+built&coil.main.turns=%3D7500")
    'narrow single coil, built: 7500 turns'
    """
    if not is_made(text):
        return text
    try:
        made = read_text(text)
    except InputError:
        return "a pickup that cannot be made"
    before = catalogue_keys(made.base) if made.base else made.sheet
    words = [difference.now for difference in differences(before, made.sheet)]
    if len(words) > 3:
        words = [*words[:3], "…"]
    return f"{made.name.partition(': ')[0]}: {', '.join(words)}" if words else made.name


def built_from(made: MadePickup) -> BuiltPickup:
    """Predict a pickup in the making; whether it fits its flange is left open.

    Raises
    ------
    InputError
        With the sheet's own sentence on what cannot be.
    """
    return _built(made.keys)


def pickup_from_text(text: str) -> Pickup:
    """Return the pickup of a text for a rig."""
    built = built_from(read_text(text))
    return replace(built.pickup, made_from=built.build)


@lru_cache(maxsize=48)
def _built(keys: tuple[tuple[str, Scalar], ...]) -> BuiltPickup:
    from labkit.pickup.predict.built import read_build  # its special functions take 0.15 s to load

    try:
        return read_build(_table(keys))
    except InputError as error:
        raise InputError(str(error).removeprefix("the pickup: ")) from None


def _table(keys: tuple[tuple[str, Scalar], ...]) -> Table:
    return Table(nest({key: value for key, value in keys if not key.endswith(f".{FLANGE}")}), "the pickup")


def _check(keys: Mapping[str, Scalar]) -> None:
    if len(keys) > _MOST_KEYS:
        raise InputError(f"a build sheet has at most {_MOST_KEYS} keys; got {len(keys)}")
    for key, value in keys.items():
        if len(key) > _LONGEST_KEY or len(str(value)) > _LONGEST_VALUE:
            raise InputError(f"'{key[:40]}' or its value is longer than anything a build sheet holds")


def _written(value: Scalar) -> str:
    """Text as it is; numbers and flags behind an equals sign, so that each comes back as what it was."""
    return value if isinstance(value, str) else f"={json.dumps(value)}"


def _read(text: str) -> Scalar:
    if not text.startswith("="):
        return text
    try:
        value = json.loads(text[1:_LONGEST_NUMBER])
        if isinstance(value, int | float) and math.isfinite(value):
            return value
    except (ValueError, RecursionError, OverflowError):
        pass
    raise InputError(f"'{text[1:24]}' in the link is no number")


Sheet = Mapping[str, Scalar]


def history_entries(sheet: Sheet) -> list[dict[str, Scalar]]:
    """Return the entries of a flat sheet's ``[[history]]``, in order.

    >>> history_entries({"history.0.event": "dropped", "history.0.times": 2, "name": "old"})
    [{'event': 'dropped', 'times': 2}]
    """
    found: dict[int, dict[str, Scalar]] = {}
    for key, value in sheet.items():
        table, _, rest = key.partition(".")
        place, _, name = rest.partition(".")
        if table == "history" and place.isdecimal() and name:
            found.setdefault(int(place), {})[name] = value
    return [found[place] for place in sorted(found)]


def _history_in_words(sheet: Sheet) -> str:
    told = [
        " ".join(str(entry[name]) for name in sorted(entry, key=lambda name: name != "event"))
        for entry in history_entries(sheet)
        if entry.get("event") != "charged"
    ]
    return ", ".join(told) or "freshly charged"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyDifference:
    """One thing that differs, as the first pickup has it and as the second does."""

    then: str
    now: str


def differences(then: Sheet, now: Sheet) -> tuple[KeyDifference, ...]:
    """Return what differs between two sheets, each thing once; names and flanges do not count.

    >>> one, two = {"coil.main.poles.grade": "Alnico 5"}, {"coil.main.poles.grade": "Alnico 2"}
    >>> differences(one, two)
    (KeyDifference(then='Alnico 5', now='Alnico 2'),)
    """
    found = []
    if history_entries(then) != history_entries(now):
        found.append(KeyDifference(then=_history_in_words(then), now=_history_in_words(now)))
    for key in sorted({*then, *now}, key=lambda key: (key.rpartition(".")[2] not in _FIRST, key)):
        before, after = then.get(key), now.get(key)
        if (
            before == after
            or key in ("name", "coils")
            or key.endswith(".flange_radius")
            or key.startswith("history.")
            or _is_told_by_another(key, then, now)
        ):
            continue
        found.append(KeyDifference(then=_words(key, before), now=_words(key, after)))
    return tuple(dict.fromkeys(found))


_FIRST = ("grade", "turns", "wire", "metal", "kind")


def _is_told_by_another(key: str, then: Sheet, now: Sheet) -> bool:
    """The thickness of a cover that only one of the two has is no news; nor is the grade of poles of another kind."""
    table, _, last = key.rpartition(".")
    for place, told_by in (("cover", "metal"), ("poles", "kind"), ("wire", "bare")):
        if table.endswith(place) and last != told_by and f"{table}.{told_by}" in {*then, *now}:
            return (
                then.get(f"{table}.{told_by}") is None
                or now.get(f"{table}.{told_by}") is None
                or (place == "poles" and then.get(f"{table}.kind") != now.get(f"{table}.kind"))
            )
    return False


def _words(key: str, value: Scalar | None) -> str:
    table, _, last = key.rpartition(".")
    if key.endswith(".wire.bare"):
        return "listed wire" if value is None else f"wire {value} bare"
    if value is None:
        return {"metal": "no cover", "kind": "no poles"}.get(last, f"{_plain(last)} as usual")
    if isinstance(value, bool):
        return f"{'with' if value else 'no'} {_plain(last)}"
    if last == "turns":
        return f"{value} turns"
    if last == "packing":
        return f"packed {100 * float(value):.3g} %"
    if last == "charge":
        return f"charged {value}"
    if last == "metal":
        return f"{value} cover"
    if last in ("grade", "wire", "kind", "wound"):
        return f"{value} poles" if last == "kind" and table.endswith("poles") else str(value)
    if last == "facing":
        return f"{value} up"
    place = "cover " if table == "cover" else "lead " if table == "lead" else "pole " if table.endswith("poles") else ""
    return f"{place}{_plain(last)} {value}"


def _plain(key: str) -> str:
    return key.replace("_", " ")
