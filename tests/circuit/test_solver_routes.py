"""The solver against routes that share nothing with it: dense matrices, ngspice, and 40 digits."""

from __future__ import annotations

from pathlib import Path
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.circuit.elements import (
    GROUND,
    Capacitor,
    Circuit,
    Contact,
    Coupling,
    CustomAdmittance,
    Inductor,
    Resistor,
    Source,
)
from labkit.circuit.solve.solver import solve
from tests.circuit.exact import solve_exactly
from tests.circuit.mna import solve_dense
from tests.circuit.ngspice import simulate
from tests.circuit.random_circuits import random_circuit

FREQUENCY_HZ = np.geomspace(20, 20_000, 13)

# A short is 1 nΩ to the solver, so an impedance may be off by a few of them in series; voltages of 1 V lose 10 pV to
# it beside the smallest impedances drawn here (about 10 Ω). Everything else is rounding, of the dense route mostly.
RELATIVE = 1e-9
VOLTS = 1e-10
OHMS = 2e-8

SMALLEST_GAIN = 1e-5
"""−100 dB: below it neither simulator nor instrument resolves anything."""

DECIBEL = 1e-3
DEGREE = 0.01


def assert_near(got: np.ndarray, expected: np.ndarray, floor: float) -> None:
    assert np.all(np.isfinite(got))
    excess = np.abs(got - expected) - RELATIVE * np.abs(expected) - floor
    assert np.all(excess <= 0), f"off by up to {np.max(np.abs(got - expected)):.3g} where {floor:.3g} is allowed"


@given(st.randoms(use_true_random=False))
def test_solver_agrees_with_dense_nodal_analysis(random: Random) -> None:
    circuit = random_circuit(random)
    dense = solve_dense(circuit, FREQUENCY_HZ)
    solution = solve(circuit, FREQUENCY_HZ)
    assert_near(solution.transfer, dense.transfer, VOLTS)
    assert_near(solution.output_impedance, dense.output_impedance, OHMS)
    single = solve(circuit, FREQUENCY_HZ, per_source=True)
    assert single.sources == tuple(source.name for source in circuit.sources)
    assert_near(single.transfer, dense.per_source, VOLTS)


@pytest.mark.parametrize("seed", range(0, 400, 40))
def test_solver_agrees_with_dense_nodal_analysis_on_many_circuits(seed: int) -> None:
    for one in range(seed, seed + 40):
        circuit = random_circuit(Random(one))
        dense = solve_dense(circuit, FREQUENCY_HZ)
        solution = solve(circuit, FREQUENCY_HZ)
        assert_near(solution.transfer, dense.transfer, VOLTS)
        assert_near(solution.output_impedance, dense.output_impedance, OHMS)


@pytest.mark.ngspice
def test_solver_agrees_with_ngspice(tmp_path: Path) -> None:
    circuits = [random_circuit(Random(seed)) for seed in range(120)]
    for circuit, sweep in zip(circuits, simulate(circuits, FREQUENCY_HZ, tmp_path)):
        solution = solve(circuit, sweep.frequency_hz)
        assert_levels_and_phases_agree(solution.transfer, sweep.transfer)
        assert_near(solution.output_impedance, sweep.output_impedance, OHMS)


def assert_levels_and_phases_agree(got: np.ndarray, expected: np.ndarray) -> None:
    heard = np.abs(expected) > SMALLEST_GAIN
    ratio = got[heard] / expected[heard]
    assert np.all(np.abs(20 * np.log10(np.abs(ratio))) < DECIBEL)
    assert np.all(np.abs(np.degrees(np.angle(ratio))) < DEGREE)


def test_shorts_and_opens_are_exact_to_a_millionth_of_a_decibel() -> None:
    compared = 0
    for seed in range(60):
        circuit = random_circuit(Random(seed), kinds=frozenset({"short", "open", "contact", "coupling"}))
        frequency_hz = np.array([20.0, 3_000.0, 20_000.0])
        solution = solve(circuit, frequency_hz)
        for place, frequency in enumerate(frequency_hz):
            transfer, impedance = solve_exactly(circuit, float(frequency))
            assert abs(solution.output_impedance[place] - impedance) < RELATIVE * abs(impedance) + OHMS
            if abs(transfer) > SMALLEST_GAIN:
                compared += 1
                # 1e-6 dB is the accuracy promised for ideal contacts and wipers at their ends.
                assert abs(20 * np.log10(abs(solution.transfer[place] / transfer))) < 1e-6
            else:
                assert abs(solution.transfer[place] - transfer) < VOLTS
    assert compared > 60


