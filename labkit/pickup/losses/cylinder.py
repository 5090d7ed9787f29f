"""Eddy currents in the poles: the conducting permeable cylinder exactly, and fitted R–L sections.

Inside a conducting rod the field sinks to a skin depth, so its permeability becomes complex and falls with frequency:
μ̃ = μ·2J₁(kR)/(kR·J₀(kR)), k = √(−jωμ0μ/ρ). Put into the added inductance N²S/(1/χ̃ + N_f) this gives core inductance
and loss at once. Circuits take fitted sections, each one inductor in parallel with one resistor,
L·(1 − Σ K·jω/(jω+ω_e)), which cannot create energy while K ≥ 0 and ΣK < 1.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.by_numpy import bessel_ratio
from labkit.core.errors import InputError
from labkit.core.validity import range_called
from labkit.pickup.electrical import EddySection
from labkit.pickup.magnetics.poles import core_inductance
from labkit.pickup.winding.inductance import MU_0

SKIN = range_called("skin_depth")

SECTIONS_ALNICO = 1
SECTIONS_STEEL = 3

FIT_LOW_HZ, FIT_HIGH_HZ = 50.0, 20_000.0
_FIT_POINTS = 48
_MOST_STEPS = 60
_GAIN, _CLOSE = 1e-4, 1e-14  # a step that gains less, or a sum of squares this small, ends the fit
_BEYOND = 8.0

MOST_LOST = 0.97
"""Bound of the sum of fitted fractions: a coil that loses more at some frequency is none."""


def cylinder_permeability(
    *, frequency_hz: ArrayLike, relative_permeability: ArrayLike, radius: ArrayLike, resistivity: ArrayLike
) -> np.ndarray:
    """Return the complex permeability of a long conducting cylinder in an axial field.

    μ̃ = μ·2J₁(kR)/(kR·J₀(kR)), k = √(−jωμ0μ/ρ); e^(jωt), so its imaginary part is negative.

    Parameters
    ----------
    frequency_hz : array_like, Hz
        0 or more.
    relative_permeability : array_like
    radius : array_like, m
    resistivity : array_like, Ω·m

    Returns
    -------
    ndarray, complex, broadcast

    Validity: skin depth from infinity to 1/2000 of the radius; end effects are left to N_f. Finite elements to 20 kHz
    differ by 3–6 % in the real part, 2 % (alnico) and 3–6 % (steel) in the imaginary part.
    """
    permeability = np.asarray(relative_permeability, dtype=float)
    omega = 2 * math.pi * np.asarray(frequency_hz, dtype=float)
    with np.errstate(invalid="ignore"):  # a negative frequency is refused with the rest
        SKIN.check(np.sqrt(omega * MU_0 * permeability / np.asarray(resistivity) / 2) * np.asarray(radius))
    argument = np.sqrt(-1j * omega * MU_0 * permeability / np.asarray(resistivity)) * np.asarray(radius)
    small = np.abs(argument) < 1e-4  # two terms of the series are exact to 1e-17 there
    safe = np.where(small, 1.0, argument)
    ratio = np.where(small, 1 + argument**2 / 8, 2 * bessel_ratio(safe) / safe)
    value: np.ndarray = permeability * ratio
    return value


def skin_depth(*, frequency_hz: ArrayLike, relative_permeability: ArrayLike, resistivity: ArrayLike) -> np.ndarray:
    """Return δ = √(ρ/(πfμ0μ)), m, broadcast.

    >>> float(skin_depth(frequency_hz=1000.0, relative_permeability=100.0, resistivity=1.5e-7).round(6))
    0.000616
    """
    product = math.pi * np.asarray(frequency_hz) * MU_0 * np.asarray(relative_permeability)
    depth: np.ndarray = np.sqrt(np.asarray(resistivity) / product)
    return depth


@dataclass(frozen=True, slots=True, kw_only=True)
class CoreInductance:
    """The inductance that conducting poles add, over frequency.

    Parameters
    ----------
    stored : float, H
        N²·S of `poles.PoleInductance`.
    demagnetising_factor : float
    relative_permeability : float
        Small-signal, above 1.
    radius : float, m
        Of a pole.
    resistivity : float, Ω·m
    """

    stored: float
    demagnetising_factor: float
    relative_permeability: float
    radius: float
    resistivity: float

    def __post_init__(self) -> None:
        if not self.relative_permeability > 1:
            raise InputError(f"permeability of a pole must be above 1; got {self.relative_permeability}")
        for name, unit in (("stored", "H"), ("radius", "m"), ("resistivity", "Ω·m")):
            if not 0 < getattr(self, name) < math.inf:
                raise InputError(f"a core's {name} must be above 0 {unit}; got {getattr(self, name)} {unit}")
        if not 0 <= self.demagnetising_factor < 1:
            raise InputError(f"a demagnetising factor lies in 0 … 1; got {self.demagnetising_factor}")

    def inductance(self, frequency_hz: ArrayLike) -> np.ndarray:
        """Return the complex added inductance, H; −ω times its imaginary part is the added series resistance."""
        permeability = cylinder_permeability(
            frequency_hz=frequency_hz,
            relative_permeability=self.relative_permeability,
            radius=self.radius,
            resistivity=self.resistivity,
        )
        return core_inductance(
            stored=self.stored, demagnetising_factor=self.demagnetising_factor, susceptibility=permeability - 1
        )

    @property
    def low_frequency(self) -> float:
        """Added inductance at 0 Hz, H."""
        return float(
            core_inductance(
                stored=self.stored,
                demagnetising_factor=self.demagnetising_factor,
                susceptibility=self.relative_permeability - 1,
            )
        )


def added_resistance(*, frequency_hz: ArrayLike, inductance: ArrayLike) -> np.ndarray:
    """Return the series resistance −ω·Im L̃ that a complex inductance stands for, Ω."""
    value: np.ndarray = -2 * math.pi * np.asarray(frequency_hz) * np.imag(np.asarray(inductance))
    return value


def fit_sections(
    inductance_of: Callable[[np.ndarray], np.ndarray],
    *,
    low_frequency: float,
    count: int,
    low_hz: float = FIT_LOW_HZ,
    high_hz: float = FIT_HIGH_HZ,
    most: float = MOST_LOST,
) -> tuple[EddySection, ...]:
    """Return R–L sections that follow a complex inductance over a band of frequencies.

    Least squares on (fit − exact)/|exact| by Levenberg–Marquardt over ln f_e and a form of K in which no fraction can
    become negative nor their sum reach ``most``. Corners stay within a factor 8 of the band: far above it only K/f_e
    shows, and K would run off.

    Parameters
    ----------
    inductance_of : callable
        ``inductance_of(frequency_hz) -> complex``, H; the whole coil with core, and with plates if wanted.
    low_frequency : float, H
        Its value at 0 Hz, kept exactly.
    count : int
        Sections: 1 for alnico, 3 for steel.
    low_hz, high_hz : float, Hz
        Band of the fit.
    most : float
        Bound of the sum of fractions, below 1; a pair needs what carries its coupling left over.

    Returns
    -------
    tuple of EddySection
        Rising corner frequency; empty where nothing is lost.

    Raises
    ------
    InputError
        If the given inductance is active somewhere, or ``most`` leaves no room.
    """
    if count < 1:
        raise InputError(f"a fit needs at least 1 section; got {count}")
    frequency = np.geomspace(low_hz, high_hz, _FIT_POINTS)
    wanted = np.asarray(inductance_of(frequency))
    if np.max(wanted.imag) > 1e-9 * low_frequency:
        raise InputError("this inductance gives energy away at some frequency; a passive core or plate cannot")
    lost = 1 - wanted / low_frequency
    if np.max(np.abs(lost)) < 1e-6:
        return ()
    weight = low_frequency / np.abs(wanted)
    bounds = np.log(low_hz / _BEYOND), np.log(high_hz * _BEYOND)
    if not 0 < most < 1:
        raise InputError(f"`most`, the largest sum of the sections' fractions, must lie between 0 and 1; got {most:g}")
    fraction, corner = _levenberg(frequency, lost, weight, _starts(frequency, lost, count, most), bounds, most)
    kept = sorted(zip(corner, fraction, strict=True))
    return tuple(EddySection(fraction=float(k), corner_hz=float(f)) for f, k in kept)


def _starts(frequency: np.ndarray, lost: np.ndarray, count: int, most: float) -> np.ndarray:
    """First guess: corners spread around the frequency of greatest loss, the real part at the top shared out."""
    middle = frequency[int(np.argmax(lost.imag))]
    spread = middle * 4.0 ** np.arange(count) if count > 1 else np.array([middle])
    whole = min(max(float(lost.real[-1]), float(np.max(np.abs(lost)))), 0.9 * most)
    share = np.full(count, whole / count / (most - whole))  # K_i = most·e^a_i/(1 + Σe^a)
    start: np.ndarray = np.log(np.concatenate([share, spread]))
    return start


def _levenberg(
    frequency: np.ndarray,
    lost: np.ndarray,
    weight: np.ndarray,
    start: np.ndarray,
    bounds: tuple[float, float],
    most: float,
) -> tuple[np.ndarray, np.ndarray]:
    half = start.size // 2
    jf = 1j * frequency[:, None]

    def split(values: np.ndarray) -> np.ndarray:
        weighted = weight[:, None] * values
        parts: np.ndarray = np.concatenate([weighted.real, weighted.imag])
        return parts

    def fractions(point: np.ndarray) -> np.ndarray:
        raised = np.exp(point[:half])
        bounded: np.ndarray = most * raised / (1 + raised.sum())
        return bounded

    def model(point: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        fraction, corner = fractions(point), np.exp(point[half:])
        terms = fraction * jf / (jf + corner)
        total = terms.sum(axis=1)[:, None]
        residual = split(total - lost[:, None])[:, 0]
        by_fraction = terms - total * fraction / most
        slope = split(np.concatenate([by_fraction, -terms * corner / (jf + corner)], axis=1))
        return residual, slope

    point, damping = start, 1e-2
    residual, slope = model(point)
    for _ in range(_MOST_STEPS):
        normal, gradient = slope.T @ slope, slope.T @ residual
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), -gradient)
        trial = point + np.clip(step, -2.0, 2.0)
        trial[half:] = np.clip(trial[half:], *bounds)
        trial_residual, trial_slope = model(trial)
        gain = float(residual @ residual - trial_residual @ trial_residual)
        if gain > 0:
            point, residual, slope, damping = trial, trial_residual, trial_slope, damping / 4
            left = float(residual @ residual)
            if gain < _GAIN * left or left < _CLOSE:
                break
        else:
            damping *= 6
            if damping > 1e8:
                break
    return fractions(point), np.exp(point[half:])
