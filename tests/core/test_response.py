"""Peaks, −3 dB points and interpolation of `Response` against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.core.errors import InputError
from labkit.core.grid import frequency_grid
from labkit.core.response import Response


def _second_order(resonance_hz: float, quality: float):
    def evaluate(frequency_hz):
        s = 1j * np.asarray(frequency_hz) / resonance_hz
        return 1 / (1 + s / quality + s**2)

    return evaluate


@pytest.mark.parametrize("quality", [0.75, 1.0, 3.0, 10.0, 30.0])
@pytest.mark.parametrize("resonance_hz", [150.0, 3456.7, 11_000.0])
def test_peak_of_a_second_order_low_pass_is_exact(resonance_hz, quality):
    evaluate = _second_order(resonance_hz, quality)
    response = Response(frequency_hz=frequency_grid(), values=evaluate(frequency_grid()), evaluate=evaluate)
    peak = response.peak
    assert peak is not None
    # textbook: f_p = f0·√(1 − 1/(2Q²)), |H|max = Q/√(1 − 1/(4Q²)); the search is good to 1e-6
    assert peak.frequency_hz == pytest.approx(resonance_hz * np.sqrt(1 - 1 / (2 * quality**2)), rel=2e-6)
    assert peak.gain_db == pytest.approx(20 * np.log10(quality / np.sqrt(1 - 1 / (4 * quality**2))), abs=1e-6)


@pytest.mark.parametrize("quality", [0.3, 0.5, 0.7])
def test_a_curve_that_only_falls_has_no_peak(quality):
    evaluate = _second_order(3000.0, quality)
    response = Response(frequency_hz=frequency_grid(), values=evaluate(frequency_grid()), evaluate=evaluate)
    assert response.peak is None


def test_a_flat_curve_has_neither_peak_nor_edge():
    response = Response(frequency_hz=frequency_grid(), values=np.full(512, 0.7 + 0j))
    assert response.peak is None
    assert response.minus_3db_hz is None


def test_minus_3db_of_a_first_order_low_pass_is_its_corner():
    def evaluate(frequency_hz):
        return 1 / (1 + 1j * np.asarray(frequency_hz) / 5000.0)

    response = Response(frequency_hz=frequency_grid(), values=evaluate(frequency_grid()), evaluate=evaluate)
    # counted from the level at 100 Hz, which is itself 0.0017 dB down: corner·√(1 + 2·(100/5000)²)
    assert response.minus_3db_hz == pytest.approx(5000 * np.sqrt(1 + 2 * (100 / 5000) ** 2), rel=1e-5)


def test_measured_curves_are_read_by_parabola():
    evaluate = _second_order(3000.0, 3.0)
    grid = frequency_grid(50, 18_000, 200)
    response = Response(frequency_hz=grid, values=evaluate(grid))
    assert response.peak is not None
    # grid of 3 % steps, parabola: a few parts in 1e4
    assert response.peak.frequency_hz == pytest.approx(3000 * np.sqrt(1 - 1 / 18), rel=1e-3)


def test_interpolation_stays_inside_the_grid():
    grid = frequency_grid(100, 1000, 50)
    response = Response(frequency_hz=grid, values=np.ones(50, dtype=complex))
    assert response.at(500.0)[0] == pytest.approx(1.0)
    with pytest.raises(InputError, match="runs from 100 Hz to 1000 Hz"):
        response.at(50.0)


@pytest.mark.parametrize(
    ("frequency", "values"),
    [
        ([1.0, 1.0], [1, 1]),
        ([2.0, 1.0], [1, 1]),
        ([0.0, 1.0], [1, 1]),
        ([1.0, np.nan], [1, 1]),
        ([1.0, 2.0], [1, 1, 1]),
        ([], []),
    ],
)
def test_impossible_grids_are_refused(frequency, values):
    with pytest.raises(InputError):
        Response(frequency_hz=np.array(frequency), values=np.array(values, dtype=complex))


def test_arrays_of_a_response_cannot_be_changed():
    response = Response(frequency_hz=frequency_grid(), values=np.ones(512, dtype=complex))
    with pytest.raises(ValueError, match="read-only"):
        response.values[0] = 2


@pytest.mark.parametrize(("low", "high", "points"), [(0, 10, 5), (10, 10, 5), (1, 10, 1), (10, 1, 5), (1, np.inf, 5)])
def test_impossible_frequency_grids_are_refused(low, high, points):
    with pytest.raises(InputError):
        frequency_grid(low, high, points)
