"""The band behind the curve of a predicted pickup."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.app.kit.pickup.made import built_from, read_text
from labkit.app.kit.rig.controls import apply_values
from labkit.circuit.solve.solver import solve
from labkit.core.response import gain_db
from labkit.pickup.network import LOAD_CAPACITANCE, LOAD_RESISTANCE
from labkit.rig.chain.chain import Input
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig
from labkit.study.questions.winding_band import _element_draws, gain_bounds, gain_draws

GRID = np.geomspace(100, 20e3, 160)


def rig_with(name: str) -> tuple[Rig, str, object]:
    built = built_from(read_text(name))
    slot, sheet = (
        "bridge",
        "Saltmarsh Lane, two pickups" if "two-coil" in name else "Saltmarsh Lane, narrow single coil",
    )
    return load_rig(sheet).replace(pickups={slot: built.pickup}), slot, built


@pytest.mark.parametrize("name", ["narrow single coil, built", "narrow single coil, covered, built", "two-coil, built"])
def test_the_middle_of_the_draws_is_the_rigs_own_curve(name):
    rig, slot, built = rig_with(name)
    draws = gain_draws(rig, slot, built, GRID, draws=400)
    # the median of 400 draws scatters by 6 % of a standard deviation; the widest half-width is about 3 dB, two of them
    own = gain_db(rig.evaluate(GRID))
    assert np.abs(np.median(draws, axis=0) - own).max() < 0.5


def test_the_peak_scatters_as_the_prediction_of_the_loaded_peak_says():
    rig, slot, built = rig_with("narrow single coil, built")
    # the load that predictions are stated for, straight at the jack, behind pots that hardly load
    rig = apply_values(rig, {"volume.value": 10e6, "tone.value": 10e6})
    load = Input(name="input", resistance=LOAD_RESISTANCE, capacitance=LOAD_CAPACITANCE)
    loaded = rig.replace(chain=(load,))
    fine = np.geomspace(1500, 9000, 700)
    draws = gain_draws(loaded, slot, built, fine, draws=400)
    peaks = fine[draws.argmax(axis=1)]
    low, middle, high = np.percentile(peaks, [2.5, 50, 97.5])
    stated = built.loaded_resonance
    # both spreads as ratios; 400 draws know a 95 % bound to about 8 %, linear propagation to about as much
    assert np.log(high / low) == pytest.approx(np.log(stated.high / stated.low), rel=0.2)
    assert low < middle < high


def test_without_doubt_there_is_no_band():
    rig, slot, built = rig_with("narrow single coil, built")
    levels = gain_draws(rig, slot, built, np.array([20.0, 40.0]), draws=50)
    # far under the peak only pots and input divide: the coil's few per cent of resistance move hundredths of a decibel
    assert np.ptp(levels, axis=0).max() < 0.1


def test_of_a_hundred_draws_ninety_five_lie_inside_the_bounds():
    rig, slot, built = rig_with("narrow single coil, built")
    low, high = gain_bounds(rig, slot, built, GRID, draws=400)
    draws = gain_draws(rig, slot, built, GRID, draws=400)
    inside = np.mean((draws >= low) & (draws <= high), axis=0)
    assert inside == pytest.approx(np.full(GRID.size, 0.95), abs=1 / 400)  # a draw more or less, by where bounds fall


def test_a_cause_that_two_values_share_moves_them_together():
    _, slot, built = rig_with("narrow single coil, built")
    coil = built.coils["main"]
    drawn = _element_draws(slot, built, 4000)
    inductance = sum(value for name, value in drawn.items() if name.endswith("inductance"))
    logs = np.log([drawn[f"{slot}.main.resistance"], inductance])
    by_cause = [
        {item.name: item.deviation for item in value.contributions} for value in (coil.resistance, coil.inductance)
    ]
    together = sum(by_cause[0][cause] * by_cause[1][cause] for cause in by_cause[0].keys() & by_cause[1].keys())
    expected = together / logs.std(axis=1).prod()
    # the scatter of a correlation over 4000 draws is 0.016
    assert np.corrcoef(logs)[0, 1] == pytest.approx(expected, abs=0.05)
    assert expected > 0.15


def test_bounds_do_not_flicker_and_do_not_depend_on_what_was_asked_before():
    rig, slot, built = rig_with("narrow single coil, built")
    first = gain_bounds(rig, slot, built, GRID)
    gain_bounds(*rig_with("two-coil, built"), GRID)
    assert np.array_equal(first, gain_bounds(rig, slot, built, GRID))


def test_drawn_element_values_are_those_of_passive_parts():
    for name in ("narrow single coil, covered, built", "two-coil, built"):
        _, slot, built = rig_with(name)
        for element, values in _element_draws(slot, built, 200).items():
            assert (values > 0).all(), element


def test_a_silent_slot_has_the_band_of_what_is_heard():
    rig, _, built = rig_with("two-coil, built")
    away = rig.replace(settings={"selector": "neck"})
    low, high = gain_bounds(away, "bridge", built, GRID)
    heard = gain_db(solve(away.circuit, GRID).transfer)
    # an open contact leaks a little: thousandths of a decibel
    assert np.abs(low - heard).max() < 0.05
    assert np.abs(high - heard).max() < 0.05
