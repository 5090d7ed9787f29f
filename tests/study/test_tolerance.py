"""Tolerance studies: against closed forms and ngspice, in bounded memory, the same however they are split."""

from __future__ import annotations

import tracemalloc
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from labkit.core.errors import InputError
from labkit.pickup.electrical import Coil, Pickup
from labkit.rig.chain.chain import Cable, Input
from labkit.rig.harness import Harness
from labkit.rig.inputs import with_inputs
from labkit.rig.noise import decibel_volts, rig_noise
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_pickup, load_rig
from labkit.study.measures import (
    NOISE,
    WEIGHTED_NOISE,
    Measure,
    noise_levels,
    parse_measure,
    parse_window,
    read_peaks,
    study_grid,
)
from labkit.study.tolerance import tolerance
from labkit.study.tolerance.causes import cause_names, cause_spread
from labkit.study.tolerance.draws import CELL
from labkit.study.tolerance.result import ToleranceResult
from labkit.study.tolerance.sensitivity import global_sensitivities, swings
from labkit.study.tolerance.spread import Spread
from labkit.study.tolerance.tolerance import ToleranceStudy, run_tolerance, tolerance_study
from labkit.study.work.reduction import fingerprint
from labkit.study.work.work import run_chunks
from tests.circuit.ngspice import simulate
from tests.study.work_tasks import StudyThatKillsAWorker


def single() -> Rig:
    return load_rig("Saltmarsh Lane, narrow single coil")


def small(count: int = 3 * CELL + 100, **options) -> ToleranceStudy:  # type: ignore[no-untyped-def]
    return tolerance_study(single(), count=count, points=32, **options)


def assert_same_to_the_last_digit(one: ToleranceResult, other: ToleranceResult) -> None:
    assert one.count == other.count
    assert np.array_equal(one.bands_db, other.bands_db)
    assert np.array_equal(one.extremes_db, other.extremes_db)
    assert one.share == other.share
    for first, second in zip(one.measures, other.measures):
        assert (first.mean, first.low, first.median, first.high) == (
            second.mean,
            second.low,
            second.median,
            second.high,
        )
        assert np.array_equal(first.counts, second.counts)


def test_noise_of_a_study_is_that_of_its_variants_one_by_one() -> None:
    measures = [Measure(NOISE), Measure(WEIGHTED_NOISE)]
    study = small(64, measures=measures)
    found = run_tolerance(study)
    drawn = study.draws(0)
    rigs = [with_inputs(single(), {name: float(row[at]) for name, row in drawn.items()}) for at in range(0, 64, 16)]
    levels = noise_levels(measures, study.variation.circuit, study.element_values(drawn), 64)
    for at, rig in zip(range(0, 64, 16), rigs):
        noise = rig_noise(rig, with_note=False)
        # a quarter of the points of a rig by itself
        assert levels[0, at] == pytest.approx(decibel_volts(noise.rms), abs=0.02)
        assert levels[1, at] == pytest.approx(decibel_volts(noise.weighted), abs=0.02)
    for row, measure in zip(levels, measures):
        spread = found.measure(measure.name)
        assert (spread.least, spread.greatest) == (row.min(), row.max())
        assert spread.nominal == pytest.approx(row.mean(), abs=0.05)
    bars = swings(study, Measure(NOISE))
    assert {bar.name for bar in bars[:3]} & {"volume.value", "tone.value"}
    assert global_sensitivities(study, Measure(NOISE), base=64)[0].total > 0.1


def resistive() -> Rig:
    """A coil of 10 kΩ and next to no inductance, two capacitances and a resistance behind it: a plain low-pass."""
    pickup = Pickup(name="plain", coils={"main": Coil(resistance=10e3, inductance=1e-6)})
    harness = Harness(name="straight", slots=("only",), output="only.hot", parts={})
    stages = (
        Cable(name="cable", length=10.0, capacitance_per_length=1e-9),
        Input(name="input", resistance=1e6, capacitance=1e-8),
    )
    return Rig(name="low-pass", pickups={"only": pickup}, harness=harness, chain=stages)


def low_pass_db(
    frequency_hz: np.ndarray, capacitance: float, resistance: float = 10e3, load: float = 1e6
) -> np.ndarray:
    """|H| of R into C ∥ R_load: (R_l/(R + R_l)) / |1 + jω·C·(R ∥ R_l)|, dB."""
    parallel = resistance * load / (resistance + load)
    pole = 1 + 2j * np.pi * frequency_hz * capacitance * parallel
    return 20 * np.log10(load / (resistance + load) / np.abs(pole))


