"""The same instrument behind another wiring: pickups go where the new wiring has a place for them."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Sequence
from functools import lru_cache

from labkit.catalogue import catalogue
from labkit.core.errors import InputError, did_you_mean
from labkit.pickup.electrical import Pickup
from labkit.pickup.network import coil_of_terminal
from labkit.rig.chain.chain import Cable, Input, Stage
from labkit.rig.harness import Harness
from labkit.rig.parts.parts import Position
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_pickup


def rewired(rig: Rig, wiring: str | Harness, *, chain: tuple[Stage, ...] | None = None) -> Rig:
    """Return a rig behind another wiring; knobs and switches stay where they can.

    A slot keeps its own pickup; one that the new wiring adds takes another of the rig's, or the first of the catalogue
    that has the coils which the wiring joins.

    Parameters
    ----------
    rig : Rig
    wiring : str or Harness
        A harness, or the name of one in the catalogue; empty keeps the rig's own.
    chain : tuple of Stage, optional
        What follows the jack; the rig's own where left out.

    Raises
    ------
    InputError
        If there is no such wiring, or no pickup has the coils that it needs.

    >>> from labkit.rig.sheet import load_rig
    >>> rewired(load_rig("Saltmarsh Lane, narrow single coil"), "two pickups, blend").harness.slots
    ('neck', 'bridge')
    """
    harness = wiring if isinstance(wiring, Harness) else _harness(wiring) if wiring else rig.harness
    return Rig(
        name=rig.name,
        pickups={slot: _filled(rig, harness, slot) for slot in harness.slots},
        harness=harness,
        settings={key: position for key, position in rig.settings.items() if _fits_control(harness, key, position)},
        chain=named_stages(rig.chain if chain is None else chain, taken=harness.parts),
    )


def named_stages(stages: tuple[Stage, ...], *, taken: Collection[str]) -> tuple[Stage, ...]:
    """Return stages named by their kind, numbered from the second on, as a rig sheet names them."""
    counts = {stage.kind: 1 for stage in stages if stage.kind in taken}
    named = []
    for stage in stages:
        counts[stage.kind] = counts.get(stage.kind, 0) + 1
        number = counts[stage.kind]
        named.append(dataclasses.replace(stage, name=stage.kind if number == 1 else f"{stage.kind}{number}"))
    return tuple(named)


def has_coils(pickup: Pickup, harness: Harness, slot: str) -> bool:
    """Say whether a pickup has every coil that a wiring joins in a slot, each of them another one."""
    wanted = {
        node.partition(".")[2].rpartition(".")[0]
        for node in harness.terminals
        if node.partition(".")[0] == slot and node.rpartition(".")[2] in ("start", "finish")
    }
    try:
        return len({coil_of_terminal(pickup, slot, coil) for coil in wanted}) == len(wanted)
    except InputError:
        return False


DEMO_CHAIN: tuple[Stage, ...] = (
    Cable(name="cable", length=5.0, capacitance_per_length=100e-12),
    Input(name="input", resistance=1e6, capacitance=107e-12),
)
"""What a wiring is shown into: 5 m of cable at 100 pF/m, then 1 MΩ with 107 pF."""


OF_TWO_COILS = ("two-coil", "winding with a tap")
"""Pickups of the catalogue that a wiring which joins single coils is shown with, where they suit it."""


def demo_rig(harness: Harness) -> Rig:
    """Return the rig that a wiring is shown in, with pickups of the catalogue and 5 m of cable.

    Single coils, of which one of a pair and the middle one of three is wound and magnetised the other way; pickups of
    two coils where the wiring joins single coils.
    """
    reversed_slot = harness.slots[0] if len(harness.slots) == 2 else "middle"
    pickups = {}
    for slot in harness.slots:
        first = "narrow single coil, reversed" if slot == reversed_slot else "narrow single coil"
        pickups[slot] = _fitting((first, *OF_TWO_COILS, *catalogue().usable_names("pickup")), harness, slot)
    return Rig(name=harness.name, pickups=pickups, harness=harness, chain=DEMO_CHAIN)


def _filled(rig: Rig, harness: Harness, slot: str) -> Pickup:
    """The slot's own pickup, then the rig's others in their order, then the catalogue's."""
    at_hand = [rig.pickups[slot]] if slot in rig.pickups else []
    usual = [name for name in OF_TWO_COILS if name in catalogue().names("pickup")]
    return _fitting((*at_hand, *rig.pickups.values(), *usual, *catalogue().usable_names("pickup")), harness, slot)


def _fitting(candidates: Sequence[Pickup | str], harness: Harness, slot: str) -> Pickup:
    """The first pickup that suits a slot, or else the first that has the coils."""
    second_best = None
    for candidate in candidates:
        pickup = _pickup(candidate) if isinstance(candidate, str) else candidate
        if has_coils(pickup, harness, slot):
            if _suits(pickup, harness, slot):
                return pickup
            second_best = second_best or pickup
    if second_best is not None:
        return second_best
    raise InputError(f"the wiring '{harness.name}' joins single coils in slot '{slot}', and no pickup here has them")


def _suits(pickup: Pickup, harness: Harness, slot: str) -> bool:
    """Say whether two coils are wound as a wiring claims: opposed where it cancels hum, alike where it never does."""
    joins_coils = any(node.startswith(f"{slot}.") and node.count(".") == 2 for node in harness.terminals)
    senses = {coil.wound for coil in pickup.coils.values()}
    if not joins_coils or None in senses or not any(claim.hum for claim in harness.claims):
        return True
    return (len(senses) == 2) == any(claim.hum == "cancels" for claim in harness.claims)


def _fits_control(harness: Harness, name: str, position: Position) -> bool:
    try:
        harness.control(name).check(position)
    except InputError:
        return False
    return True


@lru_cache(maxsize=64)
def _harness(name: str) -> Harness:
    known = catalogue().usable_names("harness")
    if name not in known:
        raise InputError(f"there is no wiring '{name[:60]}' in the catalogue.{did_you_mean(name, known)}")
    harness: Harness = catalogue().load("harness", name)
    return harness


@lru_cache(maxsize=64)
def _pickup(name: str) -> Pickup:
    return load_pickup(name)
