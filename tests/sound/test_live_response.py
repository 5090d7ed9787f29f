"""What a page convolves equals the rendered sound, coil by coil, and its loudness that of the meter."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from scipy.signal import fftconvolve

from labkit.core.errors import InputError
from labkit.core.response import gain_db
from labkit.rig.inputs import with_inputs
from labkit.rig.sheet import load_rig
from labkit.sound.live_response import (
    EARLY,
    RATE,
    TakeLoudness,
    bin_transfers,
    converting_response,
    impulse_responses,
)
from labkit.sound.loudness import integrated_loudness, peak_db
from labkit.sound.render.rendering import Renderer
from labkit.sound.render.rig_sound import coil_transfers, rig_difference, take_for
from labkit.sound.take.sheet import load_take
from tests.rig.random_rigs import random_rig

ONE, TWO, THREE = (f"Saltmarsh Lane, {name}" for name in ("narrow single coil", "two pickups", "three pickups"))
SETTINGS = [
    (ONE, {}),
    (ONE, {"volume": 4.0, "tone": 2.0}),
    (TWO, {"selector": "both"}),
    (THREE, {"selector": "middle and bridge", "neck_tone": 0.0}),
]


@pytest.mark.parametrize(("name", "settings"), SETTINGS)
@pytest.mark.parametrize("take", ["E chord", "low note"])
def test_a_take_convolved_by_the_page_is_the_rendered_one(name, settings, take):
    rig = load_rig(name).replace(settings=settings)
    played = take_for(rig, load_take(take))
    rendered = Renderer(played).render(coil_transfers(rig, played.coils))
    transfers = bin_transfers(coil_transfers(rig, played.coils))
    responses = impulse_responses(transfers)
    assert responses.dtype == np.float32
    heard = sum(fftconvolve(emf, response) for emf, response in zip(played.emf, responses))
    rest = heard[EARLY : EARLY + rendered.size] - rendered
    # what is cut off a response holds -70 dB of its energy, all of it below a few hundred hertz, where the take is loud
    assert np.sqrt(np.mean(rest**2)) < 10 ** (-50 / 20) * np.sqrt(np.mean(rendered**2))
    peak = peak_db(rendered)
    metered = integrated_loudness(rendered * 10 ** (-peak / 20), RATE) + peak
    # the kept meter reads 0.04 LU below the Recommendation's own coefficients
    assert TakeLoudness(played.emf).of(transfers) == pytest.approx(metered + 0.04, abs=0.05)


def test_two_settings_of_a_knob_differ_in_loudness_as_the_meter_says():
    rig = load_rig(ONE)
    played = take_for(rig, load_take("E chord"))
    meter, renderer = TakeLoudness(played.emf), Renderer(played)
    quick, metered = [], []
    for length in (1.0, 20.0):
        changed = with_inputs(rig, {"cable.length": length, "tone": 3.0})
        evaluate = coil_transfers(changed, played.coils)
        quick.append(meter.of(bin_transfers(evaluate)))
        metered.append(integrated_loudness(renderer.render(evaluate), RATE))
    # trade practice for a fair comparison is 0.1 dB
    assert quick[1] - quick[0] == pytest.approx(metered[1] - metered[0], abs=0.02)


@pytest.mark.parametrize("seed", range(60))
def test_coils_add_up_to_the_rig_in_any_wiring(seed):
    rig = random_rig(Random(seed))
    names = tuple(f"{slot}.{coil}" for slot, pickup in rig.pickups.items() for coil in pickup.coils)
    transfers = bin_transfers(coil_transfers(rig, names))
    whole = transfers.sum(axis=0)
    if np.abs(whole).max() < 1e-6:
        return  # nothing sounds in this position
    responses = impulse_responses(transfers).astype(float)
    spectrum = np.fft.rfft(responses, 8192, axis=-1)[:, 1:].sum(axis=0)
    band = slice(14, 1700)  # 80 Hz to 10 kHz
    late = np.exp(2j * np.pi * np.arange(1, 4097) * EARLY / 8192)
    wrong = np.abs(spectrum * late - whole)[band]
    # -70 dB of the energy of the loudest coil is left out, wherever in the band a stage with gain lifts it
    assert wrong.max() < 0.01 * np.abs(transfers).max()


def test_a_recordings_response_has_the_magnitude_of_the_difference_and_no_delay():
    rig = load_rig(ONE)
    difference = rig_difference(rig, with_inputs(rig, {"cable.length": 10.0, "tone": 4.0}))
    (response,) = converting_response(difference)
    spectrum = np.fft.rfft(response.astype(float), 8192)
    band = np.arange(14, 2700)  # 80 Hz to 16 kHz
    wanted = np.abs(difference.limited(band * RATE / 8192))
    assert gain_db(spectrum[band]) == pytest.approx(gain_db(wanted), abs=0.05)
    assert int(np.argmax(np.abs(response))) < 8


def test_silence_has_no_loudness_and_a_click_too_short_is_refused():
    meter = TakeLoudness(np.ones((1, RATE)))
    assert meter.of(np.zeros((1, 4096))) == -np.inf
    with pytest.raises(InputError, match="too short"):
        TakeLoudness(np.ones((1, 4800)))


def test_a_response_that_is_no_number_is_refused():
    with pytest.raises(InputError, match="not a finite number"):
        bin_transfers(lambda frequency_hz: np.full(frequency_hz.shape, np.nan))
