"""The line from the jack to the last input: the controls of its stages, and lines of other stages.

A line is written as the kinds of its stages in order, ``buffer, cable``, without the input it ends in: that one is
chosen by name, whatever its kind.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Mapping
from functools import lru_cache

from labkit.app.kit.controls import KNOB, Control, Value, log_positions, with_value
from labkit.catalogue import catalogue
from labkit.core.errors import InputError, capitalized, did_you_mean, join_words
from labkit.rig.chain.chain import Cable, Input, Stage
from labkit.rig.chain.stages import BufferBox, BypassBox, LowImpedanceInput, ValveInput, VolumePedal
from labkit.rig.inputs import RigInput, rig_inputs
from labkit.rig.parts.taper import parse_taper
from labkit.rig.rewiring import named_stages
from labkit.rig.rig import Rig

CABLE_LENGTHS = (
    *(index / 4 for index in range(1, 41)),
    *(10.5 + index / 2 for index in range(20)),
    *(21.0 + index for index in range(10)),
)
CABLE_CAPACITANCES = tuple(float(f"{5 * index}e-12") for index in range(4, 51))
PEDAL_POSITIONS = tuple(index / 10 for index in range(101))
PEDAL_VALUES = (25e3, 50e3, 100e3, 250e3, 500e3, 1e6)
BOX_CAPACITANCES = log_positions(10e-12, 1e-9, (1.0, 1.5, 2.2, 3.3, 4.7, 6.8))

INPUT = "input"
"""Key of the input that a line ends in."""

INPUT_KINDS: tuple[type[Stage], ...] = (Input, ValveInput, LowImpedanceInput)
MOST_STAGES = 10
NO_STAGE = "nothing"
"""A line without a stage: the jack goes straight into the input."""

ADDED: Mapping[str, str] = {
    Cable.kind: "a cable",
    BypassBox.kind: "a bypassed box",
    BufferBox.kind: "a buffer",
    VolumePedal.kind: "a volume pedal",
}
"""What a page can put into the line, by kind of stage, and how it calls it."""

Line = tuple[str, ...]


def line_of(rig: Rig) -> Line:
    """Return the kinds of the stages between the jack and the last input."""
    return tuple(stage.kind for stage in _between(rig))


def line_text(line: Line) -> str:
    """Write a line for an address.

    >>> line_text(("buffer", "cable")), line_text(())
    ('buffer, cable', 'nothing')
    """
    return ", ".join(line) or NO_STAGE


def read_line(text: str, rig: Rig) -> Line:
    """Return the line that a text describes; the rig says which further kinds are known, those it has itself.

    Raises
    ------
    InputError
        If it names a kind that cannot stand there, or too many.
    """
    if text.strip() == NO_STAGE:
        return ()
    kinds = tuple(kind.strip() for kind in text.split(","))
    own = line_of(rig)
    for kind in set(kinds):
        if kind not in ADDED and kinds.count(kind) > own.count(kind):
            raise InputError(f"a line has no '{kind[:40]}' to add.{did_you_mean(kind, [*ADDED, *own])}")
    if len(kinds) > MOST_STAGES:
        raise InputError(f"a line holds at most {MOST_STAGES} stages here; got {len(kinds)}")
    return kinds


def with_line(rig: Rig, line: Line, *, taken: Collection[str]) -> tuple[Stage, ...]:
    """Return a chain of other stages: the rig's own where it has them, usual ones for the rest, then its input.

    Parameters
    ----------
    rig : Rig
    line : tuple of str
        Kinds in order.
    taken : collection of str
        Names that stages may not bear, those of the harness's parts.
    """
    between = _between(rig)
    own = {kind: [stage for stage in between if stage.kind == kind] for kind in set(line)}
    found = [own[kind].pop(0) if own[kind] else _usual(kind, between) for kind in line]
    return named_stages((*found, *rig.chain[len(between) :]), taken=taken)


def input_key(rig: Rig) -> str:
    """Return the key of the control that chooses the input; plain unless a part of the wiring is called so."""
    taken = {*rig.harness.parts, *rig.harness.slots, *(stage.name for stage in _between(rig))}
    return INPUT if INPUT not in taken else f"{INPUT}2"


def stage_controls(rig: Rig) -> tuple[Control, ...]:
    """Return the controls of the line and of its input."""
    found = [control for stage in _between(rig) for control in _of_stage(stage, rig)]
    last = _input_of(rig)
    if last is not None:
        known, own = tuple(_inputs()), input_name(last)
        choices = known if own in known else (own, *known)
        found.append(Control(key=input_key(rig), label="Plugged into", kind="choice", positions=choices))
    return tuple(found)


def stage_values(rig: Rig) -> dict[str, Value]:
    """Return where they stand."""
    values: dict[str, Value] = {}
    for stage in _between(rig):
        if isinstance(stage, BufferBox):
            values[stage.name] = buffer_name(stage)
            continue
        values.update({f"{stage.name}.{field}": getattr(stage, name) for field, name in _fields(stage).items()})
        if not _fields(stage):
            values.update({number.name: number.value for number in numbers_of(rig, stage.name)})
    last = _input_of(rig)
    if last is not None:
        values[input_key(rig)] = input_name(last)
    return values


def moved_stage(stage: Stage, field: str, value: Value) -> Stage:
    """Return a stage with one control moved; ``field`` is empty for a choice by name."""
    if field:
        return dataclasses.replace(stage, **{_fields(stage)[field]: float(value)})  # type: ignore[arg-type]
    if isinstance(stage, BufferBox):
        return stage if value == buffer_name(stage) else dataclasses.replace(_buffer(str(value)), name=stage.name)
    if value == input_name(stage):
        return stage
    return _chosen_input(str(value))


def has_field(stage: Stage, field: str) -> bool:
    """Say whether a control of this name moves the stage directly."""
    return field in _fields(stage) or (not field and isinstance(stage, (BufferBox, *INPUT_KINDS)))


def numbers_of(rig: Rig, group: str) -> tuple[RigInput, ...]:
    """Return the numbers of a part or stage that this lab has no control of its own for: a plugin's, say."""
    return tuple(
        number for number in rig_inputs(rig).values() if number.group == group and number.unit and number.value > 0
    )


