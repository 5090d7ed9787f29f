"""Rendering: product of spectra, an independent route in time, coils apart, short cuts that change nothing."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from labkit.core.errors import InputError
from labkit.rig.sheet import load_rig
from labkit.sound.render.rendering import BinSampler, Renderer
from labkit.sound.render.rig_sound import coil_spots, coil_transfers, take_for
from labkit.sound.strings import string_set
from labkit.sound.take.performance import Performance, Pluck
from labkit.sound.take.sheet import load_take
from labkit.sound.take.take import CoilSpot, Take, synthesise
from tests.sound.signals import RATE, resonance

SINGLE = "Saltmarsh Lane, narrow single coil"
PAIR = "Saltmarsh Lane, two pickups"


def noise_take(coils: int = 1, seconds: float = 1.0, rate: int = RATE) -> Take:
    """Noise that fades in and out, so that nothing is cut off."""
    samples = int(seconds * rate)
    random = np.random.default_rng(11)
    emf = random.standard_normal((coils, samples)) * np.hanning(samples)
    return Take(name="noise", rate=rate, coils=tuple("abcdef"[:coils]), emf=emf)


def test_spectrum_of_a_rendered_chord_is_the_product_of_take_and_response() -> None:
    rig = load_rig(SINGLE)
    take = take_for(rig, load_take("open-string chord"))
    sound = Renderer(take).render(coil_transfers(rig, take.coils))
    frequency = np.fft.rfftfreq(sound.size, 1 / RATE)
    before, after = (np.fft.rfft(signal * np.hanning(signal.size)) for signal in (take.emf[0], sound))
    strong = (np.abs(before) > 1e-4 * np.abs(before).max()) & (frequency > 40) & (frequency < 16_000)
    wanted = np.abs(before[strong] * rig.evaluate(frequency[strong]))
    difference = 20 * np.log10(np.abs(after[strong]) / wanted)
    # 0.05 dB is the promise; what is left comes from the window, which the response smears by its ringing.
    assert np.count_nonzero(strong) > 2000
    assert np.max(np.abs(difference)) < 0.05


def test_rendering_agrees_with_a_filter_running_in_time() -> None:
    # Bilinear recursion of the same second-order low-pass at 192 kHz: an independent route. Warping of the frequency
    # axis by tan(πf/fs) moves 3 kHz by 0.08 %, less than 0.1 dB on this peak.
    rate, peak, quality = 192_000, 3000.0, 3.0
    take = noise_take(rate=rate, seconds=0.5)
    low = scipy.signal.firwin(601, 8000, fs=rate)
    take = Take(name="low", rate=rate, coils=("a",), emf=scipy.signal.fftconvolve(take.emf[0], low, mode="same")[None])
    omega = 2 * np.pi * peak
    b, a = scipy.signal.bilinear([omega**2], [1, omega / quality, omega**2], rate)
    expected = scipy.signal.lfilter(b, a, take.emf[0])
    got = Renderer(take).render(resonance(peak, quality))
    assert np.max(np.abs(got - expected)) < 0.01 * np.max(np.abs(expected))


def test_a_constant_gain_only_scales() -> None:
    take = noise_take()
    got = Renderer(take).render(lambda f: np.full(np.shape(f), 0.25 + 0j))
    centred = take.emf[0] - np.sum(take.emf[0]) / Renderer(take)._length
    assert np.allclose(got, 0.25 * centred, atol=1e-9)  # the mean is taken out: an EMF has no DC


def test_nothing_sounds_before_the_string_is_plucked() -> None:
    emf = np.zeros((1, RATE))
    emf[0, RATE // 2] = 1.0
    got = Renderer(Take(name="click", rate=RATE, coils=("a",), emf=emf)).render(resonance(3000, 3))
    # The response at 24 kHz is −36 dB and is cut there: its ripple is what comes early, nothing else.
    assert np.max(np.abs(got[: RATE // 2 - 50])) < 2e-3 * np.max(np.abs(got))


def test_the_end_of_a_take_does_not_wrap_to_its_start() -> None:
    emf = np.zeros((1, RATE // 4))
    emf[0, -2:] = 1.0, -1.0
    got = Renderer(Take(name="late", rate=RATE, coils=("a",), emf=emf)).render(resonance(500, 30))
    assert np.max(np.abs(got[:1000])) < 1e-3 * np.max(np.abs(got))  # ripple of the cut at Nyquist, as above


def test_each_coil_goes_through_its_own_transfer() -> None:
    take = noise_take(2)
    first, second = resonance(2000, 2), resonance(5000, 4, gain=-0.5)
    together = Renderer(take).render(lambda f: np.stack([first(f), second(f)]))
    alone = [
        Renderer(Take(name="x", rate=RATE, coils=("a",), emf=take.emf[i : i + 1])).render(response)
        for i, response in enumerate((first, second))
    ]
    assert np.allclose(together, alone[0] + alone[1], atol=1e-9)  # rounding of two transforms


@pytest.mark.parametrize(("quality", "tolerance_db"), [(3, 1e-5), (10, 5e-4), (30, 0.02)])
def test_evaluating_few_points_changes_the_spectrum_by_less_than_stated(quality: float, tolerance_db: float) -> None:
    # The stated error is near 9·(0.0039·Q)⁴ of the height; the tolerances are that, rounded up, in dB.
    sampler = BinSampler(102_400, RATE / 204_800)
    response = resonance(4321.0, quality)
    exact = response(np.arange(1, 102_401) * RATE / 204_800)
    difference = 20 * np.log10(np.abs(sampler.spread(response(sampler.frequency_hz)) / exact))
    assert sampler.frequency_hz.size < 2600
    assert np.max(np.abs(difference)) < tolerance_db


@pytest.mark.parametrize("bins", [3, 511, 512, 513, 1000, 4097])
def test_every_number_of_bins_is_covered(bins: int) -> None:
    sampler = BinSampler(bins, 1.0)
    got = sampler.spread(sampler.frequency_hz.astype(complex))
    assert np.allclose(got, np.arange(1, bins + 1), rtol=1e-12)  # a cubic repeats a straight line exactly


def test_rig_and_renderer_agree_with_the_response_of_the_whole_rig() -> None:
    rig = load_rig(PAIR).replace(settings={"selector": "both"})
    names = tuple(coil_spots(rig))
    grid = np.geomspace(30, 15_000, 60)
    summed = coil_transfers(rig, names)(grid).sum(axis=0)
    assert np.allclose(summed, rig.evaluate(grid), rtol=1e-10)  # one linear circuit, summed in another order


def test_pickup_that_is_switched_off_is_not_heard() -> None:
    rig = load_rig(PAIR).replace(settings={"selector": "bridge"})
    names = tuple(coil_spots(rig))
    rows = np.abs(coil_transfers(rig, names)(np.array([200.0])))[:, 0]
    by_name = dict(zip(names, rows))
    assert by_name["neck.main"] < 1e-6 * by_name["bridge.screw"]


def test_a_take_without_the_coil_of_the_rig_is_refused() -> None:
    with pytest.raises(InputError, match=r"has no EMF for coil 'bridge\.main'"):
        coil_transfers(load_rig(SINGLE), ("neck.main",))


def test_responses_of_the_wrong_shape_or_without_numbers_are_refused() -> None:
    renderer = Renderer(noise_take(2))
    with pytest.raises(InputError, match="shape"):
        renderer.render(lambda frequency_hz: np.ones((3, frequency_hz.size)))
    with pytest.raises(InputError, match="not a finite number"):
        renderer.render(lambda frequency_hz: np.full(frequency_hz.size, np.nan))


def test_two_coils_close_together_lose_treble_against_one() -> None:
    # The comb of two coils 18 mm apart must survive the way through the rig: partial 35 of the low E is near its null.
    strings = string_set("six strings 10-46")
    pluck = Pluck(at_s=0, string=6, position=0.01, width=0)
    performance = Performance(name="low", strings=strings, plucks=(pluck,), duration_s=2)
    spots = {"one": CoilSpot(position=0.0355, aperture=0), "two": CoilSpot(position=0.0535, aperture=0)}
    take = synthesise(performance, spots)
    flat = Renderer(take).render(lambda f: np.ones((2, np.size(f)), dtype=complex))
    single = Renderer(take).render(lambda f: np.stack([np.ones(np.size(f)), np.zeros(np.size(f))]).astype(complex))
    frequency = np.fft.rfftfreq(flat.size, 1 / RATE)
    near_null = (frequency > 2950) & (frequency < 3150)
    low = (frequency > 70) & (frequency < 400)

    def energy(signal: np.ndarray, band: np.ndarray) -> float:
        return float(np.sum(np.abs(np.fft.rfft(signal))[band] ** 2))

    ratio = energy(flat, near_null) / energy(flat, low) / (energy(single, near_null) / energy(single, low))
    assert 10 * np.log10(ratio) < -15
