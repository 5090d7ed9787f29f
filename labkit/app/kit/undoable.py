"""What every page's bench does alike: controls that are moved or typed into, errors beside them, undo and redo."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable
from typing import Generic

from labkit.app.kit.controls import ControlSet, Value
from labkit.app.kit.history import History, State
from labkit.core.errors import InputError


class Undoable(Generic[State]):
    """A frozen state with its history, moved by controls.

    A subclass says which controls there are and what moving one comes to.

    Attributes
    ----------
    errors : dict of str to str
        Sentences by the key of the control that caused them.
    problems : tuple of str
        What of the address that the state came from could not be used.
    """

    def __init__(self, state: State, clock: Callable[[], float]) -> None:
        self._clock = clock
        self.errors: dict[str, str] = {}
        self.problems: tuple[str, ...] = ()
        self._start_from(state)

    @property
    @abstractmethod
    def controls(self) -> ControlSet:
        """The page's controls in the present state."""

    @abstractmethod
    def _move(self, key: str, value: Value) -> None:
        """Move a control to a value that it can take; where nothing follows from it, an error stands beside it."""

    @property
    def state(self) -> State:
        """The present state."""
        return self._history.state

    @property
    def can_undo(self) -> bool:
        """True where there is a step back."""
        return self._history.can_undo

    @property
    def can_redo(self) -> bool:
        """True where there is a step forward."""
        return self._history.can_redo

    def set_index(self, key: str, index: int) -> None:
        """Move a control to one of its positions; what lies beyond the last one stops there."""
        positions = self.controls[key].positions
        self._move(key, positions[min(max(int(index), 0), len(positions) - 1)])

    def set_text(self, key: str, text: str) -> None:
        """Move a control to a typed value; a text that cannot be used becomes an error beside the control."""
        try:
            value = self.controls[key].read(text)
        except InputError as error:
            self._blame(key, error)
            return
        self._move(key, value)

    def undo(self) -> None:
        """Take the last step back."""
        self._history.undo()
        self.errors = {}

    def redo(self) -> None:
        """Take it again."""
        self._history.redo()
        self.errors = {}

    def _step(self, state: State) -> None:
        """Go to a state as a step of its own, with a clean slate of errors."""
        self._history.move(state)
        self.errors = {}

    def _start_from(self, state: State) -> None:
        """Begin a new history, with a clean slate of errors."""
        self._history = History(state, clock=self._clock)
        self.errors = {}

    def _blame(self, key: str, error: InputError) -> None:
        """Put an error beside a control."""
        self.errors = {**self.errors, key: str(error)}

    def _clear(self, *keys: str) -> None:
        """Take the errors beside controls away."""
        self.errors = {name: text for name, text in self.errors.items() if name not in keys}
