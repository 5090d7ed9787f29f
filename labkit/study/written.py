"""Studies as data: JSON and CSV for programs (SI, unit in the key), the same from the command line and the pages."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from labkit.study.questions.question import QuestionAnswer
from labkit.study.search.solution import SearchResult, SearchSolution
from labkit.study.tolerance.result import MeasureSpread, ToleranceResult
from labkit.study.tolerance.sensitivity import GlobalSensitivity, LocalSensitivity, Swing


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
        "bands_db": None
        if result.warnings
        else {name: row.tolist() for name, row in zip(("p5", "p50", "p95"), result.bands_db)},
        "lowest_db": result.extremes_db[0].tolist(),
        "highest_db": result.extremes_db[1].tolist(),
        "band_resolution_db": result.within_db,
        "measures": {item.measure.key: _measure_data(item, not result.warnings) for item in result.measures},
        "windows": [
            {"measure": window.measure.key, "low": window.low, "high": window.high, "share": part}
            for window, part in result.shares
        ],
        "share": None if share is None else {"value": result.share, "low": share[0], "high": share[1]},
        "warnings": list(result.warnings),
    }


def _measure_data(item: MeasureSpread, many: bool) -> dict[str, Any]:
    return {
        "nominal": item.nominal,
        "mean": item.mean,
        "p5": item.low if many else None,
        "p50": item.median if many else None,
        "p95": item.high if many else None,
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
        "local_per_percent": _by_name(local),
        "swings": {name: [asdict(bar) for bar in found] for name, found in bars.items()},
        "variance_shares": {name: _by_name(found) for name, found in indices.items()},
        "sentences": list(sentences),
    }


def _by_name(found: Sequence[LocalSensitivity] | Sequence[GlobalSensitivity]) -> dict[str, dict[str, float]]:
    rows = [asdict(each) for each in found]
    return {row.pop("name"): row for row in rows}


def tolerance_csv(result: ToleranceResult) -> str:
    """Return the bands as a table."""
    head = ("frequency_hz", "nominal_db", "p5_db", "p50_db", "p95_db", "lowest_db", "highest_db")
    return _csv(head, zip(result.study.frequency_hz, result.study.nominal_db, *result.bands_db, *result.extremes_db))


def _csv(head: Iterable[str], rows: Iterable[Iterable[Any]]) -> str:
    """A table; numbers with nine digits, nothing for None."""
    return "\n".join(",".join(map(_cell, row)) for row in (head, *rows))


def _cell(value: Any) -> str:
    if isinstance(value, str):
        return '"' + value.replace('"', '""') + '"' if any(sign in value for sign in ',"\n') else value
    return "" if value is None else f"{value:.9g}"


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


def _solution_data(result: SearchResult, solution: SearchSolution) -> dict[str, Any]:
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
        (
            *(str(rank), str(each.fits).lower(), f"{each.misfit:.6g}", f"{each.cost:.6g}"),
            *(each.choices[name] for name in names),
            *each.values,
        )
        for rank, each in enumerate(result.solutions, start=1)
    ]
    return _csv(("rank", "fits", "misfit", "cost", *names, *(target.name for target in result.goal.targets)), rows)


def search_units(result: SearchResult) -> dict[str, str]:
    """Return the units of the columns of `search_csv`: SI for what was chosen, the measure's for what was wanted."""
    return {
        **{item.name: item.input.unit for item in result.goal.freedoms if item.input is not None},
        **{item.name: "dB" if item.measure is None else item.measure.unit for item in result.goal.targets},
    }


def answer_data(answer: QuestionAnswer) -> dict[str, Any]:
    """Return the JSON form of a ready question's answer."""
    plain = {name: getattr(answer, name) for name in ("question", "sentence", "value", "unit", "stocked", "left_db")}
    return {**plain, "rests_on": list(answer.rests_on), "rows": [dict(row) for row in answer.rows]}


def answer_csv(answer: QuestionAnswer) -> str:
    """Return the table of an answer; value and unit where it has none."""
    if not answer.rows:
        return _csv(("value", "unit"), [(answer.value, answer.unit)])
    return _csv(answer.rows[0], (row.values() for row in answer.rows))
