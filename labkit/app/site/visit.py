"""One visit of a page in the browser's own Python: the same page as in the lab, its messages through one line.

The worker of the site (``labkit/data/site/worker.js``) calls `open_page` once and `receive` for every message.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from typing import Any

from labkit.app.site.widgets import LINE, install

Post = Callable[[str, Any], None]


def open_page(name: str, query: str, post: Post) -> str:
    """Make a page for the query of its address and return its widgets, JSON: the outermost one, and all by identity.

    Parameters
    ----------
    name : str
        Of the page, as its notebook is called.
    query : str
        Without the question mark.
    post : callable
        Takes messages for the page as JSON text, and their buffers.

    Raises
    ------
    StopIteration
        If there is no such page.
    """
    os.environ["QUERY_STRING"] = query
    install()
    from labkit.app.kit.panels import notebook_panels

    LINE.widgets.clear()
    LINE.post = lambda text, buffers: None
    box = next(panel for panel in notebook_panels() if panel.name == name).make()
    LINE.post = post
    widgets = {number: {"kind": widget.kind, "state": widget.state} for number, widget in LINE.widgets.items()}
    return json.dumps({"root": box.model_id, "widgets": widgets}, ensure_ascii=False)


def receive(text: str, buffers: list[Any]) -> None:
    """Take a message of the page, JSON, with its buffers."""
    LINE.receive(json.loads(text), [bytes(each) for each in buffers])
