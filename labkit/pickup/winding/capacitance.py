"""Self-capacitance of a coil: the weakest number of the whole prediction, given with the interval it deserves.

A layered formula carries the geometry, one factor κ carries everything that is not known (how turns of different age
lie beside one another, the end effects, the film). κ is calibrated to the usual 80–130 pF of a wound coil; it is not
derived, and the pure layer formula gives far less. So an unloaded resonance is known to about ± 25 %,
while one loaded by a cable is known to about ± 6 %: the cable dominates.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError, did_you_mean
from labkit.core.sourced import SourcedValue
from labkit.core.validity import range_called

EPSILON_0 = 8.8541878e-12
"""Electric constant, F/m."""

LAYER_FACTOR = SourcedValue(
    value=25.0,
    unit="1",
    spread=12.25,
    kind="calibrated",
    source="chosen so that usual coils come out at 80–130 pF (common practice, no source)",
    doubt="one standard deviation is 25 %; a derived layer formula gives 15–63 pF, and κ stands for what that misses",
)
"""κ of `coil_capacitance`, with its 95 % half-width."""

LAYER_FACTOR_DEVIATION = 0.25
"""One standard deviation of ln κ."""

LAYERS = range_called("layers_of_capacitance")
FEW_LAYERS_DEVIATION = 0.7
"""One standard deviation of ln C of one layer or a part of one: a factor of 4 holds 95 %."""

WAX = range_called("wax_fill")

WAX_RISE, WAX_DEVIATION = 0.25, 0.12
"""Full wax fill multiplies the coil's capacitance by 1.25 ± 0.15 (one deviation, as a ratio: 0.12)."""

LEADS: dict[str, SourcedValue] = {
    name: SourcedValue(
        value=value,
        unit="F",
        spread=spread,
        kind="common practice",
        source="common practice, no source",
        doubt="for the usual 0.2 … 0.4 m of lead; measure or scale by length",
    )
    for name, value, spread in (
        ("none", 0.0, 0.0),
        ("cloth pair", 20e-12, 8e-12),
        ("braided", 60e-12, 20e-12),
        ("four-conductor", 60e-12, 20e-12),
    )
}
"""Capacitance of a pickup's own lead by kind."""

WINDINGS = ("back and forth", "same direction")


def coil_capacitance(
    *,
    mean_turn: ArrayLike,
    winding_height: ArrayLike,
    build_up: ArrayLike,
    layer_factor: ArrayLike = LAYER_FACTOR.value,
    wax_fill: ArrayLike = 0.0,
    wax_rise: ArrayLike = WAX_RISE,
    scatter: ArrayLike = 1.0,
    layers: ArrayLike = math.inf,
) -> np.ndarray:
    """Self-capacitance of a coil without its lead: C = κ·ε0·MTL·h/w · (1 + 0.25·wax fill) · scatter factor.

    Of n < 10 layers: C·(1 − 1/n)/(1 − 1/10) as between perfect layers, and of a second layer only as much as lies
    there (times (n − 1)² below two), plus `single_layer_capacitance`·(10 − n)/9, which alone is left at one layer and
    for a part of one.

    Parameters
    ----------
    mean_turn, winding_height, build_up : array_like, shape (...), m
    layer_factor : array_like, shape (...), 1
        κ, 25 with one standard deviation of 25 %.
    wax_fill : array_like, shape (...), 1
        0 dry … 1 filled to the core.
    wax_rise : array_like, shape (...), 1
        What full wax adds.
    scatter : array_like, shape (...), 1
        From `scatter_factor`; 1 for the usual packing.
    layers : array_like, shape (...), 1
        N·d_o/h, layers if each were tight; many where left out.

    Returns
    -------
    ndarray, shape (...), F

    >>> float((coil_capacitance(mean_turn=0.133, winding_height=11e-3, build_up=4.33e-3) * 1e12).round(0))
    75.0
    """
    turn, height = np.asarray(mean_turn, dtype=float), np.asarray(winding_height, dtype=float)
    fill = np.asarray(wax_fill, dtype=float)
    WAX.check(fill)
    count = np.maximum(np.asarray(layers, dtype=float), 1.0)
    between = EPSILON_0 * turn * height / np.asarray(build_up, dtype=float)
    few = np.minimum(count, LAYERS.low)
    single = single_layer_capacitance(mean_turn=turn, winding_height=height) / LAYER_FACTOR.value
    between = between * (1 - 1 / few) / (1 - 1 / LAYERS.low) * np.minimum(few - 1, 1.0) ** 2
    each = between + single * (LAYERS.low - few) / (LAYERS.low - 1)
    capacitance: np.ndarray = np.asarray(layer_factor) * each * (1 + np.asarray(wax_rise) * fill) * np.asarray(scatter)
    return capacitance


