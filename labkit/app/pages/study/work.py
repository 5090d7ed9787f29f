"""What the page of studies asks for, and the work itself: importable functions that run in a process of their own.

Asks and answers are plain and travel between processes. The studies are imported where they are used, so that a page
opens without them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from labkit.app.kit.controls import Value
from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.rig.inputs import rig_inputs
from labkit.rig.rig import Rig

if TYPE_CHECKING:
    from labkit.study.measures import Measure, Window
    from labkit.study.questions.ready import Answer
    from labkit.study.search.solution import SearchResult
    from labkit.study.tolerance.result import MeasureSpread, ToleranceResult
    from labkit.study.tolerance.sensitivity import GlobalSensitivity, LocalSensitivity, Swing
    from labkit.study.tolerance.spread import Spread
    from labkit.study.tolerance.tolerance import ToleranceStudy

Progress = Callable[[str], None]
Stop = Callable[[], bool]

COILS, POTS, CAPACITORS, RESISTORS, CABLES, INPUTS = "coils", "pots", "capacitors", "resistors", "cables", "inputs"
CLASSES = (COILS, POTS, CAPACITORS, RESISTORS, CABLES, INPUTS)
"""Parts that come from one drawer and share a tolerance."""

USUAL = "usual"
"""The tolerance of the part's own sheet, and of a predicted pickup its own doubt."""

SHARES_BASE = 256
"""Base sample of the shares of the variance; their 95 % intervals are then some hundredths wide."""

_OF_A_KIND = {"pot": POTS, "capacitor": CAPACITORS, "cable": CABLES}
_CAPACITANCE_FACTOR = 2
"""Self-capacitance of a coil spreads about twice as far as its resistance (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadAsk:
    """How far do parts make a rig spread?

    Attributes
    ----------
    rig : Rig
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
    """A ready question about a rig, with what its fields say."""

    rig: Rig
    question: str
    fields: Mapping[str, Value]
    like: Rig | None = None
    wires: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class GoalAsk:
    """A goal as the keys of its sheet, and where the search is recorded so that it can go on after a stop."""

    data: Mapping[str, Any]
    record: Path | None = None


def spread_rig(ask: SpreadAsk, *, progress: Progress, stop: Stop) -> SpreadAnswer:
    """Draw variants of a rig and find what makes them differ."""
    from labkit.study.tolerance.sensitivity import local_sensitivities, swings
    from labkit.study.tolerance.tolerance import run_tolerance, tolerance_study

    spreads = with_own_tolerances(ask.rig, wanted_spreads(ask.rig, ask.tolerances), ask.own)
    if not spreads:
        raise InputError("every part is taken as exact, so nothing spreads; give one kind of part a tolerance")
    study = tolerance_study(
        ask.rig, spreads, count=ask.count, seed=ask.seed, measures=(ask.measure,), windows=ask.windows
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


def answer_question(ask: QuestionAsk, *, progress: Progress, stop: Stop) -> Answer:
    """Answer a ready question."""
    from labkit.study.questions import ready as questions
    from labkit.study.questions.winding import turns_and_wire

    fields: Any = dict(ask.fields)
    if ask.question == "cable equivalent":
        return questions.capacitance_for_cable(
            ask.rig, length=fields["length"], capacitance_per_length=fields["per_length"], series=fields["series"]
        )
    if ask.question == "hump":
        return questions.tone_capacitor_for_hump(
            ask.rig, hump_hz=fields["hump"], control=fields["tone"], series=fields["series"]
        )
    if ask.question == "load resistor":
        return questions.load_for_pots(ask.rig, pots=fields["pots"], series=fields["series"])
    if ask.question == "longest cable":
        return questions.longest_cable(
            ask.rig,
            loss_db=fields["loss"],
            band_hz=(fields["from"], fields["to"]),
            reference=fields["reference"],
        )
    assert ask.like is not None
    return turns_and_wire(ask.rig, target=ask.like, wires=ask.wires)


def search_goal(ask: GoalAsk, *, progress: Progress, stop: Stop) -> SearchResult:
    """Search for what meets a goal; stopped, it brings what it has, and goes on from there when asked again."""
    from labkit.study.search.goal import read_goal
    from labkit.study.search.search import run_search

    goal = read_goal(Table(ask.data, "the goal"))
    return run_search(goal, watcher=lambda step: progress(step.text), stop=stop, record=ask.record)


def classes_of(rig: Rig) -> dict[str, tuple[Spread, ...]]:
    """Return the usual spreads of a rig by class of part, those of a predicted pickup by their causes."""
    from labkit.study.tolerance.causes import column_map
    from labkit.study.tolerance.spread import default_spreads

    _, usual = column_map(rig, default_spreads(rig), add=True)
    found: dict[str, list[Spread]] = {name: [] for name in CLASSES}
    for spread in usual.values():
        found[class_of(rig, spread.name)].append(spread)
    return {name: tuple(spreads) for name, spreads in found.items() if spreads}


def class_of(rig: Rig, name: str) -> str:
    """Return the class of an input."""
    head = name.partition(".")[0].partition(":")[0]
    if head in rig.pickups:
        return COILS
    kinds = {stage.name: stage.kind for stage in rig.chain} | {p.name: p.kind for p in rig.harness.parts.values()}
    kind = kinds.get(head, "")
    if any(stage.name == head for stage in rig.chain):
        return _OF_A_KIND.get(kind, INPUTS)
    return _OF_A_KIND.get(kind, RESISTORS)


def wanted_spreads(rig: Rig, tolerances: Mapping[str, float | None]) -> dict[str, Spread]:
    """Return the spreads of a study: usual ones, others in their place, none for parts taken as exact."""
    from labkit.study.tolerance.spread import Spread, default_spreads

    usual, plain, known = classes_of(rig), default_spreads(rig), rig_inputs(rig)
    found: dict[str, Spread] = {}
    for name, spreads in usual.items():
        fraction = tolerances.get(name)
        if fraction is None:
            found |= {spread.name: spread for spread in spreads}
        elif fraction > 0:
            for spread in plain.values():
                if class_of(rig, spread.name) != name:
                    continue
                wider = _CAPACITANCE_FACTOR if name == COILS and spread.name.endswith(".capacitance") else 1
                half = known[spread.name].value * fraction * wider
                middle = known[spread.name].value
                found[spread.name] = Spread(name=spread.name, shape=spread.shape, low=middle - half, high=middle + half)
    return found


def with_own_tolerances(rig: Rig, spreads: Mapping[str, Spread], own: Mapping[str, float]) -> dict[str, Spread]:
    """Return spreads with those of single parts in place of their kind's.

    Parameters
    ----------
    rig : Rig
    spreads : mapping of str to Spread
    own : mapping of str to float
        ± fraction by name; 0 takes the part as exact.
    """
    from labkit.study.tolerance.spread import Spread, default_spreads

    usual, known = default_spreads(rig), rig_inputs(rig)
    found = dict(spreads)
    for name, fraction in own.items():
        middle = known[name].value
        low, high = middle * (1 - fraction), middle * (1 + fraction)
        if fraction == 0:
            found.pop(name, None)
        elif name in usual:
            found[name] = replace(usual[name], low=low, high=high)
        else:
            found[name] = Spread(name=name, shape="uniform", low=low, high=high)
    return found


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
