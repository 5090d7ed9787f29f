"""ABX: trials that are balanced and fair at once, and what the count of right answers means.

In each trial the listener hears A, B and X, and says whether X is A or B. Across a test, X is each rig equally often
(no rig is heard more), while which rig is called A is a fair coin of its own in every trial. The right answer is then
a fair coin whatever the listener's habits, so the binomial test is exact. (Were the answers themselves balanced, a
guesser who also balances could beat the 5 % line too often.) Nothing is revealed before the end.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import comb
from typing import Literal

import numpy as np

from labkit.core.errors import InputError
from labkit.core.validity import range_called

Choice = Literal["a", "b", "cannot tell"]
CHOICES: tuple[Choice, ...] = ("a", "b", "cannot tell")

RECOMMENDED_TRIALS = 16
TRIALS = range_called("trials")
MOST_TRIALS = int(TRIALS.high)

LEVEL = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """Which rig (0 or 1) hides behind A and behind X; B is the other one."""

    a: int
    x: int

    @property
    def right(self) -> Choice:
        """The right answer."""
        return "a" if self.a == self.x else "b"

    def rig(self, which: str) -> int:
        """Rig behind ``"a"``, ``"b"`` or ``"x"``."""
        return {"a": self.a, "b": 1 - self.a, "x": self.x}[which]


def plan_trials(count: int, seed: int) -> tuple[Trial, ...]:
    """Return a random plan in which X is each rig equally often (to within one for an odd count).

    Parameters
    ----------
    count : int
        1 … 100.
    seed : int
        The same seed gives the same plan.
    """
    TRIALS.check(count)
    random = np.random.default_rng(seed)
    extra = int(random.integers(2))
    hidden = random.permutation([(index + extra) % 2 for index in range(count)])
    coins = random.integers(2, size=count)
    return tuple(Trial(a=int(a), x=int(x)) for a, x in zip(coins, hidden))


def guess_probability(correct: int, trials: int) -> float:
    """Return the probability that pure guessing gets at least ``correct`` of ``trials`` right (exact, one-sided).

    Σ_{k ≥ correct} C(n, k) / 2ⁿ in whole numbers; rounded once, at the division.

    >>> guess_probability(12, 16)
    0.0384063720703125
    """
    if not 0 <= correct <= trials:
        raise InputError(f"right answers must lie between 0 and the number of trials ({trials}); got {correct}")
    return float(sum(comb(trials, k) for k in range(correct, trials + 1)) / 2**trials)


def passing_count(trials: int, level: float = LEVEL) -> int | None:
    """Return the least number of right answers that guessing reaches in no more than ``level`` of tests.

    None when even a perfect score does not (fewer than 5 trials at 5 %).

    >>> passing_count(16)
    12
    """
    return next((k for k in range(trials + 1) if guess_probability(k, trials) <= level), None)


def hit_rate_interval(correct: int, trials: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of the long-run share of right answers (Clopper & Pearson 1934)."""
    tail = (1 - confidence) / 2
    return _share_where(correct, trials, tail), 1 - _share_where(trials - correct, trials, tail)


def _share_where(correct: int, trials: int, tail: float) -> float:
    """The share of right answers with which ``correct`` or more come in ``tail`` of all tests, by halving."""
    low, high = 0.0, 1.0 if correct else 0.0
    for _ in range(53):
        share = (low + high) / 2
        reached = sum(comb(trials, k) * share**k * (1 - share) ** (trials - k) for k in range(correct, trials + 1))
        low, high = (low, share) if reached > tail else (share, high)
    return (low + high) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """Outcome of a test.

    Attributes
    ----------
    trials, answered, decided, correct : int
        Planned; answered at all; answered A or B; answered right.
    cannot_tell : int
        Answered "could not tell": a full answer, left out of the test of significance.
    p_value : float
        Probability that guessing does as well among the decided trials; 1 when none was decided.
    hit_rate_low, hit_rate_high : float
        95 % interval of the share of right answers.
    """

    trials: int
    answered: int
    decided: int
    correct: int
    cannot_tell: int
    p_value: float
    hit_rate_low: float
    hit_rate_high: float

    @property
    def told_apart(self) -> bool:
        """Whether guessing explains the result in at most 5 % of tests."""
        return self.p_value <= LEVEL

    @property
    def meaning(self) -> str:
        """The result in plain words; says nothing about other listeners, takes or rigs."""
        if self.decided == 0:
            return (
                f"Could not tell: no difference was named in {self.answered} trials. That is a full answer. "
                "It does not show that nobody can."
            )
        share = f"{100 * self.p_value:.1f} %" if self.p_value >= 0.001 else "less than 0.1 %"
        counted = f"{self.correct} of {self.decided} decided trials right"
        if self.cannot_tell:
            times = "once" if self.cannot_tell == 1 else f"{self.cannot_tell} times"
            counted += f", {times} 'could not tell'"
        guessing = f"Somebody who only guesses does at least as well in {share} of such tests."
        if self.told_apart:
            verdict = "This listener told these two sounds apart, at this level and with this take."
        else:
            verdict = "Could not tell: the result fits guessing. It does not show that nobody can hear a difference."
        needed = passing_count(self.decided)
        too_few = "" if needed is not None else " With so few decided trials no score could have passed the 5 % line."
        early = "" if self.answered == self.trials else f" It was ended after {self.answered} of {self.trials} trials."
        return f"{counted}. {guessing} {verdict}{too_few}{early}"


def score(trials: tuple[Trial, ...], answers: Mapping[int, Choice]) -> Score:
    """Count the answers.

    Parameters
    ----------
    trials : tuple of Trial
    answers : mapping of int to str
        Choice by trial number, from 1.
    """
    for number, choice in answers.items():
        if not 1 <= number <= len(trials):
            raise InputError(f"this test has trials 1 to {len(trials)}; got an answer to {number}")
        if choice not in CHOICES:
            raise InputError(f"an answer must be a, b or 'cannot tell'; got {choice!r} for trial {number}")
    decided = {number: choice for number, choice in answers.items() if choice != "cannot tell"}
    correct = sum(trials[number - 1].right == choice for number, choice in decided.items())
    low, high = hit_rate_interval(correct, len(decided))
    return Score(
        trials=len(trials),
        answered=len(answers),
        decided=len(decided),
        correct=correct,
        cannot_tell=len(answers) - len(decided),
        p_value=guess_probability(correct, len(decided)),
        hit_rate_low=low,
        hit_rate_high=high,
    )