def single_layer_capacitance(*, mean_turn: ArrayLike, winding_height: ArrayLike) -> np.ndarray:
    """Self-capacitance of a single-layer coil: C = (4ε0/π)·h·(1 + 0.71·D/h + 2.40·(D/h)^1.5), D = MTL/π.

    The measured coils were round, in air and of many turns, with one end earthed; an obround is taken as the circle of
    equal circumference, and the film of touching turns adds to it.

    Parameters
    ----------
    mean_turn, winding_height : array_like, shape (...), m

    Returns
    -------
    ndarray, shape (...), F

    Source: R. G. Medhurst, H.F. Resistance and Self-Capacitance of Single-Layer Solenoids, Wireless Engineer 24, 1947
    (constants from memory).

    >>> float((single_layer_capacitance(mean_turn=0.12, winding_height=11e-3) * 1e12).round(1))
    2.3
    """
    height = np.asarray(winding_height, dtype=float)
    slender = np.asarray(mean_turn, dtype=float) / math.pi / height
    capacitance: np.ndarray = 4 * EPSILON_0 / math.pi * height * (1 + 0.71 * slender + 2.40 * slender**1.5)
    return capacitance


def layer_factor_deviation(layers: float) -> float:
    """Return one standard deviation of ln κ for a coil of so many layers: 25 %, and more below ten of them."""
    few = min(max(layers, 1.0), LAYERS.low)
    part = math.log(LAYERS.low / few) / math.log(LAYERS.low)
    return LAYER_FACTOR_DEVIATION + (FEW_LAYERS_DEVIATION - LAYER_FACTOR_DEVIATION) * part


def turn_capacitance(
    *,
    bare_diameter: ArrayLike,
    overall_diameter: ArrayLike,
    permittivity: ArrayLike,
    pitch: ArrayLike,
    half_angle: float,
) -> np.ndarray:
    """Capacitance of two neighbouring turns per metre: C′ = ε0·∫₀^α dθ/(p/d_o + ln(d_o/d_b)/ε_r − cos θ).

    Parameters
    ----------
    bare_diameter, overall_diameter : array_like, shape (...), m
    permittivity : array_like, shape (...), 1
        Of the film, ε_r.
    pitch : array_like, shape (...), m
        Between the middles of the two wires, at least ``overall_diameter``.
    half_angle : float, rad
        Half the angle of the cell, α: π/6 in a hexagonal stack, π/4 in a square one.

    Returns
    -------
    ndarray, shape (...), F/m

    Source: Massarini & Kazimierczuk, Self-Capacitance of Inductors, IEEE Trans. Power Electronics 12(4), 1997: basic
    cell with straight field lines in the gap, for touching wires; the gap p > d_o is added here.
    """
    d_b, d_o, p = (np.asarray(value, dtype=float) for value in (bare_diameter, overall_diameter, pitch))
    reach = np.maximum(p / d_o, 1.0) + np.log(d_o / d_b) / np.asarray(permittivity, dtype=float)
    angle = np.arctan(np.sqrt((reach + 1) / (reach - 1)) * math.tan(half_angle / 2))
    per_length: np.ndarray = EPSILON_0 * 2 / np.sqrt(reach**2 - 1) * angle
    return per_length


def scatter_factor(
    *,
    packing: ArrayLike,
    bare_diameter: ArrayLike,
    overall_diameter: ArrayLike,
    permittivity: ArrayLike = 3.9,
    usual_packing: float = 0.85,
) -> np.ndarray:
    """What looser packing makes of a coil's capacitance, 1 at the usual packing.

    The turn-to-turn capacitance of a square stack at pitch d_o/√F over that at F = 0.85. Scattered turns are not
    evenly spaced, so the size of the effect is doubtful by its own half; its direction is not.

    Parameters
    ----------
    packing : array_like, shape (...), 1
    bare_diameter, overall_diameter : array_like, shape (...), m
    permittivity : array_like, shape (...), 1
    usual_packing : float, 1

    Returns
    -------
    ndarray, shape (...), 1
    """
    d_o = np.asarray(overall_diameter, dtype=float)

    def stacked(fill: np.ndarray) -> np.ndarray:
        return turn_capacitance(
            bare_diameter=bare_diameter,
            overall_diameter=d_o,
            permittivity=permittivity,
            pitch=d_o / np.sqrt(fill),
            half_angle=math.pi / 4,
        )

    ratio: np.ndarray = stacked(np.asarray(packing, dtype=float)) / stacked(np.asarray(usual_packing))
    return ratio


