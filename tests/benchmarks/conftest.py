"""Benchmarks compare routes in one run and print them side by side; none asserts a time."""

from __future__ import annotations

import resource
import statistics
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest


@dataclass(frozen=True)
class Reading:
    """CPU seconds of one run of a route, and how many points (variants × frequencies) it solved."""

    route: str
    seconds: float
    points: int
    note: str


_waits: dict[str, dict[str, list[float]]] = defaultdict(dict)
"""Wall-clock seconds by group and route: what a person waits for."""

_readings: dict[str, list[Reading]] = defaultdict(list)

Timed = Callable[..., Any]


def cpu_seconds() -> float:
    """Processor time of this process and its finished children, s: a busy machine does not disturb it much."""
    own, children = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    return own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime


@pytest.fixture
def timed(benchmark: Any) -> Timed:
    """Time a call as one route of a group: ``timed(group, route, points, call, note=…)`` returns what it returned."""

    def run(group: str, route: str, points: int, call: Callable[[], Any], *, note: str = "", rounds: int = 15) -> Any:
        benchmark.group = group
        benchmark.name = route
        result = benchmark.pedantic(call, rounds=rounds, warmup_rounds=1)
        if benchmark.stats is not None:
            _readings[group].append(Reading(route, benchmark.stats.stats.min, points, note))
        return result

    return run


@pytest.fixture
def waited(benchmark: Any) -> Callable[[str, str, Callable[[], list[float]]], list[float]]:
    """Keep waits for the summary: ``waited(group, route, measure)``, where ``measure`` returns seconds of each."""

    def run(group: str, route: str, measure: Callable[[], list[float]]) -> list[float]:
        benchmark.group = group
        benchmark.name = route
        taken: list[float] = benchmark.pedantic(measure, rounds=1)
        _waits[group][route] = taken
        return taken

    return run


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Print the routes of each group beside its first one."""
    for group, routes in _waits.items():
        terminalreporter.section(group)
        terminalreporter.write_line(f"{'route':<44}{'median ms':>12}{'longest ms':>12}{'times':>9}")
        for route, taken in routes.items():
            numbers = f"{statistics.median(taken) * 1e3:>12.1f}{max(taken) * 1e3:>12.1f}{len(taken):>9}"
            terminalreporter.write_line(f"{route:<44}{numbers}")
    for group, readings in _readings.items():
        terminalreporter.section(group)
        first = readings[0].seconds / readings[0].points
        terminalreporter.write_line(f"{'route':<44}{'CPU ms':>12}{'ns / point':>12}{'ratio':>9}  note")
        for reading in readings:
            each = reading.seconds / reading.points
            numbers = f"{reading.seconds * 1e3:>12.3f}{each * 1e9:>12.1f}{each / first:>9.1f}"
            terminalreporter.write_line(f"{reading.route:<44}{numbers}  {reading.note}")
