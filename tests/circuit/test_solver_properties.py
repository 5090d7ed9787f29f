"""What holds for every circuit of passive parts, whatever its values: laws of networks, not our own digits."""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from labkit.circuit.elements import (
    GROUND,
    MAIN_VALUE,
    Capacitor,
    Circuit,
    Contact,
    Element,
    Inductor,
    Resistor,
    Source,
)
from labkit.circuit.solve.solver import solve
from tests.circuit.random_circuits import EVERYTHING, log_uniform, random_circuit

FREQUENCY_HZ = np.geomspace(20, 20_000, 31)
PASSIVE = EVERYTHING - {"buffer"}

# Laws hold to rounding; what is left is the cancelling of coupled inductors, and 1 nΩ for a short.
RELATIVE = 1e-9
VOLTS = 1e-10
OHMS = 2e-8

randoms = st.randoms(use_true_random=False)


@given(randoms)
def test_every_circuit_has_a_finite_response(random: Random) -> None:
    solution = solve(random_circuit(random), np.array([1e-3, 20.0, 1e3, 2e4, 1e9]), per_source=True)
    assert np.all(np.isfinite(solution.transfer))
    assert np.all(np.isfinite(solution.output_impedance))


@given(randoms)
def test_output_impedance_of_passive_parts_has_no_negative_resistance(random: Random) -> None:
    impedance = solve(random_circuit(random, PASSIVE), FREQUENCY_HZ).output_impedance
    # A reactance may hide a resistance 1e9 times smaller in the rounding of its own real part.
    assert np.all(impedance.real >= -1e-9 * np.abs(impedance))


@given(randoms)
def test_load_never_receives_more_than_the_available_power_of_a_coil(random: Random) -> None:
    """An EMF E behind R can give E²/4R at most (maximum power transfer theorem, any circuit textbook)."""
    circuit = random_circuit(random, PASSIVE)
    load = circuit["load"]
    assert isinstance(load, Resistor)
    solution = solve(circuit, FREQUENCY_HZ, per_source=True)
    for name, transfer in zip(solution.sources, solution.transfer):
        coil = circuit[name.replace(".emf", ".r")]
        assert isinstance(coil, Resistor)
        power = np.abs(transfer) ** 2 / load.resistance
        assert np.all(power <= 1 / (4 * coil.resistance) * (1 + 1e-9))


@given(randoms)
def test_passive_circuits_are_reciprocal(random: Random) -> None:
    """The current that 1 V in one loop drives through another equals that of 1 V in the other through the first."""
    circuit = random_circuit(random, PASSIVE)
    network = [
        Contact(name=part.name, nodes=part.nodes, closed=True) if isinstance(part, Source) else part
        for part in circuit.elements
    ]
    here, there = random.sample(sorted(set(circuit.nodes) - {GROUND}), 2)
    own = {here: log_uniform(random, 1e2, 1e6), there: log_uniform(random, 1e2, 1e6)}

    def current(driven: str, sensed: str) -> np.ndarray:
        ends = (
            Source(name="drive", nodes=("driven", GROUND)),
            Resistor(name="drive.r", nodes=("driven", driven), resistance=own[driven]),
            Resistor(name="sense.r", nodes=(sensed, GROUND), resistance=own[sensed]),
        )
        return solve(Circuit(elements=(*network, *ends), output=sensed), FREQUENCY_HZ).transfer / own[sensed]

    forward, backward = current(here, there), current(there, here)
    assert np.all(np.abs(forward - backward) <= RELATIVE * np.abs(forward) + VOLTS / min(own.values()))


@given(randoms, st.floats(1e-2, 1e2))
def test_scaling_all_impedances_scales_the_output_impedance_and_nothing_else(random: Random, factor: float) -> None:
    circuit = random_circuit(random, PASSIVE)
    scaled = _scaled(circuit, resistance=factor, inductance=factor, capacitance=1 / factor)
    one, other = solve(circuit, FREQUENCY_HZ), solve(scaled, FREQUENCY_HZ)
    assert_near(other.transfer, one.transfer, VOLTS * max(factor, 1 / factor))
    assert_near(other.output_impedance, factor * one.output_impedance, OHMS * max(factor, 1))


@given(randoms, st.floats(1e-2, 1e2))
def test_scaling_all_reactances_moves_the_response_along_frequency(random: Random, factor: float) -> None:
    circuit = random_circuit(random)
    scaled = _scaled(circuit, inductance=1 / factor, capacitance=1 / factor)
    one, other = solve(circuit, FREQUENCY_HZ), solve(scaled, FREQUENCY_HZ * factor)
    assert_near(other.transfer, one.transfer, VOLTS)
    assert_near(other.output_impedance, one.output_impedance, OHMS)


