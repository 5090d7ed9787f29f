"""Studies as data: JSON and CSV for programs (SI, unit in the key), the same from the command line and the pages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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


def answer_data(answer: QuestionAnswer) -> dict[str, Any]:
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


def answer_csv(answer: QuestionAnswer) -> str:
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
