"""The coils of a build over rows of inputs, at low frequency: winding, poles, coupling, bar, and what the leads see."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from labkit.pickup.network import joined_capacitance, joined_inductance, joined_resistance
from labkit.pickup.predict.core import mode_inductance
from labkit.pickup.predict.plan import CoilPlan, Plan
from labkit.pickup.winding.air_coil import evaluate_air_coil


@dataclass(slots=True, kw_only=True)
class CoilRows:
    """One coil over the rows of inputs."""

    name: str
    plan: CoilPlan
    turns: np.ndarray
    resistance: np.ndarray
    inductance: np.ndarray
    air: np.ndarray
    capacitance: np.ndarray
    conductance: float
    dimensions: dict[str, np.ndarray]
    shown: dict[str, np.ndarray]
    share: float


def air_rows(plan: Plan, x: Mapping[str, np.ndarray]) -> list[CoilRows]:
    count = len(next(iter(x.values())))
    built = [coil for coil in plan.coils if coil.build.winding is not None]
    found: dict[str, np.ndarray] = {}
    if built:
        roles = [role for role in built[0].inputs if all(role in coil.inputs for coil in built)]
        stacked = {role: np.stack([x[coil.inputs[role]] for coil in built]) for role in roles}
        stacked["lead"] = np.zeros(1)
        found = evaluate_air_coil(stacked)  # both coils in one call: steps of a shared dimension are one shape
    coils = []
    for coil in plan.coils:
        if coil.build.values is not None:
            values = coil.build.values
            coils.append(
                CoilRows(
                    name=coil.name,
                    plan=coil,
                    turns=np.full(count, values.turns if values.turns is not None else np.nan),
                    resistance=np.full(count, values.resistance),
                    inductance=np.full(count, values.inductance),
                    air=np.full(count, values.inductance),
                    capacitance=np.full(count, values.capacitance),
                    conductance=1 / values.loss_resistance,
                    dimensions={},
                    shown={},
                    share=1.0,
                )
            )
            continue
        row = built.index(coil)
        part = {name: np.broadcast_to(value, (len(built), count))[row] for name, value in found.items()}
        coils.append(
            CoilRows(
                name=coil.name,
                plan=coil,
                turns=x[coil.inputs["turns"]],
                resistance=part["resistance"],
                inductance=part["inductance"],
                air=part["inductance"],
                capacitance=part["capacitance"],
                conductance=0.0,
                dimensions={
                    "straight_length": x[coil.inputs["straight length"]],
                    "end_radius": x[coil.inputs["end radius"]],
                    "winding_height": x[coil.inputs["winding height"]],
                    "build_up": part["build_up"],
                },
                shown={
                    "air inductance": part["inductance"],
                    "turns": x[coil.inputs["turns"]],
                    "mean turn": part["mean_turn"],
                    "wire length": part["wire_length"],
                    "build-up": part["build_up"],
                },
                share=1.0,
            )
        )
    counts = [float(each.turns[0]) for each in coils]
    known = all(np.isfinite(counts))
    for each, own in zip(coils, counts):
        each.share = own / sum(counts) if known else 1 / len(coils)
    return coils


def pole_inputs(coil: CoilRows, x: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    names, build = coil.plan.inputs, coil.plan.build
    assert build.poles is not None
    return coil.dimensions | {
        "diameter": x[names["pole diameter"]],
        "length": x[names["pole length"]],
        "model": x[names[f"model of {build.poles.kind}s"]],
        "permeability": x[names[f"permeability of {build.material}"]],
        "resistivity": x[names[f"resistivity of {build.material}"]],
    }


def add_cores(plan: Plan, x: Mapping[str, np.ndarray], coils: list[CoilRows]) -> np.ndarray:
    """Add the poles and the bar to every coil's inductance; return the mutual inductance, signed."""
    rows = coils[0].resistance.size
    modes: list[tuple[np.ndarray, ...]] = []
    for coil in coils:
        if coil.plan.core is None:
            continue
        inputs = pole_inputs(coil, x)
        core, chi = coil.plan.core, inputs["permeability"] - 1
        added = tuple(mode_inductance(core, mode, inputs, chi) for mode in range(len(core.modes)))
        modes.append(added)
        coil.inductance = coil.air + coil.turns**2 * sum(added) / len(added)
    mutual = np.zeros(rows)
    if len(coils) == 2 and plan.build.coupling is None:
        first, second = coils
        mutual = plan.air_coupling * x.get("coupling of the air coils", np.ones(rows)) * np.sqrt(first.air * second.air)
        if len(modes) == 2 and all(len(added) == 2 for added in modes):
            between = sum((added[0] - added[1]) / 2 for added in modes) / 2
            mutual = mutual + first.turns * second.turns * between
        mutual = plan.build.coupling_sign * mutual
    for cause in ("bar magnet and keeper", "model of the pair"):
        if cause in x:
            for coil in coils:
                if coil.plan.build.values is None:
                    coil.inductance = coil.inductance * x[cause]
            mutual = mutual * x[cause]
    if len(coils) == 2 and plan.build.coupling is not None:
        mutual = plan.build.coupling * np.sqrt(coils[0].inductance * coils[1].inductance)
    return mutual


def totals(plan: Plan, x: Mapping[str, np.ndarray], coils: list[CoilRows], mutual: np.ndarray) -> dict[str, np.ndarray]:
    connection = plan.build.connection
    found = {
        "resistance": joined_resistance(connection, [coil.resistance for coil in coils]),
        "inductance": joined_inductance(connection, [coil.inductance for coil in coils], mutual),
        "capacitance": joined_capacitance(connection, [coil.capacitance for coil in coils]) + x["lead"],
    }
    if all("turns" in coil.shown for coil in coils):
        length = sum(coil.shown["wire length"] for coil in coils)
        turns = sum(coil.shown["turns"] for coil in coils)
        found |= {
            "air inductance": sum(coil.air for coil in coils) * (1 + plan.build.coupling_sign * plan.air_coupling),
            "turns": np.asarray(turns),
            "mean turn": np.asarray(length / turns),
            "wire length": np.asarray(length),
            "build-up": np.max([coil.shown["build-up"] for coil in coils], axis=0),
        }
    return found
