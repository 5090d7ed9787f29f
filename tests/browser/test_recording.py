"""A take recorded by a real browser from its fake microphone: the same curve as from the file behind it."""

from __future__ import annotations

import base64
import io
from pathlib import Path

import numpy as np
import pytest
import soundfile
from playwright.sync_api import expect

from labkit.bench.recording.recording import Recording
from labkit.bench.recording.take import read_take
from tests.bench import sound_interface as simulated
from tests.bench.shim_bench import Lift
from tests.browser.conftest import PATIENCE_MS
from tests.conftest import BROWSER_FLAGS

pytestmark = pytest.mark.browser

ADDRESS = "voila/render/measure.ipynb?v=1&own.bench=recordings"
RATE = 44_100
"""The only rate of the browser's fake microphone, which reads float files and 16 bit; 24 bit gave silence."""

COIL = simulated.coils(5)[4]
ROLES = ("source", "open", "shorted", "pickup", "again")
MOST_TRIES = 5
"""A busy machine loses samples now and then; the page says so, and one records again, as anybody would."""

KEEP_WHAT_IS_SENT = """
window.sent = [];
const Plain = window.Blob;
window.Blob = class extends Plain {
  constructor(parts, options) { super(parts, options); if (options?.type === "audio/wav") window.sent.push(this); }
};
"""
COUNT_SOUNDS = """
window.sounds = 0;
const start = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (...given) {
  if (this.buffer) window.sounds++;
  return start.apply(this, given);
};
"""
LAST_SENT = """async () => {
  const bytes = new Uint8Array(await window.sent.at(-1).arrayBuffer());
  let text = "";
  for (let at = 0; at < bytes.length; at += 32768) text += String.fromCharCode(...bytes.subarray(at, at + 32768));
  return btoa(text);
}"""


@pytest.fixture(scope="module")
def takes(tmp_path_factory):
    folder = tmp_path_factory.mktemp("takes")
    for number, role in enumerate(ROLES):
        samples = simulated.record(simulated.Interface(rate=RATE), role, COIL, seed=number)
        soundfile.write(folder / f"{role}.wav", samples.T, RATE, subtype="FLOAT")
    return folder


@pytest.fixture
def open_page(browser, chromium_path, lab, takes):
    """Open the page in a browser whose microphone plays a file once: the pickup's take unless another is given."""
    started = []

    def opened(*scripts: str, heard: Path = takes / "pickup.wav", address: str = ADDRESS):
        own = browser.browser_type.launch(
            executable_path=chromium_path,
            args=[
                *BROWSER_FLAGS,
                "--use-fake-device-for-media-stream",
                "--use-fake-ui-for-media-stream",
                f"--use-file-for-fake-audio-capture={heard}%noloop",
            ],
        )
        started.append(own)
        page = own.new_page()
        page.set_default_timeout(PATIENCE_MS)
        for script in scripts:
            page.add_init_script(script)
        page.goto(lab.address + address)
        page.wait_for_selector(".lab-recorder-next")
        return page

    yield opened
    for own in started:
        own.close()


def _record(page, title: str):
    """Record a step until samples of it are whole; return the sentence beside it."""
    step = page.locator("li", has=page.get_by_text(title, exact=True))
    for _ in range(MOST_TRIES):
        step.get_by_role("button", name=f"Record: {title}").click()
        expect(step.get_by_role("button", name=f"Stop: {title}")).to_be_visible()
        expect(step.get_by_role("button", name=f"Record: {title}")).to_be_enabled(timeout=PATIENCE_MS)
        outcome = step.locator(".lab-recorder-said, .lab-error")
        expect(outcome).to_be_visible(timeout=PATIENCE_MS)
        if step.locator(".lab-recorder-said").count():
            return step.inner_text()
    pytest.fail(f"no take came whole: {step.inner_text()}", pytrace=False)


