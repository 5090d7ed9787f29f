"""The page of studies without widgets: what is asked of a rig, what has been answered, and where the answers lead."""

from __future__ import annotations

import shutil
import tempfile
import time
import weakref
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from labkit.app.kit.controls import ControlSet, Value
from labkit.app.kit.page_state import BOOK, GRID, CurvePageState, RigCurve
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.rig.state import PinnedSetup, RigState, Setup, write_query
from labkit.app.pages.study.controls import (
    ANY,
    ANY_DB,
    ANY_PICKUP,
    GOAL,
    QUESTION,
    SAME,
    SPREAD,
    VARY_CABLES,
    VARY_CAPACITORS,
    VARY_POTS,
    VARY_RESISTORS,
    PicksParts,
    own_defaults,
    own_fractions,
    page_controls,
    question_arguments,
    question_keys,
    visible,
)
from labkit.app.pages.study.work import (
    USUAL,
    GoalAsk,
    QuestionAsk,
    SpreadAnswer,
    SpreadAsk,
    answer_question,
    search_goal,
    spread_rig,
)
from labkit.catalogue import catalogue, catalogue_only
from labkit.core.errors import InputError
from labkit.core.response import gain_db
from labkit.core.sheet import parse_sheet, sheet_text
from labkit.rig.rig import Rig
from labkit.rig.sheet import rig_data
from labkit.study.questions.ready import QUESTIONS
from labkit.study.tolerance.kinds import CLASSES
from labkit.view.curve.curve import HIGH_HZ, LOW_HZ, Curve, draw_curves
from labkit.view.palette import FAMILY, NOW, PINS
from labkit.view.words import key_numbers, read_response, sentence

if TYPE_CHECKING:
    from labkit.study.measures import Window

MOST_ANSWERS = 24
"""Answers kept, so that going back to a question shows its answer at once."""

