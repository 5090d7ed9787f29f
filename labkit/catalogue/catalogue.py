"""Collects sheets from all folders into one catalogue, by kind and name.

A file holds one sheet, or a table of like things: with ``[[entry]]`` tables, each entry is an item of its own
whose missing keys come from the top of the file. A file that cannot be read is left out with a message.

Where two sheets have one kind and name, the first folder wins (see `labkit.plugins.manager` for their order), unless
its sheet cannot be used: a mistake in a sheet disables that sheet, and what it hid comes back.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from labkit.core.errors import InputError, SheetError, did_you_mean
from labkit.core.sheet import Table, read_sheet
from labkit.plugins import Plugins, plugins
from labkit.plugins.manager import BUILTIN, FOLDERS_VARIABLE

_MOST_FILES = 5000
_FOR_PEOPLE = ("sheet", "format", "name", "summary", "source", "note", "doubt")


@dataclass(frozen=True, slots=True, kw_only=True)
class CatalogueItem:
    """One item: its kind and name, the keys of its sheet, the file and the plugin it came from."""

    kind: str
    name: str
    data: Mapping[str, Any]
    path: Path
    plugin: str

    @property
    def summary(self) -> str:
        """What the item is, in the words of its sheet."""
        return str(self.data.get("summary", ""))

    def table(self) -> Table:
        """Return a fresh reader of the item's keys (those that describe it to people count as read)."""
        table = Table(self.data, f"{self.path} ('{self.name}')", folder=self.path.parent)
        table.allow(*_FOR_PEOPLE)
        return table


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetReader:
    """What reads one kind of sheet, and the plugin that brought it."""

    kind: str
    read: Callable[[Table], object]
    plugin: str

    def __call__(self, table: Table) -> object:
        """Return the thing a table describes.

        Raises
        ------
        InputError
            If it cannot be read. A reader that fails in any other way is named, with its plugin.
        """
        try:
            return self.read(table)
        except InputError:
            raise
        except Exception as error:
            if self.plugin == BUILTIN:
                raise
            raise SheetError(
                f"{table.where}: the reader of '{self.kind}' sheets of plugin '{self.plugin}' failed: "
                f"{type(error).__name__}: {' '.join(str(error).split())[:200]}"
            ) from error


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """Items by kind and name, the reader of each kind, and what had to be left out.

    Attributes
    ----------
    items : mapping of (kind, name) to CatalogueItem
    readers : mapping of str to SheetReader
    problems : tuple of str
        Sheets that could not be read, and names that two sheets have.
    hidden : mapping of (kind, name) to list of CatalogueItem
        Sheets of the same kind and name in later folders, which come back where the first cannot be used.
    """

    items: Mapping[tuple[str, str], CatalogueItem]
    readers: Mapping[str, SheetReader]
    problems: tuple[str, ...]
    hidden: Mapping[tuple[str, str], list[CatalogueItem]] = field(default_factory=dict)
    _faults: dict[tuple[str, str], str] = field(default_factory=dict, repr=False)
    _settled: dict[tuple[str, str], CatalogueItem] = field(default_factory=dict, repr=False)

    def kinds(self) -> tuple[str, ...]:
        """Return the kinds that have items, sorted."""
        return tuple(sorted({kind for kind, _ in self.items}))

    def names(self, kind: str) -> tuple[str, ...]:
        """Return the names of one kind, in the order of their files."""
        return tuple(name for found, name in self.items if found == kind)

    def usable_names(self, kind: str) -> tuple[str, ...]:
        """Return the names of one kind whose sheets can be used, for lists to choose from.

        Each sheet is read once. Those that labkit itself brings are not read again: its tests read them all.
        """
        return tuple(
            name
            for name in self.names(kind)
            if self.items[kind, name].plugin == BUILTIN or not self.fault_of(kind, name)
        )

    def item(self, kind: str, name: str) -> CatalogueItem:
        """Return an item.

        Raises
        ------
        InputError
            If there is none of that name; says the nearest.
        """
        if (kind, name) not in self.items:
            raise InputError(f"no {kind} is named '{name}' in the catalogue.{did_you_mean(name, self.names(kind))}")
        return self._settle(kind, name)

    def load(self, kind: str, name: str) -> Any:
        """Return the thing an item describes, read by the reader of its kind."""
        return self._read(self.item(kind, name))

    def fault_of(self, kind: str, name: str) -> str:
        """Return why an item cannot be used, empty where it can; every item is read once for that."""
        if (kind, name) not in self._faults:
            self._faults[kind, name] = self._fault(self.item(kind, name))
        return self._faults[kind, name]

    def check(self, *, own_only: bool = False) -> tuple[str, ...]:
        """Read every item and return one sentence for each that cannot be used.

        Parameters
        ----------
        own_only : bool
            Leave out what labkit itself brings, whose sheets its tests read.
        """
        found = list(self.problems)
        every = [item for key, first in self.items.items() for item in (first, *self.hidden.get(key, ()))]
        faults = [self._fault(item) for item in every if not (own_only and item.plugin == BUILTIN)]
        return tuple(dict.fromkeys([*found, *(fault for fault in faults if fault)]))

    def _settle(self, kind: str, name: str) -> CatalogueItem:
        """The first of several sheets of one name that can be used; the first of all where none can."""
        first = self.items[kind, name]
        if (kind, name) not in self.hidden:
            return first
        if (kind, name) not in self._settled:
            self._settled[kind, name] = first  # what the sheet itself refers to by its own name, while it is tried
            usable = (item for item in (first, *self.hidden[kind, name]) if not self._fault(item))
            self._settled[kind, name] = next(usable, first)
        return self._settled[kind, name]

    def _read(self, item: CatalogueItem) -> Any:
        if item.kind not in self.readers:
            raise InputError(
                f"nothing installed can read a '{item.kind}' sheet.{did_you_mean(item.kind, self.readers)}"
            )
        return self.readers[item.kind](item.table())

    def _fault(self, item: CatalogueItem) -> str:
        try:
            self._read(item)
        except InputError as error:
            sentence = str(error)
            return sentence if str(item.path) in sentence else f"{item.path}: {sentence}"
        except Exception as error:  # a page that lists what can be used must not fail over one sheet
            return f"{item.path}: '{item.name}' cannot be read ({type(error).__name__}: {' '.join(str(error).split())})"
        return ""


