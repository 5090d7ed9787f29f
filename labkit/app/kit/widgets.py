"""The lab's own widgets: controls, curve, actions, files, desk. Thin: each only carries what a page state says.

Their scripts and style sheet lie in ``labkit/data/voila/web``; they work in the lab's pages and in a plain notebook.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import anywidget
import traitlets

from labkit.app.kit.background import Debounce
from labkit.app.kit.controls import ControlSet, Value
from labkit.core.errors import InputError, LabkitError, capitalized


@cache
def web_text(*names: str) -> str:
    folder = resources.files("labkit") / "data" / "voila" / "web"
    return "\n".join((folder / name).read_text(encoding="utf-8") for name in names)


class LabWidget(anywidget.AnyWidget):
    """What the lab's widgets share: the style sheet, and one place where messages of the page arrive."""

    _css = web_text("tokens.css", "widgets.css")

    def __init__(self, **traits: Any) -> None:
        super().__init__(**traits)
        self._handlers: dict[str, Callable[..., None]] = {}
        self.on_msg(self._receive)

    def on(self, name: str, handler: Callable[..., None]) -> None:
        """Call ``handler(**fields)`` for messages of the page with ``do`` equal to ``name``."""
        self._handlers[name] = handler

    def _receive(self, _: object, content: object, __: object) -> None:
        if not isinstance(content, dict):
            return
        fields = dict(content)
        handler = self._handlers.get(str(fields.pop("do", "")))
        if handler is not None:
            handler(**{str(name): value for name, value in fields.items()})


def missing_sentence(error: ModuleNotFoundError) -> str:
    """Say that something needs a library that is not here, as in a page that a browser works out by itself."""
    return f"This needs {error.name}, which these pages do not have here; the lab on a machine of your own does it."


class CurveView(LabWidget):
    """A drawn curve that can be read off; `width` is the room for it, CSS pixels; `is_tall` on a wide screen.

    Attributes
    ----------
    band : str
        What the band behind the curve holds, beside its switch; empty where the drawing has none.
    shows_band : bool
        Where that switch stands; the browser remembers it for all pages.
    """

    _esm = web_text("curve_reader.js", "curve_view.js")
    svg = traitlets.Unicode("").tag(sync=True)
    width = traitlets.Int(790).tag(sync=True)
    is_tall = traitlets.Bool(False).tag(sync=True)
    band = traitlets.Unicode("").tag(sync=True)
    shows_band = traitlets.Bool(True).tag(sync=True)


class ControlPanel(LabWidget):
    """Groups of controls; ``on("set", handler)`` gets key and index, ``on("type", handler)`` key and text.

    Attributes
    ----------
    heads : dict of str to str
        What the heading of a group says on its right, by title.
    holds : bool
        True while the state of the page's address is still to come: the page keeps what a person sets meanwhile.
    """

    _esm = web_text("control_panel.js")
    groups: traitlets.List[Any] = traitlets.List().tag(sync=True)
    values = traitlets.Dict().tag(sync=True)
    heads = traitlets.Dict().tag(sync=True)
    holds = traitlets.Bool(False).tag(sync=True)

    def show_controls(self, controls: ControlSet) -> None:
        """Show other controls."""
        self.groups = [
            {
                "title": group.title,
                "note": group.note,
                "fold": group.is_fold,
                "controls": [
                    {
                        "key": control.key,
                        "label": control.label,
                        "kind": control.kind,
                        "texts": list(control.texts),
                        "typed": control.text(control.positions[0]) if control.is_quantity else "",
                    }
                    for control in group.controls
                ],
            }
            for group in controls.groups
        ]

    def show_values(self, controls: ControlSet, values: dict[str, Value], errors: dict[str, str]) -> None:
        """Show where every control stands, with errors beside the controls that caused them."""
        self.values = {
            control.key: {
                "index": control.index(values[control.key]),
                "text": control.text(values[control.key]),
                "error": errors.get(control.key, ""),
            }
            for control in controls
        }

    def _receive(self, widget: object, content: object, buffers: object) -> None:
        try:
            super()._receive(widget, content, buffers)
        finally:
            self.send({"answered": True})


