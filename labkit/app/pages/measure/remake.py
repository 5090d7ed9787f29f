"""Which build on the plan's bobbin the pickup on the bench could be: the search, and what the page says of it."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

from labkit.app.kit.text import table_html
from labkit.bench import reproduce as search
from labkit.bench.diagnose.readings import readings_from_table
from labkit.core.errors import InputError
from labkit.core.sheet import Table, parse_sheet
from labkit.pickup.materials.wire import wire
from labkit.pickup.predict.built import load_built
from labkit.pickup.sheet import read_pickup

GAUGES = (-1, 0, 1)
"""Wires that are tried: the bobbin's own and its neighbours."""

TURNS = (0.6, 1.5)
"""Fewest and most turns that are tried, over the bobbin's own."""


def stock_of(bobbin: str) -> tuple[tuple[str, ...], tuple[str, ...], tuple[float, float]]:
    """Return wires, magnets and turns to try on a build of the catalogue.

    Raises
    ------
    InputError
        If it is no build that can be wound again.
    """
    made = load_built(bobbin)
    windings = [coil.winding for _, coil in made.build.coils]
    if not windings or any(winding is None for winding in windings):
        raise InputError(f"'{bobbin}' is known by its values only; choose a build as the plan to wind it again")
    own = windings[0]
    assert own is not None
    wires = []
    for step in GAUGES:
        name = own.wire.name
        if own.wire.gauge is not None:
            name = name.replace(f"AWG {own.wire.gauge}", f"AWG {own.wire.gauge + step}")
        try:
            wire(name)
        except InputError:
            continue
        wires.append(name)
    grades = sorted({coil.grade.name for _, coil in made.build.coils if coil.grade is not None})
    turns = sum(winding.turns for winding in windings if winding is not None)
    return tuple(dict.fromkeys(wires)), tuple(grades), (TURNS[0] * turns, TURNS[1] * turns)


def remake(bobbin: str, readings: dict[str, Any], fitted: str) -> list[search.Reproduction]:
    """Search builds on a bobbin of the catalogue for what was read; ``fitted`` is a pickup sheet's text or empty."""
    wires, magnets, turns = stock_of(bobbin)
    if not magnets:
        raise InputError(f"'{bobbin}' names no magnet that could be chosen")
    made = load_built(bobbin)
    pickup = read_pickup(parse_sheet(fitted, "the fit", kinds=("pickup",))) if fitted else None
    original, full_field = search.original_of(readings_from_table(Table(readings, "readings")), pickup, made)
    found = search.reproduce(
        original,
        wires=wires,
        magnets=magnets,
        turns=turns,
        build=search.stock_build(made),
        rig=search.standard_rig,
        full_field=full_field,
    )
    return list(found)


def remake_html(found: Sequence[search.Reproduction]) -> str:
    """Return the builds as a table: could each be the original, and is its curve the same."""
    rows = []
    for item in found:
        choice = item.choice
        charge = f", {100 * choice.charge:.0f} % charged" if choice.charge < 1 else ""
        could = "–" if item.is_same is None else ("could be it" if item.is_same else "is another")
        off = ", ".join(f"{name} {100 * value:+.1f} %".replace(" -", " −") for name, value in item.off.items())
        curve = "–"
        if item.distance_db is not None:
            curve = f"{'the same' if item.has_same_curve else 'another'}, {item.distance_db.value:.2f} dB apart"
        rows.append((f"{choice.turns:.0f} turns of {choice.wire}, {choice.magnet}{charge}", could, curve, off))
    notes = "".join(f'<p class="lab-note">{escape(note)}</p>' for note in found[0].notes)
    return table_html("Builds on this bobbin", ("Build", "By its readings", "Its curve", "Off by"), rows) + notes
