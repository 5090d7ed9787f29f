"""The string itself: its note, how fast a pluck moves it, how partials die away, and what the pull of magnets does.

Lengths in metres, masses in kg/m, x from the bridge.
"""

from __future__ import annotations

import math
import re

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError

CENTS = 1200 / math.log(2)

AIR_VISCOSITY, AIR_DENSITY = 1.8e-5, 1.2
"""Of air at room temperature, Pa·s and kg/m³ (from memory)."""

VISCOELASTIC_LOSS = 4e-3
"""Loss angle of string steel in bending (from memory)."""

FRICTION_LOSS = {False: 1e-4, True: 3e-4}
"""1/Q that does not depend on frequency, of plain and wound strings (from memory)."""

NECK_CONDUCTANCE = 1e-3
"""Real part of the mobility at the fret, s/kg, away from a dead spot; 1e-2 in one (from memory)."""

SIDEWAYS_STIFFNESS = 0.31
"""K_x, what the pull adds to a string's stiffness along the row, over K_z (0.28 to 0.35 over rods at 2 and 3 mm)."""

_SEMITONE = {"C": -9, "D": -7, "E": -5, "F": -4, "G": -2, "A": 0, "B": 2}


def note_frequency(note: str) -> float:
    """Return the equal-tempered frequency of a note such as ``E2``, ``F#3`` or ``Bb1``, Hz (A4 = 440 Hz, ISO 16).

    >>> round(note_frequency("E2"), 2)
    82.41
    """
    match = re.fullmatch(r"([A-Ga-g])([#♯b♭]?)(-?\d)", note.strip())
    if match is None:
        raise InputError(
            f"a note must be a letter, an optional # or b, and an octave, like 'E2' or 'F#3'; got {note!r}"
        )
    letter, accidental, octave = match.groups()
    step = _SEMITONE[letter.upper()] + {"#": 1, "♯": 1, "b": -1, "♭": -1}.get(accidental, 0)
    return float(440.0 * 2.0 ** ((step + 12 * (int(octave) - 4)) / 12.0))


def pluck_velocity(*, frequency_hz: ArrayLike, displacement: ArrayLike, part: ArrayLike) -> np.ndarray:
    """Return the greatest velocity of a string in the first cycle after it is let go, f0·y/(p(1 − p)), m/s.

    The two halves of the triangle run apart at the speed of waves 2ℓf0; where they cross a point its velocity is half
    the speed times the sum of both slopes, wherever the point lies.

    Parameters
    ----------
    frequency_hz : array_like, Hz
    displacement : array_like, m
    part : array_like
        p, place of the pluck from the bridge over the speaking length.

    >>> float(pluck_velocity(frequency_hz=100.0, displacement=1e-3, part=0.2).round(4))
    0.625
    """
    p = np.asarray(part, dtype=float)
    velocity: np.ndarray = np.asarray(frequency_hz) * np.asarray(displacement) / (p * (1 - p))
    return velocity


def damping(
    frequency_hz: ArrayLike,
    *,
    fundamental_hz: float,
    mass_per_length: float,
    tension_n: float,
    diameter: float,
    stiff_diameter: float,
    modulus_pa: float,
    is_wound: bool,
    conductance: float = NECK_CONDUCTANCE,
) -> np.ndarray:
    """Return how fast the partials of a string die away, 1/τ, 1/s.

    1/τ = R/(2m) + πf·(Q_ve⁻¹ + Q_f⁻¹) + 2f0·Z·G: air friction R = 2πη + 2πd·√(πηρf), bending losses
    Q_ve⁻¹ = 4π²·m·E·I·δ·f²/T², friction Q_f⁻¹, and what neck and body of conductance G take at the fret, Z = √(T·m).

    Parameters
    ----------
    frequency_hz : array_like, Hz
    fundamental_hz : float, Hz
    mass_per_length, tension_n : float, kg/m and N
    diameter, stiff_diameter : float, m
        Over the wrap; of the wire that bends.
    modulus_pa : float, Pa
    is_wound : bool
    conductance : float, s/kg
        G.

    Returns
    -------
    ndarray, 1/s

    Validity: form and numbers from memory; no table of measured decay by partial was found. Pickups add nothing to it
    (string resistance about 1e-4 N·s/m against 1e-9 of a loaded coil, an estimate by hand).

    Source: C. Valette, "The Mechanics of Vibrating Strings", in Mechanics of Musical Instruments, 1995, for the form;
    "Predicting the decay time of solid body electric guitar tones" for the neck as the leading loss (abstract read).
    """
    f = np.asarray(frequency_hz, dtype=float)
    air = 2 * math.pi * AIR_VISCOSITY + 2 * math.pi * diameter * np.sqrt(math.pi * AIR_VISCOSITY * AIR_DENSITY * f)
    second_moment = math.pi * stiff_diameter**4 / 64
    bending = 4 * math.pi**2 * mass_per_length * modulus_pa * second_moment * VISCOELASTIC_LOSS * f**2 / tension_n**2
    neck = 2 * fundamental_hz * math.sqrt(tension_n * mass_per_length) * conductance
    rate: np.ndarray = air / (2 * mass_per_length) + math.pi * f * (bending + FRICTION_LOSS[is_wound]) + neck
    return rate


def detuning_cents(
    *,
    stiffness: ArrayLike,
    number: ArrayLike,
    part: ArrayLike,
    mass_per_length: float,
    length: float,
    frequency_hz: ArrayLike,
) -> np.ndarray:
    """Return how far magnets under a string move a partial, cents: −1731·K·sin²(nπx/ℓ)/(m·ℓ·ω_n²).

    Parameters
    ----------
    stiffness : array_like, N/m
        K_z of `labkit.pickup.string.response.pull_stiffness`.
    number : array_like
        n.
    part : array_like
        x/ℓ, place of the pickup from the bridge over the speaking length.
    mass_per_length, length : float, kg/m and m
    frequency_hz : array_like, Hz
        Of the partial.
    """
    shape = np.sin(np.asarray(number) * math.pi * np.asarray(part)) ** 2
    omega = 2 * math.pi * np.asarray(frequency_hz, dtype=float)
    cents: np.ndarray = -CENTS * np.asarray(stiffness) * shape / (mass_per_length * length * omega**2)
    return cents


def splitting_hz(
    *, stiffness: ArrayLike, part: ArrayLike, mass_per_length: float, length: float, frequency_hz: ArrayLike
) -> np.ndarray:
    """Return how far apart the two polarisations of a string's first partial stand over magnets, Hz.

    (K_z + K_x)·sin²(πx/ℓ)/(4π²·m·ℓ·f0): the pull softens motion towards the poles and stiffens motion along the row.

    Parameters
    ----------
    stiffness, part, mass_per_length, length
        As `detuning_cents`; `SIDEWAYS_STIFFNESS` gives K_x.
    frequency_hz : array_like, Hz
        f0.
    """
    shape = np.sin(math.pi * np.asarray(part)) ** 2
    both = (1 + SIDEWAYS_STIFFNESS) * np.asarray(stiffness)
    apart: np.ndarray = both * shape / (4 * math.pi**2 * mass_per_length * length * np.asarray(frequency_hz))
    return apart
