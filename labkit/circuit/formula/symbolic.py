"""Transfer and output impedance of a reduced network as exact rational functions, cached per topology.

Two routes give the same functions: the circuit library lcapy, for networks of up to about ten parts without coupled
coils and buffers, and a determinant over a polynomial ring for all others. The generators are anonymous (``x0``,
``x1`` … for the branches), so that the same wiring with other names and values is answered from the cache; names
are put on in `formula`.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any, Literal

import numpy as np

from labkit.circuit.formula.polynomial import Minors, Polynomial, Rational, TooManyTermsError, from_ring, new_ring
from labkit.circuit.formula.reduction import Driven, ReducedNetwork
from labkit.core.errors import CircuitError

Route = Literal["lcapy", "ring"]

LCAPY_BRANCHES = 8
"""Up to here, counted after lumping (about ten parts), lcapy answers in a second or two; with 10 it takes 20 s."""

MOST_LCAPY_BRANCHES = 10
"""Up to here lcapy may be asked for by name."""

MOST_TERMS = 4000
"""Of a fully symbolic denominator; beyond, a formula is of no use to a reader and slow to print."""

EXPANSION_TERMS = 40_000
"""Of any minor on the way, before the expansion is given up."""

NUMBER_BITS = 96
"""Numbers among the symbols become whole multiples of 2⁻⁹⁶ in scaled units, where parts are 2⁻⁴⁰ … 2²⁰: 16 digits."""

S_BITS, OHM_BITS = 14, 13
"""Scaled units with numbers: s in 2¹⁴ rad/s and resistance in 2¹³ Ω, the middle of what instruments have."""

CodedDriven = tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Structure:
    """A network without names and values: what the cache compares.

    ``branches`` are (kind, start, end, driven); EMFs are coded ``e0`` …, buffers ``g0`` …, branches ``x0`` …, mutual
    inductances ``m0`` …. ``numbers`` holds exact values for the generators that are not to stay symbols.
    """

    size: int
    branches: tuple[tuple[str, int, int, CodedDriven], ...]
    mutuals: tuple[tuple[int, int], ...]
    stages: tuple[tuple[tuple[int, CodedDriven], ...], ...]
    """What each reads: one voltage, or one less another."""
    output: tuple[int, CodedDriven]
    sources: int
    numbers: tuple[tuple[str, Fraction], ...] = ()

    @property
    def generators(self) -> tuple[str, ...]:
        """All generators, s first, those with numbers left out."""
        known = dict(self.numbers)
        named = [
            *(f"x{place}" for place in range(len(self.branches))),
            *(f"m{place}" for place in range(len(self.mutuals))),
            *(f"g{place}" for place in range(len(self.stages))),
            *(f"e{place}" for place in range(self.sources)),
        ]
        return ("s", *(name for name in named if name not in known))

    @property
    def coupled(self) -> frozenset[int]:
        """Places of the branches that take part in a mutual inductance."""
        return frozenset(place for pair in self.mutuals for place in pair)


def structure_of(network: ReducedNetwork, numbers: Mapping[str, Fraction] | None = None) -> Structure:
    """Strip names and values off a network."""
    codes = {name: f"e{place}" for place, (name, _) in enumerate(network.weights)}
    codes |= {stage.name: f"g{place}" for place, stage in enumerate(network.stages)}

    def coded(driven: Driven) -> CodedDriven:
        return tuple(sorted((codes[name], sign) for name, sign in driven))

    return Structure(
        size=network.size,
        branches=tuple((branch.kind, branch.start, branch.end, coded(branch.driven)) for branch in network.branches),
        mutuals=tuple((mutual.first, mutual.second) for mutual in network.mutuals),
        stages=tuple(
            tuple((voltage.root, coded(voltage.driven)) for voltage in stage.voltages) for stage in network.stages
        ),
        output=(network.output.root, coded(network.output.driven)),
        sources=len(network.weights),
        numbers=tuple(sorted((numbers or {}).items())),
    )


def lcapy_can(structure: Structure, *, asked: bool = False) -> bool:
    """Say whether a network is of the kind and size that lcapy is used for, by itself or when ``asked``."""
    driven = [name for _, _, _, names in structure.branches for name, _ in names]
    return (
        0 < len(structure.branches) <= (MOST_LCAPY_BRANCHES if asked else LCAPY_BRANCHES)
        and not structure.mutuals
        and not structure.stages
        and not structure.numbers
        and len(driven) <= 2
        and structure.output[0] != 0
    )


def spanning_trees(structure: Structure) -> float:
    """Return the number of spanning trees, which is the number of terms of a fully symbolic denominator.

    Kirchhoff's matrix–tree theorem: a cofactor of the graph's Laplacian. Couplings and buffers add to it.
    """
    laplacian = np.zeros((structure.size, structure.size))
    for _, start, end, _ in structure.branches:
        laplacian[start, start] += 1
        laplacian[end, end] += 1
        laplacian[start, end] -= 1
        laplacian[end, start] -= 1
    return float(np.linalg.det(laplacian[1:, 1:])) if structure.size > 1 else 1.0


Quantity = Literal["transfer", "output impedance"]


def solve_structure(structure: Structure, quantity: Quantity, route: Route) -> Rational:
    """Return output voltage over EMFs, or output impedance in Ω, without the cache.

    In the transfer the EMFs are generators ``e0`` … of power one in the numerator.

    Raises
    ------
    TooManyTermsError
        If it cannot be kept below `MOST_TERMS`.
    CircuitError
        If the network has no single answer.
    """
    if route == "lcapy":
        return _lcapy_transfer(structure) if quantity == "transfer" else _lcapy_impedance(structure)
    matrix = _matrix(structure)
    side = matrix.size if quantity == "transfer" else matrix.size + 1
    return _presented(structure, matrix.output(side), matrix.determinant, matrix.s_bits)


@lru_cache(maxsize=64)
def solve_cached(structure: Structure, quantity: Quantity, route: Route) -> Rational:
    """Return `solve_structure` from the cache: the same wiring with other names and values costs nothing."""
    return solve_structure(structure, quantity, route)


class _Matrix:
    """Nodal equations times s in the ring; column ``size`` is the side of the EMFs, the next that of a test current.

    With numbers among the symbols every entry carries the factor 2^`bits` and is rounded to a whole number, which
    changes values by less than double precision does; the determinant itself is exact, and its entries stay
    integers, which is far faster than fractions.
    """

    def __init__(self, structure: Structure) -> None:
        self.structure = structure
        self.numbers = dict(structure.numbers)
        self.bits, self.s_bits, self.ohm_bits = (NUMBER_BITS, S_BITS, OHM_BITS) if self.numbers else (0, 0, 0)
        self.ring, self.known = new_ring(structure.generators)
        self.s = self.known["s"]
        coupled = sorted(structure.coupled)
        self.current = {place: structure.size - 1 + at for at, place in enumerate(coupled)}
        self.size = structure.size - 1 + len(coupled)
        self.rows: list[dict[int, Any]] = [{} for _ in range(self.size)]
        self.fill()
        self.minors = Minors(self.ring, self.rows, EXPANSION_TERMS)
        self.determinant = self.minors.of(range(self.size))
        if not self.determinant:
            raise CircuitError(
                "the network has no single answer: part of it hangs free or its parts contradict each other"
            )

    def scaled(self, name: str, shift: int, *, inverse: bool = False) -> Any:
        """Return a value times 2^(shift + bits); the generator of an ``inverse`` stands for one over the value."""
        power = shift + self.bits
        if name in self.numbers:
            number = 1 / self.numbers[name] if inverse else self.numbers[name]
            return self.ring.ground_new(round(number * Fraction(2) ** power))
        return self.known[name] * 2**power

    def form(self, root: int, driven: CodedDriven, trail: tuple[str, ...] = ()) -> tuple[dict[int, Any], Any]:
        """Return a node's voltage as coefficients of the unknowns and what the EMFs contribute."""
        unknown: dict[int, Any] = {root - 1: self.ring.one} if root else {}
        constant = self.ring.zero
        for name, sign in driven:
            if name in trail:
                raise CircuitError(
                    "a buffer drives its own input without any resistance between; it has no single answer"
                )
            if name.startswith("e"):
                constant += sign * self.known[name]
                continue
            for read, turned in zip(self.structure.stages[int(name[1:])], (sign, -sign)):
                below, rest = self.form(*read, trail=(*trail, name))
                gain = turned * self.known[name]
                constant += gain * rest
                for column, coefficient in below.items():
                    unknown[column] = unknown.get(column, self.ring.zero) + gain * coefficient
        return unknown, constant

    def add(self, row: int, column: int, value: Any) -> None:
        if row >= 0:
            self.rows[row][column] = self.rows[row].get(column, self.ring.zero) + value

    def fill(self) -> None:
        structure, s, unit = self.structure, self.s, 2**self.bits
        shifts = {"R": self.ohm_bits, "C": self.ohm_bits + self.s_bits, "L": self.ohm_bits - self.s_bits}
        powers = {"R": s, "C": s**2, "L": self.ring.one}
        for place, (kind, start, end, driven) in enumerate(structure.branches):
            across, constant = self.form(0, driven)
            for root, sign in ((start, 1), (end, -1)):
                if root:
                    across[root - 1] = across.get(root - 1, self.ring.zero) + sign
            if place in structure.coupled:
                current = self.current[place]
                self.add(start - 1, current, s * unit)
                self.add(end - 1, current, -s * unit)
                for column, coefficient in across.items():
                    self.add(current, column, coefficient * unit)
                self.add(current, self.size, -constant * unit)
                self.add(current, current, -s * self.scaled(f"x{place}", -shifts["L"]))
                continue
            admittance = powers[kind] * self.scaled(f"x{place}", shifts[kind], inverse=kind != "C")
            for root, sign in ((start, 1), (end, -1)):
                for column, coefficient in across.items():
                    self.add(root - 1, column, sign * admittance * coefficient)
                self.add(root - 1, self.size, -sign * admittance * constant)
        for at, (one, two) in enumerate(structure.mutuals):
            mutual = -s * self.scaled(f"m{at}", -shifts["L"])
            self.add(self.current[one], self.current[two], mutual)
            self.add(self.current[two], self.current[one], mutual)
        if structure.output[0]:
            self.add(structure.output[0] - 1, self.size + 1, s * unit * 2**self.ohm_bits)
        self.rows = [{column: value for column, value in row.items() if value} for row in self.rows]

    def output(self, side: int) -> Any:
        """Return output voltage times determinant for one right-hand side, by Cramer's rule."""
        unknown, constant = self.form(*self.structure.output)
        total = constant * self.determinant if side == self.size else self.ring.zero
        for column, coefficient in unknown.items():
            replaced = [side if at == column else at for at in range(self.size)]
            total += coefficient * self.minors.of(replaced)
        return total


