"""The maker's own stock and bobbin as the build side of `reproduce`: a built pickup with wire, turns and "
"magnet open."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from labkit.bench.reproduce import BuildChoice
from labkit.core.errors import InputError
from labkit.pickup.electrical import Pickup
from labkit.pickup.predict.built import BuiltPickup


def built(bobbin: BuiltPickup, choice: BuildChoice) -> BuiltPickup:
    """Return the bobbin wound and magnetised as chosen; every coil gets the same wire and its share of the turns.

    Parameters
    ----------
    bobbin : BuiltPickup
        Any build on the maker's bobbin; its wire, turns and magnet grade are replaced.
    choice : BuildChoice
        Turns of the whole pickup.

    Raises
    ------
    InputError
        If the bobbin has no winding, or the choice does not fit it.
    """
    wound = [name for name, coil in bobbin.build.coils if coil.winding is not None]
    if not wound or len(wound) != len(bobbin.build.coils):
        raise InputError(f"pickup '{bobbin.name}' must be a build in every coil to be wound again")
    share = choice.turns / len(wound)
    changes: dict[str, object] = {}
    for name in wound:
        changes[f"coil.{name}.turns"] = round(share)
        changes[f"coil.{name}.wire"] = choice.wire
    made = bobbin.replace(changes).with_magnet(choice.magnet)
    return made if choice.charge == 1.0 else made.with_charge(choice.charge)


def stock_build(bobbin: BuiltPickup) -> Callable[[BuildChoice], Pickup]:
    """Return the build callable of `labkit.bench.reproduce.reproduce` for a bobbin."""
    return lambda choice: built(bobbin, choice).pickup


def stock_field(bobbin: BuiltPickup, *, distance: float) -> Callable[[BuildChoice], float]:
    """Return the field callable of `reproduce`: T over the poles at ``distance`` (m, gap plus sensor depth), "
    "saturated."""

    def full_field(choice: BuildChoice) -> float:
        made = bobbin.with_magnet(choice.magnet).with_charge(1.0)
        if not made.field_t:
            raise InputError(f"the field of '{bobbin.name}' is not modelled; leave the field of the original out")
        values = np.array([float(prediction.value) for prediction in made.field_t])
        return float(np.exp(np.interp(distance, np.array(made.field_at), np.log(values))))

    return full_field
