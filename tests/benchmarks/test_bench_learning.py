"""A prediction with a workshop book of 20 000 coils, and a batch of 20 judged against it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from labkit.book.learn.batch import judge_batch
from labkit.book.learn.evidence import INDUCTANCE, LOSS, RESISTANCE, CoilPlace
from labkit.book.learn.groups import Records, records_of
from labkit.book.learn.prediction import knowledge
from tests.benchmarks.conftest import Timed, cpu_seconds
from tests.book.learn.shops import KINDS, evidence, single_coil

pytestmark = pytest.mark.benchmark(timer=cpu_seconds)

GROUP = "a workshop book of 20 000 coils"
COILS, OF_A_SESSION, OF_A_SPOOL, OF_A_LOT = 20_000, 20, 18, 60
NEXT = CoilPlace(spool="new", lot="new", session="today", months=250.0)


def coils() -> list:
    away = 0.01 * np.random.default_rng(1).normal(size=(COILS, len(KINDS)))
    places: dict[tuple[int, ...], CoilPlace] = {}
    found = []
    for index in range(COILS):
        key = (index // OF_A_SPOOL, index // OF_A_LOT, index // OF_A_SESSION)
        spool, lot, session = map(str, key)
        found.append(places.setdefault(key, CoilPlace(spool=spool, lot=lot, session=session, months=key[2] * 0.25)))
    return evidence(away, found, (RESISTANCE, INDUCTANCE, LOSS))


@pytest.fixture(scope="module")
def records() -> Records:
    return records_of(coils())


def test_read_in(timed: Timed) -> None:
    made = coils()
    timed(GROUP, "compare with the plan and group", COILS, lambda: records_of(made), rounds=2)


def test_predict(timed: Timed, records: Records) -> None:
    found = timed(GROUP, "predict the next coil", 1, lambda: knowledge(records, single_coil(), NEXT), rounds=3)
    assert found.coils > COILS / 4  # the older half-years are averages that would add nothing


def test_judge(timed: Timed, records: Records) -> None:
    away = 0.01 * np.random.default_rng(2).normal(size=(20, len(KINDS)))
    batch = evidence(away, [replace(NEXT, months=250.0)] * 20, (RESISTANCE, INDUCTANCE, LOSS))
    timed(GROUP, "judge a batch of 20", 20, lambda: judge_batch(batch, records), rounds=3)