def test_bands_of_a_sum_of_two_uniform_numbers_equal_the_closed_form() -> None:
    # C = 10 m · U(0.8, 1.2) nF/m + U(8, 12) nF has a triangular distribution from 16 to 24 nF: P(C < 16 nF + x) is
    # x²/32 nF² in the lower half. The level falls with C, so its quantiles are the levels at those of C.
    spreads = {
        "cable.capacitance": Spread(name="cable.capacitance", shape="uniform", low=0.8e-9, high=1.2e-9),
        "input.capacitance": Spread(name="input.capacitance", shape="uniform", low=8e-9, high=12e-9),
    }
    study = tolerance_study(resistive(), spreads, count=2**16, points=40)
    result = run_tolerance(study)
    away = np.sqrt(0.05 * 32e-18)
    quantiles = (24e-9 - away, 20e-9, 16e-9 + away)
    expected = np.array([low_pass_db(study.frequency_hz, capacitance) for capacitance in quantiles])
    # Sobol draws of this number are right to some 1e-4 of the range; the level's range is 2.7 dB. Bins add their width.
    assert np.max(np.abs(result.bands_db - expected)) < 1e-3 + result.within_db
    assert result.within_db < 0.01
    assert np.all(result.extremes_db[1] <= low_pass_db(study.frequency_hz, 16e-9) + 1e-9)
    assert np.all(result.extremes_db[0] >= low_pass_db(study.frequency_hz, 24e-9) - 1e-9)


def test_level_at_low_frequency_of_a_linear_divider_has_the_mean_and_bounds_of_its_normal_resistance() -> None:
    spreads = {"only.main.resistance": Spread(name="only.main.resistance", shape="normal", low=8e3, high=12e3)}
    bare = replace(resistive(), chain=(Input(name="input", resistance=1e6, capacitance=0.0),))
    study = tolerance_study(bare, spreads, count=20_000, points=20)
    found = run_tolerance(study).measure("level")
    # 5 % point of a normal distribution: 1.6449 standard deviations of 2 kΩ / 1.96.
    away = 1.6448536 * 2e3 / 1.9599640
    low, high = (20 * np.log10(1e6 / (1e6 + 10e3 + side * away)) for side in (1, -1))
    # The bin is 1e-4 dB; cutting at four standard deviations moves the quantile by 1e-5 dB.
    assert found.low == pytest.approx(low, abs=found.within + 2e-5)
    assert found.high == pytest.approx(high, abs=found.within + 2e-5)
    assert found.mean == pytest.approx(20 * np.log10(1e6 / 1.01e6), abs=1e-5)


@pytest.mark.ngspice
def test_bands_agree_with_ngspice_on_100_draws(tmp_path: Path) -> None:
    study = tolerance_study(single(), count=100, points=24, sampling="random", seed=3)
    result = run_tolerance(study)
    drawn = study.draws(0)
    rigs = [study.variation.variant({name: float(column[at]) for name, column in drawn.items()}) for at in range(100)]
    sweeps = simulate([rig.circuit for rig in rigs], study.frequency_hz, tmp_path)
    levels = np.sort(20 * np.log10(np.abs([sweep.transfer for sweep in sweeps])), axis=0)
    # A quantile of 100 draws lies between two neighbours in rank; the bins blur it by their width. ngspice itself
    # agrees to 1e-6 dB.
    slack = result.within_db + 1e-6
    for part, band in zip((5, 50, 95), result.bands_db):
        assert np.all(band >= levels[part - 1] - slack)
        assert np.all(band <= levels[part] + slack)
    assert result.extremes_db[0] == pytest.approx(levels[0], abs=1e-5)
    assert result.extremes_db[1] == pytest.approx(levels[-1], abs=1e-5)


def test_measures_of_variants_are_those_of_the_rigs_themselves() -> None:
    study = tolerance_study(single(), count=64, points=256, measures=[parse_measure("level at 3 kHz")])
    result = run_tolerance(study)
    drawn = study.draws(0)
    rigs = [study.variation.variant({name: float(column[at]) for name, column in drawn.items()}) for at in range(64)]
    responses = [rig.response() for rig in rigs]
    peaks = [response.peak for response in responses]
    # Peaks are read off 256 points here and solved there: 1e-4 and 2e-3 dB apart at most.
    assert result.measure("resonance").least == pytest.approx(min(p.frequency_hz for p in peaks if p), rel=1e-4)
    assert result.measure("height").greatest == pytest.approx(max(p.height_db for p in peaks if p), abs=2e-3)
    at_3k = [response.gain_db_at(3000.0) for response in responses]
    assert result.measure("level at 3 kHz").mean == pytest.approx(np.mean(at_3k), abs=1e-9)


