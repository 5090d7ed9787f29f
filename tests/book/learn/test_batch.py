"""Batches judged together: planted faults are found, what a batch shares is never blamed on a coil or on one cause."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from labkit.book.learn.batch import READ_LOSS, judge_batch
from labkit.book.learn.evidence import HEIGHT, INDUCTANCE, LOSS, PEAK, RESISTANCE, CoilPlace, Kind, reading_model
from labkit.book.learn.groups import records_of, robust_scale
from labkit.core.errors import InputError
from tests.book.learn.detection_study import READ, _shift, batches, counts, places
from tests.book.learn.shops import KINDS, evidence, single_coil

SIZE = 20
WHERE = places(0, SIZE)


@pytest.fixture(scope="module")
def good() -> np.ndarray:
    return batches("as stated", 0, SIZE, 6, seed=4)


def test_planted_faults_are_found_and_good_coils_pass() -> None:
    """30 batches a fault; the whole table is docs/reference/batch_study.md. Limits are four standard errors of a share
    off what stands there."""
    found = counts("as stated", READ["R, L, series R at 1 kHz"], 0, 30, seed=6)
    assert np.mean(found["turns −4.5 %"].flagged) > 0.8
    assert np.mean(found["turns −4.5 %"].right) > 0.8
    assert np.mean(found["one gauge thinner"].right) > 0.6
    assert np.mean(found["shorted turns, 1.5 %"].flagged) > 0.8
    assert np.mean(found["shorted turns, 1.5 %"].right) > 0.6
    assert np.mean(found["good"].flagged) < 0.01  # of 600 good coils


def test_a_rough_shop_s_first_batch_raises_no_alarm() -> None:
    found = counts("coils scatter twice as much", READ["R, L"], 0, 15, seed=7)
    assert np.mean(found["good"].flagged) < 0.02


def test_what_a_whole_batch_shares_is_blamed_on_no_coil(good) -> None:
    moved = good[0] + 0.04
    verdict = judge_batch(evidence(moved, WHERE, (RESISTANCE, INDUCTANCE)))
    still = judge_batch(evidence(good[0], WHERE, (RESISTANCE, INDUCTANCE)))
    assert [coil.tier for coil in verdict.coils] == [coil.tier for coil in still.coils]
    for one, other in zip(verdict.coils, still.coils):
        assert one.good == pytest.approx(other.good, abs=0.05)  # the plan still counts a little


def test_a_shared_shift_of_resistance_names_every_cause_that_moves_it(good) -> None:
    """Wire and tension move resistance alone: no reading of a coil can tell them apart."""
    past = batches("as stated", 20, SIZE, 1, seed=8)[0]
    where = places(20, SIZE)
    for place in range(20, 40):
        past[place, KINDS.index(RESISTANCE)] += 0.15
    kinds = (RESISTANCE, INDUCTANCE)
    records = records_of(evidence(past[:20], where[:20], kinds))
    verdict = judge_batch(evidence(past[20:], where[20:], kinds), records)
    assert verdict.shift[RESISTANCE].low > 0
    first = verdict.shared[0]
    assert first.probability > 0.3
    assert "wire of the spool" in first.causes
    assert len(first.causes) > 1
    assert "ten metres" in first.check
    assert any("cannot tell which" in sentence for sentence in verdict.sentences)
    for each in verdict.shared:
        assert len(each.causes) == len(set(each.causes))


def test_a_batch_as_expected_says_so(good) -> None:
    verdict = judge_batch(evidence(good[1] * 0.5, WHERE, (RESISTANCE, INDUCTANCE)))
    assert verdict.sentences == ("the batch lies where it was expected",)


def test_a_batch_is_said_to_be_moved_by_all_its_readings_together(good) -> None:
    """One of three readings beyond its own 95 % interval is what one good batch in seven shows."""
    kinds = (RESISTANCE, INDUCTANCE, LOSS)
    shifts = np.zeros(len(KINDS))
    moved = []
    for percent in range(12):
        shifts[KINDS.index(INDUCTANCE)] = 0.01 * percent
        verdict = judge_batch(evidence(good[1] * 0.5 + shifts, WHERE, kinds))
        beyond = any(each.low > 0 or each.high < 0 for each in verdict.shift.values())
        moved.append((beyond, bool(verdict.moved)))
        assert bool(verdict.moved) == (beyond and verdict.as_expected <= 0.05)
        assert verdict.moved or verdict.sentences == ("the batch lies where it was expected",)
    assert (True, False) in moved
    assert moved[-1] == (True, True)


def test_the_next_step_of_an_unclear_coil_is_to_read_its_loss(good) -> None:
    rows = good[2].copy()
    rows[3] += _shift("turns −4.5 %", 0)
    verdict = judge_batch(evidence(rows, WHERE, (RESISTANCE, INDUCTANCE)))
    coil = verdict.coils[3]
    assert coil.tier == "fault"
    assert {"number of turns", "shorted turns"} <= {name for name, _, _ in coil.causes}
    assert coil.action == READ_LOSS
    with_loss = judge_batch(evidence(rows, WHERE, (RESISTANCE, INDUCTANCE, LOSS))).coils[3]
    assert with_loss.causes[0][0] == "number of turns"
    assert with_loss.causes[0][2] > 0.9
    assert READ_LOSS not in with_loss.action


def test_a_warm_coil_is_read_again(good) -> None:
    rows = good[0].copy()
    rows[5] = np.median(good[0], axis=0) + 2 * np.array(_shift("warm by 5 K", 0))
    coil = judge_batch(evidence(rows, WHERE, (RESISTANCE, INDUCTANCE, LOSS))).coils[5]
    assert coil.tier != "good"
    assert "hour" in coil.action


def test_a_bad_coil_neither_teaches_nor_moves_the_middle(good) -> None:
    rows = good[3].copy()
    rows[0] += _shift("one gauge thinner", 0)
    kinds = (RESISTANCE, INDUCTANCE)
    with_bad, without = (judge_batch(evidence(part, WHERE[: len(part)], kinds)) for part in (rows, rows[1:]))
    assert with_bad.coils[0].serial not in with_bad.good
    assert with_bad.scatter == pytest.approx(without.scatter, rel=0.15)
    assert with_bad.shift[RESISTANCE].value == pytest.approx(without.shift[RESISTANCE].value, abs=1e-3)


def test_coils_that_lack_a_reading_are_judged_by_the_others(good) -> None:
    rows = good[4].copy()
    rows[2] += _shift("one gauge thinner", 0)
    coils = evidence(rows, WHERE, (RESISTANCE, INDUCTANCE, LOSS))
    coils[2] = replace(coils[2], readings={RESISTANCE: coils[2].readings[RESISTANCE]})
    coils[9] = replace(coils[9], readings={INDUCTANCE: coils[9].readings[INDUCTANCE]})
    verdict = judge_batch(coils)
    assert verdict.coils[2].tier == "fault"
    assert verdict.coils[9].tier == "good"


def test_a_lone_coil_is_held_against_plan_and_records(good) -> None:
    rows = good[5][:1].copy()
    rows[0] += _shift("one gauge thinner", 0)
    assert judge_batch(evidence(rows, WHERE[:1], (RESISTANCE, INDUCTANCE))).coils[0].tier == "fault"


def test_a_weak_magnet_shows_in_the_field_alone(good) -> None:
    field = Kind(quantity="field", gap=1e-3)
    planned = reading_model(single_coil(), (field,), ()).at(20.0)[0]
    rng = np.random.default_rng(1)
    coils = evidence(good[0], WHERE, (RESISTANCE,))
    coils = [
        replace(coil, readings={**coil.readings, field: field.value(planned + 0.05 + 0.02 * rng.normal())})
        for coil in coils
    ]
    weak = coils[4].readings[field] * 0.8
    coils[4] = replace(coils[4], readings={**coils[4].readings, field: weak})
    verdict = judge_batch(coils)
    assert verdict.coils[4].causes[0][0] == "weak magnet"
    assert [coil.serial for coil in verdict.coils if coil.tier == "fault"] == [coils[4].serial]


def test_peak_and_height_find_extra_capacitance(good) -> None:
    rows = good[1].copy()
    rows[7, KINDS.index(PEAK)] += -0.5 * math.log(1 + 200 / 590)  # 200 pF more on 95 + 470 pF and some
    verdict = judge_batch(evidence(rows, WHERE, (RESISTANCE, INDUCTANCE, PEAK)))
    assert verdict.coils[7].causes[0][0] == "extra capacitance"
    assert HEIGHT not in verdict.shift


def test_a_robust_scale_does_not_see_a_few_bad_coils() -> None:
    """Of 400 coils a tenth is far off: their median distance stays that of good ones within 15 %."""
    squares = np.random.default_rng(2).chisquare(2, 400)
    clean, doubt = robust_scale([squares], [2])
    squares[:40] += 1000
    assert robust_scale([squares], [2])[0] == pytest.approx(clean, rel=0.15)
    assert clean == pytest.approx(1.0, rel=0.1)
    assert doubt < 0.05


def test_a_batch_of_two_designs_or_none_is_refused() -> None:
    with pytest.raises(InputError, match="one coil or more"):
        judge_batch([])
    coils = evidence(np.zeros((2, len(KINDS))), [CoilPlace(session="a")] * 2)
    other = replace(coils[1].build, temperature_c=25.0)
    with pytest.raises(InputError, match="one design"):
        judge_batch([coils[0], replace(coils[1], build=other)])
