"""A way to run the command line as a user does, and see what it says."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from labkit.cli.main import main


@dataclass(frozen=True)
class Outcome:
    """Exit code and what was printed."""

    code: int
    out: str
    err: str


@pytest.fixture
def labkit(capsys):
    """Run the command line in this process."""

    def run(*arguments: str) -> Outcome:
        code = main([str(argument) for argument in arguments])
        captured = capsys.readouterr()
        return Outcome(code, captured.out, captured.err)

    return run