@pytest.mark.parametrize(("points", "part", "decibel"), [(64, 2e-3, 0.02), (512, 1e-4, 1e-3)])
def test_peaks_on_a_grid_are_as_right_as_stated(points: int, part: float, decibel: float) -> None:
    rigs = [single().replace(settings={"tone": tone, "volume": volume}) for tone in (10, 9) for volume in (10, 9)]
    rigs += [single().replace(settings={"tone": 0}), load_rig("Saltmarsh Lane, two pickups")]
    grid = study_grid(points, [Measure("resonance")])
    compared = 0
    for rig in rigs:
        peak = rig.response().peak
        if peak is None:
            continue
        compared += 1
        frequency, level = read_peaks(grid, 20 * np.log10(np.abs(rig.evaluate(grid)))[None])
        assert frequency[0] == pytest.approx(peak.frequency_hz, rel=part)
        assert level[0] == pytest.approx(peak.gain_db, abs=decibel)
    assert compared >= 3


def test_the_result_is_the_same_to_the_last_digit_however_it_is_split(monkeypatch: pytest.MonkeyPatch) -> None:
    alone = run_tolerance(small(windows=[parse_window("resonance=3.4k to 3.7k")]))
    assert 0.2 < alone.share < 0.95
    study = small(windows=[parse_window("resonance=3.4k to 3.7k")])
    with ThreadPoolExecutor(3) as pool:
        assert_same_to_the_last_digit(run_tolerance(study, workers=pool), alone)
    for cells in (1, 3, 100):
        monkeypatch.setattr(tolerance, "CELLS_OF_A_CHUNK", cells)
        assert_same_to_the_last_digit(run_tolerance(study), alone)


def test_the_result_is_the_same_on_processes_of_which_one_dies(tmp_path: Path) -> None:
    study = small()
    alone = run_tolerance(study)
    marker = tmp_path / "marker"
    # Everything else of a study is taken from the wrapped one.
    chunks = StudyThatKillsAWorker(study, marker)
    state = tolerance._empty(study)
    for _, part in run_chunks(chunks, study.chunks, workers=2):
        state = tolerance._added(state, part)
    assert marker.exists()
    assert_same_to_the_last_digit(tolerance._result(study, state, True), alone)


