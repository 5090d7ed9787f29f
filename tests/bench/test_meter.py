"""Meter readings and their inversion, against one-port algebra done elsewhere and published measurements."""

import math

import numpy as np
import pytest

from labkit.bench.diagnose.meter import (
    are_in_phase,
    cancel_hum,
    coupling_from_sum,
    dc_resistance_at,
    expected_lcr,
    hum_residual_db,
    in_circuit_reading,
    inductance_from_lr_corner,
    resistance_behind_pots,
)
from labkit.bench.fit.fixture import constant_current_ratio, first_order_loss_db, largest_exciter_inductance, parse_load
from labkit.core.errors import InputError
from labkit.core.sourced import Interval
from labkit.core.units import parse_quantity
from labkit.pickup.electrical import Coil, EddySection, Pickup
from labkit.pickup.materials.wire import resistance_at_20
from labkit.pickup.network import joined_inductance

SINGLE = Pickup(
    name="alnico single",
    coils={
        "main": Coil(
            resistance=6350.0,
            inductance=2.6,
            capacitance=120e-12,
            eddy=(EddySection(fraction=0.07, corner_hz=2450.0),),
        )
    },
)
HUMBUCKER = Pickup(
    name="steel-cored pair as one coil",
    coils={
        "main": Coil(
            resistance=8200.0,
            inductance=5.077,
            capacitance=171e-12,
            eddy=(EddySection(fraction=0.33, corner_hz=2025.0),),
        )
    },
)

# One-port algebra done independently of this project to 8 digits; element values of the size fitted to public sweeps.
SINGLE_READINGS = {
    100.0: (2.5951699, 6356.2238, 0.25653492, 42.029351),
    120.0: (2.595174, 6358.9582, 0.30771001, 30.003545),
    1000.0: (2.6001121, 6917.5964, 2.3616564, 3.0662974),
    10000.0: (-13.775644, 330453.26, -2.6192788, -15.783573),
}


@pytest.mark.parametrize("frequency", SINGLE_READINGS)
def test_lcr_readings_of_an_alnico_single_coil(frequency):
    series_l, series_r, quality, parallel_l = SINGLE_READINGS[frequency]
    reading = expected_lcr(SINGLE, frequency)
    # printed to 8 digits; the stated tolerance of the case is 1e-3
    assert reading.series_inductance == pytest.approx(series_l, rel=1e-6)
    assert reading.series_resistance == pytest.approx(series_r, rel=1e-6)
    assert reading.quality == pytest.approx(quality, rel=1e-6)
    assert reading.parallel_inductance == pytest.approx(parallel_l, rel=1e-6)


def test_constant_current_drops_at_resonance():
    """Rig: UIUC Physics 498POM, "Guitar Pickup Measurements": 1.5 MΩ and 100 Ω; the divider is exact."""
    ratio = constant_current_ratio(
        source_resistance=1.5e6, sense_resistance=100.0, coil_impedance=300e3, reference_impedance=6000.0
    )
    assert ratio == pytest.approx(0.83667574, rel=1e-6)


def test_exciter_coil_limit():
    """Rig: K. Willmott, "Electric Guitar Pickup Measurements": 5 Ω coil through 100 Ω; exact first-order corner."""
    assert largest_exciter_inductance(total_resistance=105.0, corner_hz=200e3) == pytest.approx(83.556345e-6, rel=1e-7)
    assert first_order_loss_db(frequency_hz=20e3, corner_hz=200e3) == pytest.approx(0.043213738, abs=1e-8)


def test_inductance_from_a_corner_into_a_resistor():
    """C. E. LaForest, "Characterizing Magnetic Guitar Pickups": L = R/(2πf), 10 kΩ and 15.915494 kHz make 0.1 H."""
    assert inductance_from_lr_corner(total_resistance=10e3, corner_hz=15915.494) == pytest.approx(0.1, rel=1e-6)


def test_temperature_moves_resistance_by_the_copper_coefficient():
    """+10 °C is +3.9 % (IEC 60028: 0.00393 per kelvin at 20 °C)."""
    warm = dc_resistance_at(resistance_at_20=6000.0, temperature_c=30.0)
    assert warm / 6000.0 == pytest.approx(1.0393, rel=1e-9)
    assert float(resistance_at_20(resistance=warm, temperature_c=30.0)) == pytest.approx(6000.0)


def test_reading_in_the_instrument_leads_back_to_the_coil():
    """Facts of the trade (common practice, no source): 6 kΩ behind 250 kΩ reads 5.86 kΩ."""
    reading = in_circuit_reading(resistance=6000.0, parallel=[250e3])
    assert reading == pytest.approx(5859.4, abs=0.1)
    found = resistance_behind_pots(reading=reading, parallel=[Interval.relative(250e3, 0.2)])
    assert found.value == pytest.approx(6000.0)
    assert found.low < 6000.0 < found.high
    assert found.high - found.low < 100.0  # 20 % of a pot is 0.5 % of the coil
    with pytest.raises(InputError, match="coil is open"):
        resistance_behind_pots(reading=251e3, parallel=[Interval.relative(250e3, 0.2)])


def test_sum_of_two_measured_coils():
    """Published: 1.7 H and 3.5 H in series measure 5.2 H (forum measurement "Voltage output per coil in a hybrid
    humbucker", thread 794235), printed to 0.1 H."""
    assert joined_inductance("series", [1.7, 3.5]) == pytest.approx(5.2, rel=0.02)


