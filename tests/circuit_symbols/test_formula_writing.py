"""What is written out says what was worked out."""

from __future__ import annotations

import json
import math
import re

import numpy as np
import pytest
import sympy

from labkit.circuit.formula.formula import formula
from labkit.circuit.formula.polynomial import roots
from labkit.circuit.formula.text import formula_mapping
from tests.circuit_symbols import circuits


def read_polynomial(text: str, values: dict[str, float], s: complex) -> complex:
    """Evaluate a written polynomial: juxtaposition and · multiply, ^ is power."""
    spaced = re.sub(r"\s+", " ", text.replace("·", "*").replace("^", "**"))
    spaced = re.sub(r"(?<=[\w)]) (?=[\w(])", "*", spaced)
    return complex(eval(spaced, {"__builtins__": {}}, {**values, "s": s}))


@pytest.mark.parametrize("circuit", circuits.ALL, ids=lambda circuit: circuit.name)
@pytest.mark.parametrize("keep", [None, ["cable"]])
def test_written_polynomials_give_the_formula_back(circuit, keep) -> None:
    found = formula(circuit, keep, method="ring")
    text = found.text()
    above = text.split("N(s) = ", 2)[-1].split("\n\n")[0]
    below = text.split("D(s) = ", 1)[-1].split("\n\n")[0]
    for frequency in (50.0, 4000.0):
        s = 2j * math.pi * frequency
        got = read_polynomial(above, found.values, s) / read_polynomial(below, found.values, s)
        # numbers are written with six digits
        assert got == pytest.approx(complex(found.at(frequency)), rel=1e-12 if keep is None else 1e-3)


def test_plain_and_sympy_form_agree() -> None:
    found = formula(circuits.bled(), method="ring")
    symbols = {name: sympy.Symbol(name) for name in [*found.values, "s"]}
    written = sympy.sympify(formula_mapping(found)["denominator"].replace("^", "**"), locals=symbols)
    named = found.denominator.subs({symbol: symbols[symbol.name] for symbol in found.denominator.free_symbols})
    assert sympy.expand(written - named) == 0


@pytest.mark.parametrize("circuit", circuits.ALL, ids=lambda circuit: circuit.name)
def test_latex_is_balanced_and_names_every_symbol(circuit) -> None:
    found = formula(circuit, method="ring")
    latex = found.latex()
    assert latex.count("{") == latex.count("}")
    assert latex.count(r"\left") == latex.count(r"\right")
    for symbol in found.symbols:
        assert symbol.latex in latex
    assert "·" not in latex
    assert "_{" in latex


def test_short_formula_is_one_fraction() -> None:
    from tests.circuit_symbols.test_known_formulas import series_resonance

    latex = formula(series_resonance(), method="ring").latex()
    assert latex == (
        r"H(s) = \frac{1}{1 + s\, R_{\mathrm{r}}\, C_{\mathrm{c}} + s^{2}\, L_{\mathrm{l}}\, C_{\mathrm{c}}}"
    )


def test_text_names_poles_resonance_sensitivities_and_lumps() -> None:
    text = formula(circuits.one_pickup(volume=1.0), method="ring").text()
    for wanted in ("poles:", "zeros:", "Resonance:", "Q ", "Peak of the curve:", "Sensitivity", "Lumped:", "kΩ", "nF"):
        assert wanted in text
    # long names of symbols are not broken, so only a line of statements may not exceed the width
    assert max(len(line) for line in text.splitlines()) <= 110


def test_mapping_is_json_and_its_poles_are_those_of_the_formula() -> None:
    found = formula(circuits.two_coils(), method="ring")
    data = json.loads(json.dumps(formula_mapping(found)))
    assert np.array(data["poles_rad_per_s"]) @ [1, 1j] == pytest.approx(found.poles)
    assert data["symbols"]["M_coupling"]["parts"] == ["coupling"]
    assert set(data["sensitivities"]["cable"]) == {
        "resonance",
        "q",
        "peak_frequency",
        "peak_db_per_percent",
        "height_db_per_percent",
    }


def test_symbols_are_named_after_their_parts() -> None:
    names = {symbol.parts: symbol.name for symbol in formula(circuits.two_pickups(), method="ring").symbols}
    assert names[("bridge volume.upper",)] == "R_bridge_volume_upper"
    assert names[("tone capacitor",)] == "C_tone"
    assert len(set(names.values())) == len(names)


def test_a_pickup_in_use_alone_lends_its_name_to_no_symbol_of_its_sections() -> None:
    names = {symbol.name for symbol in formula(circuits.one_pickup(eddy=True), method="ring").symbols}
    assert {"R_bridge", "L_bridge", "C_bridge", "L_eddy", "R_eddy", "R_volume_upper"} <= names


@pytest.mark.parametrize("seed", range(6))
def test_roots_decades_apart_come_back(seed: int) -> None:
    random = np.random.default_rng(seed)
    real = -(10 ** random.uniform(1, 8, 4))
    pairs = 10 ** random.uniform(3, 6, 2) * np.exp(1j * random.uniform(1.6, 3.0, 2))
    expected = np.concatenate([real, pairs, pairs.conj()])
    coefficients = np.poly(expected).real[::-1]
    found = roots(coefficients)
    for root in expected:
        # the coefficients themselves carry 1e-16 each; well separated roots magnify that by less than 1e5
        assert np.min(np.abs(found - root)) < 1e-10 * abs(root)
    assert roots([0.0, 0.0, -4.0, 2.0]).tolist() == [0, 0, 2]
    assert roots([5.0]).size == 0
