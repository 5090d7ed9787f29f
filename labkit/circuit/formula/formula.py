"""`formula`: a circuit's transfer and output impedance with named symbols, and what follows from them exactly.

The formula belongs to the circuit at its present settings: `reduction` takes out what does not matter,
`symbolic` gives the rational function, and here it gets names and numbers: poles, zeros, resonance, Q, and the
sensitivities of resonance and peak to each part. How it is written out is in `text`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from typing import Any, Literal

import numpy as np

from labkit.circuit.elements import Circuit, HasCircuit, circuit_of
from labkit.circuit.formula.choice import (
    most_influential,
    numeric_note,
    parts_named,
    simple_fraction,
    structure_keeping,
)
from labkit.circuit.formula.evaluation import Adjoint, Scaled, Sensitivity, Slopes, sensitivity
from labkit.circuit.formula.names import FormulaSymbol, name_symbols
from labkit.circuit.formula.polynomial import Polynomial, Rational, TooManyTermsError
from labkit.circuit.formula.reduction import ReducedNetwork, reduce_circuit
from labkit.circuit.formula.symbolic import (
    MOST_TERMS,
    Quantity,
    Route,
    Structure,
    lcapy_can,
    solve_cached,
    structure_of,
)
from labkit.core.errors import CircuitError, did_you_mean, join_words
from labkit.core.grid import REFERENCE_HZ, frequency_grid
from labkit.core.response import Response, gain_db

Method = Literal["auto", "lcapy", "ring"]

TOO_LONG = (
    f"A formula with every part as a symbol has more than {MOST_TERMS} terms; the parts with the greatest influence "
    "stay symbols."
)


@dataclass(frozen=True, kw_only=True)
class Formula:
    """A rational function of s with named symbols and their values; made by `formula`.

    Attributes
    ----------
    name : str
        Of the circuit.
    quantity : "transfer" or "output impedance"
        V/V or Ω.
    rational : Rational
        Exact numerator and denominator; generators are symbol names.
    symbols : tuple of FormulaSymbol
        Every symbol with its value, unit and the parts it stands for.
    statements : tuple of str
        How it was obtained, what is lumped, numeric, without influence or left out.
    """

    name: str
    quantity: Quantity
    rational: Rational
    symbols: tuple[FormulaSymbol, ...]
    statements: tuple[str, ...]
    _circuit: Circuit
    _network: ReducedNetwork
    _structure: Structure
    _fixed: Mapping[str, Fraction]
    _method: Method

    @property
    def statement(self) -> str:
        """The statements as one text."""
        return " ".join(self.statements)

    @cached_property
    def numerator(self) -> Any:
        """Numerator as a sympy expression, collected by powers of s."""
        return self.rational.numerator.expression(self._sympy_symbols)

    @cached_property
    def denominator(self) -> Any:
        """Denominator as a sympy expression, collected by powers of s."""
        return self.rational.denominator.expression(self._sympy_symbols)

    @cached_property
    def values(self) -> dict[str, float]:
        """Values of the symbols in SI, by symbol name."""
        return {symbol.name: symbol.value for symbol in self.symbols}

    def at(self, frequency_hz: np.ndarray | float) -> np.ndarray:
        """Return the value at given frequencies.

        Parameters
        ----------
        frequency_hz : float or ndarray, Hz

        Returns
        -------
        ndarray, complex, same shape
            V/V, or Ω for the output impedance.
        """
        return self._scaled.at(2j * math.pi * np.asarray(frequency_hz, dtype=float))

    @cached_property
    def response(self) -> Response:
        """The formula as a `Response`, 512 points, exact at any other frequency."""
        grid = frequency_grid()
        return Response(frequency_hz=grid, values=self.at(grid), name=self.name, evaluate=self.at)

    @cached_property
    def poles(self) -> np.ndarray:
        """Poles, rad/s, by magnitude; those that a zero cancels exactly are left out."""
        return self._roots[1]

    @cached_property
    def zeros(self) -> np.ndarray:
        """Zeros, rad/s, by magnitude; those that cancel a pole exactly are left out."""
        return self._roots[0]

    @property
    def gain_factor(self) -> float:
        """K of K·Π(s − zero)/Π(s − pole), in SI."""
        return self._scaled.leading_ratio()

    @property
    def resonance_hz(self) -> float | None:
        """Natural frequency |p|/2π of the dominant pole pair, Hz; None where no pair is complex."""
        pole = self._dominant_pole
        return None if pole is None else abs(pole) / (2 * math.pi)

    @property
    def q(self) -> float | None:
        """Q = |p|/(−2·Re p) of the dominant pole pair."""
        pole = self._dominant_pole
        return None if pole is None else abs(pole) / (-2 * pole.real)

    @cached_property
    def output_impedance(self) -> Formula:
        """Output impedance of the same circuit, Ω."""
        network, structure, notes = self._network, self._structure, []
        try:
            solve_cached(structure, "output impedance", "ring")
        except TooManyTermsError:
            structure, network, kept = most_influential(self._circuit, "output impedance")
            notes = [TOO_LONG, numeric_note(network, structure, kept)]
        return _build(self._circuit, network, structure, "output impedance", self._fixed, self._method, notes)

    def sensitivities(self) -> tuple[Sensitivity, ...]:
        """Return the sensitivities to every part that has influence, the strongest on the resonance first.

        Implicit differentiation of the denominator at the pole, and of ln|H| at its maximum: no step size.
        A coil that is coupled keeps its coefficient k, so the mutual inductance moves with it.
        """
        pole, slopes = self._dominant_pole, self._slopes
        found = [sensitivity(part, shares, slopes, pole) for part, shares in self._shares().items()]
        found.sort(key=lambda entry: -round(abs(entry.resonance or entry.peak_frequency or 0.0), 9))
        return tuple(found)

    def latex(self) -> str:
        """Return the formula in LaTeX, fit for a display-maths block."""
        from labkit.circuit.formula.text import formula_latex

        return formula_latex(self)

    def text(self) -> str:
        """Return the formula with its symbols, numbers, poles, zeros and sensitivities as plain text."""
        from labkit.circuit.formula.text import formula_text

        return formula_text(self)

    @cached_property
    def _sympy_symbols(self) -> dict[str, Any]:
        import sympy

        # Mutual inductances, gains and weights may be negative; the others are positive.
        return {"s": sympy.Symbol("s")} | {
            symbol.name: sympy.Symbol(symbol.name, **({"positive": True} if symbol.kind in "RLC" else {"real": True}))
            for symbol in self.symbols
        }

    @cached_property
    def _scaled(self) -> Scaled:
        return Scaled.of(self.rational, self.values)

    @cached_property
    def _roots(self) -> tuple[np.ndarray, np.ndarray]:
        zeros = list(self._scaled.numerator_roots())
        poles = []
        for pole in self._scaled.denominator_roots():
            # Roots carry 1e-15; two that agree this closely are one common factor.
            twin = next((at for at, zero in enumerate(zeros) if abs(zero - pole) <= 1e-11 * abs(pole)), None)
            if twin is None:
                poles.append(pole)
            else:
                zeros.pop(twin)
        return np.array(zeros, dtype=complex), np.array(poles, dtype=complex)

    @cached_property
    def _dominant_pole(self) -> complex | None:
        """The pole of the upper half plane whose own resonance stands highest: |residue| over |Re p|."""
        upper = [pole for pole in self.poles if pole.imag > 0 > pole.real]
        heights = [abs(self._scaled.residue(pole) / pole.real) for pole in upper]
        return complex(upper[int(np.argmax(heights))]) if upper else None

    def _shares(self) -> dict[str, dict[str, float]]:
        """Return for every part d ln(generator)/d ln(part), by coded generator."""
        shares: dict[str, dict[str, float]] = {}
        for place, branch in enumerate(self._network.branches):
            for part, weight in branch.members:
                shares.setdefault(part, {})[f"x{place}"] = weight
        for at, mutual in enumerate(self._network.mutuals):
            # M = k·√(L₁L₂)
            for place in (mutual.first, mutual.second):
                shares[self._network.branches[place].members[0][0]][f"m{at}"] = 0.5
            shares[mutual.name] = {f"m{at}": 1.0}
        return shares

    @cached_property
    def _slopes(self) -> Slopes:
        """Derivatives by every branch and mutual inductance, by code."""
        weights = {
            name: float(self._fixed.get(f"e{place}", weight))
            for place, (name, weight) in enumerate(self._network.weights)
        }
        adjoint = Adjoint(self._network, weights if self.quantity == "transfer" else None)

        def log_slopes(omega: float) -> tuple[dict[str, complex], dict[str, complex]]:
            return adjoint.log_slopes(1j * omega, complex(self._scaled.at(np.array(1j * omega))))

        pole, peak = self._dominant_pole, self.response.peak
        omega = None if peak is None else 2 * math.pi * peak.frequency_hz
        at_peak, mixed = ({}, {}) if omega is None else log_slopes(omega)
        return Slopes(
            pole={} if pole is None else adjoint.pole_shifts(pole),
            at_peak=at_peak,
            at_reference={} if omega is None else log_slopes(2 * math.pi * REFERENCE_HZ)[0],
            mixed=mixed,
            bend=0.0 if omega is None else self._scaled.bend(omega),
            peak_omega=omega,
        )


def formula(
    circuit: Circuit | HasCircuit,
    keep: Sequence[str] | None = None,
    source: str | None = None,
    *,
    method: Method = "auto",
) -> Formula:
    """Return H(s), the output voltage over the EMFs, with named symbols.

    Parameters
    ----------
    circuit : Circuit, or a thing that has one, such as a Rig
        At its present settings: shorts and opens are exact.
    keep : sequence of str, optional
        Parts (or the beginnings of their names up to a dot) that stay symbols while all others become numbers.
        Left out, every part is a symbol as long as the formula stays below some thousand terms, and beyond that
        the six parts with the greatest influence.
    source : str, optional
        The one EMF to be driven, with 1 V; left out, every EMF with its weight.
    method : "auto", "lcapy" or "ring"
        "auto" takes lcapy for up to about ten parts (eight branches after lumping) and checks it against the ring,
        and the ring for larger networks; "ring" is much the faster.

    Returns
    -------
    Formula

    Raises
    ------
    CircuitError
        If a name is unknown, no answer exists, or "lcapy" is asked for a network beyond it.

    Notes
    -----
    A capacitor's dissipation and custom admittances are no rational functions of s: they are left out, and
    ``statements`` says by how much that changes the response.

    >>> from labkit.circuit.elements import GROUND, Capacitor, Resistor, Source
    >>> low_pass = Circuit(output="out", elements=(
    ...     Source(name="emf", nodes=("in", GROUND)),
    ...     Resistor(name="series", nodes=("in", "out"), resistance=1e3),
    ...     Capacitor(name="shunt", nodes=("out", GROUND), capacitance=1e-7)))
    >>> found = formula(low_pass, method="ring")
    >>> found.numerator, found.denominator
    (1, C_shunt*R_series*s + 1)
    """
    circuit = circuit_of(circuit)
    names = [emf.name for emf in circuit.sources]
    if source is not None and source not in names:
        raise CircuitError(f"{circuit.name}: no source is named '{source}'.{did_you_mean(source, names)}")
    kept = None if keep is None else parts_named(circuit, keep)
    network = reduce_circuit(circuit, separate=kept or ())
    weights = {
        f"e{place}": Fraction(int(name == source)) if source is not None else simple_fraction(weight)
        for place, (name, weight) in enumerate(network.weights)
    }
    gains = {f"g{place}": simple_fraction(stage.gain) for place, stage in enumerate(network.stages)}
    fixed = {code: value for code, value in (weights | gains).items() if value is not None}
    notes: list[str] = []
    try:
        structure = structure_of(network) if kept is None else structure_keeping(network, kept)
        try:
            solve_cached(structure, "transfer", "ring")
        except TooManyTermsError:
            if kept is not None:
                raise CircuitError(
                    f"the formula would have more than {MOST_TERMS} terms; keep fewer parts as symbols"
                ) from None
            structure, network, kept = most_influential(circuit, "transfer")
            notes.append(TOO_LONG)
    except CircuitError as problem:
        raise CircuitError(f"{circuit.name}: {problem}") from None
    if kept is not None:
        notes.append(numeric_note(network, structure, kept))
    return _build(circuit, network, structure, "transfer", fixed, method, notes)


def _build(
    circuit: Circuit,
    network: ReducedNetwork,
    structure: Structure,
    quantity: Quantity,
    fixed: Mapping[str, Fraction],
    method: Method,
    notes: Iterable[str],
) -> Formula:
    if method == "lcapy" and not lcapy_can(structure, asked=True):
        raise CircuitError(
            f"{circuit.name}: this network is beyond lcapy here (ten branches, no coupled coils or buffers); use 'ring'"
        )
    solved = solve_cached(structure, quantity, "ring")
    # The impedance has the same denominator, so one route by lcapy is check enough unless it is asked for.
    route: Route = (
        "lcapy"
        if method == "lcapy" or (method == "auto" and quantity == "transfer" and lcapy_can(structure))
        else "ring"
    )
    how = "Solved by a determinant over a polynomial ring."
    if route == "lcapy":
        other = solve_cached(structure, quantity, "lcapy")
        if not other.same_as(solved):
            raise CircuitError(f"{circuit.name}: the two symbolic routes disagree; please report this circuit")
        solved = other
        how = "Solved by lcapy; a determinant over a polynomial ring gives the same."
    coded = _with_numbers(solved, fixed)
    symbols = name_symbols(network, set(coded.numerator.used) | set(coded.denominator.used))
    naming = {symbol.code: symbol.name for symbol in symbols}
    rational = Rational(_named(coded.numerator, naming), _named(coded.denominator, naming))
    made = Formula(
        name=circuit.name,
        quantity=quantity,
        rational=rational,
        symbols=symbols,
        statements=(),
        _circuit=circuit,
        _network=network,
        _structure=structure,
        _fixed=fixed,
        _method=method,
    )
    return replace(made, statements=(how, *notes, *_statements(made)))


def _with_numbers(rational: Rational, fixed: Mapping[str, Fraction]) -> Rational:
    given = {code: value for code, value in fixed.items() if code in rational.denominator.generators}
    return Rational.of(rational.numerator.with_numbers(given), rational.denominator.with_numbers(given))


def _named(polynomial: Polynomial, naming: Mapping[str, str]) -> Polynomial:
    """Drop generators that occur nowhere and give the others their names."""
    places = [place for place, code in enumerate(polynomial.generators) if code == "s" or code in naming]
    generators = tuple(naming.get(polynomial.generators[place], "s") for place in places)
    terms = {tuple(monomial[place] for place in places): value for monomial, value in polynomial.terms.items()}
    return Polynomial(generators, terms)


def _statements(made: Formula) -> list[str]:
    """Say what is lumped, zero, without influence, or left out and by how much."""
    network, sentences = made._network, []
    for symbol in made.symbols:
        if len(symbol.parts) > 1:
            sentences.append(f"Lumped: {symbol.name} = {symbol.combination}.")
    if not made.rational.numerator.terms:
        reason = "no EMF reaches the output" if made.quantity == "transfer" else "the output is held at a fixed voltage"
        silent = "the output is silent, " if made.quantity == "transfer" else ""
        sentences.append(f"The formula is 0: {silent}{reason}.")
    if network.without_influence:
        sentences.append(f"Without influence at these settings: {join_words(network.without_influence)}.")
    if network.left_out:
        sentence = f"Left out, since it is no rational function of s: {join_words(network.left_out)}"
        sentences.append(f"{sentence}{_deviation(made)}.")
    return sentences


def _deviation(made: Formula) -> str:
    """Say by how many decibels the formula differs from the solver, where the response is above −100 dB."""
    from labkit.circuit.solve.solver import solve

    grid = frequency_grid(points=192)
    solution = solve(made._circuit, grid, per_source=True)
    if made.quantity == "output impedance":
        full = solution.output_impedance
    else:
        weights = dict(made._network.weights)
        codes = {name: f"e{place}" for place, name in enumerate(weights)}
        factors = [
            float(made._fixed.get(codes[name], weights[name])) if name in codes else 0.0 for name in solution.sources
        ]
        full = np.tensordot(np.array(factors), solution.transfer, 1)
    loud = np.abs(full) > 1e-5
    if not np.any(loud):
        return ""
    worst = float(np.max(np.abs(gain_db(full[loud]) - gain_db(made.at(grid[loud])))))
    return f"; between 20 Hz and 20 kHz that changes the result by at most {worst:.2g} dB"
