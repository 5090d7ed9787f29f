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

from labkit.circuit.formula.polynomial import Polynomial, Rational, roots
from labkit.circuit.formula.reduction import Driven, ReducedNetwork

UNIT_OHM = 8192.0
"""Impedances are measured in this unit, so that voltages and currents are of one size and LU loses nothing."""


@dataclass(frozen=True, slots=True)
class _Stamp:
    """One branch: y·``injects``·(``across``·x + ``constant``); a coupled one has its current as an unknown."""

    kind: str
    value: float
    injects: np.ndarray
    across: np.ndarray
    constant: float
    current: int | None

    def admittance(self, s: complex, order: int = 0) -> complex:
        """Admittance, or its derivative by s, in units of 1/`UNIT_OHM`."""
        if self.kind == "R":
            return UNIT_OHM / self.value if order == 0 else 0.0
        if self.kind == "C":
            return UNIT_OHM * self.value * (s if order == 0 else 1.0)
        inverse = UNIT_OHM / self.value
        return inverse / s if order == 0 else -inverse / s**2


class Adjoint:
    """A network in numbers, with the EMFs' weights, or with a test current where ``weights`` is None.

    Parameters
    ----------
    network : ReducedNetwork
    weights : mapping of str to float, or None
        EMF of each source, V; None asks for the output impedance.
    """

    def __init__(self, network: ReducedNetwork, weights: Mapping[str, float] | None) -> None:
        self.network = network
        self.weights = weights or {}
        self.stages = {stage.name: stage for stage in network.stages}
        coupled = sorted({place for mutual in network.mutuals for place in (mutual.first, mutual.second)})
        self.current = {place: network.size - 1 + at for at, place in enumerate(coupled)}
        self.size = network.size - 1 + len(coupled)
        self.stamps = [self._stamp(place) for place in range(len(network.branches))]
        self.mutual = [
            mutual.coefficient
            * np.sqrt(network.branches[mutual.first].value * network.branches[mutual.second].value)
            / UNIT_OHM
            for mutual in network.mutuals
        ]
        self.reads, _ = self._form(network.output.root, network.output.driven)
        self.test = np.zeros(self.size)
        if weights is None and network.output.root:
            self.test[network.output.root - 1] = UNIT_OHM

    def log_slopes(self, s: complex, value: complex) -> tuple[dict[str, complex], dict[str, complex]]:
        """Return ∂ln V/∂ln x and ∂²ln V/∂s∂ln x for every branch and mutual inductance, by code.

        Parameters
        ----------
        s : complex, rad/s
        value : complex
            V at s.
        """
        matrix, by_s = self._matrix(s), self._matrix(s, 1)
        driven = self._driven(s)
        x = np.linalg.solve(matrix, driven + self.test)
        w = np.linalg.solve(matrix.T, self.reads.astype(complex))
        x_s = np.linalg.solve(matrix, self._driven(s, 1) - by_s @ x)
        w_s = -np.linalg.solve(matrix.T, by_s.T @ w)
        value_s = complex(self.reads @ x_s)
        first, mixed = {}, {}
        for code in self._codes():
            change = self._change(code, s, x)
            slope = -complex(w @ change)
            by_both = -complex(w_s @ change + w @ (self._change(code, s, x, 1) + self._change(code, s, x_s, 0, False)))
            first[code] = slope / value
            mixed[code] = by_both / value - slope * value_s / value**2
        return first, mixed

    def pole_shifts(self, pole: complex) -> dict[str, complex]:
        """Return dp/d ln x, rad/s, for every branch and mutual inductance, by code."""
        matrix = self._matrix(pole)
        scale = 1 / np.max(np.abs(matrix), axis=1)
        left, _, right = np.linalg.svd(matrix * scale[:, None])
        u, v = left[:, -1].conj() * scale, right[-1].conj()
        slope = complex(u @ (self._matrix(pole, 1) @ v))
        return {code: -complex(u @ self._change(code, pole, v, 0, False)) / slope for code in self._codes()}

    def _codes(self) -> list[str]:
        return [*(f"x{place}" for place in range(len(self.stamps))), *(f"m{at}" for at in range(len(self.mutual)))]

    def _change(self, code: str, s: complex, x: np.ndarray, order: int = 0, constant: bool = True) -> np.ndarray:
        """∂A/∂ln(value)·x − ∂b/∂ln(value), or its explicit derivative by s."""
        place = int(code[1:])
        change = np.zeros(self.size, dtype=complex)
        factor = s if order == 0 else 1.0
        if code[0] == "m":
            mutual = self.network.mutuals[place]
            one, two = self.current[mutual.first], self.current[mutual.second]
            change[one] = -factor * self.mutual[place] * x[two]
            change[two] = -factor * self.mutual[place] * x[one]
            return change
        stamp = self.stamps[place]
        if stamp.current is not None:
            change[stamp.current] = -factor * stamp.value / UNIT_OHM * x[stamp.current]
            return change
        sign = 1 if stamp.kind == "C" else -1
        voltage = stamp.across @ x + (stamp.constant if constant else 0.0)
        change += sign * stamp.admittance(s, order) * stamp.injects * voltage
        return change

    def _matrix(self, s: complex, order: int = 0) -> np.ndarray:
        matrix = np.zeros((self.size, self.size), dtype=complex)
        factor = s if order == 0 else 1.0
        for stamp in self.stamps:
            if stamp.current is None:
                matrix += stamp.admittance(s, order) * np.outer(stamp.injects, stamp.across)
                continue
            if order == 0:
                matrix[:, stamp.current] += stamp.injects
                matrix[stamp.current] += stamp.across
            matrix[stamp.current, stamp.current] -= factor * stamp.value / UNIT_OHM
        for mutual, value in zip(self.network.mutuals, self.mutual):
            one, two = self.current[mutual.first], self.current[mutual.second]
            matrix[one, two] -= factor * value
            matrix[two, one] -= factor * value
        return matrix

    def _driven(self, s: complex, order: int = 0) -> np.ndarray:
        side = np.zeros(self.size, dtype=complex)
        for stamp in self.stamps:
            if stamp.current is None:
                side -= stamp.admittance(s, order) * stamp.injects * stamp.constant
            elif order == 0:
                side[stamp.current] -= stamp.constant
        return side

    def _stamp(self, place: int) -> _Stamp:
        branch = self.network.branches[place]
        across, constant = self._form(0, branch.driven)
        injects = np.zeros(self.size)
        for root, sign in ((branch.start, 1.0), (branch.end, -1.0)):
            if root:
                across[root - 1] += sign
                injects[root - 1] += sign
        return _Stamp(branch.kind, branch.value, injects, across, constant, self.current.get(place))

    def _form(self, root: int, driven: Driven) -> tuple[np.ndarray, float]:
        """A voltage as coefficients of the unknowns and what the EMFs contribute."""
        unknown, constant = np.zeros(self.size), 0.0
        if root:
            unknown[root - 1] = 1.0
        for name, sign in driven:
            stage = self.stages.get(name)
            if stage is None:
                constant += sign * self.weights.get(name, 0.0)
                continue
            for voltage, gain in zip(stage.voltages, (stage.gain, -stage.gain)):
                below, rest = self._form(voltage.root, voltage.driven)
                unknown = unknown + sign * gain * below
                constant += sign * gain * rest
        return unknown, constant


