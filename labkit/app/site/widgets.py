"""Stand-ins for the two widget libraries where a browser runs the pages: what the lab uses of them, and no more.

`install` puts them in the place of ``ipywidgets`` and ``anywidget``, before a page is imported. A widget's state and
messages then go through one `Line` to the page's client (``labkit/data/site/site.js``), in the libraries' own terms.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from itertools import count
from types import ModuleType
from typing import Any

import traitlets

CHILD = "IPY_MODEL_"
"""Before the identity of a widget that stands in the state of another."""

Post = Callable[[str, list[bytes]], None]


class Line:
    """What goes to the page: changes of state and messages, those of one answer together.

    Attributes
    ----------
    post : callable
        Takes a list of messages as JSON text, and their buffers.
    """

    def __init__(self) -> None:
        self.post: Post = lambda text, buffers: None
        self.widgets: dict[str, Widget] = {}
        self._waiting: list[dict[str, Any]] = []
        self._buffers: list[bytes] = []
        self._depth = 0

    @contextmanager
    def together(self) -> Iterator[None]:
        """Send what is said inside at its end."""
        self._depth += 1
        try:
            yield
        finally:
            self._depth -= 1
            if not self._depth:
                self._flush()

    def changed(self, widget: Widget, name: str) -> None:
        """Send a value of a widget's state."""
        last = self._waiting[-1] if self._waiting else {}
        value = encoded(getattr(widget, name))
        if last.get("id") == widget.model_id and "state" in last:
            last["state"][name] = value
        else:
            self._waiting.append({"id": widget.model_id, "state": {name: value}})
        if not self._depth:
            self._flush()

    def say(self, widget: Widget, content: object, buffers: list[bytes]) -> None:
        """Send a message of a widget's own."""
        self._waiting.append({"id": widget.model_id, "content": content, "buffers": len(buffers)})
        self._buffers += buffers
        if not self._depth:
            self._flush()

    def receive(self, message: dict[str, Any], buffers: list[bytes]) -> None:
        """Take a message of the page: a changed state or one of a widget's own. Others are left alone."""
        widget = self.widgets.get(str(message.get("id")))
        if widget is None:
            return
        with self.together():
            if isinstance(message.get("state"), dict):
                widget.take(message["state"])
            else:
                widget.hear(message.get("content"), buffers)

    def _flush(self) -> None:
        if self._waiting:
            text = json.dumps(self._waiting, ensure_ascii=False)
            buffers, self._waiting, self._buffers = self._buffers, [], []
            self.post(text, buffers)


LINE = Line()
_NUMBERS = count(1)


def encoded(value: Any) -> Any:
    """Return a value of a widget's state as JSON has it; widgets in it by their identity."""
    if isinstance(value, Widget):
        return CHILD + value.model_id
    if isinstance(value, list | tuple):
        return [encoded(each) for each in value]
    return value


