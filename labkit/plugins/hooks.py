"""Every hook of labkit. A plugin is a module with functions of these names, marked ``@hookimpl``.

A package makes its module known through the entry-point group ``labkit``. A folder of sheets needs no code at
all: put it in the user folder or name it in ``LABKIT_CATALOGUE``.

Every hook is called without arguments, at most once in a process, when what it brings is first asked for: import
what is slow inside the function.
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
    """Return folders of sheets: pickups, harnesses, rigs, cables, inputs, wires, magnets, takes, reference cases …

    Folders are searched with their sub-folders for ``*.toml``.
    """


@hookspec
def labkit_sheet_kinds() -> Mapping[str, Callable[[Any], object]]:  # type: ignore[empty-body]
    """Return readers by kind of sheet.

    A reader takes a `labkit.core.sheet.Table`, asks it for every key it knows, ends with ``table.done()`` and returns
    the thing the sheet describes, or raises `SheetError`.
    """


@hookspec
def labkit_part_kinds() -> Iterable[type]:  # type: ignore[empty-body]
    """Return kinds of part for harnesses: subclasses of `labkit.rig.parts.parts.Part`, told apart by their ``kind``."""


@hookspec
def labkit_chain_kinds() -> Iterable[type]:  # type: ignore[empty-body]
    """Return kinds of chain stage (what follows the jack): subclasses of `labkit.rig.chain.chain.Stage`."""


@hookspec
def labkit_loss_models() -> Mapping[str, Callable[..., Any]]:  # type: ignore[empty-body]
    """Return models of eddy currents in poles by name: `labkit.pickup.losses.models.LossModel`.

    A model returns the complex permeability of a pole over frequency. A coil's ``losses`` key names it on a build
    sheet: ``losses = "conducting cylinder"``.
    """


@hookspec
def labkit_sweep_readers() -> Mapping[str, Any]:  # type: ignore[empty-body]
    """Return readers of measured sweeps by name: `labkit.bench.read.sweep_reader.SweepReader`.

    A reader says whether it recognises a file, and reads it into a `labkit.bench.read.sweep.Sweep`.
    """


@hookspec
def labkit_takes() -> Mapping[str, Callable[[], Any]]:  # type: ignore[empty-body]
    """Return makers of performances by name, beside the take sheets of the catalogue.

    A maker takes nothing and returns a `labkit.sound.take.performance.Performance`, the same one every time.
    """


@hookspec
def labkit_panels() -> Iterable[Any]:  # type: ignore[empty-body]
    """Return pages of the lab: `labkit.app.kit.panels.Panel`, each with a title, a task and a factory of its widget.

    A panel is listed in the menu; ``labkit open`` shows it without a notebook of its own.
    """


@hookspec
def labkit_case_checks() -> Mapping[str, Callable[[Mapping[str, Any]], Mapping[str, float]]]:  # type: ignore[empty-body]
    """Return check functions of reference cases by name: inputs of a case to the quantities it can expect.

    The cases themselves are sheets, in the folders of ``labkit_catalogue_folders``.
    """
