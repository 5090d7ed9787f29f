"""Formulas of an obround winding as functions on arrays: build-up, mean turn, resistance, and their inverses.

Straights of length a, inner end radius r0, height h between the flanges; N turns of wire of bare diameter d_b and
overall diameter d_o, packed so that a turn takes d_o²/F of the section (F = 1: square packing).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from labkit.pickup.materials.wire import copper_resistivity

USUAL_PACKING = 0.85
"""Packing of a machine-wound coil; 0.75 is heavy scatter, 0.95 tight layers (common practice, no source)."""


def build_up(
    *, turns: ArrayLike, overall_diameter: ArrayLike, winding_height: ArrayLike, packing: ArrayLike = USUAL_PACKING
) -> np.ndarray:
    """Radial depth of the winding: w = N·d_o²/(F·h), and never less than one wire, d_o.

    Parameters
    ----------
    turns : array_like, shape (...), 1
    overall_diameter, winding_height : array_like, shape (...), m
    packing : array_like, shape (...), 1

    Returns
    -------
    ndarray, shape (...), m

    >>> float(build_up(turns=8000, overall_diameter=71.1e-6, winding_height=11e-3).round(5))
    0.00433
    """
    wire = np.asarray(overall_diameter, dtype=float)
    depth: np.ndarray = np.maximum(np.asarray(turns, dtype=float) * _growth(wire, winding_height, packing), wire)
    return depth


def _growth(overall_diameter: ArrayLike, winding_height: ArrayLike, packing: ArrayLike) -> np.ndarray:
    """Depth that a turn adds to a winding of many layers, d_o²/(F·h), m."""
    growth: np.ndarray = np.asarray(overall_diameter, dtype=float) ** 2 / (
        np.asarray(packing, dtype=float) * np.asarray(winding_height, dtype=float)
    )
    return growth


def mean_turn(*, straight_length: ArrayLike, end_radius: ArrayLike, build_up: ArrayLike) -> np.ndarray:
    """Mean length of a turn: MTL = 2a + 2π(r0 + w/2).

    Parameters
    ----------
    straight_length, end_radius, build_up : array_like, shape (...), m

    Returns
    -------
    ndarray, shape (...), m

    >>> float(mean_turn(straight_length=52e-3, end_radius=2.5e-3, build_up=4.33e-3).round(4))
    0.1333
    """
    radius = np.asarray(end_radius, dtype=float) + np.asarray(build_up, dtype=float) / 2
    length: np.ndarray = 2 * np.asarray(straight_length, dtype=float) + 2 * math.pi * radius
    return length


def turn_area(*, straight_length: ArrayLike, end_radius: ArrayLike, build_up: ArrayLike) -> np.ndarray:
    """Mean area of a turn over the build-up: a·q + π(r0² + r0·w + w²/3), q = 2·r0 + w.

    Parameters
    ----------
    straight_length, end_radius, build_up : array_like, shape (...), m

    Returns
    -------
    ndarray, shape (...), m²
    """
    a, r0, w = (np.asarray(value, dtype=float) for value in (straight_length, end_radius, build_up))
    area: np.ndarray = a * (2 * r0 + w) + math.pi * (r0**2 + r0 * w + w**2 / 3)
    return area


def coil_resistance(
    *,
    wire_length: ArrayLike,
    bare_diameter: ArrayLike,
    temperature_c: ArrayLike = 20.0,
    stretch: ArrayLike = 0.0,
    resistivity_20: ArrayLike | None = None,
) -> np.ndarray:
    """DC resistance of a wound length of copper: R = ρ(T)·ℓ·(1 + s)/(π·d_b²/4).

    Parameters
    ----------
    wire_length : array_like, shape (...), m
        In the finished coil, N·MTL.
    bare_diameter : array_like, shape (...), m
        As supplied, before winding.
    temperature_c : array_like, shape (...), °C
    stretch : array_like, shape (...), 1
        Elongation by the winding tension, 0 … 1.5 %. The length is that of the finished coil, so only the thinned
        section counts; against the length taken off the spool the factor would be (1 + s)².
    resistivity_20 : array_like, optional, Ω·m
        At 20 °C; IEC 60028 when left out.

    Returns
    -------
    ndarray, shape (...), Ω

    >>> length = 8000 * mean_turn(straight_length=52e-3, end_radius=2.5e-3, build_up=4.325e-3)
    >>> coil_resistance(wire_length=length, bare_diameter=63.5e-6, temperature_c=[0, 20, 40]).round(0).tolist()
    [5349.0, 5805.0, 6262.0]
    """
    section = math.pi * np.asarray(bare_diameter, dtype=float) ** 2 / 4
    resistivity = copper_resistivity(temperature_c=temperature_c, at_20=resistivity_20)
    resistance: np.ndarray = resistivity * np.asarray(wire_length, dtype=float) * (1 + np.asarray(stretch)) / section
    return resistance


def turns_for_build_up(
    *, build_up: ArrayLike, overall_diameter: ArrayLike, winding_height: ArrayLike, packing: ArrayLike = USUAL_PACKING
) -> np.ndarray:
    """Turns that fill a build-up: N = w·F·h/d_o², not rounded.

    Parameters
    ----------
    build_up, overall_diameter, winding_height : array_like, shape (...), m
    packing : array_like, shape (...), 1

    Returns
    -------
    ndarray, shape (...), 1
    """
    turns: np.ndarray = (
        np.asarray(build_up, dtype=float)
        * np.asarray(packing, dtype=float)
        * np.asarray(winding_height, dtype=float)
        / np.asarray(overall_diameter, dtype=float) ** 2
    )
    return turns


def turns_for_wire_length(
    *,
    wire_length: ArrayLike,
    straight_length: ArrayLike,
    end_radius: ArrayLike,
    winding_height: ArrayLike,
    overall_diameter: ArrayLike,
    packing: ArrayLike = USUAL_PACKING,
) -> np.ndarray:
    """Turns that a length of wire makes: the positive root of N·(2a + 2π·r0 + π·N·d_o²/(F·h)) = ℓ.

    Parameters
    ----------
    wire_length, straight_length, end_radius, winding_height, overall_diameter : array_like, shape (...), m
    packing : array_like, shape (...), 1

    Returns
    -------
    ndarray, shape (...), 1
        Not rounded; of a part layer, as `build_up` has it, the wire itself is the build-up. The same root gives the
        turns for a target resistance and the turns already on a broken coil.
    """
    length = np.asarray(wire_length, dtype=float)
    first = mean_turn(straight_length=straight_length, end_radius=end_radius, build_up=0.0)
    growth = math.pi * _growth(overall_diameter, winding_height, packing)
    # 2ℓ/(b + √(b² + 4gℓ)): the form that loses no digits when the build-up hardly matters
    turns = 2 * length / (first + np.sqrt(first**2 + 4 * growth * length))
    wire = np.asarray(overall_diameter, dtype=float)
    few: np.ndarray = length / (first + math.pi * wire)  # a part layer is one wire thick
    return np.where(turns * growth < math.pi * wire, few, turns)
