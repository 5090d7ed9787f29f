"""Two coupled coils from sweeps of each coil, of both in series and of both in parallel.

A coil that is measured alone still has its neighbour on the same core: the neighbour's own resonance shows in the
curve, and one coil with eddy losses cannot describe it. Fitted together, the sweeps give both coils and their coupling.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np

from labkit.bench.fit.fit import (
    CORNER_GUESSES_HZ,
    FIT_BAND_HZ,
    USUAL_RESISTANCE,
    EddyFit,
    Residual,
    averaged,
    describe_fixture,
    eddy_fits,
    measured_sheet,
    residuals_of,
    rivals_of,
    usual_rig_corner,
    weighed_bounds,
)
from labkit.bench.fit.fixture import Measurement
from labkit.bench.fit.model import Core, Leads, coil_names, coil_of, coil_rows, gather, make_problem, start_values
from labkit.bench.fit.solve import by_plainness, solve, weights_of
from labkit.bench.fit.warnings import common_warnings
from labkit.core.errors import InputError, did_you_mean
from labkit.core.sourced import Interval
from labkit.pickup.electrical import Pickup
from labkit.pickup.network import at_leads

Wiring = Literal["first", "second", "series", "parallel"]
"""What stood at the leads: one coil with the other open, or both."""

CORES: tuple[Core, ...] = ("one section", "spread")

COUPLING_GUESSES = (0.1, 0.3)
"""Coils in air, and on steel poles with a bar between them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairCoil:
    """One fitted coil of a pair: Ω, H, F with 95 % bounds, and its eddy sections."""

    resistance: Interval
    inductance: Interval
    capacitance: Interval
    eddy: tuple[EddyFit, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "resistance_ohm": self.resistance.as_dict(),
            "inductance_h": self.inductance.as_dict(),
            "capacitance_f": self.capacitance.as_dict(),
            "eddy": [section.as_dict() for section in self.eddy],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class PairFit:
    """The result of `fit_pair`; every interval is 95 %.

    ``coupling`` is positive where it adds to the series inductance; ``pickup`` holds the best values.
    """

    pickup: Pickup
    coils: Mapping[str, PairCoil]
    coupling: Interval
    residual_db: float
    residuals: tuple[Residual, ...]
    warnings: tuple[str, ...]
    provenance: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON form: SI with the unit in the key."""
        return {
            "coils": {name: coil.as_dict() for name, coil in self.coils.items()},
            "coupling": self.coupling.as_dict(),
            "residual_db": self.residual_db,
            "warnings": list(self.warnings),
            "provenance": list(self.provenance),
        }


def fit_pair(
    measurements: Sequence[Measurement],
    wirings: Sequence[str],
    *,
    name: str = "measured pickup",
    resistances: Mapping[str, Interval] = {},
    band_hz: tuple[float, float] = FIT_BAND_HZ,
) -> PairFit:
    """Fit two coupled coils to sweeps of the pickup.

    Parameters
    ----------
    measurements : sequence of Measurement
    wirings : sequence of "first", "second", "series" or "parallel"
        What stood at the leads in each; each coil alone at least once.
    name : str
    resistances : mapping of "first" and "second" to Interval, Ω
        DC readings.
    band_hz : (float, float), Hz

    Raises
    ------
    InputError
        If a wiring is unknown, or a coil was never measured alone.

    Notes
    -----
    Both coils share one way of losing energy (one section or a spread loss, weighed) with values of their own. Not
    modelled: capacitance between the coils and to a cover, and eddy currents that both coils drive together.
    """
    for wiring in wirings:
        if wiring not in get_args(Wiring):
            raise InputError(
                f"a sweep of a pair is of first, second, series or parallel; got '{wiring}'."
                f"{did_you_mean(wiring, get_args(Wiring))}"
            )
    if len(wirings) != len(measurements):
        raise InputError(f"say of each sweep which coils it is of; got {len(wirings)} for {len(measurements)} sweeps")
    points = gather(measurements, band_hz=band_hz, use_exciter_phase=False)
    starts: dict[str, float] = {}
    known: dict[str, Interval] = dict(usual_rig_corner(measurements))
    for coil in ("first", "second"):
        own = [m for m, wiring in zip(measurements, wirings) if wiring == coil]
        if not own:
            raise InputError(f"the {coil} coil was never measured alone; a pair needs a sweep of each coil")
        reading = resistances.get(coil)
        alone = gather(own, band_hz=band_hz, use_exciter_phase=False)
        found = start_values(own, alone, resistance=reading.value if reading else None)
        starts |= {f"{coil}.{key}": value for key, value in found.items() if not key.startswith(("part_", "log_rig"))}
        if reading is not None or all(m.fixture.kind == "exciter" for m in measurements):
            known[f"{coil}.log_resistance"] = reading or USUAL_RESISTANCE
    common = start_values(measurements, points, resistance=None)
    starts |= {key: value for key, value in common.items() if key.startswith(("part_", "log_rig"))}
    solutions = []
    for core in CORES:
        names = [f"{coil}.{key}" for coil in ("first", "second") for key in coil_names(core, fit_loss=False)]
        names += ["coupling", *(["share"] if points.is_exciter.any() else [])]
        problem = make_problem(points, core, names, known, _leads(core, wirings, points.sweep))
        tried = []
        for corner, guess in zip(CORNER_GUESSES_HZ, COUPLING_GUESSES):
            eddy = {f"{coil}.fraction_0": 0.2 for coil in ("first", "second")}
            eddy |= {f"{coil}.log_corner_0": math.log(corner) for coil in ("first", "second")}
            tried.append({**starts, **eddy, "coupling": guess, "share": 0.5})
        solutions.append(solve(problem, tried))
    weights = weights_of(solutions)
    rivals = rivals_of(solutions, weights)
    best = solutions[by_plainness(solutions, weights)[0]]
    coils = {
        coil: PairCoil(
            resistance=averaged(rivals, f"{coil}.log_resistance"),
            inductance=averaged(rivals, f"{coil}.log_inductance"),
            capacitance=averaged(rivals, f"{coil}.log_capacitance"),
            eddy=eddy_fits(rivals[0], f"{coil}."),
        )
        for coil in ("first", "second")
    }
    value, low, high = weighed_bounds(rivals, "coupling")
    coupling = Interval(value=value, low=max(low, -1.0), high=min(high, 1.0))
    values = {coil: coil_of(best.values, best.problem.core, owner=f"{coil}.") for coil in ("first", "second")}
    return PairFit(
        pickup=Pickup(name=name, coils=values, connection="series", coupling=coupling.value),
        coils=coils,
        coupling=coupling,
        residual_db=best.rms_db,
        residuals=residuals_of(best, measurements, rivals[0]),
        warnings=tuple(dict.fromkeys(common_warnings(best, measurements))),
        provenance=tuple(f"{describe_fixture(m)}, {wiring}" for m, wiring in zip(measurements, wirings)),
    )


def _leads(core: Core, wirings: Sequence[str], sweep: np.ndarray) -> Leads:
    """Return the leads of a pair, wired as each sweep was."""
    rows = {wiring: np.isin(sweep, [n for n, own in enumerate(wirings) if own == wiring]) for wiring in set(wirings)}

    def leads(values: Mapping[str, float], frequency_hz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        z1, y1 = coil_rows(values, core, frequency_hz, "first.")
        z2, y2 = coil_rows(values, core, frequency_hz, "second.")
        mean = math.exp((values["first.log_inductance"] + values["second.log_inductance"]) / 2)
        mutual = 2j * np.pi * frequency_hz * values["coupling"] * mean
        share = values.get("share", 0.5)
        impedance, voltage = np.empty_like(z1), np.empty_like(z1)
        for wiring, own in rows.items():
            if wiring == "first":
                found = _alone(z1[own], y1[own], z2[own], y2[own], mutual[own], share, 1 - share)
            elif wiring == "second":
                found = _alone(z2[own], y2[own], z1[own], y1[own], mutual[own], 1 - share, share)
            else:
                pair = ([z1[own], z2[own]], [y1[own], y2[own]])
                found = at_leads(*pair, mutual[own], (share, 1 - share), wiring)  # type: ignore[arg-type]
            impedance[own], voltage[own] = found
        return impedance, voltage

    return leads


def _alone(
    z: np.ndarray,
    y: np.ndarray,
    other_z: np.ndarray,
    other_y: np.ndarray,
    mutual: np.ndarray,
    share: float,
    other_share: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Impedance and open voltage of one coil while the other's leads are open.

    The other coil's current, through its own capacitance, is y'·(e' − jωM·i)/(1 + z'·y').
    """
    loop = other_y / (1 + other_z * other_y)
    seen = z - mutual**2 * loop
    divided = 1 / (1 + seen * y)
    return seen * divided, (share - mutual * loop * other_share) * divided


def pair_sheet_text(fit: PairFit) -> str:
    """Return the TOML text of a two-coil pickup sheet with the fitted values."""
    note = (
        f"95 % bounds: coupling {fit.coupling.low:.3g} to {fit.coupling.high:.3g}; "
        + "; ".join(
            f"{name} {coil.inductance.low:.3g} to {coil.inductance.high:.3g} H" for name, coil in fit.coils.items()
        )
        + "."
    )
    note += "".join(f" Warning: {warning}." for warning in fit.warnings)
    return measured_sheet(fit.pickup, fit.provenance, note)