class Widget(traitlets.HasTraits):
    """A widget with a synchronised state; `kind` is what the page's client makes of it."""

    kind = "Widget"
    display = traitlets.Unicode(None, allow_none=True).tag(sync=True)
    classes: traitlets.List[Any] = traitlets.List().tag(sync=True)

    def __init__(self, **traits: Any) -> None:
        self.model_id = str(next(_NUMBERS))
        self._on_message: list[Callable[..., None]] = []
        self._taken: dict[str, Any] = {}
        super().__init__(**traits)
        LINE.widgets[self.model_id] = self
        self.observe(self._changed, list(self.traits(sync=True)))

    @property
    def state(self) -> dict[str, Any]:
        """The whole synchronised state."""
        return {name: encoded(getattr(self, name)) for name in self.traits(sync=True)}

    @property
    def layout(self) -> WidgetLayout:
        """Where ``display`` is set."""
        return WidgetLayout(self)

    def add_class(self, name: str) -> Widget:
        """Give it a class of the style sheet."""
        if name not in self.classes:
            self.classes = [*self.classes, name]
        return self

    def remove_class(self, name: str) -> Widget:
        """Take a class away."""
        self.classes = [each for each in self.classes if each != name]
        return self

    def on_msg(self, handler: Callable[..., None]) -> None:
        """Call ``handler(widget, content, buffers)`` for every message of the page."""
        self._on_message.append(handler)

    def send(self, content: object, buffers: list[Any] | None = None) -> None:
        """Send a message to the page."""
        LINE.say(self, content, [bytes(each) for each in buffers or ()])

    def take(self, state: dict[str, Any]) -> None:
        """Set what the page has set; a value that does not suit is left alone."""
        for name, value in state.items():
            if name in self.traits(sync=True):
                self._taken[name] = value
                with suppress(traitlets.TraitError):
                    setattr(self, name, value)
                self._taken.pop(name, None)

    def hear(self, content: object, buffers: list[bytes]) -> None:
        """Take a message of the page."""
        for handler in self._on_message:
            handler(self, content, buffers)

    def _changed(self, change: Any) -> None:
        if change.name in self._taken and self._taken[change.name] == change.new:
            return  # the page has it
        LINE.changed(self, change.name)


class WidgetLayout:
    """Of a widget: only whether it is shown."""

    def __init__(self, widget: Widget) -> None:
        self._widget = widget

    @property
    def display(self) -> str | None:
        """As the style sheet's; None as usual."""
        return self._widget.display

    @display.setter
    def display(self, value: str | None) -> None:
        self._widget.display = value


class Box(Widget):
    """Widgets in a row."""

    kind = "Box"
    children: Any = traitlets.Tuple().tag(sync=True)

    def __init__(self, children: Any = (), **traits: Any) -> None:
        super().__init__(children=tuple(children), **traits)


class VBox(Box):
    """Widgets in a column."""

    kind = "VBox"


class HTML(Widget):
    """Text with marks."""

    kind = "HTML"
    value = traitlets.Unicode("").tag(sync=True)

    def __init__(self, value: str = "", **traits: Any) -> None:
        super().__init__(value=value, **traits)


class Button(Widget):
    """A button."""

    kind = "Button"
    description = traitlets.Unicode("").tag(sync=True)
    tooltip = traitlets.Unicode(None, allow_none=True).tag(sync=True)
    disabled = traitlets.Bool(False).tag(sync=True)

    def on_click(self, handler: Callable[[Any], None]) -> None:
        """Call ``handler(button)`` when it is pressed."""
        self.on_msg(lambda *_: handler(self))


class Textarea(Widget):
    """Lines to write."""

    kind = "Textarea"
    description = traitlets.Unicode("").tag(sync=True)
    value = traitlets.Unicode("").tag(sync=True)
    rows = traitlets.Int(None, allow_none=True).tag(sync=True)


class Dropdown(Widget):
    """One of some words, the first at first."""

    kind = "Dropdown"
    description = traitlets.Unicode("").tag(sync=True)
    options: Any = traitlets.Tuple().tag(sync=True)
    value = traitlets.Unicode("").tag(sync=True)

    def __init__(self, options: Any = (), **traits: Any) -> None:
        super().__init__(**{"value": next(iter(options), ""), **traits}, options=tuple(options))


class AnyWidget(Widget):
    """A widget with a script of its own, which the site keeps under the name of its class."""

    @property
    def kind(self) -> str:  # type: ignore[override]
        """Its class."""
        return type(self).__name__


def install() -> None:
    """Put the stand-ins in the place of the libraries."""
    libraries = {"ipywidgets": (Widget, Box, VBox, HTML, Button, Textarea, Dropdown), "anywidget": (AnyWidget,)}
    for name, classes in libraries.items():
        module = ModuleType(name, __doc__)
        for each in classes:
            setattr(module, each.__name__, each)
        sys.modules[name] = module
