"""The rig as a path from string to amplifier: the controls by stage, and what each stage costs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from labkit.app.kit.controls import ControlSet, Group, Value
from labkit.app.kit.page_state import GRID
from labkit.app.kit.rig.controls import BEHIND_THE_JACK, INSTRUMENT, KNOBS, PARTS_INSIDE
from labkit.app.kit.rig.line import INPUT_KINDS, stage_label
from labkit.app.kit.rig.rebuild import REBUILDING, WIRING
from labkit.core.errors import InputError
from labkit.core.units import format_quantity
from labkit.rig.chain.chain import Cable, Input, Stage
from labkit.rig.parts.parts import Pot
from labkit.rig.rig import Rig
from labkit.view.words import Reading, frequency_in_words, read_response

PICKUP, PICKUPS, WIRED, END, CHANGED = "Pickup", "Pickups", "Wiring", "Input", "Add or disconnect"
"""Headings of the path."""

_NO_LOAD_OHM = 1e8
"""A pot or an input of so many ohms loads no pickup that one can hear."""


def stage_groups(offered: ControlSet, rig: Rig) -> tuple[Group, ...]:
    """Return the controls of a rig, those that rebuild it among them, in the order of the signal."""
    groups = {group.title: group.controls for group in offered.groups}
    notes = {group.title: group.note for group in offered.groups}
    instrument = {control.key: control for control in groups[INSTRUMENT]}
    wiring = instrument.pop(WIRING)
    behind = {control.key: control for control in groups[BEHIND_THE_JACK]}
    found = [
        Group(title=PICKUP if len(rig.pickups) == 1 else PICKUPS, controls=tuple(instrument.values())),
        Group(title=WIRED, controls=(wiring, *groups.get(KNOBS, ())), note=notes[INSTRUMENT]),
        Group(title=PARTS_INSIDE, controls=groups.get(PARTS_INSIDE, ()), is_fold=True),
    ]
    rebuilding = tuple(control for key in REBUILDING if (control := behind.pop(key, None)) is not None)
    for stage in rig.chain:
        mine = tuple(behind.pop(key) for key in list(behind) if key.partition(".")[0] == stage.name)
        if isinstance(stage, Cable):
            length, *kind = mine
            what = "cable" if stage.name == "cable" else stage_label(stage.name).lower()
            found.append(Group(title=stage_label(stage.name), controls=(length,)))
            found.append(Group(title=f"Kind of {what}", controls=tuple(kind), is_fold=True))
        elif mine:
            found.append(Group(title=stage_label(stage.name), controls=mine))
    found.append(Group(title=END, controls=tuple(behind.values())))
    found.append(Group(title=CHANGED, controls=rebuilding, is_fold=True))
    return tuple(group for group in found if group.controls)


def stage_heads(rig: Rig, values: Mapping[str, Value], groups: tuple[Group, ...]) -> dict[str, str]:
    """Return what stands beside the heading of each stage: what it is, and where the peak would lie without it."""
    heads = {group.title: group.head(values) for group in groups if group.is_fold}
    heads[PICKUP] = _pickup(rig)
    heads[WIRED] = _without(rig, rig_without_pots(rig), "without pots")
    for stage in rig.chain:
        title = END if isinstance(stage, INPUT_KINDS) else stage_label(stage.name)
        heads[title] = "; ".join(part for part in (_size(stage), _without(rig, rig_without(rig, stage))) if part)
    return {group.title: heads.get(group.title, "") for group in groups}


def rig_without(rig: Rig, stage: Stage) -> Rig:
    """Return a rig in which a stage loads nothing; its last input still reads the level."""
    if isinstance(stage, INPUT_KINDS):
        return rig.replace(chain=(*rig.chain[:-1], Input(name=stage.name, resistance=_NO_LOAD_OHM)))
    return rig.replace(chain=tuple(other for other in rig.chain if other is not stage))


def rig_without_pots(rig: Rig) -> Rig | None:
    """Return a rig with its pots fully up and too large to load anything; None where it has none."""
    pots = {
        part.name: replace(part, value=_NO_LOAD_OHM) for part in rig.harness.parts.values() if isinstance(part, Pot)
    }
    knobs = {control.name: 10.0 for control in rig.harness.knobs}
    return rig.replace(parts=dict(pots), settings=dict(knobs)) if pots else None


def _without(rig: Rig, other: Rig | None, words: str = "without") -> str:
    if other is None:
        return ""
    try:
        reading = read_response(other.response(GRID))
    except InputError:  # what a plugin's stage makes of the rest is its own affair
        return ""
    return f"{words}: {peak_in_words(reading)}"


def peak_in_words(reading: Reading) -> str:
    """Write a peak by its place.

    >>> peak_in_words(Reading(peak_hz=5210.0, height_db=3.0, treble_end_hz=8000.0, bass_db=0.0))
    'peak 5.2 kHz'
    """
    return "no peak" if reading.peak_hz is None else f"peak {frequency_in_words(reading.peak_hz)}"


def _size(stage: Stage) -> str:
    if isinstance(stage, Cable):
        return _rounded(stage.capacitance, "F")
    if isinstance(stage, Input):
        sizes = ((stage.resistance, "Ω"), (stage.capacitance, "F"))
        return ", ".join(_rounded(size, unit) for size, unit in sizes if size)
    return ""


def _pickup(rig: Rig) -> str:
    """Inductance and resistance of a single coil; two coils have more than one."""
    pickup = next(iter(rig.pickups.values()))
    if len(rig.pickups) > 1 or len(pickup.coils) > 1:
        return ""
    coil = next(iter(pickup.coils.values()))
    return f"{_rounded(coil.inductance, 'H')}, {_rounded(coil.resistance, 'Ω')}"


def _rounded(size: float, unit: str) -> str:
    return format_quantity(float(f"{size:.3g}"), unit)
