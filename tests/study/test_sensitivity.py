"""What matters most: slopes against exact derivatives, indices against a published function, and words."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.circuit.formula.formula import formula
from labkit.core.errors import InputError
from labkit.rig.sheet import load_rig
from labkit.study.measures import Measure
from labkit.study.tolerance.sensitivity import (
    global_sensitivities,
    local_sensitivities,
    sobol_indices,
    swings,
    what_matters,
)
from labkit.study.tolerance.spread import Spread
from labkit.study.tolerance.tolerance import ToleranceStudy, tolerance_study

RESONANCE = Measure("resonance")


def study() -> ToleranceStudy:
    return tolerance_study(load_rig("Saltmarsh Lane, narrow single coil"), count=1000, points=128)


def test_slopes_equal_the_exact_derivatives_of_the_formula() -> None:
    exact = {entry.part: entry for entry in formula(study().rig.circuit, method="ring").sensitivities()}
    # One number of the rig and the element that it alone moves, in proportion.
    pairs = {
        "cable.capacitance": "cable",
        "tone.value": "tone.lower",
        "volume.value": "volume.lower",
        "bridge.main.capacitance": "bridge.main.capacitance",
        "bridge.main.resistance": "bridge.main.resistance",
        "input.resistance": "input.resistance",
        "tone_capacitor.value": "tone_capacitor",
    }
    found = {entry.name: entry for entry in local_sensitivities(study())}
    for name, part in pairs.items():
        # Peaks solved to 1e-6 over steps of 1 %: 2e-4; the five-point rule adds less.
        assert found[name].resonance_percent == pytest.approx(exact[part].peak_frequency, abs=2e-4), name
        assert found[name].height_db == pytest.approx(exact[part].height_db_per_percent, abs=1e-5), name


def test_inductance_with_its_eddy_section_moves_as_its_elements_do_together() -> None:
    exact = {entry.part: entry for entry in formula(study().rig.circuit, method="ring").sensitivities()}
    parts = [name for name in exact if name.startswith("bridge.main.") and ("inductance" in name or "eddy" in name)]
    assert len(parts) == 3
    found = {entry.name: entry for entry in local_sensitivities(study())}["bridge.main.inductance"]
    # L moves (1 − K)·L, K·L and the section's resistance K·L·ω in proportion.
    total = sum(exact[name].peak_frequency for name in parts)
    assert found.resonance_percent == pytest.approx(total, abs=2e-4)


def ishigami(draws: np.ndarray) -> np.ndarray:
    x = np.pi * (2 * draws - 1)
    return np.sin(x[:, 0]) + 7 * np.sin(x[:, 1]) ** 2 + 0.1 * x[:, 2] ** 4 * np.sin(x[:, 0])


def test_indices_of_the_ishigami_function_are_those_published() -> None:
    """T. Ishigami and T. Homma, Proc. ISUMA '90 (1990) 398, with a = 7 and b = 0.1; x uniform on (−π, π).

    V = a²/8 + b·π⁴/5 + b²·π⁸/18 + 1/2; V1 = (1 + b·π⁴/5)²/2; V2 = a²/8; V13 = 8·b²·π⁸/225.
    """
    a, b = 7.0, 0.1
    total = a**2 / 8 + b * np.pi**4 / 5 + b**2 * np.pi**8 / 18 + 0.5
    first = {"x1": 0.5 * (1 + b * np.pi**4 / 5) ** 2 / total, "x2": a**2 / 8 / total, "x3": 0.0}
    both = 8 * b**2 * np.pi**8 / 225 / total
    # As printed to four digits wherever the function is used as a benchmark.
    assert [round(value, 4) for value in first.values()] == [0.3139, 0.4424, 0.0]
    assert round(both, 4) == 0.2437
    found = {index.name: index for index in sobol_indices(ishigami, list(first), base=4096)}
    for name, expected in first.items():
        assert found[name].first == pytest.approx(expected, abs=0.02)
        interaction = both if name != "x2" else 0.0
        assert found[name].total == pytest.approx(expected + interaction, abs=0.02)
    assert [index.name for index in sobol_indices(ishigami, list(first), base=4096)] == ["x1", "x2", "x3"]


def test_indices_of_a_sum_are_the_shares_of_its_variance_and_same_for_same_seed() -> None:
    def weighted(draws: np.ndarray) -> np.ndarray:
        return draws @ np.array([1.0, 2.0, 3.0])

    found = sobol_indices(weighted, ["a", "b", "c"], base=1024)
    # Variances of uniform numbers add as the squares of their weights: 9, 4 and 1 of 14.
    assert [index.name for index in found] == ["c", "b", "a"]
    assert [index.total for index in found] == pytest.approx([9 / 14, 4 / 14, 1 / 14], abs=0.01)
    assert found == sobol_indices(weighted, ["a", "b", "c"], base=1024)


def test_indices_of_a_rig_add_up_and_agree_with_its_slopes() -> None:
    found = global_sensitivities(study(), RESONANCE, base=512)
    # Little interaction in a resonance: first-order shares make up nearly everything.
    assert sum(index.first for index in found) == pytest.approx(1.0, abs=0.05)
    variance = {}
    for slope in local_sensitivities(study()):
        spread = next(item for item in study().spreads if item.name == slope.name)
        drawn = spread.quantile(np.linspace(0.0005, 0.9995, 1000))
        variance[slope.name] = (slope.resonance_percent * np.std(drawn) / np.mean(drawn)) ** 2
    whole = sum(variance.values())
    for index in found:
        # First order of small spreads: the sum of squares; curvature over ± 20 % pots costs a few per cent.
        assert index.total == pytest.approx(variance[index.name] / whole, abs=0.05)


def test_the_tornado_is_sorted_and_its_ends_are_those_of_the_rig_itself() -> None:
    bars = swings(study(), RESONANCE)
    assert [bar.size for bar in bars] == sorted((bar.size for bar in bars), reverse=True)
    first = bars[0]
    rig = study().variation.variant({first.name: first.at_low})
    assert first.low == pytest.approx(rig.response().peak.frequency_hz, rel=1e-3)  # read off 128 points


def test_one_sentence_says_what_matters_most() -> None:
    made = study()
    sentence = what_matters(RESONANCE, swings(made, RESONANCE), global_sensitivities(made, RESONANCE, base=256))
    assert sentence.startswith("For the peak, cable.capacitance matters most")
    assert "% of the variance" in sentence
    assert sentence.count(".") < 12
    still = tolerance_study(made.rig, {}, count=10, points=32)
    assert what_matters(RESONANCE, swings(still, RESONANCE)) == "Nothing that is varied here moves the peak."


def test_shares_of_what_is_not_always_there_are_refused() -> None:
    rig = load_rig("Saltmarsh Lane, narrow single coil")
    spreads = {
        "tone": Spread(name="tone", shape="uniform", low=2.0, high=10.0),
        "cable.length": Spread(name="cable.length", shape="uniform", low=1.0, high=9.0),
    }
    with pytest.raises(InputError, match="have no peak"):
        global_sensitivities(tolerance_study(rig, spreads, count=100, points=64), RESONANCE, base=64)
    with pytest.raises(InputError, match="power of 2"):
        sobol_indices(ishigami, ["x1", "x2", "x3"], base=1000)


def test_shares_are_those_that_another_implementation_found_from_the_same_draws() -> None:
    """SALib 1.6.0, seed 1, base 1024: `sobol.sample` without second order, then `sobol.analyze`."""
    found = {index.name: index for index in sobol_indices(ishigami, ["x1", "x2", "x3"], base=1024, seed=1)}
    printed = {
        "x1": (0.31558083, 0.55750142, 0.06332070, 0.08294861),
        "x2": (0.43829544, 0.44260021, 0.05118238, 0.03734247),
        "x3": (0.00144995, 0.24512706, 0.05699104, 0.02460984),
    }
    for name, (first, total, first_within, total_within) in printed.items():
        assert (found[name].first, found[name].total) == pytest.approx((first, total), abs=1e-7)
        # The two write the first-order estimator in two ways that agree within 1 % of the interval.
        assert (found[name].first_within, found[name].total_within) == pytest.approx(
            (first_within, total_within), rel=0.01
        )


def test_a_number_without_influence_has_no_share_and_an_interval_without_width() -> None:
    found = sobol_indices(lambda draws: draws[:, 0], ["moves", "idle"], base=64)
    assert [index.name for index in found] == ["moves", "idle"]
    assert (found[1].first, found[1].total, found[1].first_within, found[1].total_within) == (0.0, 0.0, 0.0, 0.0)
