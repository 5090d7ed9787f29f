"""The page of any panel that has no notebook of its own: the address names it.

from labkit.app.kit.panel_page import panel
panel("name of a panel")
"""

from __future__ import annotations

import os
from collections.abc import Callable
from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import ipywidgets

from labkit.app.kit.panels import PANEL_FIELD, make_panel, panels
from labkit.app.kit.sheets_read import forget_changed_sheets
from labkit.app.kit.widgets import web_text
from labkit.core.errors import InputError, capitalized
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig

_LONGEST_NAME = 80


def panel(name: str | None = None) -> ipywidgets.Box:
    """Return a panel under its title and task; a sentence instead where there is none or it fails.

    Parameters
    ----------
    name : str, optional
        Of the panel; from the page's address by default.
    """
    forget_changed_sheets()
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
    return _page(_heading(found.title, found.task), widget, before=(_listening_bar(),))


def message_box(title: str, sentence: str) -> ipywidgets.Box:
    """Return a page that only says something: why there is nothing to show, and what would change that."""
    return _page(_heading(title, sentence))


def rig_panel(make: Callable[[Rig | None], Any]) -> Callable[..., ipywidgets.Box]:
    """Return the ``panel()`` of a page that starts with a rig.

    Parameters
    ----------
    make : callable
        Takes a rig, or None for the first one of the catalogue, and returns a page with its widgets in ``box``.
    """

    def panel(rig: Rig | None = None, *, sheet: str | Path | None = None) -> ipywidgets.Box:
        """Return the page with a rig, with one given by path or catalogue name, or with the first of the catalogue.

        Where neither is given and there is nothing to show, the page says why.

        Raises
        ------
        InputError
            If what is given cannot be shown.
        """
        forget_changed_sheets()
        if sheet is not None:
            rig = load_rig(sheet)
        try:
            return make(rig).box
        except InputError as error:
            if rig is not None:
                raise
            return message_box("There is nothing to show yet", f"{capitalized(str(error))}.")

    return panel


def _heading(title: str, sentence: str) -> ipywidgets.HTML:
    return ipywidgets.HTML(f"<h1>{escape(title)}</h1><p>{escape(sentence)}</p>")


def _listening_bar() -> ipywidgets.Widget:
    """The bar at the foot, with the rig of the page's address."""
    from labkit.app.kit.page import travelling_listening

    listening = travelling_listening(os.environ.get("QUERY_STRING", ""))
    listening.show()
    return listening.bar


def _page(
    heading: ipywidgets.HTML, *below: ipywidgets.Widget, before: tuple[ipywidgets.Widget, ...] = ()
) -> ipywidgets.Box:
    """The frame of the lab's pages; its style sheet comes along, since a plugin's widgets bring none."""
    style = web_text("tokens.css", "widgets.css")
    title = ipywidgets.Box([heading])
    title.add_class("lab-title")
    page = ipywidgets.VBox([*before, title, *below, ipywidgets.HTML(f"<style>{style}</style>")])
    page.add_class("lab-page")
    return page
