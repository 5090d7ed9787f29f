"""Loss and resonance of a build, for every row of its inputs: the coils as a small network in closed form."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from labkit.core.response import gain_db, peak_on_grid
from labkit.pickup.electrical import Connection
from labkit.pickup.losses.plates import CORE_EXPONENT
from labkit.pickup.network import at_leads, eddy_share
from labkit.pickup.predict.core import eddy_susceptibility, mode_inductance
from labkit.pickup.predict.plan import Plan
from labkit.pickup.predict.rows import CoilRows, pole_inputs

LOAD_RESISTANCE, LOAD_CAPACITANCE = 200e3, 470e-12
"""Load of the loaded resonance: two controls and an amplifier, and a usual cable (Ω, F)."""

LOSS_HZ = (1e3, 5e3, 10e3)
"""Frequencies at which the added series resistance is given."""

_GRID_POINTS = 90
_REFERENCE_HZ = 100.0
_BELOW, _ABOVE = 2.5, 2.5
"""Ends of the search for a peak around 1/(2π√LC): core losses move it up, damping down."""


def lost_inductance(
    plan: Plan, x: Mapping[str, np.ndarray], coils: Sequence[CoilRows], mutual: np.ndarray, frequency_hz: np.ndarray
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
        if coil.plan.core is not None:
            inputs = pole_inputs(coil, x)
            radius = coil.plan.core.radius * inputs["diameter"]
            mode = 1 if paired.any() and plan.build.coupling_sign < 0 and len(coil.plan.core.modes) > 1 else 0
            low = mode_inductance(coil.plan.core, mode, inputs, inputs["permeability"] - 1)
            losses = coil.plan.build.losses
            chi = eddy_susceptibility(
                frequency_hz, inputs["permeability"], radius, inputs["resistivity"], losses=losses
            )
            high = mode_inductance(coil.plan.core, mode, inputs, chi)
            added = coil.inductance + paired - air
            found += (added / low)[:, None] * (low[:, None] - high)
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
    omega = 2j * math.pi * frequency_hz
    impedance = [
        coil.resistance[:, None] + omega * (coil.inductance[:, None] - part) for coil, part in zip(coils, lost)
    ]
    across = [omega * coil.capacitance[:, None] + coil.conductance for coil in coils]
    source, open_voltage = at_leads(
        impedance, across, omega * mutual[:, None], [coil.share for coil in coils], connection
    )
    return np.asarray(open_voltage / (1 + source * load))


def curve_results(
    plan: Plan,
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
    lead = omega * x["lead"][:, None]
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
