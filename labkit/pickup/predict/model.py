"""From a build to its electrical values: every result from one vectorised call, its doubt from all inputs at once.

Each row of inputs gives the coils at low frequency (winding, poles, coupling, bar, and what the leads see), then what
eddy currents take over frequency, and the peaks, with the coils as a small network in closed form.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from labkit.core.response import gain_db, peak_on_grid
from labkit.pickup.electrical import Connection
from labkit.pickup.losses.models import CYLINDER, pole_permeability
from labkit.pickup.losses.plates import CORE_EXPONENT
from labkit.pickup.magnetics.poles import core_inductance
from labkit.pickup.network import (
    LOAD_CAPACITANCE,
    LOAD_RESISTANCE,
    at_leads,
    eddy_share,
    joined_capacitance,
    joined_inductance,
    joined_resistance,
)
from labkit.pickup.predict.plan import DIAMETER_EXPONENTS, LENGTH_EXPONENTS, BuildPlan, CoilCore, CoilPlan
from labkit.pickup.predict.propagation import Prediction, propagate
from labkit.pickup.winding.air_coil import evaluate_air_coil
from labkit.pickup.winding.winding import build_up


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """Results by name for every row of inputs, and the nominal coils as functions of frequency.

    Attributes
    ----------
    results : mapping of str to ndarray, shape (rows,)
    lost : mapping of str to ndarray, shape (F,), complex
        Nominal inductance that each coil has lost at ``frequency_hz``.
    """

    results: Mapping[str, np.ndarray]
    frequency_hz: np.ndarray
    lost: Mapping[str, np.ndarray]


def predictions(plan: BuildPlan) -> dict[str, Prediction]:
    """Return every result with its interval: `propagate` over all inputs of the build at once.

    Results that do not exist for every step (no peak, no capacitance) are left out.
    """

    def usable(x: dict[str, Any]) -> dict[str, np.ndarray]:
        found = evaluate(plan, x).results
        return {name: value for name, value in found.items() if np.all(np.isfinite(value)) and np.all(value > 0)}

    return propagate(usable, plan.inputs)


def nominal(plan: BuildPlan, frequency_hz: np.ndarray | None = None) -> Evaluation:
    """Return the evaluation of one row, all inputs at their best value."""
    return evaluate(plan, {name: np.array([doubt.value]) for name, doubt in plan.inputs.items()}, frequency_hz)


def evaluate(plan: BuildPlan, x: Mapping[str, np.ndarray], frequency_hz: np.ndarray | None = None) -> Evaluation:
    """Compute a build for every row of inputs.

    Parameters
    ----------
    plan : BuildPlan
    x : mapping of str to ndarray, shape (rows,)
        By the names of ``plan.inputs``.
    frequency_hz : ndarray, shape (F,), Hz, optional
        Where `Evaluation.lost` is wanted; only that is computed then.

    Returns
    -------
    Evaluation
        ``COIL resistance``, ``COIL inductance``, ``COIL air inductance``, ``COIL capacitance`` (Ω, H, H, F) and
        ``COIL turns``, ``COIL mean turn``, ``COIL wire length``, ``COIL build-up`` (m); ``total …`` of all of them;
        ``mutual`` (its size, H); ``loss 1000`` … (Ω in series); ``resonance`` and ``loaded resonance`` (Hz);
        ``loaded height`` (peak over the level at 100 Hz, as a ratio).
    """
    coils = air_rows(plan, x)
    mutual = add_cores(plan, x, coils)
    results: dict[str, np.ndarray] = {"mutual": np.abs(mutual)}
    for coil in coils:
        results |= {f"{coil.name} {key}": value for key, value in coil.shown.items()}
        results |= {
            f"{coil.name} resistance": coil.resistance,
            f"{coil.name} inductance": coil.inductance,
            f"{coil.name} capacitance": coil.capacitance,
        }
    total = totals(plan, x, coils, mutual)
    results |= {f"total {name}": value for name, value in total.items()}
    if frequency_hz is not None:
        lost = lost_inductance(plan, x, coils, mutual, frequency_hz)
        return Evaluation(
            results=results, frequency_hz=frequency_hz, lost={coil.name: part[0] for coil, part in zip(coils, lost)}
        )
    results |= curve_results(plan, x, coils, mutual, total)
    return Evaluation(results=results, frequency_hz=np.empty(0), lost={})


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
    core_mutual: np.ndarray | None = None


def air_rows(plan: BuildPlan, x: Mapping[str, np.ndarray]) -> list[CoilRows]:
    count = len(next(iter(x.values())))
    built = [coil for coil in plan.coils if coil.build.winding is not None]
    found: dict[str, np.ndarray] = {}
    if built:
        roles = [role for role in built[0].inputs if all(role in coil.inputs for coil in built)]
        stacked = {role: np.stack([x[coil.inputs[role]] for coil in built]) for role in roles}
        stacked["lead"] = np.zeros(1)
        if plan.build.tapped:  # the outer part begins where the inner one ends
            depth = build_up(
                turns=stacked["turns"][0],
                overall_diameter=stacked["bare diameter"][0] + stacked["film"][0],
                winding_height=stacked["winding height"][0],
                packing=stacked["packing"][0],
            )
            stacked["end radius"][1] = stacked["end radius"][0] + depth
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
                    "end_radius": np.broadcast_to(stacked["end radius"], (len(built), count))[row],
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


def pole_inputs(coil: CoilRows, core: CoilCore, x: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    names = coil.plan.inputs
    return coil.dimensions | {
        "diameter": x[names["pole diameter"]],
        "length": x[names["pole length"]],
        "model": x[names[f"model of {core.kind}s"]],
        "permeability": x[names[f"permeability of {core.material}"]],
        "resistivity": x[names[f"resistivity of {core.material}"]],
    }


def add_cores(plan: BuildPlan, x: Mapping[str, np.ndarray], coils: list[CoilRows]) -> np.ndarray:
    """Add the poles and the bar to every coil's inductance; return the mutual inductance, signed."""
    rows = coils[0].resistance.size
    modes: list[tuple[np.ndarray, ...]] = []
    for coil in coils:
        if not coil.plan.cores:
            continue
        added = tuple(
            sum(
                (
                    mode_inductance(core, mode, inputs, inputs["permeability"] - 1)
                    for core in coil.plan.cores
                    for inputs in [pole_inputs(coil, core, x)]
                ),
                np.zeros(rows),
            )
            for mode in range(len(coil.plan.cores[0].modes))
        )
        modes.append(added)
        coil.inductance = coil.air + coil.turns**2 * sum(added) / len(added)
    mutual = np.zeros(rows)
    if plan.build.tapped:
        first, second = coils
        between = plan.core_coupling * np.sqrt((first.inductance - first.air) * (second.inductance - second.air))
        first.core_mutual = second.core_mutual = between
        mutual = plan.air_coupling * np.sqrt(first.air * second.air) + between
    elif len(coils) == 2 and plan.build.coupling is None:
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


