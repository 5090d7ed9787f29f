"""Self-capacitance of a coil: the weakest number of the whole prediction, given with the interval it deserves.

A layered formula carries the geometry, one factor κ carries how the turns lie: in a square or a nested stack, how far
apart, in what film. `layer_factor` derives it from those (16.7 in a square stack of touching turns, 29.8 in a nested
one), and the gaps between the turns, which nobody measures, decide where a coil lies. So its size is calibrated to the
usual 80–130 pF of a wound coil, and the derivation says how it changes with tension, wax and the way of winding. An
unloaded resonance is known to about ± 25 %, one loaded by a cable to about ± 6 %: the cable dominates.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal

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
    doubt="one standard deviation is 25 %; derived from guessed gaps κ is 16.8, 11 to 24 (68 %), 7 to 32 (95 %)",
)
"""κ of `coil_capacitance`, with its 95 % half-width."""

LAYER_FACTOR_DEVIATION = 0.25
"""One standard deviation of ln κ."""

LAYERS = range_called("layers_of_capacitance")
FEW_LAYERS_DEVIATION = 0.7
"""One standard deviation of ln C of one layer or a part of one: a factor of 4 holds 95 %."""

WAX = range_called("wax_fill")

WAX_PERMITTIVITY = 2.25
"""Relative permittivity of paraffin and beeswax mixtures (common range 2.2 to 2.5, from memory)."""

WAX_DEVIATION = 0.12
"""One standard deviation of what full wax multiplies the capacitance by, as a ratio: not every gap fills."""

Tension = Literal["tight", "usual", "loose"]

_GAPS: tuple[tuple[Tension, float, float], ...] = (
    ("tight", 1e-6, 1e-6),
    ("usual", 2e-6, 2e-6),
    ("loose", 5e-6, 4e-6),
)
GAPS: Mapping[Tension, SourcedValue] = {
    name: SourcedValue(
        value=value,
        unit="m",
        spread=spread,
        kind="invented",
        source="assumption: what tension leaves between neighbouring films was not measured on any coil",
        doubt="from touching turns to twice the value",
    )
    for name, value, spread in _GAPS
}
"""Mean gap between the films of neighbouring turns by the tension of the winding."""

STATED_DEVIATION = 0.20
"""One standard deviation of ln κ where the tension is stated: gaps are the largest cause of it (correlation −0.76)."""

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

COVER_SIDE, COVER_TOP = 1.2, 1.45
"""What finite elements find beyond the plates of `cover_capacitance`, with the outer and with the inner end hot."""

COVER_DEVIATION = 0.25
"""One standard deviation of a cover's capacitance as a ratio: its gaps are guessed, holes left out."""

COVER_FLANGE, FLANGE_PERMITTIVITY = 1e-3, 3.5
"""Flange between winding and cover, m, and its relative permittivity (common practice, no source)."""


def coil_capacitance(
    *,
    mean_turn: ArrayLike,
    winding_height: ArrayLike,
    build_up: ArrayLike,
    layer_factor: ArrayLike = LAYER_FACTOR.value,
    wax_fill: ArrayLike = 0.0,
    wax_rise: ArrayLike = 0.0,
    scatter: ArrayLike = 1.0,
    layers: ArrayLike = math.inf,
) -> np.ndarray:
    """Self-capacitance of a coil without its lead: C = κ·ε0·MTL·h/w · (1 + wax rise·wax fill) · scatter factor.

    Of n < 10 layers: C·(1 − 1/n)/(1 − 1/10) as between perfect layers, and of a second layer only as much as lies
    there (times (n − 1)² below two), plus `single_layer_capacitance`·(10 − n)/9, which alone is left at one layer and
    for a part of one.

    Parameters
    ----------
    mean_turn, winding_height, build_up : array_like, shape (...), m
    layer_factor : array_like, shape (...), 1
        κ; calibrated to 25 with one standard deviation of 25 %.
    wax_fill : array_like, shape (...), 1
        0 dry … 1 filled to the core.
    wax_rise : array_like, shape (...), 1
        What full wax adds, from `wax_rise`.
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
    2.4
    """
    height = np.asarray(winding_height, dtype=float)
    slender = np.asarray(mean_turn, dtype=float) / math.pi / height
    capacitance: np.ndarray = 4 * EPSILON_0 / math.pi * height * (1 + 0.71 * slender + 2.40 * slender**1.5)
    return capacitance


