"""What a kernel does while it waits for a page: it imports the pages' modules and parses the lab's own sheets.

Importing this module does it. Nothing here may depend on the user's sheets or plugins, which a page finds as they
are when it opens.
"""

from __future__ import annotations

import pkgutil
from importlib import import_module

import labkit.app.kit.panel_page  # noqa: F401  imported for its time
from labkit.app import pages
from labkit.core.files import shipped_sheet_folders
from labkit.core.sheet import read_sheet

for _page in pkgutil.iter_modules(pages.__path__):
    if _page.ispkg:
        import_module(f"labkit.app.pages.{_page.name}.page")

for _folder in shipped_sheet_folders():
    for _path in sorted(_folder.rglob("*.toml")):
        read_sheet(_path)  # `labkit.core.sheet` remembers what a text says