def test_dense_route_agrees_with_40_digits() -> None:
    for seed in range(100, 125):
        circuit = random_circuit(Random(seed))
        dense = solve_dense(circuit, FREQUENCY_HZ[[0, 12]])
        for place, frequency in enumerate(FREQUENCY_HZ[[0, 12]]):
            transfer, impedance = solve_exactly(circuit, float(frequency))
            # Dense elimination loses digits where a coil's impedance meets that of picofarads.
            assert abs(dense.transfer[place] - transfer) < RELATIVE * abs(transfer) + VOLTS
            assert abs(dense.output_impedance[place] - impedance) < RELATIVE * abs(impedance) + OHMS


def test_unused_coil_behind_an_open_track_does_not_disturb_the_coil_it_is_coupled_to() -> None:
    """An open resistor joins nothing: the other coil floats, and only its shunting through the coupling is left."""
    parts = (
        Source(name="emf", nodes=("out", "a")),
        Inductor(name="main", nodes=("a", "b"), inductance=2.0),
        Resistor(name="main resistance", nodes=("b", GROUND), resistance=6e3),
        Resistor(name="open track", nodes=("out", "c"), resistance=float("inf")),
        Inductor(name="unused", nodes=("c", "d"), inductance=1.0),
        Resistor(name="unused resistance", nodes=("d", "e"), resistance=3e3),
        Capacitor(name="unused capacitance", nodes=("c", "e"), capacitance=1e-9),
        Resistor(name="load", nodes=("out", GROUND), resistance=2e5),
    )
    coupling = Coupling(name="coupling", inductors=("main", "unused"), coefficient=0.8)
    circuit = Circuit(elements=(*parts, coupling), output="out")
    solution = solve(circuit, np.array([100.0, 3_000.0]))
    for place, frequency in enumerate((100.0, 3_000.0)):
        transfer, _ = solve_exactly(circuit, frequency)
        assert abs(solution.transfer[place] / transfer - 1) < 1e-9


def test_a_grounded_output_has_no_voltage_and_no_impedance() -> None:
    circuit = Circuit(
        elements=(
            Source(name="emf", nodes=("hot", GROUND)),
            Resistor(name="coil", nodes=("hot", "out"), resistance=6e3),
            Contact(name="kill", nodes=("out", GROUND), closed=True),
        ),
        output="out",
    )
    solution = solve(circuit, FREQUENCY_HZ)
    assert np.all(np.abs(solution.transfer) < 1e-12)
    assert np.all(np.abs(solution.output_impedance) < OHMS)


class SquareRoot:
    """√(jω): a branch that no finite number of resistors and capacitors makes."""

    def __call__(self, omega: np.ndarray) -> np.ndarray:
        return np.sqrt(1j * omega)

    def __hash__(self) -> int:
        return hash(type(self))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, SquareRoot)


@pytest.mark.ngspice
def test_custom_admittance_and_lossy_capacitor_agree_with_ngspice_and_40_digits(tmp_path: Path) -> None:
    circuit = Circuit(
        elements=(
            Source(name="emf", nodes=("a", GROUND)),
            Inductor(name="coil", nodes=("a", "b"), inductance=2.4),
            Resistor(name="wire", nodes=("b", "out"), resistance=6e3),
            CustomAdmittance(name="core", nodes=("a", "b"), row=SquareRoot(), coefficient=3e-8),
            Capacitor(name="cable", nodes=("out", GROUND), capacitance=5e-10, dissipation=0.03),
        ),
        output="out",
    )
    (sweep,) = simulate([circuit], FREQUENCY_HZ, tmp_path)
    solution = solve(circuit, FREQUENCY_HZ)
    assert_levels_and_phases_agree(solution.transfer, sweep.transfer)
    transfer, _ = solve_exactly(circuit, float(FREQUENCY_HZ[7]))
    assert abs(solution.transfer[7] / transfer - 1) < RELATIVE
