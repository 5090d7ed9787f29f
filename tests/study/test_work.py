"""Chunks of work: in order, everywhere, whoever dies."""

from __future__ import annotations

import threading
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from pathlib import Path

import pytest

from labkit.core.errors import InputError
from labkit.study.work.work import Progress, Watch, run_chunks
from tests.study.work_tasks import DiesOnce, fails, square

SQUARES = [(number, number * number) for number in range(12)]


def test_results_come_in_order_here_on_threads_and_on_processes(tmp_path: Path) -> None:
    assert list(run_chunks(square, 12)) == SQUARES
    with ThreadPoolExecutor(3) as pool:
        assert list(run_chunks(square, 12, workers=pool)) == SQUARES
    # One pool of processes serves this claim and the next: starting Python twice is what costs.
    marker = tmp_path / "marker"
    assert list(run_chunks(DiesOnce(marker), 12, workers=2)) == SQUARES
    assert marker.exists(), "the worker was to be killed on the way"


def test_work_goes_on_from_any_chunk() -> None:
    assert list(run_chunks(square, 12, start=9)) == SQUARES[9:]


def test_results_that_arrive_out_of_order_wait_for_their_turn() -> None:
    release = threading.Event()

    def slow_first(number: int) -> int:
        if number == 0:
            release.wait(10)
        else:
            release.set()
        return number

    with ThreadPoolExecutor(2) as pool:
        assert [number for number, _ in run_chunks(slow_first, 6, workers=pool)] == list(range(6))


def test_only_a_few_chunks_are_under_way_at_a_time() -> None:
    given: list[int] = []

    class Counting(ThreadPoolExecutor):
        def submit(self, *arguments, **words):  # type: ignore[no-untyped-def]
            given.append(arguments[1])
            return super().submit(*arguments, **words)

    with Counting(2) as pool:
        taken = run_chunks(square, 1000, workers=pool)
        next(taken)
        assert len(given) <= 5
        taken.close()


def test_bad_input_inside_a_chunk_is_told_in_its_own_words() -> None:
    with ThreadPoolExecutor(2) as pool, pytest.raises(InputError, match="number 3 cannot be done"):
        list(run_chunks(fails, 6, workers=pool))


def test_an_executor_that_loses_chunks_does_not_lose_the_work() -> None:
    class Forgetful(Executor):
        """Fails every second submission, as a cluster does when machines go away."""

        def __init__(self) -> None:
            self.count = 0

        def submit(self, task, /, *arguments, **words):  # type: ignore[no-untyped-def]
            self.count += 1
            future: Future[int] = Future()
            if self.count % 2:
                future.set_exception(ConnectionError("machine gone"))
            else:
                future.set_result(task(*arguments, **words))
            return future

    assert list(run_chunks(square, 12, workers=Forgetful())) == SQUARES


def test_an_executor_that_is_shut_down_half_way_does_not_stop_the_work() -> None:
    pool = ThreadPoolExecutor(1)
    found = []
    for number, result in run_chunks(square, 12, workers=pool):
        found.append((number, result))
        pool.shutdown()
    assert found == SQUARES


@pytest.mark.parametrize("workers", [0, -1, "two"])
def test_impossible_workers_are_refused(workers: object) -> None:
    with pytest.raises(InputError, match="workers"):
        list(run_chunks(square, 3, workers=workers))  # type: ignore[arg-type]


def test_progress_tells_what_remains() -> None:
    told: list[Progress] = []
    watch = Watch(told.append, total=4)
    watch.began -= 30.0
    watch.tell(3)
    assert told[0].remaining_s == pytest.approx(10.0, abs=0.5)  # 30 s for three chunks; the call itself takes no time
    assert told[0].text == "75 %, about 10 s left"
    watch.tell(4)
    assert told[-1].remaining_s == 0
