"""ABX: exact statistics against scipy, fair and balanced plans, guessers who do not win."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats

from labkit.core.errors import InputError
from labkit.sound.blind.abx import (
    Choice,
    Trial,
    guess_probability,
    hit_rate_interval,
    passing_count,
    plan_trials,
    score,
)


def test_probability_of_guessing_agrees_with_scipy_for_every_outcome_up_to_40_trials() -> None:
    for trials in range(1, 41):
        outcomes = np.arange(trials + 1)
        expected = scipy.stats.binom.sf(outcomes - 1, trials, 0.5)
        got = [guess_probability(int(correct), trials) for correct in outcomes]
        assert np.allclose(got, expected, rtol=1e-12, atol=0)  # scipy works in floating point, ours in whole numbers


@pytest.mark.parametrize(("trials", "correct"), [(1, 1), (10, 9), (16, 12), (16, 8), (25, 18), (40, 40)])
def test_probability_is_that_of_the_exact_binomial_test(trials: int, correct: int) -> None:
    expected = scipy.stats.binomtest(correct, trials, 0.5, alternative="greater").pvalue
    assert guess_probability(correct, trials) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("trials", range(1, 41))
def test_interval_of_the_hit_rate_agrees_with_scipy(trials: int) -> None:
    for correct in range(trials + 1):
        expected = scipy.stats.binomtest(correct, trials).proportion_ci(0.95, method="exact")
        # scipy finds the bounds by root search to about 1e-12.
        assert hit_rate_interval(correct, trials) == pytest.approx((expected.low, expected.high), abs=1e-9)


@pytest.mark.parametrize(("trials", "needed"), [(4, None), (5, 5), (8, 7), (10, 9), (16, 12), (20, 15), (25, 18)])
def test_passing_counts_are_those_of_the_usual_tables(trials: int, needed: int | None) -> None:
    # Critical values of the one-sided binomial test at 5 %, as in tables of the sign test (from memory).
    assert passing_count(trials) == needed


def always_a(trials: int, random: np.random.Generator) -> list[Choice]:
    return ["a"] * trials


def coin(trials: int, random: np.random.Generator) -> list[Choice]:
    return ["a" if toss else "b" for toss in random.integers(2, size=trials)]


def balanced(trials: int, random: np.random.Generator) -> list[Choice]:
    answers: list[Choice] = ["a"] * (trials // 2) + ["b"] * (trials - trials // 2)
    return [answers[i] for i in random.permutation(trials)]


def hesitant(trials: int, random: np.random.Generator) -> list[Choice]:
    words: list[Choice] = ["a", "b", "cannot tell"]
    return [words[i] for i in random.integers(3, size=trials)]


@pytest.mark.parametrize("guesser", [always_a, coin, balanced])
@pytest.mark.parametrize("trials", [16, 23])
def test_a_guesser_passes_the_5_percent_line_as_often_as_stated(guesser, trials: int) -> None:
    random = np.random.default_rng(99)
    runs = 2000
    passed = 0
    for seed in range(runs):
        answers = dict(enumerate(guesser(trials, random), start=1))
        passed += score(plan_trials(trials, seed), answers).told_apart
    exact = guess_probability(passing_count(trials) or 0, trials)
    assert 0.03 < exact <= 0.05  # 3.8 % for 16 and 4.7 % for 23 trials: counts are whole
    # 4 standard deviations of 2000 runs: a fair plan fails this once in 16 000 seeds, and the seeds are fixed.
    assert abs(passed / runs - exact) < 4 * math.sqrt(exact * (1 - exact) / runs)


def test_a_guesser_who_sometimes_cannot_tell_does_not_pass_more_often() -> None:
    random = np.random.default_rng(98)
    runs, trials = 2000, 20
    passed = sum(
        score(plan_trials(trials, seed), dict(enumerate(hesitant(trials, random), start=1))).told_apart
        for seed in range(runs)
    )
    assert passed / runs < 0.05 + 4 * math.sqrt(0.05 * 0.95 / runs)  # never above the line, within 4 deviations


@pytest.mark.parametrize("trials", [1, 2, 15, 16, 40])
def test_x_is_each_rig_equally_often(trials: int) -> None:
    for seed in range(50):
        plan = plan_trials(trials, seed)
        assert len(plan) == trials
        assert abs(sum(trial.x for trial in plan) - trials / 2) <= 0.5


def test_the_right_answer_is_a_fair_coin_in_every_trial_and_independent_between_trials() -> None:
    plans = np.array([[trial.right == "a" for trial in plan_trials(12, seed)] for seed in range(4000)])
    share = plans.mean(axis=0)
    # 4.5 standard deviations of 4000 tosses, for 12 trials and 66 pairs at fixed seeds.
    assert np.max(np.abs(share - 0.5)) < 4.5 * 0.5 / math.sqrt(4000)
    correlation = np.corrcoef(plans.T) - np.eye(12)
    assert np.max(np.abs(correlation)) < 4.5 / math.sqrt(4000)


def test_same_seed_same_plan() -> None:
    assert plan_trials(16, 5) == plan_trials(16, 5)
    assert plan_trials(16, 5) != plan_trials(16, 6)


def test_could_not_tell_is_counted_as_an_answer_and_left_out_of_the_test() -> None:
    plan = tuple(Trial(a=0, x=0) for _ in range(10))
    counted = score(plan, {n: ("a" if n <= 6 else "cannot tell") for n in range(1, 11)})
    assert (counted.answered, counted.decided, counted.correct, counted.cannot_tell) == (10, 6, 6, 4)
    assert counted.p_value == 1 / 64
    assert "4 times 'could not tell'" in counted.meaning


def test_a_test_of_only_could_not_tell_says_so_without_calling_it_a_failure() -> None:
    counted = score(plan_trials(16, 1), dict.fromkeys(range(1, 17), "cannot tell"))
    assert counted.p_value == 1.0
    assert counted.meaning.startswith("Could not tell")
    assert "does not show that nobody can" in counted.meaning


@pytest.mark.parametrize("correct", range(17))
def test_meaning_never_claims_more_than_the_test_shows(correct: int) -> None:
    plan = tuple(Trial(a=0, x=0) for _ in range(16))
    counted = score(plan, {n: ("a" if n <= correct else "b") for n in range(1, 17)})
    assert counted.told_apart == (correct >= 12)
    assert ("told these two sounds apart" in counted.meaning) == (correct >= 12)
    assert ("Could not tell" in counted.meaning) == (correct < 12)


def test_bad_answers_and_bad_plans_are_refused() -> None:
    plan = plan_trials(4, 1)
    with pytest.raises(InputError, match="trials 1 to 4"):
        score(plan, {5: "a"})
    with pytest.raises(InputError, match="a, b or 'cannot tell'"):
        score(plan, {1: "x"})  # type: ignore[dict-item]
    for count in (0, -1, 101):
        with pytest.raises(InputError, match="number of trials must lie between 1 and 100"):
            plan_trials(count, 1)
    with pytest.raises(InputError, match="between 0 and"):
        guess_probability(5, 4)
