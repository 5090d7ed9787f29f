"""A pickup by itself in a study: the rig it is measured in, and how a sheet of either kind becomes a rig."""

from __future__ import annotations

from pathlib import Path

from labkit.catalogue import find_sheet
from labkit.pickup.electrical import Pickup
from labkit.pickup.sheet import read_pickup
from labkit.rig.chain.chain import Input
from labkit.rig.harness import Harness
from labkit.rig.rig import Rig
from labkit.rig.sheet import is_netlist, load_rig, read_rig

LOAD_OHM, LOAD_FARAD = 200e3, 470e-12
"""The usual load of a bench measurement (common practice, no source)."""

SLOT = "pickup"


def loaded_pickup(pickup: Pickup) -> Rig:
    """Return a rig with nothing but a pickup and the load of a bench measurement, 200 kΩ and 470 pF."""
    harness = Harness(name="straight to the load", slots=(SLOT,), output=f"{SLOT}.hot", parts={})
    load = Input(name="load", resistance=LOAD_OHM, capacitance=LOAD_FARAD)
    return Rig(name=pickup.name, pickups={SLOT: pickup}, harness=harness, chain=(load,))


def load_rig_or_pickup(sheet: str | Path) -> Rig:
    """Load a rig, or a pickup in the load of a bench measurement, by path or catalogue name; a netlist is a rig.

    Raises
    ------
    InputError
        If neither a file nor an item of the catalogue answers to it.
    """
    if is_netlist(sheet):
        return load_rig(sheet)
    table = find_sheet(sheet, "rig", "pickup")
    return read_rig(table) if table.raw("sheet") == "rig" else loaded_pickup(read_pickup(table))