def number_control(number: RigInput, label: str) -> Control:
    """Return a control for such a number: listed from a thirtieth to thirty times what it is, typed beyond."""
    listed = log_positions(number.value / 30, number.value * 30, (1.0, 1.5, 2.2, 3.3, 4.7, 6.8))
    return Control(
        key=number.name,
        label=label,
        kind="choice",
        unit=number.unit,
        positions=with_value(listed, number.value),
        low=number.value / 1000,
        high=number.value * 1000,
        note=label.lower(),
    )


def stage_label(name: str) -> str:
    """Write the name of a stage as a label.

    >>> stage_label("cable2"), stage_label("bypass box")
    ('Second cable', 'Bypassed box')
    """
    kind = name.rstrip("0123456789")
    number = int(name[len(kind) :] or 1)
    words = {"bypass box": "bypassed box"}.get(kind, kind.replace("_", " "))
    order = ("", "", "second ", "third ", "fourth ", "fifth ")
    text = f"{order[number]}{words}" if number < len(order) else f"{words} {number}"
    return capitalized(text)


def input_name(stage: Stage) -> str:
    """The catalogue name of an input, or its values where the catalogue has no such input."""
    for name in _inputs():
        if _same(_chosen_input(name), stage):
            return name
    return _own_values(stage)


def buffer_name(stage: BufferBox) -> str:
    """The catalogue name of a buffer, or its values where the catalogue has no such buffer."""
    for name in catalogue().usable_names(BufferBox.kind):
        if _same(_buffer(name), stage):
            return name
    return _own_values(stage)


def _between(rig: Rig) -> tuple[Stage, ...]:
    return rig.chain[:-1] if _input_of(rig) is not None else rig.chain


def _input_of(rig: Rig) -> Stage | None:
    return rig.chain[-1] if rig.chain and isinstance(rig.chain[-1], INPUT_KINDS) else None


def _same(one: Stage, other: Stage) -> bool:
    return type(one) is type(other) and dataclasses.replace(one, name="") == dataclasses.replace(other, name="")


