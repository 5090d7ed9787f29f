"""The goal of a search on the page of studies: what its controls say as keys of a goal sheet, and opened sheets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from labkit.app.kit.controls import Value
from labkit.app.pages.study.controls import ANY_PICKUP, SAME, VARY_CABLES, VARY_CAPACITORS, VARY_POTS, VARY_RESISTORS
from labkit.catalogue import catalogue, catalogue_only
from labkit.core.errors import InputError
from labkit.core.sheet import parse_sheet
from labkit.rig.rig import Rig

LARGEST_GOAL = 200_000
"""Characters; a goal with every key there is has a few thousand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedGoal:
    """A goal sheet that somebody opened; it brings its own rig and is no part of the address."""

    name: str
    data: Mapping[str, Any]


def what_may_change(rig: Rig, values: Mapping[str, Value]) -> list[dict[str, Any]]:
    """Return the ``vary`` tables of a goal sheet that the page's controls say."""
    found: list[dict[str, Any]] = []
    if values.get("own.free_pickup") == ANY_PICKUP:
        from labkit.study.questions.question import heard_slot

        found.append({"part": heard_slot(rig), "choices": list(catalogue().usable_names("pickup"))})
    for kind, key, stock in (
        ("capacitor", "own.free_capacitors", VARY_CAPACITORS),
        ("resistor", "own.free_resistors", VARY_RESISTORS),
    ):
        if values.get(key, SAME) != SAME:
            series, low, high = stock[str(values[key])]
            found += [
                {"part": f"{part.name}.value", "series": series, "from": low, "to": high}
                for part in rig.harness.parts.values()
                if part.kind == kind
            ]
    if values.get("own.free_pots", SAME) != SAME:
        choices = list(VARY_POTS[str(values["own.free_pots"])])
        found += [
            {"part": f"{part.name}.value", "choices": choices}
            for part in rig.harness.parts.values()
            if part.kind == "pot"
        ]
    if values.get("own.free_cables", SAME) != SAME:
        shortest, longest = VARY_CABLES[str(values["own.free_cables"])]
        found += [
            {"part": f"{stage.name}.length", "from": shortest, "to": longest}
            for stage in rig.chain
            if stage.kind == "cable"
        ]
    return found


def read_goal_sheet(text: str, where: str) -> OpenedGoal:
    """Return the goal of a sheet, checked.

    Raises
    ------
    InputError
        With one sentence on what is wrong with the sheet.
    """
    from labkit.study.search.goal import read_goal

    if len(text) > LARGEST_GOAL:
        raise InputError(f"{where}: a goal sheet has at most {LARGEST_GOAL // 1000} kB; this one is larger")
    table = parse_sheet(text, where, kinds=["goal"])
    with catalogue_only():
        goal = read_goal(table)
    data = {key: value for key, value in table.data.items() if key not in ("sheet", "format")}
    return OpenedGoal(name=goal.name, data=data)
