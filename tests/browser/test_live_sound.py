"""What a person hears while a knob is turned, rendered by the browser's own offline audio, sample by sample."""

from __future__ import annotations

import base64
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, fftconvolve, sosfilt

from labkit.rig.inputs import with_inputs
from labkit.rig.sheet import load_rig
from labkit.sound.live_response import EARLY, RATE, TakeLoudness, bin_transfers, impulse_responses
from labkit.sound.loudness import integrated_loudness
from labkit.sound.render.rig_sound import coil_transfers, take_for
from labkit.sound.take.sheet import load_take

pytestmark = pytest.mark.browser

QUANTUM = 128
EVERY_S = 0.05
"""A hand that drags gives some twenty changes a second."""

PREPARE = """async ([signals, responses, seconds]) => {
  const floats = (text) => new Float32Array(Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0)).buffer);
  const context = new OfflineAudioContext(1, Math.round(seconds * LiveSound.RATE), LiveSound.RATE);
  const stops = new Map();
  const later = (wait, work) => {
    const quantum = Math.ceil((context.currentTime + wait) * LiveSound.RATE / 128);
    if (quantum * 128 >= context.length) return;
    if (stops.has(quantum)) return void stops.get(quantum).push(work);
    stops.set(quantum, [work]);
    context.suspend(quantum * 128 / LiveSound.RATE).then(() => {
      stops.get(quantum).forEach((each) => each());
      context.resume();
    });
  };
  const sound = new LiveSound(context, later);
  signals.forEach((text, place) => sound.addSignal(`coil ${place}`, floats(text)));
  const response = (text) => {
    const samples = floats(text);
    return { keys: signals.map((_, place) => `coil ${place}`), taps: samples.length / signals.length, samples };
  };
  window.prepared = { context, later, sound, responses: responses.map(response) };
}"""

FINISH = """async () => {
  const rendered = (await prepared.context.startRendering()).getChannelData(0), bytes = new Uint8Array(rendered.buffer);
  let text = "";
  for (let at = 0; at < bytes.length; at += 32768) text += String.fromCharCode(...bytes.subarray(at, at + 32768));
  return btoa(text);
}"""


def packed(samples: np.ndarray) -> str:
    return base64.b64encode(np.ascontiguousarray(samples, dtype="<f4").tobytes()).decode()


@pytest.fixture(scope="module")
def blank(browser, project_root: Path):
    """A page with the lab's sound and nothing else."""
    page = browser.new_context().new_page()
    page.add_script_tag(path=str(project_root / "labkit" / "data" / "voila" / "web" / "live_sound.js"))
    yield page
    page.context.close()


def rendered(page, signals: np.ndarray, responses: list[np.ndarray], script: str, seconds: float) -> np.ndarray:
    """What the page plays: ``script`` is run on the prepared sound before the browser renders it."""
    page.evaluate(PREPARE, [[packed(row) for row in signals], [packed(each) for each in responses], seconds])
    page.evaluate(f"() => {{ const {{ context, later, sound, responses }} = window.prepared; {script} }}")
    return np.frombuffer(base64.b64decode(page.evaluate(FINISH)), dtype="<f4").astype(float)


@pytest.fixture(scope="module")
def drag() -> list[np.ndarray]:
    """Responses of a cable that is dragged from 1 m to 20 m."""
    rig = load_rig("Saltmarsh Lane, narrow single coil")
    return [
        impulse_responses(bin_transfers(coil_transfers(with_inputs(rig, {"cable.length": length}), ("bridge.main",))))
        for length in np.linspace(1.0, 20.0, 20)
    ]


START = "sound.setVolume(1); sound.change('A', responses[0], 1); sound.start();"
DRAG = f"""{START} responses.forEach((each, place) => {{
    if (place) later(0.3 + {EVERY_S} * place, () => sound.change('A', each, 1)); }});"""
SWAPPED = f"""{START} const node = [...sound.sides.A.branch.nodes.values()][0];
    responses.forEach((each, place) => {{ if (place) later(0.3 + {EVERY_S} * place, () => {{
      const buffer = context.createBuffer(1, each.taps, LiveSound.RATE);
      buffer.copyToChannel(each.samples, 0);
      node.buffer = buffer; }}); }});"""
"""The naive way: another response put into the convolver that plays."""


def residue_db(sound: np.ndarray) -> float:
    """What a 220 Hz tone has above 3 kHz, against its peak."""
    above = sosfilt(butter(6, 3000, "high", fs=RATE, output="sos"), sound)[round(0.2 * RATE) :]
    return float(20 * np.log10(np.abs(above).max() / np.abs(sound).max()))


def test_a_drag_makes_no_click(blank, drag):
    tone = 0.3 * np.sin(2 * np.pi * 220 * np.arange(2 * RATE) / RATE)[None, :]
    faded = rendered(blank, tone, drag, DRAG, 1.8)
    # 32-bit samples end near -140 dB; a cross-fade of 30 ms is a slow change of level, with next to nothing above 3 kHz
    assert residue_db(faded) < -75
    # the same drag with the response swapped in its place clicks plainly: the measure sees a click
    assert residue_db(rendered(blank, tone, drag, SWAPPED, 1.8)) > -40