def _own_values(stage: Stage) -> str:
    texts = [str(value) for key, value in stage.data().items() if key != "kind"]
    return join_words(texts[:2])


def _fields(stage: Stage) -> dict[str, str]:
    """Names of controls and of the fields they move."""
    if isinstance(stage, Cable):
        return {"length": "length", "capacitance": "capacitance_per_length"}
    if isinstance(stage, BypassBox):
        return {"capacitance": "capacitance"}
    if isinstance(stage, VolumePedal):
        return {"position": "position", "value": "value"}
    return {}


def _of_stage(stage: Stage, rig: Rig) -> tuple[Control, ...]:
    name, label = stage.name, stage_label(stage.name)
    if isinstance(stage, Cable):
        return _cable(stage, label)
    if isinstance(stage, BypassBox):
        capacitance = Control(
            key=f"{name}.capacitance",
            label=f"{label}, capacitance",
            kind="choice",
            unit="F",
            positions=with_value(BOX_CAPACITANCES, stage.capacitance),
            low=0.0,
            high=10e-9,
            note=label.lower(),
        )
        return (capacitance,)
    if isinstance(stage, BufferBox):
        known, own = catalogue().usable_names(BufferBox.kind), buffer_name(stage)
        return (
            Control(key=name, label=label, kind="choice", positions=known if own in known else (own, *known)),
        )  # its catalogue name decides all its values
    if isinstance(stage, VolumePedal):
        position = Control(
            key=f"{name}.position",
            label=label,
            kind="slider",
            unit=KNOB,
            positions=PEDAL_POSITIONS,
            note=label.lower(),
        )
        pot = Control(
            key=f"{name}.value",
            label=f"{label} pot",
            kind="choice",
            unit="Ω",
            positions=with_value(PEDAL_VALUES, stage.value),
            low=1e3,
            high=10e6,
            note=f"{label.lower()} pot",
        )
        return position, pot
    return tuple(
        number_control(number, f"{label}, {number.name.rpartition('.')[2].replace('_', ' ')}")
        for number in numbers_of(rig, name)
    )


def _cable(stage: Cable, label: str) -> tuple[Control, ...]:
    return (
        Control(
            key=f"{stage.name}.length",
            label=f"{label} length",
            kind="slider",
            unit="m",
            positions=with_value(CABLE_LENGTHS, stage.length),
            low=0.0,
            high=100.0,
            bare_unit="m",
            note=label.lower(),
        ),
        Control(
            key=f"{stage.name}.capacitance",
            label=f"{label} capacitance",
            kind="slider",
            unit="F/m",
            positions=with_value(CABLE_CAPACITANCES, stage.capacitance_per_length),
            low=0.0,
            high=1e-9,
            bare_unit="pF/m",
            note=label.lower(),
        ),
    )


def _usual(kind: str, between: tuple[Stage, ...]) -> Stage:
    """A stage as it is added: values of common practice, no source; a cable is of the kind already there."""
    if kind == Cable.kind:
        there = next((stage.capacitance_per_length for stage in between if isinstance(stage, Cable)), 100e-12)
        return Cable(name=kind, length=3.0, capacitance_per_length=there)
    if kind == BypassBox.kind:
        return BypassBox(name=kind, capacitance=47e-12)
    if kind == BufferBox.kind:
        return _buffer(catalogue().usable_names(kind)[0])
    return VolumePedal(name=kind, value=250e3, taper=parse_taper("audio 10 %"), position=10.0)


def _inputs() -> dict[str, str]:
    """Catalogue inputs of every kind: kind of stage by name."""
    return {name: kind.kind for kind in INPUT_KINDS for name in catalogue().usable_names(kind.kind)}


@lru_cache(maxsize=64)
def _chosen_input(name: str) -> Stage:
    kinds = _inputs()
    if name not in kinds:
        raise InputError(f"there is no input '{name[:60]}'.{did_you_mean(name, kinds)}")
    stage: Stage = catalogue().load(kinds[name], name)
    return dataclasses.replace(stage, name=kinds[name])


@lru_cache(maxsize=16)
def _buffer(name: str) -> BufferBox:
    return catalogue().load(BufferBox.kind, name)