@pytest.mark.filterwarnings("default")  # the cluster's own libraries warn of their own futures
def test_the_result_is_the_same_on_an_executor_of_dask() -> None:
    distributed = pytest.importorskip("distributed", reason="install dask and distributed")
    study = small(count=2 * CELL + 50)
    with (
        distributed.LocalCluster(n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        found = run_tolerance(study, workers=client.get_executor())
    assert_same_to_the_last_digit(found, run_tolerance(study))


def test_memory_stays_bounded_however_many_variants() -> None:
    peaks = []
    for count in (4 * CELL, 16 * CELL):
        study = tolerance_study(single(), count=count, points=64)
        tracemalloc.start()
        run_tolerance(study)
        peaks.append(tracemalloc.get_traced_memory()[1] / 1e6)
        tracemalloc.stop()
    assert peaks[1] < 60
    # Four times the variants: only one row of sums a cell is added.
    assert peaks[1] < 1.1 * peaks[0] + 1


def test_ten_thousand_curves_of_512_points_are_never_held_at_once() -> None:
    study = tolerance_study(single(), count=10_000, points=512)
    tracemalloc.start()
    run_tolerance(study)
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    assert peak < 100  # MB; the curves alone would be 82 MB complex, and their levels 41 MB more


def test_a_stopped_study_keeps_what_is_done_and_goes_on_to_the_same_result(tmp_path: Path) -> None:
    study, record = small(count=8 * CELL), tmp_path / "study.npz"
    seen = []
    part = run_tolerance(study, stop=lambda: True, record=record, watcher=seen.append)
    assert not part.complete
    assert part.count == tolerance.CELLS_OF_A_CHUNK * CELL
    assert record.exists()
    whole = run_tolerance(study, record=record)
    assert_same_to_the_last_digit(whole, run_tolerance(study))
    assert not record.exists()


def test_an_interruption_is_recorded_before_it_is_passed_on(tmp_path: Path) -> None:
    study, record = small(count=8 * CELL), tmp_path / "study.npz"

    def interrupt(progress) -> None:  # type: ignore[no-untyped-def]
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_tolerance(study, record=record, watcher=interrupt)
    assert_same_to_the_last_digit(run_tolerance(study, record=record), run_tolerance(study))


def test_a_record_of_another_study_or_a_damaged_one_is_refused(tmp_path: Path) -> None:
    record = tmp_path / "study.npz"
    run_tolerance(small(count=4 * CELL), stop=lambda: True, record=record)
    with pytest.raises(InputError, match="belongs to another study"):
        run_tolerance(small(count=4 * CELL, seed=2), record=record)
    record.write_bytes(record.read_bytes()[:200])
    with pytest.raises(InputError, match=r"cannot be read as the record of a study"):
        run_tolerance(small(count=4 * CELL), record=record)


def test_a_fingerprint_holds_the_rig_s_values_which_its_own_text_leaves_out() -> None:
    rig = single()
    coil = replace(rig.pickups["bridge"].coils["main"], inductance=2.4001)
    other = rig.replace(pickups={"bridge": replace(rig.pickups["bridge"], coils={"main": coil})})
    assert repr(other) == repr(rig)
    assert fingerprint(other) != fingerprint(rig) == fingerprint(single())


def test_a_seed_decides_the_variants_and_nothing_else_does() -> None:
    assert run_tolerance(small(1000)).measure("resonance").mean == run_tolerance(small(1000)).measure("resonance").mean
    other = run_tolerance(small(1000, seed=2)).measure("resonance").mean
    assert other != run_tolerance(small(1000)).measure("resonance").mean


def test_a_rig_without_anything_varied_has_bands_of_no_width() -> None:
    result = run_tolerance(tolerance_study(single(), {}, count=100, points=32))
    assert np.ptp(result.bands_db, axis=0).max() < 1e-9
    assert result.measure("resonance").mean == pytest.approx(result.measure("resonance").nominal)


def test_variants_without_a_peak_are_counted_as_having_none() -> None:
    muffled = single().replace(settings={"tone": 3})
    spread = {"tone": Spread(name="tone", shape="uniform", low=2.0, high=10.0)}
    result = run_tolerance(tolerance_study(muffled, spread, count=2000, points=64))
    assert 0 < result.measure("resonance").found < result.count


def test_a_window_counts_the_variants_inside(tmp_path: Path) -> None:
    spread = {"cable.capacitance": Spread(name="cable.capacitance", shape="uniform", low=0.9e-9, high=1.1e-9)}
    low, high = (float(low_pass_db(np.array([1000.0]), 1e-8 + 10 * edge)[0]) for edge in (1.05e-9, 0.95e-9))
    window = parse_window(f"level at 1 kHz={low} to {high}")
    result = run_tolerance(tolerance_study(resistive(), spread, count=2**14, points=40, windows=[window]))
    # The middle half of an evenly spread number; Sobol draws are within one draw of even.
    assert result.share == pytest.approx(0.5, abs=2 / 2**14)
    assert result.share_interval[0] < 0.5 < result.share_interval[1]


def test_causes_of_a_built_pickup_move_its_values_together() -> None:
    rig = single().replace(pickups={"bridge": load_pickup("narrow single coil, built")})
    assert "bridge: turns" in cause_names(rig)
    study = tolerance_study(rig, count=CELL, points=32)
    values = study.element_values(study.draws(0))
    resistance, inductance = values["bridge.main.resistance"], values["bridge.main.inductance"]
    from labkit.pickup.predict.built import predict_build

    coil = predict_build(rig.pickups["bridge"].made_from).coils["main"]
    # 95 % of the draws inside the prediction's own bounds: CELL Sobol draws leave some 0.5 %.
    inside = np.mean((resistance >= coil.resistance.low) & (resistance <= coil.resistance.high))
    assert inside == pytest.approx(0.95, abs=0.01)
    # More turns raise both: they are correlated, as independent spreads would not be.
    assert np.corrcoef(resistance, inductance)[0, 1] > 0.2


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"count": 0}, "between 1 and"),
        ({"seed": -1}, "a seed is 0 or more"),
        ({"sampling": "sobel"}, "sampling is sobol or random"),
    ],
)
def test_impossible_studies_are_refused_in_words(options: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        small(**{"count": 100, **options})  # type: ignore[arg-type]


def test_a_spread_that_reaches_below_nothing_is_refused() -> None:
    wide = Spread(name="cable.length", shape="normal", low=1.0, high=9.0)
    with pytest.raises(InputError, match=r"cable\.length: the spread reaches below 0"):
        tolerance_study(single(), {"cable.length": wide})


def test_a_cause_can_be_given_another_spread_of_its_own_value() -> None:
    rig = single().replace(pickups={"bridge": load_pickup("narrow single coil, built")})
    spread = cause_spread(rig, "bridge: bare diameter", "normal 1 %")
    study = tolerance_study(rig, {"bridge: bare diameter": spread}, count=CELL, points=32)
    draws = study.draws(0)
    resistance = study.element_values(draws)["bridge.main.resistance"]
    # thicker wire has less of it
    assert np.corrcoef(draws["bridge: bare diameter"], resistance)[0, 1] < -0.99
    # R goes with the diameter to the power −2: 95 % within 2 % either way. First order and the pinch of windings that
    # a thinner wire makes shorter cost a tenth of it.
    half = np.diff(np.quantile(resistance, [0.025, 0.975]))[0] / 2 / np.median(resistance)
    assert half == pytest.approx(0.02, rel=0.1)
    with pytest.raises(InputError, match="Did you mean 'bridge: turns'"):
        cause_spread(rig, "bridge: turn")
