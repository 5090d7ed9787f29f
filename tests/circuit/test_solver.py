"""What the solver promises by itself: textbook answers, noise, streaming, and a sentence for what cannot be solved."""

from __future__ import annotations

import math

import numpy as np
import pytest

from labkit.circuit.elements import (
    GROUND,
    Buffer,
    Capacitor,
    Circuit,
    Contact,
    Coupling,
    Element,
    Inductor,
    Resistor,
    Source,
)
from labkit.circuit.solve.noise import thermal_noise
from labkit.circuit.solve.solver import circuit_response, solve, solve_blocks
from labkit.core.errors import CircuitError

FREQUENCY_HZ = np.geomspace(20, 20_000, 64)


def coil_and_load(**values: float) -> Circuit:
    """A coil of 2.4 H and 6 kΩ with 610 pF and 111 kΩ across it: the usual one-pickup picture."""
    given = {"inductance": 2.4, "resistance": 6e3, "capacitance": 610e-12, "load": 111e3} | values
    return Circuit(
        elements=(
            Source(name="emf", nodes=("a", GROUND)),
            Inductor(name="inductance", nodes=("a", "b"), inductance=given["inductance"]),
            Resistor(name="resistance", nodes=("b", "out"), resistance=given["resistance"]),
            Capacitor(name="capacitance", nodes=("out", GROUND), capacitance=given["capacitance"]),
            Resistor(name="load", nodes=("out", GROUND), resistance=given["load"]),
        ),
        output="out",
    )


def test_loaded_coil_follows_the_second_order_low_pass() -> None:
    """H = 1/(1 + R/Rₗ − ω²LC + jω(L/Rₗ + RC)), by hand from the voltage divider."""
    omega = 2 * np.pi * FREQUENCY_HZ
    inductance, resistance, capacitance, load = 2.4, 6e3, 610e-12, 111e3
    by_hand = 1 / (
        1
        + resistance / load
        - omega**2 * inductance * capacitance
        + 1j * omega * (inductance / load + resistance * capacitance)
    )
    # Rounding only: both sides are a dozen operations.
    np.testing.assert_allclose(solve(coil_and_load(), FREQUENCY_HZ).transfer, by_hand, rtol=1e-12)


def test_peak_of_a_loaded_coil_lies_where_the_derivative_vanishes() -> None:
    """ω² = (1 + R/Rₗ)/LC − (L/Rₗ + RC)²/2(LC)², the maximum of the second-order low-pass."""
    inductance, resistance, capacitance, load = 2.4, 6e3, 610e-12, 111e3
    product = inductance * capacitance
    damping = inductance / load + resistance * capacitance
    expected = math.sqrt((1 + resistance / load) / product - damping**2 / (2 * product**2)) / (2 * math.pi)
    peak = circuit_response(coil_and_load()).peak
    assert peak is not None
    # 1e-6 is what the peak search of a response promises.
    assert peak.frequency_hz == pytest.approx(expected, rel=1e-6)


def test_two_coupled_coils_in_series_have_the_inductance_of_the_textbook() -> None:
    """L = L₁ + L₂ + 2M aiding, and L₁ + L₂ − 2M opposing."""
    for sign in (1, -1):
        circuit = Circuit(
            elements=(
                Inductor(name="first", nodes=("out", "middle"), inductance=2.0),
                Inductor(name="second", nodes=("middle", GROUND), inductance=3.0),
                Coupling(name="coupling", inductors=("first", "second"), coefficient=sign * 0.1),
            ),
            output="out",
        )
        total = 5.0 + sign * 2 * 0.1 * math.sqrt(6.0)
        reactance = solve(circuit, FREQUENCY_HZ).output_impedance
        np.testing.assert_allclose(reactance, 2j * np.pi * FREQUENCY_HZ * total, rtol=1e-12)


def test_an_out_of_phase_pair_of_equal_sources_is_silent() -> None:
    elements: list[Element] = [Resistor(name="load", nodes=("out", GROUND), resistance=1e6)]
    for name, voltage in (("neck", 1.0), ("bridge", -1.0)):
        elements += [
            Source(name=name, nodes=(f"{name}.a", GROUND), voltage=voltage),
            Resistor(name=f"{name}.r", nodes=(f"{name}.a", "out"), resistance=6e3),
        ]
    # Rounding of two equal currents that cancel.
    assert np.all(np.abs(solve(Circuit(elements=tuple(elements), output="out"), FREQUENCY_HZ).transfer) < 1e-15)


