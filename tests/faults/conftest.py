"""The command line as somebody meets it: in this process where a fault is injected, else in one of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from labkit.cli.main import main

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Outcome:
    """Exit code and what was printed."""

    code: int
    out: str
    err: str

    def is_one_sentence(self) -> bool:
        """True where the command refused as every command should: code 2, one line, no traceback."""
        return self.code == 2 and self.err.count("\n") == 1 and self.err.startswith("labkit: ")


@pytest.fixture
def labkit(capsys: pytest.CaptureFixture[str]) -> Callable[..., Outcome]:
    """Run the command line in this process."""

    def run(*arguments: object) -> Outcome:
        code = main([str(argument) for argument in arguments])
        captured = capsys.readouterr()
        return Outcome(code, captured.out, captured.err)

    return run


def start(*arguments: object, **options: object) -> subprocess.Popen[bytes]:
    """Start the command line as a process of its own."""
    command = [sys.executable, "-m", "labkit.cli", *(str(argument) for argument in arguments)]
    if not (ROOT / "labkit" / "cli" / "__main__.py").exists():
        command[1:3] = ["-c", "from labkit.cli.main import main; main()"]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **options}
    return subprocess.Popen(command, cwd=ROOT, env={**os.environ, "PYTHONUNBUFFERED": ""}, **pipes)  # type: ignore[call-overload,no-any-return]


def finish(process: subprocess.Popen[bytes], seconds: float = 60) -> Outcome:
    """Wait for a process and return what it said; end it where it does not come to an end."""
    try:
        out, err = process.communicate(timeout=seconds)
    finally:
        if process.poll() is None:
            process.kill()
            process.communicate()
    return Outcome(process.returncode, (out or b"").decode(), (err or b"").decode())


def left_in(folder: Path) -> list[str]:
    """Names of everything in a folder, hidden ones too."""
    return sorted(path.name for path in folder.iterdir())
