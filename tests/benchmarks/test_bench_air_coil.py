"""Routes to the inductance of an air coil, and a coil with all its intervals."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.pickup.materials.wire import wire
from labkit.pickup.winding.air_coil import predict_air_coil
from labkit.pickup.winding.capacitance import lead
from labkit.pickup.winding.inductance import inductance_closed_form, inductance_integral
from labkit.pickup.winding.spectral import CoilShape, coupling_of_pair, spectral_inductance
from labkit.pickup.winding.winding import Winding
from tests.benchmarks.conftest import Timed, cpu_seconds

pytestmark = pytest.mark.benchmark(timer=cpu_seconds)

GROUP = "one air coil"
SHAPE = {"straight_length": 52e-3, "end_radius": 2.5e-3, "winding_height": 11e-3, "build_up": 4.33e-3}


def test_closed_form(timed: Timed) -> None:
    assert timed(GROUP, "closed form", 1, lambda: inductance_closed_form(turns=8000, **SHAPE)) > 1


def test_integral(timed: Timed) -> None:
    assert timed(GROUP, "integral", 1, lambda: inductance_integral(turns=8000, **SHAPE)) > 1


def test_integral_in_a_batch(timed: Timed) -> None:
    turns = np.full(200, 8000.0)
    assert timed(GROUP, "integral, 200 at once", 200, lambda: inductance_integral(turns=turns, **SHAPE)).size == 200


def test_spectral(timed: Timed) -> None:
    assert timed(GROUP, "spectral", 1, lambda: spectral_inductance(CoilShape(**SHAPE), turns=8000)) > 1


def test_coupling_of_a_pair(timed: Timed) -> None:
    shape = CoilShape(**SHAPE)
    assert 0 < timed(GROUP, "coupling of a pair", 1, lambda: coupling_of_pair(shape, shape, spacing=18e-3)) < 1


def test_all_values_with_intervals(timed: Timed) -> None:
    coil = Winding(
        turns=8000.0,
        wire=wire("AWG 42 single build"),
        straight_length=52e-3,
        end_radius=2.5e-3,
        winding_height=11e-3,
    )
    result = timed(GROUP, "all values with intervals", 1, lambda: predict_air_coil(coil, lead=lead("cloth pair")))
    assert result["resistance"].largest == "bare diameter"
