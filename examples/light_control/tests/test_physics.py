"""The formulas of the package against their limits and against formulas from elsewhere."""

from __future__ import annotations

import math

import numpy as np
import pytest
from saltmarsh_light.light_cell import cell_resistance
from saltmarsh_light.sheet_losses import HALF_THICKNESS, sheet_permeability

from labkit.pickup.losses.cylinder import skin_depth
from labkit.rig.sheet import load_rig


def test_a_decade_of_light_divides_the_resistance_by_ten_to_the_exponent():
    lit = cell_resistance(np.array([1.0, 10.0]), at_10_lux=20e3, exponent=0.7, dark=np.inf)
    assert lit[0] / lit[1] == pytest.approx(10**0.7, rel=1e-12)  # the law itself: only rounding


def test_no_light_leaves_the_dark_resistance():
    assert cell_resistance(0.0, at_10_lux=20e3, exponent=0.7, dark=2e6) == pytest.approx(2e6, rel=1e-12)


def test_loss_of_a_thin_sheet_follows_the_classical_lamination_formula():
    # P = π²·B²·d²·f²/(6ρ) per volume (Bozorth, Ferromagnetism, 1951, from memory), as an imaginary permeability
    mu, resistivity, half, frequency = 100.0, 1.5e-7, 0.1e-3, 200.0
    found = sheet_permeability(
        frequency_hz=frequency, relative_permeability=mu, radius=half / HALF_THICKNESS, resistivity=resistivity
    )
    mu_0 = 4e-7 * math.pi
    field_energy = math.pi * frequency / (mu_0 * mu)  # P per B² for an imaginary part of 1·μ
    wanted = math.pi**2 * (2 * half) ** 2 * frequency**2 / (6 * resistivity) / field_energy
    # next term of the series: (half/δ)⁴·17/630 relative to it is below 1e-3 here
    assert half < 0.3 * skin_depth(frequency_hz=frequency, relative_permeability=mu, resistivity=resistivity)
    assert -found.imag / mu == pytest.approx(wanted, rel=1e-3)


def test_shading_the_cell_brings_the_peak_back():
    rig = load_rig("Saltmarsh Lane, light-operated tone")
    bright, shaded = rig.replace(settings={"shade": 0}).response(), rig.replace(settings={"shade": 10}).response()
    assert shaded.gain_db_at(3000.0) > bright.gain_db_at(3000.0) + 10  # 22 nF and 1 kΩ cut far more than 10 dB there
