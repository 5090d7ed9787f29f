"""A pickup measured with a sound interface, against an interface simulated from the printed formulas."""

from __future__ import annotations

import datetime
import re
import subprocess
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.interpolate import CubicSpline

from labkit.bench.fit.fit import fit_sweeps
from labkit.bench.recording.excitation import LENGTH_S, SILENCE_S, all_tones, excitation, tones_hz
from labkit.bench.recording.interface import (
    SeriesResistor,
    bracket,
    calibrate,
    divider_measurement,
    exciter_measurement,
    interface_sheet_text,
    parse_interface,
    renewed,
    shift_db,
    takes_by_role,
)
from labkit.bench.recording.recording import Recording, read_recording
from labkit.bench.recording.take import SpoiltTake, read_take
from labkit.core.errors import InputError
from tests.bench import interface_study
from tests.bench import sound_interface as simulated

DAY = datetime.date(2026, 3, 2)
INTERFACE = simulated.Interface(rate=44_100)
COIL = simulated.coils(1)[0]
TAKES = ("source", "open", "shorted", "pickup", "again")
SERIES = SeriesResistor()


def recording(samples, rate=44_100, name="pickup.wav"):
    return Recording(name=name, rate=rate, samples=samples)


@cache
def samples_of(take: str) -> np.ndarray:
    return simulated.record(INTERFACE, take, COIL, seed=TAKES.index(take))


@cache
def reading_of(take: str):
    return read_take(recording(samples_of(take), name=f"{take}.wav"))


@cache
def calibration():
    return calibrate({take: reading_of(take) for take in TAKES}, name="bench box, gain 3", series=SERIES, made=DAY)


def measured(interface, coil, *, seed=0, series=SERIES, drift=(0.0, 0.0), **how):
    """All five takes of an interface and a coil, as one measurement."""
    takes = {
        take: read_take(
            recording(
                simulated.record(
                    interface,
                    take,
                    coil,
                    seed=10 * seed + number,
                    drift=drift if take in ("pickup", "again") else (0.0, 0.0),
                    **how,
                ),
                interface.rate,
                f"{take}.wav",
            )
        )
        for number, take in enumerate(TAKES)
    }
    made = calibrate(takes, name="box", series=series, made=DAY)
    return divider_measurement(made, takes["pickup"], shift_db=bracket(made, takes["again"]))


def divider_through(coil, interface, frequency):
    """220 kΩ against the coil and the input that the interface was simulated with."""
    load = 1 / coil.impedance(frequency) + 1 / interface.input_r + 2j * np.pi * frequency * interface.input_c
    return 1 / (1 + 220e3 * load)


def divider_of(sweep):
    return sweep.magnitude * np.exp(1j * np.radians(sweep.phase_deg))


# what is played


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_the_sweeps_are_the_printed_formula_at_every_rate(rate: int) -> None:
    played = excitation("sweeps", rate, peak_db=-6.0)
    time = np.arange(played.size) / rate - 1.2
    expected = sum(
        10 ** ((level - 6) / 20) * simulated.sweep(time - k * simulated.SPACING)
        for k, level in enumerate(simulated.LEVELS)
    )
    np.testing.assert_allclose(played, expected, atol=1e-9)
    assert not played[: int(1.1 * rate)].any()


def test_the_tones_keep_clear_of_the_mains_and_of_each_other() -> None:
    tones = np.array(tones_hz())
    for mains in (50, 60):
        below = tones[tones < 1500]
        assert np.abs(below - mains * np.maximum(np.round(below / mains), 1)).min() >= 4.5
    assert np.diff(tones).min() >= 3
    assert np.abs(excitation("tones", 48_000, peak_db=-1.0)).max() <= 10 ** (-1 / 20)


@pytest.mark.parametrize(("rate", "peak", "words"), [(22_050, -12, "44100 to 192000"), (48_000, 3, "−60 to −1")])
def test_what_cannot_be_played_is_refused(rate: int, peak: float, words: str) -> None:
    with pytest.raises(InputError, match=words):
        excitation("sweeps", rate, peak_db=peak)


# what comes back


def test_the_divider_is_that_of_the_coil_behind_its_resistor() -> None:
    sweep = divider_measurement(calibration(), reading_of("pickup"), shift_db=0.0).sweep
    expected = divider_through(COIL, INTERFACE, sweep.frequency_hz)
    off_db = 8.686 * np.abs(divider_of(sweep) / expected - 1)
    assert np.median(off_db) < 0.006  # the stated floor
    # a circular error of one standard deviation on each axis has a root mean square of 1.41 of them
    assert 0.2 < np.sqrt(np.mean((off_db / sweep.sigma_db) ** 2)) < 1.8


