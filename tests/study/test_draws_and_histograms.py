"""Draws fixed by seed and place, spreads, and quantiles from counted bins."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

from labkit.core.errors import InputError
from labkit.rig.inputs import RigInput, rig_inputs
from labkit.rig.sheet import load_rig
from labkit.study.search.preferred import SERIES, preferred_values
from labkit.study.tolerance.draws import CELL, cell_draws
from labkit.study.tolerance.spread import Spread, default_spreads, parse_spread
from labkit.study.tolerance.tolerance import Bins


@pytest.mark.parametrize("sampling", ["sobol", "random"])
def test_a_cell_is_the_same_whatever_was_drawn_before(sampling) -> None:
    alone = cell_draws(3, CELL, 4, seed=7, sampling=sampling)
    for cell in (0, 5, 1):
        cell_draws(cell, 100, 4, seed=7, sampling=sampling)
    assert np.array_equal(cell_draws(3, CELL, 4, seed=7, sampling=sampling), alone)
    assert np.array_equal(cell_draws(3, 100, 4, seed=7, sampling=sampling), alone[:100])
    assert not np.array_equal(cell_draws(3, CELL, 4, seed=8, sampling=sampling), alone)
    assert not np.array_equal(cell_draws(2, CELL, 4, seed=7, sampling=sampling), alone)


def test_cells_of_a_sobol_study_together_are_one_sequence() -> None:
    cells = np.concatenate([cell_draws(cell, CELL, 3, seed=1, sampling="sobol") for cell in (0, 1)])
    expected = stats.qmc.Sobol(3, scramble=True, bits=32, rng=np.random.default_rng(1)).random(2 * CELL)
    assert np.array_equal(cells, expected)
    # Even cover: each of 2^13 equal slices of an axis holds exactly one draw, which independent draws never do.
    assert sorted((cells[:, 1] * 2 * CELL).astype(int)) == list(range(2 * CELL))


def test_independent_draws_pass_a_test_of_uniformity() -> None:
    drawn = cell_draws(0, CELL, 1, seed=1, sampling="random")[:, 0]
    assert stats.kstest(drawn, "uniform").pvalue > 0.01


def test_a_normal_spread_has_its_bounds_at_95_percent() -> None:
    spread = Spread(name="x", shape="normal", low=-COVERAGE, high=COVERAGE)
    # The cut at 4 standard deviations takes 6e-5 of the draws, which moves a quantile by less than 1e-3.
    assert spread.quantile(np.array([0.025, 0.5, 0.975])) == pytest.approx([-COVERAGE, 0, COVERAGE], abs=1e-3)
    assert spread.quantile(np.array([0.0, 1.0])) == pytest.approx(spread.range)


COVERAGE = 1.959963984540054


def test_every_default_spread_comes_from_a_tolerance_or_the_usual_of_its_kind() -> None:
    rig = load_rig("Saltmarsh Lane, narrow single coil")
    found = default_spreads(rig)
    assert set(found) == {
        "volume.value",
        "tone.value",
        "tone_capacitor.value",
        "cable.capacitance",
        "input.resistance",
        "bridge.main.resistance",
        "bridge.main.inductance",
        "bridge.main.capacitance",
    }
    assert (found["volume.value"].low, found["volume.value"].high) == pytest.approx((200e3, 300e3))
    assert (found["tone_capacitor.value"].low, found["tone_capacitor.value"].high) == pytest.approx((19.8e-9, 24.2e-9))


@pytest.mark.parametrize(
    ("text", "shape", "low", "high"),
    [
        ("20 %", "uniform", 4.0, 6.0),
        ("±20%", "uniform", 4.0, 6.0),
        ("normal 10 %", "normal", 4.5, 5.5),
        ("4 m to 7 m", "uniform", 4.0, 7.0),
        ("log-uniform 1 m to 10 m", "log-uniform", 1.0, 10.0),
        ("50 cm", "uniform", 4.5, 5.5),
    ],
)
def test_spreads_are_written_as_people_do(text: str, shape: str, low: float, high: float) -> None:
    spread = parse_spread(RigInput(name="cable.length", value=5.0, unit="m", group="cable"), text)
    assert (spread.shape, spread.low, spread.high) == (shape, pytest.approx(low), pytest.approx(high))


@pytest.mark.parametrize("text", ["gaussian 5 %", "22 nF", "much", "", "log-uniform 0 m to 3 m"])
def test_what_is_no_spread_is_refused_by_name(text: str) -> None:
    with pytest.raises(InputError, match=r"cable\.length"):
        parse_spread(rig_inputs(load_rig("Saltmarsh Lane, narrow single coil"))["cable.length"], text)


def test_quantiles_from_bins_are_right_within_one_bin() -> None:
    values = np.random.default_rng(2).normal(size=(3, 20_000)) * np.array([[1.0], [0.01], [100.0]])
    bins = Bins.around(values[:, :256])
    counts = np.zeros((3, bins.count), dtype=np.int64)
    for part in np.array_split(values, 7, axis=1):
        bins.add(counts, part)
    parts = np.array([0.05, 0.5, 0.95])
    found = bins.quantiles(counts, parts, values.min(axis=1), values.max(axis=1))
    assert np.all(np.abs(found - np.quantile(values, parts, axis=1)) <= bins.width)
    assert counts.sum() == values.size


def test_missing_values_are_left_out_and_far_ones_counted_at_the_ends() -> None:
    bins = Bins(np.array([0.0]), np.array([1.0]), 4)
    counts = np.zeros((1, 4), dtype=np.int64)
    bins.add(counts, np.array([[-5.0, 0.1, np.nan, 0.6, 9.0]]))
    assert counts.tolist() == [[2, 0, 1, 1]]
    empty = bins.quantiles(np.zeros((1, 4), dtype=np.int64), np.array([0.5]), np.array([np.inf]), np.array([-np.inf]))
    assert np.isnan(empty).all()


def test_preferred_values_cover_their_decade_as_iec_60063_means_them_to() -> None:
    # IEC 60063: E6, E12 and E24 go with ± 20, 10 and 5 %: neighbours' ranges meet or all but meet. Rounding to two
    # digits leaves gaps of up to 5 % of the value (13 to 15 in E24).
    for series, tolerance in (("E6", 0.2), ("E12", 0.1), ("E24", 0.05)):
        values = [*SERIES[series], 10 * SERIES[series][0]]
        gaps = [high * (1 - tolerance) / (low * (1 + tolerance)) for low, high in pairwise(values)]
        assert max(gaps) < 1.05
    assert set(SERIES["E3"]) < set(SERIES["E6"]) < set(SERIES["E12"]) < set(SERIES["E24"])
    assert set(SERIES["E48"]) < set(SERIES["E96"])
    assert len(SERIES["E96"]) == 96


def test_preferred_values_include_their_limits_and_read_back() -> None:
    assert preferred_values("E12", 4.7e-9, 1e-8) == (4.7e-9, 5.6e-9, 6.8e-9, 8.2e-9, 1e-8)
    with pytest.raises(InputError, match="E3 has no value between"):
        preferred_values("E3", 2.3e3, 4.6e3)
    with pytest.raises(InputError, match="Did you mean 'E24'"):
        preferred_values("E25", 1.0, 10.0)


def test_threads_that_draw_at_once_get_what_each_would_get_alone() -> None:
    alone = [cell_draws(cell, 512, 5, seed=3, sampling="sobol") for cell in range(24)]
    with ThreadPoolExecutor(8) as pool:
        together = list(pool.map(lambda cell: cell_draws(cell, 512, 5, seed=3, sampling="sobol"), range(24)))
    assert all(np.array_equal(one, other) for one, other in zip(alone, together))
