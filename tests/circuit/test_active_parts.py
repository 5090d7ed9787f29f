"""Controlled sources in the solver: feedback by hand, dense matrices, 40 digits, ngspice; batches of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from labkit.circuit.elements import (
    GROUND,
    Circuit,
    ControlledCurrent,
    ControlledVoltage,
    InputNoise,
    Resistor,
    Source,
)
from labkit.circuit.solve.solver import solve
from labkit.core.errors import CircuitError
from tests.circuit.active_circuits import ACTIVE, amplifier, coil
from tests.circuit.exact import solve_exactly
from tests.circuit.mna import solve_dense
from tests.circuit.ngspice import simulate

FREQUENCY_HZ = np.geomspace(20, 20_000, 13)
# Rounding of the dense route; feedback takes an impedance of an ohm as the difference of some of 100 Ω, times 1e5.
RELATIVE = 1e-8


@pytest.mark.parametrize("circuit", ACTIVE.values(), ids=list(ACTIVE))
def test_active_circuits_agree_with_dense_matrices_and_40_digits(circuit: Circuit) -> None:
    found, dense = solve(circuit, FREQUENCY_HZ), solve_dense(circuit, FREQUENCY_HZ)
    np.testing.assert_allclose(found.transfer, dense.transfer, rtol=RELATIVE)
    np.testing.assert_allclose(found.output_impedance, dense.output_impedance, rtol=RELATIVE)
    transfer, impedance = solve_exactly(circuit, 3000.0)
    at = solve(circuit, np.array([3000.0]))
    assert at.transfer[0] == pytest.approx(transfer, rel=RELATIVE)
    assert at.output_impedance[0] == pytest.approx(impedance, rel=RELATIVE)


@pytest.mark.ngspice
def test_ten_active_circuits_agree_with_ngspice_within_a_hundredth_of_a_decibel(tmp_path: Path) -> None:
    circuits = list(ACTIVE.values())
    assert len(circuits) == 10
    for circuit, sweep in zip(circuits, simulate(circuits, FREQUENCY_HZ, tmp_path)):
        found = solve(circuit, sweep.frequency_hz)
        # The claim is 0.01 dB; what is seen is the millidegrees of its RC for the falling gain.
        assert np.max(np.abs(20 * np.log10(np.abs(found.transfer / sweep.transfer)))) < 1e-5, circuit.name
        np.testing.assert_allclose(found.output_impedance, sweep.output_impedance, rtol=1e-6)


@pytest.mark.parametrize("circuit", ACTIVE.values(), ids=list(ACTIVE))
def test_a_batch_of_an_active_circuit_equals_its_variants_one_by_one(circuit: Circuit) -> None:
    factors = np.array([0.5, 1.0, 3.0])
    names = {"inductance": 2.4, "pot": 250e3}
    gains = {e.name: e.gain for e in circuit.of_kind(ControlledVoltage)}
    values = {name: value * factors for name, value in (names | gains).items()}
    batch = solve(circuit, FREQUENCY_HZ, values, per_source=True)
    for place in range(factors.size):
        alone = solve_dense(circuit.with_values({n: float(v[place]) for n, v in values.items()}), FREQUENCY_HZ)
        np.testing.assert_allclose(batch.transfer[:, place], alone.per_source, rtol=RELATIVE)
        np.testing.assert_allclose(batch.output_impedance[place], alone.output_impedance, rtol=RELATIVE)


def test_gain_with_feedback_falls_with_the_gain_bandwidth_product() -> None:
    """By hand: A/(1 + A·β), so a gain of 11 from a product of 3 MHz is 3 dB down at 273 kHz."""
    parts = (Source(name="emf", nodes=("hot", GROUND)), *amplifier("hot", "fed back", "out"))
    ring = (
        Resistor(name="feedback", nodes=("out", "fed back"), resistance=10e3),
        Resistor(name="to ground", nodes=("fed back", GROUND), resistance=1e3),
    )
    ideal = replace(parts[1], output_resistance=0.0)
    circuit = Circuit(elements=(parts[0], ideal, *ring), output="out")
    product = 1e5 * 30.0
    level = np.abs(solve(circuit, np.array([20.0, product / 11])).transfer)
    assert level[0] == pytest.approx(11 / (1 + 11e-5), rel=1e-5)
    assert level[1] / level[0] == pytest.approx(np.sqrt(0.5), rel=1e-4)


def test_output_resistance_falls_by_the_loop_gain() -> None:
    """By hand: R_o/(1 + A·β): 120 Ω of a follower with 100 dB is 1.2 mΩ at low frequency."""
    circuit = Circuit(
        elements=(Source(name="emf", nodes=("hot", GROUND)), amplifier("hot", "out", "out")[0]), output="out"
    )
    assert abs(solve(circuit, np.array([1e-3])).output_impedance[0]) == pytest.approx(120 / 100_001, rel=1e-6)


def test_a_transistor_follower_has_its_textbook_gain_and_output_resistance() -> None:
    """By hand: g_m·R/(1 + g_m·R) and 1/(g_m + 1/R) with 2 mA/V and 5 kΩ."""
    circuit = Circuit(
        elements=(
            Source(name="emf", nodes=("gate", GROUND)),
            ControlledCurrent(name="q", nodes=(GROUND, "out", "gate", "out"), transconductance=2e-3),
            Resistor(name="r", nodes=("out", GROUND), resistance=5e3),
        ),
        output="out",
    )
    found = solve(circuit, np.array([1e3]))
    assert found.transfer[0] == pytest.approx(10 / 11, rel=1e-12)
    assert found.output_impedance[0] == pytest.approx(1 / (2e-3 + 2e-4), rel=1e-12)


def test_active_parts_refuse_what_cannot_be_by_name() -> None:
    with pytest.raises(CircuitError, match="'q': needs four nodes"):
        ControlledCurrent(name="q", nodes=("a", "b"), transconductance=1e-3)
    with pytest.raises(CircuitError, match="'u': corner must be more than 0 Hz"):
        ControlledVoltage(name="u", nodes=("a", "b", "c", "d"), gain=1.0, corner_hz=0.0)
    with pytest.raises(CircuitError, match="0 or more; got -1e-09 V/√Hz"):
        InputNoise(name="n", nodes=("a", GROUND), voltage=-1e-9)
    noise = InputNoise(name="n", nodes=("hot", GROUND), reader="amplifer")
    with pytest.raises(CircuitError, match=r"needs a controlled source named 'amplifer'. Did you mean 'amplifier'"):
        Circuit(elements=(*coil(), *amplifier("hot", "out", "out"), noise), output="out")
