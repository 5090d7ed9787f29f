"""Exact sensitivities against differences of the numeric solver."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.circuit.elements import MAIN_VALUE, Circuit
from labkit.circuit.formula.formula import formula
from labkit.circuit.solve.solver import circuit_response
from tests.circuit_symbols import circuits

STEP = 1e-3


def peak_of(circuit: Circuit, name: str, factor: float) -> tuple[float, float, float]:
    value = getattr(circuit[name], MAIN_VALUE[type(circuit[name])])
    peak = circuit_response(circuit.with_values({name: value * factor})).peak
    assert peak is not None
    return np.log(peak.frequency_hz), peak.gain_db, peak.height_db


@pytest.mark.parametrize(
    ("circuit", "keep"),
    [
        (circuits.one_pickup(volume=1.0, tone_turned=1.0, eddy=True), None),
        (circuits.covered(), None),
        (circuits.two_coils(), None),
        (circuits.two_coils(), ["cable"]),
        (circuits.covered(), ["bridge.inductance"]),
        (circuits.half_out_of_phase(), []),
    ],
    ids=["one pickup", "cover", "two coils", "two coils in numbers", "cover in numbers", "odd weight in numbers"],
)
def test_peak_moves_as_the_sensitivities_say(circuit: Circuit, keep: list[str] | None) -> None:
    for entry in formula(circuit, keep, method="ring").sensitivities():
        above, below = (peak_of(circuit, entry.part, 1 + sign * STEP) for sign in (1, -1))
        frequency, gain, height = ((high - low) / (2 * STEP) for high, low in zip(above, below))
        # Central differences: error STEP² times a third derivative of order 10; the peak's frequency is good to
        # 1e-6, which the step of 1e-3 turns into 1e-3.
        assert entry.peak_frequency == pytest.approx(frequency, abs=2e-3)
        assert entry.peak_db_per_percent == pytest.approx(gain / 100, abs=1e-5)
        assert entry.height_db_per_percent == pytest.approx(height / 100, abs=1e-5)


@pytest.mark.parametrize("circuit", [circuits.covered(), circuits.two_coils()], ids=lambda circuit: circuit.name)
def test_pole_pair_moves_as_the_sensitivities_say(circuit: Circuit) -> None:
    for entry in formula(circuit, method="ring").sensitivities():
        value = getattr(circuit[entry.part], MAIN_VALUE[type(circuit[entry.part])])
        above, below = (
            formula(circuit.with_values({entry.part: value * (1 + sign * STEP)}), method="ring") for sign in (1, -1)
        )
        assert above.resonance_hz
        assert below.resonance_hz
        assert above.q
        assert below.q
        # central differences: STEP² times a third derivative of order 10
        resonance = np.log(above.resonance_hz / below.resonance_hz) / (2 * STEP)
        assert entry.resonance == pytest.approx(resonance, abs=2e-5)
        assert entry.q == pytest.approx(np.log(above.q / below.q) / (2 * STEP), abs=2e-5)


def test_sensitivities_are_the_same_with_parts_as_numbers() -> None:
    circuit = circuits.two_pickups()
    symbolic = {entry.part: entry for entry in formula(circuit, method="ring").sensitivities()}
    numeric = {entry.part: entry for entry in formula(circuit, ["cable"], method="ring").sensitivities()}
    assert symbolic.keys() == numeric.keys()
    for part, entry in symbolic.items():
        # two orders of the same sums, rounding
        assert numeric[part].resonance == pytest.approx(entry.resonance, abs=1e-9)
        assert numeric[part].height_db_per_percent == pytest.approx(entry.height_db_per_percent, abs=1e-9)


def test_scaling_every_resistance_and_reactance_leaves_the_resonance() -> None:
    """Euler on d ln f: Σ R + Σ L − Σ C = 0 (impedance scaling), Σ L + Σ C = −1 (frequency scaling)."""
    circuit = circuits.two_pickups()
    sums = {"Resistor": 0.0, "Inductor": 0.0, "Capacitor": 0.0}
    for entry in formula(circuit, method="ring").sensitivities():
        assert entry.resonance is not None
        sums[type(circuit[entry.part]).__name__] += entry.resonance
    assert sums["Resistor"] + sums["Inductor"] - sums["Capacitor"] == pytest.approx(0.0, abs=1e-10)  # rounding
    assert sums["Inductor"] + sums["Capacitor"] == pytest.approx(-1.0, abs=1e-10)
