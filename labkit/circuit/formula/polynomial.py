"""Determinants over a polynomial ring, and rational functions of s in named symbols.

A network's matrix is written in conductances and inverse inductances, where it is sparse and every symbol enters
its determinant at most once; a memoised row-by-row expansion then takes milliseconds where elimination takes
minutes. `Polynomial` afterwards holds the result in the values that people use (R, L, C, M) as plain tuples.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import reduce
from typing import Any

import numpy as np

Monomial = tuple[int, ...]


class TooManyTermsError(Exception):
    """An expansion grew beyond its limit; the caller then puts numbers in place of symbols."""


@dataclass(frozen=True, slots=True)
class Polynomial:
    """Σ coefficient · Π generator^exponent; the first generator is s.

    Parameters
    ----------
    generators : tuple of str
    terms : mapping of exponents to exact coefficients
    """

    generators: tuple[str, ...]
    terms: Mapping[Monomial, Fraction]

    def __len__(self) -> int:
        return len(self.terms)

    @property
    def degree(self) -> int:
        """Highest power of s; 0 for the zero polynomial."""
        return max((monomial[0] for monomial in self.terms), default=0)

    @property
    def used(self) -> tuple[str, ...]:
        """Generators that occur, s excepted."""
        return tuple(
            name
            for place, name in enumerate(self.generators)
            if place and any(monomial[place] for monomial in self.terms)
        )

    def times(self, factor: Fraction) -> Polynomial:
        """Return this polynomial times a number."""
        return Polynomial(self.generators, {monomial: factor * value for monomial, value in self.terms.items()})

    def with_numbers(self, numbers: Mapping[str, Fraction]) -> Polynomial:
        """Put exact numbers in place of some generators and drop these."""
        kept = [place for place, name in enumerate(self.generators) if name not in numbers]
        gone = [(place, numbers[name]) for place, name in enumerate(self.generators) if name in numbers]
        terms: dict[Monomial, Fraction] = {}
        for monomial, value in self.terms.items():
            for place, number in gone:
                value = value * number ** monomial[place]
            key = tuple(monomial[place] for place in kept)
            terms[key] = terms.get(key, Fraction(0)) + value
        generators = tuple(self.generators[place] for place in kept)
        return Polynomial(generators, {monomial: value for monomial, value in terms.items() if value})

    def flipped(self, names: Sequence[str]) -> Polynomial:
        """Turn each named generator x, of power 0 or 1, into 1/x, and multiply by it: G becomes R, 1/L becomes L."""
        places = [self.generators.index(name) for name in names]
        terms = {}
        for monomial, value in self.terms.items():
            powers = list(monomial)
            for place in places:
                powers[place] = 1 - powers[place]
            terms[tuple(powers)] = value
        return Polynomial(self.generators, terms)

    def expression(self, symbols: Mapping[str, Any]) -> Any:
        """Return the sympy expression, collected by powers of s."""
        import sympy

        variables = [symbols[name] for name in self.generators]
        powers: dict[int, list[Any]] = {}
        for monomial, value in sorted(self.terms.items(), reverse=True):
            factors = [variable**power for variable, power in zip(variables[1:], monomial[1:]) if power]
            number = sympy.Rational(value.numerator, value.denominator)
            powers.setdefault(monomial[0], []).append(sympy.Mul(number, *factors))
        return sympy.Add(*(sympy.Add(*parts) * variables[0] ** power for power, parts in sorted(powers.items())))


@dataclass(frozen=True, slots=True)
class Rational:
    """numerator/denominator, without common powers of any generator and with whole, coprime coefficients."""

    numerator: Polynomial
    denominator: Polynomial

    @classmethod
    def of(cls, numerator: Polynomial, denominator: Polynomial) -> Rational:
        """Cancel the common monomial and the common number; the denominator's leading term becomes positive."""
        both = [*numerator.terms, *denominator.terms]
        least = tuple(min(column) for column in zip(*both))
        values = [*numerator.terms.values(), *denominator.terms.values()]
        whole = math.lcm(*(value.denominator for value in values))
        common = reduce(math.gcd, (int(value * whole) for value in values))
        sign = -1 if denominator.terms and denominator.terms[max(denominator.terms)] < 0 else 1
        factor = Fraction(sign * whole, common)

        def cancelled(polynomial: Polynomial) -> Polynomial:
            return Polynomial(
                polynomial.generators,
                {
                    tuple(power - lowest for power, lowest in zip(monomial, least)): value * factor
                    for monomial, value in polynomial.terms.items()
                },
            )

        return cls(cancelled(numerator), cancelled(denominator))

    def same_as(self, other: Rational) -> bool:
        """Say whether two rational functions are identical, by cross multiplication in exact arithmetic."""
        names = sorted({*self.numerator.generators, *other.numerator.generators})
        here = [_ring_element(polynomial, names) for polynomial in (self.numerator, self.denominator)]
        there = [_ring_element(polynomial, names) for polynomial in (other.numerator, other.denominator)]
        return bool(here[0] * there[1] == there[0] * here[1])


def new_ring(generators: Sequence[str]) -> tuple[Any, dict[str, Any]]:
    """Return a ring over the whole numbers and its generators by name."""
    from sympy.polys.domains import ZZ
    from sympy.polys.rings import PolyRing

    ring = PolyRing(list(generators), ZZ, "lex")
    return ring, dict(zip(generators, ring.gens))


def from_ring(element: Any, generators: Sequence[str]) -> Polynomial:
    """Read a ring element into plain exact terms."""
    terms = {tuple(monomial): Fraction(int(value)) for monomial, value in element.items()}
    return Polynomial(tuple(generators), terms)


