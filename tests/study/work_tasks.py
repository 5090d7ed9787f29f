"""Tasks for other processes: they must be importable there."""

from __future__ import annotations

import os
import signal
from dataclasses import dataclass
from pathlib import Path

from labkit.core.errors import InputError
from labkit.study.tolerance.tolerance import State, ToleranceStudy


def square(number: int) -> int:
    """Return number²."""
    return number * number


def fails(number: int) -> int:
    """Fail in its own words on one number."""
    if number == 3:
        raise InputError("number 3 cannot be done")
    return number


@dataclass(frozen=True)
class DiesOnce:
    """Squares numbers; the process that gets number 2 first is killed in the middle of it."""

    marker: Path

    def __call__(self, number: int) -> int:
        if number == 2 and not self.marker.exists():
            self.marker.write_text("dead")
            os.kill(os.getpid(), signal.SIGKILL)
        return number * number


@dataclass(frozen=True)
class StudyThatKillsAWorker:
    """A tolerance study whose worker is killed the first time chunk 1 is computed."""

    study: ToleranceStudy
    marker: Path

    def __call__(self, number: int) -> State:
        if number == 1 and not self.marker.exists():
            self.marker.write_text("dead")
            os.kill(os.getpid(), signal.SIGKILL)
        return self.study(number)
