"""Checks of whole pickups from their build sheets."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from labkit.catalogue import catalogue
from labkit.circuit.elements import GROUND, Capacitor, Circuit, Resistor
from labkit.circuit.solve.solver import circuit_response
from labkit.core.sheet import Table
from labkit.pickup.network import pickup_elements
from labkit.pickup.predict.built import BuiltPickup, read_build
from labkit.pickup.predict.output import path_gain
from labkit.pickup.predict.sheet import with_changes


def built_pickup(inputs: Mapping[str, Any]) -> dict[str, float]:
    """A pickup of the catalogue (``pickup``) or a sheet given inline (``sheet``), and variants of it.

    ``variants`` maps a label to changes of the sheet's keys; without it there is one variant without a label.
    Quantities, each with "LABEL: " before it: ``resistance`` (Ω), ``inductance`` (H), ``capacitance`` (pF),
    ``mean turn`` (mm), ``bare peak`` and ``loaded peak`` (Hz, the latter into 470 pF and 200 kΩ), ``loaded height``
    (dB), ``field F mm`` (mT); and against the first variant ``level`` (dB), ``inductance ratio`` and
    ``loaded peak ratio``.
    """
    if "sheet" in inputs:
        table = Table(inputs["sheet"], "reference case", "inputs.sheet")
    else:
        table = catalogue().item("pickup", inputs["pickup"]).table()
    results: dict[str, float] = {}
    first: BuiltPickup | None = None
    for label, changes in inputs.get("variants", {"": {}}).items():
        built = read_build(with_changes(table, changes))
        first = first or built
        prefix = f"{label}: " if label else ""
        results |= {f"{prefix}{name}": value for name, value in _values(built, first).items()}
    return results


def _values(built: BuiltPickup, first: BuiltPickup) -> dict[str, float]:
    change = first.change_to(built)
    found = {
        "resistance": built.total.resistance.value,
        "inductance": built.total.inductance.value,
        "capacitance": built.total.capacitance.value * 1e12,
        "mean turn": math.nan if built.total.mean_turn is None else built.total.mean_turn.value * 1e3,
        "bare peak": math.nan if built.resonance is None else built.resonance.value,
        "loaded peak": math.nan if built.loaded_resonance is None else built.loaded_resonance.value,
        "loaded height": math.nan if built.loaded_height_db is None else built.loaded_height_db.value,
        "level": math.nan if change.level_db is None else change.level_db.value,
        "inductance ratio": change.inductance.value,
        "loaded peak ratio": math.nan if change.loaded_resonance is None else change.loaded_resonance.value,
    }
    return found | {f"field {1e3 * at:g} mm": point.value * 1e3 for at, point in zip(built.field_at, built.field_t)}


def slope_of_a_built_pickup(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Slope of a pickup of the catalogue into a load over one octave above its resonance, dB per octave.

    From the strings' motion on, so that what eddy currents in the poles take from the strings on their way counts.
    """
    built = read_build(catalogue().item("pickup", inputs["pickup"]).table())
    parts = (
        *pickup_elements("pickup", built.pickup),
        Resistor(name="joint", nodes=("pickup.ground", GROUND), resistance=0.0),
        Resistor(name="load", nodes=("pickup.hot", GROUND), resistance=inputs["load_R_ohm"]),
        Capacitor(name="load_capacitor", nodes=("pickup.hot", GROUND), capacitance=inputs["load_C_F"]),
    )
    response = circuit_response(Circuit(elements=parts, output="pickup.hot"))
    from_hz = inputs["from_Hz"]
    slope = response.gain_db_at(2 * from_hz) - response.gain_db_at(from_hz)
    if (path := path_gain(built.build)) is not None:
        near, far = np.interp(np.log([from_hz, 2 * from_hz]), np.log(path[0]), 20 * np.log10(np.abs(path[1])))
        slope += float(far - near)
    return {"slope": slope}