def layer_factor_deviation(layers: float, *, tension_is_stated: bool = False) -> float:
    """Return one standard deviation of ln κ for a coil of so many layers: 25 %, and more below ten of them.

    20 % where the tension of the winding is stated: gaps are the largest of its causes.
    """
    usual = STATED_DEVIATION if tension_is_stated else LAYER_FACTOR_DEVIATION
    few = min(max(layers, 1.0), LAYERS.low)
    part = math.log(LAYERS.low / few) / math.log(LAYERS.low)
    return usual + (FEW_LAYERS_DEVIATION - usual) * part


def turn_capacitance(
    *,
    bare_diameter: ArrayLike,
    overall_diameter: ArrayLike,
    permittivity: ArrayLike,
    pitch: ArrayLike,
    half_angle: float,
    between: ArrayLike = 1.0,
) -> np.ndarray:
    """Capacitance of two neighbouring turns per metre: C′ = ε0·∫₀^α dθ/((p/d_o − cos θ)/ε_g + ln(d_o/d_b)/ε_r).

    Parameters
    ----------
    bare_diameter, overall_diameter : array_like, shape (...), m
    permittivity : array_like, shape (...), 1
        Of the film, ε_r.
    pitch : array_like, shape (...), m
        Between the middles of the two wires, at least ``overall_diameter``.
    half_angle : float, rad
        Half the angle of the cell, α: π/6 in a hexagonal stack, π/4 in a square one.
    between : array_like, shape (...), 1
        Relative permittivity of what fills the gaps, ε_g: air 1, wax 2.25.

    Returns
    -------
    ndarray, shape (...), F/m

    Source: Massarini & Kazimierczuk, Self-Capacitance of Inductors, IEEE Trans. Power Electronics 12(4), 1997: basic
    cell with straight field lines in the gap, for touching wires; the gap p > d_o is added here.
    """
    d_b, d_o, p = (np.asarray(value, dtype=float) for value in (bare_diameter, overall_diameter, pitch))
    filled = np.asarray(between, dtype=float)
    reach = np.maximum(p / d_o, 1.0) + filled * np.log(d_o / d_b) / np.asarray(permittivity, dtype=float)
    angle = np.arctan(np.sqrt((reach + 1) / (reach - 1)) * math.tan(half_angle / 2))
    per_length: np.ndarray = filled * EPSILON_0 * 2 / np.sqrt(reach**2 - 1) * angle
    return per_length


def layer_factor(
    *,
    bare_diameter: ArrayLike,
    overall_diameter: ArrayLike,
    gap: ArrayLike = 0.0,
    nesting: ArrayLike = 0.5,
    packing: ArrayLike = 0.85,
    permittivity: ArrayLike = 3.9,
    between: ArrayLike = 1.0,
) -> np.ndarray:
    """κ of `coil_capacitance` derived: κ = (4/3)·[(1 − ν)·c_square + 2ν·c_nested]/F.

    Layers wound back and forth hold (4/3)·C_L/n of energy between them; C_L is turns per layer times the cell of
    `turn_capacitance`, one neighbour above in a square stack (c over ±π/4), two in a nested one (c over ±π/6).

    Parameters
    ----------
    bare_diameter, overall_diameter : array_like, shape (...), m
    gap : array_like, shape (...), m
        Between the films of neighbouring turns.
    nesting : array_like, shape (...), 1
        ν, the part of the turns that lie in the grooves of the layer below.
    packing : array_like, shape (...), 1
    permittivity, between : array_like, shape (...), 1
        Of the film, and of what fills the gaps: air 1, wax 2.25.

    Returns
    -------
    ndarray, shape (...), 1

    Validity: layers; a coil wound at random has neighbours of any age. With gaps (mean 2 µm), film, pitch and
    roughness guessed, it has a median of 16.8, 68 % within 11 to 24.

    >>> touching = {"bare_diameter": 63.5e-6, "overall_diameter": 71.1e-6}
    >>> [float(layer_factor(**touching, nesting=part).round(1)) for part in (0.0, 1.0)]
    [16.7, 29.8]
    """
    d_o = np.asarray(overall_diameter, dtype=float)
    cells = [
        turn_capacitance(
            bare_diameter=bare_diameter,
            overall_diameter=d_o,
            permittivity=permittivity,
            pitch=d_o + np.asarray(gap, dtype=float),
            half_angle=half_angle,
            between=between,
        )
        / EPSILON_0
        for half_angle in (math.pi / 4, math.pi / 6)
    ]
    part = np.asarray(nesting, dtype=float)
    factor: np.ndarray = 4 / 3 * ((1 - part) * cells[0] + 2 * part * cells[1]) / np.asarray(packing, dtype=float)
    return factor


