"""Fits to synthetic sweeps: they recover what made the data, and say what the data cannot tell."""

import math

import numpy as np
import pytest

from labkit.bench.fit.fit import fit_sweeps
from labkit.bench.fit.fixture import NO_LOAD, STANDARD_LOAD, Fixture, Load, Measurement
from labkit.bench.fit.model import fixture_reading
from labkit.bench.read.sweep import Sweep
from labkit.core.errors import InputError
from labkit.core.sourced import Interval
from labkit.pickup.electrical import Coil, EddySection
from tests.bench.known_capacitor import inductance_with_capacitor

COIL = Coil(
    resistance=6200.0, inductance=2.6, capacitance=120e-12, eddy=(EddySection(fraction=0.15, corner_hz=3000.0),)
)


def measured(fixture, *, points=120, noise_db=0.2, seed=1, phase=False, coil=COIL, name="sweep", band=(50.0, 15_000.0)):
    rng = np.random.default_rng(seed)
    frequency = np.geomspace(*band, points)
    reading = fixture_reading(coil, fixture, frequency)
    scatter = noise_db * rng.standard_normal(points)
    turn = noise_db / 8.686 * rng.standard_normal(points)
    sweep = Sweep(
        frequency_hz=frequency,
        magnitude=np.abs(reading) * 10 ** (scatter / 20),
        phase_deg=np.degrees(np.angle(reading) + turn) if phase else None,
        kind=fixture.kind,
        name=name,
    )
    return Measurement(sweep=sweep, fixture=fixture)


def impedance(load=NO_LOAD, **more):
    return Fixture(kind="impedance", load=load, meter_resistance=1e6, meter_resistance_tolerance=0.0, **more)


def exciter(load=NO_LOAD, **more):
    return Fixture(kind="exciter", load=load, meter_resistance=1e6, **more)


def test_a_hundred_noisy_pairs_of_sweeps_recover_the_coil_and_intervals_tell_the_truth():
    """0.2 dB noise, bare and standard load, 150 points each: L within 1 %, R within 3 %, every time.

    Coverage: of 100 runs a true 95 % interval holds the truth 95 ± 2.2 times; 88 is 3 standard deviations below. Two
    values scatter together as the fit says.
    """
    runs = 100
    box = Load(resistance=200e3, capacitance=470e-12, resistance_tolerance=0.0, capacitance_tolerance=0.0)
    found, said = [], []
    held = {"resistance": 0, "inductance": 0, "capacitance": 0, "fraction": 0, "corner": 0}
    for seed in range(runs):
        fit = fit_sweeps(
            [
                measured(impedance(), seed=2 * seed, points=150),
                measured(impedance(box), seed=2 * seed + 1, points=150),
            ],
            sections=1,
        )
        assert fit.inductance.value == pytest.approx(COIL.inductance, rel=0.01)
        assert fit.resistance.value == pytest.approx(COIL.resistance, rel=0.03)
        for name in ("resistance", "inductance", "capacitance"):
            held[name] += getattr(fit, name).holds(getattr(COIL, name))
        held["fraction"] += fit.eddy[0].fraction.holds(COIL.eddy[0].fraction)
        held["corner"] += fit.eddy[0].corner_hz.holds(COIL.eddy[0].corner_hz)
        found.append((fit.inductance.value, fit.eddy[0].fraction.value, fit.eddy[0].corner_hz.value))
        said.append(
            [fit.correlations["inductance", other] for other in ("fraction 0", "eddy corner 0")]  # some +0.6 and −0.7
        )
    for name, count in held.items():
        assert count / runs >= 0.88, (name, count)
    # of 100 runs a correlation is known to 1/√100 = 0.1 at most, one standard deviation
    assert np.mean(said, axis=0) == pytest.approx(np.corrcoef(np.log(found), rowvar=False)[0, 1:], abs=0.3)


def test_sections_are_found_from_the_data():
    fit = fit_sweeps([measured(impedance(), noise_db=0.05, phase=True)])
    assert len(fit.eddy) == 1
    lossless = Coil(resistance=6200.0, inductance=2.6, capacitance=120e-12)
    assert fit_sweeps([measured(impedance(), noise_db=0.05, phase=True, coil=lossless)]).eddy == ()
    steel = Coil(
        resistance=8000.0,
        inductance=4.5,
        capacitance=120e-12,
        eddy=(EddySection(fraction=0.25, corner_hz=1500.0), EddySection(fraction=0.3, corner_hz=15_000.0)),
    )
    assert len(fit_sweeps([measured(impedance(), noise_db=0.02, phase=True, coil=steel, points=300)]).eddy) == 2


