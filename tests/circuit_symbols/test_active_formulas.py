"""Formulas of circuits with feedback: equal to the numeric solver, their poles those of the nodal equations."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.circuit.elements import GROUND, Circuit, ControlledCurrent, ControlledVoltage, Resistor, Source
from labkit.circuit.formula.formula import formula
from labkit.circuit.solve.solver import solve
from labkit.core.errors import CircuitError
from tests.circuit.active_circuits import ACTIVE, amplifier, coil, resistor

FREQUENCY_HZ = np.geomspace(20, 20_000, 21)
WITH_FORMULA = {name: each for name, each in ACTIVE.items() if not each.of_kind(ControlledCurrent)}


@pytest.mark.parametrize("circuit", WITH_FORMULA.values(), ids=list(WITH_FORMULA))
def test_the_formula_of_an_active_circuit_equals_the_solver(circuit: Circuit) -> None:
    found = formula(circuit, method="ring")
    ratio = found.at(FREQUENCY_HZ) / solve(circuit, FREQUENCY_HZ).transfer
    # the promise for every formula is 1e-6 dB; a gain of 1e5 in a loop takes some digits of it
    assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < 1e-6


def test_the_formula_of_an_ideal_inverting_stage_is_the_textbooks() -> None:
    """−A·R_f/(R_f + R_i·(1 + A) …): with a gain A and no other part, V = −A·R_f/(R_f + R_i·(1 + A))."""
    parts = (
        Source(name="emf", nodes=("in", GROUND)),
        Resistor(name="i", nodes=("in", "summing"), resistance=1e3),
        Resistor(name="f", nodes=("summing", "out"), resistance=1e4),
        ControlledVoltage(name="a", nodes=("out", GROUND, GROUND, "summing"), gain=1000.0),
    )
    found = formula(Circuit(elements=parts, output="out"), method="ring")
    assert complex(found.at(np.array([1e3]))[0]) == pytest.approx(-1000 * 1e4 / (1e4 + 1e3 * 1001), rel=1e-12)
    assert {"R_i", "R_f"} <= {symbol.name for symbol in found.symbols}


def test_a_controlled_current_is_refused_with_what_to_do() -> None:
    source = ControlledCurrent(name="gm", nodes=("out", GROUND, "hot", GROUND), transconductance=1e-3)
    circuit = Circuit(elements=(*coil(), source, resistor("load", "out", GROUND, 1e4)), output="out")
    with pytest.raises(CircuitError, match="'gm' is a controlled current, which has no formula here"):
        formula(circuit)


def test_noise_of_inputs_is_no_part_of_a_formula() -> None:
    circuit = Circuit(elements=(*coil(), *amplifier("hot", "out", "out")), output="out")
    assert "noise" not in " ".join(part for symbol in formula(circuit, method="ring").symbols for part in symbol.parts)