def tension_factor(*, tension: Tension, bare_diameter: ArrayLike, overall_diameter: ArrayLike) -> np.ndarray:
    """Return what the tension of the winding makes of its capacitance, 1 at the usual one.

    Parameters
    ----------
    tension : "tight", "usual" or "loose"
    bare_diameter, overall_diameter : array_like, shape (...), m
    """
    stack = {"bare_diameter": bare_diameter, "overall_diameter": overall_diameter}
    ratio: np.ndarray = layer_factor(**stack, gap=GAPS[tension].value) / layer_factor(**stack, gap=GAPS["usual"].value)
    return ratio


def wax_rise(*, tension: Tension, bare_diameter: ArrayLike, overall_diameter: ArrayLike) -> np.ndarray:
    """Return what wax in every gap adds to a coil's capacitance (some 0.3 of touching turns, 0.6 at 2 µm between them).

    Parameters
    ----------
    tension : "tight", "usual" or "loose"
    bare_diameter, overall_diameter : array_like, shape (...), m

    >>> wire = {"bare_diameter": 63.5e-6, "overall_diameter": 71.1e-6}
    >>> [float(wax_rise(tension=tension, **wire).round(2)) for tension in ("tight", "usual", "loose")]
    [0.46, 0.58, 0.77]
    """
    stack = {"bare_diameter": bare_diameter, "overall_diameter": overall_diameter, "gap": GAPS[tension].value}
    rise: np.ndarray = layer_factor(**stack, between=WAX_PERMITTIVITY) / layer_factor(**stack) - 1
    return rise


def pass_factor(*, turns_per_pass: ArrayLike, turns_per_layer: ArrayLike) -> np.ndarray:
    """Return what coarse passes of the wire guide make of the capacitance of perfect layers: (7 + p²)/8.

    p is the turns of one pass over those of a tight layer. A neighbour above is older by n² + (p·n)²/3 turns in the
    mean square; one beside it in the same layer belongs to another of its 1/p passes, drawn at random, and is older
    by (n² − (p·n)²)/6. At p = 1 that is the (4/3)·n² of layers wound back and forth.

    Parameters
    ----------
    turns_per_pass, turns_per_layer : array_like, shape (...), 1

    Returns
    -------
    ndarray, shape (...), 1
        1 for tight passes, at least 7/8: how the guide moves hardly matters, how loosely the turns lie does. Passes
        coarser than a layer is deep fall beside one another at random: an assumption, held against no measured coil.

    >>> float(pass_factor(turns_per_pass=40, turns_per_layer=155).round(2))
    0.88
    """
    part = np.minimum(np.asarray(turns_per_pass, dtype=float) / np.asarray(turns_per_layer, dtype=float), 1.0)
    factor: np.ndarray = (7 + part**2) / 8
    return factor


def cover_capacitance(
    *,
    perimeter: ArrayLike,
    mean_turn: ArrayLike,
    winding_height: ArrayLike,
    build_up: ArrayLike,
    gap: ArrayLike,
    side_gap: ArrayLike,
    inner: float,
    outer: float,
    flange: float = COVER_FLANGE,
) -> np.ndarray:
    """Capacitance that a grounded cover adds between the hot lead and ground.

    C = c·ε0·[P·h·v_o²/g + MTL·w·(v_i² + v_i·v_o + v_o²)/3/(g_air + t/ε_r)]: its side sees the outermost turns, its top
    all of them. c is 1.2 where the side counts and 1.45 where it does not.

    Parameters
    ----------
    perimeter, mean_turn, winding_height, build_up : array_like, shape (...), m
        Perimeter over the winding.
    gap, side_gap : array_like, shape (...), m
        From the winding to the cover above, where a flange of 1 mm (ε_r 3.5) lies in it as far as it is that wide, and
        to its walls.
    inner, outer : float
        Voltage at the inner and outer end of the coil, as parts of the pickup's.
    flange : float, m

    Returns
    -------
    ndarray, shape (...), F

    Validity: two-dimensional finite elements of two covers, 13.7 and 28.7 pF with the outer end hot, 3.0 and 3.9 with
    the inner one, are met within 13 %; holes, and covers that are not grounded, are left out.
    """
    distance = np.asarray(gap, dtype=float)
    air = np.maximum(distance - flange, 0.1e-3)
    solid = distance - air
    side = np.asarray(perimeter) * np.asarray(winding_height) * outer**2 / np.asarray(side_gap, dtype=float)
    spread = (inner**2 + inner * outer + outer**2) / 3
    top = np.asarray(mean_turn) * np.asarray(build_up) * spread / (air + np.maximum(solid, 0.0) / FLANGE_PERMITTIVITY)
    correction = COVER_SIDE if outer > inner else COVER_TOP
    capacitance: np.ndarray = correction * EPSILON_0 * (side + top)
    return capacitance


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
