"""One long piece of work at a time, in a process of its own: the page stays awake, and cancel takes effect at once.

Without a running event loop (a plain script, a test) the work is done on the spot.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any

from labkit.core.errors import InputError

POLL_S = 0.05
IDLE_S = 120.0
"""A process that nobody asked for so long is ended; it holds some 170 MB."""


class Background:
    """A process that works while the page lives.

    The function must be importable by name, and its arguments and result picklable; it may raise `InputError`.
    """

    def __init__(self) -> None:
        self._process: BaseProcess | None = None
        self._line: Connection | None = None
        self._task: asyncio.Task[None] | None = None
        self._idle: asyncio.TimerHandle | None = None

    @property
    def is_busy(self) -> bool:
        """Whether something is being worked on."""
        return self._task is not None and not self._task.done()

    def warm(self) -> None:
        """Start the process ahead of its first work."""
        try:
            asyncio.get_running_loop()
        except RuntimeError:
            return
        self._start()

    def ask(
        self,
        work: Callable[..., Any],
        *arguments: Any,
        done: Callable[[Any], None],
        failed: Callable[[str], None],
        tick: Callable[[float], None],
    ) -> None:
        """Do ``work(*arguments)``; what was under way is cancelled.

        Parameters
        ----------
        work : callable
        arguments : picklable
        done : callable
            Gets the result.
        failed : callable
            Gets one sentence.
        tick : callable
            Gets the seconds so far, about twice a second.
        """
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            try:
                result = work(*arguments)
            except InputError as error:
                failed(str(error))
                return
            done(result)
            return
        if self.is_busy:
            self.cancel()
        self._task = loop.create_task(self._run(work, arguments, done, failed, tick))

    def cancel(self) -> None:
        """Stop what is under way; the process ends, and a new one starts with the next work."""
        if self._task is not None:
            self._task.cancel()
            self._task = None
            self.end()

    def end(self) -> None:
        """End the process."""
        if self._idle is not None:
            self._idle.cancel()
            self._idle = None
        if self._line is not None:
            self._line.close()
        if self._process is not None and self._process.is_alive():
            self._process.terminate()
        self._process, self._line = None, None

    def _start(self) -> Connection:
        if self._line is None or self._process is None or not self._process.is_alive():
            context = multiprocessing.get_context("spawn")
            self._line, other = context.Pipe()
            self._process = context.Process(target=serve, args=(other,), daemon=True)
            self._process.start()
            other.close()
        return self._line

    async def _run(
        self,
        work: Callable[..., Any],
        arguments: tuple[Any, ...],
        done: Callable[[Any], None],
        failed: Callable[[str], None],
        tick: Callable[[float], None],
    ) -> None:
        if self._idle is not None:
            self._idle.cancel()
        began, told = time.monotonic(), 0.0
        try:
            line = self._start()
            line.send((work, arguments))
            while not line.poll():
                await asyncio.sleep(POLL_S)
                spent = time.monotonic() - began
                if spent - told > 0.5:
                    told = spent
                    tick(spent)
            is_good, result = line.recv()
        except (EOFError, OSError):
            self.end()
            self._task = None
            failed("the work stopped before it was done; try again")
            return
        self._task = None
        self._idle = asyncio.get_running_loop().call_later(IDLE_S, self.end)
        if is_good:
            done(result)
        else:
            failed(result)


def serve(line: Connection) -> None:
    """Work until the other end of the line is gone: a page that dies leaves no process behind."""
    while True:
        try:
            work, arguments = line.recv()
        except EOFError:
            return
        try:
            answer = (True, work(*arguments))
        except InputError as error:
            answer = (False, str(error))
        except Exception as error:  # a bug must reach the page as a sentence, not as silence
            answer = (False, f"this should not have happened ({type(error).__name__}: {error})")
        line.send(answer)
