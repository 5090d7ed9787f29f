"""The start page: widgets over `StartPageState`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.start.page import panel
panel()
"""

from __future__ import annotations

from typing import Any

import ipywidgets
import traitlets

from labkit.app.kit.page import PinningPage, caption
from labkit.app.kit.panel_page import rig_panel
from labkit.app.kit.widgets import ControlPanel, web_text
from labkit.app.pages.start.state import StartPageState
from labkit.core.errors import InputError, capitalized
from labkit.view.words import ZERO


class RigSentence(ControlPanel):
    """A rig as a sentence: words that open their control in a small dialog, the answer, and things to try.

    ``on("set")`` and ``on("type")`` as for `ControlPanel`; ``on("try", handler)`` gets the number of a suggestion.

    Attributes
    ----------
    words : list of dict
        ``text``, and the ``key`` of the control that it opens or an empty one.
    answer : str
    suggestions : list of dict
        ``text``, and whether it ``stands``.
    """

    _esm = web_text("rig_sentence.js")
    _css = web_text("tokens.css", "widgets.css", "rig_sentence.css")
    words: traitlets.List[Any] = traitlets.List().tag(sync=True)
    answer = traitlets.Unicode("").tag(sync=True)
    suggestions: traitlets.List[Any] = traitlets.List().tag(sync=True)


class StartPage(PinningPage[StartPageState]):
    """One rig in a sentence, ready to play."""

    title = "One rig, ready to play"
    css_class = "lab-start"

    def __init__(self, state: StartPageState) -> None:
        super().__init__(state)
        heading = self.box.children[-2]
        heading.children = heading.children[:1]  # read aloud and not shown; its buttons stand below the curve

    def set_up(self) -> None:
        """Put the sentence in the place of the controls."""
        self.controls: RigSentence = RigSentence()

    def _connect(self) -> None:
        super()._connect()
        self.controls.on("try", self._try)

    def columns(self) -> tuple[ipywidgets.Widget, ...]:
        """Return everything in one column."""
        _, everything = super().columns()
        return (everything,)

    def results(self) -> tuple[ipywidgets.Widget, ...]:
        """Return the sentence with its answer, and the curve."""
        return self.controls, self.curve, caption(ZERO)

    def below(self) -> tuple[ipywidgets.Widget, ...]:
        """Return undo and sharing."""
        return self.actions, *super().below()

    def buttons(self) -> list[dict[str, object]]:
        """Return undo and share: the bar keeps, and the way back stands among the things to try."""
        return [button for button in super().buttons() if button["key"] in ("undo", "link")]

    def show_results(self) -> None:
        """Show the sentence, the answer, and which of the things to try stands."""
        state = self.state
        self.controls.words = [{"text": word.text, "key": word.key} for word in state.words]
        self.controls.answer = state.answer
        self.controls.suggestions = [
            {"text": suggestion.text, "stands": state.stands(suggestion)} for suggestion in state.suggestions
        ]

    def _try(self, index: object = None, **_: object) -> None:
        suggestions = self.state.suggestions
        if not isinstance(index, int) or not 0 <= index < len(suggestions):
            return
        said = ""
        try:
            self.state.attempt(suggestions[index])
        except InputError as error:
            said = capitalized(str(error))
        self.show()
        self.actions.said = said


panel = rig_panel(lambda rig: StartPage(StartPageState(rig)))
