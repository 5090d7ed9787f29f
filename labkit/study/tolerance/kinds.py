"""Kinds of part that come from one drawer and share a tolerance, and single parts that have one of their own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from labkit.pickup.predict.built import BuiltPickup
from labkit.rig.inputs import rig_inputs
from labkit.rig.rig import Rig
from labkit.study.tolerance.causes import NOT_KNOWN, column_map
from labkit.study.tolerance.spread import Spread, default_spreads

COILS, POTS, CAPACITORS, RESISTORS, CABLES, INPUTS = "coils", "pots", "capacitors", "resistors", "cables", "inputs"
CLASSES = (COILS, POTS, CAPACITORS, RESISTORS, CABLES, INPUTS)
"""Parts that come from one drawer and share a tolerance."""


_OF_A_KIND = {"pot": POTS, "capacitor": CAPACITORS, "cable": CABLES}
_CAPACITANCE_FACTOR = 2
"""Self-capacitance of a coil spreads about twice as far as its resistance (common practice, no source)."""


def classes_of(rig: Rig, built: Mapping[str, BuiltPickup] = NOT_KNOWN) -> dict[str, tuple[Spread, ...]]:
    """Return the usual spreads of a rig by class of part, those of a predicted pickup by their causes."""
    _, usual = column_map(rig, default_spreads(rig), add=True, built=built)
    found: dict[str, list[Spread]] = {name: [] for name in CLASSES}
    for spread in usual.values():
        found[class_of(rig, spread.name)].append(spread)
    return {name: tuple(spreads) for name, spreads in found.items() if spreads}


def class_of(rig: Rig, name: str) -> str:
    """Return the class of an input."""
    head = name.partition(".")[0].partition(":")[0]
    if head in rig.pickups:
        return COILS
    kinds = {stage.name: stage.kind for stage in rig.chain} | {p.name: p.kind for p in rig.harness.parts.values()}
    kind = kinds.get(head, "")
    if any(stage.name == head for stage in rig.chain):
        return _OF_A_KIND.get(kind, INPUTS)
    return _OF_A_KIND.get(kind, RESISTORS)


def wanted_spreads(
    rig: Rig, tolerances: Mapping[str, float | None], built: Mapping[str, BuiltPickup] = NOT_KNOWN
) -> dict[str, Spread]:
    """Return the spreads of a study: usual ones, others in their place, none for parts taken as exact."""
    usual, plain, known = classes_of(rig, built), default_spreads(rig), rig_inputs(rig)
    found: dict[str, Spread] = {}
    for name, spreads in usual.items():
        fraction = tolerances.get(name)
        if fraction is None:
            found |= {spread.name: spread for spread in spreads}
        elif fraction > 0:
            for spread in plain.values():
                if class_of(rig, spread.name) != name:
                    continue
                wider = _CAPACITANCE_FACTOR if name == COILS and spread.name.endswith(".capacitance") else 1
                half = known[spread.name].value * fraction * wider
                middle = known[spread.name].value
                found[spread.name] = Spread(name=spread.name, shape=spread.shape, low=middle - half, high=middle + half)
    return found


def with_own_tolerances(rig: Rig, spreads: Mapping[str, Spread], own: Mapping[str, float]) -> dict[str, Spread]:
    """Return spreads with those of single parts in place of their kind's.

    Parameters
    ----------
    rig : Rig
    spreads : mapping of str to Spread
    own : mapping of str to float
        ± fraction by name; 0 takes the part as exact.
    """
    usual, known = default_spreads(rig), rig_inputs(rig)
    found = dict(spreads)
    for name, fraction in own.items():
        middle = known[name].value
        low, high = middle * (1 - fraction), middle * (1 + fraction)
        if fraction == 0:
            found.pop(name, None)
        elif name in usual:
            found[name] = replace(usual[name], low=low, high=high)
        else:
            found[name] = Spread(name=name, shape="uniform", low=low, high=high)
    return found
