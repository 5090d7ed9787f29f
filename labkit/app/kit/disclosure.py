"""A part of a page that is made only while it is open: costly things cost nothing until somebody looks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import traitlets

from labkit.app.kit.debounce import Debounce
from labkit.app.kit.widgets import LabWidget, web_text
from labkit.core.errors import LabkitError

PAUSE_S = 0.3
"""After the last change, so that a drag does not make every drawing on its way."""


class Disclosure(LabWidget):
    """A heading that opens.

    Parameters
    ----------
    label : str
    make : callable
        Returns HTML, everything from outside escaped; a `LabkitError` becomes a sentence in its place.
    working : str
        Shown while it is made.
    """

    _esm = web_text("disclosure.js")
    label = traitlets.Unicode("").tag(sync=True)
    html = traitlets.Unicode("").tag(sync=True)
    said = traitlets.Unicode("").tag(sync=True)

    def __init__(self, label: str, make: Callable[[], str], *, working: str, **traits: Any) -> None:
        super().__init__(label=label, **traits)
        self._make, self._working = make, working
        self._is_open, self._is_stale = False, True
        self._planned = Debounce(self._work, PAUSE_S)
        self.on("toggle", lambda is_open=False, **_: self.turn(bool(is_open)))

    def turn(self, is_open: bool) -> None:
        """Open or close it."""
        self._is_open = is_open
        if is_open and self._is_stale:
            self._plan()

    def refresh(self) -> None:
        """What it shows has changed: made anew now if it is open, otherwise when it is opened."""
        self._is_stale = True
        if self._is_open:
            self._plan()

    def _plan(self) -> None:
        self.said = self._working
        self._planned.ask()

    def _work(self) -> None:
        if not self._is_open:
            self.said = ""
            return
        try:
            self.html, self.said = self._make(), ""
        except LabkitError as error:
            self.html, self.said = "", f"{str(error)[:1].upper()}{str(error)[1:]}"
        self._is_stale = False
