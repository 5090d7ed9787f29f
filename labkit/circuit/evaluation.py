"""Numbers out of a rational function: value, roots and exact derivatives, in a scaled frequency.

Coefficients of a circuit's polynomials differ by hundreds of decades in SI; everything here works on s/ω₀ with the
largest coefficient scaled to one, term values being formed through logarithms so that nothing over- or underflows.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from labkit.circuit.polynomial import Polynomial, Rational, roots
from labkit.core.grid import REFERENCE_HZ
from labkit.core.response import Peak

SCALE_RAD = 2 * math.pi * 2000.0
"""ω₀, rad/s: the middle of where pickups resonate."""


@dataclass(frozen=True, slots=True)
class _Side:
    """Numerator or denominator: coefficients over powers of s/ω₀, and x·∂/∂x of them for each generator."""

    coefficients: np.ndarray
    slopes: Mapping[str, np.ndarray]
    log_factor: float
    """Natural logarithm of what the coefficients were divided by."""

    @classmethod
    def of(cls, polynomial: Polynomial, values: Mapping[str, float]) -> _Side:
        size = polynomial.degree + 1
        names = polynomial.generators[1:]
        if not polynomial.terms:
            return cls(np.zeros(1), {name: np.zeros(1) for name in names}, 0.0)
        powers = np.array(list(polynomial.terms), dtype=float)
        signs = np.array([1.0 if value > 0 else -1.0 for value in polynomial.terms.values()])
        logs = np.array([_log(value) for value in polynomial.terms.values()])
        numbers = np.array([values[name] for name in names])
        signs = signs * np.prod(np.where(numbers < 0, -1.0, 1.0) ** powers[:, 1:], axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            per_generator = powers[:, 1:] * np.log(np.abs(numbers))
        logs = logs + np.where(powers[:, 1:] > 0, per_generator, 0.0).sum(axis=1) + powers[:, 0] * math.log(SCALE_RAD)
        largest = float(np.max(logs))
        terms = signs * np.exp(logs - largest)
        places = powers[:, 0].astype(int)
        slopes = {name: np.bincount(places, terms * powers[:, 1 + at], minlength=size) for at, name in enumerate(names)}
        return cls(np.bincount(places, terms, minlength=size), slopes, largest)

    def value(self, x: np.ndarray | complex, order: int = 0) -> np.ndarray:
        """The polynomial, or a derivative, at x = s/ω₀."""
        return _horner(self.coefficients, x, order)

    def slope(self, x: np.ndarray | complex, weights: Mapping[str, float], order: int = 0) -> np.ndarray:
        """Σ weight·x_i·∂/∂x_i of the polynomial, or of a derivative."""
        total = np.zeros_like(self.coefficients)
        for name, weight in weights.items():
            if name in self.slopes:
                total = total + weight * self.slopes[name]
        return _horner(total, x, order)


@dataclass(frozen=True, slots=True)
class Scaled:
    """A rational function with numbers in place, ready to be evaluated; made by `Scaled.of`."""

    numerator: _Side
    denominator: _Side

    @classmethod
    def of(cls, rational: Rational, values: Mapping[str, float]) -> Scaled:
        """Put values (SI, by generator) into a rational function."""
        return cls(_Side.of(rational.numerator, values), _Side.of(rational.denominator, values))

    @property
    def _factor(self) -> float:
        return math.exp(self.numerator.log_factor - self.denominator.log_factor)

    def at(self, s: np.ndarray) -> np.ndarray:
        """Return the value at complex frequencies, rad/s."""
        x = np.asarray(s) / SCALE_RAD
        result: np.ndarray = self._factor * self.numerator.value(x) / self.denominator.value(x)
        return result

    def numerator_roots(self) -> np.ndarray:
        """Zeros, rad/s."""
        return roots(list(self.numerator.coefficients)) * SCALE_RAD

    def denominator_roots(self) -> np.ndarray:
        """Poles, rad/s."""
        return roots(list(self.denominator.coefficients)) * SCALE_RAD

    def leading_ratio(self) -> float:
        """Ratio of the leading coefficients, in SI."""
        above, below = (np.trim_zeros(side.coefficients, "b") for side in (self.numerator, self.denominator))
        if not above.size:
            return 0.0
        return float(self._factor * above[-1] / below[-1] * SCALE_RAD ** (below.size - above.size))

    def residue(self, pole: complex) -> complex:
        """Return the residue at a simple pole, rad/s times the unit of the function."""
        x = pole / SCALE_RAD
        return complex(self._factor * self.numerator.value(x) / self.denominator.value(x, 1) * SCALE_RAD)

    def pole_shift(self, pole: complex, weights: Mapping[str, float]) -> complex:
        """Return dp per relative change, rad/s: −(x·∂D/∂x)/(∂D/∂s) at the pole."""
        x = pole / SCALE_RAD
        return complex(-self.denominator.slope(x, weights) / self.denominator.value(x, 1) * SCALE_RAD)

    def log_gain_slope(self, omega: float, weights: Mapping[str, float]) -> float:
        """Return d ln|H| per relative change at a frequency, rad/s."""
        x = 1j * omega / SCALE_RAD
        change = 0.0 + 0.0j
        for side, sign in ((self.numerator, 1), (self.denominator, -1)):
            change += sign * complex(side.slope(x, weights) / side.value(x))
        return change.real

    def peak_shift(self, omega: float, weights: Mapping[str, float]) -> float:
        """Return dω per relative change of the maximum at ω: −(∂²g/∂ω∂x)/(∂²g/∂ω²) with g = ln|H|."""
        x = 1j * omega / SCALE_RAD
        bend = mixed = 0.0 + 0.0j
        for side, sign in ((self.numerator, 1), (self.denominator, -1)):
            value, first, second = (complex(side.value(x, order)) for order in (0, 1, 2))
            change, change_first = (complex(side.slope(x, weights, order)) for order in (0, 1))
            bend += sign * (second / value - (first / value) ** 2)
            mixed += sign * (change_first / value - change * first / value**2)
        # ∂/∂ω = j·∂/∂s: once for the mixed derivative, twice for the bend.
        return float(-(1j * mixed).real / (-bend).real * SCALE_RAD)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivity:
    """What a relative change of one part does, to first order and exactly at the present values.

    Attributes
    ----------
    part : str
    resonance : float or None
        d ln(f) / d ln(part) of the dominant pole pair: +0.5 means that +1 % moves it by +0.5 %.
    q : float or None
        d ln(Q) / d ln(part) of that pair.
    peak_frequency : float or None
        d ln(f) / d ln(part) of the maximum of the curve.
    peak_db_per_percent : float or None
        Change of the peak's gain, dB per +1 % of the part.
    height_db_per_percent : float or None
        Change of the peak's height over 100 Hz, dB per +1 % of the part.
    """

    part: str
    resonance: float | None
    q: float | None
    peak_frequency: float | None
    peak_db_per_percent: float | None
    height_db_per_percent: float | None


def sensitivity(
    part: str, scaled: Scaled, weights: Mapping[str, float], pole: complex | None, peak: Peak | None
) -> Sensitivity:
    """Return the sensitivities of a pole pair and of a maximum to one part.

    Parameters
    ----------
    part : str
    scaled : Scaled
    weights : mapping of str to float
        d ln(generator) / d ln(part).
    pole : complex or None, rad/s
    peak : Peak or None
    """
    resonance = q = peak_frequency = at_peak = height = None
    if pole is not None:
        shift = scaled.pole_shift(pole, weights)
        resonance = (shift / pole).real
        q = resonance - shift.real / pole.real
    if peak is not None:
        omega = 2 * math.pi * peak.frequency_hz
        decibels = 20 / math.log(10) / 100
        at_peak = decibels * scaled.log_gain_slope(omega, weights)
        height = at_peak - decibels * scaled.log_gain_slope(2 * math.pi * REFERENCE_HZ, weights)
        peak_frequency = scaled.peak_shift(omega, weights) / omega
    return Sensitivity(
        part=part,
        resonance=resonance,
        q=q,
        peak_frequency=peak_frequency,
        peak_db_per_percent=at_peak,
        height_db_per_percent=height,
    )


def _log(value: Fraction) -> float:
    return math.log(abs(value.numerator)) - math.log(value.denominator)


def _horner(coefficients: np.ndarray, x: np.ndarray | complex, order: int) -> np.ndarray:
    for _ in range(order):
        coefficients = coefficients[1:] * np.arange(1, coefficients.size)
    total = np.zeros_like(np.asarray(x), dtype=complex)
    for coefficient in coefficients[::-1]:
        total = total * x + coefficient
    return total
