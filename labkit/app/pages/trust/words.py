"""The trust page's text as HTML: verdicts by model and case, what a prediction deserves, what is left out."""

from __future__ import annotations

from html import escape

from labkit.app.pages.trust.state import ALL, ORIGINS, Tally, TrustPageState, tolerance_text
from labkit.cases import MODELS, Case, Outcome, used_share
from labkit.cases.limits import Limits
from labkit.core.errors import capitalized

ROLES = {
    "validation": "confirms the model",
    "calibration": "chose a constant, so it confirms nothing",
}
VERDICTS = {
    "within": "within",
    "outside": "outside",
    "known gap": "known gap",
    "known gap closed": "known gap, now closed",
    "not run": "could not be run",
}


def head_html(state: TrustPageState) -> str:
    """Return the key numbers over all models, or the chosen one: what there is, then how it stands."""
    if not state.is_loaded:
        return '<p class="lab-meaning">Reading the cases …</p>'
    model = None if state.snapshot.model == ALL else state.snapshot.model
    tally, cases = Tally.of(state.outcomes(model)), state.cases_of(model)
    sentence = state.sentence(model)
    if tally.numbers:
        confirming = tally.numbers - tally.calibrations
        numbers = (
            ("Within tolerance", f"{tally.within} of {tally.numbers}", f"from {tally.cases} of {len(cases)} cases"),
            ("Confirm a model", f"{confirming}", f"{tally.calibrations} more chose a constant"),
            ("Not within", f"{tally.outside + tally.gaps}", f"{tally.gaps} of them known gaps"),
        )
    else:
        gaps = sum(bool(case.known_gap) for case in cases)
        choose = sum(case.role == "calibration" for case in cases)
        numbers = (
            ("Numbers to meet", f"{sum(len(case.expected) for case in cases)}", f"in {len(cases)} cases"),
            (
                "Models",
                f"{len({case.model for case in cases})}",
                f"{choose} cases chose a constant and confirm nothing",
            ),
            ("Known gaps", f"{gaps}", "cases that are expected to fail today"),
        )
    cells = "".join(
        f'<div><dt>{escape(label)}</dt><dd class="lab-value">{escape(value)}</dd>'
        f'<dd class="lab-detail">{escape(detail)}</dd></div>'
        for label, value, detail in numbers
    )
    return f'<dl class="lab-numbers">{cells}</dl><p class="lab-meaning">{escape(sentence)}</p>'


def model_html(state: TrustPageState, model: str, limits: Limits) -> str:
    """Return one model: how it stands, where its numbers come from, every case, and what it leaves out."""
    cases = "".join(_case_html(case, outcomes) for case, outcomes in state.by_case(model))
    if not cases and state.outcomes(model):
        cases = '<p class="lab-note">Nothing here that the choice above lets through.</p>'
    listed = state.cases_of(model)
    if listed and not state.outcomes(model):
        cases = f'<ul class="lab-note">{"".join(f"<li>{escape(case.claim)}</li>" for case in listed)}</ul>'
    origins = state.origins(model)
    left_out = "; ".join(part.what[:1].lower() + part.what[1:] for part in limits.not_modelled if model in part.models)
    return (
        f"<h2>{escape(capitalized(model))}</h2>"
        + (f'<p class="lab-note">Covers {escape(MODELS[model])}.</p>' if model in MODELS else "")
        + f"<p>{escape(state.sentence(model))}</p>"
        + (f'<p class="lab-note">The numbers held against it: {escape(origins)}.</p>' if origins else "")
        + (f'<p class="lab-note">Left out of it: {escape(left_out)}.</p>' if left_out else "")
        + cases
    )


def limits_html(limits: Limits) -> str:
    """Return what a prediction deserves and what is not modelled."""
    rows = "".join(
        f"<div><dt>{escape(part.within)}</dt><dd><ul>{''.join(f'<li>{escape(what)}</li>' for what in part.what)}</ul>"
        f"<p>{escape(part.why)}</p></dd></div>"
        for part in limits.predictions
    )
    left_out = "".join(
        f"<div><dt>{escape(part.what)}</dt><dd><p>{escape(part.so)}</p></dd></div>" for part in limits.not_modelled
    )
    return (
        '<section class="lab-limits"><h2>What a prediction deserves</h2>'
        "<p>The true value should lie within this much of the predicted one about nineteen times in twenty.</p>"
        f"<dl>{rows}</dl></section>"
        '<section class="lab-limits"><h2>What is not modelled</h2>'
        "<p>No interval of the lab covers these. Where one of them matters, measure.</p>"
        f"<dl>{left_out}</dl></section>"
    )


def _case_html(case: Case, outcomes: tuple[Outcome, ...]) -> str:
    within = sum(outcome.verdict == "within" for outcome in outcomes)
    mark = "good" if within == len(outcomes) else "bad"
    share = max(map(used_share, outcomes))
    used = f", at most {100 * share:.0f} % of the tolerance used" if 0 <= share < 10 else ""
    notes = [
        f"Source: {case.source} ({ORIGINS.get(case.how, case.how)}).",
        f"Role: {ROLES[case.role]}.",
        f"Tolerance: {case.tolerance_reason}.",
    ]
    notes += [f"Doubt: {case.doubt}."] if case.doubt else []
    notes += [f"Known gap: {case.known_gap}."] if case.known_gap else []
    rows = "".join(_row(outcome) for outcome in outcomes)
    counted = f"{within} of {len(outcomes)} within{used}" + ("; calibration" if case.role == "calibration" else "")
    return (
        f'<details data-id="{escape(case.id)}" class="lab-case lab-case-{mark}">'
        f"<summary><span>{escape(case.claim)}</span> <small>{counted}</small>"
        "</summary>"
        + "".join(f'<p class="lab-note">{escape(note.replace("..", "."))}</p>' for note in notes)
        + f'<div class="lab-table-holder" tabindex="0" role="region" aria-label="{escape(case.claim)}">'
        '<table class="lab-trials"><thead><tr><th scope="col">Quantity</th><th scope="col">Expected</th>'
        '<th scope="col">Here</th><th scope="col">Unit</th><th scope="col">Tolerance</th>'
        f'<th scope="col">Verdict</th></tr></thead><tbody>{rows}</tbody></table></div></details>'
    )


def _row(outcome: Outcome) -> str:
    expected = outcome.expected
    unit = "" if expected.unit == "1" else expected.unit
    verdict = VERDICTS[outcome.verdict] + (f": {outcome.note}" if outcome.note else "")
    cells = (f"{expected.value:.6g}", f"{outcome.got:.6g}", unit, tolerance_text(outcome), verdict)
    return (
        f'<tr><th scope="row">{escape(expected.quantity.replace("_", " "))}</th>'
        + "".join(f"<td>{escape(cell)}</td>" for cell in cells)
        + "</tr>"
    )
