"""What a kernel does while it waits for a page: it imports the pages' modules and parses the lab's own sheets.

Importing this module does it. It depends neither on the user's sheets nor on plugins, which a page finds as they are
when it opens. The process that kernels are forked from makes every page once as well (`pages_once`): a kernel then has
what follows from the sheets, and forgets it where they have changed since (`labkit.app.kit.sheets_read`); that process
then makes every page anew, for the kernels after it.
"""

from __future__ import annotations

import gc
import os
import pkgutil
from collections.abc import Iterator
from contextlib import suppress
from importlib import import_module

from ipywidgets import Widget

import labkit.app.kit.panel_page
import labkit.circuit.formula.reduction
import labkit.rig.wiring_check  # noqa: F401  likewise
from labkit.app import pages
from labkit.app.kit.background import Background
from labkit.app.kit.sheets_read import foreign_plugins, remember_sheets
from labkit.core.files import shipped_sheet_folders
from labkit.core.sheet import read_sheet

_PAGES = [
    import_module(f"labkit.app.pages.{_page.name}.page")
    for _page in pkgutil.iter_modules(pages.__path__)
    if _page.ispkg
]

for _folder in shipped_sheet_folders():
    for _path in sorted(_folder.rglob("*.toml")):
        read_sheet(_path)  # `labkit.core.sheet` remembers what a text says


def pages_once() -> Iterator[None]:
    """Make every page and throw it away, one a step, the start page first; none where plugins are not labkit's own.

    Those may start threads, which a process that is forked must not have.
    """
    if foreign_plugins():
        return
    remember_sheets()
    os.environ.pop("QUERY_STRING", None)
    for page in sorted(_PAGES, key=lambda page: not page.__name__.endswith(".start.page")):
        Background.is_asleep = True
        with suppress(Exception):  # the kernel of such a page says what is wrong
            page.panel()
        Background.is_asleep = False
        Widget.close_all()
        gc.collect()
        gc.freeze()  # so that collections in what is forked from here leave the shared memory shared
        yield
