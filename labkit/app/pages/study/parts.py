"""One part with a tolerance of its own, beside those of its kind: which parts have one, and how the address says it.

A kind of part shares a tolerance (`labkit.study.tolerance.kinds`); a hand-picked pot, a cable of uncertain length or a
coil that was measured differs from its kind. Two controls pick such a part and its tolerance; what has been picked
travels in one field of the address.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from labkit.app.kit.controls import Control, Value
from labkit.app.pages.study.work import in_words
from labkit.core.errors import InputError, did_you_mean
from labkit.rig.inputs import rig_inputs
from labkit.rig.rig import Rig

OWN_TOLERANCES, PART, PART_BY = "own.tol_of_part", "own.part", "own.part_by"

AS_USUAL = "usual"
PERCENT = ("0", "1", "2", "3", "5", "7", "10", "15", "20", "30")
"""Tolerances to choose from, ± %: from hand-picked parts to pots of ± 20 % and beyond (common practice, no source)."""

MOST_PARTS = 12
"""With a tolerance of their own at a time: what an address holds in its 400 characters."""

_BETWEEN, _WITHIN = ",", ";"


def parts_with_tolerance(rig: Rig) -> dict[str, str]:
    """Return the numbers of a rig that may differ from one instrument to the next, and what the bench calls them.

    Knobs are set, not bought, and a part of 0 has nothing to be a percentage of. A pickup that is predicted from its
    build varies by the causes of its doubt, not by its values.

    >>> from labkit.rig.sheet import load_rig
    >>> found = parts_with_tolerance(load_rig("Saltmarsh Lane, narrow single coil"))
    >>> found["volume.value"], found["cable.length"], "volume" in found
    ('volume pot', 'cable length', False)
    """
    built = {slot for slot, pickup in rig.pickups.items() if getattr(pickup, "made_from", None) is not None}
    return {
        name: _in_words(rig, name)
        for name, item in rig_inputs(rig).items()
        if "." in name
        and item.value > 0
        and name.partition(".")[0] not in built
        and not {_BETWEEN, _WITHIN}.intersection(name)
    }


def read_own_tolerances(rig: Rig, text: str) -> dict[str, str]:
    """Return ± % by name from the field of an address, checked.

    Raises
    ------
    InputError
        With one sentence: an unknown part, or a tolerance that is not on offer.

    >>> from labkit.rig.sheet import load_rig
    >>> read_own_tolerances(load_rig("Saltmarsh Lane, narrow single coil"), "volume.value;5,cable.length;0")
    {'volume.value': '5', 'cable.length': '0'}
    """
    known = parts_with_tolerance(rig)
    found: dict[str, str] = {}
    for entry in filter(None, text.split(_BETWEEN)):
        name, _, percent = entry.rpartition(_WITHIN)
        if name not in known:
            named = (name or percent)[:40]
            raise InputError(f"this rig has no part '{named}' that varies.{did_you_mean(named, known, listing=False)}")
        if percent not in PERCENT:
            raise InputError(f"{known[name]}: a tolerance of its own is one of ± {', '.join(PERCENT)} %")
        found[name] = percent
    if len(found) > MOST_PARTS:
        raise InputError(f"at most {MOST_PARTS} parts have a tolerance of their own; let their kind vary instead")
    return found


def write_own_tolerances(own: Mapping[str, str]) -> str:
    """Return the field of an address.

    >>> write_own_tolerances({"volume.value": "5", "cable.length": "0"})
    'cable.length;0,volume.value;5'
    """
    return _BETWEEN.join(f"{name}{_WITHIN}{percent}" for name, percent in sorted(own.items()))


def own_tolerance_controls(rig: Rig) -> tuple[Control, ...]:
    """Return the controls: which part, by how much; and the field behind them, which no page shows."""
    parts = parts_with_tolerance(rig)
    if not parts:
        return ()

    def checked(text: str) -> str:
        return write_own_tolerances(read_own_tolerances(rig, text))

    return (
        Control(key=PART, label="One part", kind="choice", positions=tuple(parts), names=tuple(parts.values())),
        Control(
            key=PART_BY,
            label="It differs by",
            kind="choice",
            positions=(AS_USUAL, *PERCENT),
            names=("as its kind", "exact", *(f"± {percent} %" for percent in PERCENT[1:])),
        ),
        Control(key=OWN_TOLERANCES, label="Parts of their own", kind="choice", positions=("",), others=checked),
    )


def own_tolerance_defaults(rig: Rig) -> dict[str, Value]:
    """Return where these controls stand at first: the first part, no tolerance of its own."""
    parts = parts_with_tolerance(rig)
    return {PART: next(iter(parts)), PART_BY: AS_USUAL, OWN_TOLERANCES: ""} if parts else {}


def with_part_by(values: Mapping[str, Value], percent: str) -> dict[str, Value]:
    """Return what a tolerance for the chosen part sets.

    Raises
    ------
    InputError
        If too many parts have one already.
    """
    own = dict(_entries(str(values[OWN_TOLERANCES])))
    own.pop(str(values[PART]), None)
    if percent != AS_USUAL:
        own[str(values[PART])] = percent
    if len(own) > MOST_PARTS:
        raise InputError(f"at most {MOST_PARTS} parts have a tolerance of their own; let their kind vary instead")
    return {OWN_TOLERANCES: write_own_tolerances(own)}


def shown_part_by(values: Mapping[str, Value]) -> dict[str, Value]:
    """Return where the tolerance of the chosen part stands."""
    if PART not in values:
        return {}
    return {PART_BY: dict(_entries(str(values[OWN_TOLERANCES]))).get(str(values[PART]), AS_USUAL)}


def own_fractions(values: Mapping[str, Value]) -> dict[str, float]:
    """Return ± fraction by name, for a study."""
    return {name: float(percent) / 100 for name, percent in _entries(str(values.get(OWN_TOLERANCES, "")))}


class PicksParts:
    """What a page that offers these controls does when one moves."""

    values: Any

    def follow(self, key: str, value: Value) -> dict[str, Value]:
        """Return what a control sets: the tolerance of the chosen part is kept with those of other parts."""
        return with_part_by(self.values, str(value)) if key == PART_BY else {key: value}

    def derived(self, values: Mapping[str, Value]) -> dict[str, Value]:
        """Return where the tolerance of the chosen part stands."""
        return shown_part_by(values)


def _entries(text: str) -> list[tuple[str, str]]:
    pairs = (entry.rpartition(_WITHIN) for entry in text.split(_BETWEEN) if entry)
    return [(name, percent) for name, _, percent in pairs]


def _in_words(rig: Rig, name: str) -> str:
    return re.sub(r"\beddy(\d+)\b", r"eddy loss \1", in_words(rig, name))
