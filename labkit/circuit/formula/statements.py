"""What a formula must say about itself: lumps, parts without influence, and what it leaves out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from labkit.core.errors import join_words
from labkit.core.grid import frequency_grid
from labkit.core.response import gain_db

if TYPE_CHECKING:
    from labkit.circuit.formula.formula import Formula


def statements(made: Formula) -> list[str]:
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
