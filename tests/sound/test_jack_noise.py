"""Noise of a rig as a sound: its density, its place in a take at true level."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile

from labkit.app.kit.sound import NOISE, LiveSound, OwnRecording
from labkit.cli.main import main
from labkit.rig.chain.chain import Input
from labkit.rig.parts.active import NoiseData
from labkit.rig.sheet import load_rig, set_value
from labkit.sound.render.rig_sound import jack_noise

RATE = 48_000
RIG = load_rig("Saltmarsh Lane, narrow single coil")


@pytest.mark.parametrize(("volume", "has_own"), [("10", False), ("5", False), ("10", True)])
def test_noise_has_the_density_of_the_impedance_at_the_jack_and_of_the_input(volume: str, has_own: bool) -> None:
    rig = set_value(RIG, "volume", volume)
    last = rig.stage("input")
    assert isinstance(last, Input)
    assert last.noise is not None
    if not has_own:
        rig = rig.with_stage(replace(last, noise=NoiseData()))
    noise = jack_noise(rig, 20 * RATE, rate=RATE)
    found_hz, power = scipy.signal.welch(noise, RATE, nperseg=4096)
    hz, power = found_hz[1:], power[1:]
    # Nyquist's theorem on the passive rig as a whole: 4kT·Re Z, k and T (20 °C) by hand; e_n and i_n beside it
    impedance = rig.output_impedance(hz)
    expected = 4 * 1.380649e-23 * 293.15 * impedance.real
    if has_own:
        expected += last.noise.voltage_noise**2 * (1 + last.noise.voltage_noise_corner / hz)
        expected += (last.noise.current_noise * np.abs(impedance)) ** 2
    for low, high in ((100, 500), (500, 2000), (2000, 4000), (4000, 8000), (8000, 20_000)):
        band = (hz >= low) & (hz < high)
        # 20 s of a band of 400 Hz and more: one standard deviation below 1.2 % of the power
        assert power[band].mean() == pytest.approx(expected[band].mean(), rel=0.05)


def test_a_seed_gives_its_noise_again_and_another_seed_another_one() -> None:
    first, again, other = (jack_noise(RIG, RATE, rate=RATE, seed=seed) for seed in (1, 1, 2))
    assert np.array_equal(first, again)
    assert abs(np.corrcoef(first, other)[0, 1]) < 0.03  # 4 standard deviations of 48 000 correlated samples


def test_a_file_at_true_level_holds_the_noise_at_the_gain_of_the_take(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    name = "Saltmarsh Lane, narrow single coil"
    path = tmp_path / "a.wav"

    def rendered(*arguments: str) -> tuple[np.ndarray, dict]:
        words = ("render", name, "--against", name, "--take", "low note", "--output", str(path), "--bits", "float")
        assert main([*words, "--force", "--json", *arguments]) == 0
        return soundfile.read(path)[0], json.loads(capsys.readouterr().out)

    (clean, plain), (noisy, true) = rendered(), rendered("--true-level")
    assert true["gain_db"] == plain["gain_db"]
    expected = jack_noise(RIG, clean.size, rate=RATE) * 10 ** (true["gain_db"] / 20)
    np.testing.assert_allclose(noisy - clean, expected, atol=1e-7)  # 32-bit floats of a sound below 1
    assert plain["noise_db"] is None
    under = 10 * np.log10(np.mean(expected**2) / np.mean(clean**2))
    assert true["noise_db"] == pytest.approx(under, abs=0.01)


@pytest.mark.parametrize(("is_same", "grows"), [(False, True), (True, False)])
def test_a_saved_sound_has_the_noise_at_true_level_only(
    is_same: bool, grows: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = LiveSound()

    def level() -> float:
        samples = soundfile.read(io.BytesIO(sound.sound_file(RIG, None, "A", is_same=is_same)))[0]
        tail = samples[-RATE // 4 :]
        return float(np.sqrt(np.mean(np.diff(tail) ** 2)))

    before = level()
    monkeypatch.setattr(
        "labkit.app.kit.sound.jack_noise", lambda rig, size, **keys: 1e4 * jack_noise(rig, size, **keys)
    )
    assert (level() > 2 * before) == grows


@pytest.mark.parametrize("volume", ["10", "5"])
def test_a_page_makes_the_noise_of_a_rig_out_of_white_noise(volume: str) -> None:
    rig = set_value(RIG, "volume", volume)
    keys, rows = LiveSound().hear(rig).sides["A"].sent
    assert keys[-1] == NOISE
    white = np.random.default_rng(3).normal(size=20 * RATE)
    found_hz, power = scipy.signal.welch(scipy.signal.fftconvolve(white, rows[-1], "same"), RATE, nperseg=4096)
    wanted = scipy.signal.welch(jack_noise(rig, 20 * RATE, rate=RATE), RATE, nperseg=4096)[1]
    for low, high in ((100, 500), (500, 2000), (2000, 4000), (4000, 8000), (8000, 20_000)):
        band = (found_hz >= low) & (found_hz < high)
        # two independent noises, each within 1.2 % of the power (one standard deviation)
        assert power[band].mean() == pytest.approx(wanted[band].mean(), rel=0.07)


def test_a_recording_brings_its_own_noise_and_gets_none_in_a_page() -> None:
    sound = LiveSound()
    sound.play(recording=OwnRecording.of("riff.wav", np.sin(np.arange(RATE))))
    keys, rows = sound.hear(RIG).sides["A"].sent
    assert keys == ["recording"]
    assert rows.shape[0] == 1
