"""Undo and redo of frozen states: changes of one control less than a second apart are one step."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Generic, TypeVar

State = TypeVar("State")

COALESCE_S = 1.0
MOST_STEPS = 200


class History(Generic[State]):
    """The states a page went through.

    Parameters
    ----------
    state : frozen object
    clock : callable
        Seconds, rising; given by tests.

    >>> times = iter([0.0, 0.3, 5.0])
    >>> history = History("a", clock=lambda: next(times))
    >>> history.move("b", "volume"); history.move("c", "volume"); history.move("d", "tone")
    >>> history.undo(); history.state
    'c'
    >>> history.undo(); history.state
    'a'
    """

    def __init__(self, state: State, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._past: list[State] = []
        self._future: list[State] = []
        self._state = state
        self._clock = clock
        self._last: tuple[str, float] | None = None

    @property
    def state(self) -> State:
        """The present state."""
        return self._state

    @property
    def can_undo(self) -> bool:
        """True where there is a step back."""
        return bool(self._past)

    @property
    def can_redo(self) -> bool:
        """True where there is a step forward."""
        return bool(self._future)

    def move(self, state: State, key: str = "") -> None:
        """Go to a new state; ``key`` names the control that moved, empty for a step of its own."""
        if state == self._state:
            return
        now = self._clock()
        is_same_gesture = (
            bool(key) and self._last is not None and self._last[0] == key and now - self._last[1] < COALESCE_S
        )
        if not (is_same_gesture and self._past):
            self._past.append(self._state)
            del self._past[:-MOST_STEPS]
        self._future.clear()
        self._state = state
        self._last = (key, now)

    def undo(self) -> None:
        """Go back one step, if there is one."""
        if self._past:
            self._future.append(self._state)
            self._state = self._past.pop()
            self._last = None

    def redo(self) -> None:
        """Go forward again, if there is a step."""
        if self._future:
            self._past.append(self._state)
            self._state = self._future.pop()
            self._last = None
