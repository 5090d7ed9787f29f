"""Impulse responses: convolving with them gives the other rig; phase, latency, normalisation and table as stated."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest
import scipy.signal

from labkit.core.errors import InputError
from labkit.rig.sheet import load_rig, set_value
from labkit.sound.convert.difference import Difference
from labkit.sound.convert.impulse import frequency_table, impulse_response, minimum_phase
from labkit.sound.render.rendering import Renderer
from labkit.sound.render.rig_sound import coil_transfers, rig_difference, take_for
from labkit.sound.take.sheet import load_take
from tests.sound.signals import RATE, resonance, spectral_difference_db

BEFORE = load_rig("Saltmarsh Lane, narrow single coil")
AFTER = set_value(BEFORE, "cable.length", "15m")


@pytest.mark.parametrize("phase", ["minimum", "linear"])
def test_convolving_the_first_rig_gives_the_second(phase) -> None:
    take = take_for(BEFORE, load_take("E chord"))
    renderer = Renderer(take)
    recorded, wanted = (renderer.render(coil_transfers(rig, take.coils)) for rig in (BEFORE, AFTER))
    found = impulse_response(
        rig_difference(BEFORE, AFTER), rate=RATE, length=8192, phase=phase, normalisation="true level"
    )
    convolved = scipy.signal.fftconvolve(recorded, found.samples)[found.latency_samples :][: wanted.size]
    # The promise of conversion, 0.3 dB; above 70 Hz, where the lowest partial lies.
    assert spectral_difference_db(convolved, wanted, RATE, (70.0, found.band_hz[1])) < 0.3


def test_minimum_phase_has_the_phase_of_the_true_difference_of_two_passive_rigs() -> None:
    difference = rig_difference(BEFORE, AFTER)
    found = impulse_response(difference, rate=192_000, length=65_536, normalisation="true level")
    grid = np.geomspace(100, 10_000, 40)
    turns = np.exp(-2j * np.pi * np.outer(grid, np.arange(found.samples.size)) / 192_000)
    got, wanted = turns @ found.samples, difference.exact(grid)
    # The true curve runs on above 96 kHz, where the response ends: its share of the phase below 10 kHz stays small.
    assert np.max(np.abs(np.degrees(np.angle(got / wanted)))) < 3.0
    assert np.max(np.abs(20 * np.log10(np.abs(got / wanted)))) < 0.02


def test_minimum_phase_of_a_known_filter_is_that_filter() -> None:
    # 1 − 0.5 z⁻¹ has its zero inside the unit circle, so it is its own minimum-phase form.
    magnitude = np.abs(np.fft.rfft([1.0, -0.5], 4096))
    assert minimum_phase(magnitude)[:4] == pytest.approx([1.0, -0.5, 0.0, 0.0], abs=1e-12)
    # 1 − 2 z⁻¹ has it outside; the minimum-phase form with the same magnitude is 2 − z⁻¹.
    magnitude = np.abs(np.fft.rfft([1.0, -2.0], 4096))
    assert minimum_phase(magnitude)[:4] == pytest.approx([2.0, -1.0, 0.0, 0.0], abs=1e-12)


def test_linear_phase_is_symmetric_about_its_stated_latency() -> None:
    found = impulse_response(
        Difference(before=resonance(3000, 2), after=resonance(4500, 3)), phase="linear", length=1024
    )
    middle = found.latency_samples
    assert middle == 512
    left, right = found.samples[middle - 300 : middle][::-1], found.samples[middle + 1 : middle + 301]
    assert np.allclose(left, right, atol=1e-9)


def test_minimum_phase_puts_its_energy_first() -> None:
    found = impulse_response(Difference(before=resonance(3000, 2), after=resonance(4500, 3)), length=4096)
    energy = np.cumsum(found.samples**2)
    assert found.latency_samples == 0
    assert energy[200] > 0.99 * energy[-1]


@pytest.mark.parametrize(
    ("normalisation", "check"),
    [
        ("peak", lambda found: 20 * np.log10(np.max(np.abs(found.samples))) == pytest.approx(-1.0, abs=1e-9)),
        ("true level", lambda found: found.gain_db == 0.0),
    ],
)
def test_normalisation_is_as_stated(normalisation, check) -> None:
    difference = Difference(before=resonance(3000, 2), after=resonance(4500, 3, gain=0.5))
    assert check(impulse_response(difference, normalisation=normalisation))


def test_gain_takes_every_normalisation_back_to_the_true_level() -> None:
    difference = Difference(before=resonance(3000, 2), after=resonance(4500, 3, gain=0.5))
    true = impulse_response(difference, normalisation="true level").samples
    for normalisation in ("peak", "loud band"):
        found = impulse_response(difference, normalisation=normalisation)  # type: ignore[arg-type]
        assert np.allclose(found.samples * 10 ** (-found.gain_db / 20), true, rtol=1e-12)


def test_loud_band_is_brought_to_zero_decibels() -> None:
    difference = Difference(before=resonance(8000, 1), after=resonance(8000, 1, gain=0.1))
    assert impulse_response(difference, normalisation="loud band").gain_db == pytest.approx(20.0, abs=0.001)


def test_a_short_response_admits_its_error() -> None:
    difference = Difference(before=resonance(500, 8), after=resonance(700, 8))
    short, long = (impulse_response(difference, length=length) for length in (128, 16_384))
    assert short.resolved_hz > long.resolved_hz
    assert short.deviation_db > 10 * long.deviation_db
    assert long.deviation_db < 0.1


def test_table_holds_the_exact_difference() -> None:
    difference = rig_difference(BEFORE, AFTER)
    rows = list(csv.DictReader(io.StringIO(frequency_table(difference, points=50))))
    assert len(rows) == 50
    for row in rows[5::9]:
        # Written to six digits of frequency and 1e-5 dB.
        ratio = AFTER.evaluate(np.array([float(row["frequency_hz"])])) / BEFORE.evaluate(
            np.array([float(row["frequency_hz"])])
        )
        assert float(row["gain_db"]) == pytest.approx(float(20 * np.log10(np.abs(ratio[0]))), abs=1e-4)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"phase": "zero"}, "minimum or linear"),
        ({"normalisation": "loud"}, "Did you mean 'loud band'"),
        ({"length": 1001}, "even number"),
        ({"length": 10**7}, "even number"),
        ({"rate": 100}, "sample rate"),
    ],
)
def test_impossible_choices_are_refused(options: dict, message: str) -> None:
    with pytest.raises(InputError, match=message):
        impulse_response(Difference(before=resonance(3000, 2), after=resonance(4500, 3)), **options)
