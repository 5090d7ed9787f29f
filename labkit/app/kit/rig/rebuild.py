"""Controls that rebuild a rig: another wiring, a buffer at the guitar, stages put into the line and taken out.

Moving one of them names another rig (`labkit.app.kit.rig.structure`); what was set before is carried over as far as the
new rig has it. Only the rig page shows them.
"""

from __future__ import annotations

from dataclasses import replace

from labkit.app.kit.controls import Control, ControlSet, Group, Value
from labkit.app.kit.rig.controls import BEHIND_THE_JACK, INSTRUMENT, chosen_pickup
from labkit.app.kit.rig.line import ADDED, MOST_STAGES, Line, line_of, line_text, stage_label
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.rig.state import Setup
from labkit.app.kit.rig.structure import RigName, normal_name, read_name
from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.rig.rewiring import has_coils
from labkit.rig.rig import Rig

WIRING, BUFFER, ADD, TAKE_OUT = "rig.wiring", "rig.buffer", "rig.add", "rig.take_out"
REBUILDING = (WIRING, BUFFER, ADD, TAKE_OUT)
NOTHING = "nothing"
_NO_BUFFER, _BUFFER = NOTHING, "a buffer"


def with_rebuilding(offered: ControlSet, rig: Rig) -> ControlSet:
    """Return the controls of a rig with those that rebuild it, each in its group."""
    names = catalogue().usable_names("harness")
    own = rig.harness.name
    wiring = Control(
        key=WIRING, label="Wiring", kind="choice", positions=names if own in names else (own, *names), note="wiring"
    )
    groups = {group.title: group for group in offered.groups}
    instrument = groups[INSTRUMENT]
    first, *others = instrument.controls
    groups[INSTRUMENT] = replace(instrument, controls=(first, wiring, *others), note=rig.harness.summary)
    behind = groups.pop(BEHIND_THE_JACK, Group(title=BEHIND_THE_JACK, controls=()))
    groups[BEHIND_THE_JACK] = replace(behind, controls=(*behind.controls, *_line_controls(rig)))
    return ControlSet(tuple(groups.values()))


def rebuilding_values(rig: Rig) -> dict[str, Value]:
    """Return where these controls stand."""
    buffered = line_of(rig)[:1] == ("buffer",)
    return {WIRING: rig.harness.name, BUFFER: _BUFFER if buffered else _NO_BUFFER, ADD: NOTHING, TAKE_OUT: NOTHING}


def rebuilt(offers: RigOffers, setup: Setup, key: str, value: Value) -> Setup:
    """Return a setup with one of these controls moved.

    Raises
    ------
    InputError
        If the wiring cannot be filled with pickups, or the line would become too long.
    """
    name, rig = read_name(setup.rig), offers.base(setup.rig)
    if key == WIRING:
        return _on(offers, setup, replace(name, wiring=str(value)), range(len(rig.chain)))
    line = line_of(rig)
    kept: list[int | None] = list(range(len(rig.chain)))
    if key == BUFFER:
        if (value == _BUFFER) == (line[:1] == ("buffer",)):
            return setup
        line, kept = (("buffer", *line), [None, *kept]) if value == _BUFFER else (line[1:], kept[1:])
    elif key == ADD and value in ADDED:
        kept.insert(len(line), None)
        line = (*line, str(value))
    elif key == TAKE_OUT and value != NOTHING:
        place = [stage.name for stage in rig.chain].index(str(value))
        line = line[:place] + line[place + 1 :]
        del kept[place]
    else:
        return setup
    if len(line) > MOST_STAGES:
        raise InputError(f"a line holds at most {MOST_STAGES} stages here; take one out first")
    return _on(offers, setup, replace(name, line=line_text(line)), kept)


def _on(offers: RigOffers, setup: Setup, name: RigName, kept: object) -> Setup:
    """Carry a setup over; ``kept`` holds, for every stage of the new line, its place in the old one or None."""
    before = offers.base(setup.rig)
    asked = normal_name(offers.plain(setup.rig), name).text
    after = offers.base(asked)
    renamed = {
        before.chain[place].name: stage.name
        for stage, place in zip(after.chain, kept)  # type: ignore[call-overload]
        if place is not None
    }
    carried = offers.carried(setup, asked, renamed)
    fitting = {
        key: value
        for key, value in carried.changes
        if key not in after.harness.slots or has_coils(chosen_pickup(str(value)), after.harness, key)
    }
    return offers.offer(asked).setup(asked, fitting)


def _line_controls(rig: Rig) -> tuple[Control, ...]:
    line: Line = line_of(rig)
    stages = rig.chain[: len(line)]
    buffer = Control(
        key=BUFFER,
        label="Buffer in the guitar",
        kind="switch",
        positions=(_NO_BUFFER, _BUFFER),
        names=("no buffer", "buffered"),
    )
    add = Control(
        key=ADD,
        label="Pedal before the amp",
        kind="choice",
        positions=(NOTHING, *ADDED),
        names=("straight in", *ADDED.values()),
    )
    names = tuple(stage.name for stage in stages)
    labels = tuple(stage_label(name).lower() for name in names)
    take_out = Control(
        key=TAKE_OUT, label="Disconnect", kind="choice", positions=(NOTHING, *names), names=("all connected", *labels)
    )
    return (buffer, add, take_out) if names else (buffer, add)