def _ring_element(polynomial: Polynomial, names: Sequence[str]) -> Any:
    ring, _ = new_ring(names)
    places = [names.index(name) for name in polynomial.generators]
    terms = {}
    for monomial, value in polynomial.terms.items():
        powers = [0] * len(names)
        for place, power in zip(places, monomial):
            powers[place] = power
        terms[tuple(powers)] = ring.domain(int(value))  # whole after `Rational.of`
    return ring.from_dict(terms)


class Minors:
    """Determinants of a wide matrix's column choices, expanded row by row, every sub-minor worked out once.

    Parameters
    ----------
    rows : sequence of dict
        Row by row the ring elements by column; absent means zero.
    columns : int
        More than rows: extra columns are right-hand sides.
    limit : int
        Most terms that any minor may have.
    """

    def __init__(self, ring: Any, rows: Sequence[Mapping[int, Any]], limit: int) -> None:
        self.ring = ring
        self.rows = _ordered(rows)
        self.limit = limit
        self.memo: dict[int, Any] = {}

    def of(self, columns: Sequence[int]) -> Any:
        """Return the determinant of the given columns, in the given order, up to one sign common to all choices."""
        mask = 0
        for column in columns:
            mask |= 1 << column
        order = sorted(range(len(columns)), key=lambda place: columns[place])
        swaps = sum(order[i] > order[j] for i in range(len(order)) for j in range(i + 1, len(order)))
        return self._minor(0, mask) * (-1) ** swaps

    def _minor(self, depth: int, mask: int) -> Any:
        if depth == len(self.rows):
            return self.ring.one
        known = self.memo.get(mask)
        if known is not None:
            return known
        total = self.ring.zero
        for column, entry in self.rows[depth].items():
            bit = 1 << column
            if not mask & bit:
                continue
            rest = self._minor(depth + 1, mask ^ bit)
            if not rest:
                continue
            product = entry * rest
            total = total - product if (mask & (bit - 1)).bit_count() % 2 else total + product
            if len(total) > self.limit:
                raise TooManyTermsError
        self.memo[mask] = total
        return total


def _ordered(rows: Sequence[Mapping[int, Any]]) -> list[Mapping[int, Any]]:
    """Put rows so that few new columns come into play at a time, which keeps the number of sub-minors small."""
    left = list(rows)
    ordered: list[Mapping[int, Any]] = []
    seen: set[int] = set()
    while left:
        best = min(left, key=lambda row: (len(set(row) - seen), len(row)))
        left.remove(best)
        seen |= set(best)
        ordered.append(best)
    return ordered


def roots(coefficients: Sequence[float], *, digits: int = 40) -> np.ndarray:
    """Return the roots of Σ c_k x^k.

    The companion matrix of the balanced polynomial gives starting points, simultaneous (Aberth–Ehrlich)
    iteration with ``digits`` digits the roots, so that roots decades apart all come out to double precision.

    Parameters
    ----------
    coefficients : sequence of float, shape (n + 1,)
        From the constant upward.
    digits : int
        Decimal digits of the iteration.

    Returns
    -------
    ndarray, complex, shape (n,)
        Real polynomials give exactly conjugate pairs, sorted by magnitude.

    >>> roots([6.0, -5.0, 1.0]).real.tolist()
    [2.0, 3.0]
    """
    import mpmath  # type: ignore[import-untyped]

    values = [float(value) for value in coefficients]
    while values and values[-1] == 0:
        values.pop()
    zeros = 0
    while values and values[0] == 0:
        values.pop(0)
        zeros += 1
    degree = len(values) - 1
    if degree < 1:
        return np.zeros(zeros, dtype=complex)
    scale = math.exp((math.log(abs(values[0])) - math.log(abs(values[-1]))) / degree)
    balanced = [value * scale**power for power, value in enumerate(values)]
    start = np.roots(balanced[::-1]) * scale
    with mpmath.workdps(digits):
        exact = [mpmath.mpf(value) for value in values[::-1]]
        derivative = [value * (degree - place) for place, value in enumerate(exact[:-1])]
        points = [
            # Off the real axis and apart, since the iteration cannot leave the axis by itself.
            mpmath.mpc(root) * (1 + mpmath.mpc(1, 1) * (place + 1) * mpmath.mpf("1e-9"))
            for place, root in enumerate(start)
        ]
        smallest = mpmath.mpf(10) ** (-digits // 2)
        for _ in range(60):
            largest = mpmath.mpf(0)
            for place, point in enumerate(points):
                value = mpmath.polyval(exact, point)
                if value == 0:
                    continue
                slope = mpmath.polyval(derivative, point) / value
                repulsion = mpmath.fsum(1 / (point - other) for at, other in enumerate(points) if at != place)
                step = 1 / (slope - repulsion)
                points[place] = point - step
                largest = max(largest, abs(step) / abs(points[place]))
            if largest < smallest:
                break
        found = np.array([complex(point) for point in points])
    return np.concatenate([np.zeros(zeros), _conjugated(found)])


def _conjugated(found: np.ndarray) -> np.ndarray:
    """Make the roots of a real polynomial exactly real or exactly conjugate, in order of magnitude."""
    real = found.real[np.abs(found.imag) <= 1e-12 * np.abs(found)]
    upper = found[found.imag > 1e-12 * np.abs(found)]
    pairs = np.stack([upper, upper.conj()], axis=1).ravel()
    together = np.concatenate([real.astype(complex), pairs])
    return together[np.argsort(np.abs(together), kind="stable")]
