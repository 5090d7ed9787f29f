"""The controls that a rig offers, and the rig that a setting of them makes.

Knobs and switches come from the harness, so that a new wiring scheme brings its own controls. Keys are the
names of the command line: ``volume``, ``tone_capacitor``, ``volume.value``, ``cable.length``, ``bridge``.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from functools import lru_cache

from labkit.app.kit.controls import KNOB, Control, ControlSet, Group, Value, log_positions, with_value
from labkit.app.kit.pickup.made import checked_text, is_made, pickup_from_text, text_in_words
from labkit.app.kit.rig.line import (
    has_field,
    input_key,
    moved_stage,
    number_control,
    numbers_of,
    stage_controls,
    stage_values,
)
from labkit.catalogue import catalogue
from labkit.core.errors import InputError, capitalized
from labkit.pickup.electrical import Pickup
from labkit.rig.inputs import with_inputs
from labkit.rig.parts.parts import FixedCapacitor, FixedInductor, FixedResistor, Knob, Part, Pot, Switch
from labkit.rig.rewiring import named_stages
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_pickup

KNOB_POSITIONS = tuple(index / 10 for index in range(101))
POT_VALUES = (25e3, 50e3, 100e3, 200e3, 250e3, 300e3, 500e3, 1e6, 2e6)
CAPACITORS = log_positions(100e-12, 100e-9, (1.0, 1.5, 2.2, 3.3, 4.7, 6.8))
RESISTORS = log_positions(1e3, 10e6, (1.0, 1.5, 2.2, 3.3, 4.7, 6.8))
INDUCTORS = log_positions(0.1, 20.0, (1.0, 1.5, 2.2, 3.3, 4.7, 6.8))

INSTRUMENT, KNOBS, PARTS_INSIDE, BEHIND_THE_JACK = (
    "Instrument",
    "Knobs and switches",
    "Parts inside",
    "Cable and input",
)
"""Headings of the groups of controls."""

_LIMITS: Mapping[type[Part], tuple[str, tuple[float, ...], float, float]] = {
    Pot: ("Ω", POT_VALUES, 1e3, 10e6),
    FixedResistor: ("Ω", RESISTORS, 1.0, 100e6),
    FixedCapacitor: ("F", CAPACITORS, 1e-12, 1e-6),
    FixedInductor: ("H", INDUCTORS, 1e-3, 100.0),
}
"""Unit, listed values and limits of a typed value, by kind of part: generous limits, the solver takes them all."""


def rig_controls(rig: Rig, *, rig_names: tuple[str, ...]) -> ControlSet:
    """Return the controls of a rig, grouped from the strings to the input.

    Parameters
    ----------
    rig : Rig
        As its sheet has it; its values are where the controls start.
    rig_names : tuple of str
        Rigs to choose from.
    """
    names = rig_names if rig.name in rig_names else (rig.name, *rig_names)
    instrument = [Control(key="rig", label="Rig", kind="choice", positions=names, names=tuple(map(_short_name, names)))]
    for slot, pickup in rig.pickups.items():
        known = catalogue().usable_names("pickup")
        choices = known if pickup.name in known else (pickup.name, *known)
        instrument.append(
            Control(
                key=slot,
                label=f"{words(slot)} pickup",
                kind="choice",
                positions=choices,
                others=checked_text,
                written=text_in_words,
            )
        )
    groups = [Group(title=INSTRUMENT, controls=tuple(instrument))]
    groups.append(Group(title=KNOBS, controls=tuple(_setting(control) for control in rig.harness.controls)))
    inside = tuple(control for part in rig.harness.parts.values() for control in _part(part, rig))
    groups.append(Group(title=PARTS_INSIDE, controls=inside))
    groups.append(Group(title=BEHIND_THE_JACK, controls=stage_controls(rig)))
    return ControlSet(tuple(group for group in groups if group.controls))


def rig_values(rig: Rig) -> dict[str, Value]:
    """Return where the controls of a rig stand, by key."""
    values: dict[str, Value] = {"rig": rig.name}
    values.update({slot: pickup.name for slot, pickup in rig.pickups.items()})
    values.update(rig.settings)
    for part in rig.harness.parts.values():
        if type(part) in _LIMITS:
            values[_part_key(part)] = part.value  # type: ignore[attr-defined]
        elif not isinstance(part, Switch):
            values.update({number.name: number.value for number in numbers_of(rig, part.name)})
    return {**values, **stage_values(rig)}


def apply_values(rig: Rig, changes: Mapping[str, Value]) -> Rig:
    """Return the rig with controls moved.

    Raises
    ------
    InputError
        If the values do not make a rig: a pickup whose coils the wiring cannot reach, say.
    """
    pickups: dict[str, Pickup] = {}
    settings: dict[str, Value] = {}
    parts: dict[str, Part] = {}
    chain = {stage.name: stage for stage in rig.chain}
    numbers: dict[str, float] = {}
    controls = {control.name for control in rig.harness.controls}
    for key, value in changes.items():
        head, _, field = key.partition(".")
        if key == "rig":
            continue
        if key in rig.pickups:
            pickups[key] = rig.pickups[key] if value == rig.pickups[key].name else chosen_pickup(str(value))
        elif key in controls:
            settings[key] = value
        elif head in rig.harness.parts and type(rig.harness.parts[head]) in _LIMITS and field in ("", "value"):
            parts[head] = dataclasses.replace(rig.harness.parts[head], value=float(value))  # type: ignore[call-arg]
        elif key == input_key(rig) and rig.chain:
            last = rig.chain[-1].name
            chain[last] = moved_stage(chain[last], "", value)
        elif head in chain and has_field(chain[head], field):
            chain[head] = moved_stage(chain[head], field, value)
        elif head in rig.harness.parts or head in chain:
            numbers[key] = float(value)
        else:
            raise InputError(f"rig '{rig.name}' has nothing named '{key}' to set")
    stages = named_stages(tuple(chain.values()), taken=rig.harness.parts)
    moved = rig.replace(pickups=pickups, settings=settings, parts=parts, chain=stages)
    return with_inputs(moved, numbers) if numbers else moved


def words(name: str) -> str:
    """Write the name of a part or slot as a label.

    >>> words("tone_capacitor")
    'Tone capacitor'
    """
    return capitalized(name.replace("_", " ").strip())


def _short_name(name: str) -> str:
    return name if len(name) <= 44 else name[:43] + "…"


def _setting(control: object) -> Control:
    if isinstance(control, Knob):
        label = words(control.name)
        label = label if label.lower().endswith("knob") else f"{label} knob"
        return Control(
            key=control.name,
            label=label,
            kind="slider",
            unit=KNOB,
            positions=KNOB_POSITIONS,
            note=control.name.replace("_", " "),
        )
    positions: tuple[str, ...] = control.positions  # type: ignore[attr-defined]
    shape = "switch" if len(positions) <= 5 and sum(map(len, positions)) <= 34 else "choice"
    return Control(
        key=control.name,  # type: ignore[attr-defined]
        label=words(control.name),  # type: ignore[attr-defined]
        kind=shape,  # type: ignore[arg-type]
        positions=positions,
        names=tuple(position.replace("_", " ") for position in positions),
    )


def _part_key(part: Part) -> str:
    """A pot bears the name of its knob: the key of its value ends with ``.value``."""
    return part.name if part.control is None else f"{part.name}.value"


def _part(part: Part, rig: Rig) -> tuple[Control, ...]:
    if isinstance(part, Switch):
        return ()
    if type(part) not in _LIMITS:
        return tuple(
            number_control(number, f"{words(part.name)}, {number.name.rpartition('.')[2].replace('_', ' ')}")
            for number in numbers_of(rig, part.name)
        )
    unit, listed, low, high = _LIMITS[type(part)]
    is_pot = isinstance(part, Pot)
    label = words(part.name) + (" pot" if is_pot else "")
    control = Control(
        key=_part_key(part),
        label=label,
        kind="choice",
        unit=unit,
        positions=with_value(listed, part.value),  # type: ignore[attr-defined]
        low=low,
        high=high,
        note=label.lower() if is_pot else "",
    )
    return (control,)


@lru_cache(maxsize=64)
def chosen_pickup(name: str) -> Pickup:
    """Return the pickup that a control names: of the catalogue, or one in the making."""
    return pickup_from_text(name) if is_made(name) else load_pickup(name)
