"""Calls that wait for a pause: the last one within a time is made, the others are dropped."""

from __future__ import annotations

import asyncio
from collections.abc import Callable


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
