"""The listening test page without widgets: what is compared, where the test stands, what the page says."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from typing import Any, Literal

from labkit.app.kit.controls import ControlSet, Value
from labkit.app.kit.page_state import GRID, History, PageState
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.rig.state import Setup
from labkit.app.kit.sound import take_names
from labkit.app.pages.listening.controls import Comparison, ComparisonChoice, read_comparison, write_comparison
from labkit.app.pages.listening.run import (
    ListeningRun,
    Record,
    Sounds,
    make_sounds,
    now_text,
    read_record,
    take_up,
)
from labkit.app.pages.listening.seal import Seal, new_number
from labkit.core.errors import InputError
from labkit.core.response import gain_db
from labkit.rig.rig import Rig
from labkit.sound.blind.abx import passing_count
from labkit.sound.render.string_drive import level_change
from labkit.view.curve.curve import Curve, draw_curves
from labkit.view.palette import NOW, PINS
from labkit.view.words import key_numbers, louder_in_words, read_response, sentence

Stage = Literal["choose", "practice", "trial", "answered", "result"]


class ListeningPageState(PageState[Comparison]):
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
        self.offers = RigOffers(rig)
        self._rig_of: Callable[[Setup], Rig] = lru_cache(maxsize=16)(self.offers.rig)
        self._stamp = stamp
        self.takes = take_names()
        self._choice = ComparisonChoice(self.offers, self.takes)
        self.seal = seal or Seal()
        self.run: ListeningRun | None = None
        self.result: dict[str, Any] | None = None
        self.stage: Stage = "choose"
        self.kept: Record | None = None
        super().__init__(read_comparison(self.offers, "", self.takes)[0], clock)
        self.open(query)

    # what is compared

    @property
    def query(self) -> str:
        """The present comparison for an address."""
        return write_comparison(self.offers, self.snapshot, self.takes)

    @property
    def is_changed(self) -> bool:
        """True where the comparison is another than the page opens with."""
        return bool(self.query)

    @property
    def rigs(self) -> tuple[Rig, Rig]:
        """The two rigs."""
        return self._rig_of(self.snapshot.first), self._rig_of(self.snapshot.second)

    @property
    def names(self) -> tuple[str, str]:
        """What the two rigs are called."""
        return self._choice.names(self.snapshot)

    @property
    def common(self) -> str:
        """The rig that both share; empty where they are two rigs."""
        return self._choice.common(self.snapshot)

    @property
    def controls(self) -> ControlSet:
        """The controls of the present comparison."""
        return self._choice.controls(self.snapshot)

    @property
    def values(self) -> dict[str, Value]:
        """Where every control stands."""
        return self._choice.values(self.snapshot)

    def start_again(self) -> None:
        """Go back to the comparison that the page opens with; can be undone."""
        state, _ = read_comparison(self.offers, "", self.takes)
        self._step(state)

    def open(self, query: str) -> None:
        """Start from the state of an address; `problems` then says what of it could not be used."""
        state, problems = read_comparison(self.offers, query, self.takes)
        try:
            self.offers.rig(state.first)
            self.offers.rig(state.second)
        except InputError as error:
            state, _ = read_comparison(self.offers, "", self.takes)
            problems = (f"The link does not make a rig: {error}",)
        self.problems = problems
        self._start_from(state)

    def draw(self, width: int) -> str:
        """Return the drawing of both rigs' curves, SVG, for a width in CSS pixels."""
        first, second = (self.offers.rig(setup).response(GRID) for setup in (self.snapshot.first, self.snapshot.second))
        one, other = self.names
        styles = ((first, f"A {one}", NOW), (second, f"B {other}", PINS[0]))
        curves = [
            Curve(
                frequency_hz=GRID,
                gain_db=gain_db(response.values),
                label=label,
                brief=label[:1],
                style=style,
                reading=read_response(response),
            )
            for response, label, style in styles
        ]
        readings = " ".join(
            f"{curve.label}: {sentence(key_numbers(curve.reading))}" for curve in curves if curve.reading is not None
        )
        title = f"{one} against {other}"
        return draw_curves(curves, title=title, description=readings, width=width, compares=True)

    # the test

    def needed_sounds(self) -> tuple[Rig, Rig, str]:
        """Return what `make_sounds` is to be given for the present comparison.

        Raises
        ------
        InputError
            If both rigs are the same.
        """
        return self._needed(self.snapshot)

    def prepare(self, sounds: Sounds | None = None) -> None:
        """Make the sounds, unless they are given, and seal a plan.

        A comparison that cannot be made becomes an error beside the second rig.
        """
        try:
            self.run = self._make_run(new_number(), self.snapshot, sounds)
        except InputError as error:
            self.refuse(error)
            return
        self.errors = {}
        self.kept = None
        self.result = None
        self.stage = "practice"

    def refuse(self, error: InputError) -> None:
        """Say beside the second rig why the comparison cannot be made."""
        self._blame("against", error)

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

    def needed_to_resume(self, text: str | None = None) -> tuple[Rig, Rig, str] | None:
        """Return what `make_sounds` is to be given for a kept test; None where there is none.

        Raises
        ------
        InputError
            If it cannot go on, with the reason.
        """
        found = self._kept_state(text)
        return None if found is None else self._needed(found[1])

    def resume(self, text: str | None = None, sounds: Sounds | None = None) -> None:
        """Go on with a kept test: the one found in the browser, or the text of a saved file.

        Its sounds are made, unless they are given.

        Raises
        ------
        InputError
            If it cannot go on, with the reason.
        """
        found = self._kept_state(text)
        if found is None:
            return
        record, state = found
        before = self._history
        self._history = History(replace(state, trials=record.trials), clock=self._clock)
        try:
            run = self._make_run(record.number, self.snapshot, sounds)
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
    def level(self) -> str:
        """How loud the second is against the first, which the test takes away."""
        first, second = self.offers.rig(self.snapshot.first), self.offers.rig(self.snapshot.second)
        change = level_change(first, second)
        if change.is_silent:
            return "Nothing of one of them reaches the input."
        words = louder_in_words(change.level_db.interval)
        level, bracket, bounds = words.partition(" (")
        than = "as" if level == "as loud" else "than"
        said = f"As the strings drive them, the second is {level} {than} the first{bracket}{bounds}"
        return f"{said}{f', {change.words}' if change.words else ''}; the test takes that away."

    @property
    def needed(self) -> str:
        """What a score has to reach, in words."""
        count = self.snapshot.trials if self.run is None else self.run.trials
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

    def _kept_state(self, text: str | None) -> tuple[Record, Comparison] | None:
        record = self.kept if text is None else read_record(text)
        if record is None:
            return None
        state, problems = read_comparison(self.offers, record.query, self.takes)
        if problems:
            raise InputError(f"the kept test cannot go on: {problems[0]}")
        return record, state

    def _needed(self, state: Comparison) -> tuple[Rig, Rig, str]:
        if state.first == state.second:
            raise InputError("Both rigs are the same; change a part of the second, or choose another.")
        return self.offers.rig(state.first), self.offers.rig(state.second), state.take

    def _make_run(self, number: str, state: Comparison, sounds: Sounds | None) -> ListeningRun:
        needed = self._needed(state)
        sounds = sounds or make_sounds(*needed)
        return ListeningRun(
            number,
            names=self.names,
            sounds=sounds,
            trials=state.trials,
            query=self.query,
            seal=self.seal,
            clock=self._stamp,
        )

    def _move(self, key: str, value: Value) -> None:
        try:
            state = self._choice.moved(self.snapshot, key, value)
            self.offers.rig(state.first)
            self.offers.rig(state.second)
        except InputError as error:
            self._blame(key, error)
            return
        self._clear(key, "against")
        self._history.move(state, key)
