"""Every built-in harness, at its default and at drawn settings: the formula equals the numeric solver."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import numpy as np
import pytest

from labkit.circuit.elements import Capacitor, Circuit, CustomAdmittance
from labkit.circuit.formula.formula import formula
from labkit.circuit.solve.solver import solve
from labkit.rig.harness import Harness
from labkit.rig.parts.parts import Knob, Position
from labkit.rig.rig import Rig
from tests.rig.random_rigs import _wants_coils, harnesses, random_chain, random_pickup

FREQUENCY = np.geomspace(20.0, 20e3, 41)
SETTINGS = 2
"""Drawn settings of each harness besides the default."""


def rational_part(circuit: Circuit) -> Circuit:
    """The circuit without what no rational function can hold: dissipation and custom admittances."""
    return replace(
        circuit,
        elements=tuple(
            replace(part, dissipation=0.0) if isinstance(part, Capacitor) else part
            for part in circuit.elements
            if not isinstance(part, CustomAdmittance)
        ),
    )


def rigs(harness: Harness) -> list[Rig]:
    random = Random(harness.name)
    found = []
    for number in range(SETTINGS + 1):
        settings: dict[str, Position] = {}
        for control in harness.controls if number else ():
            if isinstance(control, Knob):
                settings[control.name] = random.choice([0.0, 10.0, random.uniform(0, 10), random.uniform(0, 10)])
            else:
                settings[control.name] = random.choice(control.positions)
        pickups = {slot: random_pickup(random, two_coils=_wants_coils(harness, slot)) for slot in harness.slots}
        found.append(
            Rig(name=harness.name, pickups=pickups, harness=harness, settings=settings, chain=random_chain(random))
        )
    return found


@pytest.mark.parametrize("harness", harnesses(), ids=lambda harness: harness.name)
def test_formula_of_a_builtin_harness_equals_solver(harness: Harness) -> None:
    for rig in rigs(harness):
        circuit = rational_part(rig.circuit)
        found = formula(circuit, method="ring")
        solution = solve(circuit, FREQUENCY)
        loud = np.abs(solution.transfer) > 1e-5
        ratio = found.at(FREQUENCY[loud]) / solution.transfer[loud]
        # the promise for every formula; rounding alone gives 1e-9
        assert np.max(np.abs(20 * np.log10(np.abs(ratio))), initial=0.0) < 1e-6, rig.settings
        assert np.all(np.abs(found.at(FREQUENCY[~loud])) < 1.001e-5), rig.settings
        assert found.statement
