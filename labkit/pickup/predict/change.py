"""What differs between two built pickups: causes they share cancel, so a swap is known better than either pickup."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from labkit.pickup.electrical import SILENT_OUTPUT_DB
from labkit.pickup.predict.compare import difference, ratio
from labkit.pickup.predict.propagation import Prediction

if TYPE_CHECKING:
    from labkit.pickup.predict.built import BuiltPickup


@dataclass(frozen=True, slots=True, kw_only=True)
class PickupChange:
    """A pickup against another one before it.

    Attributes
    ----------
    before, after : BuiltPickup
    level_db : Prediction or None, dB
        Output with equal strings; None where either is not known.
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
    level_db: Prediction | None
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
        level_db=level_change(before, after),
        resistance=ratio(after.total.resistance, before.total.resistance),
        inductance=ratio(after.total.inductance, before.total.inductance),
        loss=MappingProxyType({hz: ratio(after.loss_resistance[hz], before.loss_resistance[hz]) for hz in shared}),
        loaded_resonance=peak,
        loaded_height_db=height,
    )


def level_change(before: BuiltPickup, after: BuiltPickup) -> Prediction | None:
    """Return the output of one pickup over another's, dB; None where either is not known or the old one is silent.

    Exact where only charge, turns or wire differ: both share the doubt of the model.
    """
    old, new = before.pickup.output, after.pickup.output
    if old is None or new is None or old.value <= SILENT_OUTPUT_DB:
        return None
    return difference(new, old)
