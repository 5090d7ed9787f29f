"""Whether what a process has derived from sheets and plugins still holds, and forgetting it where it does not.

For processes that live longer than a page: the lab's server, and the one that its kernels are forked from.
"""

from __future__ import annotations

import os
import sys
from importlib import metadata
from pathlib import Path

from labkit.core.files import shipped_sheet_folders
from labkit.plugins.hooks import PROJECT
from labkit.plugins.manager import FOLDERS_VARIABLE, WITHOUT_VARIABLE, user_folder

_KNOW_NO_SHEETS = tuple(f"labkit.{each}." for each in ("core", "circuit", "view", "app.server"))
_MOST_FILES = 5000

Found = tuple[object, ...]
_remembered: Found | None = None


def remember_sheets() -> None:
    """Remember how sheets and plugins are found now, before anything is derived from them."""
    global _remembered
    _remembered = _found()


def forget_changed_sheets() -> bool:
    """Empty the caches of this process where sheets or plugins are found otherwise than was remembered; say whether.

    Nothing is done in a process that remembers nothing.
    """
    if _remembered is None or _remembered == _found():
        return False
    remember_sheets()
    for name, module in list(sys.modules.items()):
        if name.startswith("labkit.") and not name.startswith(_KNOW_NO_SHEETS):
            for thing in list(vars(module).values()):
                if callable(getattr(thing, "cache_clear", None)):
                    thing.cache_clear()
    return True


def foreign_plugins() -> bool:
    """Say whether packages other than labkit bring plugins."""
    return any(point.dist is None or point.dist.name != PROJECT for point in metadata.entry_points(group=PROJECT))


def _found() -> Found:
    """What sheets and plugins come from: variables, entry points, and every sheet with time of change and size."""
    folders = [Path(entry).expanduser() for entry in os.environ.get(FOLDERS_VARIABLE, "").split(os.pathsep) if entry]
    sheets = set()
    for folder in (*folders, user_folder(), *shipped_sheet_folders()):
        for _, path in zip(range(_MOST_FILES), folder.rglob("*.toml")):
            try:
                state = path.stat()
            except OSError:
                continue
            sheets.add((str(path), state.st_mtime_ns, state.st_size))
    points = {(point.name, point.value) for point in metadata.entry_points(group=PROJECT)}
    variables = tuple(os.environ.get(name, "") for name in (FOLDERS_VARIABLE, WITHOUT_VARIABLE))
    return variables, str(user_folder()), frozenset(points), frozenset(sheets)
