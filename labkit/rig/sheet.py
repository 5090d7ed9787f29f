"""The rig sheet, and changes to a rig in the words of the command line (``volume=5``, ``cable.length=10m``)."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Collection, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from labkit.catalogue import NETLIST_SUFFIXES, catalogue, find_sheet, is_path
from labkit.core.errors import InputError, SheetError, did_you_mean
from labkit.core.files import read_text
from labkit.core.grid import FREQUENCY
from labkit.core.keys import NUMBER, declared_keys
from labkit.core.sheet import Table
from labkit.pickup.electrical import Pickup
from labkit.pickup.sheet import pickup_data, read_pickup
from labkit.plugins import plugins
from labkit.rig.chain.chain import Stage
from labkit.rig.harness import Harness, harness_data, read_harness, read_part
from labkit.rig.netlist import netlist_frequencies, netlist_rig
from labkit.rig.parts.parts import Part, Position
from labkit.rig.rig import Rig


def chain_kinds() -> dict[str, type[Stage]]:
    """Return every kind of chain stage that plugins bring, by the word of the sheets."""
    found = plugins().things("labkit_chain_kinds", check=_not_a_stage, key=lambda kind: getattr(kind, "kind", ""))
    return {name: brought.thing for name, brought in found.items()}


def _not_a_stage(thing: object) -> str:
    return "" if isinstance(thing, type) and issubclass(thing, Stage) else "a subclass of labkit.rig.chain.chain.Stage"


def load_rig(sheet: str | Path) -> Rig:
    """Load a rig by path or by catalogue name; a file whose name ends like ``.cir`` is a whole netlist.

    Raises
    ------
    InputError
        If neither a file nor a catalogue rig answers to it, or the sheet cannot be read.
    """
    if is_netlist(sheet):
        return netlist_rig(read_text(Path(sheet)), str(sheet))
    return read_rig(find_sheet(sheet, "rig"))


def is_netlist(sheet: str | Path) -> bool:
    """Say whether a path is that of a netlist, by the end of its name."""
    return str(sheet).casefold().endswith(NETLIST_SUFFIXES)


def asked_frequencies(sheet: str | Path) -> np.ndarray | None:
    """Return the frequencies that a netlist's own ``.ac`` asks for, Hz; None for any other sheet.

    Raises
    ------
    InputError
        If they cannot be read, or lie outside what labkit works out.
    """
    found = netlist_frequencies(read_text(Path(sheet)), str(sheet)) if is_netlist(sheet) else None
    if found is not None:
        FREQUENCY.check(found, whose=f"{sheet}, .ac: ")
    return found


def read_rig(table: Table) -> Rig:
    """Read a rig sheet.

    Raises
    ------
    SheetError
        Naming the file, the key and the remedy.
    """
    table.allow("sheet", "format", "summary", "note")
    name = table.text("name", expected="the rig's name")
    harness = read_harness_reference(table)
    pickups = _read_pickups(table, harness)
    harness = _with_overrides(table, harness)
    settings = table.table("settings", {})
    positions: dict[str, Position] = {}
    for control, position in settings.data.items():
        checked = settings.attempt(control, partial(harness.control, control))
        if isinstance(position, bool) or not isinstance(position, int | float | str):
            settings.fail(control, f"must be a position; got {position!r}")
        check: Callable[[Position], Position] = checked.check
        positions[control] = settings.attempt(control, partial(check, position))
    chain = read_chain(table, taken=harness.parts)
    table.done()
    return table.attempt("", lambda: Rig(name=name, pickups=pickups, harness=harness, settings=positions, chain=chain))


def read_harness_reference(table: Table) -> Harness:
    """Read the ``harness`` key: a catalogue name, a path to a harness sheet, or an inline table."""
    value = table.raw("harness", expected="the name of a harness, or the path of a harness sheet,")
    if isinstance(value, dict):
        return read_harness(Table(value, table.where, "harness", table.folder))
    return _referenced(table, "harness", value, "harness", read_harness)  # type: ignore[no-any-return]


def read_chain(table: Table, *, taken: Collection[str] = ()) -> tuple[Stage, ...]:
    """Read the ``[[chain]]`` stages in order and name them by kind, numbered on where a name is ``taken`` already."""
    kinds = chain_kinds()
    stages: list[Stage] = []
    counts: dict[str, int] = {kind: 1 for kind in kinds if kind in taken}
    for entry in table.tables("chain", []):
        if not kinds:
            entry.fail("kind", "nothing installed brings a kind of stage; see labkit catalogue --plugins")
        kind = entry.choice("kind", kinds)
        counts[kind] = counts.get(kind, 0) + 1
        name = kind if counts[kind] == 1 else f"{kind}{counts[kind]}"
        stages.append(read_stage(kind, name, entry))
    return tuple(stages)


def read_stage(kind: str, name: str, entry: Table, base: Stage | None = None) -> Stage:
    """Read one stage; ``use`` fills missing keys from an item of the catalogue, ``base`` from another stage."""
    entry.allow("kind")
    use = entry.text("use", None, expected="the name of a catalogue item")
    if use is not None:
        item = entry.attempt("use", lambda: catalogue().item(kind, use))
        filled = {key: value for key, value in item.data.items() if key not in _NOT_OF_THE_STAGE}
        entry = Table({**filled, **entry.data}, entry.where, entry.path, entry.folder)
        entry.allow("kind", "use")
    return entry.attempt("", lambda: chain_kinds()[kind].read(name, entry, base))


_NOT_OF_THE_STAGE = {"sheet", "format", "name", "summary", "source", "note", "doubt"}


def set_value(rig: Rig, name: str, text: str) -> Rig:
    """Return the rig with one thing changed, in the words of ``--set``.

    ``name`` is a knob or switch, a part (its value), ``part.key``, ``stage.key`` of the chain, a pickup slot,
    ``slot.coil.key`` of a pickup (a value, or a key of its build sheet), or ``wiring`` for a wiring of the catalogue.

    Raises
    ------
    InputError
        If nothing answers to the name, or the text does not fit it.

    >>> from labkit.rig.sheet import load_rig
    >>> set_value(load_rig("Saltmarsh Lane, narrow single coil"), "volume", "5").settings["volume"]
    5.0
    """
    head, point, key = name.partition(".")
    controls = {control.name for control in rig.harness.controls}
    if name in rig.harness.slots:
        return rig.replace(pickups={name: load_pickup(text)})
    if name in controls:
        return rig.replace(settings={name: text})
    if head in rig.harness.parts:
        return rig.replace(parts={head: with_key(rig.harness.parts[head], key or "value", text)})
    stages = {stage.name: stage for stage in rig.chain}
    if head in stages and point:
        stage = stages[head]
        table = Table({key: as_written(stage, key, text)}, f"--set {name}", stage.name)
        return rig.with_stage(read_stage(stage.kind, stage.name, table, base=stage))
    if head in rig.pickups and point:
        return rig.replace(pickups={head: _with_pickup_key(rig.pickups[head], key, text)})
    if name == "wiring":
        from labkit.rig.rewiring import rewired  # it loads pickups by way of this module

        return rewired(rig, text)
    known = [*controls, *rig.harness.parts, *rig.harness.slots, "wiring"]
    for stage in rig.chain:
        known += [f"{stage.name}.{field}" for field in stage.data() if field != "kind"]
    raise InputError(f"rig '{rig.name}' has nothing named '{name}' to set.{did_you_mean(name, known)}")


def _with_pickup_key(pickup: Pickup, key: str, text: str) -> Pickup:
    """Return a pickup with one key of its sheet changed; ``main.inductance`` is short for ``coil.main.inductance``."""
    from labkit.pickup.predict.sheet import with_changes

    place = f"coil.{key}" if key.partition(".")[0] in pickup.coils else key
    built: Any = pickup.made_from
    table = Table(pickup_data(pickup), f"pickup '{pickup.name}'") if built is None else built.table()
    return read_pickup(with_changes(table, {place: text}))


def with_key(part: Part, key: str, text: Any) -> Part:
    """Return a part with one key of its sheet changed."""
    return read_part(part.name, Table({"kind": part.kind, key: as_written(part, key, text)}, part.name), base=part)


def as_written(thing: Part | Stage, key: str, text: Any) -> Any:
    """Return a text as the key's sheet would hold it: a plain number where one is due."""
    is_number = any(known.name == key and known.unit == NUMBER for known in declared_keys(type(thing)))
    if is_number and isinstance(text, str):
        with contextlib.suppress(ValueError):
            return float(text)
    return text


