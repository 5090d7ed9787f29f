"""Which parts of a formula stay symbols, and which become exact numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from labkit.circuit.elements import MAIN_VALUE, Circuit, Contact, Coupling, CustomAdmittance, Source
from labkit.circuit.formula.polynomial import TooManyTermsError
from labkit.circuit.formula.reduction import ReducedNetwork, reduce_circuit
from labkit.circuit.formula.symbolic import Quantity, Structure, solve_cached, structure_of
from labkit.core.errors import CircuitError, did_you_mean, join_words
from labkit.core.grid import frequency_grid
from labkit.core.response import gain_db

CHOSEN_PARTS = 6
"""Symbols kept where a fully symbolic formula would be too long."""

NICE_DENOMINATOR = 1000
"""An EMF weight or gain that is a fraction with at most this denominator is written as that number."""


def parts_named(circuit: Circuit, keep: Sequence[str]) -> set[str]:
    """Return the parts that are named, or whose name begins with a given one and a dot.

    Raises
    ------
    CircuitError
        If a name fits no part.
    """
    names = [element.name for element in circuit.elements if not isinstance(element, Source | Contact)]
    found: set[str] = set()
    for wanted in keep:
        matches = {name for name in names if name == wanted or name.startswith(f"{wanted}.")}
        if not matches:
            raise CircuitError(f"{circuit.name}: no part to keep is named '{wanted}'.{did_you_mean(wanted, names)}")
        found |= matches
    return found


def structure_keeping(network: ReducedNetwork, kept: set[str]) -> Structure:
    """Return the structure with every part but ``kept`` as an exact number; coupled coils stay together."""
    exact = exact_values(network)
    symbolic: set[str] = {
        f"x{place}" for place, branch in enumerate(network.branches) if any(name in kept for name, _ in branch.members)
    }
    for at, mutual in enumerate(network.mutuals):
        group = {f"x{mutual.first}", f"x{mutual.second}"}
        if mutual.name in kept or group & symbolic:
            symbolic |= group | {f"m{at}"}
    return structure_of(network, {code: value for code, value in exact.items() if code not in symbolic})


def exact_values(network: ReducedNetwork) -> dict[str, Fraction]:
    """Return the value of every branch and mutual inductance by generator, as the decimal that the float shows."""
    values = {f"x{place}": Fraction(repr(branch.value)) for place, branch in enumerate(network.branches)}
    for at, mutual in enumerate(network.mutuals):
        product = network.branches[mutual.first].value * network.branches[mutual.second].value
        values[f"m{at}"] = Fraction(repr(mutual.coefficient * math.sqrt(product)))
    return values


def most_influential(circuit: Circuit, quantity: Quantity) -> tuple[Structure, ReducedNetwork, set[str]]:
    """Keep as many of the most influential parts, six at most, as the limit of terms allows."""
    ranking = parts_by_influence(circuit)
    for count in range(CHOSEN_PARTS, -1, -1):
        kept = set(ranking[:count])
        network = reduce_circuit(circuit, separate=kept)
        structure = structure_keeping(network, kept)
        try:
            solve_cached(structure, quantity, "ring")
        except TooManyTermsError:
            continue
        return structure, network, kept
    raise CircuitError("the circuit is too large for a formula; solve it in numbers")


def parts_by_influence(circuit: Circuit) -> list[str]:
    """Rank the parts by how far one per cent moves the curve anywhere in the audio range."""
    from labkit.circuit.solve.solver import solve

    network = reduce_circuit(circuit)
    alive = {name for branch in network.branches for name, _ in branch.members}
    parts = [
        element
        for element in circuit.elements
        if element.name in alive
        and type(element) in MAIN_VALUE
        and not isinstance(element, Coupling | CustomAdmittance | Source)
    ]
    own = {part.name: float(getattr(part, MAIN_VALUE[type(part)])) for part in parts}
    values = {name: np.full(len(parts) + 1, value) for name, value in own.items()}
    for place, name in enumerate(own):
        values[name][place] *= 1.01
    levels = gain_db(solve(circuit, frequency_grid(points=96), values).transfer)
    moved = np.max(np.abs(levels[:-1] - levels[-1]), axis=-1)
    return [parts[place].name for place in np.argsort(-moved, kind="stable")]


def numeric_note(network: ReducedNetwork, structure: Structure, kept: set[str]) -> str:
    """Say which parts are numbers, and which kept ones have no influence."""
    numeric = [
        name
        for place, branch in enumerate(network.branches)
        if f"x{place}" in dict(structure.numbers)
        for name, _ in branch.members
    ]
    dead = sorted(kept & set(network.without_influence))
    note = f"As numbers: {join_words(numeric)}." if numeric else "No part needed to be a number."
    return f"{note} Kept, but without influence: {join_words(dead)}." if dead else note


def simple_fraction(value: float) -> Fraction | None:
    """Return a weight or gain as a fraction where it is a simple one, else None.

    >>> simple_fraction(-0.5), simple_fraction(0.123456789)
    (Fraction(-1, 2), None)
    """
    fraction = Fraction(repr(float(value)))
    return fraction if fraction.denominator <= NICE_DENOMINATOR and abs(fraction.numerator) <= 10**6 else None