@given(randoms)
def test_response_tends_to_the_resistive_network_at_low_frequency(random: Random) -> None:
    circuit = random_circuit(random, PASSIVE - {"coupling", "dissipation"})
    direct = Circuit(elements=tuple(_at_zero_frequency(part) for part in circuit.elements), output=circuit.output)
    # The slowest pole is 1 MΩ·s⁻¹-ish: 10 MΩ with 0.1 µF, 0.16 Hz; at 1 µHz what is left is below 1e-5 of 1 V.
    low = solve(circuit, np.array([1e-6])).transfer
    assert abs(low - solve(direct, np.array([1.0])).transfer).max() < 1e-4


@given(randoms)
def test_sum_of_single_sources_with_their_weights_is_the_response(random: Random) -> None:
    circuit = random_circuit(random)
    weights = np.array([source.voltage for source in circuit.sources])
    single = solve(circuit, FREQUENCY_HZ, per_source=True).transfer
    assert_near(solve(circuit, FREQUENCY_HZ).transfer, weights @ single, VOLTS)


@given(randoms)
def test_a_batch_equals_its_variants_one_by_one(random: Random) -> None:
    circuit = random_circuit(random)
    varied = random.sample([part for part in circuit.elements if type(part) in MAIN_VALUE], 3)
    factors = np.array([1.0, 0.7, 0.4])
    values = {part.name: _main_value(part) * factors for part in varied if math.isfinite(_main_value(part))}
    batch = solve(circuit, FREQUENCY_HZ, values, per_source=True)
    for place in range(len(factors)):
        changed = circuit.with_values({name: float(row[place]) for name, row in values.items()})
        alone = solve(changed, FREQUENCY_HZ, per_source=True)
        expected = batch.transfer[:, place] if values else batch.transfer
        assert_near(alone.transfer, expected, VOLTS)
        assert_near(alone.output_impedance, batch.output_impedance[place] if values else batch.output_impedance, OHMS)


def test_order_of_elements_does_not_matter() -> None:
    for seed in range(30):
        circuit = random_circuit(Random(seed))
        turned = replace(circuit, elements=circuit.elements[::-1])
        one, other = solve(circuit, FREQUENCY_HZ), solve(turned, FREQUENCY_HZ)
        assert_near(other.transfer, one.transfer, VOLTS)
        assert_near(other.output_impedance, one.output_impedance, OHMS)


@given(randoms)
def test_a_source_with_its_ends_exchanged_counts_the_other_way_round(random: Random) -> None:
    circuit = random_circuit(random)
    chosen = random.choice(circuit.sources)
    turned = replace(chosen, nodes=chosen.nodes[::-1])
    other = replace(circuit, elements=tuple(turned if part is chosen else part for part in circuit.elements))
    place = [source.name for source in circuit.sources].index(chosen.name)
    before, after = (solve(each, FREQUENCY_HZ, per_source=True).transfer for each in (circuit, other))
    assert_near(after[place], -before[place], VOLTS)


def test_two_equal_sources_against_each_other_cancel_and_with_each_other_add() -> None:
    """By hand: 1 V and 1 V behind 1 kΩ each into an open node are 1 V; one turned round leaves nothing."""
    for nodes, expected in ((("b", GROUND), 1.0), ((GROUND, "b"), 0.0)):
        parts = (
            Source(name="one", nodes=("a", GROUND)),
            Source(name="other", nodes=nodes),
            Resistor(name="first", nodes=("a", "out"), resistance=1e3),
            Resistor(name="second", nodes=("b", "out"), resistance=1e3),
        )
        assert_near(solve(Circuit(elements=parts, output="out"), FREQUENCY_HZ).transfer, np.array(expected), VOLTS)


def assert_near(got: np.ndarray, expected: np.ndarray, floor: float) -> None:
    assert np.all(np.isfinite(got))
    assert np.all(np.abs(got - expected) <= RELATIVE * np.abs(expected) + floor)


def _main_value(part: Element) -> float:
    return float(getattr(part, MAIN_VALUE[type(part)]))


def _scaled(circuit: Circuit, *, resistance: float = 1, inductance: float = 1, capacitance: float = 1) -> Circuit:
    factors = {Resistor: resistance, Inductor: inductance, Capacitor: capacitance}
    return circuit.with_values(
        {part.name: _main_value(part) * factors[type(part)] for part in circuit.elements if type(part) in factors}
    )


def _at_zero_frequency(part: Element) -> Element:
    if isinstance(part, Inductor):
        return Contact(name=part.name, nodes=part.nodes, closed=True)
    if isinstance(part, Capacitor):
        return Contact(name=part.name, nodes=part.nodes, closed=False)
    return part
