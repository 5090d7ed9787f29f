"""Poles by hand, and the verdict against the encirclements of the return difference (Nyquist)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from labkit.circuit.elements import GROUND, Capacitor, Circuit, ControlledVoltage, Inductor, Resistor, Source
from labkit.circuit.solve.solver import Batch
from labkit.circuit.solve.stability import poles, stability
from tests.circuit.active_circuits import ACTIVE, amplifier, capacitor, coil, resistor


def test_poles_of_a_resonance_are_those_of_the_textbook() -> None:
    """R, L and C in a ring: s = −R/2L ± j√(1/LC − (R/2L)²)."""
    parts = (
        Source(name="emf", nodes=("a", GROUND)),
        Resistor(name="r", nodes=("a", "b"), resistance=6e3),
        Inductor(name="l", nodes=("b", "out"), inductance=2.4),
        Capacitor(name="c", nodes=("out", GROUND), capacitance=6e-10),
    )
    found = poles(Circuit(elements=parts, output="out"))
    expected = -6e3 / 4.8 + 1j * np.sqrt(1 / (2.4 * 6e-10) - (6e3 / 4.8) ** 2)
    assert found.size == 2
    assert sorted(found, key=lambda pole: pole.imag)[1] == pytest.approx(expected, rel=1e-6)


def test_a_pole_of_a_follower_lies_at_its_gain_bandwidth_product() -> None:
    ideal = ControlledVoltage(name="u", nodes=("out", GROUND, "in", "out"), gain=1e5, corner_hz=30.0)
    parts = (Source(name="emf", nodes=("in", GROUND)), ideal, resistor("load", "out", GROUND, 1e4))
    found = poles(Circuit(elements=parts, output="out"))
    assert found[0] == pytest.approx(-2 * np.pi * 30 * 100_001, rel=1e-9)


def encirclements(circuit: Circuit) -> int:
    """Times that det(1 − L) runs round zero for s = jω, both signs of ω: minus the number of growing poles."""
    frequency = np.geomspace(1e-4, 1e10, 40_001)
    batch = Batch(circuit, frequency, None)
    difference = batch.ways(slice(0, 1), slice(0, frequency.size)).return_difference[0]
    angle = np.unwrap(np.angle(np.linalg.det(difference)))
    return round(2 * (angle[-1] - angle[0]) / (2 * np.pi))


def swapped(circuit: Circuit) -> Circuit:
    """The two inputs of every amplifier exchanged: positive feedback."""
    return replace(
        circuit,
        elements=tuple(
            replace(e, nodes=(*e.nodes[:2], e.nodes[3], e.nodes[2])) if isinstance(e, ControlledVoltage) else e
            for e in circuit.elements
        ),
    )


@pytest.mark.parametrize("circuit", ACTIVE.values(), ids=list(ACTIVE))
def test_the_verdict_is_that_of_the_encirclements(circuit: Circuit) -> None:
    for each in (circuit, swapped(circuit)):
        found = stability(each)
        growing = int(np.count_nonzero(found.poles.real > 0)) if found.poles.size else 0
        assert growing == -encirclements(each)
        assert found.is_stable == (growing == 0)
        assert found.words.startswith("stable" if found.is_stable else "unstable")


def test_the_ten_active_circuits_are_stable_and_their_inputs_exchanged_are_not() -> None:
    for circuit in ACTIVE.values():
        assert stability(circuit).is_stable, circuit.name
        if circuit.of_kind(ControlledVoltage):
            assert not stability(swapped(circuit)).is_stable, circuit.name


def test_a_phase_shift_oscillator_is_said_to_oscillate_at_its_textbook_frequency() -> None:
    """Three equal RC sections with buffers of their own oscillate at √3/(2πRC) once the gain is above 8."""

    def ladder(gain: float) -> Circuit:
        parts = [resistor("load", "out", GROUND, 1e5)]
        node = "out"
        for at in range(3):
            after = f"n{at}"
            parts += [resistor(f"r{at}", node, f"m{at}", 1e4), capacitor(f"c{at}", f"m{at}", GROUND, 1e-8)]  # type: ignore[list-item]
            parts.append(ControlledVoltage(name=f"f{at}", nodes=(after, GROUND, f"m{at}", GROUND), gain=1.0))  # type: ignore[arg-type]
            parts.append(resistor(f"l{at}", after, GROUND, 1e6))
            node = after
        stage = ControlledVoltage(name="gain", nodes=("out", GROUND, GROUND, node), gain=gain)
        return Circuit(elements=(*parts, stage), output="out")

    assert stability(ladder(7.9)).is_stable
    found = stability(ladder(8.1))
    assert not found.is_stable
    frequency = np.sqrt(3) / (2 * np.pi * 1e4 * 1e-8)
    assert f"oscillate at about {frequency / 1e3:.1f} kHz" in found.words


def test_a_circuit_without_feedback_is_stable_and_says_so() -> None:
    found = stability(Circuit(elements=coil(), output="hot"))
    assert found.is_stable
    assert found.words == "stable: whatever is stirred up in it dies away"


def test_an_amplifier_that_drives_a_capacitor_through_its_output_resistance_loses_its_margin() -> None:
    """120 Ω and 1 µF behind 3 MHz, fed back as a follower: √(3 MHz · 1.3 kHz) = 63 kHz rings with a Q of about 47."""
    parts = (*coil(), *amplifier("hot", "out", "out"), capacitor("line", "out", GROUND, 1e-6))
    found = poles(Circuit(elements=parts, output="out"))
    worst = found[0]
    assert abs(worst) / (2 * np.pi) == pytest.approx(np.sqrt(3e6 / (2 * np.pi * 120 * 1e-6)), rel=0.02)
    assert abs(worst) / (-2 * worst.real) > 10
