"""``labkit cases``: how the models stand against published and measured numbers."""

from __future__ import annotations

from pathlib import Path

import click

from labkit.cases.runner import Outcome, load_cases, named_cases, run_cases
from labkit.cli.main import CHECK_FAILED, DONE
from labkit.cli.options import as_json_text, emit, json_option, output_options
from labkit.core.errors import InputError, did_you_mean


@click.command()
@click.argument("names", nargs=-1)
@json_option
@output_options
@click.option("--model", help="Only the cases of one model, such as loads or winding.")
def cases(names: tuple[str, ...], as_json: bool, output: Path | None, force: bool, model: str | None) -> int:
    """Run the reference cases (all, or those of the given NAMES) and print a verdict on each number.

    Exits with 1 when a case lies outside its tolerance.
    """
    chosen = named_cases(names) if names else load_cases()
    if model is not None:
        models = {case.model for case in chosen}
        if model not in models:
            raise InputError(f"no case is of the model '{model}'.{did_you_mean(model, models)}")
        chosen = tuple(case for case in chosen if case.model == model)
    outcomes = list(run_cases(chosen))
    if as_json:
        emit(as_json_text([outcome.as_dict() for outcome in outcomes]), output, force)
    else:
        emit(_table(outcomes), output, force)
    return CHECK_FAILED if any(outcome.is_failure for outcome in outcomes) else DONE


def _table(outcomes: list[Outcome]) -> str:
    lines = [f"{'case':<36} {'quantity':<28} {'expected':>12} {'got':>12} {'unit':<6} {'tolerance':>12}  verdict"]
    for outcome in outcomes:
        expected = outcome.expected
        lines.append(
            f"{outcome.case.id[:36]:<36} {expected.quantity[:28]:<28} {expected.value:>12.6g} {outcome.got:>12.6g} "
            f"{expected.unit:<6} {_tolerance(outcome):>12}  {outcome.verdict}"
            + (f" ({outcome.case.role})" if outcome.case.role == "calibration" else "")
        )
        if outcome.note:
            lines.append(f"    {outcome.note}")
    lines += ["", *_summary(outcomes)]
    return "\n".join(lines)


def _tolerance(outcome: Outcome) -> str:
    expected = outcome.expected
    if expected.tolerance_kind == "relative":
        return f"±{expected.tolerance * 100:.3g} %"
    return "at most" if expected.tolerance_kind == "at most" else f"±{expected.tolerance:.3g}"


def _summary(outcomes: list[Outcome]) -> list[str]:
    lines = [f"{'model':<16} {'cases':>5} {'numbers':>8} {'within':>7} {'outside':>8} {'known gaps':>11}"]
    for model in dict.fromkeys(outcome.case.model for outcome in outcomes):
        own = [outcome for outcome in outcomes if outcome.case.model == model]
        count = {verdict: sum(o.verdict == verdict for o in own) for verdict in ("within", "known gap")}
        failed = sum(o.is_failure for o in own)
        ids = len({o.case.id for o in own})
        lines.append(f"{model:<16} {ids:>5} {len(own):>8} {count['within']:>7} {failed:>8} {count['known gap']:>11}")
    return lines
