"""``labkit cases``: how the models stand against published and measured numbers."""

from __future__ import annotations

import click

from labkit.cases.runner import Outcome, load_cases, named_cases, run_cases
from labkit.cases.summary import WITHOUT, ranges, share_text, summary_by_model
from labkit.cli.main import CHECK_FAILED, DONE, coloured
from labkit.cli.options import Output, result_options
from labkit.core.errors import InputError, did_you_mean
from labkit.core.validity import Range


@click.command()
@click.argument("names", nargs=-1)
@result_options()
@click.option("--model", help="Only the cases of one model, such as loads or winding.")
@click.option("--summary", is_flag=True, help="Only how each model stands: counts, known gaps, the closest call.")
@click.option("--ranges", "of_ranges", is_flag=True, help="Where each model holds, and what happens outside.")
def cases(
    names: tuple[str, ...],
    out: Output,
    model: str | None,
    summary: bool,
    of_ranges: bool,
) -> int:
    """Run the reference cases (all, or those of the given NAMES) and print a verdict on each number.

    A NAME is that of a case, or of a file of cases such as air_coils.

    A number that chose a constant is calibration and confirms nothing. A known gap is expected to fail; its reason
    stands below it. Exits with 1 when a case lies outside its tolerance.
    """
    if of_ranges:
        if names or summary:
            raise InputError("--ranges lists ranges of models, of all or of one with --model; leave the rest out")
        found = ranges(model)
        out.write(text=lambda: _ranges_text(found, model), data=lambda: [each.as_dict() for each in found])
        return DONE
    chosen = named_cases(names) if names else load_cases()
    if model is not None:
        models = {case.model for case in chosen}
        if model not in models:
            raise InputError(f"no case is of the model '{model}'.{did_you_mean(model, models)}")
        chosen = tuple(case for case in chosen if case.model == model)
    outcomes = list(run_cases(chosen))
    out.write(
        text=lambda: "\n".join(_summary(outcomes)) if summary else _table(outcomes),
        data=lambda: [row.as_dict() for row in (summary_by_model(outcomes) if summary else outcomes)],
    )
    return CHECK_FAILED if any(outcome.is_failure for outcome in outcomes) else DONE


def _ranges_text(found: tuple[Range, ...], model: str | None) -> str:
    lines = [f"{'model':<17} {'quantity':<45} {'holds in':<22} {'outside':<15} {'refused beyond'}"]
    for each in found:
        accepted = "" if each.outside == "refused" else each.accepted
        lines.append(f"{each.model:<17} {each.quantity:<45} {each.span:<22} {each.outside:<15} {accepted}".rstrip())
        if model is not None:
            lines += [f"    {each.why}", f"    source: {each.source}"]
    lines += [f"{name:<17} {why}" for name, why in WITHOUT.items() if model in (None, name)]
    return "\n".join(lines)


def _table(outcomes: list[Outcome]) -> str:
    lines = [f"{'case':<36} {'quantity':<28} {'expected':>12} {'got':>12} {'unit':<6} {'tolerance':>12}  verdict"]
    for outcome in outcomes:
        expected = outcome.expected
        lines.append(
            f"{outcome.case.id[:36]:<36} {expected.quantity[:28]:<28} {expected.value:>12.6g} {outcome.got:>12.6g} "
            f"{expected.unit:<6} {expected.tolerance_text:>12}  {_verdict(outcome)}"
            + (f" ({outcome.case.role})" if outcome.case.role == "calibration" else "")
        )
        if outcome.note or outcome.verdict == "known gap":
            lines.append(f"    {outcome.note or outcome.case.known_gap}")
    lines += ["", *_summary(outcomes)]
    return "\n".join(lines)


def _verdict(outcome: Outcome) -> str:
    return coloured(outcome.verdict, "red" if outcome.is_failure else "yellow" if outcome.case.known_gap else "green")


def _summary(outcomes: list[Outcome]) -> list[str]:
    lines = [
        f"{'model':<18} {'cases':>5} {'numbers':>8} {'confirming':>11} {'calibration':>12} {'within':>7} "
        f"{'outside':>8} {'known gaps':>11}  worst share of a tolerance"
    ]
    for part in summary_by_model(outcomes):
        worst = f"{share_text(part.worst_share)} ({part.worst_case})" if part.worst_case else "nothing confirms it"
        lines.append(
            f"{part.model:<18} {part.cases:>5} {part.numbers:>8} {part.validation:>11} {part.calibration:>12} "
            f"{part.within:>7} {part.outside:>8} {part.known_gaps:>11}  {worst}"
        )
    gaps = [name for part in summary_by_model(outcomes) for name in part.gap_cases]
    if gaps:
        lines += ["", f"known gaps: {', '.join(gaps)}"]
    return lines
