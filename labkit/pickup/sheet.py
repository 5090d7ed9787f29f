"""The pickup sheet: known electrical values, or a build that the models turn into them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from labkit.core.keys import made, read_keys, written_keys
from labkit.core.sheet import Table
from labkit.core.units import format_quantity
from labkit.pickup.electrical import CAPACITANCE, Coil, Pickup
from labkit.pickup.predict.propagation import COVERAGE, Prediction, prediction


def read_pickup(table: Table) -> Pickup:
    """Read a pickup sheet (or an inline table of the same keys).

    Raises
    ------
    SheetError
        Naming the file, the key and the remedy.
    """
    table.allow("sheet", "format", "summary", "source", "note")
    coils = table.table("coil")
    if any(isinstance(entry, dict) and "turns" in entry and "resistance" not in entry for entry in coils.data.values()):
        from labkit.pickup.predict.built import read_build

        built = read_build(table)
        return replace(built.pickup, made_from=built.build)
    own = read_keys(Pickup, table)
    if not 1 <= len(coils.data) <= 2:
        table.fail("coil", f"a pickup has one or two coils ([coil.NAME]); got {len(coils.data)}")
    values = {coil: read_coil(entry) for coil, entry in table.each("coil")}
    lead = read_lead(table)
    output = read_output(table, own["name"])
    table.done()
    return made(Pickup, table, own | {"coils": values, "lead_capacitance": lead, "output": output})


def read_coil(table: Table) -> Coil:
    """Read the electrical values of one coil."""
    values = read_keys(Coil, table)
    table.done()
    return made(Coil, table, values)


def read_lead(table: Table) -> float:
    """Read ``[lead] capacitance``, F; 0 where there is none."""
    lead = table.table("lead", {})
    capacitance = lead.quantity("capacitance", "F", 0.0, usual=CAPACITANCE, low=0.0)
    lead.done()
    return capacitance


def read_output(table: Table, name: str) -> Prediction | None:
    """Read ``output`` (dB over the reference coil) and its 95 % half-width ``output_doubt``; None where not stated."""
    level: float | None = table.quantity("output", "dB", None, low=-100.0, high=100.0)
    doubt: float | None = table.quantity("output_doubt", "dB", None, low=0.0, high=40.0)
    if level is None:
        if doubt is not None:
            table.fail("output_doubt", "is the doubt of `output`, which is missing; state both, or neither")
        return None
    return prediction(level, {f"stated output of {name}": doubt / COVERAGE} if doubt else {}, log=False)


def pickup_data(pickup: Pickup) -> dict[str, Any]:
    """Return the keys of an electrical pickup sheet that reads back to the same values."""
    data = written_keys(pickup)
    if len(pickup.coils) == 1:
        del data["connection"], data["coupling"]
    if pickup.lead_capacitance:
        data["lead"] = {"capacitance": format_quantity(pickup.lead_capacitance, "F", usual=CAPACITANCE)}
    if pickup.output is not None:
        data["output"] = f"{pickup.output.value:.6g} dB"
        if pickup.output.high > pickup.output.low:
            data["output_doubt"] = f"{(pickup.output.high - pickup.output.low) / 2:.6g} dB"
    data["coil"] = {name: written_keys(coil) for name, coil in pickup.coils.items()}
    return data
