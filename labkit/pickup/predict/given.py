"""Any pickup sheet as a built pickup; one of known values has every value as given, nothing predicted but its peaks."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

from labkit.catalogue import find_sheet
from labkit.core.sheet import Table
from labkit.core.sourced import SourcedValue
from labkit.pickup.electrical import Coil, Pickup
from labkit.pickup.loaded import loaded_response
from labkit.pickup.network import joined_capacitance, joined_inductance, joined_resistance
from labkit.pickup.predict.built import BuiltCoil, BuiltPickup, read_build
from labkit.pickup.predict.compare import exactly
from labkit.pickup.predict.curves import LOAD_CAPACITANCE, LOAD_RESISTANCE
from labkit.pickup.predict.field import relative_output
from labkit.pickup.predict.sheet import CoilBuild, PickupBuild, is_build_sheet, with_changes
from labkit.pickup.sheet import read_pickup

NO_CHANGES: Mapping[str, str] = MappingProxyType({})


def load_built(sheet: str | Path, changes: Mapping[str, str] = NO_CHANGES) -> BuiltPickup:
    """Load a pickup by path or catalogue name, with its predictions.

    Parameters
    ----------
    sheet : str or Path
        A sheet of a build, whose values come out with 95 % bounds, or one of known values, which come out as given.
    changes : mapping of str to str, optional
        Keys of the sheet with other values, such as ``{"coil.main.turns": "7500"}``.

    Raises
    ------
    InputError
        If nothing answers to the name, or a key or value cannot be used.

    >>> fewer = load_built("narrow single coil, built", {"coil.main.turns": "7000"})
    >>> fewer.total.inductance.value < load_built("narrow single coil, built").total.inductance.value
    True
    """
    return built_pickup(with_changes(find_sheet(sheet, "pickup"), changes))


def built_pickup(table: Table) -> BuiltPickup:
    """Read an open pickup sheet, of a build or of values; see `load_built`."""
    return read_build(table) if is_build_sheet(table) else given_pickup(read_pickup(table))


def given_pickup(pickup: Pickup) -> BuiltPickup:
    """Return a pickup of known values with both bounds of everything on its value."""
    coils = {name: _coil(coil) for name, coil in pickup.coils.items()}
    bare = loaded_response(pickup).peak
    loaded = loaded_response(pickup, resistance=LOAD_RESISTANCE, capacitance=LOAD_CAPACITANCE).peak
    build = PickupBuild(
        name=pickup.name,
        coils=tuple((name, CoilBuild(values=coil)) for name, coil in pickup.coils.items()),
        connection=pickup.connection,
        coupling=pickup.coupling if len(coils) == 2 else None,
        lead=SourcedValue(
            value=pickup.lead_capacitance, unit="F", spread=None, kind="measured", source="the pickup sheet"
        ),
    )
    return BuiltPickup(
        build=build,
        coils=MappingProxyType(coils),
        total=_total(pickup),
        coupling=exactly(pickup.coupling) if len(coils) == 2 else None,
        loss_resistance=MappingProxyType({}),
        resonance=None if bare is None else exactly(bare.frequency_hz),
        loaded_resonance=None if loaded is None else exactly(loaded.frequency_hz),
        loaded_height_db=None if loaded is None else exactly(loaded.height_db),
        field_at=(),
        field_t=(),
        output_db=relative_output(pickup.output),
        pickup=pickup,
        warnings=pickup.warnings,
    )


def _coil(coil: Coil) -> BuiltCoil:
    return BuiltCoil(
        resistance=exactly(coil.resistance),
        inductance=exactly(coil.inductance),
        capacitance=exactly(coil.capacitance),
        turns=None if coil.turns is None else exactly(coil.turns),
        eddy=coil.eddy,
    )


def _total(pickup: Pickup) -> BuiltCoil:
    coils = list(pickup.coils.values())
    counts = [coil.turns for coil in coils if coil.turns is not None]
    turns = exactly(sum(counts)) if len(counts) == len(coils) else None
    mutual = pickup.coupling * math.sqrt(coils[0].inductance * coils[-1].inductance)
    capacitance = joined_capacitance(pickup.connection, [coil.capacitance for coil in coils])
    return BuiltCoil(
        resistance=exactly(float(joined_resistance(pickup.connection, [coil.resistance for coil in coils]))),
        inductance=exactly(float(joined_inductance(pickup.connection, [coil.inductance for coil in coils], mutual))),
        capacitance=exactly(float(capacitance) + pickup.lead_capacitance),
        turns=turns,
    )
