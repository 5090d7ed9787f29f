"""Work in a process of its own: results, sentences, cancel; on the spot where no loop runs."""

import asyncio
import time

import psutil

from labkit.app.kit.background import Background
from labkit.core.errors import InputError


def double(number: float) -> float:
    return 2 * number


def refuse() -> None:
    raise InputError("three points are too few")


def sleep_long() -> None:
    time.sleep(60)


class Said:
    def __init__(self) -> None:
        self.done: list[object] = []
        self.failed: list[str] = []

    @property
    def handlers(self) -> dict[str, object]:
        return {"done": self.done.append, "failed": self.failed.append, "tick": lambda seconds: None}


def test_without_a_loop_the_work_is_done_on_the_spot():
    said = Said()
    Background().ask(double, 21, **said.handlers)
    Background().ask(refuse, **said.handlers)
    assert said.done == [42]
    assert said.failed == ["three points are too few"]


def test_a_process_answers_refuses_and_is_cancelled_at_once():
    async def run() -> tuple[Said, float]:
        said, background = Said(), Background()
        for work, arguments in ((double, (21,)), (refuse, ())):
            background.ask(work, *arguments, **said.handlers)
            while background.is_busy:
                await asyncio.sleep(0.02)
        background.ask(sleep_long, **said.handlers)
        await asyncio.sleep(0.1)
        process = background._process
        began = time.monotonic()
        background.cancel()
        process.join(5)
        spent = time.monotonic() - began
        assert not process.is_alive()
        background.ask(double, 4, **said.handlers)  # a new process takes over
        while background.is_busy:
            await asyncio.sleep(0.02)
        background.end()
        return said, spent

    said, spent = asyncio.run(run())
    assert said.done == [42, 8]
    assert said.failed == ["three points are too few"]
    assert spent < 5  # the sleeper would have taken 60 s


def count_up(most: int, *, progress, stop) -> int:
    for number in range(most):
        progress(number)
        if stop():
            return number
        time.sleep(0.02)
    return most


def test_work_tells_how_far_it_is_and_ends_with_what_it_has_when_asked():
    async def run() -> tuple[Said, list[int]]:
        said, background, told = Said(), Background(), []
        background.ask(count_up, 3, **said.handlers, on_progress=told.append)
        while background.is_busy:
            await asyncio.sleep(0.02)
        background.stop()  # too late, and harmless
        background.ask(count_up, 5000, **said.handlers, on_progress=told.append)
        while len(told) < 5:
            await asyncio.sleep(0.02)
        background.stop()
        while background.is_busy:
            await asyncio.sleep(0.02)
        background.end()
        return said, told

    said, told = asyncio.run(run())
    assert told[:3] == [0, 1, 2]
    assert said.failed == []
    assert said.done[0] == 3
    # it ended early: 5000 steps would have taken 100 s
    assert 1 <= said.done[1] < 4000


def test_watched_work_is_done_on_the_spot_without_a_loop():
    said, told = Said(), []
    Background().ask(count_up, 3, **said.handlers, on_progress=told.append)
    assert (said.done, told) == ([3], [0, 1, 2])


def test_work_that_takes_too_long_is_ended_and_may_be_asked_again():
    async def run() -> tuple[Said, list[str]]:
        said, background, broke = Said(), Background(), []
        background.ask(sleep_long, **said.handlers, broke=broke.append, limit_s=2.0)
        await asyncio.sleep(0.1)
        process = background._process
        while background.is_busy:
            await asyncio.sleep(0.02)
        process.join(5)
        assert not process.is_alive()
        background.ask(double, 4, **said.handlers, broke=broke.append, limit_s=60.0)
        while background.is_busy:
            await asyncio.sleep(0.02)
        background.end()
        return said, broke

    said, broke = asyncio.run(run())
    assert broke == ["it took longer than 2 seconds and was ended; try again"]
    assert (said.done, said.failed) == ([8], [])


def test_a_process_that_dies_or_stands_still_is_told_apart_from_a_refusal_and_can_be_cancelled():
    async def run() -> tuple[Said, list[str]]:
        said, background, broke = Said(), Background(), []
        background.ask(sleep_long, **said.handlers, broke=broke.append)
        await asyncio.sleep(0.1)
        background._process.kill()
        while background.is_busy:
            await asyncio.sleep(0.02)
        background.ask(sleep_long, **said.handlers, broke=broke.append)
        await asyncio.sleep(0.1)
        process = background._process
        psutil.Process(process.pid).suspend()
        background.cancel()
        process.join(5)
        assert not process.is_alive()
        return said, broke

    said, broke = asyncio.run(run())
    assert broke == ["the work stopped before it was done; try again"]
    assert (said.done, said.failed) == ([], [])


def test_a_process_that_was_warmed_does_the_first_work():
    async def run() -> bool:
        said, background = Said(), Background()
        background.warm(double)
        process = background._process
        background.warm(double)
        background.ask(double, 1, **said.handlers)
        while background.is_busy:
            await asyncio.sleep(0.02)
        is_same = background._process is process and said.done == [2]
        background.end()
        return is_same

    assert asyncio.run(run())
