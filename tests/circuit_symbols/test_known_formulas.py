"""Formulas and figures that textbooks give."""

from __future__ import annotations

import math

import numpy as np
import pytest
import sympy

from labkit.circuit.elements import GROUND, Buffer, Capacitor, Circuit, Contact, Coupling, Inductor, Resistor, Source
from labkit.circuit.formula.formula import formula
from labkit.core.errors import CircuitError


def assert_is(circuit: Circuit, expected: str, *, impedance: bool = False) -> None:
    found = formula(circuit, method="ring")
    shown = found.output_impedance if impedance else found
    names = {symbol.name: sympy.Symbol(symbol.name) for symbol in shown.symbols} | {"s": sympy.Symbol("s")}
    got = sympy.sympify(str(shown.numerator / shown.denominator), locals=dict(names))
    assert sympy.simplify(got - sympy.sympify(expected, locals=dict(names))) == 0


def series_resonance(resistance: float = 8e3, inductance: float = 4.0, capacitance: float = 500e-12) -> Circuit:
    return Circuit(
        output="out",
        elements=(
            Source(name="emf", nodes=("a", GROUND)),
            Resistor(name="r", nodes=("a", "b"), resistance=resistance),
            Inductor(name="l", nodes=("b", "out"), inductance=inductance),
            Capacitor(name="c", nodes=("out", GROUND), capacitance=capacitance),
        ),
    )


def test_series_resonance_is_the_textbook_low_pass() -> None:
    """H = 1/(1 + sRC + s²LC): any text on network theory."""
    assert_is(series_resonance(), "1/(1 + s*R_r*C_c + s**2*L_l*C_c)")
    assert_is(series_resonance(), "(R_r + s*L_l)/(1 + s*R_r*C_c + s**2*L_l*C_c)", impedance=True)


def test_resonance_and_q_of_the_series_circuit() -> None:
    """f₀ = 1/(2π√(LC)), Q = √(L/C)/R: any text on network theory."""
    found = formula(series_resonance(), method="ring")
    assert found.resonance_hz == pytest.approx(1 / (2 * math.pi * math.sqrt(4.0 * 500e-12)), rel=1e-12)  # rounding
    assert found.q == pytest.approx(math.sqrt(4.0 / 500e-12) / 8e3, rel=1e-12)
    assert found.zeros.size == 0


def test_sensitivities_of_the_series_circuit() -> None:
    """From f₀ = 1/(2π√(LC)) and Q = √(L/C)/R by hand: −½, −½, 0 and +½, −½, −1."""
    found = {entry.part: entry for entry in formula(series_resonance(), method="ring").sensitivities()}
    expected = {"l": (-0.5, 0.5), "c": (-0.5, -0.5), "r": (0.0, -1.0)}
    for part, (resonance, q) in expected.items():
        assert found[part].resonance == pytest.approx(resonance, abs=1e-11)  # rounding
        assert found[part].q == pytest.approx(q, abs=1e-11)


def test_loaded_pickup_follows_the_damped_low_pass() -> None:
    """Coil R, L with C and load R_v: H = R_v/(R + R_v + s(L + R·R_v·C) + s²·L·C·R_v) (from memory, by hand)."""
    loaded = series_resonance()
    circuit = Circuit(
        output="out", elements=(*loaded.elements, Resistor(name="v", nodes=("out", GROUND), resistance=250e3))
    )
    assert_is(circuit, "R_v/(R_r + R_v + s*(L_l + R_r*R_v*C_c) + s**2*L_l*C_c*R_v)")
    r, inductance, c, load = 8e3, 4.0, 500e-12, 250e3
    omega = math.sqrt((1 + r / load) / (inductance * c))
    found = formula(circuit, method="ring")
    assert found.resonance_hz == pytest.approx(omega / (2 * math.pi), rel=1e-12)  # rounding
    assert found.q == pytest.approx(omega / (r / inductance + 1 / (load * c)), rel=1e-12)


