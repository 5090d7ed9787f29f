"""The one plugin manager: finds plugins, calls hooks one plugin at a time, and remembers what went wrong.

A plugin that fails is reported by name and left out; the lab goes on. Order, which is also precedence where two
bring the same name: folders of ``LABKIT_CATALOGUE``, the user folder, the built-ins, packages by name. What a person
put into a folder of their own is meant to win; a package that was merely installed cannot change what the built-in
names stand for. Whatever loses is reported.
"""

from __future__ import annotations

import contextlib
import io
import os
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

import platformdirs
import pluggy

from labkit.core.errors import PluginError, did_you_mean
from labkit.plugins import hooks

BUILTIN = "builtin"
FOLDERS_VARIABLE = "LABKIT_CATALOGUE"
WITHOUT_VARIABLE = "LABKIT_WITHOUT"
"""Environment variable with names of plugins, separated by commas, that are not to be loaded."""

SLOW_S = 3.0
"""A plugin that takes longer than this to load, or to answer one hook, is reported: everybody waits for it."""

HOOKS = tuple(name for name in vars(hooks) if name.startswith("labkit_"))
"""Names of all hooks, in the order of their file."""


@dataclass(slots=True, kw_only=True)
class PluginNote:
    """What is known of one plugin.

    Attributes
    ----------
    name, origin, version : str
        Name, the distribution it came from, and that distribution's version.
    is_loaded : bool
    seconds : float, s
        What loading it and calling its hooks has taken so far.
    problems : list of str
        What went wrong, a sentence each.
    """

    name: str
    origin: str = ""
    version: str = ""
    is_loaded: bool = True
    seconds: float = 0.0
    problems: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Brought:
    """One thing that came through a hook: its name, the thing, and the plugin it came from."""

    name: str
    thing: Any
    plugin: str


@dataclass(slots=True)
class Plugins:
    """The loaded plugins and the notes about them."""

    manager: pluggy.PluginManager
    notes: list[PluginNote] = field(default_factory=list)
    _results: dict[str, list[tuple[str, Any]]] = field(default_factory=dict)
    _things: dict[str, Mapping[str, Brought]] = field(default_factory=dict)

    def call(self, hook: str) -> Iterator[tuple[str, Any]]:
        """Yield (plugin name, what it returned for a hook), highest precedence first.

        A plugin that raises is noted and skipped. Every plugin is asked once in a process.
        """
        if hook not in self._results:
            found = getattr(self.manager.hook, hook).get_hookimpls()
            # The built-ins come first in the clock too: the time their imports take is not counted as another plugin's.
            found = sorted(found, key=lambda each: (each.plugin_name != BUILTIN, each.plugin_name))
            self._results[hook] = [
                (each.plugin_name, result) for each in found if (result := self._answer(hook, each)) is not _FAILED
            ]
        yield from self._results[hook]

    def things(
        self, hook: str, *, check: Callable[[Any], str], key: Callable[[Any], object] | None = None
    ) -> Mapping[str, Brought]:
        """Return everything that a hook brings, by name, checked; what does not pass is noted and left out.

        Parameters
        ----------
        hook : str
        check : callable
            Gets a thing and returns what it should be ("a subclass of Part"), or nothing where it is that.
        key : callable, optional
            Name of a thing, for hooks that return plain lists; without it they return things by name.
        """
        if hook in self._things:
            return self._things[hook]
        found: dict[str, Brought] = {}
        for plugin, result in self.call(hook):
            try:
                for name, thing in _named(result, key):
                    problem = _problem(name, thing, check)
                    if problem:
                        self.report(plugin, f"{hook}: {problem}")
                    elif name in found:
                        other = found[name].plugin
                        whose = "labkit itself brings" if other == BUILTIN else f"plugin '{other}' brings"
                        self.report(plugin, f"{hook}: '{name}' is a name that {whose} already; that one is used")
                    else:
                        found[name] = Brought(name=name, thing=thing, plugin=plugin)
            except Exception as error:  # what a plugin returns may raise anything when it is looked at
                self.report(plugin, f"{hook}: {_first_line(error)}")
        self._things[hook] = found
        return found

    def brought(self, hook: str) -> Mapping[str, Brought]:
        """Return what `things` found for a hook that was asked for already; nothing before."""
        return self._things.get(hook, {})

    def report(self, name: str, problem: str) -> None:
        """Note a problem of a plugin (once)."""
        note = self.note(name)
        if problem not in note.problems:
            note.problems.append(problem)

    def note(self, name: str) -> PluginNote:
        """Return the note of a plugin, begun where there is none."""
        for note in self.notes:
            if note.name == name:
                return note
        self.notes.append(PluginNote(name=name))
        return self.notes[-1]

    def folders(self) -> Iterator[tuple[str, Path]]:
        """Yield (plugin name, folder of sheets), highest precedence first."""
        for entry in os.environ.get(FOLDERS_VARIABLE, "").split(os.pathsep):
            if entry.strip():
                yield FOLDERS_VARIABLE, Path(entry).expanduser()
        user = user_folder()
        if user.is_dir():
            yield "user folder", user
        for name, result in self.call("labkit_catalogue_folders"):
            if isinstance(result, str | bytes) or not isinstance(result, Iterable):
                self.report(name, f"labkit_catalogue_folders must return a list of folders; got {_shown(result)}")
                continue
            for folder in result:
                if isinstance(folder, str | os.PathLike):
                    yield name, Path(folder)
                else:
                    self.report(name, f"labkit_catalogue_folders must return folders; got {_shown(folder)}")

    @property
    def problems(self) -> tuple[str, ...]:
        """One sentence for every problem noted so far."""
        return tuple(f"plugin '{note.name}': {problem}" for note in self.notes for problem in note.problems)

    def _answer(self, hook: str, implementation: Any) -> Any:
        name = implementation.plugin_name
        with self._watched(name, f"{hook} took"):
            try:
                return implementation.function()
            except (Exception, SystemExit) as error:  # a plugin may raise anything; it must not take the lab down
                self.report(name, f"{hook} failed: {_first_line(error)}")
        return _FAILED

    @contextlib.contextmanager
    def _watched(self, name: str, doing: str) -> Iterator[None]:
        """Measure what a plugin takes, and keep what it prints out of the lab's output."""
        start, printed = time.perf_counter(), io.StringIO()
        try:
            with contextlib.redirect_stdout(printed):
                yield
        finally:
            taken = time.perf_counter() - start
            note = self.note(name)
            note.seconds += taken
            if taken > SLOW_S and name != BUILTIN:
                self.report(name, f"slow: {doing} {taken:.1f} s (more than {SLOW_S:g} s), and everybody waits for it")
            said = printed.getvalue().strip()
            if said:
                self.report(name, f"prints to standard output, where results go: {_one_line(said)[:80]}")