def layered_capacitance(*, between_layers: ArrayLike, layers: ArrayLike, wound: str = "back and forth") -> np.ndarray:
    """End-to-end capacitance of a perfect layer winding: C = (4/3)·C_L·(n − 1)/n², or without 4/3 when every layer
    starts at the same end.

    Parameters
    ----------
    between_layers : array_like, shape (...), F
        C_L, between two neighbouring layers taken as plates.
    layers : array_like, shape (...), 1
        n, at least 1.
    wound : "back and forth" or "same direction"

    Returns
    -------
    ndarray, shape (...), F
        For comparison only: real coils of thin wire have several times more.

    Source: E. C. Snelling, Soft Ferrites (from memory; the energy method gives the same).
    """
    if wound not in WINDINGS:
        raise InputError(
            f"`wound` must be back and forth or same direction; got {wound!r}.{did_you_mean(wound, WINDINGS)}"
        )
    n = np.asarray(layers, dtype=float)
    shape = 4 / 3 if wound == "back and forth" else 1.0
    capacitance: np.ndarray = shape * np.asarray(between_layers, dtype=float) * (n - 1) / n**2
    return capacitance


def capacitance_between_layers(
    *,
    mean_turn: ArrayLike,
    winding_height: ArrayLike,
    bare_diameter: ArrayLike,
    overall_diameter: ArrayLike,
    permittivity: ArrayLike = 3.9,
) -> np.ndarray:
    """Two neighbouring layers in square stack: turns per layer × MTL × `turn_capacitance`.

    Parameters
    ----------
    mean_turn, winding_height, bare_diameter, overall_diameter : array_like, shape (...), m
    permittivity : array_like, shape (...), 1

    Returns
    -------
    ndarray, shape (...), F
    """
    per_length = turn_capacitance(
        bare_diameter=bare_diameter,
        overall_diameter=overall_diameter,
        permittivity=permittivity,
        pitch=overall_diameter,
        half_angle=math.pi / 4,
    )
    total: np.ndarray = (
        per_length * np.asarray(mean_turn, dtype=float) * np.asarray(winding_height) / np.asarray(overall_diameter)
    )
    return total


def capacitance_from_resonance(*, inductance: ArrayLike, frequency_hz: ArrayLike) -> np.ndarray:
    """Capacitance that makes an inductance resonate: C = 1/((2πf)²·L).

    Parameters
    ----------
    inductance : array_like, shape (...), H
    frequency_hz : array_like, shape (...), Hz

    Returns
    -------
    ndarray, shape (...), F

    >>> float((capacitance_from_resonance(inductance=0.1, frequency_hz=100e3) * 1e12).round(2))
    25.33
    """
    capacitance: np.ndarray = 1 / (
        (2 * math.pi * np.asarray(frequency_hz, dtype=float)) ** 2 * np.asarray(inductance, dtype=float)
    )
    return capacitance


def resonance_frequency(*, inductance: ArrayLike, capacitance: ArrayLike) -> np.ndarray:
    """Resonance without loss: f = 1/(2π√(L·C)), Hz.

    Parameters
    ----------
    inductance : array_like, shape (...), H
    capacitance : array_like, shape (...), F

    Returns
    -------
    ndarray, shape (...), Hz
    """
    frequency: np.ndarray = 1 / (
        2 * math.pi * np.sqrt(np.asarray(inductance, dtype=float) * np.asarray(capacitance, dtype=float))
    )
    return frequency


def lead(kind: str) -> SourcedValue:
    """Capacitance of a pickup's own lead by kind: none, cloth pair, braided or four-conductor.

    Raises
    ------
    InputError
        If the kind is unknown; says the nearest.
    """
    if kind not in LEADS:
        raise InputError(f"no lead is called '{kind}'.{did_you_mean(kind, LEADS)}")
    return LEADS[kind]