def test_eddy_section_is_an_inductance_that_falls() -> None:
    """L(s) = L₀·(1 − K·s/(s + ω_e)) is L₀(1−K) in series with K·L₀ ∥ K·L₀·ω_e, by hand."""
    circuit = Circuit(
        output="out",
        elements=(
            Source(name="emf", nodes=("a", GROUND)),
            Inductor(name="main", nodes=("a", "b"), inductance=1.8),
            Inductor(name="core", nodes=("b", "out"), inductance=0.2),
            Resistor(name="loss", nodes=("b", "out"), resistance=0.2 * 2 * math.pi * 6e3),
            Resistor(name="load", nodes=("out", GROUND), resistance=1e6),
        ),
    )
    s = 2j * math.pi * np.array([100.0, 6e3, 20e3])
    inductance = 2.0 * (1 - 0.1 * s / (s + 2 * math.pi * 6e3))
    expected = 1e6 / (1e6 + s * inductance)
    assert formula(circuit, method="ring").at(s.imag / (2 * math.pi)) == pytest.approx(expected, rel=1e-12)  # rounding


def test_twin_t_has_its_notch_where_the_handbook_says() -> None:
    """Twin-T with R, R, R/2 and C, C, 2C: zeros at ±j/(RC); poles −(2 ± √3)/(RC) (standard result, from memory)."""
    r, c = 10e3, 10e-9
    circuit = Circuit(
        output="out",
        elements=(
            Source(name="emf", nodes=("in", GROUND)),
            Resistor(name="r1", nodes=("in", "t"), resistance=r),
            Resistor(name="r2", nodes=("t", "out"), resistance=r),
            Capacitor(name="c3", nodes=("t", GROUND), capacitance=2 * c),
            Capacitor(name="c1", nodes=("in", "u"), capacitance=c),
            Capacitor(name="c2", nodes=("u", "out"), capacitance=c),
            Resistor(name="r3", nodes=("u", GROUND), resistance=r / 2),
        ),
    )
    found = formula(circuit, method="ring")
    # The common factor (s + 1/RC) of the balanced circuit cancels; a root that two factors share is good to 1e-8.
    assert np.sort_complex(found.zeros * r * c) == pytest.approx(np.array([-1j, 1j]), abs=1e-7)
    expected = np.array([-2 - math.sqrt(3), -2 + math.sqrt(3)])
    assert np.sort(found.poles.real * r * c) == pytest.approx(expected, abs=1e-7)


def test_coupled_coils_in_series_add_twice_the_mutual_inductance() -> None:
    """L = L₁ + L₂ + 2M in series aiding: any text on network theory."""
    circuit = Circuit(
        output="out",
        elements=(
            Source(name="emf", nodes=("a", GROUND)),
            Inductor(name="one", nodes=("a", "m"), inductance=2.0),
            Inductor(name="two", nodes=("m", "out"), inductance=3.0),
            Coupling(name="k", inductors=("one", "two"), coefficient=0.2),
            Resistor(name="load", nodes=("out", GROUND), resistance=1e5),
        ),
    )
    assert_is(circuit, "R_load/(R_load + s*(L_one + L_two + 2*M_k))")


def test_divider_into_a_buffer_multiplies() -> None:
    circuit = Circuit(
        output="out",
        elements=(
            Source(name="emf", nodes=("a", GROUND)),
            Resistor(name="one", nodes=("a", "b"), resistance=1e3),
            Capacitor(name="two", nodes=("b", GROUND), capacitance=1e-8),
            Buffer(name="stage", nodes=("b", "c"), gain=1.2345678, output_resistance=600.0),
            Resistor(name="load", nodes=("c", "out"), resistance=1e3),
            Resistor(name="end", nodes=("out", GROUND), resistance=1e3),
        ),
    )
    assert_is(circuit, "A_stage/(1 + s*R_one*C_two)*R_end/(R_1 + R_end)")