def test_divider_sweep_gives_the_same_coil_as_an_impedance_sweep():
    fit = fit_sweeps([measured(Fixture(kind="divider", series_resistance=1e6), noise_db=0.0, points=60)], sections=1)
    # no noise: what is left is the convergence of the least squares, 1e-8 relative in the sum of squares
    assert fit.inductance.value == pytest.approx(COIL.inductance, rel=1e-3)
    assert fit.resistance.value == pytest.approx(COIL.resistance, rel=1e-3)
    assert fit.capacitance.value == pytest.approx(COIL.capacitance, rel=1e-3)


def test_exciter_sweeps_under_three_loads_give_coil_and_rig_corner():
    loads = (NO_LOAD, STANDARD_LOAD, Load(capacitance=10e-9))
    fit = fit_sweeps(
        [
            measured(exciter(load, rig_corner_hz=3000.0, fit_rig_corner=True), noise_db=0.02, seed=seed, points=100)
            for seed, load in enumerate(loads)
        ],
        sections=1,
    )
    # 0.02 dB noise on 300 points: spread of L 0.1 %, of the corner 0.3 % (from the fit's own intervals)
    assert fit.inductance.value == pytest.approx(COIL.inductance, rel=0.01)
    assert fit.rig_corner_hz.value == pytest.approx(3000.0, rel=0.02)
    assert fit.capacitance.value == pytest.approx(COIL.capacitance, rel=0.03)


def test_integrated_exciter_needs_no_derivative():
    fixture = exciter(Load(capacitance=4.7e-9), exciter_differentiates=False)
    fit = fit_sweeps([measured(fixture, noise_db=0.0), measured(exciter(exciter_differentiates=False), noise_db=0.0)])
    assert fit.inductance.value == pytest.approx(COIL.inductance, rel=1e-2)


def test_a_dc_reading_holds_the_resistance_of_an_exciter_fit():
    reading = Interval.relative(6200.0, 0.005)
    fit = fit_sweeps([measured(exciter()), measured(exciter(STANDARD_LOAD), seed=2)], resistance=reading, sections=1)
    assert fit.resistance.value == pytest.approx(6200.0, rel=0.006)
    assert fit.resistance.high - fit.resistance.low < 1.05 * (reading.high - reading.low)
    assert any("DC resistance" in line for line in fit.provenance)


def test_capacitor_tolerance_widens_the_inductance_as_much_as_it_should():
    """In a resonance with a known capacitor L ∝ 1/C, so ±5 % of C is ±5 % of L."""
    tight = inductance_with_capacitor(
        measured(exciter(Load(capacitance=10e-9, capacitance_tolerance=0.0)), noise_db=0.02)
    )
    loose = inductance_with_capacitor(
        measured(exciter(Load(capacitance=10e-9, capacitance_tolerance=0.05)), noise_db=0.02)
    )
    assert loose.inductance.value == pytest.approx(tight.inductance.value)
    wide, narrow = (math.log(found.inductance.high / found.inductance.value) for found in (loose, tight))
    assert math.sqrt(wide**2 - narrow**2) == pytest.approx(0.05, abs=0.005)
    fit = fit_sweeps(
        [measured(exciter(Load(capacitance=10e-9, capacitance_tolerance=0.05)), noise_db=0.02), measured(exciter())],
        sections=1,
    )
    assert 0.04 < fit.inductance.high / fit.inductance.value - 1 < 0.08


def test_correlated_residuals_widen_the_intervals():
    """Five times the rows of the same wavy curve hold no five times the knowledge."""
    measurement = measured(impedance(), noise_db=0.0, points=400)
    wave = 10 ** (0.2 * np.sin(6 * np.log(measurement.sweep.frequency_hz)) / 20)
    wavy = Sweep(
        frequency_hz=measurement.sweep.frequency_hz, magnitude=measurement.sweep.magnitude * wave, kind="impedance"
    )
    white = fit_sweeps([measured(impedance(), noise_db=0.2 / math.sqrt(2), points=400)], sections=1)
    correlated = fit_sweeps([Measurement(sweep=wavy, fixture=impedance())], sections=1)
    width = lambda interval: interval.high / interval.low - 1  # noqa: E731
    assert width(correlated.inductance) > 2 * width(white.inductance)