_FAILED = object()


def user_folder() -> Path:
    """Folder of the user's own sheets."""
    return Path(platformdirs.user_data_dir("labkit", appauthor=False)) / "catalogue"


def load_plugins(*, without: tuple[str, ...] = ()) -> Plugins:
    """Find and register every plugin except those named in ``without`` or in ``LABKIT_WITHOUT``, labkit's own first.

    Raises
    ------
    PluginError
        If labkit's own entry point is missing, as in a copy of its source that was never installed.
    """
    manager = pluggy.PluginManager(hooks.PROJECT)
    manager.add_hookspecs(hooks)
    found = Plugins(manager)
    left_out = {*without, *(name.strip() for name in os.environ.get(WITHOUT_VARIABLE, "").split(","))}
    points = sorted(metadata.entry_points(group=hooks.PROJECT), key=_place)
    if BUILTIN not in left_out and not any(map(_is_own, points)):
        raise PluginError(
            f"labkit is not installed here: no package brings its entry point '{BUILTIN}', through which its own parts "
            "and sheets come; run `python -m pip install .` in the folder of its pyproject.toml"
        )
    for point in points:
        origin, version = _distribution(point)
        if point.name in left_out:
            continue
        if any(note.name == point.name for note in found.notes):
            found.report(point.name, f"{origin} {version} brings a plugin of that name too; it is not loaded")
            continue
        _load(found, PluginNote(name=point.name, origin=origin, version=version), point.load)
    return found


@cache
def plugins() -> Plugins:
    """The plugins of this process, loaded once."""
    return load_plugins()


def _distribution(point: metadata.EntryPoint) -> tuple[str, str]:
    return (point.dist.name, point.dist.version) if point.dist is not None else ("", "")


def _is_own(point: metadata.EntryPoint) -> bool:
    return (point.name, _distribution(point)[0]) == (BUILTIN, "labkit")


def _place(point: metadata.EntryPoint) -> tuple[bool, str, str]:
    return not _is_own(point), point.name, _distribution(point)[0]


def _load(found: Plugins, note: PluginNote, load: Callable[[], Any]) -> None:
    found.notes.append(note)
    manager = found.manager
    try:
        with found._watched(note.name, "loading took"):
            module = load()
        check_names(module)
        manager.register(module, name=note.name)
    except (Exception, SystemExit) as error:  # as above: reported, never raised
        if manager.has_plugin(note.name):
            manager.unregister(name=note.name)
        note.is_loaded = False
        note.problems.append(f"not loaded: {_first_line(error)}")


def check_names(module: object) -> None:
    """Refuse a plugin with a hook that is none, or without any.

    Raises
    ------
    PluginError
    """
    marked = []
    for name in dir(module):
        value = getattr(module, name, None)
        is_marked = getattr(value, f"{hooks.PROJECT}_impl", None) is not None
        if is_marked and name not in HOOKS:
            raise PluginError(f"'{name}' is not a hook of labkit.{did_you_mean(name, HOOKS)}")
        if name in HOOKS and not is_marked and callable(value):
            raise PluginError(f"'{name}' is not marked; write @hookimpl above it (from labkit.plugins import hookimpl)")
        if is_marked:
            marked.append(name)
    if not marked:
        raise PluginError("it has no function marked @hookimpl, so it brings nothing")


def _named(result: Any, key: Callable[[Any], object] | None) -> Iterable[tuple[Any, Any]]:
    if key is None:
        if not isinstance(result, Mapping):
            raise PluginError(f"must return things by name (a dictionary); got {_shown(result)}")
        return list(result.items())
    if isinstance(result, str | bytes | Mapping) or not isinstance(result, Iterable):
        raise PluginError(f"must return a list; got {_shown(result)}")
    return [(key(thing), thing) for thing in result]


def _problem(name: Any, thing: Any, check: Callable[[Any], str]) -> str:
    wanted = check(thing)
    if wanted:
        shown = f"'{name}' must be" if isinstance(name, str) else "must bring"
        return f"{shown} {wanted}; got {_shown(thing)}"
    if not isinstance(name, str) or not name.strip():
        return f"must have a name; got {name!r}"[:120]
    return ""


def _shown(value: object) -> str:
    if isinstance(value, type):
        return f"the class {value.__name__}"
    return "None" if value is None else f"a {type(value).__name__}"


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _first_line(error: BaseException) -> str:
    text = _one_line(str(error)) or "no message"
    if isinstance(error, PluginError):
        return text[:300]
    return f"{type(error).__name__}: {text}"[:300]
