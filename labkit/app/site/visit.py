"""One visit of a page in the browser's own Python: the same page as in the lab, its messages through one line.

The worker of the site (``labkit/data/site/worker.js``) calls `open_page` once and `receive` for every message.
"""

from __future__ import annotations

import importlib.util
import io
import json
import marshal
import os
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from labkit.app.site.widgets import LINE, install
from labkit.core.sheet import remember_parsed

Post = Callable[[str, Any], None]

PARSED = "data/site/sheets.json"
"""What the sheets of the catalogue say, by their files in the package, as JSON, which the browser reads faster."""


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
    package = Path(__file__).parents[2]
    if (package / PARSED).is_file():
        said = json.loads((package / PARSED).read_bytes())
        remember_parsed({(package / name).read_text(encoding="utf-8"): data for name, data in said.items()})
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


COMPILED = "lib/compiled"
"""Where compiled modules of the standard library go, which itself is read from an archive."""


def compiled_code() -> bytes:
    """Return every loaded module as compiled code, an archive to be unpacked at the root of the file system.

    A module of a folder gets its code where Python looks for it; one of an archive goes below `COMPILED`.
    """
    packed = io.BytesIO()
    # a header that asks for no comparison with the source: both come from the same version of the site
    header = importlib.util.MAGIC_NUMBER + (1).to_bytes(4, "little") + bytes(8)
    with zipfile.ZipFile(packed, "w") as archive:
        for name, module in list(sys.modules.items()):
            spec = getattr(module, "__spec__", None)
            origin: object = getattr(spec, "origin", None)
            loader: Any = getattr(spec, "loader", None)
            if not isinstance(origin, str) or not origin.endswith(".py") or not hasattr(loader, "get_code"):
                continue
            before, is_packed, inside = origin.partition(".zip/")
            code = loader.get_code(name)
            if code is not None:
                place = f"{COMPILED}/{inside}c" if is_packed else importlib.util.cache_from_source(before).lstrip("/")
                archive.writestr(place, header + marshal.dumps(code))
    return packed.getvalue()