def test_a_take_recorded_in_the_browser_is_the_file_and_gives_the_pickup(open_page, takes) -> None:
    page = open_page(KEEP_WHAT_IS_SENT)
    expect(page.get_by_role("button", name="Record: Pickup", exact=True)).to_be_disabled()
    page.get_by_label("Headphones and loudspeakers are disconnected").check()
    # the sound to play comes from the lab once; from then on a recording begins at once, as the microphone's file does
    page.get_by_role("button", name="Record: Pickup", exact=True).click()
    page.wait_for_selector(".lab-recorder-meters:not([hidden])")
    page.get_by_role("button", name="Stop: Pickup", exact=True).click()
    said = _record(page, "Pickup")
    assert "peaks" in said
    came, rate = soundfile.read(io.BytesIO(base64.b64decode(page.evaluate(LAST_SENT))))
    assert rate == RATE
    behind, _ = soundfile.read(takes / "pickup.wav")
    one, other = (read_take(Recording(name="take", rate=RATE, samples=samples.T)).ratio for samples in (came, behind))
    shared = np.intersect1d(one.frequency_hz, other.frequency_hz)
    off_db = 20 * np.log10(np.abs(one.at(shared).value / other.at(shared).value))
    assert shared.size > 150
    assert np.abs(off_db).max() < 1e-6
    for role, title in (
        ("source", "Both on the source"),
        ("open", "Pickup off"),
        ("shorted", "Clips shorted"),
        ("again", "Both on the source, again"),
    ):
        with page.expect_file_chooser() as chooser:
            page.get_by_role("button", name=f"Choose a file: {title}", exact=True).click()
        chooser.value.set_files(takes / f"{role}.wav")
        expect(page.locator(f"li[data-step={role}] .lab-recorder-said")).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator("dl.lab-numbers")).to_contain_text(f"{COIL.L:.2f} H", timeout=PATIENCE_MS)
    page.reload()  # this tab keeps the takes
    expect(page.locator(".lab-recorder-said")).to_have_count(len(ROLES), timeout=PATIENCE_MS)
    expect(page.locator("dl.lab-numbers")).to_contain_text(f"{COIL.L:.2f} H", timeout=PATIENCE_MS)


def test_over_plain_http_on_another_name_it_says_that_the_browser_forbids_it(open_page) -> None:
    page = open_page("Object.defineProperty(window, 'isSecureContext', { value: false });")
    expect(page.get_by_text("it forbids the microphone")).to_be_visible()
    assert page.get_by_role("button", name="Record:").count() == 0
    assert page.get_by_role("button", name="Choose a file").count() == 6


def test_an_input_that_is_processed_is_refused(open_page) -> None:
    page = open_page(
        "const settings = MediaStreamTrack.prototype.getSettings;"
        "MediaStreamTrack.prototype.getSettings = function () {"
        "  return { ...settings.call(this), autoGainControl: true }; };"
    )
    page.get_by_label("Headphones and loudspeakers are disconnected").check()
    page.get_by_role("button", name="Record: Pickup off", exact=True).click()
    expect(page.locator("li[data-step=open] .lab-error")).to_contain_text("does not switch off automatic gain")


def test_a_lifted_string_is_recorded_until_stop_and_nothing_is_played(open_page, tmp_path) -> None:
    lift = Lift(flux_per_mm=30e-6, full_scale=1.9, hum=1e-3, moves=6)
    samples = lift.recording(4)
    soundfile.write(tmp_path / "e4.wav", np.stack([0 * samples, samples], axis=1), RATE, subtype="FLOAT")
    address = "voila/render/measure.ipynb?v=1&own.bench=lifts&own.lift_scale=1.9"
    page = open_page(KEEP_WHAT_IS_SENT, COUNT_SOUNDS, heard=tmp_path / "e4.wav", address=address)
    expect(page.get_by_role("button", name="Record: E4", exact=True)).to_be_disabled()
    page.get_by_label("Headphones are off and loudspeakers turned down").check()
    page.get_by_role("button", name="Record: E4", exact=True).click()
    expect(page.get_by_text("press Stop when all moves are done")).to_be_visible()
    page.get_by_role("button", name="Stop: E4", exact=True).click()
    string = page.get_by_role("listitem").filter(has=page.get_by_role("button", name="Record: E4", exact=True))
    # what came before Stop holds too few moves, and is said to
    expect(string.get_by_role("alert")).to_be_visible(timeout=PATIENCE_MS)
    came, _ = soundfile.read(io.BytesIO(base64.b64decode(page.evaluate(LAST_SENT))))
    assert came.shape[1] == 2
    assert len(came) > 0
    assert page.evaluate("window.sounds") == 0
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose a file: E4", exact=True).click()
    chooser.value.set_files(tmp_path / "e4.wav")
    expect(string).to_contain_text("6 good pulses on channel 2", timeout=PATIENCE_MS)
    expect(page.get_by_text("E4 lies within what narrow single coil, built predicts")).to_be_visible()
    expect(page.get_by_role("button", name="Keep as this shop's steel")).to_be_visible()
