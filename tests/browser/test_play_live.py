"""A guitar played live through A and B: the browser's own sound input, from a file in place of a cable."""

from __future__ import annotations

import base64
import io
import re

import numpy as np
import pytest
import soundfile
from playwright.sync_api import expect
from scipy.signal import fftconvolve

from labkit.app.kit.sound import LiveSound
from labkit.rig.inputs import with_inputs
from labkit.rig.sheet import load_rig
from labkit.sound.live_response import RATE
from labkit.sound.render.rendering import Renderer
from labkit.sound.render.rig_sound import coil_transfers, take_for
from labkit.sound.take.sheet import load_take
from tests.browser.conftest import leave, profile, settled
from tests.conftest import BROWSER_FLAGS

pytestmark = pytest.mark.browser

NAME = "Saltmarsh Lane, narrow single coil"
PAIR = "voila/render/rig.ipynb?v=1&cable.length=10&pin=cable.length%3D3"
BAR = ".lab-ear"
LIMIT = 0.7
SCRIPTS = ("sound_guard.js", "live_sound.js", "live_input.js", "kept_files.js", "listening_bar.js")

WATCH = """
  window.nodes = { meters: [], sources: [], guards: [] };
  const lists = { AnalyserNode: "meters", MediaStreamAudioSourceNode: "sources", AudioWorkletNode: "guards" };
  for (const [name, list] of Object.entries(lists)) {
    window[name] = class extends window[name] {
      constructor(...given) { super(...given); window.nodes[list].push(this); }
    };
  }
"""
"""Keeps the nodes of the page's sound: of the meters the first is that of the output, the second that of the input."""

RECORD = """async (seconds) => {
  const source = nodes.sources.at(-1), guard = nodes.guards[0], { context } = guard;
  const code = `registerProcessor("recorder", class extends AudioWorkletProcessor {
    constructor(options) { super(); this.kept = []; this.left = options.processorOptions.frames; }
    process(inputs) {
      const mono = (input) => new Float32Array(128).map((_, at) => input.reduce((sum, row) => sum + row[at], 0));
      if (this.left > 0) this.kept.push(inputs.map(mono));
      this.left -= 128;
      if (this.left <= 0 && this.kept.length) { this.port.postMessage(this.kept); this.kept = []; }
      return this.left > 0;
    }
  })`;
  const address = URL.createObjectURL(new Blob([code], { type: "text/javascript" }));
  if (!window.canRecord) await context.audioWorklet.addModule(address);
  window.canRecord = true;
  const options = { numberOfInputs: 2, processorOptions: { frames: seconds * context.sampleRate } };
  const recorder = new AudioWorkletNode(context, "recorder", options);
  nodes.guards.pop();
  const kept = new Promise((resolve) => { recorder.port.onmessage = (event) => resolve(event.data); });
  source.connect(recorder, 0, 0);
  guard.connect(recorder, 0, 1);
  recorder.connect(context.destination);
  const blocks = await kept;
  recorder.disconnect();
  return [0, 1].map((place) => {
    let text = "";
    for (const block of blocks) text += String.fromCharCode(...new Uint8Array(block[place].buffer));
    return btoa(text);
  });
}"""
"""What comes in and what goes out, of the same moment, from the audio thread."""

OUTPUT_PEAK = """() => {
  const samples = new Float32Array(2048);
  nodes.meters[0].getFloatTimeDomainData(samples);
  return samples.reduce((most, value) => Math.max(most, Math.abs(value)), 0);
}"""


def floats(text: str) -> np.ndarray:
    return np.frombuffer(base64.b64decode(text), dtype="<f4").astype(float)


def packed(samples: np.ndarray) -> str:
    return base64.b64encode(np.ascontiguousarray(samples, dtype="<f4").tobytes()).decode()


@pytest.fixture(scope="module")
def chord() -> np.ndarray:
    """The demo chord through the demo rig, with a peak of 1."""
    rig = load_rig(NAME)
    take = take_for(rig, load_take("E chord"))
    sound = Renderer(take).render(coil_transfers(rig, take.coils))
    return sound / np.abs(sound).max()


def input_browser(browser, chromium_path, file=None, *flags):
    """A browser whose sound input plays a file; without one it has no input at all."""
    device = ["--use-fake-device-for-media-stream", f"--use-file-for-fake-audio-capture={file}%noloop"] if file else []
    return browser.browser_type.launch(executable_path=chromium_path, args=[*BROWSER_FLAGS, *device, *flags])


