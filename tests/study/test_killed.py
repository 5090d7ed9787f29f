"""Killed in the middle with no chance to say goodbye, and started again: the same result."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from labkit.study.search.search import run_search
from labkit.study.tolerance.tolerance import run_tolerance
from tests.study.test_search import assert_same, large
from tests.study.test_tolerance import assert_same_to_the_last_digit, small

ROOT = Path(__file__).resolve().parents[2]

# Every chunk is recorded, and each is followed by a pause in which the kill can come.
PROGRAM = """
import sys, time
from pathlib import Path
from labkit.study.work import reduction
reduction.EVERY_S = 0.0
{body}
"""
TOLERANCE = PROGRAM.format(
    body="""
from labkit.study.tolerance.draws import CELL
from tests.study.test_tolerance import run_tolerance, small
run_tolerance(small(count=8 * CELL), record=Path(sys.argv[1]), stop=lambda: time.sleep(0.5))
"""
)
SEARCH = PROGRAM.format(
    body="""
from tests.study.test_search import large, run_search
run_search(large(), record=Path(sys.argv[1]), stop=lambda: time.sleep(0.5))
"""
)


def kill_in_the_middle(program: str, record: Path) -> None:
    """Start a study, wait until its first chunk is recorded, and kill it."""
    process = subprocess.Popen([sys.executable, "-c", program, str(record)], cwd=ROOT)
    try:
        waited = time.monotonic()
        while not record.exists():
            assert process.poll() is None, "the study ended before it could be killed"
            assert time.monotonic() - waited < 60
            time.sleep(0.02)
        os.kill(process.pid, signal.SIGKILL)
        assert process.wait(10) == -signal.SIGKILL
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()


def chunks_recorded(record: Path) -> str:
    with np.load(record) as archive:
        return str(archive["header"])


@pytest.mark.skipif(os.name != "posix", reason="kills by signal")
def test_a_tolerance_study_killed_in_the_middle_gives_the_same_result_when_taken_up(tmp_path: Path) -> None:
    from labkit.study.tolerance.draws import CELL

    record = tmp_path / "study.npz"
    kill_in_the_middle(TOLERANCE, record)
    assert '"done": 1' in chunks_recorded(record) or '"done": 2' in chunks_recorded(record)
    study = small(count=8 * CELL)
    assert_same_to_the_last_digit(run_tolerance(study, record=record), run_tolerance(study))


@pytest.mark.skipif(os.name != "posix", reason="kills by signal")
def test_a_search_killed_in_the_middle_gives_the_same_result_when_taken_up(tmp_path: Path) -> None:
    record = tmp_path / "search.npz"
    kill_in_the_middle(SEARCH, record)
    assert '"done": 1' in chunks_recorded(record) or '"done": 2' in chunks_recorded(record)
    assert_same(run_search(large(), record=record), run_search(large()))


@pytest.mark.skipif(os.name != "posix", reason="interrupts by signal")
@pytest.mark.parametrize("workers", ["1", "2"])
def test_an_interrupt_from_the_keyboard_ends_a_study_with_what_is_done(tmp_path: Path, workers: str) -> None:
    record = tmp_path / "study.npz"
    command = [sys.executable, "-c", INTERRUPTIBLE, "--record", str(record), "--workers", workers]
    process = subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    try:
        waited = time.monotonic()
        while not record.exists():
            assert process.poll() is None, "the study ended before it could be interrupted"
            assert time.monotonic() - waited < 60
            time.sleep(0.02)
        # As a terminal does it: to every process of the group.
        os.killpg(process.pid, signal.SIGINT)
        out, err = process.communicate(timeout=60)
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.communicate()
    assert process.returncode == 130
    assert "stopped early" in out
    assert err == f"labkit: wrote {record}\n"
    assert record.exists()


INTERRUPTIBLE = """
if __name__ == "__main__":
    import sys
    from labkit.study.work import reduction
    reduction.EVERY_S = 0.0
    from labkit.cli.main import main
    rig = "Saltmarsh Lane, narrow single coil"
    sys.exit(main(["tolerance", rig, "--count", "3000000", "--points", "32", *sys.argv[1:]]))
"""
