"""From the controls of single readings to a readings sheet and a verdict.

The controls become the text of a sheet, which its own reader reads: what is saved is what was judged.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from labkit.app.kit.controls import Value
from labkit.app.pages.measure.controls import OPEN_OHM, POLES
from labkit.bench.diagnose.diagnose import diagnose_readings
from labkit.bench.diagnose.readings import Plan, Readings, readings_from_table
from labkit.bench.diagnose.verdicts import Verdict
from labkit.core.errors import InputError
from labkit.core.sheet import Table, sheet_text
from labkit.core.units import format_quantity

NAME = "the pickup on the bench"


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A plan, what was read, and what follows; ``problem`` says why nothing does."""

    plan: Plan
    data: dict[str, Any]
    verdict: Verdict | None
    problem: str = ""


def readings_data(plan: Plan, values: Mapping[str, Value]) -> dict[str, Any]:
    """Return the keys of a readings sheet with everything that was read."""
    data: dict[str, Any] = {"name": NAME}

    def shown(value: Value, unit: str) -> str:
        return format_quantity(float(f"{float(value):.6g}"), unit)

    if values["own.celsius"]:
        data["temperature"] = shown(values["own.celsius"], "°C")
    for key, name in (("own.ohms", "resistance"), ("own.insulation", "insulation")):
        if values[key]:
            data[name] = "open" if float(values[key]) >= OPEN_OHM else shown(values[key], "Ω")
    if values["own.pot"]:
        data["through_pots"] = [f"{shown(values['own.pot'], 'Ω')} ± 20 %"]
    for key, name in (("own.swing", "first_swing"), ("own.planned_swing", "planned_swing")):
        if values["own.swing"] != "not read":
            data[name] = str(values[key])
    if values["own.thin"] != "not read":
        data["passes_sound"] = values["own.thin"] == "yes"
    if values["own.henry"]:
        entry: dict[str, Any] = {
            "frequency": shown(values["own.at"], "Hz"),
            "model": str(values["own.model"]),
            "inductance": shown(values["own.henry"], "H"),
        }
        if values["own.quality"]:
            entry["q"] = float(values["own.quality"])
        data["lcr"] = [entry]
    field = []
    facings = {coil.facing for coil in plan.pickup.coils.values() if coil.facing}
    for number in range(1, POLES + 1):
        if not values[f"own.pole{number}"]:
            continue
        pole: dict[str, Any] = {
            "pole": str(number),
            "value": shown(values[f"own.pole{number}"], "T"),
            "gap": shown(values["own.gap"], "m"),
        }
        if values["own.facing"] != "not read":
            pole["facing"] = str(values["own.facing"])
            if len(facings) == 1:
                pole["planned_facing"] = next(iter(facings))
        field.append(pole)
    if field:
        data["field"] = field
    known, read = float(values["own.ref_known"]), float(values["own.ref_read"])
    if field and known and read:
        data["field_meter"] = {"reference_reading": shown(read, "T"), "reference_value": shown(known, "T")}
    return data


def judge(plan: Plan, values: Mapping[str, Value]) -> Judged:
    """Hold the readings against a plan."""
    data = readings_data(plan, values)
    try:
        readings: Readings = readings_from_table(Table(data, "readings"))
        if readings.resistance is None and not (readings.lcr or readings.field or readings.insulation):
            return Judged(plan=plan, data=data, verdict=None, problem="Nothing is read yet; begin with the resistance.")
        return Judged(plan=plan, data=data, verdict=diagnose_readings(plan, readings))
    except InputError as error:
        return Judged(plan=plan, data=data, verdict=None, problem=f"{str(error)[:1].upper()}{str(error)[1:]}.")


def readings_sheet(judged: Judged) -> str:
    """Return the readings as a sheet that ``labkit diagnose`` takes."""
    return sheet_text("readings", judged.data)


def calibration_words(values: Mapping[str, Value]) -> str:
    """Say what the reference piece says of the field meter."""
    known, read = float(values["own.ref_known"]), float(values["own.ref_read"])
    if not known or not read:
        return "No reference piece was read: the field meter is trusted within 5 %."
    factor = known / read
    return (
        f"The meter shows {read * 1e3:.3g} mT for {known * 1e3:.3g} mT: its readings are multiplied by {factor:.3f}, "
        "which is good to ±4.4 % (the piece to 2 %, the reading to 1 %, one standard deviation each)."
    )
