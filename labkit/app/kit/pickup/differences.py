"""What sets two pickups in the making apart, in the words a line's end has room for: "Alnico 2", "7500 turns"."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

Scalar = str | int | float | bool
Sheet = Mapping[str, Scalar]


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One thing that differs, as the first pickup has it and as the second does."""

    then: str
    now: str


def differences(then: Sheet, now: Sheet) -> tuple[Difference, ...]:
    """Return what differs between two sheets, each thing once; names and flanges do not count.

    >>> one, two = {"coil.main.poles.grade": "Alnico 5"}, {"coil.main.poles.grade": "Alnico 2"}
    >>> differences(one, two)
    (Difference(then='Alnico 5', now='Alnico 2'),)
    """
    found = []
    for key in sorted({*then, *now}, key=lambda key: (key.rpartition(".")[2] not in _FIRST, key)):
        before, after = then.get(key), now.get(key)
        if (
            before == after
            or key in ("name", "coils")
            or key.endswith(".flange_radius")
            or _is_told_by_another(key, then, now)
        ):
            continue
        found.append(Difference(then=_words(key, before), now=_words(key, after)))
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