def test_a_buffer_passes_signal_forward_and_nothing_back() -> None:
    def circuit(load: float) -> Circuit:
        return Circuit(
            elements=(
                *coil_and_load().elements,
                Buffer(name="buffer", nodes=("out", "line"), gain=2.0, output_resistance=500.0),
                Capacitor(name="long cable", nodes=("line", GROUND), capacitance=3e-9),
                Resistor(name="input", nodes=("line", GROUND), resistance=load),
            ),
            output="line",
        )

    alone = solve(coil_and_load(), FREQUENCY_HZ).transfer
    for load in (1e3, 1e6):
        after = 1 / (1 + 500 / load + 2j * np.pi * FREQUENCY_HZ * 500 * 3e-9)
        np.testing.assert_allclose(solve(circuit(load), FREQUENCY_HZ).transfer, 2 * alone * after, rtol=1e-12)


def test_noise_of_a_resistor_with_a_capacitor_adds_up_to_kt_over_c() -> None:
    """Equipartition: whatever the resistor, the mean square noise of a capacitor is kT/C."""
    frequency_hz = np.linspace(0.5, 4e6, 400_001)
    for resistance in (1e4, 1e6):
        circuit = Circuit(
            elements=(
                Resistor(name="r", nodes=("out", GROUND), resistance=resistance),
                Capacitor(name="c", nodes=("out", GROUND), capacitance=1e-9),
            ),
            output="out",
        )
        density = thermal_noise(circuit, frequency_hz, temperature_c=20.0)
        total = np.trapezoid(density**2, frequency_hz)
        # The tail above 4 MHz is 2/π · 16 kHz / 4 MHz = 0.25 % for 10 kΩ, and the steps cost less.
        assert total == pytest.approx(1.380649e-23 * 293.15 / 1e-9, rel=4e-3)


def test_noise_of_one_megohm_is_that_of_the_handbooks() -> None:
    """127 nV/√Hz for 1 MΩ at 20 °C (√4kTR; common practice, no source)."""
    circuit = Circuit(elements=(Resistor(name="r", nodes=("out", GROUND), resistance=1e6),), output="out")
    assert thermal_noise(circuit, np.array([1e3]))[0] == pytest.approx(127e-9, rel=5e-3)


def test_noise_before_a_buffer_goes_with_its_gain() -> None:
    """A voltage gain of ten makes ten times the noise voltage; 127 nV/√Hz as above, beside 4 nV/√Hz of the output."""
    circuit = Circuit(
        elements=(
            Resistor(name="r", nodes=("in", GROUND), resistance=1e6),
            Buffer(name="buffer", nodes=("in", "out"), gain=10.0, output_resistance=1e3),
            Resistor(name="load", nodes=("out", GROUND), resistance=1e9),
        ),
        output="out",
    )
    assert thermal_noise(circuit, np.array([1e3]))[0] == pytest.approx(1.27e-6, rel=5e-3)


def test_blocks_cover_every_variant_in_order() -> None:
    values = {"capacitance": np.linspace(1e-10, 3e-9, 37), "load": np.geomspace(1e4, 1e7, 37)}
    whole = solve(coil_and_load(), FREQUENCY_HZ, values).transfer
    seen = 0
    for rows, voltage in solve_blocks(coil_and_load(), FREQUENCY_HZ, values, block_points=300):
        assert rows.start == seen
        seen = rows.stop
        np.testing.assert_array_equal(voltage, whole[rows])
    assert seen == 37


def test_infinite_and_zero_resistances_may_stand_in_one_batch() -> None:
    solution = solve(coil_and_load(), np.array([100.0]), {"load": np.array([math.inf, 1e6, 0.0])})
    # At 100 Hz the divider is nearly one, one, and nothing: 1 nΩ against 6 kΩ.
    assert np.abs(solution.transfer[:, 0]) == pytest.approx([1.0, 0.994, 1.7e-13], rel=0.01)


def test_frequencies_need_no_order() -> None:
    shuffled = np.random.default_rng(1).permutation(FREQUENCY_HZ)
    one, other = solve(coil_and_load(), FREQUENCY_HZ), solve(coil_and_load(), shuffled)
    np.testing.assert_array_equal(np.sort_complex(one.transfer), np.sort_complex(other.transfer))


def test_an_emf_shorted_by_a_contact_is_refused_by_name() -> None:
    shorted = Contact(name="wrong", nodes=("a", GROUND), closed=True)
    with pytest.raises(CircuitError, match="'emf' is shorted out"):
        solve(Circuit(elements=(*coil_and_load().elements, shorted), output="out"), FREQUENCY_HZ)