_BEARS_ON: dict[str, tuple[str, ...]] = {
    SPREAD: ("own.tol_", "own.peak_", "own.height_within", "own.level_within", "own.measure", "own.count", "own.seed"),
    GOAL: ("own.want_", "own.free_"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What a question needs done: an importable function and its ask."""

    word: str
    function: Callable[..., Any]
    ask: SpreadAsk | QuestionAsk | GoalAsk


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why there is no answer, in one sentence."""

    sentence: str


class StudyPageState(PicksParts, CurvePageState[RigCurve]):
    """A rig of which a spread, one value or a goal is asked."""

    def __init__(self, rig: Rig | None = None, *, query: str = "", clock: Callable[[], float] = time.monotonic) -> None:
        self.goal: OpenedGoal | None = None
        self._answers: dict[object, object] = {}
        self._last: tuple[str, object] | None = None
        self._records: Path | None = None
        super().__init__(rig, query=query, clock=clock)

    # what a page about a rig says

    def page_controls(self, rig: Rig, offered: ControlSet) -> ControlSet:
        """Return every control of the page."""
        return page_controls(rig, offered)

    def own_defaults(self, rig: Rig) -> dict[str, Value]:
        """Return where the page's own controls stand at first."""
        return own_defaults(rig)

    def result_of(self, rig: Rig, values: Mapping[str, Value]) -> RigCurve:
        """Return the rig's present curve."""
        return RigCurve.of(rig)

    @property
    def visible_controls(self) -> ControlSet:
        """The controls that the present question needs."""
        return visible(self.controls, self.values, has_sheet=self.goal is not None)

    # asking and answering

    @property
    def question(self) -> str:
        """Spread, one value or a goal."""
        return str(self.values["own.ask"])

    @property
    def key(self) -> object:
        """What the present answer follows from, to tell whether one is there."""
        values, setup = self.values, self.snapshot.rig.setup
        if self.question == QUESTION:
            wanted: tuple[str, ...] = ("own.question", *question_keys(QUESTIONS[str(values["own.question"])]))
        else:
            wanted = _BEARS_ON[self.question]
        if self.question == GOAL and self.goal is not None:
            return GOAL, sheet_text("goal", dict(self.goal.data))
        asked = tuple((key, values[key]) for key in sorted(values) if key.startswith((BOOK, *wanted)))
        return self.question, setup, self.book_moment, asked

    @property
    def answer(self) -> object:
        """The present answer: of the studies, a `Refusal`, or None where it has yet to be worked out."""
        return self._answers.get(self.key)

    @property
    def shown_answer(self) -> object:
        """The present answer; while it is worked out, the last one of the same question."""
        answer = self.answer
        if answer is None and self._last is not None and self._last[0] == self.question:
            return self._last[1]
        return answer

    @property
    def called(self) -> str:
        """What A is called: what was planned, or the rig as it stands."""
        return "as planned" if self.question == SPREAD else "as it stands"

    def take(self, key: object, answer: object) -> None:
        """Keep an answer."""
        self._answers.pop(key, None)
        self._answers[key] = answer
        self._last = None if isinstance(answer, Refusal) else (self.question, answer)
        while len(self._answers) > MOST_ANSWERS:
            self._answers.pop(next(iter(self._answers)))

    def forget(self, key: object) -> None:
        """Drop an answer, so that it is worked out anew (a search that was stopped goes on)."""
        self._answers.pop(key, None)

    def job(self) -> Job:
        """Return what has to be done for the present answer.

        Raises
        ------
        InputError
            If what is asked makes no sense, with the reason.
        """
        if self.question == SPREAD:
            return Job(word="Drawing", function=spread_rig, ask=self._spread_ask())
        if self.question == QUESTION:
            return Job(word="Working it out", function=answer_question, ask=self._question_ask())
        return Job(word="Searching", function=search_goal, ask=GoalAsk(data=self.goal_data(), record=self._record()))

    def _spread_ask(self) -> SpreadAsk:
        from labkit.study.measures import Measure

        values = self.values
        tolerances = {
            name: None if (text := str(values.get(f"own.tol_{name}", USUAL))) == USUAL else float(text) / 100
            for name in CLASSES
        }
        return SpreadAsk(
            rig=self.rig,
            built=self.predicted(self.snapshot.rig.setup, self.snapshot.own).built,
            tolerances=tolerances,
            own=own_fractions(values),
            count=int(str(values["own.count"])),
            seed=int(float(values["own.seed"])),
            windows=self.windows,
            measure=Measure(str(values["own.measure"])),
        )

    @property
    def windows(self) -> tuple[Window, ...]:
        """What a good one keeps, around the rig as planned."""
        from labkit.study.measures import HEIGHT, LEVEL, RESONANCE, Measure, Window

        values, reading = self.values, self.result.reading
        found = []
        wanted_hz = float(values["own.peak_at"]) or reading.peak_hz
        if wanted_hz is not None and values["own.peak_within"] != "any":
            part = float(values["own.peak_within"]) / 100
            found.append(Window(Measure(RESONANCE), wanted_hz * (1 - part), wanted_hz * (1 + part)))
        if reading.height_db is not None and values["own.height_within"] != "any":
            half = float(values["own.height_within"])
            found.append(Window(Measure(HEIGHT), reading.height_db - half, reading.height_db + half))
        if values["own.level_within"] != "any":
            half = float(values["own.level_within"])
            found.append(Window(Measure(LEVEL), reading.bass_db - half, reading.bass_db + half))
        return tuple(found)

    def _question_ask(self) -> QuestionAsk:
        question = QUESTIONS[str(self.values["own.question"])]
        arguments = question_arguments(question, self.rig, self.values)
        return QuestionAsk(rig=self.rig, question=question.name, arguments=arguments)

    def _record(self) -> Path:
        """Where the present search is recorded: one file for each goal, gone with the page."""
        import hashlib

        if self._records is None:
            self._records = Path(tempfile.mkdtemp(prefix="labkit-search-"))
            weakref.finalize(self, shutil.rmtree, self._records, ignore_errors=True)
        return self._records / f"{hashlib.sha256(repr(self.key).encode()).hexdigest()[:24]}.npz"

    # goals as sheets

    def goal_data(self) -> dict[str, Any]:
        """Return the present goal as the keys of a sheet.

        Raises
        ------
        InputError
            If nothing is wanted, or nothing may be changed.
        """
        if self.goal is not None:
            return dict(self.goal.data)
        values = self.values
        target: dict[str, Any] = {}
        if values["own.want_peak"] != ANY:
            target["resonance"] = f"{values['own.want_peak']:.6g} Hz"
        if values["own.want_height"] != ANY_DB:
            target["height"] = f"{values['own.want_height']:.4g} dB"
        if values["own.want_level"] != ANY_DB:
            target["level"] = f"{values['own.want_level']:.4g} dB"
        if values["own.want_like"] != "nothing":
            target["sounds_like"] = str(values["own.want_like"])
        if not target:
            raise InputError(
                "nothing is wanted; say where the peak shall sit, how high, at which level, or which rig to sound like"
            )
        vary = what_may_change(self.rig, values)
        if not vary:
            raise InputError("nothing may be changed; let pots, capacitors, cables or the pickup be chosen")
        return {"name": f"{self.rig.name}: a goal"[:80], "rig": rig_data(self.rig), "target": target, "vary": vary}

    def goal_text(self) -> str:
        """Return the present goal as the text of a sheet."""
        return sheet_text("goal", self.goal_data())

    def open_goal(self, text: str, where: str) -> str:
        """Ask for the goal of a sheet and return its name.

        Raises
        ------
        InputError
            With one sentence on what is wrong with the sheet; nothing is changed then.
        """
        self.goal = read_goal_sheet(text, where)
        if self.question != GOAL:
            self._move("own.ask", GOAL)
        return self.goal.name

    def close_goal(self) -> None:
        """Go back to the goal that the page's controls say."""
        self.goal = None

    def start_again(self) -> None:
        """Go back to the rig as its sheet has it, to the usual question and to no goal sheet."""
        self.goal = None
        super().start_again()

    # where answers lead

    @property
    def found(self) -> tuple[Rig, ...]:
        """Rigs that the present answer found, the best first."""
        from labkit.study.questions.question import QuestionAnswer
        from labkit.study.search.solution import SearchResult

        answer = self.shown_answer
        if isinstance(answer, QuestionAnswer):
            return () if answer.rig is None else (answer.rig,)
        if isinstance(answer, SearchResult):
            return tuple(solution.rig for solution in answer.solutions)
        return ()

    def link_to(self, rig: Rig) -> str:
        """Return the query of the rig page for a found rig, the present one as B beside it.

        Raises
        ------
        InputError
            If the rig is too large to travel in an address.
        """
        offers = RigOffers()  # of its own: rigs that were only found do not join the list to choose from
        setup = self.snapshot.rig.setup
        if setup.rig not in offers.rigs:
            setup = Setup(rig=offers.open(self.rig))
        found = RigState(
            setup=Setup(rig=offers.open(rig.replace(name=f"{rig.name[:72]}, found"))),
            pins=(PinnedSetup(slot=0, setup=setup),),
        )
        return write_query(found, default_rig=offers.default_rig, offer=offers.offer)

    # pictures and words

    def curves(self) -> list[Curve]:
        """Return what is drawn: the present rig, the band of its spread, or what was found."""
        answer = self.shown_answer
        if self.question == SPREAD and isinstance(answer, SpreadAnswer):
            result = answer.result
            frequency = result.study.frequency_hz
            inside = (frequency >= LOW_HZ) & (frequency <= HIGH_HZ)
            low, median, high = result.bands_db[:, inside]
            frequency = frequency[inside]
            planned = gain_db(self.rig.evaluate(frequency))
            return [
                Curve(
                    frequency_hz=frequency,
                    gain_db=planned,
                    label=f"A {self.called}",
                    brief="A",
                    style=NOW,
                    low_db=low,
                    high_db=high,
                ),
                Curve(frequency_hz=frequency, gain_db=median, label="half lie below", brief="half", style=FAMILY[1]),
            ]
        curves = [
            Curve(
                frequency_hz=GRID,
                gain_db=self.result.gain_db,
                label=f"A {self.called}",
                brief="A",
                style=NOW,
                reading=self.result.reading,
            )
        ]
        named = zip("BCD", self.names_of_found, self.found, PINS)
        for letter, name, rig, style in named:
            response = rig.response(GRID)
            curves.append(
                Curve(
                    frequency_hz=GRID,
                    gain_db=gain_db(response.values),
                    label=f"{letter} {name}",
                    brief=letter,
                    style=style,
                    reading=read_response(response),
                )
            )
        return curves

    @property
    def names_of_found(self) -> list[str]:
        """What curves and the bar call the found rigs: by their place where there are several."""
        found = self.found
        return ["found"] if len(found) == 1 else [f"no. {place}" for place in range(1, len(found) + 1)]

    @property
    def description(self) -> str:
        """The drawn curves in words."""
        answer = self.answer
        now = sentence(key_numbers(self.result.reading))
        if self.question == SPREAD and isinstance(answer, SpreadAnswer):
            return f"As planned: {now} The band holds 90 of 100 instruments. {answer.sentence}"
        found = [
            f"{letter}, {name}: {sentence(key_numbers(read_response(rig.response(GRID))))}"
            for letter, name, rig in zip("BCD", self.names_of_found, self.found)
        ]
        return " ".join([f"A, as it stands: {now}", *found])

    def draw(self, width: int, height: int | None = None) -> str:
        """Return the curves, SVG, for a width in CSS pixels."""
        title = f"Level over frequency at the input of {self.snapshot.rig.setup.rig}"
        compares = self.question != SPREAD and bool(self.found)
        return draw_curves(
            self.curves(), title=title, description=self.description, width=width, height=height, compares=compares
        )


LARGEST_GOAL = 200_000
"""Characters; a goal with every key there is has a few thousand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedGoal:
    """A goal sheet that somebody opened; it brings its own rig and is no part of the address."""

    name: str
    data: Mapping[str, Any]


def what_may_change(rig: Rig, values: Mapping[str, Value]) -> list[dict[str, Any]]:
    """Return the ``vary`` tables of a goal sheet that the page's controls say."""
    found: list[dict[str, Any]] = []
    if values.get("own.free_pickup") == ANY_PICKUP:
        from labkit.study.questions.question import heard_slot

        found.append({"part": heard_slot(rig), "choices": list(catalogue().usable_names("pickup"))})
    for kind, key, stock in (
        ("capacitor", "own.free_capacitors", VARY_CAPACITORS),
        ("resistor", "own.free_resistors", VARY_RESISTORS),
    ):
        if values.get(key, SAME) != SAME:
            series, low, high = stock[str(values[key])]
            found += [
                {"part": f"{part.name}.value", "series": series, "from": low, "to": high}
                for part in rig.harness.parts.values()
                if part.kind == kind
            ]
    if values.get("own.free_pots", SAME) != SAME:
        choices = list(VARY_POTS[str(values["own.free_pots"])])
        found += [
            {"part": f"{part.name}.value", "choices": choices}
            for part in rig.harness.parts.values()
            if part.kind == "pot"
        ]
    if values.get("own.free_cables", SAME) != SAME:
        shortest, longest = VARY_CABLES[str(values["own.free_cables"])]
        found += [
            {"part": f"{stage.name}.length", "from": shortest, "to": longest}
            for stage in rig.chain
            if stage.kind == "cable"
        ]
    return found


def read_goal_sheet(text: str, where: str) -> OpenedGoal:
    """Return the goal of a sheet, checked.

    Raises
    ------
    InputError
        With one sentence on what is wrong with the sheet.
    """
    from labkit.study.search.goal import read_goal

    if len(text) > LARGEST_GOAL:
        raise InputError(f"{where}: a goal sheet has at most {LARGEST_GOAL // 1000} kB; this one is larger")
    table = parse_sheet(text, where, kinds=["goal"])
    with catalogue_only():
        goal = read_goal(table)
    data = {key: value for key, value in table.data.items() if key not in ("sheet", "format")}
    return OpenedGoal(name=goal.name, data=data)