def totals(
    plan: BuildPlan, x: Mapping[str, np.ndarray], coils: list[CoilRows], mutual: np.ndarray
) -> dict[str, np.ndarray]:
    connection = plan.build.connection
    found = {
        "resistance": joined_resistance(connection, [coil.resistance for coil in coils]),
        "inductance": joined_inductance(connection, [coil.inductance for coil in coils], mutual),
        "capacitance": joined_capacitance(connection, [coil.capacitance for coil in coils]) + beside_the_coils(x),
    }
    if all("turns" in coil.shown for coil in coils):
        length = sum(coil.shown["wire length"] for coil in coils)
        turns = sum(coil.shown["turns"] for coil in coils)
        found |= {
            "air inductance": joined_inductance(
                "series",
                [coil.air for coil in coils],
                plan.build.coupling_sign * plan.air_coupling * np.sqrt(coils[0].air * coils[-1].air),
            ),
            "turns": np.asarray(turns),
            "mean turn": np.asarray(length / turns),
            "wire length": np.asarray(length),
            "build-up": np.max([coil.shown["build-up"] for coil in coils], axis=0),
        }
    return found


def beside_the_coils(x: Mapping[str, np.ndarray]) -> np.ndarray:
    """Return the capacitance between the leads that is not the coils' own: the lead, and a grounded cover, F."""
    return np.asarray(x["lead"] + x.get("cover capacitance", 0.0))


LOSS_HZ = (1e3, 5e3, 10e3)
"""Frequencies at which the added series resistance is given."""

_GRID_POINTS = 90
_REFERENCE_HZ = 100.0
_BELOW, _ABOVE = 2.5, 2.5
"""Ends of the search for a peak around 1/(2π√LC): core losses move it up, damping down."""


