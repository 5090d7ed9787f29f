"""Programs compiled by the extra `labkit[fast]`: the same numbers, and numpy where the extra is not there."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest

from labkit.circuit.elements import GROUND, Circuit, Resistor, Source
from labkit.circuit.solve import fast
from labkit.circuit.solve.solver import Batch, solve, solve_blocks
from labkit.rig.sheet import load_rig
from labkit.study.tolerance.tolerance import run_tolerance, tolerance_study
from tests.circuit.random_circuits import random_circuit

needs_extra = pytest.mark.skipif(
    not fast.is_installed(), reason="llvmlite, which labkit[fast] brings, is not installed"
)
GRID_HZ = np.geomspace(20.0, 20_000.0, 150)  # not a whole number of lanes


def both(circuit: Circuit, values: dict[str, np.ndarray]) -> list[np.ndarray]:
    routes = (False, True)
    return [
        np.concatenate([curves for _, curves in solve_blocks(circuit, GRID_HZ, values, is_compiled=compiled)])
        for compiled in routes
    ]


def resistors(circuit: Circuit) -> dict[str, np.ndarray]:
    factors = np.random.default_rng(5).uniform(0.7, 1.4, 9)
    return {part.name: part.resistance * factors for part in circuit.of_kind(Resistor) if np.isfinite(part.resistance)}


@needs_extra
@pytest.mark.parametrize(
    "name",
    [
        "Saltmarsh Lane, narrow single coil",
        "Saltmarsh Lane, three pickups",
        "Saltmarsh Lane, two pickups",
        "Saltmarsh Lane, valve amplifier with its tone stack",
        "Saltmarsh Lane, pedal of low impedance",
    ],
)
def test_rigs_are_equal_to_the_numpy_route(name):
    circuit = load_rig(name).circuit
    plain, compiled = both(circuit, resistors(circuit))
    np.testing.assert_allclose(compiled, plain, rtol=1e-12)


@needs_extra
def test_random_circuits_are_equal_to_the_numpy_route():
    random = Random(22)
    for _ in range(40):
        circuit = random_circuit(random)
        plain, compiled = both(circuit, resistors(circuit))
        # what cancels to nothing is equal to the last digits of what it is left of
        np.testing.assert_allclose(compiled, plain, rtol=1e-12, atol=1e-15)


@needs_extra
def test_an_output_that_only_opens_reach_is_equal_too():
    circuit = Circuit(
        output="out",
        elements=(
            Source(name="emf", nodes=("in", GROUND)),
            Resistor(name="upper", nodes=("in", "out"), resistance=1e3),
            Resistor(name="lower", nodes=("out", GROUND), resistance=1e3),
        ),
    )
    values = {"upper": np.array([1e3, np.inf, np.inf, 0.0]), "lower": np.array([1e3, 1e3, np.inf, 1e12])}
    plain, compiled = both(circuit, values)
    np.testing.assert_allclose(compiled, plain, rtol=1e-12)


@needs_extra
def test_digits_do_not_depend_on_the_processor(monkeypatch):
    from llvmlite import binding

    circuit = load_rig("Saltmarsh Lane, two pickups").circuit
    _, here = both(circuit, resistors(circuit))
    fast._kernel.cache_clear()
    # the least of its family: no wide registers, no multiplication and addition in one
    monkeypatch.setattr(binding, "get_host_cpu_name", lambda: "generic")
    monkeypatch.setattr(binding, "get_host_cpu_features", binding.FeatureMap)
    _, least = both(circuit, resistors(circuit))
    fast._kernel.cache_clear()
    np.testing.assert_array_equal(least, here)


@needs_extra
def test_a_few_frequencies_and_one_variant_are_equal_too():
    circuit = load_rig("Saltmarsh Lane, two pickups").circuit
    for points in (1, 7, 8, 9):
        plain, compiled = (solve(circuit, GRID_HZ[:points], is_compiled=route) for route in (False, True))
        np.testing.assert_allclose(compiled.transfer, plain.transfer, rtol=1e-12)
        np.testing.assert_allclose(compiled.output_impedance, plain.output_impedance, rtol=1e-12)


def test_which_route_runs_depends_on_the_batch_alone(monkeypatch):
    circuit = load_rig("Saltmarsh Lane, narrow single coil").circuit
    values = resistors(circuit)
    monkeypatch.setattr(fast, "PAYS_FROM", 9 * GRID_HZ.size)
    monkeypatch.setattr(fast, "is_installed", lambda: True)
    assert Batch(circuit, GRID_HZ, values).is_compiled
    assert not Batch(circuit, GRID_HZ[1:], values).is_compiled
    monkeypatch.setattr(fast, "is_installed", lambda: False)
    assert not Batch(circuit, GRID_HZ, values).is_compiled
    assert fast.version_line() == "fast circuits: no (pip install labkit[fast])"


@needs_extra
def test_a_large_study_runs_by_the_compiled_loop_and_finds_the_same(monkeypatch):
    rig = load_rig("Saltmarsh Lane, narrow single coil")
    plain = tolerance_study(rig, count=600, points=64)
    monkeypatch.setattr(fast, "PAYS_FROM", 600 * 64)
    compiled = tolerance_study(rig, count=600, points=64)
    assert not plain.is_compiled
    assert compiled.is_compiled
    assert plain.fingerprint != compiled.fingerprint
    # a variant on the border of a bin may be counted in the next one
    bands = [run_tolerance(study).bands_db for study in (plain, compiled)]
    np.testing.assert_allclose(bands[1], bands[0], atol=run_tolerance(plain).within_db)
