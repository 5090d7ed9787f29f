"""`WiringPicker`: wirings as pictures of the instrument, filtered by what is in the guitar, with their small curves."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import traitlets

from labkit.app.kit.page_state import CurvePageState
from labkit.app.kit.rig.rebuild import WIRING, rebuilt
from labkit.app.kit.rig.wirings import positions_of, small_curves, standing, wiring_of, wirings
from labkit.app.kit.widgets import LabWidget, web_text
from labkit.core.errors import InputError, capitalized

MOST_AT_ONCE = 6
"""Drawings in one answer: small enough that a choice made meanwhile is heard at once."""


class WiringPicker(LabWidget):
    """Cards to choose a wiring from: a choice goes into the rig of the page's state.

    Attributes
    ----------
    wirings : list of dict
        As `labkit.app.kit.rig.wirings.Wiring.data` gives them.
    chosen : str
        Name of the present one.
    stamp : str
        Changes when the small curves do.
    is_fold : bool
        Under a heading that names the present wiring; the cards come when it is opened.
    """

    _esm = web_text("wiring_picker.js")
    _css = web_text("tokens.css", "widgets.css", "wiring_picker.css")
    wirings: traitlets.List[Any] = traitlets.List().tag(sync=True)
    chosen = traitlets.Unicode("").tag(sync=True)
    stamp = traitlets.Unicode("").tag(sync=True)
    is_fold = traitlets.Bool(False).tag(sync=True)

    def __init__(self, state: CurvePageState[Any], **traits: Any) -> None:
        super().__init__(**traits)
        self._state = state
        self._is_open = not self.is_fold
        self._chosen: Callable[[str], None] = lambda said: None
        self.on("choose", lambda name="", **_: self._choose(str(name)))
        self.on("curves", self._send_curves)
        self.on("open", lambda **_: self._open())
        self.show()

    def on_choice(self, handler: Callable[[str], None]) -> None:
        """Call ``handler(said)`` after a choice; ``said`` is empty, or why nothing was changed."""
        self._chosen = handler

    def _choose(self, name: str) -> None:
        """Put a wiring in the place of the present one, which becomes B; one step of undo."""
        state, said = self._state, ""
        try:
            state.try_out(rebuilt(state.offers, state.snapshot.rig.setup, WIRING, name))
        except InputError as error:
            said = capitalized(str(error))
        self._chosen(said)

    def show(self) -> None:
        """Show the present wiring, which stands first where the catalogue does not hold it."""
        state = self._state
        setup = state.snapshot.rig.setup
        own, plain = state.rig.harness, state.offers.plain(setup.rig).harness
        if self._is_open:
            known = wirings()
            names = [wiring.name for wiring in known]
            others = {each.name: each for each in (own, plain) if each.name not in names}
            cards = [wiring.data for wiring in (*map(wiring_of, others.values()), *known)]
            if self.wirings != cards:
                self.wirings = cards
        self.chosen = own.name
        self.stamp = state.query_of(state.snapshot.with_setup(standing(state.offers, setup)).rig)

    def _open(self) -> None:
        """Make the cards."""
        self._is_open = True
        self.show()

    def _send_curves(self, names: object = (), **_: object) -> None:
        """Answer with the drawings of some wirings; those that cannot be drawn stay empty."""
        state, found = self._state, {}
        asked = [str(name) for name in names][:MOST_AT_ONCE] if isinstance(names, list) else []
        for name in asked:
            try:
                if name == state.rig.harness.name:
                    found[name] = positions_of(state.rig_of(standing(state.offers, state.snapshot.rig.setup))).drawing
                else:
                    found[name] = small_curves(state.offers, state.snapshot.rig.setup, name).drawing
            except InputError:
                found[name] = ""
        self.send({"curves": found, "stamp": self.stamp})
