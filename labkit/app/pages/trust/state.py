"""The trust page without widgets: reference cases run one by one, counted by model, said in sentences."""

from __future__ import annotations

import csv
import io
import json
import math
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from labkit.app.kit.controls import Control, ControlSet, Group, Value
from labkit.app.kit.page_state import PageState
from labkit.app.kit.rig.state import join_query, split_query
from labkit.cases import MODELS, Case, Outcome, load_cases, run_cases, used_share
from labkit.core.errors import capitalized

ALL = "all models"
Show = Literal["everything", "not within", "validation", "calibration"]
SHOWS: tuple[Show, ...] = ("everything", "not within", "validation", "calibration")
SHOW_NAMES = ("Every number", "What is not within its tolerance", "What confirms a model", "What chose a constant")
ORIGINS = {
    "read": "read in print",
    "digitised": "read off a printed curve",
    "derived": "worked out from an equation",
    "from memory": "from memory",
    "common practice": "common practice",
    "calculated": "calculated in another way",
    "measured": "measured",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """What the page shows: one model or all, everything or a part."""

    model: str = ALL
    show: Show = "everything"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """Counts of a group of outcomes."""

    cases: int
    numbers: int
    within: int
    outside: int
    gaps: int
    calibrations: int

    @classmethod
    def of(cls, outcomes: tuple[Outcome, ...]) -> Tally:
        """Count outcomes."""
        verdicts = Counter(outcome.verdict for outcome in outcomes)
        return cls(
            cases=len({outcome.case.id for outcome in outcomes}),
            numbers=len(outcomes),
            within=verdicts["within"],
            outside=sum(outcome.is_failure for outcome in outcomes),
            gaps=verdicts["known gap"],
            calibrations=sum(outcome.case.role == "calibration" for outcome in outcomes),
        )


class TrustPageState(PageState[Filter]):
    """The reference cases and what became of them so far.

    Parameters
    ----------
    query : str
        State from an address.
    cases : tuple of Case, optional
        Those of the catalogue by default, read when first needed.
    """

    def __init__(self, query: str = "", *, cases: tuple[Case, ...] | None = None) -> None:
        self._cases = cases
        self._outcomes: dict[str, tuple[Outcome, ...]] = {}
        self._rig_query = ""
        self._asked = ""
        super().__init__(Filter(), time.monotonic)
        self.open(query)

    @property
    def is_loaded(self) -> bool:
        """True once the cases were read."""
        return self._cases is not None

    @property
    def cases(self) -> tuple[Case, ...]:
        """Every case; reads them where that has not been done."""
        if self._cases is None:
            self._cases = load_cases()
            self._settle()
        return self._cases

    @property
    def models(self) -> tuple[str, ...]:
        """Models that have cases, on the way from wire to ear; those of plugins last."""
        found = dict.fromkeys(case.model for case in self._cases or ())
        return (*(model for model in MODELS if model in found), *(model for model in found if model not in MODELS))

    @property
    def query(self) -> str:
        """The present state for an address; the rig that came along goes along."""
        own = {}
        if self.snapshot.model != ALL:
            own["model"] = self.snapshot.model
        if self.snapshot.show != "everything":
            own["show"] = self.snapshot.show
        return join_query(self._rig_query, own)

    @property
    def controls(self) -> ControlSet:
        """The filters."""
        models = (ALL, *self.models)
        return ControlSet(
            (
                Group(
                    title="Show",
                    controls=(
                        Control(
                            key="model",
                            label="Model",
                            kind="choice",
                            positions=models,
                            names=tuple(map(_title, models)),
                        ),
                        Control(key="show", label="Numbers", kind="choice", positions=SHOWS, names=SHOW_NAMES),
                    ),
                ),
            )
        )

    @property
    def values(self) -> dict[str, Value]:
        """Where the filters stand."""
        return {"model": self.snapshot.model, "show": self.snapshot.show}

    def open(self, query: str) -> None:
        """Start from the state of an address; `problems` then says what of it could not be used."""
        self._rig_query, own = split_query(query)
        problems = [f"This page has no '{name[:40]}'." for name in own if name not in ("model", "show")]
        show: Show = "everything"
        if "show" in own:
            if own["show"] in SHOWS:
                show = own["show"]
            else:
                problems.append(f"There is no choice of numbers '{own['show'][:40]}'; every number is shown.")
        self._start_from(Filter(show=show))
        self._asked = own.get("model", "")
        self.problems = tuple(problems)
        self._settle()

    @property
    def is_changed(self) -> bool:
        """True where a filter leaves something out."""
        return self.snapshot != Filter()

    def start_again(self) -> None:
        """Show everything."""
        self._step(Filter())

    def _move(self, key: str, value: Value) -> None:
        self._history.move(replace(self.snapshot, **{key: value}), key)  # type: ignore[arg-type]

    def forget(self) -> None:
        """Forget every outcome, so that the cases run again."""
        self._outcomes = {}

    @property
    def done(self) -> int:
        """Cases that have run."""
        return len(self._outcomes)

    def next_case(self) -> Case | None:
        """The case to run next: those of the chosen model first; None when all have run."""
        waiting = [case for case in self.cases if case.id not in self._outcomes]
        chosen = [case for case in waiting if case.model == self.snapshot.model]
        return next(iter(chosen or waiting), None)

    def run(self, case: Case) -> None:
        """Run a case and keep its outcomes."""
        self._outcomes[case.id] = tuple(run_cases((case,)))

    def outcomes(self, model: str | None = None, *, shown: bool = False) -> tuple[Outcome, ...]:
        """Return what is known so far, of one model or of all.

        Parameters
        ----------
        model : str, optional
        shown : bool
            Only what the filter lets through.
        """
        found = (
            outcome
            for case in self._cases or ()
            if model in (None, case.model)
            for outcome in self._outcomes.get(case.id, ())
        )
        return tuple(outcome for outcome in found if not shown or self._passes(outcome))

    def cases_of(self, model: str | None) -> tuple[Case, ...]:
        """Return the cases of a model, or all; none before they are read."""
        return tuple(case for case in self._cases or () if model in (None, case.model))

    def shown_models(self) -> tuple[str, ...]:
        """Models to show: the chosen one, or all."""
        return self.models if self.snapshot.model == ALL else (self.snapshot.model,)

    def by_case(self, model: str) -> Iterator[tuple[Case, tuple[Outcome, ...]]]:
        """Yield cases of a model with those of their outcomes that the filter lets through."""
        for case in self._cases or ():
            outcomes = tuple(outcome for outcome in self._outcomes.get(case.id, ()) if self._passes(outcome))
            if case.model == model and outcomes:
                yield case, outcomes

    def sentence(self, model: str | None = None) -> str:
        """Say in a few sentences how a model (or everything) stands."""
        outcomes = self.outcomes(model)
        total = len(self.cases_of(model))
        if not outcomes:
            return f"{_counted(total, 'case')}, not run yet."
        tally = Tally.of(outcomes)
        count = _counted(tally.numbers, "number")
        if tally.within == tally.numbers:
            text = f"All {count}" if tally.numbers > 1 else "The one number"
            text += f" of {_counted(tally.cases, 'case')} {'lie' if tally.numbers > 1 else 'lies'} within tolerance"
        else:
            text = f"{tally.within} of {count} of {_counted(tally.cases, 'case')} lie within tolerance"
        parts = [text]
        if tally.gaps:
            parts.append(f"{_counted(tally.gaps, 'known gap')}")
        if tally.outside:
            parts.append(f"{tally.outside} {'fails' if tally.outside == 1 else 'fail'}")
        sentences = ["; ".join(parts) + "."]
        if tally.calibrations:
            chose = "One of them chose a constant and confirms"
            if tally.calibrations > 1:
                chose = f"{tally.calibrations} of them chose constants and confirm"
            sentences.append(f"{chose} nothing.")
        closest = max((each for each in outcomes if each.verdict != "known gap"), key=used_share, default=None)
        if closest is not None and 0 < used_share(closest) <= 1:
            sentences.append(
                f"The closest call uses {100 * used_share(closest):.0f} % of its tolerance "
                f"({closest.case.id.replace('_', ' ')})."
            )
        if tally.cases < total:
            sentences.append(f"{total - tally.cases} more to run.")
        return " ".join(sentences)

    def origins(self, model: str) -> str:
        """Say where the numbers of a model come from, most first."""
        counts: Counter[str] = Counter()
        for case in self.cases_of(model):
            counts[case.how] += len(case.expected)
        return ", ".join(f"{count} {ORIGINS.get(how, how)}" for how, count in counts.most_common())

    def as_json(self) -> bytes:
        """Return every outcome so far, as ``labkit cases --json`` writes them."""
        rows = [{key: _finite(value) for key, value in outcome.as_dict().items()} for outcome in self.outcomes()]
        return (json.dumps(rows, indent=2, ensure_ascii=False) + "\n").encode()

    def as_csv(self) -> bytes:
        """Return every outcome so far as a table."""
        out = io.StringIO()
        rows = [outcome.as_dict() for outcome in self.outcomes()]
        writer = csv.writer(out)
        if rows:
            writer.writerow(rows[0])
        for row in rows:
            # a spreadsheet must not take a text for a formula
            writer.writerow(
                f"'{cell}" if isinstance(cell, str) and cell[:1] in ("=", "+", "-", "@") else cell
                for cell in row.values()
            )
        return out.getvalue().encode()

    def _passes(self, outcome: Outcome) -> bool:
        if self.snapshot.show == "not within":
            return outcome.verdict != "within"
        return self.snapshot.show in ("everything", outcome.case.role)

    def _settle(self) -> None:
        """Take over the model that an address asked for, once the models are known."""
        if self._cases is None or not self._asked:
            return
        if self._asked in self.models:
            self._start_from(replace(self.snapshot, model=self._asked))
        elif self._asked != ALL:
            self.problems = (*self.problems, f"There is no model '{self._asked[:40]}'; all are shown.")
        self._asked = ""


def tolerance_text(outcome: Outcome) -> str:
    """Write a tolerance as the page shows it."""
    expected = outcome.expected
    if expected.tolerance_kind == "relative":
        return f"±{100 * expected.tolerance:.3g} %"
    unit = "" if expected.unit == "1" else f" {expected.unit}"
    return "at most this" if expected.tolerance_kind == "at most" else f"±{expected.tolerance:.3g}{unit}"


def _finite(value: object) -> object:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _title(model: str) -> str:
    return capitalized(model)
