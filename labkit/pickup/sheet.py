"""The pickup sheet: known electrical values, or a build that the models turn into them."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from labkit.core.sheet import Table
from labkit.core.units import UsualRange, format_quantity
from labkit.pickup.electrical import Coil, EddySection, Pickup

RESISTANCE = UsualRange(low=100.0, high=30e3)
INDUCTANCE = UsualRange(low=0.1, high=20.0)
CAPACITANCE = UsualRange(low=10e-12, high=2e-9)
LOSS = UsualRange(low=20e3, high=20e6)
CORNER = UsualRange(low=200.0, high=100e3)


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
    resistance = table.quantity("resistance", "Ω", usual=RESISTANCE, low=1e-3)
    inductance = table.quantity("inductance", "H", usual=INDUCTANCE, low=1e-6)
    capacitance = table.quantity("capacitance", "F", 0.0, usual=CAPACITANCE, low=0.0)
    loss = table.quantity("loss_resistance", "Ω", math.inf, usual=LOSS, low=1.0)
    eddy = []
    for section in table.tables("eddy", []):
        eddy.append(
            EddySection(
                fraction=section.number("fraction", low=0.0, high=0.999),
                corner_hz=section.quantity("corner", "Hz", usual=CORNER, low=1e-3),
            )
        )
        section.done()
    turns = table.number("turns", None, low=1, high=100_000)
    area = table.quantity("area", "m²", None, low=0.0)
    facing, wound = read_sense(table)
    table.done()
    return table.attempt(
        "",
        lambda: Coil(
            resistance=resistance,
            inductance=inductance,
            capacitance=capacitance,
            loss_resistance=loss,
            eddy=tuple(eddy),
            turns=turns,
            area=area,
            facing=facing,
            wound=wound,
        ),
    )


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
    data["coil"] = {name: coil_data(coil) for name, coil in pickup.coils.items()}
    return data


def coil_data(coil: Coil) -> dict[str, Any]:
    """Return the keys of one coil's table that read back to the same values."""
    data: dict[str, Any] = {
        "resistance": format_quantity(coil.resistance, "Ω", usual=RESISTANCE),
        "inductance": format_quantity(coil.inductance, "H", usual=INDUCTANCE),
        "capacitance": format_quantity(coil.capacitance, "F", usual=CAPACITANCE),
    }
    if math.isfinite(coil.loss_resistance):
        data["loss_resistance"] = format_quantity(coil.loss_resistance, "Ω", usual=LOSS)
    if coil.eddy:
        data["eddy"] = [
            {"fraction": section.fraction, "corner": format_quantity(section.corner_hz, "Hz", usual=CORNER)}
            for section in coil.eddy
        ]
    if coil.turns is not None:
        data["turns"] = coil.turns
    if coil.area is not None:
        data["area"] = f"{coil.area!r} m²"
    if coil.facing is not None:
        data["facing"] = coil.facing
    if coil.wound is not None:
        data["wound"] = coil.wound
    return data
