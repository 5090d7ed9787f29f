"""Every formula equals the numeric solver, and the two symbolic routes equal each other."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
import scipy.linalg

from labkit.circuit.elements import GROUND, Capacitor, Circuit, CustomAdmittance, Resistor, Source
from labkit.circuit.formula.formula import Formula, formula
from labkit.circuit.formula.polynomial import Rational
from labkit.circuit.formula.reduction import reduce_circuit
from labkit.circuit.formula.symbolic import MOST_TERMS, lcapy_can, solve_cached, solve_structure, structure_of
from labkit.circuit.solve.solver import solve
from tests.circuit.exact import solve_exactly
from tests.circuit.random_circuits import EVERYTHING, random_circuit
from tests.circuit_symbols import circuits

FREQUENCY = np.geomspace(20.0, 20e3, 61)
LIMIT_DB = 1e-6  # the promise for every formula; rounding alone gives 1e-10
LOUD = 1e-5  # −100 dB


def assert_same(got: np.ndarray, expected: np.ndarray) -> None:
    loud = np.abs(expected) > LOUD
    assert np.max(np.abs(20 * np.log10(np.abs(got[loud] / expected[loud]))), initial=0.0) < LIMIT_DB
    assert np.max(np.abs(np.angle(got[loud] / expected[loud])), initial=0.0) < 1e-7  # 1e-6 dB as an angle
    assert np.all(np.abs(got[~loud]) < 1.001 * LOUD)


def assert_equals_solver(found: Formula, circuit: Circuit) -> None:
    solution = solve(circuit, FREQUENCY)
    assert_same(found.at(FREQUENCY), solution.transfer)
    # The solver keeps 1e-9 Ω where an exact short is meant, so 1e-6 Ω is nothing.
    ohms = found.output_impedance.at(FREQUENCY)
    assert np.max(np.abs(ohms - solution.output_impedance) / (np.abs(solution.output_impedance) + 1.0)) < 1e-7


@pytest.mark.parametrize("circuit", circuits.ALL, ids=lambda circuit: circuit.name)
def test_formula_equals_solver(circuit: Circuit) -> None:
    assert_equals_solver(formula(circuit, method="ring"), circuit)


@pytest.mark.parametrize("seed", range(40))
def test_formula_of_a_random_circuit_equals_solver(seed: int) -> None:
    circuit = random_circuit(Random(seed), EVERYTHING - {"dissipation"})
    assert_equals_solver(formula(circuit, method="ring"), circuit)


@pytest.mark.parametrize("circuit", [circuits.two_pickups(), circuits.ends()], ids=lambda circuit: circuit.name)
def test_formula_equals_a_40_digit_reference(circuit: Circuit) -> None:
    found = formula(circuit, method="ring")
    for frequency in (20.0, 3000.0, 20e3):
        voltage, ohms = solve_exactly(circuit, frequency)
        # double precision of a dozen roots and products
        assert complex(found.at(frequency)) == pytest.approx(voltage, rel=1e-10)
        assert complex(found.output_impedance.at(frequency)) == pytest.approx(ohms, rel=1e-10)


@pytest.mark.parametrize("circuit", circuits.ALL, ids=lambda circuit: circuit.name)
def test_poles_and_zeros_rebuild_the_curve(circuit: Circuit) -> None:
    found = formula(circuit, method="ring")
    s = 2j * np.pi * FREQUENCY
    product = found.gain_factor * np.ones_like(s)
    for zero in found.zeros:
        product = product * (s - zero)
    for pole in found.poles:
        product = product / (s - pole)
    assert_same(product, solve(circuit, FREQUENCY).transfer)
    assert np.all(found.poles.real < 0)


def test_poles_are_the_natural_frequencies_of_the_nodal_equations() -> None:
    """Second route: generalised eigenvalues of (G + sC) x = 0 with inductor currents as unknowns."""
    circuit = Circuit(output="out", elements=(*circuits.coil("a", "out"), *circuits.load("out")))
    r, inductance, c_total, load = 6e3, 2.2, 710e-12, 1e6
    # unknowns: output voltage, coil current (EMF shorted)
    conductance = np.array([[1 / load, -1.0], [1.0, r]])
    storage = np.array([[c_total, 0.0], [0.0, inductance]])
    expected = scipy.linalg.eigvals(-conductance, storage)
    # eigenvalues of a 2×2 problem, double precision
    found = formula(circuit, method="ring").poles
    assert sorted(found, key=np.imag) == pytest.approx(sorted(expected, key=np.imag), rel=1e-9)


@pytest.mark.parametrize("circuit", [circuits.ends(), circuits.notch()], ids=lambda circuit: circuit.name)
def test_lcapy_and_the_ring_give_the_same_function(circuit: Circuit) -> None:
    structure = structure_of(reduce_circuit(circuit))
    assert lcapy_can(structure, asked=True)
    assert solve_structure(structure, "transfer", "lcapy").same_as(solve_structure(structure, "transfer", "ring"))


def test_lcapy_gives_the_same_output_impedance_and_the_check_can_fail() -> None:
    structure = structure_of(reduce_circuit(circuits.ends()))
    ring = solve_structure(structure, "output impedance", "ring")
    assert solve_structure(structure, "output impedance", "lcapy").same_as(ring)
    assert not Rational(ring.numerator, ring.numerator).same_as(ring)


def test_small_circuits_go_to_lcapy_and_large_ones_do_not() -> None:
    assert "lcapy" in formula(circuits.one_pickup(volume=1.0)).statements[0]
    assert "lcapy" not in formula(circuits.two_pickups()).statements[0]


def test_single_source_is_heard_alone_with_one_volt() -> None:
    circuit = circuits.half_out_of_phase()
    solution = solve(circuit, FREQUENCY, per_source=True)
    for name, expected in zip(solution.sources, solution.transfer):
        assert_same(formula(circuit, source=name, method="ring").at(FREQUENCY), expected)


def test_sources_add_up() -> None:
    circuit = circuits.two_coils(sign=-1.0)
    alone = [formula(circuit, source=emf.name, method="ring").at(FREQUENCY) * emf.voltage for emf in circuit.sources]
    assert_same(sum(alone), formula(circuit, method="ring").at(FREQUENCY))


def test_odd_weight_stays_a_symbol_and_a_simple_one_is_a_number() -> None:
    found = formula(circuits.half_out_of_phase(), method="ring")
    assert [symbol.parts for symbol in found.symbols if symbol.kind == "E"] == [("neck.emf",)]


@pytest.mark.parametrize("keep", [["bridge.inductance", "cable"], ["bridge volume"], ["neck"], []])
def test_kept_parts_are_the_only_symbols_and_the_curve_is_the_same(keep: list[str]) -> None:
    circuit = circuits.two_pickups()
    found = formula(circuit, keep, method="ring")
    names = {part for symbol in found.symbols for part in symbol.parts}
    assert all(any(name == kept or name.startswith(f"{kept}.") for kept in keep) for name in names)
    assert bool(names) == (keep not in ([], ["bridge volume"])) or names <= {
        "bridge volume.upper",
        "bridge volume.lower",
    }
    assert_equals_solver(found, circuit)


def test_kept_coupled_coil_keeps_its_mutual_inductance() -> None:
    circuit = circuits.two_coils()
    found = formula(circuit, ["screw.inductance"])
    assert {symbol.kind for symbol in found.symbols} == {"L", "M"}
    assert_equals_solver(found, circuit)


def test_too_long_a_formula_keeps_the_six_most_influential_parts_and_says_so() -> None:
    circuit = large()
    found = formula(circuit)
    assert 0 < sum(len(symbol.parts) for symbol in found.symbols) <= 6
    assert f"more than {MOST_TERMS} terms" in found.statement
    assert "As numbers:" in found.statement
    assert "cable" in {part for symbol in found.symbols for part in symbol.parts}
    assert_equals_solver(found, circuit)


def large() -> Circuit:
    """Three pickups with eddy sections, each on its own volume and tone."""
    elements = []
    for name in ("one", "two", "three"):
        elements += circuits.coil(name, f"{name} hot", eddy=True)
        elements += circuits.pot(f"{name} volume", f"{name} hot", "tip", GROUND, value=5e5, turned=0.7)
        elements += [
            Resistor(name=f"{name} tone", nodes=(f"{name} hot", f"{name} tone node"), resistance=1e5),
            Capacitor(name=f"{name} tone capacitor", nodes=(f"{name} tone node", GROUND), capacitance=22e-9),
        ]
    return Circuit(name="three pickups", output="tip", elements=(*elements, *circuits.load()))


def test_repeated_topology_is_answered_from_the_cache() -> None:
    circuit = circuits.two_pickups()
    assert_equals_solver(formula(circuit), circuit)
    before = solve_cached.cache_info()
    other = circuit.with_values({"bridge.inductance": 3.0, "neck.resistance": 7e3, "cable": 1e-9})
    assert_equals_solver(formula(other), other)
    after = solve_cached.cache_info()
    assert after.misses == before.misses
    assert after.hits > before.hits


class _Lossy:
    def __call__(self, omega: np.ndarray) -> np.ndarray:
        return np.sqrt(1j * omega)


def test_what_is_no_rational_function_is_left_out_and_the_difference_stated() -> None:
    base = circuits.one_pickup(volume=1.0, tone_turned=0.0)
    lossy = Circuit(
        name=base.name,
        output=base.output,
        elements=(
            *(part for part in base.elements if part.name != "tone capacitor"),
            Capacitor(name="tone capacitor", nodes=("tone node", GROUND), capacitance=22e-9, dissipation=0.03),
            CustomAdmittance(name="skin", nodes=("tip", GROUND), row=_Lossy(), coefficient=1e-9),
        ),
    )
    found = formula(lossy, method="ring")
    assert_same(found.at(FREQUENCY), solve(base, FREQUENCY).transfer)
    assert "the loss of 'tone capacitor' (dissipation factor 0.03)" in found.statement
    assert "'skin'" in found.statement
    true = 20 * np.log10(np.abs(solve(lossy, FREQUENCY).transfer / solve(base, FREQUENCY).transfer))
    stated = float(found.statement.split("at most ")[1].split(" dB")[0])
    # the statement looks at 192 frequencies and gives two digits
    assert stated == pytest.approx(np.max(np.abs(true)), rel=0.1)


def test_no_emf_at_the_output_gives_zero() -> None:
    circuit = Circuit(
        output="tip",
        elements=(
            *circuits.coil("bridge", "hot"),
            Resistor(name="volume.lower", nodes=("tip", GROUND), resistance=250e3),
            *circuits.load(),
        ),
    )
    found = formula(circuit)
    assert found.numerator == 0
    assert np.all(found.at(FREQUENCY) == 0)
    assert "no EMF reaches the output" in found.text()


def test_output_shorted_to_ground_gives_zero() -> None:
    circuit = Circuit(
        output="tip",
        elements=(
            Source(name="emf", nodes=("hot", GROUND)),
            Resistor(name="upper", nodes=("hot", "tip"), resistance=1e3),
            Resistor(name="lower", nodes=("tip", GROUND), resistance=0.0),
        ),
    )
    found = formula(circuit)
    assert found.numerator == 0
    assert found.output_impedance.numerator == 0
    assert found.resonance_hz is None
    assert found.text()


@pytest.mark.parametrize("seed", range(0, 40, 2))
def test_parts_said_to_be_without_influence_have_none(seed: int) -> None:
    circuit = random_circuit(Random(seed), EVERYTHING - {"dissipation", "short", "open"})
    found = formula(circuit, [], method="ring")
    idle = [name for name in found._network.without_influence if isinstance(circuit[name], Resistor | Capacitor)]
    changed = circuit.with_values({name: 1.7 * _value(circuit[name]) for name in idle})
    assert_same(solve(changed, FREQUENCY).transfer, solve(circuit, FREQUENCY).transfer)


def _value(element: object) -> float:
    return element.resistance if isinstance(element, Resistor) else element.capacitance  # type: ignore[attr-defined]