def lost_inductance(
    plan: BuildPlan,
    x: Mapping[str, np.ndarray],
    coils: Sequence[CoilRows],
    mutual: np.ndarray,
    frequency_hz: np.ndarray,
) -> list[np.ndarray]:
    """Return the complex inductance that eddy currents take from each coil, shape (rows, F), H.

    Of two coils with poles each takes half of what the pair in series loses; bar and keeper lose like the poles.
    """
    lost = []
    built = [coil for coil in coils if coil.plan.build.values is None]
    for coil in coils:
        if coil.plan.build.values is not None:
            eddy = coil.plan.build.values.eddy
            share = eddy_share(frequency_hz, [part.fraction for part in eddy], [part.corner_hz for part in eddy])
            lost.append(coil.inductance[:, None] * share)
            continue
        found = np.zeros((coil.resistance.size, frequency_hz.size), dtype=complex)
        paired = mutual if len(built) == 2 and plan.build.coupling is None else np.zeros_like(mutual)
        air = coil.air * (1 + (plan.build.coupling_sign * plan.air_coupling if paired.any() else 0.0))
        if coil.core_mutual is not None:  # one winding in two parts: each has its poles' share in both
            paired, air = coil.core_mutual, coil.air
        low = np.zeros_like(coil.resistance)
        gone = np.zeros_like(found)
        for core in coil.plan.cores:
            inputs = pole_inputs(coil, core, x)
            mode = 1 if paired.any() and plan.build.coupling_sign < 0 and len(core.modes) > 1 else 0
            whole = mode_inductance(core, mode, inputs, inputs["permeability"] - 1)
            chi = eddy_susceptibility(
                frequency_hz,
                inputs["permeability"],
                core.radius * inputs["diameter"],
                inputs["resistivity"],
                losses=coil.plan.build.losses,
            )
            low = low + whole
            gone = gone + whole[:, None] - mode_inductance(core, mode, inputs, chi)
        if coil.plan.cores:
            found += ((coil.inductance + paired - air) / low)[:, None] * gone
        # the poles strengthen a plate only as far as their own eddy currents leave them flux at that frequency
        ratio = np.abs((coil.inductance + paired)[:, None] - found) / air[:, None]
        for name, effect in plan.plates:
            mean_turns = sum(float(other.turns[0]) for other in built) / len(built)
            scale = (coil.turns / mean_turns) ** 2 * x[f"model of the {name}"] / len(built)
            found = found + scale[:, None] * ratio**CORE_EXPONENT * -effect.inductance(frequency_hz)
        lost.append(found)
    return lost


def terminal_gain(
    coils: Sequence[CoilRows],
    lost: Sequence[np.ndarray],
    mutual: np.ndarray,
    *,
    connection: Connection,
    load: np.ndarray,
    frequency_hz: np.ndarray,
) -> np.ndarray:
    """Return the voltage at the pickup's leads over its EMF, shape (rows, F), complex.

    Parameters
    ----------
    coils : sequence of CoilRows
        One or two.
    lost : sequence of ndarray, shape (rows, F)
        From `lost_inductance`.
    mutual : ndarray, shape (rows,), H
        Positive when it adds in series.
    connection : "series" or "parallel"
    load : ndarray, shape (rows, F), S
        Admittance between the leads.
    frequency_hz : ndarray, shape (F,)
    """
    source, open_voltage = _network(coils, lost, mutual, connection, frequency_hz)
    return np.asarray(open_voltage / (1 + source * load))


def series_impedance(plan: BuildPlan, x: Mapping[str, np.ndarray], frequency_hz: np.ndarray) -> np.ndarray:
    """Return the impedance at the leads for every row of inputs, Ω, shape (rows, F): what an LCR meter there reads.

    Parameters
    ----------
    plan : BuildPlan
    x : mapping of str to ndarray, shape (rows,)
        By the names of ``plan.inputs``.
    frequency_hz : ndarray, shape (F,), Hz
    """
    coils = air_rows(plan, x)
    mutual = add_cores(plan, x, coils)
    lost = lost_inductance(plan, x, coils, mutual, frequency_hz)
    source, _ = _network(coils, lost, mutual, plan.build.connection, frequency_hz)
    beside = 2j * math.pi * frequency_hz * beside_the_coils(x)[:, None]
    return np.asarray(source / (1 + source * beside))


