"""The page of any panel that has no notebook of its own: the address names it.

from labkit.app.kit.panel_page import panel
panel("name of a panel")
"""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import wraps
from html import escape
from importlib import resources
from typing import ParamSpec
from urllib.parse import parse_qs

import ipywidgets

from labkit.app.kit.panels import PANEL_FIELD, make_panel, panels
from labkit.core.errors import InputError

P = ParamSpec("P")
_LONGEST_NAME = 80


def panel(name: str | None = None) -> ipywidgets.Box:
    """Return a panel under its title and task; a sentence instead where there is none or it fails.

    Parameters
    ----------
    name : str, optional
        Of the panel; from the page's address by default.
    """
    if name is None:
        asked = parse_qs(os.environ.get("QUERY_STRING", "")[:2000], errors="replace").get(PANEL_FIELD, [""])
        name = asked[0][:_LONGEST_NAME]
    if not name:
        return message_box("No panel was asked for", "Choose one from the menu above.")
    try:
        widget = make_panel(name)
    except InputError as error:
        return message_box("This panel cannot be shown", str(error))
    found = panels()[name].thing
    return _page(_heading(found.title, found.task), widget)


def message_box(title: str, sentence: str) -> ipywidgets.Box:
    """Return a page that only says something: why there is nothing to show, and what would change that."""
    return _page(_heading(title, sentence))


def or_empty_state(make: Callable[P, ipywidgets.Box]) -> Callable[P, ipywidgets.Box]:
    """Let a page without anything to show say so: for pages that open with the first rig of the catalogue.

    Only where nothing was asked for; whoever gives a page a rig or a sheet wants to hear what is wrong with it.
    """

    @wraps(make)
    def page(*args: P.args, **kwargs: P.kwargs) -> ipywidgets.Box:
        try:
            return make(*args, **kwargs)
        except InputError as error:
            if args or kwargs:
                raise
            sentence = str(error)
            return message_box("There is nothing to show yet", f"{sentence[:1].upper()}{sentence[1:]}.")

    return page


def _heading(title: str, sentence: str) -> ipywidgets.HTML:
    return ipywidgets.HTML(f"<h1>{escape(title)}</h1><p>{escape(sentence)}</p>")


def _page(heading: ipywidgets.HTML, *below: ipywidgets.Widget) -> ipywidgets.Box:
    """The frame of the lab's pages; its style sheet comes along, since a plugin's widgets bring none."""
    style = (resources.files("labkit") / "data" / "voila" / "web" / "widgets.css").read_text(encoding="utf-8")
    title = ipywidgets.Box([heading])
    title.add_class("lab-title")
    page = ipywidgets.VBox([title, *below, ipywidgets.HTML(f"<style>{style}</style>")])
    page.add_class("lab-page")
    return page
