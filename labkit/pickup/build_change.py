"""What differs between two built pickups: causes they share cancel, so a swap is known better than either pickup."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING

from labkit.core.errors import InputError
from labkit.core.sourced import Interval
from labkit.pickup.build_field import level_spread, string_sensitivities
from labkit.pickup.build_sheet import PickupBuild
from labkit.pickup.compare import difference, ratio
from labkit.pickup.output import compare_levels_db
from labkit.pickup.propagation import Prediction

if TYPE_CHECKING:
    from labkit.pickup.build import BuiltPickup


@dataclass(frozen=True, slots=True, kw_only=True)
class PickupChange:
    """A pickup against another one before it.

    Attributes
    ----------
    before, after : BuiltPickup
    level_db : Interval or None, dB
        Output with equal strings; None where either is not modelled.
    resistance, inductance : Prediction
        After over before, at the leads.
    loss : mapping of float to Prediction, Hz to ratio
        Added series resistance after over before.
    loaded_resonance : Prediction or None
        After over before.
    loaded_height_db : Prediction or None, dB
        After less before.
    """

    before: BuiltPickup
    after: BuiltPickup
    level_db: Interval | None
    resistance: Prediction
    inductance: Prediction
    loss: Mapping[float, Prediction]
    loaded_resonance: Prediction | None
    loaded_height_db: Prediction | None


def compare_pickups(before: BuiltPickup, after: BuiltPickup) -> PickupChange:
    """Return what changes from one built pickup to another."""
    peak = height = None
    if before.loaded_resonance is not None and after.loaded_resonance is not None:
        peak = ratio(after.loaded_resonance, before.loaded_resonance)
    if before.loaded_height_db is not None and after.loaded_height_db is not None:
        height = difference(after.loaded_height_db, before.loaded_height_db)
    shared = [hz for hz in before.loss_resistance if hz in after.loss_resistance]
    return PickupChange(
        before=before,
        after=after,
        level_db=level_change(before.build, after.build),
        resistance=ratio(after.total.resistance, before.total.resistance),
        inductance=ratio(after.total.inductance, before.total.inductance),
        loss=MappingProxyType({hz: ratio(after.loss_resistance[hz], before.loss_resistance[hz]) for hz in shared}),
        loaded_resonance=peak,
        loaded_height_db=height,
    )


def level_change(before: PickupBuild, after: PickupBuild) -> Interval | None:
    """Return the output of one build over another's, dB: exact where only the charge differs."""
    old, new = string_sensitivities(before), string_sensitivities(after)
    if old is None or new is None:
        return None
    try:
        only_charge = _charged(before) == _charged(after)
        return compare_levels_db(new, old, spread_db=0.0 if only_charge else level_spread(before, after))
    except InputError:
        return None


def _charged(build: PickupBuild) -> PickupBuild:
    """The same build with full magnets and no name."""
    coils = tuple(
        (name, replace(coil, poles=replace(coil.poles, charge=1.0)) if coil.grade is not None and coil.poles else coil)
        for name, coil in build.coils
    )
    bar = None if build.bar is None else replace(build.bar, charge=1.0)
    return replace(build, name="", coils=coils, bar=bar)