def test_unknown_meter_capacitance_is_named_as_part_of_the_sum():
    fit = fit_sweeps([measured(impedance(meter_capacitance=30e-12), noise_db=0.0)], sections=1)
    known = fit.capacitance.value
    blind = fit_sweeps(
        [
            Measurement(
                sweep=measured(impedance(meter_capacitance=30e-12), noise_db=0.0).sweep,
                fixture=impedance(meter_capacitance=None),
            )
        ],
        sections=1,
    )
    assert blind.capacitance.value - known == pytest.approx(30e-12, rel=0.02)
    assert any("their sum" in warning for warning in blind.warnings)
    assert not any("their sum" in warning for warning in fit.warnings)


def test_rig_corner_and_eddy_loss_are_said_to_be_inseparable_on_one_curve():
    fit = fit_sweeps([measured(exciter(rig_corner_hz=3000.0, fit_rig_corner=True))], sections=1)
    assert any("rig's corner" in warning for warning in fit.warnings)
    plenty = fit_sweeps([measured(impedance(), noise_db=0.02), measured(impedance(STANDARD_LOAD), noise_db=0.02)])
    assert plenty.warnings == ()


def test_a_sweep_that_stops_below_the_resonance_says_so():
    fit = fit_sweeps([measured(impedance(), band=(50.0, 2500.0))], sections=0)
    assert any("no sweep reaches the resonance" in warning for warning in fit.warnings)


def test_a_second_resonance_is_called_a_misfit():
    frequency = np.geomspace(50, 15_000, 300)
    other = Coil(resistance=4000.0, inductance=1.2, capacitance=700e-12)
    both = fixture_reading(COIL, impedance(), frequency) + fixture_reading(other, impedance(), frequency)
    sweep = Sweep(frequency_hz=frequency, magnitude=np.abs(both), kind="impedance", name="two coils")
    fit = fit_sweeps([Measurement(sweep=sweep, fixture=impedance())])
    assert any("one coil with eddy losses does not describe" in warning for warning in fit.warnings)
    assert fit.residual_db > 0.5


def test_noise_floor_is_found_and_counts_less():
    measurement = measured(impedance(), noise_db=0.02, points=300)
    rng = np.random.default_rng(5)
    top = measurement.sweep.frequency_hz > 9000
    spoiled = measurement.sweep.magnitude * np.where(top, 10 ** (3 * rng.standard_normal(300) / 20), 1.0)
    sweep = Sweep(frequency_hz=measurement.sweep.frequency_hz, magnitude=spoiled, kind="impedance", name="floor")
    fit = fit_sweeps([Measurement(sweep=sweep, fixture=impedance())], sections=1)
    assert fit.inductance.value == pytest.approx(COIL.inductance, rel=0.01)
    assert any("noise floor" in warning for warning in fit.warnings)


def test_fit_result_is_a_pickup_and_predicts_other_fixtures():
    fit = fit_sweeps([measured(impedance(), noise_db=0.0)], sections=1, name="invented")
    assert fit.pickup.coils["main"].inductance == fit.inductance.value
    other = exciter(STANDARD_LOAD)
    frequency = np.geomspace(100, 10_000, 20)
    np.testing.assert_allclose(fit.predict(other, frequency).values, fixture_reading(COIL, other, frequency), rtol=5e-3)


def test_json_form_has_the_agreed_keys():
    shown = fit_sweeps([measured(impedance())], sections=1).as_dict()
    assert {"resistance_ohm", "inductance_h", "capacitance_f", "eddy", "residual_db", "warnings"} <= shown.keys()
    for key in ("resistance_ohm", "inductance_h", "capacitance_f"):
        assert shown[key].keys() == {"value", "low", "high"}


def test_bad_fixtures_are_refused_in_one_sentence():
    with pytest.raises(InputError, match="at least one sweep"):
        fit_sweeps([])
    with pytest.raises(InputError, match="series resistor"):
        Fixture(kind="divider")
    with pytest.raises(InputError, match="exciter sweeps only"):
        Fixture(kind="impedance", fit_rig_corner=True)
    with pytest.raises(InputError, match="2 nF or more"):
        inductance_with_capacitor(measured(exciter(STANDARD_LOAD)))
    with pytest.raises(InputError, match="0 to 4 eddy sections"):
        fit_sweeps([measured(impedance())], sections=9)
