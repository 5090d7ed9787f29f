"""What a listening test compares, how the address says it, and the controls that choose it.

The two setups are the present rig and the first pin of the rig page's own address, so that a pinned rig arrives here
ready to be compared, and goes back the same way.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from labkit.app.kit.controls import Control, ControlSet, Group, Value
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.rig.state import (
    MOST_PINS,
    RigState,
    Setup,
    join_query,
    pins_of,
    read_query,
    split_query,
    write_query,
)
from labkit.sound.blind.abx import MOST_TRIALS, RECOMMENDED_TRIALS

LISTED_TRIALS = (8, 12, RECOMMENDED_TRIALS, 20, 24, 32)
USUAL_PARTS: tuple[tuple[str, Value], ...] = (
    ("cable.length", 10.0),
    ("volume.value", 500e3),
    ("tone_capacitor", 47e-9),
)
"""What the second rig differs in to begin with: the first of these that the rig has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Everything a test is made from.

    Attributes
    ----------
    rig : RigState
        The first rig as the present setup, the second as the first pin; further pins wait to be chosen.
    part : str
        Control whose change makes the second rig, where one does.
    take : str
    trials : int
    """

    rig: RigState
    part: str
    take: str
    trials: int = RECOMMENDED_TRIALS

    @property
    def first(self) -> Setup:
        """The first rig."""
        return self.rig.setup

    @property
    def second(self) -> Setup:
        """The second rig."""
        return self.rig.pins[0].setup

    def with_second(self, setup: Setup, *, part: str | None = None, keep: bool) -> Comparison:
        """Return the state with another second rig; ``keep`` leaves the present one among the pins."""
        kept = [pin.setup for pin in self.rig.pins[0 if keep else 1 :]]
        setups = [setup, *(other for other in kept if other != setup)][:MOST_PINS]
        return Comparison(
            rig=RigState(setup=self.first, pins=pins_of(setups)),
            part=self.part if part is None else part,
            take=self.take,
            trials=self.trials,
        )


def changed_setup(rigs: RigOffers, setup: Setup, part: str, value: Value) -> Setup:
    """Return a setup with one control moved."""
    return rigs.offer(setup.rig).setup(setup.rig, {**rigs.values(setup), part: value})


def differing(rigs: RigOffers, first: Setup, second: Setup) -> tuple[Control, ...]:
    """Return the controls that stand differently in two setups of one rig."""
    offer = rigs.offer(first.rig)
    one, other = {**offer.defaults, **dict(first.changes)}, {**offer.defaults, **dict(second.changes)}
    return tuple(
        control for control in offer.controls if control.key != "rig" and one[control.key] != other[control.key]
    )


def usual_change(rigs: RigOffers, setup: Setup, part: str | None = None) -> tuple[str, Value]:
    """Return a control and a value for it that differ plainly from a setup; a usual one where none is given."""
    offer, now = rigs.offer(setup.rig), rigs.values(setup)
    if part is None:
        for key, value in USUAL_PARTS:
            if key in offer.controls:
                return key, value if now[key] != value else _elsewhere(offer.controls[key], now[key])
        part = next(control.key for control in offer.controls if control.key != "rig")
    usual = dict(USUAL_PARTS).get(part)
    if usual is not None and usual != now[part]:
        return part, usual
    return part, _elsewhere(offer.controls[part], now[part])


def _elsewhere(control: Control, value: Value) -> Value:
    """A position well away from a value; the value itself where the control has only one."""
    count, place = len(control.positions), control.index(value)
    if control.kind == "slider":
        return control.positions[(3 * count) // 4 if place < count // 2 else count // 4]
    return control.positions[(place + 1) % count]


def read_comparison(rigs: RigOffers, query: str, takes: tuple[str, ...]) -> tuple[Comparison, tuple[str, ...]]:
    """Return the comparison that an address asks for, and a sentence for each part of it that could not be used."""
    rig_query, own = split_query(query)
    rig, problems = read_query(rig_query, default_rig=rigs.default_rig, offer=rigs.offer)
    found = list(problems)
    take, trials = takes[0], RECOMMENDED_TRIALS
    for name, text in own.items():
        if name == "take":
            if text in takes:
                take = text
            else:
                found.append(f"There is no take '{text[:40]}' here; the usual one is played.")
        elif name == "trials":
            if text.isascii() and text.isdigit() and len(text) < 6:
                trials = min(max(int(text), 1), MOST_TRIALS)
            else:
                found.append(f"'{text[:24]}' is no number of trials; {RECOMMENDED_TRIALS} are planned.")
        elif name != "part":
            found.append(f"This page has no '{name[:40]}'; that part of the link is left out.")
    part, value = usual_change(rigs, rig.setup)
    asked = own.get("part", "")
    if asked in rigs.offer(rig.setup.rig).controls and asked != "rig":
        part, value = usual_change(rigs, rig.setup, asked)
    if not rig.pins:
        rig = RigState(setup=rig.setup, pins=pins_of([changed_setup(rigs, rig.setup, part, value)]))
    first, second = rig.setup, rig.pins[0].setup
    if first.rig == second.rig and len(apart := differing(rigs, first, second)) == 1:
        part = apart[0].key
    return Comparison(rig=rig, part=part, take=take, trials=trials), tuple(found)


def write_comparison(rigs: RigOffers, state: Comparison, takes: tuple[str, ...]) -> str:
    """Return a comparison as the query of an address: empty for the one the page opens with."""
    fresh, _ = read_comparison(rigs, "", takes)
    if state == fresh:
        return ""
    own: dict[str, str] = {}
    if state.take != takes[0]:
        own["take"] = state.take
    if state.trials != RECOMMENDED_TRIALS:
        own["trials"] = str(state.trials)
    if state.first == state.second:
        own["part"] = state.part
    return join_query(write_query(state.rig, default_rig=rigs.default_rig, offer=rigs.offer), own)


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
            return f"Kept: {self._in_words(setup)}"
        values = self._rigs.values(setup)
        apart = differing(self._rigs, state.first, setup)
        return "Kept: " + ", ".join(f"{control.label} {control.text(values[control.key])}" for control in apart)

    def _in_words(self, setup: Setup) -> str:
        changes = self._changes_in_words(setup)
        return f"{setup.rig} with {changes}" if changes else setup.rig

    def _changes_in_words(self, setup: Setup) -> str:
        controls = self._rigs.offer(setup.rig).controls
        return ", ".join(f"{controls[key].label} {controls[key].text(value)}" for key, value in setup.changes)