class ActionBar(LabWidget):
    """Buttons, and the page's state in the address; ``on(key, handler)`` for each button.

    Attributes
    ----------
    rig, changes : str
        The rig of the address, and what of it stands elsewhere than in its sheet, for the list of recent rigs.
    """

    _esm = web_text("kept_files.js", "action_bar.js")
    actions: traitlets.List[Any] = traitlets.List().tag(sync=True)
    query = traitlets.Unicode("").tag(sync=True)
    rig = traitlets.Unicode("").tag(sync=True)
    changes = traitlets.Unicode("").tag(sync=True)
    said = traitlets.Unicode("").tag(sync=True)

    def on_open(self, handler: Callable[[str], None], controls: ControlPanel, *, opened: str | None = None) -> None:
        """Call ``handler(query)`` with the query of the page's address; the controls hold until it has been read.

        A page whose kernel is slow asks more than once. The state is opened once, or what a person has set since would
        be lost; not at all where it is the one of ``opened``, which the page was made with.
        """
        is_open, known = opened is not None, opened
        controls.holds = not is_open

        def open_address(search: object = "", again: object = False, **_: object) -> None:
            nonlocal is_open, known
            query = str(search).removeprefix("?")
            is_known, known = is_open and (bool(again) or query == known), None
            is_open = True
            try:
                if not is_known:
                    handler(query)
            finally:
                controls.holds = False
                self.send({"address": True})

        self.on("open", open_address)


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeFile:
    """A file for the browser: name, media type, bytes; printed instead of saved where it says so."""

    name: str
    kind: str
    content: bytes
    is_printed: bool = False


class FileOffers(LabWidget):
    """Buttons that make a file when pressed; it is saved by the browser, or printed.

    ``make()`` of an `offer` returns a `MadeFile`, or raises `InputError`, which is said beside the button.
    """

    _esm = web_text("file_offers.js")
    offers: traitlets.List[Any] = traitlets.List().tag(sync=True)

    def __init__(self, **traits: Any) -> None:
        super().__init__(**traits)
        self._makers: dict[str, Callable[[], MadeFile]] = {}
        self.on("make", self._make)

    def offer(self, key: str, label: str, make: Callable[[], MadeFile]) -> None:
        """Add a button."""
        self._makers[key] = make
        self.offers = [*self.offers, {"key": key, "label": label}]

    def _make(self, key: object = "", **_: object) -> None:
        if key not in self._makers:
            return
        try:
            made = self._makers[str(key)]()
        except InputError as error:
            self.send({"failed": str(error)})
            return
        except ModuleNotFoundError as error:
            self.send({"failed": missing_sentence(error)})
            return
        self.send({"name": made.name, "type": made.kind, "print": made.is_printed}, buffers=[made.content])


class Work(LabWidget):
    """What is being worked on, how far it is, and a way to cancel or go on; ``on("cancel")``, ``on("again")``."""

    _esm = web_text("work.js")
    _css = web_text("tokens.css", "widgets.css", "upload.css")
    words = traitlets.Unicode("").tag(sync=True)
    again = traitlets.Bool(False).tag(sync=True)


class ListeningDesk(LabWidget):
    """Stages of a blind test. Sounds go to the page as bytes, never as part of the widget's state."""

    _esm = web_text("sound_loops.js", "listening_desk.js")
    _css = web_text("tokens.css", "widgets.css", "listening_desk.css")
    view = traitlets.Dict().tag(sync=True)
    forgets = traitlets.Bool(False).tag(sync=True)

    def send_sounds(self, sounds: tuple[bytes, bytes, bytes], trial: int) -> None:
        """Hand the three sounds of a trial to the page."""
        self.send({"sounds": trial}, buffers=list(sounds))


class CaseBoard(LabWidget):
    """Reference cases by model, with progress; ``on("ready", handler)`` is called when the board is in view."""

    _esm = web_text("case_board.js")
    _css = web_text("tokens.css", "widgets.css", "listening_desk.css", "case_board.css")
    head = traitlets.Unicode("").tag(sync=True)
    limits = traitlets.Unicode("").tag(sync=True)
    models: traitlets.List[Any] = traitlets.List().tag(sync=True)
    progress = traitlets.Dict().tag(sync=True)


DISCLOSURE_PAUSE_S = 0.3
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
        self._planned = Debounce(self._work, DISCLOSURE_PAUSE_S)
        self.on("toggle", lambda is_open=False, **_: self.turn(bool(is_open)))

    def turn(self, is_open: bool) -> None:
        """Open or close it."""
        self._is_open = is_open
        if is_open and self._is_stale:
            self._plan()

    def refresh(self) -> None:
        """Make the content again after a change: now if it is open, otherwise when it is opened."""
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
            self.html, self.said = "", capitalized(str(error))
        except ModuleNotFoundError as error:
            self.html, self.said = "", missing_sentence(error)
        self._is_stale = False
