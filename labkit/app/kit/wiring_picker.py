"""`WiringPicker`: wirings as pictures of the instrument, filtered by what is in the guitar, with their small curves."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import traitlets

from labkit.app.kit.page_state import CurvePageState
from labkit.app.kit.rig.rebuild import WIRING, rebuilt
from labkit.app.kit.rig.wirings import positions_of, small_curves, standing, wiring_of, wirings
from labkit.app.kit.widgets import LabWidget, web_text
from labkit.core.errors import InputError

MOST_AT_ONCE = 6
"""Drawings in one answer: small enough that a choice made meanwhile is heard at once."""


class WiringPicker(LabWidget):
    """Cards to choose a wiring from; ``on_choice(handler)`` gets its name.

    Attributes
    ----------
    wirings : list of dict
        As `labkit.app.kit.rig.wirings.Wiring.data` gives them.
    chosen : str
        Name of the present one.
    stamp : str
        Changes when the small curves do.
    """

    _esm = web_text("wiring_picker.js")
    _css = web_text("tokens.css", "widgets.css", "wiring_picker.css")
    wirings: traitlets.List[Any] = traitlets.List().tag(sync=True)
    chosen = traitlets.Unicode("").tag(sync=True)
    stamp = traitlets.Unicode("").tag(sync=True)

    def __init__(self, state: CurvePageState[Any], **traits: Any) -> None:
        super().__init__(**traits)
        self._state = state
        self._known = wirings()
        self._choose: Callable[[str], None] = lambda name: None
        self.on("choose", lambda name="", **_: self._choose(str(name)))
        self.on("curves", self._send_curves)
        self.show()

    def on_choice(self, handler: Callable[[str], None]) -> None:
        """Call ``handler(name)`` when a wiring is chosen."""
        self._choose = handler

    def show(self) -> None:
        """Show the present wiring, which stands first where the catalogue does not hold it."""
        state = self._state
        setup = state.snapshot.rig.setup
        own, plain = state.rig.harness, state.offers.plain(setup.rig).harness
        names = [known.name for known in self._known]
        others = {each.name: each for each in (own, plain) if each.name not in names}
        shown = (*map(wiring_of, others.values()), *self._known)
        cards = [wiring.data for wiring in shown]
        if self.wirings != cards:
            self.wirings = cards
        self.chosen = own.name
        self.stamp = state.query_of(state.snapshot.with_setup(standing(state.offers, setup)).rig)

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


def choose_wiring(state: CurvePageState[Any], name: str) -> None:
    """Put a wiring in the place of the present one, which becomes B; one step of undo.

    Raises
    ------
    InputError
        If the wiring cannot be filled with pickups.
    """
    state.try_out(rebuilt(state.offers, state.snapshot.rig.setup, WIRING, name))
