"""Work beside the page: one long piece at a time in a process of its own, and calls that wait for a pause.

The page stays awake and cancel takes effect at once. Without a running event loop (a plain script, a test), and in a
browser's own Python, the work is done on the spot.
"""

from __future__ import annotations

import asyncio
import math
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Any, ClassVar

from labkit.core.errors import InputError

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from multiprocessing.process import BaseProcess

HAS_PROCESSES = sys.platform != "emscripten"
"""False in a browser, where the work is done on the spot."""

_DONE, _FAILED, _PROGRESS, _STOP = "done", "failed", "progress", "stop"

POLL_S = 0.05
IDLE_S = 120.0
"""A process that nobody asked for so long is ended; it holds some 170 MB."""


class Background:
    """A process that works while the page lives.

    The function must be importable by name, and its arguments and result picklable; it may raise `InputError`. Where
    the page wants to know how far it is, the function also gets ``progress(thing)``, and ``stop()``, which says whether
    the person has asked it to end with what it has.

    Attributes
    ----------
    is_asleep : bool
        True while pages are made that nobody looks at: nothing is worked on.
    """

    is_asleep: ClassVar[bool] = False

    def __init__(self) -> None:
        self._process: BaseProcess | None = None
        self._line: Connection | None = None
        self._task: asyncio.Task[None] | None = None
        self._idle: asyncio.TimerHandle | None = None

    @property
    def is_busy(self) -> bool:
        """Whether something is being worked on."""
        return self._task is not None and not self._task.done()

    def warm(self, *works: Callable[..., Any]) -> None:
        """Start the process ahead of its first work; it imports what the functions named need."""
        loop = _loop_with_processes()
        if loop is None:
            return
        if self._process is None:
            self._start(*works)
            self._idle = loop.call_later(IDLE_S, self.end)

    def ask(
        self,
        work: Callable[..., Any],
        *arguments: Any,
        done: Callable[[Any], None],
        failed: Callable[[str], None],
        tick: Callable[[float], None],
        on_progress: Callable[[Any], None] | None = None,
        broke: Callable[[str], None] | None = None,
        limit_s: float = math.inf,
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
        on_progress : callable, optional
            Gets what the function reports on its way.
        broke : callable, optional
            Gets one sentence in place of ``failed`` where the work was not refused but came to no end: its process
            died or took longer than the limit. Asked for again it may well succeed.
        limit_s : float, s
            After so long the process is ended; no limit by default.
        """
        if self.is_asleep:
            return
        loop = _loop_with_processes()
        if loop is None:
            try:
                result = (
                    work(*arguments) if on_progress is None else work(*arguments, progress=on_progress, stop=_never)
                )
            except InputError as error:
                failed(str(error))
                return
            done(result)
            return
        if self.is_busy:
            self.cancel()
        self._task = loop.create_task(
            self._run(work, arguments, done, failed, tick, on_progress, broke or failed, limit_s)
        )

    def stop(self) -> None:
        """Ask what is under way to end with what it has; its result arrives as usual."""
        if self.is_busy and self._line is not None:
            with suppress(OSError):
                self._line.send(_STOP)

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
            self._process.kill()  # one that stands still does not react to a request to stop
        self._process, self._line = None, None

    def _start(self, *works: Callable[..., Any]) -> Connection:
        if self._line is None or self._process is None or not self._process.is_alive():
            from multiprocessing import get_context

            context = get_context("spawn")
            self._line, other = context.Pipe()
            self._process = context.Process(target=serve, args=(other, *works), daemon=True)
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
        on_progress: Callable[[Any], None] | None,
        broke: Callable[[str], None],
        limit_s: float,
    ) -> None:
        if self._idle is not None:
            self._idle.cancel()
        began, ticked = time.monotonic(), 0.0
        try:
            line = self._start()
            line.send((work, arguments, on_progress is not None))
            kind: str = _PROGRESS
            result: Any = None
            while kind == _PROGRESS:
                while not line.poll():
                    await asyncio.sleep(POLL_S)
                    spent = time.monotonic() - began
                    if spent - ticked > 0.5:
                        ticked = spent
                        tick(spent)
                    if spent > limit_s:
                        raise TimeoutError(f"it took longer than {limit_s:.0f} seconds and was ended; try again")
                kind, result = line.recv()
                if kind == _PROGRESS and on_progress is not None:
                    on_progress(result)
        except (EOFError, OSError) as error:
            self.end()
            self._task = None
            is_late = isinstance(error, TimeoutError)
            broke(str(error) if is_late else "the work stopped before it was done; try again")
            return
        self._task = None
        self._idle = asyncio.get_running_loop().call_later(IDLE_S, self.end)
        if kind == _DONE:
            done(result)
        else:
            failed(result)


def serve(line: Connection, *_: Callable[..., Any]) -> None:
    """Work until the other end of the line is gone: a page that dies leaves no process behind.

    Functions given beside the line have come with their imports, ahead of the first work.
    """
    while True:
        try:
            request = line.recv()
        except EOFError:
            return
        if request == _STOP:  # it came when the work was done already
            continue
        work, arguments, is_watched = request
        try:
            watched = {"progress": _progress_sender(line), "stop": _stopper(line)} if is_watched else {}
            answer = (_DONE, work(*arguments, **watched))
        except InputError as error:
            answer = (_FAILED, str(error))
        except Exception as error:  # a bug must reach the page as a sentence, not as silence
            answer = (_FAILED, f"this should not have happened ({type(error).__name__}: {error})")
        line.send(answer)


def _progress_sender(line: Connection) -> Callable[[Any], None]:
    return lambda thing: line.send((_PROGRESS, thing))


def _stopper(line: Connection) -> Callable[[], bool]:
    asked = False

    def stop() -> bool:
        nonlocal asked
        if not asked and line.poll():
            asked = line.recv() == _STOP
        return asked

    return stop


def _loop_with_processes() -> asyncio.AbstractEventLoop | None:
    """The running loop; None without one, and where there are no other processes."""
    try:
        return asyncio.get_running_loop() if HAS_PROCESSES else None
    except RuntimeError:
        return None


def _never() -> bool:
    return False


class Debounce:
    """Call ``work`` once, ``wait_s`` after the last `ask`; at once where no event loop runs.

    Parameters
    ----------
    work : callable
    wait_s : float, s
    """

    def __init__(self, work: Callable[[], None], wait_s: float) -> None:
        self._work = work
        self._wait_s = wait_s
        self._planned: asyncio.TimerHandle | None = None

    def ask(self) -> None:
        """Ask for the work."""
        self.drop()
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            self._work()
            return
        self._planned = loop.call_later(self._wait_s, self._run)

    def drop(self) -> None:
        """Forget what was asked for."""
        if self._planned is not None:
            self._planned.cancel()
            self._planned = None

    def _run(self) -> None:
        self._planned = None
        self._work()