def test_feedback_that_returns_all_of_itself_is_refused() -> None:
    circuit = Circuit(
        elements=(
            Resistor(name="r1", nodes=("one", GROUND), resistance=1e3),
            Resistor(name="r2", nodes=("two", GROUND), resistance=1e3),
            Buffer(name="there", nodes=("one", "two"), gain=2.0, output_resistance=1e3),
            Buffer(name="back", nodes=("two", "one"), gain=2.0, output_resistance=1e3),
        ),
        output="two",
    )
    with pytest.raises(CircuitError, match="feedback of its active parts has no answer"):
        solve(circuit, FREQUENCY_HZ)


def test_couplings_that_are_together_impossible_are_refused_by_name() -> None:
    parts = [Inductor(name=f"l{i}", nodes=("out", GROUND), inductance=1.0) for i in range(3)]
    couplings = [Coupling(name=f"k{i}", inductors=(f"l{i}", f"l{(i + 1) % 3}"), coefficient=-0.9) for i in range(3)]
    with pytest.raises(CircuitError, match="l0, l1, l2 are together stronger"):
        solve(Circuit(elements=(*parts, *couplings), output="out"), FREQUENCY_HZ)


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        ({"lode": 1.0}, "no part is named 'lode'. Did you mean 'load'?"),
        ({"load": -1.0}, "'load' must be 0 or more"),
        ({"load": math.nan}, "'load' must be 0 or more"),
        ({"load": np.ones((2, 2))}, "one row of numbers"),
        ({"load": np.ones(2), "capacitance": np.ones(3)}, "one length"),
    ],
)
def test_impossible_values_are_refused_by_name(values: dict[str, float | np.ndarray], sentence: str) -> None:
    with pytest.raises(CircuitError, match=sentence.replace("?", r"\?")):
        solve(coil_and_load(), FREQUENCY_HZ, values)


@pytest.mark.parametrize("frequency_hz", [[0.0], [-1.0, 2.0], [math.nan], [[1.0, 2.0]]])
def test_impossible_frequencies_are_refused(frequency_hz: list[float]) -> None:
    with pytest.raises(CircuitError, match="positive, finite numbers in Hz"):
        solve(coil_and_load(), np.array(frequency_hz))


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: Resistor(name="r", nodes=("a", "b"), resistance=-1.0), "'r': resistance must be 0 Ω or more"),
        (lambda: Resistor(name="r", nodes=("a", "b"), resistance=math.nan), "'r': resistance must be 0 Ω or more"),
        (lambda: Resistor(name="r", nodes=("a",), resistance=1.0), "'r': needs two nodes; got 1"),
        (lambda: Capacitor(name="c", nodes=("a", "b"), capacitance=math.inf), "'c': capacitance"),
        (lambda: Capacitor(name="c", nodes=("a", "b"), capacitance=1.0, dissipation=1.0), "dissipation must lie"),
        (lambda: Inductor(name="l", nodes=("a", "b"), inductance=0.0), "'l': inductance must be more than 0 H"),
        (lambda: Coupling(name="k", inductors=("l", "m"), coefficient=1.0), "between −1 and 1"),
        (lambda: Coupling(name="k", inductors=("l", "l"), coefficient=0.5), "cannot be coupled to itself"),
        (lambda: Source(name="v", nodes=("a", "b"), voltage=math.inf), "voltage must be finite"),
        (lambda: Buffer(name="x", nodes=("a", "b"), output_resistance=math.inf), "output resistance"),
    ],
)
def test_impossible_elements_are_refused_by_name(make, sentence: str) -> None:
    with pytest.raises(CircuitError, match=sentence):
        make()


def test_a_circuit_names_what_is_wrong_with_its_list() -> None:
    load = Resistor(name="load", nodes=("out", GROUND), resistance=1e6)
    with pytest.raises(CircuitError, match="two parts are named 'load'"):
        Circuit(elements=(load, load), output="out")
    with pytest.raises(CircuitError, match=r"output 'ouf' is no node of the circuit. Did you mean 'out'\?"):
        Circuit(elements=(load,), output="ouf")
    with pytest.raises(CircuitError, match="coupling 'k' needs an inductor named 'coil'"):
        Circuit(elements=(load, Coupling(name="k", inductors=("coil", "load"), coefficient=0.1)), output="out")
