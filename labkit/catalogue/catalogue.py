"""Collects sheets from all folders into one catalogue, by kind and name.

A file holds one sheet, or a table of like things: with ``[[entry]]`` tables, each entry is an item of its own
whose missing keys come from the top of the file. A file that cannot be read is left out with a message.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from labkit.core.errors import InputError, SheetError, did_you_mean
from labkit.core.sheet import Table, read_sheet
from labkit.plugins import Plugins, plugins
from labkit.plugins.manager import FOLDERS_VARIABLE

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
        for key in _FOR_PEOPLE:
            table.asked.setdefault(key)
        return table


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """Items by kind and name, the reader of each kind, and what had to be left out."""

    items: Mapping[tuple[str, str], CatalogueItem]
    readers: Mapping[str, Callable[[Table], object]]
    problems: tuple[str, ...]

    def kinds(self) -> tuple[str, ...]:
        """Return the kinds that have items, sorted."""
        return tuple(sorted({kind for kind, _ in self.items}))

    def names(self, kind: str) -> tuple[str, ...]:
        """Return the names of one kind, in the order of their files."""
        return tuple(name for found, name in self.items if found == kind)

    def item(self, kind: str, name: str) -> CatalogueItem:
        """Return an item.

        Raises
        ------
        InputError
            If there is none of that name; says the nearest.
        """
        try:
            return self.items[kind, name]
        except KeyError:
            raise InputError(
                f"no {kind} is named '{name}' in the catalogue.{did_you_mean(name, self.names(kind))}"
            ) from None

    def load(self, kind: str, name: str) -> Any:
        """Return the thing an item describes, read by the reader of its kind."""
        item = self.item(kind, name)
        if kind not in self.readers:
            raise InputError(f"nothing installed can read a '{kind}' sheet.{did_you_mean(kind, self.readers)}")
        return self.readers[kind](item.table())

    def check(self) -> tuple[str, ...]:
        """Read every item and return one sentence for each that cannot be used."""
        found = list(self.problems)
        for kind, name in self.items:
            if kind not in self.readers:
                found.append(f"{self.items[kind, name].path}: nothing installed can read a '{kind}' sheet")
                continue
            try:
                self.load(kind, name)
            except InputError as error:
                found.append(str(error))
        return tuple(found)


def load_catalogue(found: Plugins | None = None) -> Catalogue:
    """Read every folder of every plugin into a catalogue."""
    found = plugins() if found is None else found
    items: dict[tuple[str, str], CatalogueItem] = {}
    problems: list[str] = []
    readers: dict[str, Callable[[Table], object]] = {}
    for plugin, result in found.call("labkit_sheet_kinds"):
        if not isinstance(result, Mapping):
            found.report(plugin, f"labkit_sheet_kinds must return readers by kind; got {type(result).__name__}")
            continue
        for kind, reader in result.items():
            readers.setdefault(kind, reader)
    for plugin, folder in found.folders():
        if not folder.is_dir():
            problems.append(f"{folder}: the folder named by {plugin} does not exist")
            continue
        for path in sorted(folder.rglob("*.toml"))[:_MOST_FILES]:
            try:
                for item in _items(path, plugin):
                    known = items.setdefault((item.kind, item.name), item)
                    if known is not item:
                        problems.append(
                            f"{path}: the {item.kind} '{item.name}' is already brought by {known.plugin} "
                            f"({known.path.name}), which is used"
                        )
            except SheetError as error:
                problems.append(str(error))
    return Catalogue(items=items, readers=readers, problems=(*found.problems, *problems))


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