SCALE_RAD = 2 * math.pi * 2000.0
"""ω₀, rad/s: the middle of where pickups resonate."""


@dataclass(frozen=True, slots=True)
class _Side:
    """Numerator or denominator: coefficients over powers of s/ω₀."""

    coefficients: np.ndarray
    log_factor: float
    """Natural logarithm of what the coefficients were divided by."""

    @classmethod
    def of(cls, polynomial: Polynomial, values: Mapping[str, float]) -> _Side:
        names = polynomial.generators[1:]
        if not polynomial.terms:
            return cls(np.zeros(1), 0.0)
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
        return cls(np.bincount(powers[:, 0].astype(int), terms, minlength=polynomial.degree + 1), largest)

    def in_si(self) -> list[float]:
        """Coefficients over powers of s in rad/s, still divided by the factor."""
        powers = np.arange(self.coefficients.size)
        return [float(value) for value in self.coefficients / SCALE_RAD**powers]

    def value(self, x: np.ndarray | complex, order: int = 0) -> np.ndarray:
        """The polynomial, or a derivative, at x = s/ω₀."""
        return _horner(self.coefficients, x, order)


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

    def bend(self, omega: float) -> float:
        """Return ∂²ln|H|/∂ω² at a frequency, s²."""
        x = 1j * omega / SCALE_RAD
        bend = 0j
        for side, sign in ((self.numerator, 1), (self.denominator, -1)):
            value, first, second = (complex(side.value(x, order)) for order in (0, 1, 2))
            bend += sign * (second / value - (first / value) ** 2)
        return -bend.real / SCALE_RAD**2


@dataclass(frozen=True, slots=True, kw_only=True)
class Slopes:
    """Derivatives by ln of each generator: of the pole, of ln H at the peak and at 100 Hz, and by s, too, at the peak.

    ``bend`` is ∂²ln|H|/∂ω² at the peak; ``peak_omega`` is None where the curve has no peak.
    """

    pole: Mapping[str, complex]
    at_peak: Mapping[str, complex]
    at_reference: Mapping[str, complex]
    mixed: Mapping[str, complex]
    bend: float
    peak_omega: float | None


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


def sensitivity(part: str, weights: Mapping[str, float], slopes: Slopes, pole: complex | None) -> Sensitivity:
    """Put the sensitivities to one part together from those to the generators it acts on.

    Parameters
    ----------
    part : str
    weights : mapping of str to float
        d ln(generator) / d ln(part).
    slopes : Slopes
    pole : complex or None, rad/s
    """

    def total(by_generator: Mapping[str, complex]) -> complex:
        return sum((weight * by_generator[name] for name, weight in weights.items()), 0j)

    resonance = q = peak_frequency = at_peak = height = None
    if pole is not None:
        shift = total(slopes.pole)
        resonance = (shift / pole).real
        q = resonance - shift.real / pole.real
    if slopes.peak_omega is not None:
        decibels = 20 / math.log(10) / 100
        at_peak = decibels * total(slopes.at_peak).real
        height = at_peak - decibels * total(slopes.at_reference).real
        # Where ∂g/∂ω = 0, dω/dx = −(∂²g/∂ω∂x)/(∂²g/∂ω²) with g = ln|H|; ∂/∂ω = j·∂/∂s.
        peak_frequency = -(1j * total(slopes.mixed)).real / slopes.bend / slopes.peak_omega
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
