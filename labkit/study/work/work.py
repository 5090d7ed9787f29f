"""Work in numbered chunks: in this process, on local processes, or on any ``concurrent.futures`` executor.

Results come back in the order of their numbers, whoever finished first, so that a reduction adds them up in one order.
Few chunks are under way at a time, which bounds memory. A chunk whose worker dies is given out again; after that it
is computed here, so that a dead worker costs time and not the study.
"""

from __future__ import annotations

import signal
import time
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, CancelledError, Executor, Future, wait
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from labkit.core.errors import InputError, LabkitError

if TYPE_CHECKING:  # a browser's Python has no other processes
    from concurrent.futures import ProcessPoolExecutor

ResultT = TypeVar("ResultT")

UNKNOWN_WIDTH = 64
"""Chunks kept under way, halved, on an executor that does not say how many workers it has: a cluster's, mostly."""

ATTEMPTS = 3
"""Times a chunk is given to workers before it is computed here."""

Workers = int | Executor | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far a study is.

    Attributes
    ----------
    done, total : int
        Chunks.
    elapsed_s : float
    remaining_s : float or None
        Estimated from the chunks done in this run; None before the first.
    """

    done: int
    total: int
    elapsed_s: float
    remaining_s: float | None

    @property
    def text(self) -> str:
        """One line: ``40 %, about 12 s left``."""
        left = "" if self.remaining_s is None else f", about {_duration(self.remaining_s)} left"
        return f"{100 * self.done / max(self.total, 1):.0f} %{left}"


Watcher = Callable[[Progress], None]


def run_chunks(
    task: Callable[[int], ResultT], total: int, *, start: int = 0, workers: Workers = None
) -> Iterator[tuple[int, ResultT]]:
    """Yield (number, result) of every chunk from ``start`` to ``total`` − 1, in order.

    Parameters
    ----------
    task : callable
        ``task(number)``; picklable where other processes are to run it.
    total : int
    start : int
        First chunk wanted.
    workers : int, Executor or None
        None or 1 computes here; a number starts so many local processes; an executor is used and left open.

    Raises
    ------
    InputError
        If the number of workers is impossible.
    """
    if workers is None or workers == 1:
        for number in range(start, total):
            yield number, task(number)
        return
    if isinstance(workers, int):
        if workers < 1:
            raise InputError(f"workers must be 1 or more; got {workers}")
        yield from _on_executor(task, range(start, total), _LocalPool(workers))
        return
    if not isinstance(workers, Executor):
        raise InputError(f"workers is a number or a concurrent.futures executor; got {type(workers).__name__}")
    yield from _on_executor(task, range(start, total), _Given(workers))


class Watch:
    """Counts chunks and tells a watcher how far things are, at most ten times a second."""

    def __init__(self, watcher: Watcher | None, total: int, start: int = 0) -> None:
        self.watcher = watcher
        self.total = total
        self.first = start
        self.began = time.monotonic()
        self.last = 0.0

    def tell(self, done: int) -> None:
        """Report ``done`` chunks."""
        now = time.monotonic()
        if self.watcher is None or (now - self.last < 0.1 and done < self.total):
            return
        self.last = now
        elapsed, here = now - self.began, done - self.first
        remaining = elapsed / here * (self.total - done) if here else None
        self.watcher(Progress(done=done, total=self.total, elapsed_s=elapsed, remaining_s=remaining))


class _LocalPool:
    """Local processes that are started anew when one of them dies."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.pool: ProcessPoolExecutor | None = None

    @property
    def width(self) -> int:
        return self.count

    def submit(self, task: Callable[[int], ResultT], number: int) -> Future[ResultT]:
        if self.pool is None:
            from concurrent.futures import ProcessPoolExecutor
            from multiprocessing import get_context

            # Spawned, not forked: a fork copies the locks of whatever threads the caller runs.
            self.pool = ProcessPoolExecutor(self.count, mp_context=get_context("spawn"))
        with _interrupts_held():
            return self.pool.submit(task, number)

    def broken(self) -> None:
        if self.pool is not None:
            self.pool.shutdown(wait=False, cancel_futures=True)
            self.pool = None

    def close(self) -> None:
        if self.pool is not None:
            self.pool.shutdown(wait=True, cancel_futures=True)


class _Given:
    """Somebody else's executor."""

    def __init__(self, executor: Executor) -> None:
        self.executor = executor
        self.width = int(getattr(executor, "_max_workers", 0) or UNKNOWN_WIDTH)

    def submit(self, task: Callable[[int], ResultT], number: int) -> Future[ResultT]:
        return self.executor.submit(task, number)

    def broken(self) -> None:
        """Nothing to repair here: the executor belongs to its owner."""

    def close(self) -> None:
        """Left open for its owner."""


def _on_executor(
    task: Callable[[int], ResultT], numbers: range, pool: _LocalPool | _Given
) -> Iterator[tuple[int, ResultT]]:
    waiting = iter(numbers)
    running: dict[Future[ResultT], int] = {}
    ready: dict[int, ResultT] = {}
    attempts: dict[int, int] = {}
    again: list[int] = []

    def give_out(number: int) -> None:
        attempts[number] = attempts.get(number, 0) + 1
        if attempts[number] > ATTEMPTS:
            ready[number] = task(number)
            return
        try:
            running[pool.submit(task, number)] = number
        except RuntimeError:  # a broken executor is one, too
            # Shut down or broken before it took the chunk, which is computed here; the next one tries again.
            pool.broken()
            ready[number] = task(number)

    try:
        for wanted in numbers:
            while wanted not in ready:
                while len(running) + len(ready) < 2 * pool.width:
                    number = again.pop(0) if again else next(waiting, None)
                    if number is None:
                        break
                    give_out(number)
                if wanted in ready:
                    break
                finished, _ = wait(running, return_when=FIRST_COMPLETED)
                for future in finished:
                    number = running.pop(future)
                    try:
                        ready[number] = future.result()
                    except LabkitError:
                        raise
                    except BrokenExecutor:
                        lost = sorted({number, *running.values()} - set(ready))
                        again = sorted({*again, *lost})
                        running.clear()
                        pool.broken()
                        break
                    except (Exception, CancelledError):
                        # A dead worker of somebody else's executor, or a fault of the task: the last try is made here
                        # and shows the task's own error.
                        again = sorted({*again, number})
            yield wanted, ready.pop(wanted)
    finally:
        for future in running:
            future.cancel()
        pool.close()


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Hold interrupts from the keyboard back while processes start: they inherit that, and never see one.

    An interrupt reaches every process of a terminal; what it means is for the caller alone to decide.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _duration(seconds: float) -> str:
    if seconds < 90:
        return f"{max(seconds, 0):.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"
