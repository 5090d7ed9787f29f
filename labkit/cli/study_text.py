"""What ``tolerance`` and ``search`` print for people; for programs see `labkit.study.written`."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from labkit.core.units import format_quantity
from labkit.rig.inputs import RigInput
from labkit.study.measures import LEVEL
from labkit.study.questions.question import QuestionAnswer
from labkit.study.search.solution import SearchResult
from labkit.study.tolerance.result import MeasureSpread, ToleranceResult
from labkit.study.tolerance.spread import Spread

NOT_MODELLED = (
    "Numbers vary independently of one another. Not modelled: ageing, temperature of the parts, the amplifier's tone."
)


def tolerance_text(result: ToleranceResult, known: Mapping[str, RigInput], sentences: Sequence[str]) -> str:
    """Return a tolerance study for people."""
    study = result.study
    count = f"{result.count} variant{'s' * (result.count > 1)}"
    lines = [f"{study.rig.name}: {count} ({study.sampling} draws, seed {study.seed})"]
    if not result.complete:
        lines.append(f"  stopped early: {result.count} of {study.count} variants")
    many = not result.warnings
    heads = ("5 %", "median", "95 %") if many else ("least", "mean", "greatest") if result.count > 1 else ("drawn",)
    lines += ["", f"  number                 nominal      {'  '.join(f'{head:<10}' for head in heads)}".rstrip()]
    for item in result.measures:
        values = (item.low, item.median, item.high) if many else (item.least, item.mean, item.greatest)
        shown = [f"{_shown(item, value):<10}" for value in values[: len(heads)]]
        label = "level at 100 Hz" if item.measure.name == LEVEL else item.measure.name
        lines.append(f"  {label:<20}  {_shown(item, item.nominal):<11}  {'  '.join(shown)}".rstrip())
        if item.found < result.count:
            lines.append(f"    {100 * (1 - item.found / result.count):.1f} % of the variants have none")
    for warning in result.warnings:
        lines += ["", textwrap.fill(warning, 96, initial_indent="  ", subsequent_indent="  ")]
    interval = result.share_interval
    if interval is not None and result.share is not None:
        lines += ["", *(f"  {window.text}: {100 * part:.1f} % of the variants" for window, part in result.shares)]
        lines.append(
            f"  all of it: {100 * result.share:.1f} % ({100 * interval[0]:.1f} to {100 * interval[1]:.1f} %, 95 %)"
        )
    if sentences:
        lines += ["", *(f"  {sentence}" for sentence in sentences)]
    lines += ["", "  varied"]
    lines += [f"    {spread.name:<32} {_spread_text(spread, known)}" for spread in study.spreads]
    lines += ["", f"  {NOT_MODELLED}"]
    return "\n".join(lines)


def _shown(item: MeasureSpread, value: float) -> str:
    return "none" if math.isnan(value) else item.measure.shown(value)


def _spread_text(spread: Spread, known: Mapping[str, RigInput]) -> str:
    item = known.get(spread.name)
    if item is None:
        return "a cause of the build's doubt, normal"
    bounds = "95 % inside" if spread.shape == "normal" else spread.shape
    return f"{item.shown(spread.low)} to {item.shown(spread.high)}, {bounds}"


def search_text(result: SearchResult) -> str:
    """Return a search for people."""
    goal = result.goal
    wanted = "; ".join(target.text for target in goal.targets)
    lines = [goal.name, f"  wanted     {wanted}"]
    if goal.budget is not None:
        lines.append(f"  budget     {goal.budget:.2f}")
    lines.append(
        f"  tried      {result.combinations} combinations of choices" + ("" if result.complete else ", not all")
    )
    left_out = [(result.over_budget, "over the budget"), (result.unbuildable, "cannot be built")]
    if any(number for number, _ in left_out):
        lines.append("  left out   " + ", ".join(f"{number} rows {why}" for number, why in left_out if number))
    if not result.fits:
        lines += ["", f"  Nothing fits{'' if result.complete else ' so far'}. {result.reason}"]
        if result.proof:
            lines.append(f"  {result.proof}")
        if result.solutions:
            lines += ["", "  The nearest:"]
    for rank, solution in enumerate(result.solutions, start=1):
        shown = ", ".join(f"{item.name} {item.shown(solution.choices[item.name])}" for item in goal.freedoms)
        values = ", ".join(
            f"{target.name} {target.shown(value)}" for target, value in zip(goal.targets, solution.values)
        )
        price = f"; costs {solution.cost:.2f}" if solution.cost else ""
        verdict = "" if solution.fits else " (misses the goal)"
        lines += ["", f"  {rank}. {shown}{verdict}", f"     {values}{price}"]
        lines.append(f"     gives up: {'; '.join(solution.gives_up)}" if solution.gives_up else "     gives up nothing")
    return "\n".join(lines)


def answer_text(answer: QuestionAnswer) -> str:
    """Return an answer for people."""
    lines = [answer.sentence, *(f"  rests on   {text}" for text in answer.rests_on)]
    if answer.rows:
        lines.append("")
        for row in answer.rows:
            lines.append("  " + "   ".join(_cell(key, value) for key, value in row.items()))
    return "\n".join(lines)


_UNITS = {"_f": "F", "_hz": "Hz", "_m": "m", "_db": "dB", "_ohm": "Ω", "_h": "H"}


def _cell(key: str, value: Any) -> str:
    name, unit = next(((key.removesuffix(end), unit) for end, unit in _UNITS.items() if key.endswith(end)), (key, ""))
    name = name.replace("_", " ")
    if value is None:
        return f"{name} none"
    if isinstance(value, str) or not unit:
        return f"{name} {value}"
    if unit == "dB":
        return f"{name} {value:.2f} dB"
    if unit == "m":
        return f"{name} {format_quantity(float(f'{value:.4g}'), unit)}"
    return f"{name} {format_quantity(value, unit, digits=3)}"
