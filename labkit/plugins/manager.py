"""The one plugin manager: finds plugins, calls hooks one plugin at a time, and remembers what went wrong.

A plugin that fails is reported by name and left out; the lab goes on. Order, which is also precedence where two
plugins bring the same name: folders of ``LABKIT_CATALOGUE``, the user folder, packages by name, the built-ins.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from importlib import import_module, metadata
from pathlib import Path
from typing import Any

import platformdirs
import pluggy

from labkit.plugins import hooks

BUILTIN = "builtin"
FOLDERS_VARIABLE = "LABKIT_CATALOGUE"


@dataclass(frozen=True, slots=True, kw_only=True)
class PluginNote:
    """What is known of one plugin: name, where it came from, version, and what went wrong (empty when all is well)."""

    name: str
    origin: str
    version: str = ""
    problem: str = ""


@dataclass(slots=True)
class Plugins:
    """The loaded plugins and the notes about them."""

    manager: pluggy.PluginManager
    notes: list[PluginNote] = field(default_factory=list)

    def call(self, hook: str) -> Iterator[tuple[str, Any]]:
        """Call a hook without arguments and yield (plugin name, result), highest precedence first.

        A plugin that raises is noted and skipped.
        """
        caller = getattr(self.manager.hook, hook)
        implementations = sorted(
            caller.get_hookimpls(), key=lambda found: (found.plugin_name == BUILTIN, found.plugin_name)
        )
        for implementation in implementations:
            try:
                result = implementation.function()
            except Exception as error:  # a plugin may raise anything; it must not take the lab down
                self.report(implementation.plugin_name, f"{hook} failed: {_first_line(error)}")
                continue
            yield implementation.plugin_name, result

    def report(self, name: str, problem: str) -> None:
        """Note a problem of a plugin (once)."""
        note = PluginNote(name=name, origin=self._origin(name), problem=problem)
        if note not in self.notes:
            self.notes.append(note)

    def folders(self) -> Iterator[tuple[str, Path]]:
        """Yield (plugin name, folder of sheets), highest precedence first."""
        for entry in os.environ.get(FOLDERS_VARIABLE, "").split(os.pathsep):
            if entry.strip():
                yield FOLDERS_VARIABLE, Path(entry).expanduser()
        user = user_folder()
        if user.is_dir():
            yield "user folder", user
        for name, result in self.call("labkit_catalogue_folders"):
            try:
                folders = [Path(folder) for folder in result]
            except TypeError:
                self.report(name, f"labkit_catalogue_folders must return folders; got {type(result).__name__}")
                continue
            for folder in folders:
                yield name, folder

    @property
    def problems(self) -> tuple[str, ...]:
        """One sentence for every problem noted so far."""
        return tuple(f"plugin '{note.name}': {note.problem}" for note in self.notes if note.problem)

    def _origin(self, name: str) -> str:
        return next((note.origin for note in self.notes if note.name == name), "")


def user_folder() -> Path:
    """Folder of the user's own sheets."""
    return Path(platformdirs.user_data_dir("labkit", appauthor=False)) / "catalogue"


def load_plugins(*, without: tuple[str, ...] = ()) -> Plugins:
    """Find and register every plugin except those named in ``without``."""
    manager = pluggy.PluginManager(hooks.PROJECT)
    manager.add_hookspecs(hooks)
    found = Plugins(manager)
    points = {point.name: point for point in metadata.entry_points(group=hooks.PROJECT)}
    names = [BUILTIN, *sorted(name for name in points if name != BUILTIN)]
    for name in names:
        if name in without:
            continue
        origin, version = "labkit", ""
        point = points.get(name)
        if point is not None and point.dist is not None:
            origin, version = point.dist.name, point.dist.version
        try:
            module = import_module("labkit.builtin") if point is None or name == BUILTIN else point.load()
            manager.register(module, name=name)
            _check_names(manager, module)
        except Exception as error:  # as above: reported, never raised
            if manager.has_plugin(name):
                manager.unregister(name=name)
            found.notes.append(
                PluginNote(name=name, origin=origin, version=version, problem=f"not loaded: {_first_line(error)}")
            )
            continue
        found.notes.append(PluginNote(name=name, origin=origin, version=version))
    return found


@cache
def plugins() -> Plugins:
    """The plugins of this process, loaded once."""
    return load_plugins()


def _check_names(manager: pluggy.PluginManager, module: object) -> None:
    """Refuse functions marked as hooks whose name is none."""
    known = {name for name in vars(hooks) if name.startswith("labkit_")}
    for name in dir(module):
        marked = getattr(getattr(module, name), f"{hooks.PROJECT}_impl", None)
        if marked and name not in known:
            from labkit.core.errors import PluginError, did_you_mean

            raise PluginError(f"'{name}' is not a hook of labkit.{did_you_mean(name, known)}")


def _first_line(error: BaseException) -> str:
    text = str(error).strip().splitlines()
    return f"{type(error).__name__}: {text[0] if text else 'no message'}"[:300]