def _matrix(structure: Structure) -> _Matrix:
    if not structure.numbers and spanning_trees(structure) > MOST_TERMS:
        raise TooManyTermsError
    return _Matrix(structure)


def _presented(structure: Structure, numerator: Any, denominator: Any, s_bits: int) -> Rational:
    """Turn conductances and inverse inductances into R and L, and cancel what is common."""
    if max(len(numerator), len(denominator)) > MOST_TERMS:
        raise TooManyTermsError
    inverted = [
        f"x{place}"
        for place, (kind, *_) in enumerate(structure.branches)
        if kind != "C" and place not in structure.coupled and f"x{place}" in structure.generators
    ]
    sides = []
    for part in (numerator, denominator):
        plain = from_ring(part, structure.generators)
        terms = {monomial: value / 2 ** (s_bits * monomial[0]) for monomial, value in plain.terms.items()}
        sides.append(Polynomial(plain.generators, terms).flipped(inverted))
    return Rational.of(*sides)


@contextmanager
def _quiet() -> Iterator[None]:
    """Hold back lcapy's own warnings: that it removes the source it measures against is what is wanted."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _lcapy_circuit(structure: Structure, gap: tuple[int, str] | None = None) -> Any:
    """Build the network in lcapy with every EMF shorted; ``gap`` leaves one EMF's two ends apart."""
    import lcapy

    circuit = lcapy.Circuit()
    for place, (kind, start, end, driven) in enumerate(structure.branches):
        open_here = gap is not None and gap[0] == place and gap[1] in dict(driven)
        circuit.add(f"{kind}{place + 1} {'in' if open_here else start} {end} {kind}{place + 1}")
    return circuit