def _network(
    coils: Sequence[CoilRows],
    lost: Sequence[np.ndarray],
    mutual: np.ndarray,
    connection: Connection,
    frequency_hz: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Impedance and open voltage of the coils at their leads, shape (rows, F)."""
    omega = 2j * math.pi * frequency_hz
    impedance = [
        coil.resistance[:, None] + omega * (coil.inductance[:, None] - part) for coil, part in zip(coils, lost)
    ]
    across = [omega * coil.capacitance[:, None] + coil.conductance for coil in coils]
    return at_leads(impedance, across, omega * mutual[:, None], [coil.share for coil in coils], connection)


def curve_results(
    plan: BuildPlan,
    x: Mapping[str, np.ndarray],
    coils: Sequence[CoilRows],
    mutual: np.ndarray,
    total: Mapping[str, np.ndarray],
) -> dict[str, np.ndarray]:
    """Return series loss, bare and loaded resonance and loaded height (a ratio) of every row; NaN where no peak is."""
    bare_capacitance = float(total["capacitance"][0])
    inductance = float(total["inductance"][0])
    grids = [
        _grid(inductance, bare_capacitance) if bare_capacitance > 0 else np.empty(0),
        _grid(inductance, bare_capacitance + LOAD_CAPACITANCE),
    ]
    frequency = np.concatenate([[_REFERENCE_HZ], LOSS_HZ, *grids])
    lost = lost_inductance(plan, x, coils, mutual, frequency)
    count = 1 + len(LOSS_HZ)
    parts = np.array(
        [1.0] if len(coils) == 1 or plan.build.connection == "series" else [coil.share**2 for coil in coils]
    )
    resistance = sum(
        2 * math.pi * np.array(LOSS_HZ) * part[:, 1:count].imag * weight
        for part, weight in zip(lost, np.broadcast_to(parts, len(lost)))
    )
    results = {f"loss {loss_hz:g}": np.asarray(resistance)[:, index] for index, loss_hz in enumerate(LOSS_HZ)}
    omega = 2j * math.pi * frequency
    lead = omega * beside_the_coils(x)[:, None]
    loads = {"resonance": lead, "loaded resonance": lead + omega * LOAD_CAPACITANCE + 1 / LOAD_RESISTANCE}
    start = count
    for (name, load), grid in zip(loads.items(), grids):
        if not grid.size:
            continue
        chosen = np.concatenate([[0], np.arange(start, start + grid.size)])
        start += grid.size
        gain = terminal_gain(
            coils,
            [part[:, chosen] for part in lost],
            mutual,
            connection=plan.build.connection,
            load=load[:, chosen],
            frequency_hz=frequency[chosen],
        )
        level = gain_db(gain)
        peak_hz, peak_db = peak_on_grid(grid, level[:, 1:])
        results[name] = peak_hz
        if name == "loaded resonance":
            results[name] = peak_hz * x["model of the peak"]
            results["loaded height"] = 10 ** ((peak_db - level[:, 0]) / 20) * x["model of the peak's height"]
    return results


def _grid(inductance: float, capacitance: float) -> np.ndarray:
    middle = 1 / (2 * math.pi * math.sqrt(inductance * capacitance))
    grid: np.ndarray = np.geomspace(middle / _BELOW, middle * _ABOVE, _GRID_POINTS)
    return grid


def mode_inductance(core: CoilCore, mode: int, x: Mapping[str, Any], chi: np.ndarray) -> np.ndarray:
    """Return what a mode adds per turn², H, shape of ``chi``.

    Parameters
    ----------
    core : CoilCore
    mode : int
        Index into ``core.modes``.
    x : mapping
        ``straight_length`` … ``build_up`` (m), ``diameter`` and ``length`` (ratios to the nominal pole), ``model``
        (factor), each of shape (rows,).
    chi : ndarray, shape (rows,) or (rows, F), real or complex
        Susceptibility.
    """
    scale = core.modes[mode].stored * x["model"] * x["diameter"] ** DIAMETER_EXPONENTS[0]
    scale = scale * x["length"] ** LENGTH_EXPONENTS[0]
    for name, exponent in core.exponents.items():
        scale = scale * (x[name] / getattr(core.shape, name)) ** exponent
    factor = core.modes[mode].demagnetising_factor * x["diameter"] ** DIAMETER_EXPONENTS[1]
    factor = factor * x["length"] ** LENGTH_EXPONENTS[1]
    if chi.ndim == 2:
        scale, factor = scale[:, None], factor[:, None]
    return core_inductance(stored=scale, demagnetising_factor=factor, susceptibility=chi)


def eddy_susceptibility(
    frequency_hz: np.ndarray,
    permeability: np.ndarray,
    radius: np.ndarray,
    resistivity: np.ndarray,
    *,
    losses: str = CYLINDER,
) -> np.ndarray:
    """Return χ̃ of conducting poles by a named model, shape (rows, F), evaluated once for each different pole."""
    rods = np.stack(np.broadcast_arrays(permeability, radius, resistivity), axis=1)
    different, index = np.unique(rods, axis=0, return_inverse=True)
    found = pole_permeability(
        losses,
        frequency_hz=frequency_hz,
        relative_permeability=different[:, :1],
        radius=different[:, 1:2],
        resistivity=different[:, 2:],
    )
    chi: np.ndarray = found[index.ravel()] - 1
    return chi
