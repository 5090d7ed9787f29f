"""Studies on the workers of a Dask scheduler: real processes, one of which is killed."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from labkit.cli.main import main
from labkit.core.errors import InputError
from labkit.rig.sheet import load_rig
from labkit.study.tolerance.draws import CELL
from labkit.study.tolerance.tolerance import run_tolerance, tolerance_study
from labkit.study.work import cluster
from labkit.study.work.cluster import workers_of
from tests.study.test_tolerance import assert_same_to_the_last_digit

pytestmark = pytest.mark.filterwarnings("default")  # Dask's own libraries warn of their own futures
pytest.importorskip("distributed", reason="install distributed (labkit[cluster])")
RIG = "Saltmarsh Lane, narrow single coil"
ROOT = Path(__file__).resolve().parents[2]
START_S = 60.0


@pytest.fixture
def labkit(capsys):
    """Run the command line; returns exit code, output and errors."""

    def run(*arguments: str) -> tuple[int, str, str]:
        code = main(list(arguments))
        return code, *capsys.readouterr()

    return run


@pytest.fixture(scope="module")
def scheduled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimpleNamespace]:
    """A scheduler and two workers, each a process of its own; ``address``, and the workers to kill."""
    folder = tmp_path_factory.mktemp("cluster")
    file = folder / "scheduler.json"
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "DASK_DISTRIBUTED__SCHEDULER__WORKER_SATURATION": "1.1"}
    started = []

    def start(*words: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "dask", *words, "--scheduler-file", str(file), "--no-dashboard"]
        started.append(
            subprocess.Popen(command, cwd=folder, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        )
        return started[-1]

    try:
        start("scheduler", "--host", "127.0.0.1", "--port", "0")
        workers = [start("worker", "--no-nanny", "--nthreads", "1", "--host", "127.0.0.1") for _ in range(2)]
        until = time.monotonic() + START_S
        while not file.exists() or not file.read_text():
            assert time.monotonic() < until, "the scheduler did not start"
            time.sleep(0.05)
        yield SimpleNamespace(address=json.loads(file.read_text())["address"], workers=workers)
    finally:
        for process in reversed(started):
            process.kill()
            process.wait(10)


def test_two_processes_one_of_them_killed_give_the_digits_of_one(scheduled, tmp_path):
    from distributed import Client

    study = tolerance_study(load_rig(RIG), count=14 * CELL + 50, points=64)
    record = tmp_path / "study.npz"
    seen = []
    with contextlib.closing(Client(scheduled.address, set_as_default=False)) as client:
        client.wait_for_workers(2, timeout=START_S)

    def kill_one(progress):
        if not seen:
            scheduled.workers[0].send_signal(signal.SIGKILL)
        seen.append(progress.done)

    with workers_of(scheduled.address) as workers:
        part = run_tolerance(study, workers=workers, watcher=kill_one, stop=lambda: bool(seen), record=record)
        assert not part.complete
        assert scheduled.workers[0].wait(START_S) == -signal.SIGKILL
        # what is left goes on from the record, on the worker that is left
        found = run_tolerance(study, workers=workers, record=record)
    assert found.complete
    assert_same_to_the_last_digit(found, run_tolerance(study))


def test_the_commands_give_the_same_answers_by_a_scheduler(scheduled, labkit):
    for words in (
        ["tolerance", RIG, "--count", "9000", "--points", "32", "--window", "resonance=3 kHz to 5 kHz", "--json"],
        ["search", "a lower, tamer peak with load trims", "--json"],
    ):
        alone, shared = labkit(*words), labkit(*words, "--scheduler", scheduled.address)
        assert shared[0] == alone[0]
        assert json.loads(shared[1]) == json.loads(alone[1])


def test_a_worker_with_other_versions_is_refused_by_name(scheduled, monkeypatch):
    monkeypatch.setattr(cluster, "package_version", lambda name: "0.0.1")
    with pytest.raises(InputError, match=r"the worker at tcp://127.* has labkit \S+, this process 0\.0\.1"):
        workers_of(scheduled.address).__enter__()


def test_what_cannot_be_reached_is_said_in_a_sentence(labkit, monkeypatch):
    monkeypatch.setattr(cluster, "CONNECT_S", 0.2)
    for address in ("tcp://127.0.0.1:1", "nonsense://there"):
        code, _, said = labkit("tolerance", RIG, "--scheduler", address)
        assert code == 2
        assert f"no Dask scheduler answers at '{address}'" in said
        assert "Traceback" not in said
    code, _, said = labkit("tolerance", RIG, "--workers", "2", "--scheduler", "tcp://127.0.0.1:1")
    assert (code, "give one of them" in said) == (2, True)
    monkeypatch.setattr(cluster, "find_spec", lambda name: None)
    code, _, said = labkit("tolerance", RIG, "--scheduler", "tcp://127.0.0.1:1")
    assert (code, "pip install labkit[cluster]" in said) == (2, True)
