"""`Panel`: a page of the lab, as plugins bring it; the lab's own pages come the same way.

Nothing here needs a widget library: a panel's widget is made when its page is opened.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from typing import Any
from urllib.parse import urlencode

from labkit.core.errors import InputError, did_you_mean
from labkit.core.files import shipped_folder
from labkit.plugins import Brought, plugins

PANEL_PAGE = "panel.ipynb"
"""The page that shows any panel without a notebook of its own."""

PANEL_FIELD = "own.panel"
"""Field of its address that names the panel."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """A page of the lab.

    Parameters
    ----------
    name : str
        What addresses call it; unique.
    title : str
        What the menu calls it: one or two words.
    task : str
        What a person can find out there, one sentence; shown on the first page.
    make : callable
        Takes nothing and returns a widget. Called once for every visit, in a process of the visit's own.
    page : str
        File name of a notebook of its own among the lab's pages; empty for plugins, whose panels need none.
    order : int
        Place in the menu, rising.
    """

    name: str
    title: str
    task: str
    make: Callable[[], Any]
    page: str = ""
    order: int = 90

    @property
    def address(self) -> str:
        """File name and query of its page."""
        return self.page or f"{PANEL_PAGE}?{urlencode({PANEL_FIELD: self.name})}"


def panels() -> Mapping[str, Brought]:
    """Return every panel that plugins bring, by name, in the order of the menu."""
    found = plugins().things("labkit_panels", check=_not_a_panel, key=lambda panel: getattr(panel, "name", ""))
    return dict(sorted(found.items(), key=lambda item: (item[1].thing.order, item[0])))


def make_panel(name: str) -> Any:
    """Return the widget of a panel.

    Raises
    ------
    InputError
        If there is no such panel, or it fails or makes something that cannot be shown; names panel and plugin.
    """
    known = panels()
    if name not in known:
        raise InputError(f"no panel is named '{name}'.{did_you_mean(name, known)}")
    whose = f"the panel '{name}' of plugin '{known[name].plugin}'"
    try:
        widget = known[name].thing.make()
    except Exception as error:  # a plugin may raise anything; the page says so in one sentence
        raise InputError(f"{whose} failed: {type(error).__name__}: {error}") from error
    if not hasattr(widget, "_repr_mimebundle_"):
        raise InputError(f"{whose} must make a widget; got a {type(widget).__name__}")
    return widget


def notebook_panels() -> tuple[Panel, ...]:
    """Return the lab's own pages: one for each notebook, named and placed by the notebook's metadata.

    The widget of ``rig.ipynb`` is made by ``labkit.app.pages.rig.page.panel``, and so on; ``labkit.make`` in the
    metadata names another place, and ``labkit.listed = false`` leaves a page out of the menu.
    """
    found = []
    for path in sorted(shipped_folder("dashboards").glob("*.ipynb")):
        own = json.loads(path.read_text(encoding="utf-8"))["metadata"].get("labkit", {})
        if own.get("listed", True):
            title = own.get("title", path.stem)
            maker = own.get("make", f"labkit.app.pages.{path.stem}.page:panel")
            found.append(
                Panel(
                    name=path.stem,
                    title=title,
                    task=own.get("task", title),
                    make=partial(_make, maker),
                    page=path.name,
                    order=own.get("order", 99),
                )
            )
    return tuple(found)


def _make(place: str) -> Any:
    module, _, name = place.partition(":")
    return getattr(import_module(module), name)()


def _not_a_panel(thing: object) -> str:
    if not isinstance(thing, Panel):
        return "a labkit.app.kit.panels.Panel"
    if not all(isinstance(text, str) and text.strip() for text in (thing.title, thing.task)):
        return "a panel with a title and a task"
    return "" if callable(thing.make) and isinstance(thing.order, int) else "a panel whose `make` is a function"