def load_pickup(text: str, folder: Path | None = None) -> Pickup:
    """Load a pickup by path or catalogue name."""
    return read_pickup(find_sheet(text if folder is None or not is_path(text) else folder / text, "pickup"))


def rig_data(rig: Rig) -> dict[str, Any]:
    """Return the keys of a rig sheet that reads back to the same rig, with everything inline."""
    data: dict[str, Any] = {"name": rig.name, "harness": harness_data(rig.harness)}
    data["pickups"] = {slot: pickup_data(pickup) for slot, pickup in rig.pickups.items()}
    data["settings"] = dict(rig.settings)
    data["chain"] = [stage.data() for stage in rig.chain]
    return data


def _referenced(table: Table, key: str, value: object, kind: str, reader: Any) -> Any:
    if not isinstance(value, str) or not value.strip():
        table.fail(key, f"must be the name of a {kind}, the path of a {kind} sheet, or a table; got {value!r}"[:200])
    if is_path(value):
        path = Path(value) if table.folder is None else table.folder / value
        sheet = table.attempt(key, lambda: _read(path, kind))
        return reader(sheet)
    item = table.attempt(key, lambda: catalogue().item(kind, value))
    return reader(item.table())


def _read(path: Path, kind: str) -> Table:
    try:
        return find_sheet(path, kind)
    except SheetError as error:
        raise InputError(str(error)) from None


def _read_pickups(table: Table, harness: Harness) -> dict[str, Pickup]:
    listed = table.table("pickups")
    pickups: dict[str, Pickup] = {}
    for slot, value in listed.data.items():
        if slot not in harness.slots:
            listed.fail(
                slot, f"the harness '{harness.name}' has no slot of that name.{did_you_mean(slot, harness.slots)}"
            )
        if isinstance(value, dict):
            pickups[slot] = read_pickup(listed.child(value, slot))
        else:
            pickups[slot] = _referenced(listed, slot, value, "pickup", read_pickup)
    for slot in harness.slots:
        if slot not in pickups:
            listed.fail(slot, f"is missing; the harness '{harness.name}' needs a pickup there")
    return pickups


def _with_overrides(table: Table, harness: Harness) -> Harness:
    overrides = table.table("parts", {})
    for name, value in overrides.data.items():
        part = overrides.attempt(name, partial(harness.part, name))
        changes: Mapping[str, Any] = value if isinstance(value, dict) else {"value": value}
        for fixed in ("kind", "nodes", "positions"):
            if fixed in changes:
                overrides.fail(f"{name}.{fixed}", "cannot be changed here; write a harness sheet of your own")
        own = overrides.child({**changes, "kind": part.kind}, name)
        harness = harness.with_part(read_part(name, own, base=part))
    return harness
