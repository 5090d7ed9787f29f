"""The listening test page without widgets: what is compared, where the test stands, what the page says."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Literal

from labkit.app.controls import Control, ControlSet, Group, Value
from labkit.app.history import History
from labkit.app.listening import take_names
from labkit.app.listening_test_run import (
    ListeningRun,
    Record,
    make_sounds,
    now_text,
    read_record,
    take_up,
)
from labkit.app.listening_test_seal import Seal, new_number
from labkit.app.listening_test_state import (
    LISTED_TRIALS,
    ComparisonState,
    changed_setup,
    differing,
    open_state,
    pins_of,
    usual_change,
    write_state,
)
from labkit.app.rig_offers import RigOffers
from labkit.app.rig_state import RigState, Setup
from labkit.core.errors import InputError
from labkit.rig.rig import Rig
from labkit.sound.abx import MOST_TRIALS, RECOMMENDED_TRIALS, passing_count

Stage = Literal["choose", "practice", "trial", "answered", "result"]

ONE_PART = "The same with one part changed"
CHANGED = "changed"
"""Key of the control that sets the changed part of the second rig."""


class ListeningBench:
    """Two rigs to be told apart, and the test of it.

    Parameters
    ----------
    rig : Rig, optional
        What to start with; the first rig of the catalogue by default.
    query : str
        State from an address.
    seal : Seal, optional
    clock : callable
        Seconds, rising, for the steps of undo; given by tests.
    stamp : callable
        Time of an answer as text; given by tests.
    """

    def __init__(
        self,
        rig: Rig | None = None,
        *,
        query: str = "",
        seal: Seal | None = None,
        clock: Callable[[], float] = time.monotonic,
        stamp: Callable[[], str] = now_text,
    ) -> None:
        self._rigs = RigOffers(rig)
        self._clock = clock
        self._stamp = stamp
        self.takes = take_names()
        self.seal = seal or Seal()
        self.errors: dict[str, str] = {}
        self.problems: tuple[str, ...] = ()
        self.run: ListeningRun | None = None
        self.result: dict[str, Any] | None = None
        self.stage: Stage = "choose"
        self.kept: Record | None = None
        self._history: History[ComparisonState]
        self.open(query)

    # what is compared

    @property
    def state(self) -> ComparisonState:
        """The present comparison."""
        return self._history.state

    @property
    def query(self) -> str:
        """The present comparison for an address."""
        return write_state(self._rigs, self.state, self.takes)

    @property
    def can_undo(self) -> bool:
        """True where there is a step back."""
        return self._history.can_undo

    @property
    def can_redo(self) -> bool:
        """True where there is a step forward."""
        return self._history.can_redo

    @property
    def names(self) -> tuple[str, str]:
        """What the two rigs are called: what sets them apart, or their names."""
        first, second = self.state.first, self.state.second
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

    @property
    def common(self) -> str:
        """The rig that both share, with what was changed in both; empty where they are two rigs."""
        first, second = self.state.first, self.state.second
        if first.rig != second.rig:
            return ""
        apart = {control.key for control in differing(self._rigs, first, second)}
        shared = Setup(rig=first.rig, changes=tuple(change for change in first.changes if change[0] not in apart))
        return self._in_words(shared)

    @property
    def controls(self) -> ControlSet:
        """The controls of the present comparison."""
        state = self.state
        rigs = [Control(key="rig", label="First rig", kind="choice", positions=self._rigs.rigs)]
        rigs.append(Control(key="against", label="Second rig", kind="choice", positions=tuple(self._seconds())))
        note = ""
        if state.first.changes:
            note = f"First rig with {self._changes_in_words(state.first)}. Change it on the Rig page."
        if self._against == ONE_PART:
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
        counts = tuple(sorted({*LISTED_TRIALS, state.trials}))
        test = (
            Control(key="take", label="Played", kind="choice", positions=self.takes),
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

    @property
    def values(self) -> dict[str, Value]:
        """Where every control stands."""
        state = self.state
        values: dict[str, Value] = {
            "rig": state.first.rig,
            "against": self._against,
            "take": state.take,
            "trials": str(state.trials),
        }
        if self._against == ONE_PART:
            values["part"] = state.part
            values[CHANGED] = self._rigs.values(state.second)[state.part]
        return values

    def set_index(self, key: str, index: int) -> None:
        """Move a control to one of its positions; what lies beyond the last one stops there."""
        control = self.controls[key]
        place = min(max(int(index), 0), len(control.positions) - 1)
        self._move(key, control.positions[place])

    def set_text(self, key: str, text: str) -> None:
        """Move a control to a typed value; a text that cannot be used becomes an error beside the control."""
        try:
            value = self.controls[key].read(text)
        except InputError as error:
            self.errors = {**self.errors, key: str(error)}
            return
        self._move(key, value)

    def undo(self) -> None:
        """Take the last step back."""
        self._history.undo()
        self.errors = {}

    def redo(self) -> None:
        """Take it again."""
        self._history.redo()
        self.errors = {}

    def start_again(self) -> None:
        """Go back to the comparison that the page opens with; can be undone."""
        state, _ = open_state(self._rigs, "", self.takes)
        self._history.move(state)
        self.errors = {}

    def open(self, query: str) -> None:
        """Start from the state of an address; `problems` then says what of it could not be used."""
        state, problems = open_state(self._rigs, query, self.takes)
        try:
            self._rigs.rig(state.first)
            self._rigs.rig(state.second)
        except InputError as error:
            state, _ = open_state(self._rigs, "", self.takes)
            problems = (f"The link does not make a rig: {error}",)
        self.problems = problems
        self._history = History(state, clock=self._clock)
        self.errors = {}

    # the test

    def prepare(self) -> None:
        """Make the sounds and seal a plan; a comparison that cannot be made becomes an error beside the second rig."""
        try:
            self.run = self._make_run(new_number(), self.state)
        except InputError as error:
            self.errors = {**self.errors, "against": str(error)}
            return
        self.errors = {}
        self.kept = None
        self.result = None
        self.stage = "practice"

    def begin(self) -> None:
        """Leave practice for the first trial (or the one the test stopped at)."""
        if self.run is not None and self.stage == "practice":
            self.stage = "answered" if self.run.is_answered else "trial"

    def practise(self) -> None:
        """Go back to practice; answers given so far stay."""
        if self.run is not None and self.stage == "trial":
            self.stage = "practice"

    def answer(self, choice: str, trial: int) -> None:
        """Answer the present trial."""
        if self.run is None or self.stage != "trial":
            return
        self.run.answer(choice, trial=trial)
        if self.run.is_answered:
            self.stage = "answered"

    def take_back(self) -> None:
        """Take the last answer back."""
        if self.run is not None and self.stage in ("trial", "answered") and self.run.answers:
            self.run.take_back()
            self.stage = "trial"

    def finish(self) -> None:
        """Open the seal."""
        if self.run is not None and self.stage in ("trial", "answered") and self.run.answers:
            self.result = self.run.open_result()
            self.stage = "result"

    def leave(self) -> None:
        """Drop the test and choose again."""
        self.run = None
        self.result = None
        self.kept = None
        self.stage = "choose"

    def found(self, text: str) -> None:
        """Note a test that the browser kept, so that it can be offered; one that cannot be read is dropped."""
        if self.run is not None:
            return
        try:
            self.kept = read_record(text)
        except InputError:
            self.kept = None

    def resume(self, text: str | None = None) -> None:
        """Go on with a kept test: the one found in the browser, or the text of a saved file.

        Raises
        ------
        InputError
            If it cannot go on, with the reason.
        """
        record = self.kept if text is None else read_record(text)
        if record is None:
            return
        state, problems = open_state(self._rigs, record.query, self.takes)
        if problems:
            raise InputError(f"the kept test cannot go on: {problems[0]}")
        before = self._history
        self._history = History(replace(state, trials=record.trials), clock=self._clock)
        try:
            run = self._make_run(record.number, self.state)
            take_up(run, record, self.seal)
        except InputError:
            self._history = before
            raise
        self.run, self.kept, self.result = run, None, None
        self.stage = "answered" if run.is_answered else "trial"
        if self.seal.is_opened(record.number):
            self.finish()

    # words

    @property
    def needed(self) -> str:
        """What a score has to reach, in words."""
        count = self.state.trials if self.run is None else self.run.trials
        needed = passing_count(count)
        if needed is None:
            return f"With {count} trials no score can pass the 5 % line; plan more."
        return f"Somebody who only guesses gets {needed} or more of {count} right in at most 5 % of such tests."

    @property
    def offer_of_kept(self) -> str:
        """What to say of a test that the browser kept; empty where there is none."""
        if self.kept is None:
            return ""
        one, other = self.kept.rigs
        state = (
            "its result is open" if self.kept.is_opened else f"{len(self.kept.answers)} of {self.kept.trials} answered"
        )
        return f"This browser keeps a listening test: {one} against {other}, {state}."

    def _make_run(self, number: str, state: ComparisonState) -> ListeningRun:
        if state.first == state.second:
            raise InputError("Both rigs are the same; change a part of the second, or choose another.")
        sounds = make_sounds(self._rigs.rig(state.first), self._rigs.rig(state.second), state.take)
        return ListeningRun(
            number,
            names=self.names,
            sounds=sounds,
            trials=state.trials,
            query=self.query,
            seal=self.seal,
            clock=self._stamp,
        )

    @property
    def _against(self) -> str:
        """Which entry of the second rig's list the state stands for."""
        first, second = self.state.first, self.state.second
        if first.rig == second.rig and len(differing(self._rigs, first, second)) <= 1:
            return ONE_PART
        return second.rig if not second.changes else self._pinned(second)

    def _seconds(self) -> list[str]:
        state = self.state
        names = [ONE_PART]
        names += [self._pinned(pin.setup) for pin in state.rig.pins if self._is_pin(pin.setup)]
        names += [name for name in self._rigs.rigs if name != state.first.rig or state.first.changes]
        return list(dict.fromkeys([*names, self._against]))

    def _is_pin(self, setup: Setup) -> bool:
        """Pins that the list does not hold under another entry already."""
        first = self.state.first
        if setup == self.state.second and self._against == ONE_PART:
            return False
        return setup != first and bool(setup.changes or setup.rig == first.rig)

    def _pinned(self, setup: Setup) -> str:
        first = self.state.first
        if setup.rig == first.rig:
            values = self._rigs.values(setup)
            apart = differing(self._rigs, first, setup)
            text = ", ".join(f"{control.label} {control.text(values[control.key])}" for control in apart)
        else:
            text = self._in_words(setup)
        return f"Pinned: {text}"

    def _in_words(self, setup: Setup) -> str:
        changes = self._changes_in_words(setup)
        return f"{setup.rig} with {changes}" if changes else setup.rig

    def _changes_in_words(self, setup: Setup) -> str:
        controls = self._rigs.offer(setup.rig).controls
        return ", ".join(f"{controls[key].label} {controls[key].text(value)}" for key, value in setup.changes)

    def _move(self, key: str, value: Value) -> None:
        try:
            state = self._moved(key, value)
            self._rigs.rig(state.first)
            self._rigs.rig(state.second)
        except InputError as error:
            self.errors = {**self.errors, key: str(error)}
            return
        self.errors = {name: text for name, text in self.errors.items() if name not in (key, "against")}
        self._history.move(state, key)

    def _moved(self, key: str, value: Value) -> ComparisonState:
        state = self.state
        is_made_here = self._against == ONE_PART or not state.second.changes
        if key == "take":
            return replace(state, take=str(value))
        if key == "trials":
            return replace(state, trials=min(max(int(value), 1), MOST_TRIALS))
        if key == "rig":
            first = Setup(rig=str(value))
            part, other = usual_change(self._rigs, first)
            setups = [pin.setup for pin in state.rig.pins[1 if is_made_here else 0 :]]
            setups = [changed_setup(self._rigs, first, part, other), *setups][:3]
            return replace(state, rig=RigState(setup=first, pins=pins_of(setups)), part=part)
        if key == "part":
            part, other = usual_change(self._rigs, state.first, str(value))
            return state.with_second(changed_setup(self._rigs, state.first, part, other), part=part, keep=False)
        if key == CHANGED:
            return state.with_second(changed_setup(self._rigs, state.first, state.part, value), keep=False)
        if value == self._against:
            return state
        if value == ONE_PART:
            part, other = usual_change(self._rigs, state.first)
            return state.with_second(
                changed_setup(self._rigs, state.first, part, other), part=part, keep=not is_made_here
            )
        for pin in state.rig.pins:
            if self._pinned(pin.setup) == value:
                return state.with_second(pin.setup, keep=not is_made_here)
        return state.with_second(Setup(rig=str(value)), keep=not is_made_here)