def _from_lcapy(structure: Structure, expression: Any) -> Rational:
    import sympy

    # lcapy's symbols carry its own assumptions, so they are matched by name.
    generators = structure.generators
    plain = {name: sympy.Symbol(name) for name in generators}
    theirs = {f"{kind}{place + 1}": plain[f"x{place}"] for place, (kind, *_) in enumerate(structure.branches)} | plain
    ours = expression.subs({symbol: theirs[symbol.name] for symbol in expression.free_symbols})
    parts = sympy.fraction(sympy.cancel(sympy.together(ours)))
    order = [plain[name] for name in generators]
    above, below = (
        Polynomial(
            generators,
            {
                monomial: Fraction(int(value.p), int(value.q))
                for monomial, value in sympy.Poly(part, *order).terms()
                if value
            },
        )
        for part in parts
    )
    return Rational.of(above, below)


def _lcapy_transfer(structure: Structure) -> Rational:
    import sympy

    root, over = structure.output
    total = sympy.Add(*(sign * sympy.Symbol(name) for name, sign in over))
    with _quiet():
        for place, (_, start, _, driven) in enumerate(structure.branches):
            for name, sign in driven:
                circuit = _lcapy_circuit(structure, (place, name))
                ratio = circuit.transfer("in", start, root, 0).sympy
                total += sign * ratio * sympy.Symbol(name)
        return _from_lcapy(structure, total)


def _lcapy_impedance(structure: Structure) -> Rational:
    with _quiet():
        return _from_lcapy(structure, _lcapy_circuit(structure).impedance(structure.output[0], 0).sympy)
