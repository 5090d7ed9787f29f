"""What ``tolerance`` and ``search`` print: text for people, JSON and CSV for programs (SI, unit in the key)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from labkit.core.units import format_quantity
from labkit.rig.inputs import RigInput
from labkit.study.measures import LEVEL
from labkit.study.questions import Answer
from labkit.study.sensitivity import GlobalSensitivity, LocalSensitivity, Swing
from labkit.study.solution import SearchResult, Solution
from labkit.study.spread import Spread
from labkit.study.tolerance_result import MeasureSpread, ToleranceResult

NOT_MODELLED = (
    "Numbers vary independently of one another. Not modelled: ageing, temperature of the parts, the amplifier's tone."
)


def tolerance_data(result: ToleranceResult) -> dict[str, Any]:
    """Return the JSON form of a tolerance study."""
    study = result.study
    share = result.share_interval
    return {
        "name": study.rig.name,
        "count": result.count,
        "complete": result.complete,
        "seed": study.seed,
        "sampling": study.sampling,
        "spreads": {
            spread.name: {"shape": spread.shape, "low": spread.low, "high": spread.high} for spread in study.spreads
        },
        "frequency_hz": study.frequency_hz.tolist(),
        "nominal_db": study.nominal_db.tolist(),
        "bands_db": {name: row.tolist() for name, row in zip(("p5", "p50", "p95"), result.bands_db)},
        "lowest_db": result.extremes_db[0].tolist(),
        "highest_db": result.extremes_db[1].tolist(),
        "band_resolution_db": result.within_db,
        "measures": {item.measure.key: _measure_data(item) for item in result.measures},
        "windows": [
            {"measure": window.measure.key, "low": window.low, "high": window.high, "share": part}
            for window, part in result.shares
        ],
        "share": None if share is None else {"value": result.share, "low": share[0], "high": share[1]},
    }


def _measure_data(item: MeasureSpread) -> dict[str, Any]:
    return {
        "nominal": item.nominal,
        "mean": item.mean,
        "p5": item.low,
        "p50": item.median,
        "p95": item.high,
        "lowest": item.least,
        "highest": item.greatest,
        "resolution": item.within,
        "found": item.found,
        "histogram": {"edges": item.edges[::16].tolist(), "counts": item.counts.reshape(-1, 16).sum(axis=1).tolist()},
    }


def sensitivity_data(
    local: Sequence[LocalSensitivity],
    bars: Mapping[str, Sequence[Swing]],
    indices: Mapping[str, Sequence[GlobalSensitivity]],
    sentences: Sequence[str],
) -> dict[str, Any]:
    """Return the JSON form of sensitivities."""
    return {
        "local_per_percent": {
            entry.name: {
                "resonance_percent": entry.resonance_percent,
                "height_db": entry.height_db,
                "level_db": entry.level_db,
            }
            for entry in local
        },
        "swings": {
            name: [
                {"name": bar.name, "at_low": bar.at_low, "at_high": bar.at_high, "low": bar.low, "high": bar.high}
                for bar in found
            ]
            for name, found in bars.items()
        },
        "variance_shares": {
            name: {
                index.name: {
                    "first": index.first,
                    "first_within": index.first_within,
                    "total": index.total,
                    "total_within": index.total_within,
                }
                for index in found
            }
            for name, found in indices.items()
        },
        "sentences": list(sentences),
    }


def tolerance_csv(result: ToleranceResult) -> str:
    """Return the bands as a table."""
    rows = ["frequency_hz,nominal_db,p5_db,p50_db,p95_db,lowest_db,highest_db"]
    columns = (result.study.frequency_hz, result.study.nominal_db, *result.bands_db, *result.extremes_db)
    rows += [",".join(f"{value:.9g}" for value in row) for row in zip(*columns)]
    return "\n".join(rows)


def tolerance_text(result: ToleranceResult, known: Mapping[str, RigInput], sentences: Sequence[str]) -> str:
    """Return a tolerance study for people."""
    study = result.study
    lines = [f"{study.rig.name}: {result.count} variants ({study.sampling} draws, seed {study.seed})"]
    if not result.complete:
        lines.append(f"  stopped early: {result.count} of {study.count} variants")
    lines += ["", "  number                 nominal      5 %         median      95 %"]
    for item in result.measures:
        shown = [_shown(item, value) for value in (item.nominal, item.low, item.median, item.high)]
        label = "level at 100 Hz" if item.measure.name == LEVEL else item.measure.name
        lines.append(f"  {label:<20}  {shown[0]:<11}  {shown[1]:<10}  {shown[2]:<10}  {shown[3]:<10}")
        if item.found < result.count:
            lines.append(f"    {100 * (1 - item.found / result.count):.1f} % of the variants have none")
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


def search_data(result: SearchResult) -> dict[str, Any]:
    """Return the JSON form of a search."""
    return {
        "name": result.goal.name,
        "fits": result.fits,
        "complete": result.complete,
        "combinations": result.combinations,
        "computed": result.tried,
        "over_budget": result.over_budget,
        "impossible": result.unbuildable,
        "targets": [
            {
                "name": target.name,
                "wanted": target.wanted,
                "within": target.within,
                "unit": target.measure.unit if target.measure is not None else "dB",
                "lowest": low,
                "highest": high,
            }
            for target, (low, high) in zip(result.goal.targets, result.reachable)
        ],
        "solutions": [_solution_data(result, solution) for solution in result.solutions],
        "reason": result.reason or None,
        "proof": result.proof or None,
    }


def _solution_data(result: SearchResult, solution: Solution) -> dict[str, Any]:
    units = {item.name: item.input.unit if item.input is not None else "" for item in result.goal.freedoms}
    return {
        "fits": solution.fits,
        "misfit": solution.misfit,
        "cost": solution.cost,
        "choices": {name: {"value": value, "unit": units[name]} for name, value in solution.choices.items()},
        "values": {target.name: value for target, value in zip(result.goal.targets, solution.values)},
        "gives_up": list(solution.gives_up),
    }


def search_csv(result: SearchResult) -> str:
    """Return the solutions as a table."""
    names = [item.name for item in result.goal.freedoms]
    rows = [
        ",".join(
            ["rank", "fits", "misfit", "cost", *map(_quoted, names), *(_quoted(t.name) for t in result.goal.targets)]
        )
    ]
    for rank, solution in enumerate(result.solutions, start=1):
        values = [solution.choices[name] for name in names]
        cells = [str(rank), str(solution.fits).lower(), f"{solution.misfit:.6g}", f"{solution.cost:.6g}"]
        cells += [_quoted(value) if isinstance(value, str) else f"{value:.9g}" for value in values]
        cells += [f"{value:.9g}" for value in solution.values]
        rows.append(",".join(cells))
    return "\n".join(rows)


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(sign in text for sign in ',"\n') else text


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


def answer_data(answer: Answer) -> dict[str, Any]:
    """Return the JSON form of a ready question's answer."""
    return {
        "question": answer.question,
        "sentence": answer.sentence,
        "value": answer.value,
        "unit": answer.unit,
        "stocked": answer.stocked,
        "left_db": answer.left_db,
        "rests_on": list(answer.rests_on),
        "rows": [dict(row) for row in answer.rows],
    }


def answer_csv(answer: Answer) -> str:
    """Return the table of an answer; value and unit where it has none."""
    if not answer.rows:
        return f"value,unit\n{answer.value:.9g},{answer.unit}"
    keys = list(answer.rows[0])
    rows = [",".join(keys)]
    for row in answer.rows:
        rows.append(
            ",".join(_quoted(v) if isinstance(v := row[key], str) else "" if v is None else f"{v:.9g}" for key in keys)
        )
    return "\n".join(rows)


def answer_text(answer: Answer) -> str:
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
    return f"{name} {value:.2f} dB" if unit == "dB" else f"{name} {format_quantity(value, unit, digits=3)}"
