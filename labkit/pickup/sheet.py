"""The pickup sheet: known electrical values, or a build that the models turn into them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from labkit.core.keys import made, read_keys, written_keys
from labkit.core.sheet import Table
from labkit.core.units import format_quantity
from labkit.pickup.electrical import CAPACITANCE, Coil, Pickup


def read_pickup(table: Table) -> Pickup:
    """Read a pickup sheet (or an inline table of the same keys).

    Raises
    ------
    SheetError
        Naming the file, the key and the remedy.
    """
    for key in ("sheet", "format", "summary", "source", "note"):
        table.raw(key, None)
    coils = table.table("coil")
    if any(isinstance(entry, dict) and "turns" in entry and "resistance" not in entry for entry in coils.data.values()):
        from labkit.pickup.build import read_build

        built = read_build(table)
        return replace(built.pickup, made_from=built.build)
    name = table.text("name", expected="the pickup's name")
    if not 1 <= len(coils.data) <= 2:
        table.fail("coil", f"a pickup has one or two coils ([coil.NAME]); got {len(coils.data)}")
    values = {coil: read_coil(entry) for coil, entry in table.each("coil")}
    connection = table.choice("connection", ("series", "parallel"), "series")
    coupling = table.number("coupling", 0.0, low=-0.999, high=0.999)
    lead = read_lead(table)
    table.done()
    return table.attempt(
        "",
        lambda: Pickup(name=name, coils=values, connection=connection, coupling=coupling, lead_capacitance=lead),  # type: ignore[arg-type]
    )


def read_coil(table: Table) -> Coil:
    """Read the electrical values of one coil."""
    values = read_keys(Coil, table)
    table.done()
    return made(Coil, table, values)


def read_sense(table: Table) -> tuple[Any, Any]:
    """Read which pole faces the strings and which way the coil is wound (both may be absent)."""
    facing = table.choice("facing", ("north", "south"), None)
    wound = table.choice("wound", ("clockwise", "counter-clockwise"), None)
    return facing, wound


def read_lead(table: Table) -> float:
    """Read ``[lead] capacitance``, F; 0 where there is none."""
    lead = table.table("lead", {})
    capacitance = lead.quantity("capacitance", "F", 0.0, usual=CAPACITANCE, low=0.0)
    lead.done()
    return capacitance


def pickup_data(pickup: Pickup) -> dict[str, Any]:
    """Return the keys of an electrical pickup sheet that reads back to the same values."""
    data: dict[str, Any] = {"name": pickup.name}
    if len(pickup.coils) == 2:
        data["connection"] = pickup.connection
        data["coupling"] = pickup.coupling
    if pickup.lead_capacitance:
        data["lead"] = {"capacitance": format_quantity(pickup.lead_capacitance, "F", usual=CAPACITANCE)}
    data["coil"] = {name: written_keys(coil) for name, coil in pickup.coils.items()}
    return data