def test_a_dragged_take_has_no_steeper_step_than_its_own(blank, drag):
    rig = load_rig("Saltmarsh Lane, narrow single coil")
    take = take_for(rig, load_take("low note"))
    moved = rendered(blank, take.emf, drag, DRAG, 1.8)
    still = [rendered(blank, take.emf, [each], START, 1.8) for each in (drag[0], drag[-1])]
    steps = [np.abs(np.diff(sound[round(0.25 * RATE) :])).max() for sound in (moved, *still)]
    assert steps[0] <= 1.01 * max(steps[1:])


def test_what_plays_is_the_exact_convolution(blank, drag):
    signal = np.random.default_rng(2).standard_normal((1, 2 * RATE)) * 0.1
    sound = rendered(blank, signal, drag[:1], START, 1.5)
    wanted = fftconvolve(signal[0], drag[0][0])[: sound.size]
    late = round(0.003 * RATE)  # where LiveSound begins, and its first ramp of volume is over
    lag = int(np.argmax(fftconvolve(sound[: RATE // 2], wanted[: RATE // 2][::-1]))) - (RATE // 2 - 1)
    assert abs(lag - late) <= QUANTUM
    part = slice(RATE // 5, RATE)
    rest = sound[lag:][part] - wanted[part]
    assert np.sqrt(np.mean(rest**2)) < 1e-4 * np.sqrt(np.mean(wanted[part] ** 2))  # -80 dB


def test_of_changes_that_come_too_fast_the_newest_is_heard_and_no_more_than_one_fades(blank, drag):
    tone = 0.3 * np.sin(2 * np.pi * 2500 * np.arange(2 * RATE) / RATE)[None, :]
    script = f"""{START} window.made = 0;
      const fadeTo = sound.fadeTo.bind(sound);
      sound.fadeTo = (...given) => {{ window.made += 1; fadeTo(...given); }};
      responses.forEach((each, place) => {{
        if (place) later(0.3 + 0.003 * place, () => sound.change('A', each, 1)); }});"""
    sound = rendered(blank, tone, drag, script, 1.5)
    assert blank.evaluate("window.made") <= 4  # 19 changes within 57 ms
    end = sound[-RATE // 4 :]
    gain = np.abs(np.fft.rfft(drag[-1][0], RATE))[2500]
    assert np.sqrt(2 * np.mean(end**2)) == pytest.approx(0.3 * gain, rel=1e-3)


def test_swapping_keeps_the_place_and_both_are_equally_loud(blank):
    rig = load_rig("Saltmarsh Lane, two pickups").replace(settings={"selector": "both"})
    take = take_for(rig, load_take("E chord"))
    loudness, sides, gains = TakeLoudness(take.emf), [], []
    for changed in (rig, with_inputs(rig, {"cable.length": 20.0})):
        transfers = bin_transfers(coil_transfers(changed, take.coils))
        sides.append(impulse_responses(transfers))
        gains.append(10 ** ((-23 - loudness.of(transfers)) / 20))
    taps = max(side.shape[1] for side in sides)
    sides = [np.pad(side, ((0, 0), (0, taps - side.shape[1]))) for side in sides]
    heard = []
    for letter in "AB":
        script = f"""sound.setVolume(1);
          sound.change('A', responses[0], {gains[0]}); sound.change('B', responses[1], {gains[1]});
          sound.hear('{letter}'); sound.start();"""
        heard.append(rendered(blank, take.emf, sides, script, 4.0))
    levels = [integrated_loudness(sound, RATE) for sound in heard]
    # trade practice for a fair comparison
    assert levels[0] == pytest.approx(levels[1], abs=0.1)
    assert levels[0] == pytest.approx(-23, abs=0.2)
    script = f"""sound.setVolume(1);
      sound.change('A', responses[0], {gains[0]}); sound.change('B', responses[1], {gains[1]}); sound.start();
      later(1, () => sound.hear('B'));"""
    swapped = rendered(blank, take.emf, sides, script, 2.0)
    before, after = slice(RATE // 2, RATE - QUANTUM), slice(RATE + RATE // 10, 2 * RATE)
    assert swapped[before] == pytest.approx(heard[0][before], abs=1e-6)
    assert swapped[after] == pytest.approx(heard[1][after], abs=1e-6)


def test_early_samples_are_those_of_the_response(drag):
    assert all(int(np.argmax(np.abs(each[0]))) >= EARLY for each in drag)


def test_the_noise_of_the_rig_is_let_through_at_true_level_alone(blank):
    """A response of 1 for the noise: what comes out is the white noise itself, and nothing before it is asked for."""
    script = """const samples = new Float32Array(2 * 512);
    samples[512] = 1;
    sound.setVolume(1);
    sound.change('A', { keys: ['coil 0', LiveSound.NOISE], taps: 512, samples }, 1);
    sound.start();
    later(0.5, () => sound.setTrueLevel(true));
    later(1.5, () => sound.setTrueLevel(false));"""
    heard = rendered(blank, np.zeros((1, RATE)), [np.zeros((1, 512), dtype=np.float32)], script, 2.0)
    before, at_true_level, after = (
        heard[round(start * RATE) : round(end * RATE)] for start, end in ((0, 0.49), (0.6, 1.49), (1.6, 2.0))
    )
    assert not before.any()
    assert not after.any()
    # 43 200 samples: one standard deviation of their power is 0.7 %
    assert np.mean(at_true_level**2) == pytest.approx(1.0, rel=0.04)
    assert abs(np.mean(at_true_level[1:] * at_true_level[:-1])) < 0.03
