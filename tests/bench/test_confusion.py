"""What the diagnosis says of pickups that ngspice made: good ones pass, faults are named, also two at once.

The table of 200 faulty and 200 good ones is made by `python -m tests.bench.confusion`.
"""

import numpy as np
import pytest

from labkit.bench.diagnose.diagnose import diagnose_readings
from labkit.bench.diagnose.verdicts import CONFIDENT
from tests.bench.confusion import PLAN, is_named
from tests.bench.faulty_pickups import ELECTRICAL, KINDS, Case, faulty, good, read_cases

pytestmark = pytest.mark.ngspice


@pytest.fixture(scope="module")
def judged(tmp_path_factory):
    """Three of each fault and 30 good ones, all in one run of the simulator."""
    random = np.random.default_rng(4)
    cases = [faulty(kind, random) for kind in KINDS for _ in range(3)] + [good(random) for _ in range(30)]
    readings = read_cases(cases, tmp_path_factory.mktemp("ngspice"), random)
    return [(case, diagnose_readings(PLAN, each)) for case, each in zip(cases, readings)]


def test_good_pickups_are_not_called_faulty(judged):
    """At 5 % false alarms 30 good ones show 1.5; four would be chance in one of 20 runs."""
    tiers = [verdict.tier for case, verdict in judged if not case.truth]
    assert tiers.count("fault") <= 3
    assert tiers.count("passes") >= 20


def test_faults_of_a_coil_are_found_and_named(judged):
    found = [(case, verdict) for case, verdict in judged if case.truth and not case.other and case.magnet == 1.0]
    assert len(found) == 3 * len(ELECTRICAL)
    assert sum(not verdict.passes for _, verdict in found) >= 0.9 * len(found)
    assert sum(is_named(case, verdict) for case, verdict in found) >= 0.75 * len(found)


def test_faults_outside_the_coil_are_named_always(judged):
    for case, verdict in judged:
        if case.other:
            assert is_named(case, verdict), (case.truth, [finding.cause for finding in verdict.findings])


def test_shorted_turns_are_flagged_by_the_loss_at_1_and_5_khz(tmp_path):
    """1 to 3 % of the turns move resistance and inductance within tolerance; the loss tells."""
    random = np.random.default_rng(9)
    cases = [Case(truth=("shorted turns",), short=share) for share in np.linspace(0.01, 0.03, 6)]
    for readings in read_cases(cases, tmp_path, random):
        verdict = diagnose_readings(PLAN, readings)
        assert verdict.tier == "fault"
        assert "shorted turns" in " ".join(finding.cause for finding in verdict.findings)


def test_no_wrong_single_cause_is_confident(judged):
    for case, verdict in judged:
        for finding in verdict.findings:
            if finding.confidence >= CONFIDENT and case.truth and not case.other:
                assert any(name in finding.cause for name in case.truth), (case.truth, finding.cause)
