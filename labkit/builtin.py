"""Built-in plugin: what labkit itself brings comes through the same hooks as anybody else's."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

from labkit.plugins import hookimpl


@hookimpl
def labkit_catalogue_folders() -> Iterable[Path]:
    """The packaged catalogue and the reference cases."""
    from labkit.core.files import shipped_sheet_folders

    return shipped_sheet_folders()


@hookimpl
def labkit_sheet_kinds() -> Mapping[str, Callable[[Any], object]]:
    """Readers of the built-in kinds of sheet."""
    from labkit.cases.case import read_case
    from labkit.pickup.materials.materials import (
        enamel_from_sheet,
        metal_from_sheet,
        string_from_sheet,
        string_set_from_sheet,
    )
    from labkit.pickup.materials.wire import wire_from_sheet
    from labkit.pickup.sheet import read_pickup
    from labkit.pickup.string.known_steel import SHEET_KIND as STRING_STEEL
    from labkit.pickup.string.known_steel import steel_from_sheet
    from labkit.rig.chain.stages import CHAIN_KINDS
    from labkit.rig.devices.device import read_device
    from labkit.rig.harness import read_harness
    from labkit.rig.parts.dielectric import read_dielectric
    from labkit.rig.sheet import read_rig, read_stage
    from labkit.sound.take.sheet import read_take
    from labkit.study.search.goal import read_goal

    return {
        "pickup": read_pickup,
        "wire": wire_from_sheet,
        "enamel": enamel_from_sheet,
        "metal": metal_from_sheet,
        "magnet": _read_magnet,
        "string": string_from_sheet,
        "string set": string_set_from_sheet,
        STRING_STEEL: steel_from_sheet,
        "harness": read_harness,
        "dielectric": read_dielectric,
        "device": read_device,
        "rig": read_rig,
        "case": read_case,
        "take": read_take,
        "goal": read_goal,
        **{kind.kind: partial(read_stage, kind.kind, kind.kind) for kind in CHAIN_KINDS},
    }


def _read_magnet(table: Any) -> object:
    """Read a magnet grade; its module loads scipy, which the first look into the catalogue need not wait for."""
    from labkit.pickup.magnetics.magnet import magnet_from_sheet

    return magnet_from_sheet(table)


@hookimpl
def labkit_part_kinds() -> Iterable[type]:
    """Kinds of part."""
    from labkit.rig.parts.active import PART_KINDS

    return PART_KINDS


@hookimpl
def labkit_chain_kinds() -> Iterable[type]:
    """Kinds of chain stage."""
    from labkit.rig.chain.stages import CHAIN_KINDS

    return CHAIN_KINDS


@hookimpl
def labkit_loss_models() -> Mapping[str, Callable[..., Any]]:
    """Models of eddy currents in poles."""
    from labkit.pickup.losses.models import LOSS_MODELS

    return LOSS_MODELS


@hookimpl
def labkit_sweep_readers() -> Mapping[str, Any]:
    """Readers of sweeps: Touchstone, workbooks and delimited text."""
    from labkit.bench.read.sweep_reader import SWEEP_READERS

    return SWEEP_READERS


@hookimpl
def labkit_takes() -> Mapping[str, Callable[[], Any]]:
    """Performances that are computed rather than written down."""
    from labkit.sound.take.performance import TAKES

    return TAKES


@hookimpl
def labkit_panels() -> Iterable[Any]:
    """The pages of the lab."""
    from labkit.app.kit.panels import notebook_panels

    return notebook_panels()


@hookimpl
def labkit_case_checks() -> Mapping[str, Callable[[Mapping[str, Any]], Mapping[str, float]]]:
    """Check functions of the reference cases."""
    from labkit.cases.checks import CHECKS

    return CHECKS
