"""All controls of the winding page, in their order: pickup, build sheet, winder's questions, the rig it is tried in."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from labkit.app.kit.controls import Control, ControlSet, Group
from labkit.app.kit.pickup.made import MadePickup, catalogue_keys, read_text
from labkit.app.kit.pickup.sheet_control import SheetControls
from labkit.app.kit.rig.controls import words
from labkit.app.pages.winding.controls import coil_names, sheet_controls, start_control
from labkit.app.pages.winding.tools import TOOL_CONTROLS
from labkit.app.pages.winding.trial import Trials, WindingState

IN_RIG = "in."
"""Keys of controls that are the rig's begin so."""


def panel_controls(trials: Trials, state: WindingState) -> ControlSet:
    """Return the page's controls in a state."""
    made = read_text(trials.text_of(state.rig.setup, state.slot))
    coils = coil_names(made.sheet)
    first = [start_control(made.base)]
    if len(coils) > 1:
        first.append(Control(key="coil", label="Coil looked at", kind="switch", positions=coils))
    tools = Group(title="At the winder", controls=TOOL_CONTROLS, note="Answers stand under the drawing.")
    pickup = Group(title="Pickup", controls=tuple(first))
    return ControlSet((pickup, *controls_of(made, state.coil).control_groups, tools, _rig_group(trials, state)))


@lru_cache(maxsize=32)
def controls_of(made: MadePickup, coil: str) -> SheetControls:
    """Return the controls over a pickup's own sheet."""
    return sheet_controls(made.sheet, coil, catalogue_keys(made.base) if made.base else made.sheet)


def _rig_group(trials: Trials, state: WindingState) -> Group:
    offered = trials.offers.offer(state.rig.setup.rig).controls
    slots = trials.offers.base(state.rig.setup.rig).harness.slots
    shown = [replace(offered["rig"], key=f"{IN_RIG}rig", label="Tried in")]
    if len(slots) > 1:
        shown.append(
            Control(
                key=f"{IN_RIG}slot",
                label="In place of the pickup at",
                kind="switch",
                positions=slots,
                names=tuple(words(slot) for slot in slots),
            )
        )
    for group in offered.groups:
        if group.title == "Knobs and switches":
            shown += [replace(item, key=IN_RIG + item.key) for item in group.controls if item.kind != "slider"]
    return Group(title="The rig", controls=tuple(shown), note="Knobs, parts and cable are set on the Rig page.")
