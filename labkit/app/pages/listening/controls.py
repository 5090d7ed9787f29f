"""What can be chosen on the listening test page, what a choice makes of it, and what the two rigs are called."""

from __future__ import annotations

from dataclasses import replace

from labkit.app.kit.controls import Control, ControlSet, Group, Value
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.rig.state import MOST_PINS, RigState, Setup
from labkit.app.pages.listening.compared import (
    LISTED_TRIALS,
    Comparison,
    changed_setup,
    differing,
    pins_of,
    usual_change,
)
from labkit.sound.blind.abx import MOST_TRIALS, RECOMMENDED_TRIALS

ONE_PART = "Same, one part changed"
CHANGED = "changed"
"""Key of the control that sets the changed part of the second rig."""


class ComparisonChoice:
    """Controls over a comparison.

    Parameters
    ----------
    rigs : RigOffers
    takes : tuple of str
        Takes to choose from.
    """

    def __init__(self, rigs: RigOffers, takes: tuple[str, ...]) -> None:
        self._rigs = rigs
        self._takes = takes

    def controls(self, state: Comparison) -> ControlSet:
        """Return the controls of a comparison."""
        rigs = [
            Control(key="rig", label="First rig", kind="choice", positions=self._rigs.rigs),
            Control(key="against", label="Second rig", kind="choice", positions=tuple(self._seconds(state))),
        ]
        if self.against(state) == ONE_PART:
            offered = [control for control in self._rigs.offer(state.first.rig).controls if control.key != "rig"]
            rigs.append(
                Control(
                    key="part",
                    label="Changed part",
                    kind="choice",
                    positions=tuple(control.key for control in offered),
                    names=tuple(control.label for control in offered),
                )
            )
            changed = self._rigs.offer(state.first.rig).controls[state.part]
            rigs.append(replace(changed, key=CHANGED, label=f"{changed.label} of the second"))
        note = ""
        if state.first.changes:
            note = f"First rig with {self._changes_in_words(state.first)}. Change it on the Rig page."
        counts = tuple(sorted({*LISTED_TRIALS, state.trials}))
        test = (
            Control(key="take", label="Played", kind="choice", positions=self._takes),
            Control(
                key="trials",
                label="Trials",
                kind="choice",
                positions=tuple(map(str, counts)),
                names=tuple(f"{count}, recommended" if count == RECOMMENDED_TRIALS else str(count) for count in counts),
            ),
        )
        few = f"Fewer than {RECOMMENDED_TRIALS} trials easily miss a true difference."
        return ControlSet(
            (
                Group(title="The two rigs", controls=tuple(rigs), note=note),
                Group(title="The test", controls=test, note=few if state.trials < RECOMMENDED_TRIALS else ""),
            )
        )

    def values(self, state: Comparison) -> dict[str, Value]:
        """Return where every control stands."""
        values: dict[str, Value] = {
            "rig": state.first.rig,
            "against": self.against(state),
            "take": state.take,
            "trials": str(state.trials),
        }
        if values["against"] == ONE_PART:
            values["part"] = state.part
            values[CHANGED] = self._rigs.values(state.second)[state.part]
        return values

    def moved(self, state: Comparison, key: str, value: Value) -> Comparison:
        """Return the comparison with a control moved."""
        present = self.against(state)
        is_made_here = present == ONE_PART or not state.second.changes
        if key == "take":
            return replace(state, take=str(value))
        if key == "trials":
            return replace(state, trials=min(max(int(value), 1), MOST_TRIALS))
        if key == "rig":
            first = Setup(rig=str(value))
            part, other = usual_change(self._rigs, first)
            kept = [pin.setup for pin in state.rig.pins[1 if is_made_here else 0 :]]
            setups = [changed_setup(self._rigs, first, part, other), *kept][:MOST_PINS]
            return replace(state, rig=RigState(setup=first, pins=pins_of(setups)), part=part)
        if key == "part":
            return self._with_part(state, str(value), keep=False)
        if key == CHANGED:
            return state.with_second(changed_setup(self._rigs, state.first, state.part, value), keep=False)
        if value == present:
            return state
        if value == ONE_PART:
            return self._with_part(state, None, keep=not is_made_here)
        for pin in state.rig.pins:
            if self._pinned(state, pin.setup) == value:
                return state.with_second(pin.setup, keep=not is_made_here)
        return state.with_second(Setup(rig=str(value)), keep=not is_made_here)

    def against(self, state: Comparison) -> str:
        """Return the entry of the second rig's list that a comparison stands for."""
        first, second = state.first, state.second
        if first.rig == second.rig and len(differing(self._rigs, first, second)) <= 1:
            return ONE_PART
        return self._pinned(state, second) if second.changes or second.rig == first.rig else second.rig

    def names(self, state: Comparison) -> tuple[str, str]:
        """Return what to call the two rigs: what sets them apart, or their names."""
        first, second = state.first, state.second
        if first.rig != second.rig:
            return self._in_words(first), self._in_words(second)
        apart = differing(self._rigs, first, second)
        if not apart:
            return self._in_words(first), "the same"
        one, other = self._rigs.values(first), self._rigs.values(second)
        return (
            ", ".join(f"{control.label} {control.text(one[control.key])}" for control in apart),
            ", ".join(f"{control.label} {control.text(other[control.key])}" for control in apart),
        )

    def common(self, state: Comparison) -> str:
        """Return the rig that both share, with what was changed in both; empty where they are two rigs."""
        first, second = state.first, state.second
        if first.rig != second.rig:
            return ""
        apart = {control.key for control in differing(self._rigs, first, second)}
        return self._in_words(
            Setup(rig=first.rig, changes=tuple(change for change in first.changes if change[0] not in apart))
        )

    def _with_part(self, state: Comparison, part: str | None, *, keep: bool) -> Comparison:
        part, other = usual_change(self._rigs, state.first, part)
        return state.with_second(changed_setup(self._rigs, state.first, part, other), part=part, keep=keep)

    def _seconds(self, state: Comparison) -> list[str]:
        names = [ONE_PART]
        names += [self._pinned(state, pin.setup) for pin in state.rig.pins if self._is_pin(state, pin.setup)]
        names += [name for name in self._rigs.rigs if name != state.first.rig]
        return list(dict.fromkeys([*names, self.against(state)]))

    def _is_pin(self, state: Comparison, setup: Setup) -> bool:
        """Pins that the list does not hold under another entry already."""
        if setup == state.second and self.against(state) == ONE_PART:
            return False
        return setup != state.first and bool(setup.changes or setup.rig == state.first.rig)

    def _pinned(self, state: Comparison, setup: Setup) -> str:
        if setup.rig != state.first.rig:
            return f"Pinned: {self._in_words(setup)}"
        values = self._rigs.values(setup)
        apart = differing(self._rigs, state.first, setup)
        return "Pinned: " + ", ".join(f"{control.label} {control.text(values[control.key])}" for control in apart)

    def _in_words(self, setup: Setup) -> str:
        changes = self._changes_in_words(setup)
        return f"{setup.rig} with {changes}" if changes else setup.rig

    def _changes_in_words(self, setup: Setup) -> str:
        controls = self._rigs.offer(setup.rig).controls
        return ", ".join(f"{controls[key].label} {controls[key].text(value)}" for key, value in setup.changes)