@pytest.fixture(scope="module")
def guitar(browser, chromium_path, chord, tmp_path_factory):
    """A browser in which somebody plays the chord over and over."""
    played = np.tile(0.3 * chord[: 2 * RATE], 45)
    path = tmp_path_factory.mktemp("input") / "played.wav"
    soundfile.write(path, played.astype(np.float32), 44_100, subtype="FLOAT")
    running = input_browser(browser, chromium_path, path)
    yield running
    running.close()


@pytest.fixture
def opened(lab):
    """``opened(browser, script)`` opens the rig page with A and B, the input allowed unless ``allowed=False``."""
    contexts = []

    def go(browser, *, script: str = WATCH, allowed: bool = True):
        context = profile(browser, permissions=["microphone"] if allowed else [])
        contexts.append(context)
        page = context.new_page()
        page.add_init_script(script)
        page.goto(f"{lab.address}{PAIR}")
        page.wait_for_selector(BAR)
        settled(page)
        return page

    yield go
    for context in contexts:
        leave(context)


def open_input(page, rig: str = "B") -> None:
    page.get_by_label("You hear").select_option("live")
    page.get_by_label("Your guitar is").select_option(rig)
    page.get_by_role("button", name="Open the input").click()


def unmuted(page) -> None:
    page.wait_for_selector(f"{BAR}[data-state=muted]")
    page.get_by_role("button", name="Unmute").click()
    page.wait_for_selector(f"{BAR}[data-state=playing]")
    page.wait_for_function(f"() => ({OUTPUT_PEAK})() > 0.01")


RELEASED = "() => nodes.sources.every((node) => node.mediaStream.getTracks()[0].readyState === 'ended')"