def test_parallel_and_series_parts_are_lumped_and_named() -> None:
    circuit = Circuit(
        output="out",
        elements=(
            Source(name="emf", nodes=("a", GROUND)),
            Resistor(name="first", nodes=("a", "b"), resistance=1e3),
            Resistor(name="second", nodes=("b", "out"), resistance=2e3),
            Capacitor(name="cable", nodes=("out", GROUND), capacitance=3e-10),
            Capacitor(name="input", nodes=(GROUND, "out"), capacitance=1e-10),
        ),
    )
    found = formula(circuit, method="ring")
    lumps = {symbol.combination: symbol.value for symbol in found.symbols}
    assert lumps == pytest.approx({"first + second": 3e3, "cable ∥ input": 4e-10})
    assert "Lumped: R_1 = first + second." in found.statements
    separate = formula(circuit, ["input"], method="ring")
    assert [symbol.parts for symbol in separate.symbols] == [("input",)]


def test_capacitors_in_series_and_resistors_side_by_side_are_lumped_to_less_than_either() -> None:
    circuit = Circuit(
        output="out",
        elements=(
            Source(name="emf", nodes=("a", GROUND)),
            Capacitor(name="first", nodes=("a", "b"), capacitance=20e-9),
            Capacitor(name="second", nodes=("b", "out"), capacitance=30e-9),
            Resistor(name="pot", nodes=("out", GROUND), resistance=250e3),
            Resistor(name="input", nodes=("out", GROUND), resistance=1e6),
        ),
    )
    # by hand: 20·30/50 = 12 nF and 250·1000/1250 = 200 kΩ
    assert sorted(symbol.value for symbol in formula(circuit, method="ring").symbols) == pytest.approx([12e-9, 200e3])


def test_impedance_scaling_leaves_the_transfer_alone() -> None:
    """R, L times a and C over a: transfer the same, impedance times a (any text on network theory)."""
    frequency = np.geomspace(20, 2e4, 7)
    plain, scaled = (formula(series_resonance(8e3 * a, 4.0 * a, 500e-12 / a), method="ring") for a in (1.0, 7.0))
    assert scaled.at(frequency) == pytest.approx(plain.at(frequency), rel=1e-12)  # rounding
    assert scaled.output_impedance.at(frequency) == pytest.approx(7 * plain.output_impedance.at(frequency), rel=1e-12)


def test_loop_of_ideal_voltages_is_refused_by_name() -> None:
    circuit = Circuit(
        name="mistake",
        output="a",
        elements=(Source(name="emf", nodes=("a", GROUND)), Contact(name="wire", nodes=("a", GROUND), closed=True)),
    )
    with pytest.raises(CircuitError, match="mistake: 'wire' closes a loop of ideal voltages at node 'a'"):
        formula(circuit)


def test_output_that_hangs_free_is_refused() -> None:
    circuit = Circuit(
        name="loose",
        output="b",
        elements=(
            Source(name="emf", nodes=("a", GROUND)),
            Resistor(name="r", nodes=("a", GROUND), resistance=1.0),
            Contact(name="open", nodes=("a", "b"), closed=False),
        ),
    )
    with pytest.raises(CircuitError, match="loose: the output 'b' is connected to nothing"):
        formula(circuit)


@pytest.mark.parametrize(
    ("keywords", "sentence"),
    [
        ({"source": "emg"}, r"no source is named 'emg'\. Did you mean 'emf'"),
        ({"keep": ["cabel"]}, r"no part to keep is named 'cabel'\."),
        ({"keep": ["emf"]}, "no part to keep is named 'emf'"),
    ],
)
def test_unknown_names_are_refused_with_the_nearest(keywords: dict, sentence: str) -> None:
    with pytest.raises(CircuitError, match=sentence):
        formula(series_resonance(), **keywords)


def test_lcapy_is_refused_where_it_would_take_minutes() -> None:
    from tests.circuit_symbols.circuits import two_pickups

    with pytest.raises(CircuitError, match="beyond lcapy"):
        formula(two_pickups(), method="lcapy")
