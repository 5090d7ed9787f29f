"""Every model is held to account, counts are right, and known gaps stay in sight in table, JSON and sources."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace

import pytest

from labkit.cases import MODELS, Expected, load_cases, run_cases, share_text, summary_by_model
from labkit.cases.runner import named_cases

CASES = load_cases()


def confirming(model: str, cases=CASES) -> list[str]:
    return [each.id for each in cases if each.model == model and each.role == "validation" and not each.known_gap]


@pytest.mark.parametrize("model", MODELS)
def test_every_model_has_a_case_that_confirms_it(model):
    assert confirming(model), f"nothing from outside is held against '{model}'"


def test_a_model_without_a_case_is_noticed():
    assert not confirming("loudness", [each for each in CASES if each.model != "loudness"])
    only_chosen = [replace(each, role="calibration") for each in CASES if each.model == "noise"]
    assert not confirming("noise", only_chosen)


def test_every_case_belongs_to_a_known_model():
    assert {each.model for each in CASES} <= MODELS.keys()


def test_there_are_enough_cases_and_numbers_from_outside_the_wiring_simulations():
    others = [each for each in CASES if not each.id.startswith("wiring:")]
    assert len(others) >= 120
    assert sum(len(each.expected) for each in others) >= 450


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.id)
def test_every_case_says_where_it_comes_from_and_why_so_closely(case):
    assert len(case.source) > 12, "a source that can be found"
    assert len(case.tolerance_reason) > 4
    assert not case.claim[0].islower()
    if case.how == "common practice":
        assert case.source.startswith("common practice, no source")
    if case.known_gap:
        assert len(case.known_gap) > 40, "a gap says what is missing"


def test_no_source_says_that_it_was_recalled_while_it_claims_to_be_read():
    for case in CASES:
        if case.how == "read":
            assert not re.search(r"from memory|recalled", case.source), case.id


def outcomes_of(*cases):
    return list(run_cases(cases))


def test_counts_and_the_closest_call_are_those_of_the_outcomes():
    good = named_cases(["noise_of_10_kilohm"])[0]
    chosen = replace(good, id="chosen", role="calibration")
    gap = replace(good, id="gap", known_gap="x" * 50, expected=(replace(good.expected[0], value=2.6),))
    wrong = replace(good, id="wrong", model="wire", expected=(replace(good.expected[0], value=2.6),))
    wire, noise = summary_by_model(outcomes_of(good, chosen, gap, wrong))
    assert (noise.model, wire.model) == ("noise", "wire"), "in the order of the models"
    assert (noise.cases, noise.numbers, noise.validation, noise.calibration) == (3, 3, 2, 1)
    assert (noise.within, noise.outside, noise.known_gaps, noise.gap_cases) == (2, 0, 1, ("gap",))
    got = outcomes_of(good)[0].got
    # the gap's own share is left out: it is known to fail
    assert noise.worst_share == pytest.approx(abs(got / 1.3 - 1) / 0.04, rel=1e-9)
    assert noise.worst_case == "noise_of_10_kilohm"
    assert wire.outside == 1
    assert wire.worst_share > 1


def test_a_model_that_nothing_confirms_says_so():
    chosen = replace(named_cases(["noise_of_10_kilohm"])[0], role="calibration")
    (found,) = summary_by_model(outcomes_of(chosen))
    assert found.worst_share is None
    assert (found.validation, found.calibration) == (0, 1)


def test_a_model_of_a_plugin_comes_last():
    own = replace(named_cases(["noise_of_10_kilohm"])[0], id="own", model="another lab's model")
    found = summary_by_model(outcomes_of(own, *named_cases(["thermal_noise_dcr"])))
    assert [part.model for part in found] == ["noise", "another lab's model"]
    assert found[1].covers == ""


@pytest.mark.parametrize(("share", "text"), [(None, ""), (0.0, "0 %"), (0.4321, "43 %"), (math.inf, "far outside")])
def test_a_share_is_written_in_whole_per_cent(share, text):
    assert share_text(share) == text


def test_a_known_gap_is_told_in_table_and_json(capsys):
    from labkit.cli.main import main

    assert main(["cases", "alnico_5_louder_than_alnico_2"]) == 0, "a gap that is known does not fail"
    shown = capsys.readouterr().out
    assert "known gap" in shown
    assert "the model does not settle the order" in shown
    assert "known gaps: alnico_5_louder_than_alnico_2" in shown
    assert main(["cases", "alnico_5_louder_than_alnico_2", "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)
    assert row["verdict"] == "known gap"
    assert "does not settle" in row["note"]


def test_the_summary_is_printed_alone_and_as_json(capsys):
    from labkit.cli.main import main

    assert main(["cases", "--model", "noise", "--summary"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].split()[:3] == ["model", "cases", "numbers"]
    assert lines[1].startswith("noise")
    assert main(["cases", "--model", "noise", "--summary", "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)
    assert set(row) == {
        "model",
        "covers",
        "cases",
        "numbers",
        "validation",
        "calibration",
        "within",
        "outside",
        "known_gaps",
        "worst_share",
        "worst_case",
        "gap_cases",
    }
    assert row["outside"] == 0
    assert 0 <= row["worst_share"] <= 1


def test_an_exact_number_may_use_no_tolerance_at_all():
    case = named_cases(["sign_test_table"])[0]
    assert all(isinstance(each, Expected) and each.tolerance == 0 for each in case.expected)
    (found,) = summary_by_model(outcomes_of(case))
    assert found.worst_share == 0