def test_what_is_played_live_is_the_conversion_to_80_db_and_without_delay(opened, guitar):
    page = opened(guitar)
    open_input(page)
    unmuted(page)
    rig = load_rig(NAME)
    now, kept = (with_inputs(rig, {"cable.length": length}) for length in (10.0, 3.0))
    sound = LiveSound()
    sound.play_input(kept, now)
    pair = sound.hear(now, kept)
    for letter in "AB":
        if letter == "B":
            page.keyboard.press("x")
            expect(page.locator(".lab-ticket[data-letter=B]")).to_have_attribute("aria-pressed", "true")
        given, heard = map(floats, page.evaluate(RECORD, 3))
        gain = 0.65**2 * 10 ** (pair.gains_db(is_same=True)[letter] / 20)  # the volume a page begins with
        wanted = gain * fftconvolve(given, pair.sides[letter].responses[0])[: given.size]
        part = slice(given.size // 2, None)  # past the swap, and past what the recording did not see
        assert np.sqrt(np.mean(wanted[part] ** 2)) > 0.003
        rest = np.sqrt(np.mean((heard - wanted)[part] ** 2) / np.mean(wanted[part] ** 2))
        assert 20 * np.log10(rest) < -80
        late = np.sqrt(np.mean((heard[1:] - wanted[:-1])[part] ** 2) / np.mean(wanted[part] ** 2))
        assert 20 * np.log10(late) > -60  # one sample of delay would be seen


def test_the_input_opens_muted_and_says_its_level_its_delay_and_where_it_holds(opened, guitar):
    page = opened(guitar)
    open_input(page)
    page.wait_for_selector(f"{BAR}[data-state=muted][data-live]")
    expect(page.locator(".lab-meter p")).to_have_text("input good")
    said = page.locator(".lab-ear-said")
    expect(said).to_contain_text(re.compile(r"delay is at least [1-9]\d*\sms"))
    expect(said).to_contain_text(re.compile("A: true from 20.*noise rises by up to.*B: true from"))
    assert page.evaluate(OUTPUT_PEAK) == 0
    page.keyboard.press(" ")
    page.wait_for_selector(f"{BAR}[data-state=playing]")
    page.wait_for_function(f"() => ({OUTPUT_PEAK})() > 0.01")


@pytest.mark.parametrize("way", ["stop", "escape", "another take", "another page"])
def test_the_input_is_released_however_playing_ends(opened, guitar, way):
    page = opened(guitar)
    open_input(page)
    unmuted(page)
    assert not page.evaluate(RELEASED)
    if way == "another page":
        page.evaluate("dispatchEvent(new PageTransitionEvent('pagehide'))")
    elif way == "another take":
        page.get_by_label("You hear").select_option("low note")
    else:
        page.locator("h1").click()
        page.keyboard.press(" " if way == "stop" else "Escape")
    page.wait_for_selector(f"{BAR}[data-state=stopped]:not([data-live])")
    page.wait_for_function(RELEASED)
    assert page.get_by_label("You hear").input_value() == ("low note" if way == "another take" else "live")


@pytest.mark.parametrize(
    ("event", "words"),
    [
        ("nodes.guards[0].port.onmessage({ data: 'howl' })", "the sound fed itself"),
        ("nodes.sources[0].mediaStream.getTracks()[0].dispatchEvent(new Event('ended'))", "The sound input has gone"),
    ],
)
def test_a_howl_and_a_pulled_plug_close_the_input_and_are_told(opened, guitar, event, words):
    page = opened(guitar)
    open_input(page)
    unmuted(page)
    page.evaluate(event)
    page.wait_for_selector(f"{BAR}[data-state=stopped]:not([data-live])")
    expect(page.locator(".lab-ear-said")).to_contain_text(words)
    page.wait_for_function(RELEASED)


LOOP = """
  const connect = AudioNode.prototype.connect;
  let back = null;
  AudioNode.prototype.connect = function (target, ...given) {
    if (target instanceof AudioDestinationNode && !(this.context instanceof OfflineAudioContext)) {
      if (!back) {
        back = new MediaStreamAudioDestinationNode(this.context);
        this.context.cable = new DelayNode(this.context, { delayTime: 0.06, maxDelayTime: 1 });
        connect.call(this.context.cable, back);
      }
      if (!window.unplugged) connect.call(this, this.context.cable);
    }
    return connect.call(this, target, ...given);
  };
  const off = { echoCancellation: false, noiseSuppression: false, autoGainControl: false };
  MediaStreamTrack.prototype.getSettings = () => off;
  navigator.mediaDevices.getUserMedia = async () => back.stream.clone();
"""
"""A cable of 60 ms from output to input, in place of both converters."""


def measured_delay(page) -> str:
    page.get_by_role("button", name="More about listening").click()
    page.get_by_role("button", name="Measure the delay").click()
    said = page.locator(".lab-ear-said")
    expect(said).to_contain_text(re.compile("by the loop cable|No click came back"))
    return said.inner_text()


def test_a_loop_cable_tells_the_whole_delay_and_the_input_stays_muted(opened, browser):
    page = opened(browser, script=LOOP)
    said = measured_delay(page)
    delay = float(re.search(r"The delay is ([\d.]+)\sms by the loop cable", said)[1])
    assert 60 <= delay < 400, "the cable's own 60 ms, and what the browser takes to hand a stream over"
    assert "Take the loop cable off" in said
    page.wait_for_selector(f"{BAR}[data-state=muted]")


def test_without_a_loop_cable_no_delay_is_claimed(opened, browser):
    page = opened(browser, script=f"window.unplugged = true; {LOOP}")
    assert "No click came back, so the delay is not known" in measured_delay(page)
    expect(page.locator("[data-part=live-band]")).not_to_contain_text("by the loop cable")


FOUND = """([inputs, gain, delay, noise]) => {
  const rate = 48000, burst = LoopDelay.burst(), length = 1.8 * rate;
  const sent = new Float32Array(length), heard = new Float32Array(length);
  let state = 7;
  for (let at = 0; at < length; at++) {
    state = (1103515245 * state + 12345) % 2147483648;
    heard[at] = noise * (state / 1073741824 - 1);
  }
  LoopDelay.STARTS_S.slice(0, inputs).forEach((start) => burst.forEach((value, place) => {
    const at = Math.round(start * rate) + place;
    sent[at] = LoopDelay.LEVEL * value;
    heard[at + delay] += gain * sent[at];
  }));
  return LoopDelay.found(sent, heard, rate);
}"""


@pytest.mark.parametrize(
    ("clicks", "gain", "samples", "noise", "found"),
    [
        (3, 1.0, 1103, 0.0, 22.98),
        (3, -0.03, 1103, 0.003, 22.98),  # turned over and as weak as the noise
        (3, 1.0, 0, 0.0, 0.0),
        (3, 0.0, 0, 0.01, None),
        (1, 1.0, 1103, 0.0, None),  # one alone may be anything
    ],
)
def test_the_delay_is_found_to_a_sample(browser, project_root, clicks, gain, samples, noise, found):
    page = page_at(browser, "http://127.0.0.1:9/")
    text = (project_root / "labkit" / "data" / "voila" / "web" / "live_input.js").read_text("utf-8")
    page.add_script_tag(content=f"{text}; window.LoopDelay = LoopDelay;")
    assert page.evaluate(FOUND, [clicks, gain, samples, noise]) == (
        None if found is None else pytest.approx(found, abs=0.01)
    )
    page.context.close()


def test_inputs_and_outputs_can_be_chosen_by_name_once_one_is_open(opened, guitar):
    page = opened(guitar)
    page.get_by_role("button", name="More about listening").click()
    chosen = page.get_by_label("Sound input")
    open_input(page)
    page.wait_for_selector(f"{BAR}[data-state=muted]")
    names = chosen.locator("option")
    expect(names.first).to_have_text("as the browser has it")
    expect(names).not_to_have_count(1)
    page.evaluate(
        """() => {
          const ask = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
          navigator.mediaDevices.getUserMedia = async (wanted) => ask(window.wanted = wanted);
        }"""
    )
    page.get_by_role("button", name="More about listening").click()
    value = names.nth(1).get_attribute("value")
    chosen.select_option(value)
    page.wait_for_function("value => window.wanted?.audio.deviceId?.exact === value", arg=value)
    page.wait_for_selector(f"{BAR}[data-state=muted]")
    assert page.get_by_label("Sound output").is_visible()


def test_a_refused_input_is_told_in_one_sentence(opened, guitar):
    page = opened(guitar, allowed=False)
    open_input(page)
    expect(page.locator(".lab-ear-said")).to_contain_text("does not let this page use the microphone")
    page.wait_for_selector(f"{BAR}[data-state=stopped]")


def test_a_machine_without_an_input_is_told_in_one_sentence(opened, browser):
    page = opened(browser)
    open_input(page)
    expect(page.locator(".lab-ear-said")).to_contain_text("no microphone or other sound input")


def test_an_input_that_the_browser_goes_on_processing_is_refused_and_released(opened, guitar):
    kept = """MediaStreamTrack.prototype.getSettings = () => ({ echoCancellation: true, noiseSuppression: false });
      const ask = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
      navigator.mediaDevices.getUserMedia = async (wanted) => (window.stream = await ask(window.wanted = wanted));"""
    page = opened(guitar, script=kept)
    open_input(page)
    said = page.locator(".lab-ear-said")
    expect(said).to_contain_text("does not switch off echo cancellation and automatic gain of this input")
    audio = page.evaluate("wanted.audio")
    assert [audio[name] for name in ("echoCancellation", "noiseSuppression", "autoGainControl")] == [False] * 3
    assert page.evaluate("stream.getTracks().map((track) => track.readyState)") == ["ended"]


LONELY = """([sound, bar]) => {
  const address = URL.createObjectURL(new Blob([sound + "\\n" + bar], { type: "text/javascript" }));
  const traits = { takes: ["E chord"], take: "E chord", sounds: [{ letter: "A", text: "cable 5 m", full: "" }],
    rigs: ["unknown"], recording: {}, live: {}, blind: null, keeps: true, said: "", note: "", longest_s: 60,
    is_away: false };
  const model = { get: (name) => traits[name], on() {}, off() {}, send() {} };
  return import(address).then((widget) => widget.default.render({ model, el: document.body }));
}"""


def page_at(browser, address: str):
    """An empty page at an address that no server has."""
    page = profile(browser).new_page()
    page.route(
        f"{address}**",
        lambda route: route.fulfill(body="<!doctype html><title>empty</title>", content_type="text/html"),
    )
    page.goto(address)
    return page


def test_over_plain_http_under_another_name_the_reason_is_told(browser, project_root):
    web = project_root / "labkit" / "data" / "voila" / "web"
    page = page_at(browser, "http://room.example/")
    texts = [(web / name).read_text("utf-8") for name in SCRIPTS]
    page.evaluate(LONELY, ["\n".join(texts[:-1]), texts[-1]])
    page.get_by_role("button", name="More about listening").click()
    page.get_by_role("button", name="Open the input").click()
    expect(page.locator(".lab-ear-said")).to_contain_text("open the lab as 127.0.0.1 or localhost")
    page.context.close()


def test_the_pages_let_nobody_else_use_the_microphone(opened, guitar, lab):
    page = opened(guitar)
    answer = page.request.get(f"{lab.address}{PAIR}")
    assert answer.headers["permissions-policy"].startswith("microphone=(self)")


GUARDED = """async ([text, scale, loop, delay, watched, seconds]) => {
  const samples = new Float32Array(Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0)).buffer);
  const given = samples.map((value) => scale * value);
  const context = new OfflineAudioContext(1, seconds * LiveSound.RATE, LiveSound.RATE);
  const sound = new LiveSound(context);
  if (!await sound.protect(() => {})) throw new Error("no guard");
  sound.watch(watched);
  sound.out.gain.value = 1;
  const buffer = context.createBuffer(1, given.length, LiveSound.RATE);
  buffer.copyToChannel(given, 0);
  const source = new AudioBufferSourceNode(context, { buffer });
  source.connect(sound.out);
  source.start();
  const back = new DelayNode(context, { delayTime: delay }), again = new GainNode(context, { gain: loop });
  if (loop) sound.guard.connect(back).connect(again).connect(sound.out);
  const bytes = new Uint8Array((await context.startRendering()).getChannelData(0).buffer);
  let made = "";
  for (let at = 0; at < bytes.length; at += 32768) made += String.fromCharCode(...bytes.subarray(at, at + 32768));
  return btoa(made);
}"""


@pytest.fixture(scope="module")
def guarded(browser, project_root):
    """``guarded(samples, …)`` is what leaves the page, rendered offline with the guard that a page has."""
    page = page_at(browser, "http://localhost/guard/")
    for name in SCRIPTS[:2]:
        page.add_script_tag(path=str(project_root / "labkit" / "data" / "voila" / "web" / name))

    def render(samples, *, scale=1.0, loop=0.0, delay=0.03, watched=True, seconds=4):
        return floats(page.evaluate(GUARDED, [packed(samples), scale, loop, delay, watched, seconds]))

    yield render
    page.context.close()


@pytest.mark.parametrize("delay", [0.01, 0.03, 0.045])
@pytest.mark.parametrize("loop", [1.05, 1.5])
def test_a_howl_is_muted_within_the_held_level(guarded, loop, delay):
    hiss = 0.01 * np.random.default_rng(0).standard_normal(8 * RATE)
    sound = guarded(hiss, loop=loop, delay=delay, seconds=8)
    assert np.abs(sound).max() <= LIMIT + 1e-6  # the rounding of 32-bit samples
    assert np.abs(sound).max() > 0.9 * LIMIT  # it did howl
    assert not np.any(sound[-RATE:])
    unwatched = guarded(hiss, loop=loop, delay=delay, watched=False, seconds=8)
    assert np.abs(unwatched[-RATE:]).max() > 0.9 * LIMIT


def test_a_howl_that_a_chord_begins_is_muted(guarded, chord):
    assert not np.any(guarded(chord, scale=0.25, loop=1.5, seconds=8)[-RATE:])


def test_a_loop_that_dies_away_is_let_through(guarded, chord):
    sound = guarded(chord, scale=0.25, loop=0.3)
    assert np.abs(sound[-RATE:]).max() > 0.01


@pytest.mark.parametrize("peak", [0.25, 1.0, 4.0, 8.0])
@pytest.mark.parametrize("take", ["chord", "strummed"])
def test_loud_playing_is_held_but_never_muted(guarded, chord, take, peak):
    played = chord if take == "chord" else np.tile(chord[: RATE // 2], 8)
    sound = guarded(played, scale=peak)
    assert np.abs(sound).max() <= LIMIT + 1e-6
    assert np.abs(sound[-RATE:]).max() > 0.01
    if peak < LIMIT:
        assert sound == pytest.approx((peak * played)[: sound.size], abs=1e-6)


def test_a_recording_of_single_clicks_at_full_volume_does_not_clip(visit):
    clicks = np.zeros(2 * RATE, dtype=np.float32)
    clicks[:: RATE // 4] = 1.0
    page = visit(PAIR, ready=BAR).page
    page.add_init_script(WATCH)
    page.reload()
    page.wait_for_selector(BAR)
    settled(page)
    page.get_by_role("button", name="More about listening").click()
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose a recording").click()
    chooser.value.set_files({"name": "clicks.wav", "mimeType": "audio/wav", "buffer": wav(clicks)})
    page.get_by_label("It was made through").wait_for()
    page.locator(".lab-ear-sheet .lab-ear-volume input").fill("100")
    page.get_by_role("button", name="Play", exact=True).click()
    expect(page.locator(".lab-meter p")).to_have_text("too loud: turn down")
    most = page.evaluate(f"""() => new Promise((resolve) => {{
      const peaks = [];
      const look = () => {{
        peaks.push(({OUTPUT_PEAK})());
        if (peaks.length < 60) requestAnimationFrame(look);
        else resolve(Math.max(...peaks));
      }};
      look();
    }})""")
    assert 0.9 * LIMIT < most <= LIMIT + 1e-6


def wav(samples: np.ndarray) -> bytes:
    data = io.BytesIO()
    soundfile.write(data, samples, RATE, subtype="FLOAT", format="WAV")
    return data.getvalue()
