"""What an old coil was: turns from what can still be measured on it.

A coil that reads open gives no resistance, but its size, its wire's diameter and its weight remain. Each is a route to
the number of turns; together they are better than each alone, and where they contradict one another that is a finding.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from labkit.core.errors import InputError
from labkit.pickup.materials.wire import COPPER_DENSITY
from labkit.pickup.predict.propagation import COVERAGE, Doubtful, Prediction, propagate
from labkit.pickup.winding.winding import USUAL_PACKING, coil_resistance, mean_turn, turns_for_build_up

FILM_DENSITY = Doubtful.percent(1300.0, 0.15)
"""Density of wire enamel, kg/m³; 1.1 … 1.5 g/cm³ for the usual films (from memory)."""

PACKING = Doubtful.percent(USUAL_PACKING, 0.12)
"""Packing of a coil nobody has seen wound: 0.75 … 0.95 (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenCoil:
    """What was measured on a coil, each with its doubt.

    Parameters
    ----------
    straight_length, end_radius, winding_height, build_up : Doubtful, m
        Of the winding.
    bare_diameter, overall_diameter : Doubtful, m
        Of its wire, by micrometer on a loose end, with and without film.
    packing : Doubtful
    wire_mass : Doubtful or None, kg
        Of the wire with its film: the coil less bobbin, magnets and wax.
    resistance : Doubtful or None, Ω
        Of the whole coil where it is not open.
    temperature_c : float, °C
        While the resistance was measured.
    """

    straight_length: Doubtful
    end_radius: Doubtful
    winding_height: Doubtful
    build_up: Doubtful
    bare_diameter: Doubtful
    overall_diameter: Doubtful
    packing: Doubtful = PACKING
    wire_mass: Doubtful | None = None
    resistance: Doubtful | None = None
    temperature_c: float = 20.0

    def __post_init__(self) -> None:
        for name in ("end_radius", "winding_height", "build_up", "bare_diameter", "packing"):
            if not getattr(self, name).value > 0:
                raise InputError(f"{name.replace('_', ' ')} must be above zero; got {getattr(self, name).value:g}")
        for name in ("wire_mass", "resistance"):
            given = getattr(self, name)
            if given is not None and not given.value > 0:
                raise InputError(f"{name.replace('_', ' ')} must be above zero; got {given.value:g}")
        if not self.overall_diameter.value > self.bare_diameter.value:
            raise InputError(
                f"the diameter over the film must exceed that of the copper; "
                f"got {self.overall_diameter.value * 1e6:g} µm over {self.bare_diameter.value * 1e6:g} µm"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilIdentity:
    """What the coil was.

    Attributes
    ----------
    turns : Prediction
        From all routes, each weighted by what it is worth; shared inputs are counted once.
    by_route : mapping of str to Prediction
        Turns by "size", "weight" and "resistance", as far as measured.
    resistance : Prediction, Ω
        Of the coil at 20 °C when it was whole.
    warnings : tuple of str
        Routes that contradict one another.
    """

    turns: Prediction
    by_route: Mapping[str, Prediction]
    resistance: Prediction
    warnings: tuple[str, ...] = ()


def identify_coil(coil: OpenCoil) -> CoilIdentity:
    """Estimate the turns of a coil from its size, weight and resistance, and what it measured when whole.

    Size: N = w·F·h/d_o². Weight: N = m/(MTL·m′), m′ the mass of a metre of copper and film. Resistance: N = R/(MTL·R′).
    The routes share inputs, so their weights are those of the best linear combination of ln N under their joint
    covariance, and the combination is propagated anew from the inputs themselves.

    Parameters
    ----------
    coil : OpenCoil

    Returns
    -------
    CoilIdentity

    Notes
    -----
    A route that is far off (a coil partly unwound, wax left in the weight) spoils the combination: read the warnings.
    """
    inputs = {
        "straight length": coil.straight_length,
        "end radius": coil.end_radius,
        "winding height": coil.winding_height,
        "build-up": coil.build_up,
        "bare diameter": coil.bare_diameter,
        "overall diameter": coil.overall_diameter,
        "packing": coil.packing,
    }
    if coil.wire_mass is not None:
        inputs |= {"weight": coil.wire_mass, "film density": FILM_DENSITY}
    if coil.resistance is not None:
        inputs["resistance"] = coil.resistance

    def routes(x: Mapping[str, Any]) -> dict[str, np.ndarray]:
        return _turns_by_route(x, coil.temperature_c)

    by_route = propagate(routes, inputs)
    weights = _best_weights(by_route, tuple(inputs))

    def joined(x: Mapping[str, Any]) -> dict[str, np.ndarray]:
        logs = {name: np.log(turns) for name, turns in routes(x).items()}
        turns = np.exp(sum(weights[name] * value for name, value in logs.items()))
        turn = mean_turn(straight_length=x["straight length"], end_radius=x["end radius"], build_up=x["build-up"])
        whole = coil_resistance(wire_length=turns * turn, bare_diameter=x["bare diameter"])
        return {"turns": turns, "resistance": whole}

    result = propagate(joined, inputs)
    return CoilIdentity(
        turns=result["turns"],
        by_route=by_route,
        resistance=result["resistance"],
        warnings=_contradictions(by_route, tuple(inputs)),
    )


def _turns_by_route(x: Mapping[str, Any], temperature_c: float) -> dict[str, np.ndarray]:
    turn = mean_turn(straight_length=x["straight length"], end_radius=x["end radius"], build_up=x["build-up"])
    found = {
        "size": turns_for_build_up(
            build_up=x["build-up"],
            overall_diameter=x["overall diameter"],
            winding_height=x["winding height"],
            packing=x["packing"],
        )
    }
    if "weight" in x:
        copper = COPPER_DENSITY * x["bare diameter"] ** 2
        film = x["film density"] * (x["overall diameter"] ** 2 - x["bare diameter"] ** 2)
        found["weight"] = x["weight"] / (turn * math.pi / 4 * (copper + film))
    if "resistance" in x:
        per_turn = coil_resistance(wire_length=turn, bare_diameter=x["bare diameter"], temperature_c=temperature_c)
        found["resistance"] = x["resistance"] / per_turn
    return found


def _deviations(prediction: Prediction, inputs: tuple[str, ...]) -> np.ndarray:
    by_name = {item.name: item.deviation for item in prediction.contributions}
    return np.array([by_name.get(name, 0.0) for name in inputs])


def _best_weights(by_route: Mapping[str, Prediction], inputs: tuple[str, ...]) -> dict[str, float]:
    """Weights Σ⁻¹·1/(1ᵀ·Σ⁻¹·1) of ln N, with a floor of 1e-6 so that exact inputs leave Σ invertible."""
    table = np.stack([_deviations(prediction, inputs) for prediction in by_route.values()])
    covariance = table @ table.T + 1e-12 * np.eye(len(table))
    raw = np.linalg.solve(covariance, np.ones(len(table)))
    return dict(zip(by_route, (raw / raw.sum()).tolist()))


def _contradictions(by_route: Mapping[str, Prediction], inputs: tuple[str, ...]) -> tuple[str, ...]:
    names = list(by_route)
    found = []
    for index, one in enumerate(names):
        for other in names[index + 1 :]:
            gap = math.log(by_route[one].value / by_route[other].value)
            spread = _deviations(by_route[one], inputs) - _deviations(by_route[other], inputs)
            limit = COVERAGE * math.sqrt(float(spread @ spread))
            if abs(gap) > limit:
                found.append(
                    f"{one} says {by_route[one].value:.0f} turns and {other} {by_route[other].value:.0f}: "
                    f"{100 * abs(math.expm1(gap)):.0f} % apart where {100 * math.expm1(limit):.0f} % would be doubt; "
                    "one of the measurements, or the coil, is not what it seems"
                )
    return tuple(found)
