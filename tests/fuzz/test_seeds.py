"""Every kept input is read again: none may break a promise that was once repaired, or that was always kept."""

from __future__ import annotations

import time

import pytest

from tests.fuzz.kept import SEEDS, corpus, faults, starting_points
from tests.fuzz.targets import TARGETS

SLOWEST_S = 20.0
"""Processor time at which an input counts as one that never ends; the slowest kept one takes some hundredths of it."""

MOST_KEPT_BYTES = 300_000
"""Of all kept inputs together: a checkout is not a place for bulk data."""


def read_in_time(target: str, data: bytes) -> None:
    TARGETS[target](data)  # the first reading also imports what is imported late
    begun = time.process_time()
    TARGETS[target](data)
    taken = time.process_time() - begun
    assert taken < SLOWEST_S, f"{taken:.1f} s for {data[:80]!r} …"


@pytest.mark.parametrize(("target", "name"), [(target, name) for target in TARGETS for name in faults(target)])
def test_input_that_once_broke_a_promise_keeps_it_now(target: str, name: str) -> None:
    read_in_time(target, faults(target)[name])


@pytest.mark.parametrize("target", TARGETS)
def test_inputs_that_reach_the_code_of_the_long_runs_keep_every_promise(target: str) -> None:
    kept = corpus(target)
    assert kept, f"{target} has no kept inputs"
    for data in kept:
        read_in_time(target, data)


@pytest.mark.parametrize("target", [name for name in TARGETS if name != "page"])
def test_most_of_what_the_project_ships_is_read(target: str) -> None:
    # A target that refused everything would keep its promise too, and test nothing.
    given = list(starting_points(target))
    read = sum(TARGETS[target](data) for data in given)
    # shipped as well, on purpose: formats that are refused (some sound formats, sheets that need their neighbours)
    assert read > len(given) / 2


def test_the_kept_inputs_are_small() -> None:
    assert sum(path.stat().st_size for path in SEEDS.rglob("*") if path.is_file()) < MOST_KEPT_BYTES
