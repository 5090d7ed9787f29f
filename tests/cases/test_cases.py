"""The reference cases hold, and the runner tells when they do not."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from labkit.cases import check_functions, load_cases, run_cases
from labkit.cases.case import Expected
from labkit.cases.runner import named_cases
from labkit.core.errors import InputError


@pytest.mark.parametrize("case", load_cases(), ids=lambda case: case.id)
def test_reference_case_holds(case):
    for outcome in run_cases([case]):
        assert not outcome.is_failure, f"{outcome.expected.quantity}: {outcome.as_dict()}"


def test_every_check_is_used_by_a_case():
    assert {case.check for case in load_cases()} | {"rig"} >= set(check_functions())


def test_a_number_outside_its_tolerance_is_told():
    case = named_cases(["pot_value_table"])[0]
    wrong = replace(case, expected=(replace(case.expected[0], value=case.expected[0].value * 1.01),))
    assert [outcome.verdict for outcome in run_cases([wrong])] == ["outside"]


def test_a_known_gap_that_closes_is_a_failure():
    case = replace(named_cases(["pot_value_table"])[0], known_gap="not yet modelled")
    outcomes = list(run_cases([case]))
    assert {outcome.verdict for outcome in outcomes} == {"known gap closed"}
    assert all(outcome.is_failure for outcome in outcomes)


def test_a_check_that_cannot_be_made_is_not_passed_over():
    case = named_cases(["pot_value_table"])[0]
    for broken in (replace(case, check="pot vaules"), replace(case, inputs={})):
        outcomes = list(run_cases([broken]))
        assert {outcome.verdict for outcome in outcomes} == {"not run"}
        assert all(outcome.is_failure and outcome.note for outcome in outcomes)


@pytest.mark.parametrize(
    ("kind", "tolerance", "got", "met"),
    [
        ("relative", 0.1, 10.9, True),
        ("relative", 0.1, 11.1, False),
        ("absolute", 0.5, 9.6, True),
        ("absolute", 0.5, 9.4, False),
        ("at most", 0.0, 9.9, True),
        ("at most", 0.0, 10.1, False),
        ("relative", 0.1, float("nan"), False),
    ],
)
def test_tolerances_mean_what_they_say(kind, tolerance, got, met):
    expected = Expected(quantity="x", value=10.0, unit="1", tolerance=tolerance, tolerance_kind=kind)
    assert expected.is_met(got) is met


def test_an_unknown_case_is_refused_with_the_nearest():
    with pytest.raises(InputError, match="Did you mean 'pot_value_table'"):
        named_cases(["pot_value_tabel"])


def test_the_command_prints_the_promised_keys(capsys):
    from labkit.cli.main import main

    assert main(["cases", "pot_value_table", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert set(rows[0]) >= {
        "id",
        "claim",
        "source",
        "role",
        "quantity",
        "expected",
        "got",
        "unit",
        "tolerance",
        "verdict",
    }
