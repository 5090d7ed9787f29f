"""Everything that plugins bring, and everything of it that cannot be used, each in one sentence."""

from __future__ import annotations

from collections.abc import Mapping

from labkit.app.kit.panels import panels
from labkit.bench.read.sweep_reader import sweep_readers
from labkit.cases.runner import check_functions
from labkit.catalogue import catalogue
from labkit.pickup.losses.models import loss_models
from labkit.plugins import Brought, plugins
from labkit.rig.harness import part_kinds
from labkit.rig.sheet import chain_kinds
from labkit.sound.take.performance import take_makers

COLLECTORS = {
    "labkit_part_kinds": part_kinds,
    "labkit_chain_kinds": chain_kinds,
    "labkit_loss_models": loss_models,
    "labkit_sweep_readers": sweep_readers,
    "labkit_takes": take_makers,
    "labkit_panels": panels,
    "labkit_case_checks": check_functions,
}
"""What asks for each hook, apart from sheets and their kinds, which the catalogue asks for."""

WORDS = {
    "labkit_sheet_kinds": "sheet kinds",
    "labkit_part_kinds": "part kinds",
    "labkit_chain_kinds": "chain kinds",
    "labkit_loss_models": "loss models",
    "labkit_sweep_readers": "sweep readers",
    "labkit_takes": "takes",
    "labkit_panels": "panels",
    "labkit_case_checks": "case checks",
}


def everything() -> Mapping[str, Mapping[str, Brought]]:
    """Return what every hook brings, by hook and name; asks every plugin."""
    catalogue()
    for collect in COLLECTORS.values():
        collect()
    return {hook: plugins().brought(hook) for hook in WORDS}


def plugin_problems() -> tuple[str, ...]:
    """Return one sentence for every plugin that is broken, slow, or brings a name that is taken; asks every hook."""
    everything()
    return plugins().problems


def sheet_problems() -> tuple[str, ...]:
    """Return one sentence for every sheet of a person's own, or of a package, that cannot be used."""
    return catalogue().check(own_only=True)
