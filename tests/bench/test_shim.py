"""Strings lifted by a shim: pulses found and integrated, and what is said of damaged ones."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from labkit.bench.shim.pulses import LiftReading, LiftRecording, Pulse, read_lift_file, read_lifts
from labkit.bench.shim.sensitivity import LiftScale, lifts_in_words, measured_lift
from labkit.core.errors import InputError
from labkit.core.wav import write_wav
from labkit.pickup.predict.propagation import Doubtful, Prediction
from tests.bench.shim_bench import Lift
from tests.bench.shim_study import row

QUIET = Lift(hum=0.0, drift=0.0, noise=0.0, repeat=0.0)


def _read(bench: Lift, seed: int = 1, expected: int | None = None, **damage: int) -> LiftReading:
    recording = LiftRecording(name="e.wav", rate=bench.rate, samples=bench.recording(seed, **damage))
    return read_lifts(recording, expected=expected)


@pytest.mark.parametrize("corners", [(), (0.5,), (3.0,), (5.0, 1.0), (12.0,)], ids=str)
def test_corners_of_the_input_leave_nothing_in_the_integral(corners: tuple[float, ...]) -> None:
    bench = replace(QUIET, corners_hz=corners)
    found = _read(bench, expected=8)
    # 0.2 %: what is left of a move at the edge of a rest, once an input of 12 Hz has drawn it out
    assert found.flux * bench.full_scale == pytest.approx(bench.flux, rel=2e-3)
    assert found.corners_hz == pytest.approx(corners, rel=0.01)


@pytest.mark.parametrize("hum_hz", [50.0, 59.97])
def test_hum_ten_times_the_pulse_and_a_wander_leave_it_where_it_was(hum_hz: float) -> None:
    bench = replace(QUIET, hum=5e-3, hum_hz=hum_hz, drift=200e-6)
    assert _read(bench, expected=8).flux * bench.full_scale == pytest.approx(bench.flux, rel=5e-3)


def test_integral_does_not_depend_on_how_fast_the_string_moves() -> None:
    found = _read(QUIET)
    sizes = [abs(pulse.flux) for pulse in found.pulses]
    lengths = [pulse.end_s - pulse.begin_s for pulse in found.pulses]
    assert max(lengths) > 1.5 * min(lengths)
    assert max(sizes) == pytest.approx(min(sizes), rel=2e-3)


def test_lift_and_return_have_opposite_signs() -> None:
    signs = [np.sign(pulse.flux) for pulse in _read(Lift()).pulses]
    assert signs == [signs[0] * (-1) ** at for at in range(8)]


@pytest.mark.parametrize("number", range(8))
def test_random_benches_are_read_within_three_percent(number: int) -> None:
    found = row(number)
    assert found is not None
    assert abs(found.reading) < 2.0  # percent; the table of docs/reference/shim_study.md has the whole distribution
    assert abs(found.whole) < 4.0  # with a full scale and shim that are off by their own tolerances


def test_a_clipped_pulse_is_left_out_by_name() -> None:
    bench = replace(Lift(), moves=10)
    samples = bench.recording(2)
    pulses = read_lifts(LiftRecording(name="e.wav", rate=bench.rate, samples=samples)).pulses
    at = round(pulses[3].at_s * bench.rate)
    hit = samples.copy()
    hit[at : at + 40] = 1.0
    found = read_lifts(LiftRecording(name="e.wav", rate=bench.rate, samples=hit))
    assert [bool(pulse.fault) for pulse in found.pulses] == [index == 3 for index in range(10)]
    assert "is clipped (40 samples stand at the extreme value): turn the gain down; it was left out" in found.notes[0]
    assert found.flux * bench.full_scale == pytest.approx(bench.flux, rel=0.01)


def test_a_string_moved_too_slowly_is_left_out_by_name() -> None:
    found = _read(replace(QUIET, moves=10, corners_hz=()), slow=4)
    assert [bool(pulse.fault) for pulse in found.pulses] == [at == 4 for at in range(10)]
    assert "let the string go, or move it faster; it was left out" in found.notes[0]


def test_a_return_too_slow_to_be_seen_is_noted() -> None:
    found = _read(replace(Lift(), moves=10, corners_hz=(0.3,)), slow=4)
    assert len(found.pulses) == 9
    assert "the string went back unseen, too slowly to be read; that does no harm" in found.notes[0]


def test_a_string_that_stopped_short_is_left_out_with_its_size() -> None:
    found = _read(replace(Lift(), moves=10), short=4)
    said = [pulse.fault for pulse in found.pulses if pulse.fault]
    assert said
    assert all("times as large as the others: the string did not come to rest" in fault for fault in said)
    assert found.flux * Lift().full_scale == pytest.approx(Lift().flux, rel=0.01)


def test_a_missed_pulse_is_refused_with_the_places_of_the_others() -> None:
    with pytest.raises(InputError, match=r"e.wav: 10 pulses were expected and 8 found, at 1\.\d+, .* was missed"):
        _read(Lift(), expected=10)


def test_too_few_good_pulses_are_refused_with_their_faults() -> None:
    with pytest.raises(InputError, match=r"5 good pulses, at least 6 are due .*\): the pulse at \d"):
        _read(replace(QUIET, moves=6, corners_hz=()), slow=3)


def test_hum_alone_and_silence_are_no_lifts() -> None:
    bench = replace(Lift(), moves=0, pause_s=12.0, hum=2e-3)
    with pytest.raises(InputError, match="no pulse stands out of noise and hum"):
        _read(bench)
    with pytest.raises(InputError, match="the recording is silent"):
        read_lifts(LiftRecording(name="e.wav", rate=48_000, samples=np.zeros(480_000)))


def test_pulses_without_rest_between_them_are_named() -> None:
    with pytest.raises(InputError, match=r"has another change within 0\.4 s of it: move the string at once"):
        _read(replace(Lift(), pause_s=0.6, moves=12))


def test_a_recording_that_is_too_short_or_long_is_refused() -> None:
    with pytest.raises(InputError, match="two seconds or more"):
        LiftRecording(name="e.wav", rate=48_000, samples=np.ones(48_000))
    with pytest.raises(InputError, match="one string at a time"):
        LiftRecording(name="e.wav", rate=8_000, samples=np.ones(8_000 * 121))


def test_channel_with_the_pulses_is_read_unless_one_is_named(tmp_path: Path) -> None:
    samples = Lift().recording(1)
    path = tmp_path / "e.wav"
    whole = read_lifts(LiftRecording(name="e.wav", rate=Lift().rate, samples=samples)).flux
    for at, channels in enumerate(([0.003 * samples, samples], [samples, np.zeros_like(samples)]), start=1):
        write_wav(path, np.stack(channels), Lift().rate, force=True, sample_format="FLOAT")
        found = read_lift_file(path)
        assert found.channel == 3 - at
        assert found.flux == pytest.approx(whole, rel=1e-5)  # 32-bit floats
    with pytest.raises(InputError, match="the recording is silent"):
        read_lift_file(path, 2)
    write_wav(path, samples, Lift().rate, force=True)
    assert read_lift_file(path).channel == 1
    with pytest.raises(InputError, match="has 1 channel; there is no channel 2"):
        read_lift_file(path, 2)


def test_a_recording_without_pulses_says_why_whatever_its_other_channel_holds(tmp_path: Path) -> None:
    path = tmp_path / "e.wav"
    few = replace(Lift(), moves=4).recording(1)
    write_wav(path, np.stack([np.zeros_like(few), few]), Lift().rate)
    with pytest.raises(InputError, match="4 good pulses, at least 6 are due"):
        read_lift_file(path)
    with pytest.raises(InputError, match=r"e\.wav: the recording is silent"):
        read_lift_file(path, 1)


def _over(value: float, half: float) -> Prediction:
    return Prediction(value=value, low=value - half, high=value + half)


def test_verdict_names_a_side_only_where_the_interval_leaves_zero_out() -> None:
    inside = {"E4": _over(1.9, 2.0), "G3": _over(-0.5, 2.0)}
    assert lifts_in_words(inside, "the coil") == "E4 and G3 lie within what the coil predicts."
    said = lifts_in_words({**inside, "B3": _over(3.0, 2.0), "E2": _over(-4.0, 2.0)}, "the coil")
    assert said == (
        "Outside what the coil predicts: B3, 3.0 dB more; E2, 4.0 dB less. Height, turns, magnets or strings are not "
        "what the sheet says. E4 and G3 lie within."
    )


def _reading(deviation: float, freedom: int) -> LiftReading:
    pulses = (Pulse(begin_s=1.0, end_s=1.1, flux=1e-4),)
    return LiftReading(
        name="e.wav", pulses=pulses, flux=1e-4, deviation=deviation, freedom=freedom, corners_hz=(), notes=()
    )


def _scale(tolerance: float, ohms: float = 0.0) -> LiftScale:
    exactly = Doubtful.percent(1e-3, tolerance)
    return LiftScale(full_scale=Doubtful.percent(0.5, tolerance), shim=exactly, coil_resistance=ohms)


def test_sensitivity_is_the_integral_over_the_lift_with_the_load_of_the_input_put_back() -> None:
    found = measured_lift(_reading(0.01, 3), "E4", _scale(0.0, 10e3))
    # by hand: 1e-4 of full scale · s at 0.5 V, 10 kΩ before 1 MΩ
    assert found.integral.value == pytest.approx(50e-6 * 1.01)
    assert found.sensitivity.value == pytest.approx(50e-3 * 1.01)


@pytest.mark.parametrize(("freedom", "students"), [(2, 4.303), (3, 3.182), (9, 2.262)])
def test_interval_of_scatter_alone_is_students(freedom: int, students: float) -> None:
    # printed table of Student's t, 97.5 %
    found = measured_lift(_reading(0.01, freedom), "E4", _scale(0.0)).sensitivity
    assert np.log(found.high / found.value) == pytest.approx(0.01 * students, rel=3e-3)


def test_scatter_much_smaller_than_the_tolerances_hardly_counts() -> None:
    found = measured_lift(_reading(1e-4, 2), "E4", _scale(0.02)).sensitivity
    assert np.log(found.high / found.value) == pytest.approx(0.02 * np.sqrt(2), rel=5e-3)