def load_catalogue(found: Plugins | None = None) -> Catalogue:
    """Read every folder of every plugin into a catalogue."""
    found = plugins() if found is None else found
    items: dict[tuple[str, str], CatalogueItem] = {}
    problems: list[str] = []
    hidden: dict[tuple[str, str], list[CatalogueItem]] = {}
    readers = {
        kind: SheetReader(kind=kind, read=brought.thing, plugin=brought.plugin)
        for kind, brought in found.things("labkit_sheet_kinds", check=_not_a_reader).items()
    }
    for plugin, folder in found.folders():
        if not folder.is_dir():
            if any(note.name == plugin for note in found.notes):
                found.report(plugin, f"labkit_catalogue_folders: the folder {folder} does not exist")
            else:
                problems.append(f"{folder}: the folder named by {plugin} does not exist")
            continue
        for path in sorted(folder.rglob("*.toml"))[:_MOST_FILES]:
            try:
                for item in _items(path, plugin):
                    known = items.setdefault((item.kind, item.name), item)
                    if known is not item:
                        hidden.setdefault((item.kind, item.name), []).append(item)
                        problems.append(
                            f"{path}: the {item.kind} '{item.name}' is already brought by {known.plugin} "
                            f"({known.path.name}), which comes first"
                        )
            except SheetError as error:
                problems.append(str(error))
    return Catalogue(items=items, readers=readers, problems=tuple(problems), hidden=hidden)


def _not_a_reader(thing: object) -> str:
    return "" if callable(thing) else "a function that reads a table"


def catalogue() -> Catalogue:
    """The catalogue of this process, read once for each value of ``LABKIT_CATALOGUE``."""
    return _catalogue(os.environ.get(FOLDERS_VARIABLE, ""))


@lru_cache(maxsize=4)
def _catalogue(folders: str) -> Catalogue:
    return load_catalogue()


def _items(path: Path, plugin: str) -> list[CatalogueItem]:
    sheet = read_sheet(path)
    kind = sheet.text("sheet")
    if "entry" not in sheet:
        name = sheet.text("name", expected="the name of the thing")
        return [CatalogueItem(kind=kind, name=name, data=sheet.data, path=path, plugin=plugin)]
    shared = {key: value for key, value in sheet.data.items() if key != "entry"}
    found = []
    for entry in sheet.tables("entry"):
        name = entry.text("name", expected="the name of the thing")
        data = {**shared, **entry.data}
        found.append(CatalogueItem(kind=kind, name=name, data=data, path=path, plugin=plugin))
    return found
