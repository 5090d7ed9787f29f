"""What the page of studies asks for, and the work itself: importable functions that run in a process of their own.

Asks and answers are plain and travel between processes. The studies are imported where they are used, so that a page
opens without them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.rig.inputs import rig_inputs
from labkit.rig.rig import Rig
from labkit.study.tolerance.kinds import wanted_spreads, with_own_tolerances

if TYPE_CHECKING:
    from labkit.pickup.predict.built import BuiltPickup
    from labkit.study.measures import Measure, Window
    from labkit.study.questions.question import QuestionAnswer
    from labkit.study.search.solution import SearchResult
    from labkit.study.tolerance.result import MeasureSpread, ToleranceResult
    from labkit.study.tolerance.sensitivity import GlobalSensitivity, LocalSensitivity, Swing
    from labkit.study.tolerance.spread import Spread
    from labkit.study.tolerance.tolerance import ToleranceStudy

Progress = Callable[[str], None]
Stop = Callable[[], bool]

USUAL = "usual"
"""The tolerance of the part's own sheet, and of a predicted pickup its own doubt."""

SHARES_BASE = 256
"""Base sample of the shares of the variance; their 95 % intervals are then some hundredths wide."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadAsk:
    """How far do parts make a rig spread?

    Attributes
    ----------
    rig : Rig
    built : mapping of str to BuiltPickup
        Pickups as the workshop book predicts them, by slot; none without the book.
    tolerances : mapping of str to float or None
        ± fraction by class; None keeps what is usual.
    own : mapping of str to float
        ± fraction of single parts, by input name, in place of their class's.
    count, seed : int
    windows : tuple of Window
    measure : Measure
        Whose causes are looked for.
    """

    rig: Rig
    built: Mapping[str, BuiltPickup] = field(default_factory=dict)
    tolerances: Mapping[str, float | None]
    own: Mapping[str, float]
    count: int
    seed: int
    windows: tuple[Window, ...]
    measure: Measure


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadAnswer:
    """What a spread came to.

    Attributes
    ----------
    result : ToleranceResult
    measure : MeasureSpread
        The one whose causes were looked for.
    bars : tuple of Swing
        The tornado, with names in words.
    local : tuple of LocalSensitivity
        With names in words.
    shares : tuple of GlobalSensitivity
        With names in words; empty where they mean nothing, and `no_shares` says why.
    no_shares : str
    varied : tuple of (name, text)
    """

    result: ToleranceResult
    measure: MeasureSpread
    bars: tuple[Swing, ...]
    local: tuple[LocalSensitivity, ...]
    shares: tuple[GlobalSensitivity, ...]
    no_shares: str
    varied: tuple[tuple[str, str], ...]

    @property
    def sentence(self) -> str:
        """What matters most."""
        from labkit.study.tolerance.sensitivity import what_matters

        return what_matters(self.measure.measure, self.bars, self.shares)


@dataclass(frozen=True, slots=True, kw_only=True)
class QuestionAsk:
    """A ready question about a rig, with what its function takes."""

    rig: Rig
    question: str
    arguments: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class GoalAsk:
    """A goal as the keys of its sheet, and where the search is recorded so that it can go on after a stop."""

    data: Mapping[str, Any]
    record: Path | None = None


def spread_rig(ask: SpreadAsk, *, progress: Progress, stop: Stop) -> SpreadAnswer:
    """Draw variants of a rig and find what makes them differ."""
    from labkit.study.tolerance.sensitivity import local_sensitivities, swings
    from labkit.study.tolerance.tolerance import run_tolerance, tolerance_study

    spreads = with_own_tolerances(ask.rig, wanted_spreads(ask.rig, ask.tolerances, ask.built), ask.own)
    if not spreads:
        raise InputError("every part is taken as exact, so nothing spreads; give one kind of part a tolerance")
    study = tolerance_study(
        ask.rig,
        spreads,
        count=ask.count,
        seed=ask.seed,
        measures=(ask.measure,),
        windows=ask.windows,
        built=ask.built,
    )
    result = run_tolerance(study, watcher=lambda step: progress(step.text), stop=stop)
    progress("looking for what matters most")
    shares, no_shares = _shares(study, ask.measure)
    named = {spread.name: in_words(ask.rig, spread.name) for spread in study.spreads}
    return SpreadAnswer(
        result=result,
        measure=result.measure(ask.measure.name),
        bars=tuple(replace(bar, name=named[bar.name]) for bar in swings(study, ask.measure)),
        local=tuple(replace(slope, name=named[slope.name]) for slope in local_sensitivities(study)),
        shares=tuple(replace(share, name=named[share.name]) for share in shares),
        no_shares=no_shares,
        varied=tuple((named[spread.name], _range_text(ask.rig, spread)) for spread in study.spreads),
    )


def answer_question(ask: QuestionAsk, *, progress: Progress, stop: Stop) -> QuestionAnswer:
    """Answer a ready question."""
    from labkit.study.questions.ready import QUESTIONS

    return QUESTIONS[ask.question].function(ask.rig, **ask.arguments)


def search_goal(ask: GoalAsk, *, progress: Progress, stop: Stop) -> SearchResult:
    """Search for what meets a goal; stopped, it brings what it has, and goes on from there when asked again."""
    from labkit.study.search.goal import read_goal
    from labkit.study.search.search import run_search

    goal = read_goal(Table(ask.data, "the goal"))
    return run_search(goal, watcher=lambda step: progress(step.text), stop=stop, record=ask.record)


def in_words(rig: Rig, name: str) -> str:
    """Return an input's name as the bench says it.

    >>> from labkit.rig.sheet import load_rig
    >>> single = load_rig("Saltmarsh Lane, narrow single coil")
    >>> in_words(single, "volume.value"), in_words(single, "bridge.main.inductance")
    ('volume pot', 'bridge inductance')
    """
    head, _, key = name.partition(".")
    slot, colon, cause = name.partition(": ")
    if colon:
        return f"{slot}, {cause}".replace("_", " ")
    part = rig.harness.parts.get(head)
    if part is not None:
        words = head.replace("_", " ")
        if key not in ("", "value"):
            return f"{words} {key.replace('_', ' ')}"
        return words if part.kind in words else f"{words} {part.kind}"
    pickup = rig.pickups.get(head)
    coils = [key for key in key.split(".") if pickup is None or len(pickup.coils) > 1 or key not in pickup.coils]
    return " ".join([head, *coils]).replace("_", " ")


def _range_text(rig: Rig, spread: Spread) -> str:
    item = rig_inputs(rig).get(spread.name)
    if item is None:
        return "as its prediction is in doubt"
    inside = ", 95 of 100 inside" if spread.shape == "normal" else ""
    return f"{item.shown(spread.low)} to {item.shown(spread.high)}{inside}"


def _shares(study: ToleranceStudy, measure: Measure) -> tuple[tuple[GlobalSensitivity, ...], str]:
    from labkit.study.tolerance.sensitivity import global_sensitivities

    try:
        return global_sensitivities(study, measure, base=SHARES_BASE), ""
    except InputError as error:
        return (), str(error)
