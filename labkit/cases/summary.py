"""How each model stands: its cases by role and verdict, the closest call of those that confirm it, and its ranges."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from labkit.cases.runner import Outcome
from labkit.core.errors import InputError, did_you_mean
from labkit.core.validity import Range, all_ranges

MODELS: dict[str, str] = {
    "wire": "size and resistance of magnet wire, copper over temperature",
    "winding": "build-up, length of turn and resistance of a coil",
    "air inductance": "inductance of coils without cores, and their coupling",
    "cored inductance": "what rods, screws and slugs add to it",
    "losses": "eddy currents in poles and covers",
    "self-capacitance": "capacitance of a winding and its lead",
    "field": "static field above magnets and rows of poles",
    "charge": "working point of a magnet, and how much of its charge is left",
    "output": "level of one coil or string over another",
    "built pickup": "whole pickups from their build sheets",
    "circuit": "the solver, on coils and simple networks",
    "wiring": "the harnesses of the catalogue, every position against a circuit simulator",
    "loads": "pots, capacitors, cables and inputs on a coil",
    "valve input": "grid capacitance, stoppers and dividers of a valve stage",
    "active parts": "stages around operational amplifiers and transistors, against formulas by hand",
    "parts": "tapers, printed codes, preferred values and capacitor losses",
    "noise": "thermal noise of resistances",
    "hum": "what opposed coils leave of a mains field",
    "strings": "mass, tension and stiffness of strings",
    "takes": "plucked strings as a coil at its place hears them",
    "dry conversion": "a recording through one rig as another would give it",
    "loudness": "integrated loudness and true peak",
    "blind test": "scores and intervals of listening tests",
    "meter readings": "what ohmmeters and LCR meters show",
    "faults": "shorted turns, open coils, wrong wire, wrong connection",
    "statistics": "intervals and shares of doubt",
}
"""What there is to hold to account, on a pickup's way from wire to ear; plugins may bring models of their own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelSummary:
    """How one model stands against its cases.

    Attributes
    ----------
    model : str
    covers : str
        What the model answers; empty for a model of a plugin.
    cases, numbers : int
    validation, calibration : int
        Numbers that confirm the model; numbers that chose one of its constants and confirm nothing.
    within, outside, known_gaps : int
        Numbers by verdict; ``outside`` counts all that must stop a release.
    worst_share : float or None
        Largest share of its tolerance that a confirming number uses, known gaps left out; None when there is none.
    worst_case : str
        Id of that case.
    gap_cases : tuple of str
        Ids of the cases that are known to fail.
    """

    model: str
    covers: str
    cases: int
    numbers: int
    validation: int
    calibration: int
    within: int
    outside: int
    known_gaps: int
    worst_share: float | None
    worst_case: str
    gap_cases: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {**asdict(self), "gap_cases": list(self.gap_cases)}


def summary_by_model(outcomes: Iterable[Outcome]) -> tuple[ModelSummary, ...]:
    """Return how each model stands, in the order of `MODELS`, models of plugins last.

    Parameters
    ----------
    outcomes : iterable of Outcome
        From `run_cases`; models without an outcome do not appear.

    >>> from labkit.cases.runner import named_cases, run_cases
    >>> found = summary_by_model(run_cases(named_cases(["thermal_noise_dcr"])))[0]
    >>> found.model, found.validation, found.outside
    ('noise', 1, 0)
    """
    by_model: dict[str, list[Outcome]] = {}
    for outcome in outcomes:
        by_model.setdefault(outcome.case.model, []).append(outcome)
    order = [*(model for model in MODELS if model in by_model), *(model for model in by_model if model not in MODELS)]
    return tuple(_summary(model, by_model[model]) for model in order)


def _summary(model: str, outcomes: list[Outcome]) -> ModelSummary:
    confirming = [o for o in outcomes if o.case.role == "validation" and not o.case.known_gap]
    worst = max(confirming, key=used_share, default=None)
    gaps = [o for o in outcomes if o.verdict == "known gap"]
    validation = sum(o.case.role == "validation" for o in outcomes)
    return ModelSummary(
        model=model,
        covers=MODELS.get(model, ""),
        cases=len({o.case.id for o in outcomes}),
        numbers=len(outcomes),
        validation=validation,
        calibration=len(outcomes) - validation,
        within=sum(o.verdict == "within" for o in outcomes),
        outside=sum(o.is_failure for o in outcomes),
        known_gaps=len(gaps),
        worst_share=None if worst is None else used_share(worst),
        worst_case="" if worst is None else worst.case.id,
        gap_cases=tuple(dict.fromkeys(o.case.id for o in gaps)),
    )


def used_share(outcome: Outcome) -> float:
    """Return how much of its tolerance an outcome uses: 0 exact, 1 at the limit, more when it fails."""
    expected = outcome.expected
    if not math.isfinite(outcome.got):
        return math.inf
    if expected.tolerance_kind == "at most":
        return outcome.got / expected.value if expected.value > 0 else 0.0
    allowed = expected.tolerance * (abs(expected.value) if expected.tolerance_kind == "relative" else 1.0)
    error = abs(outcome.got - expected.value)
    return error / allowed if allowed > 0 else (0.0 if error == 0 else math.inf)


def share_text(share: float | None) -> str:
    """Write a share of a tolerance as tables show it.

    >>> share_text(0.431), share_text(None)
    ('43 %', '')
    """
    if share is None:
        return ""
    return f"{100 * share:.0f} %" if share < 100 else "far outside"


WITHOUT: Mapping[str, str] = {
    "wiring": "parts joined without a model of their own: circuit, loads and parts limit it",
    "active parts": "small signals at a working point that is taken as given, over the frequencies of the circuit",
}
"""Models that have no range of their own, and why."""


def ranges(model: str | None = None) -> tuple[Range, ...]:
    """Return the ranges of one model, or all.

    Raises
    ------
    InputError
        If there is no such model; says the nearest.

    >>> [each.span for each in ranges("self-capacitance")]
    ['10 or more', '0 % to 100 %']
    """
    if model is not None and model not in MODELS:
        raise InputError(f"no model is named '{model}'.{did_you_mean(model, MODELS)}")
    return tuple(each for each in all_ranges().values() if model in (None, each.model))
