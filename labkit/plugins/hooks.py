"""Every hook of labkit. A plugin is a module with functions of these names, marked ``@hookimpl``.

A package makes its module known through the entry-point group ``labkit``. A folder of sheets needs no code at
all: put it in the user folder or name it in ``LABKIT_CATALOGUE``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

import pluggy

PROJECT = "labkit"
hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


@hookspec
def labkit_catalogue_folders() -> Iterable[Path]:  # type: ignore[empty-body]
    """Return folders of sheets: pickups, harnesses, rigs, cables, inputs, wires, magnets, reference cases …

    Folders are searched with their sub-folders for ``*.toml``.
    """


@hookspec
def labkit_sheet_kinds() -> Mapping[str, Callable[[Any], object]]:  # type: ignore[empty-body]
    """Return readers by kind of sheet.

    A reader takes a `labkit.core.sheet.Table` and returns the thing the sheet describes, or raises `SheetError`.
    """


@hookspec
def labkit_part_kinds() -> Iterable[type]:  # type: ignore[empty-body]
    """Return kinds of part for harnesses: subclasses of `labkit.rig.parts.Part`."""


@hookspec
def labkit_chain_kinds() -> Iterable[type]:  # type: ignore[empty-body]
    """Return kinds of chain stage (what follows the jack): subclasses of `labkit.rig.chain.Stage`."""


@hookspec
def labkit_case_checks() -> Mapping[str, Callable[[Mapping[str, Any]], Mapping[str, float]]]:  # type: ignore[empty-body]
    """Return check functions of reference cases by name: inputs of a case to the quantities it can expect."""