def test_the_input_is_told_from_the_take_with_the_pickup_off() -> None:
    assert calibration().input_resistance == pytest.approx(1e6, rel=2e-3)
    assert calibration().input_capacitance == pytest.approx(150e-12, rel=2e-3)


def test_random_interfaces_with_their_errors_give_the_coil_as_the_study_prints() -> None:
    """A lead that moved beside a small coil is 1.6 % of its capacitance; the sixth take leaves what a clip does."""
    six, exact, five = interface_study.rows(6)
    printed = re.search(r"^\| 7 \|(.*)\|$", interface_study.PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    assert printed is not None
    # a later fit may weigh the points otherwise: a third of the doubt of the better resistor, of the clip for C
    np.testing.assert_allclose(six.errors[:3], [float(x) for x in printed[1].split("|")[:3]], atol=0.05)
    assert max(map(abs, six.errors[:3])) < 1.0  # twice what is stated of the resistor
    assert max(map(abs, exact.errors[:3])) < 0.5
    assert abs(five.errors[2]) > 1.0


def test_a_take_with_the_pickup_off_once_more_replaces_the_first_one() -> None:
    moved = simulated.record(INTERFACE, "open again", seed=11, drift=(0.0, 2e-12))
    again = {"open again": read_take(recording(moved, name="open again.wav"))}
    fresh = renewed(calibration(), again)
    assert fresh.input_capacitance - calibration().input_capacitance == pytest.approx(2e-12, rel=0.05)
    assert fresh.lead_doubt < calibration().lead_doubt
    assert renewed(calibration(), {"again": reading_of("again")}) is calibration()
    sweep = divider_measurement(fresh, reading_of("pickup"), shift_db=0.0).sweep
    assert "the take with the pickup off once more" in sweep.understood[1]
    tones = read_take(recording(simulated.record(INTERFACE, "open", seed=4, played=all_tones)))
    with pytest.raises(InputError, match="holds tones, the calibration sweeps"):
        renewed(calibration(), {"open again": tones})


@pytest.mark.ngspice
def test_an_impedance_that_ngspice_worked_out_comes_back(tmp_path: Path) -> None:
    """The coil's eddy loss is a coupled, shorted secondary there: L₂ = 1 H, k² = 0.15, corner R₂/(2πL₂) = 4 kHz."""
    (tmp_path / "coil.cir").write_text(
        "a coil with a shorted turn\nI1 0 top AC 1\nR1 top a 7000\nL1 a 0 3.1\nL2 b 0 1\n"
        f"K1 L1 L2 {np.sqrt(0.15):.12g}\nR2 b 0 {2 * np.pi * 4000:.9g}\nC1 top 0 120p\n"
        f".control\nac dec 400 1 30k\nwrdata {tmp_path / 'z'} v(top)\n.endc\n.end\n"
    )
    subprocess.run(["ngspice", "-b", "coil.cir"], cwd=tmp_path, check=False, capture_output=True)
    rows = np.loadtxt(next(tmp_path.glob("z*")))
    spline = CubicSpline(np.log(rows[:, 0]), rows[:, 1:3])

    def z(frequency):
        parts = spline(np.log(np.clip(frequency, 1.0, 30e3)))
        return parts[:, 0] + 1j * parts[:, 1]

    fit = fit_sweeps([measured(INTERFACE, None, z=z)])
    assert fit.resistance.value == pytest.approx(7000, rel=2e-3)
    assert fit.inductance.value == pytest.approx(3.1, rel=2e-3)
    assert fit.capacitance.value == pytest.approx(120e-12, rel=3e-3)
    assert fit.eddy[0].fraction.value == pytest.approx(0.15, rel=0.03)
    assert fit.eddy[0].corner_hz.value == pytest.approx(4000, rel=0.05)


def test_crosstalk_and_input_drop_out_only_with_their_takes() -> None:
    """Without the shorted take 60 dB of crosstalk would err by 0.1 of the divider at low frequencies."""
    leaky = replace(INTERFACE, crosstalk_db=-60.0)
    sweep = measured(leaky, COIL, seed=3).sweep
    expected = divider_through(COIL, INTERFACE, sweep.frequency_hz)
    assert np.median(np.abs(divider_of(sweep) / expected - 1)) < 1e-3


def test_tones_beat_sweeps_at_low_frequencies_in_loud_hum() -> None:
    loud, off = replace(INTERFACE, hum=10e-3), {}
    swept = read_take(recording(simulated.record(loud, "pickup", COIL, seed=5)))
    for signal, measurement in (
        ("sweeps", divider_measurement(calibration(), swept)),
        ("tones", measured(loud, COIL, seed=5, played=all_tones)),
    ):
        sweep = measurement.sweep
        expected = divider_through(COIL, INTERFACE, sweep.frequency_hz)
        low = sweep.frequency_hz < 1000
        off[signal] = np.median(np.abs(divider_of(sweep) / expected - 1)[low])
    assert off["tones"] < 0.5 * off["sweeps"]
    assert off["tones"] < 5e-4


def test_the_exciter_needs_no_corner_of_its_own() -> None:
    """EMF = jωM·I of the sensed current; a first-order roll-off of the exciter (8 kHz here) drops out."""
    take = read_take(recording(simulated.record(INTERFACE, "pickup", COIL, seed=9, exciter=True, level_db=-3.0)))
    measurement = exciter_measurement(calibration(), take, shift_db=0.0)
    sweep = measurement.sweep
    w = 2j * np.pi * sweep.frequency_hz
    load = w * 150e-12 + 1e-6
    expected = np.abs(w * 2e-3 / (1 + COIL.branch(sweep.frequency_hz) * (w * COIL.C + load)))
    used = (sweep.frequency_hz > 200) & (sweep.frequency_hz < 12_000)
    off_db = 20 * np.log10(sweep.magnitude / expected)[used]
    assert np.median(np.abs(off_db)) < 0.02
    assert measurement.fixture.meter_capacitance == pytest.approx(150e-12, rel=0.01)


# what is wrong with it


def test_a_good_recording_has_no_faults() -> None:
    for take in TAKES:
        assert reading_of(take).faults == ()
    sweep = divider_measurement(calibration(), reading_of("pickup"), shift_db=0.0).sweep
    assert all("days old" in warning or "the lead may have moved" in warning for warning in sweep.warnings)


def with_gain_control(samples):
    """A gain that halves every 6 dB above the target, attack 50 ms, release 1 s."""
    level = np.convolve(np.abs(samples).max(0), np.ones(480) / 480, "same")
    gain, present = np.ones(samples.shape[1]), 0.1
    for k in range(0, samples.shape[1], 48):
        present += (level[k] - present) * (1 - np.exp(-48 / 44_100 / (0.05 if level[k] > present else 1.0)))
        gain[k : k + 48] = (0.1 / max(present, 1e-3)) ** 0.7
    return np.clip(samples * gain, -1, 1)


def losing(samples, count):
    return np.concatenate([samples[:, :220_000], samples[:, 220_000 + count :], np.zeros((2, count))], axis=1)


def relabelled(samples):
    """Recorded at 48 kHz by a recorder whose file says 44.1."""
    there = np.arange(int(samples.shape[1] * 48 / 44.1)) * 44.1 / 48
    return np.array([np.interp(there, np.arange(samples.shape[1]), channel) for channel in samples])


def after_phantom_power(samples):
    swing = 0.3 * np.exp(-np.arange(samples.shape[1]) / 44_100 / 1.5)
    return samples * 0.5 + np.array([np.zeros_like(swing), swing])


def gated(samples):
    quiet = np.convolve(np.abs(samples).max(0), np.ones(2205) / 2205, "same") < 1e-3
    return np.where(quiet, 0.0, samples)


FAULTS = {
    "clipping": lambda x: np.clip(x, -0.05, 0.05),
    "gain control": with_gain_control,
    "lost samples": lambda x: losing(x, 64),
    "wrong rate": relabelled,
    "phantom power": after_phantom_power,
    "one channel twice": lambda x: np.array([x[0], x[0]]),
    "channel 1 is silent": lambda x: np.array([0 * x[0], x[1]]),
    "too quiet": lambda x: 0.01 * x,
    "cut short": lambda x: x[:, : 8 * 44_100],
    "no sweep": lambda x: np.random.default_rng(1).normal(0, 0.1, x.shape),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_of_the_recording_is_named(name: str) -> None:
    with pytest.raises(SpoiltTake) as caught:
        read_take(recording(FAULTS[name](np.array(samples_of("pickup")))))
    assert [fault.name for fault in caught.value.faults] == [name]
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("pickup.wav: ")


ODD = {
    "nothing": np.zeros((2, 0)),
    "one sample": np.ones((2, 1)),
    "a constant": np.array([np.full(480_000, 0.5), np.full(480_000, 0.4)]),
    "one click": np.array([np.eye(1, 480_000, 200_000)[0], 0.5 * np.eye(1, 480_000, 200_000)[0]]),
    "huge numbers": np.random.default_rng(2).normal(0, 1e30, (2, 480_000)),
    "four seconds of noise": np.random.default_rng(3).normal(0, 0.1, (2, 4 * 44_100)),
    "one sweep": np.array([1.0, 0.5])[:, None] * excitation("sweeps", 44_100)[None, : int(3.9 * 44_100)],
}


@pytest.mark.parametrize("name", ODD)
def test_odd_samples_are_refused_in_a_sentence(name: str) -> None:
    with pytest.raises(SpoiltTake) as caught:
        read_take(recording(ODD[name]))
    assert caught.value.faults


@pytest.mark.parametrize("ppm", [500, -500])
def test_two_clocks_are_named_and_do_no_harm(ppm: int) -> None:
    apart = replace(INTERFACE, clock=ppm * 1e-6)
    reading = read_take(recording(simulated.record(apart, "pickup", COIL, seed=3)))
    assert [fault.name for fault in reading.faults] == ["two clocks"]
    assert reading.clock_ppm == pytest.approx(-ppm, abs=15)
    sweep = divider_measurement(calibration(), reading, shift_db=0.0).sweep
    expected = divider_through(COIL, INTERFACE, sweep.frequency_hz)
    assert np.median(np.abs(divider_of(sweep) / expected - 1)) < 2e-3


def test_muted_pauses_are_named() -> None:
    reading = read_take(recording(gated(np.array(samples_of("pickup")))))
    assert [fault.name for fault in reading.faults] == ["muted pauses"]


def test_loud_hum_is_named_and_weighs_little() -> None:
    loud = replace(INTERFACE, hum=0.2)
    reading = read_take(recording(simulated.record(loud, "pickup", COIL, seed=3)))
    assert [fault.name for fault in reading.faults] == ["loud hum"]
    sweep = divider_measurement(calibration(), reading, shift_db=0.0).sweep
    quiet = divider_measurement(calibration(), reading_of("pickup"), shift_db=0.0).sweep
    low = sweep.frequency_hz < 1000
    assert np.median(sweep.sigma_db[low]) > 3 * np.median(quiet.sigma_db[quiet.frequency_hz < 1000])


@pytest.mark.parametrize(
    ("name", "spoil"),
    [
        ("clipping", lambda x: np.clip(x, -0.03, 0.03)),
        ("gain control", lambda x: x * np.where(np.arange(x.shape[1]) < 5 * 44_100, 1, 0.97)),
        ("lost samples", lambda x: losing(x, 64)),
    ],
)
def test_a_fault_is_named_in_tones_too(name: str, spoil) -> None:
    with pytest.raises(SpoiltTake) as caught:
        read_take(recording(spoil(tones_take())))
    assert [fault.name for fault in caught.value.faults] == [name]


@cache
def tones_take():
    return simulated.record(INTERFACE, "pickup", COIL, seed=4, played=all_tones)


def calibrated_with(**takes):
    return calibrate({**{take: reading_of(take) for take in TAKES}, **takes}, name="box", series=SERIES, made=DAY)


def test_swapped_channels_are_named() -> None:
    with pytest.raises(SpoiltTake, match="channels are swapped"):
        read_take(recording(samples_of("shorted")[::-1]))
    with pytest.raises(InputError, match="channels are swapped"):
        calibrated_with(open=read_take(recording(samples_of("open")[::-1])))


@pytest.mark.parametrize(
    ("takes", "words"),
    [
        ({"shorted": "pickup"}, "clips did not touch|clips shorted"),
        ({"open": "source"}, "both channels on the source"),
    ],
)
def test_takes_that_changed_places_are_named(takes, words: str) -> None:
    with pytest.raises(InputError, match=words):
        calibrated_with(**{role: reading_of(take) for role, take in takes.items()})


@pytest.mark.parametrize("role", ["source", "open", "shorted"])
def test_a_missing_take_is_asked_for(role: str) -> None:
    takes = {take: reading_of(take) for take in TAKES if take != role}
    with pytest.raises(InputError, match="a calibration needs the take with"):
        calibrate(takes, name="box", series=SERIES)


def test_phantom_power_loads_the_input_and_is_named() -> None:
    fed = replace(INTERFACE, input_r=6.8e3)
    opened = read_take(recording(simulated.record(fed, "open", seed=2), name="open.wav"))
    with pytest.raises(InputError, match=r"loads the pickup with 6\.[78].*phantom power"):
        calibrated_with(open=opened)


def test_the_pickup_take_must_hold_a_pickup() -> None:
    with pytest.raises(InputError, match="clip the pickup on"):
        divider_measurement(calibration(), reading_of("open"))


def test_a_gain_that_moved_by_more_than_two_hundredths_of_a_decibel_is_refused() -> None:
    def after(shift: float):
        return read_take(recording(simulated.record(INTERFACE, "again", seed=6, drift=(shift, 0.0)), name="again.wav"))

    assert bracket(calibration(), after(0.01)) == pytest.approx(0.01, abs=1e-3)
    assert shift_db(calibration(), after(0.03)) == pytest.approx(0.03, abs=1e-3)
    with pytest.raises(InputError, match=r"moved by 0\.030 dB"):
        bracket(calibration(), after(0.03))


def test_without_the_last_take_the_sweep_says_so() -> None:
    warnings = divider_measurement(calibration(), reading_of("pickup")).sweep.warnings
    assert any("nobody knows whether a gain moved" in warning for warning in warnings)


def test_a_shift_widens_the_uncertainty() -> None:
    still, moved = (divider_measurement(calibration(), reading_of("pickup"), shift_db=x).sweep for x in (0.0, 0.015))
    assert np.median(moved.sigma_db / still.sigma_db) > 1.3


# files


def test_wav_and_flac_give_the_same_take(tmp_path: Path) -> None:
    samples = samples_of("pickup")
    found = {}
    for ending, form in (("wav", "WAV"), ("flac", "FLAC")):
        path = tmp_path / f"pickup.{ending}"
        soundfile.write(path, samples.T, 44_100, format=form, subtype="PCM_24")
        found[ending] = read_recording(path).samples
    np.testing.assert_array_equal(found["wav"], found["flac"])
    np.testing.assert_allclose(found["wav"], samples, atol=2**-23)


@pytest.mark.parametrize(
    ("shape", "rate", "words"),
    [((1, 9000), 48_000, "1 channel; two are due"), ((2, 9000), 22_050, "22050 Hz"), ((2, 2_900_000), 48_000, "60 s")],
)
def test_a_file_that_cannot_be_a_take_is_refused(tmp_path: Path, shape, rate: int, words: str) -> None:
    soundfile.write(tmp_path / "take.wav", np.zeros(shape).T, rate, subtype="PCM_16")
    with pytest.raises(InputError, match=words):
        read_recording(tmp_path / "take.wav")


def test_roles_come_from_the_names_of_the_files() -> None:
    roles, pickups = takes_by_role([reading_of(take) for take in TAKES])
    assert set(roles) == {"source", "open", "shorted", "again"}
    assert [reading.name for reading in pickups] == ["pickup.wav"]
    with pytest.raises(InputError, match="both the take with the pickup off"):
        takes_by_role([reading_of("open"), reading_of("open")])


def test_a_calibration_survives_its_file() -> None:
    kept = parse_interface(interface_sheet_text(calibration()), "box.toml")
    assert (kept.name, kept.made, kept.series, kept.signal) == ("bench box, gain 3", DAY, SERIES, "sweeps")
    np.testing.assert_array_equal(kept.source.frequency_hz, calibration().source.frequency_hz)
    np.testing.assert_allclose(kept.open_clips.value, calibration().open_clips.value, rtol=1e-8)
    assert kept.age_days(DAY + datetime.timedelta(days=41)) == 41
    assert any("41 days old" in words for words in kept.warnings(DAY + datetime.timedelta(days=41)))
    assert not kept.warnings(DAY)


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        (r"made = \S+", 'made = "yesterday"', "must be a day without quotes"),
        (r'signal = "sweeps"', 'signal = "chirps"', "signal: must be one of"),
        (r'series_resistor = "\S+ kΩ"', 'series_resistor = "220 pF"', "series_resistor"),
        (r"frequency_hz = \[\s*[\d.]+,", "frequency_hz = [", "source: must hold"),
        (r"\[open\]", "[opened]", "open: is missing"),
        (r"name = ", "colour = 1\nname = ", "colour: is not a key"),
    ],
)
def test_a_damaged_calibration_gets_one_sentence(before: str, after: str, words: str) -> None:
    text = re.sub(before, after, interface_sheet_text(calibration()), count=1)
    with pytest.raises(InputError, match=words) as caught:
        parse_interface(text, "box.toml")
    assert str(caught.value).startswith("box.toml: ")


def test_a_take_lasts_as_long_as_the_page_says() -> None:
    assert LENGTH_S["sweeps"] == pytest.approx(10.3, abs=0.1)
    assert SILENCE_S == 1.2
