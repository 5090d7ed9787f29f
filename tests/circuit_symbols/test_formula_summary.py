"""What is read first of a circuit: closed forms with their errors, and the circuit cut down to what matters."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
import pytest
import sympy

from labkit.circuit.elements import GROUND, Capacitor, Circuit, Inductor, Resistor, Source
from labkit.circuit.formula.formula import formula
from labkit.circuit.formula.summary import WITHIN_DB, summary
from labkit.circuit.formula.text import formula_coefficients
from labkit.circuit.solve.solver import solve
from labkit.core.units import parse_quantity
from labkit.rig.harness import Harness
from labkit.rig.sheet import load_rig, set_value
from tests.circuit_symbols.test_builtin_harness_formulas import rigs
from tests.rig.random_rigs import harnesses

FREQUENCY = np.geomspace(20.0, 20e3, 61)
ONE = "Saltmarsh Lane, narrow single coil"


def coil(resistance: float, load: float) -> Circuit:
    """A coil of 2.5 H under 640 pF: 1/(2π·√1.6e-9) = 3978.87 Hz, X = 62.5 kΩ."""
    return Circuit(
        output="out",
        elements=(
            Source(name="emf", nodes=("a", GROUND)),
            Resistor(name="r", nodes=("a", "b"), resistance=resistance),
            Inductor(name="l", nodes=("b", "out"), inductance=2.5),
            Capacitor(name="c", nodes=("out", GROUND), capacitance=640e-12),
            Resistor(name="load", nodes=("out", GROUND), resistance=load),
        ),
    )


def test_closed_forms_are_those_worked_out_by_hand() -> None:
    found = summary(coil(5e3, 250e3))
    assert found.coil is not None
    assert found.coil.inductance == pytest.approx(2.5, rel=1e-6)
    assert found.coil.capacitance == pytest.approx(640e-12, rel=1e-6)
    resonance, q, height, level, edge = (form.value for form in found.forms)
    assert resonance == pytest.approx(3978.87, rel=1e-5)
    # 1/(5/62.5 + 62.5/250) = 1/0.33
    assert q == pytest.approx(1 / 0.33, rel=1e-6)
    assert height == pytest.approx(20 * math.log10((1 / 0.33) / math.sqrt(1 - 0.33**2 / 4)), abs=1e-5)
    assert level == pytest.approx(20 * math.log10(250 / 255), abs=1e-5)
    u = 1 - 0.33**2 / 2
    assert edge == pytest.approx(3978.87 * math.sqrt(u + math.sqrt(u**2 + 1)), rel=1e-5)


def test_closed_forms_are_exact_in_the_limit_of_a_light_load() -> None:
    """With R_s and 1/R_p towards nothing the second-order form is the circuit; R_s/R_p = 1e-4 is what is left."""
    for form in summary(coil(500.0, 5e6)).forms:
        assert form.error is not None
        assert abs(form.error) < 0.02, form


def test_an_error_is_the_form_against_the_whole_circuit() -> None:
    rig = load_rig(ONE)
    forms = {form.quantity: form for form in summary(rig.circuit).forms}
    peak = rig.response().peak
    assert peak is not None
    resonance = forms["resonance"]
    assert resonance.exact == pytest.approx(peak.frequency_hz, rel=1e-9)
    assert resonance.error == pytest.approx(resonance.value / peak.frequency_hz - 1, rel=1e-9)
    assert forms["Q"].exact == pytest.approx(formula(rig.circuit, method="ring").q, rel=1e-6)
    assert forms["3 dB down"].exact == pytest.approx(rig.response().minus_3db_hz, rel=1e-9)


@pytest.mark.parametrize("harness", harnesses(), ids=lambda harness: harness.name)
def test_every_wiring_is_read_on_one_screen_and_its_cut_down_circuit_holds(harness: Harness) -> None:
    for rig in rigs(harness)[:1]:
        found = summary(rig.circuit)
        text = found.text()
        assert text.count("\n") + 1 <= 25, text
        assert max(map(len, text.splitlines())) <= 110, text
        assert found.forms or found.reason
        if found.cut_down is not None:
            whole, cut = (solve(circuit, FREQUENCY).transfer for circuit in (rig.circuit, found.cut_down.circuit))
            loud = np.abs(whole) > 1e-3 * np.max(np.abs(whole))
            difference = 20 * np.log10(np.abs(cut[loud] / whole[loud]))
            # held on 96 points, checked on 61 others; a tenth more lies between neighbours
            assert np.max(np.abs(difference)) < 1.1 * WITHIN_DB, rig.settings


def test_one_volume_one_tone_is_read_in_twelve_lines() -> None:
    text = summary(load_rig(ONE).circuit).text()
    assert len(text.splitlines()) <= 11  # and the line of the command on where the whole stands
    assert len(re.findall(r"the circuit .*: +[+-]\d", text)) == 5


@dataclass(frozen=True)
class Z:
    """An impedance over frequency, so that printed dividers can be worked out as they stand."""

    ohm: np.ndarray
    __array_ufunc__ = None  # so that a gain times an impedance asks the impedance

    def __rmul__(self, gain: np.ndarray) -> Z:
        return Z(gain * self.ohm)

    def __add__(self, other: Z) -> Z:
        return Z(self.ohm + other.ohm)

    def __or__(self, other: Z) -> Z:
        return Z(1 / (1 / self.ohm + 1 / other.ohm))

    def __truediv__(self, other: Z) -> np.ndarray:
        return self.ohm / other.ohm


def printed_gain(lines: tuple[str, ...]) -> np.ndarray:
    """Work the printed dividers out: each line as it stands, ∥ as |, · as a product."""
    s = 2j * np.pi * FREQUENCY
    space: dict[str, object] = {}

    def impedance(match: re.Match[str]) -> str:
        name = match[1]
        value = parse_quantity(f"{match[2]} {match[3]}", {"R": "Ω", "L": "H", "C": "F"}[name[0]])
        space[name] = Z({"R": value + 0 * s, "L": s * value, "C": 1 / (s * value)}[name[0]])
        return name

    part = re.compile(r"\b([RLC]_\w+) ([\d.]+) ([^\s)]+)")
    for line in [line for line in lines[1:] if not line.startswith("where")]:
        left, _, right = part.sub(impedance, line).partition("=")
        space[left.strip()] = eval(right.replace("∥", "|"), {}, space)
    return np.asarray(eval(lines[0].partition("=")[2].replace("·", "*"), {}, space))


@pytest.mark.parametrize("change", ["volume=10", "volume=5", "volume=9", "tone=0", "tone=5", "cable.length=1m"])
def test_printed_dividers_worked_out_as_they_stand_are_the_circuit(change: str) -> None:
    rig = set_value(load_rig(ONE), *change.split("="))
    cut = summary(rig.circuit).cut_down
    assert cut is not None
    assert cut.lines[0].startswith("H = "), cut.lines
    difference = 20 * np.log10(np.abs(printed_gain(cut.lines) / rig.evaluate(FREQUENCY)))
    # 0.1 dB by promise, and 0.1 dB of values printed with three digits
    assert np.max(np.abs(difference)) < 0.2


def test_a_part_that_hardly_matters_is_named_and_left_out() -> None:
    plain = coil(6e3, 200e3)
    extra = (
        Capacitor(name="stray", nodes=("out", GROUND), capacitance=1e-15),
        Resistor(name="lead", nodes=("out", "end"), resistance=0.1),
        Resistor(name="probe", nodes=("end", GROUND), resistance=1e10),
    )
    cut = summary(Circuit(output="end", elements=(*plain.elements, *extra))).cut_down
    assert cut is not None
    assert set(cut.dropped) == {"stray opened", "lead shorted", "probe opened"}
    assert cut.worst_db < 0.001


def test_a_silent_circuit_has_no_formula_but_a_reason() -> None:
    found = summary(set_value(load_rig(ONE), "volume", "0").circuit)
    assert (found.forms, found.cut_down) == ((), None)
    assert "silent" in found.text()


def test_coefficients_agree_with_sympy() -> None:
    found = formula(load_rig(ONE).circuit, method="ring")
    s = sympy.Symbol("s")
    given = {sympy.Symbol(name, positive=True): sympy.Rational(repr(value)) for name, value in found.values.items()}
    sides = [
        [float(value) for value in reversed(sympy.Poly(side.subs(given), s).all_coeffs())]
        for side in (found.numerator, found.denominator)
    ]
    scale = sides[1][0]
    coefficients = formula_coefficients(found)
    # exact fractions against floats formed through logarithms
    assert coefficients["numerator"] == pytest.approx([value / scale for value in sides[0]], rel=1e-11)
    assert coefficients["denominator"] == pytest.approx([value / scale for value in sides[1]], rel=1e-11)