def test_coupling_comes_back_from_the_sum():
    aiding = float(joined_inductance("series", [1.6, 1.7], 0.2 * math.sqrt(1.6 * 1.7)))
    assert coupling_from_sum(first=1.6, second=1.7, series=aiding) == pytest.approx(0.2)
    with pytest.raises(InputError, match="would need a coupling"):
        coupling_from_sum(first=1.0, second=1.0, series=5.0)


def test_identical_parallel_coils_halve_or_keep_their_inductance():
    assert joined_inductance("parallel", [2.0, 2.0]) == pytest.approx(1.0)
    # fully coupled identical coils in parallel are one coil: the limit k → 1 is L
    assert joined_inductance("parallel", [2.0, 2.0], 2 * 0.999999) == pytest.approx(2.0, rel=1e-5)


def test_phase_and_hum_follow_from_wind_and_pole():
    """Common practice, no source: in phase and hum-cancelling needs both wind and pole opposite."""
    plain = Coil(resistance=6e3, inductance=2.4, facing="north", wound="clockwise")
    both = Coil(resistance=6e3, inductance=2.4, facing="south", wound="counter-clockwise")
    magnet_only = Coil(resistance=6e3, inductance=2.4, facing="south", wound="clockwise")
    assert are_in_phase(plain, both)
    assert cancel_hum(plain, both)
    assert not are_in_phase(plain, magnet_only)
    assert cancel_hum(plain, plain) is False
    assert cancel_hum(plain, Coil(resistance=6e3, inductance=2.4)) is None


def test_hum_residual_of_unequal_coils():
    """Common practice: 1, 2, 5, 10 % mismatch leave −40, −34, −26, −20 dB."""
    assert [round(hum_residual_db(mismatch=m)) for m in (0.01, 0.02, 0.05, 0.1)] == [-40, -34, -26, -20]


@pytest.mark.parametrize("text", ["10 nF ± 5 %", "10n +/- 5%"])
def test_loads_are_read_with_their_tolerance(text):
    load = parse_load(text)
    assert load.capacitance == pytest.approx(10e-9)
    assert load.capacitance_tolerance == pytest.approx(0.05)
    assert parse_load("200k || 470p").resistance == parse_quantity("200k", "Ω")
    with pytest.raises(InputError):
        parse_load("0 Ω")


def test_parts_of_a_load_stand_side_by_side():
    # by hand: 250 kΩ beside 1 MΩ are 200 kΩ, 470 pF beside 530 pF are 1 nF
    load = parse_load("250k || 470p + 1M + 530p")
    assert load.resistance == pytest.approx(200e3)
    assert load.capacitance == pytest.approx(1e-9)


def test_model_agrees_with_the_circuit_solver():
    """The fit's one-node formula against the solver of whole circuits: 1e-9 leaves room for rounding only."""
    from labkit.bench.fit.fixture import STANDARD_LOAD, Fixture
    from labkit.bench.fit.model import fixture_reading
    from labkit.circuit.elements import GROUND, Capacitor, Circuit, Resistor
    from labkit.circuit.solve.solver import solve
    from labkit.pickup.network import coil_impedance, pickup_elements, pickup_impedance, pickup_transfer

    frequency = np.geomspace(20, 20e3, 60)
    steel = Coil(
        resistance=4100.0,
        inductance=2.2,
        capacitance=90e-12,
        loss_resistance=1.5e6,
        eddy=(EddySection(fraction=0.2, corner_hz=1800.0), EddySection(fraction=0.1, corner_hz=12e3)),
    )
    ground = Resistor(name="joint", nodes=("p.ground", GROUND), resistance=0.0)
    single = Pickup(name="one", coils={"main": steel})
    load = (
        Resistor(name="load", nodes=("p.hot", GROUND), resistance=200e3),
        Capacitor(name="box", nodes=("p.hot", GROUND), capacitance=470e-12),
        Resistor(name="meter", nodes=("p.hot", GROUND), resistance=1e6),
    )
    loaded = Circuit(elements=(*pickup_elements("p", single), ground, *load), output="p.hot")
    fixture = Fixture(kind="exciter", load=STANDARD_LOAD, meter_resistance=1e6, exciter_differentiates=False)
    np.testing.assert_allclose(fixture_reading(steel, fixture, frequency), solve(loaded, frequency).transfer, rtol=1e-9)
    bare = Circuit(elements=(*pickup_elements("p", single), ground), output="p.hot")
    np.testing.assert_allclose(coil_impedance(steel, frequency), solve(bare, frequency).output_impedance, rtol=1e-9)
    other = Coil(resistance=4300.0, inductance=2.0, capacitance=110e-12)
    for connection in ("series", "parallel"):
        pair = Pickup(
            name="two",
            coils={"a": steel, "b": other},
            connection=connection,
            coupling=0.15,
            lead_capacitance=40e-12,
        )
        circuit = Circuit(elements=(*pickup_elements("p", pair), ground), output="p.hot")
        np.testing.assert_allclose(
            pickup_impedance(pair, frequency), solve(circuit, frequency).output_impedance, rtol=1e-9
        )
        boxed = Circuit(elements=(*circuit.elements, *load), output="p.hot")
        across = 1 / 200e3 + 1 / 1e6 + 2j * np.pi * frequency * 470e-12
        np.testing.assert_allclose(
            np.abs(pickup_transfer(pair, frequency, across)), np.abs(solve(boxed, frequency).transfer), rtol=1e-9
        )
