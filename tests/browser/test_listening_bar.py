"""The listening bar in a real browser: A and B, changes that follow the hand, what stays from page to page."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest
import soundfile
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from labkit.rig.inputs import with_inputs
from labkit.rig.sheet import load_rig
from labkit.sound.live_response import RATE, bin_transfers, impulse_responses
from labkit.sound.render.rig_sound import coil_transfers
from tests.browser.conftest import kernel_of, leave, profile, settled

pytestmark = pytest.mark.browser

RIG = "voila/render/rig.ipynb"
PAIR = f"{RIG}?v=1&cable.length=10&pin=cable.length%3D3"
BAR = ".lab-ear"
PLAYING, STOPPED = f"{BAR}[data-state=playing]", f"{BAR}[data-state=stopped]"
PAGES = (
    "rig",
    "cable",
    "winding",
    "pots_and_capacitors",
    "measure",
    "tolerance_and_search",
    "listening_test",
    "how_far_to_trust_it",
)
WATCH = """
  window.responses = [];
  window.ConvolverNode = class extends ConvolverNode {
    constructor(context, options) {
      super(context, options);
      window.responses.push(options.buffer.getChannelData(0).slice());
    }
  };
"""
"""Keeps every response that the page is given to convolve with; that of noise comes last of a change."""

HELD_BACK = """
  addEventListener("pointerdown", () => { window.pressed = true; }, true);
  window.AudioContext = class extends AudioContext {
    get state() { return window.pressed ? super.state : "suspended"; }
    resume() { return window.pressed ? super.resume() : new Promise(() => {}); }
  };
"""
"""A browser that lets no page sound by itself before somebody has pressed something; a headless one always does."""


def ticket(page, letter):
    return page.locator(f".lab-ticket[data-letter={letter}]")


def heard(page) -> str:
    return page.get_attribute(".lab-ticket[aria-pressed=true]", "data-letter")


def play(page) -> None:
    page.get_by_role("button", name="Play", exact=True).click()
    page.wait_for_selector(PLAYING)


def test_space_plays_and_x_swaps_and_the_tickets_say_what_differs(visit):
    seen = visit(PAIR, ready=BAR)
    page = seen.page
    settled(page)
    page.keyboard.press(" ")
    page.wait_for_selector(PLAYING)
    expect(ticket(page, "A")).to_have_attribute("aria-label", re.compile("^A: cable 10 m"))
    expect(ticket(page, "B")).to_have_attribute("aria-label", re.compile("^B: cable 3 m"))
    assert heard(page) == "A"
    page.keyboard.press("x")
    assert heard(page) == "B"
    page.wait_for_function(
        "() => /^B, −\\d\\d\\s?dB, peak −\\d/.test(document.querySelector('.lab-meter p').textContent)"
    )
    page.keyboard.press(" ")
    page.wait_for_selector(STOPPED)
    assert seen.errors == []


def test_k_keeps_the_present_sound_as_b_and_shift_k_takes_the_next(visit):
    page = visit(f"{RIG}?v=1&cable.length=10", ready=BAR).page
    settled(page)
    expect(ticket(page, "B")).to_have_attribute("aria-label", re.compile("key K"))
    page.keyboard.press("k")
    expect(ticket(page, "B")).not_to_have_class(re.compile("lab-empty"))
    page.get_by_label("Cable length", exact=True).fill("79")
    expect(ticket(page, "B")).to_contain_text("cable 10 m")
    page.keyboard.press("k")
    page.get_by_label("Tone knob", exact=True).fill("0")
    expect(ticket(page, "B")).to_contain_text("tone 10")
    page.keyboard.press("Shift+K")
    expect(ticket(page, "B")).to_contain_text("cable 10 m")
    page.wait_for_function("() => (location.search.match(/pin=/g) ?? []).length === 2")
    page.keyboard.press("u")
    expect(ticket(page, "B")).to_contain_text("tone 10")


def test_single_keys_do_nothing_while_typing_and_can_be_switched_off_for_good(visit):
    page = visit(PAIR, ready=BAR).page
    settled(page)
    box = page.locator('.lab-row[data-key="cable.length"] .lab-readout')
    box.focus()
    page.keyboard.press("x")
    page.keyboard.press("k")
    assert heard(page) == "A"
    page.locator("h1").click()
    page.keyboard.press("?")
    switch = page.get_by_label("Single keys work")
    expect(switch).to_be_focused()
    page.keyboard.press(" ")
    assert not switch.is_checked()
    page.keyboard.press("Escape")
    page.keyboard.press("x")
    assert heard(page) == "A"
    page.reload()
    page.wait_for_selector(BAR)
    settled(page)
    page.keyboard.press("x")
    assert heard(page) == "A"
    page.keyboard.press(" ")  # not a character: it plays either way
    page.wait_for_selector(PLAYING)


def test_a_digit_goes_to_a_control(visit):
    page = visit(PAIR, ready=BAR).page
    settled(page)
    keys = page.locator(".lab-row[data-key]").evaluate_all("rows => rows.map((row) => row.dataset.key)")
    page.keyboard.press("4")
    assert page.evaluate("document.activeElement.closest('.lab-row').dataset.key") == keys[3]


@pytest.mark.parametrize("name", PAGES)
def test_play_is_on_the_first_screen_and_two_tab_stops_away_at_every_width(visit, name):
    seen = visit(f"voila/render/{name}.ipynb", ready=BAR)
    page = seen.page
    for width, height in ((400, 800), (768, 1024), (1280, 800), (1920, 1080)):
        page.set_viewport_size({"width": width, "height": height})
        settled(page)
        place = page.get_by_role("button", name="Play", exact=True).bounding_box()
        assert place["y"] + place["height"] <= height, width
        assert place["x"] + place["width"] <= width, width
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= width, f"the bar makes the page {wide} px wide at {width}"
    page.reload()
    page.wait_for_selector(BAR)
    settled(page)
    for _ in range(2):
        page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.dataset.part") == "play"
    page.keyboard.press("Enter")
    page.wait_for_selector(PLAYING)
    assert seen.errors == []


def test_the_sound_follows_a_drag_while_it_plays(visit):
    seen = visit("", ready=".lab-who")
    page = seen.page
    page.add_init_script(WATCH)
    seen.open(f"{seen.host}{PAIR}", BAR)
    settled(page)
    play(page)
    before = page.evaluate("window.responses.length")
    slider = page.get_by_label("Cable length", exact=True)
    for step in (40, 20, 60, 0):
        slider.fill(str(step))
    settled(page)
    length = float(page.evaluate("new URLSearchParams(location.search).get('cable.length')"))
    rig = with_inputs(load_rig("Saltmarsh Lane, narrow single coil"), {"cable.length": length})
    wanted = impulse_responses(bin_transfers(coil_transfers(rig, ("bridge.main",))))[0]
    page.wait_for_function(
        "(wanted) => wanted.every((value, place) => Math.abs(value - window.responses.at(-2)[place]) < 1e-6)",
        arg=wanted.tolist(),
    )
    assert page.evaluate("window.responses.length") > before
    assert page.locator(PLAYING).count() == 1


def test_same_loudness_and_true_level_are_said_on_the_tickets(visit):
    page = visit(f"{RIG}?v=1&volume=5&pin=volume%3D10", ready=BAR).page
    settled(page)
    play(page)
    expect(ticket(page, "B")).to_contain_text("to match")
    page.locator(".lab-ear input[value=true]").first.check()
    expect(ticket(page, "A")).to_contain_text("level −")
    expect(ticket(page, "B")).to_contain_text("level +")
    page.get_by_role("button", name="More about listening").click()
    expect(page.locator(".lab-ear-sheet")).to_contain_text("Before matching, A is")


def test_silence_is_said_and_sounds_again_when_the_volume_is_turned_up(visit):
    page = visit(f"{RIG}?v=1&volume=0", ready=BAR).page
    settled(page)
    play(page)
    expect(page.locator(".lab-ear-said")).to_contain_text("turn the volume up")
    page.get_by_label("Volume knob", exact=True).fill("40")
    page.wait_for_function("() => /^A, −\\d\\d/.test(document.querySelector('.lab-meter p').textContent)")
    expect(page.locator(".lab-ear-said")).to_be_hidden()


def test_take_level_volume_and_playing_stay_from_page_to_page(visit):
    page = visit(PAIR, ready=BAR).page
    settled(page)
    play(page)
    page.get_by_label("You hear").select_option("low note")
    page.locator(".lab-ear input[value=true]").first.check()
    page.evaluate(
        """() => { const slider = document.querySelector('.lab-ear-volume input'); slider.value = 40;
                   slider.dispatchEvent(new Event('input', { bubbles: true })); }"""
    )
    settled(page)
    page.get_by_role("navigation", name="Pages").get_by_role("link", name="Winding").click()
    page.wait_for_url("**/winding.ipynb**")
    page.wait_for_selector(PLAYING)
    settled(page)
    assert page.get_by_label("You hear", exact=True).input_value() == "low note"
    assert page.locator(".lab-ear input[value=true]").first.is_checked()
    assert page.locator(".lab-ear-volume input").first.input_value() == "40"
    page.keyboard.press("Escape")
    page.wait_for_selector(STOPPED)
    page.reload()
    page.wait_for_selector(BAR)
    settled(page)
    assert page.get_attribute(BAR, "data-state") == "stopped"


def test_where_the_browser_holds_sound_back_play_says_go_on(visit):
    seen = visit("", ready=".lab-who")
    page = seen.page
    page.evaluate("localStorage.setItem('labkit.listening', JSON.stringify({ on: true }))")
    page.add_init_script(HELD_BACK)
    seen.open(f"{seen.host}{PAIR}", f"{BAR}[data-state=held]")
    settled(page)
    page.get_by_role("button", name="Go on").click()
    page.wait_for_selector(PLAYING)
    page.wait_for_function("() => /^A, −\\d\\d/.test(document.querySelector('.lab-meter p').textContent)")


NO_OUTPUT = """
  window.AudioContext = class extends AudioContext {
    get state() { return "suspended"; }
    resume() { return new Promise(() => {}); }
  };
"""


def test_a_sound_output_that_does_not_start_is_told(browser, lab):
    context = profile(browser)
    page = context.new_page()
    page.add_init_script(NO_OUTPUT)
    page.goto(f"{lab.address}{PAIR}")
    page.wait_for_selector(BAR)
    settled(page)
    play(page)
    expect(page.locator(".lab-ear-said")).to_contain_text("has not started its sound output")
    leave(context)


def test_the_blind_test_takes_exactly_these_two_and_the_take(visit):
    page = visit(PAIR, ready=BAR).page
    settled(page)
    page.get_by_label("You hear").select_option("low note")
    settled(page)
    page.keyboard.press("t")
    page.wait_for_url("**/listening_test.ipynb**")
    page.wait_for_selector(".lab-desk[data-stage=choose]")
    settled(page)
    said = page.inner_text(".lab-page")
    assert "10 m" in said
    assert "3 m" in said
    assert "own.take=low+note" in page.url or "own.take=low%20note" in page.url


def recording(seconds: float = 2.0, kind: str = "WAV") -> bytes:
    """A plucked string in stereo at 44.1 kHz, invented."""
    time = np.arange(int(44_100 * seconds)) / 44_100
    tone = sum(np.sin(2 * np.pi * 110 * n * time) * np.exp(-time * n) / n for n in range(1, 20))
    data = io.BytesIO()
    soundfile.write(data, np.stack([0.2 * tone, 0.2 * tone], axis=1), 44_100, subtype="PCM_24", format=kind)
    return data.getvalue()


@pytest.mark.parametrize("kind", ["WAV", "FLAC"])
def test_an_own_recording_is_heard_through_both_and_its_band_is_said(visit, lab, kind):
    seen = visit(PAIR, ready=BAR)
    page = seen.page
    settled(page)
    page.get_by_role("button", name="More about listening").click()
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose a recording").click()
    kernel = kernel_of(page, lab)
    kernel.suspend()
    chooser.value.set_files({"name": f"riff.{kind.lower()}", "mimeType": "audio/x", "buffer": recording(kind=kind)})
    elsewhere = page.get_by_label("Single keys work")
    elsewhere.focus()  # while the recording is on its way
    kernel.resume()
    through = page.get_by_label("It was made through")
    through.wait_for()
    settled(page)  # all of the recording has come
    expect(elsewhere).to_be_focused()
    assert page.get_by_label("You hear").locator("option:checked").inner_text() == f"riff.{kind.lower()}"
    page.keyboard.press("Escape")
    play(page)
    page.wait_for_function("() => /^A, −\\d\\d/.test(document.querySelector('.lab-meter p').textContent)")
    page.get_by_role("button", name="More about listening").click()
    through.select_option("B")
    expect(page.locator("[data-part=own]")).to_contain_text("true from 20")
    expect(page.locator("[data-part=own]")).to_contain_text("noise rises by up to")
    assert seen.errors == []
    assert seen.outside == []


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("notes.wav", b"these are words, no sound at all" * 20, "not a recording this browser can read"),
        ("long.wav", recording(61.0), "lasts 61 s; the page takes 60 s"),
    ],
)
def test_a_file_that_is_no_recording_is_told_in_one_sentence(visit, name, content, words):
    seen = visit(PAIR, ready=BAR)
    page = seen.page
    settled(page)
    page.get_by_role("button", name="More about listening").click()
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose a recording").click()
    chooser.value.set_files({"name": name, "mimeType": "audio/wav", "buffer": content})
    expect(page.locator(".lab-ear-said")).to_contain_text(words)
    assert page.get_by_label("You hear").input_value() == "E chord"
    assert seen.errors == []


def test_both_sounds_are_saved_as_they_are_heard(visit):
    page = visit(f"{RIG}?v=1&volume=5&pin=volume%3D10", ready=BAR).page
    settled(page)
    page.get_by_role("button", name="More about listening").click()
    found = {}
    for letter in "AB":
        with page.expect_download() as download:
            page.get_by_role("button", name=f"Save {letter} as WAV").click()
        found[letter] = soundfile.read(download.value.path())
    assert {rate for _, rate in found.values()} == {RATE}
    one, other = (np.sqrt(np.mean(samples**2)) for samples, _ in found.values())
    assert one == pytest.approx(other, rel=0.05)  # same loudness: 6 dB apart otherwise


@pytest.mark.parametrize("width", [400, 1280])
def test_the_open_bar_has_no_fault_of_accessibility(visit, width):
    seen = visit(PAIR, ready=BAR, width=width)
    settled(seen.page)
    seen.page.keyboard.press("?")
    seen.page.wait_for_selector(".lab-ear-sheet:visible")
    faults = Axe().run(seen.page).response["violations"]
    assert [(fault["id"], [node["html"][:160] for node in fault["nodes"]]) for fault in faults] == []


SPOKEN = """
- region "Listen":
  - button "Play"
  - 'button "A: cable 10 m" [pressed]'
  - button "Swap A and B"
  - 'button "B: cable 3 m"'
  - combobox "You hear":
    - option "E chord" [selected]
  - group "Loudness of A and B":
    - radio "same" [checked]
    - radio "true level"
  - slider "Volume": "65"
  - button "Blind test"
  - button "More about listening"
  - status
"""


def test_a_reader_of_the_screen_gets_names_roles_values_and_what_is_heard(visit):
    page = visit(PAIR, ready=BAR, width=1500).page
    settled(page)
    bar = page.get_by_role("region", name="Listen", exact=True)
    expect(bar).to_match_aria_snapshot(SPOKEN)
    volume = bar.get_by_role("slider", name="Volume")
    assert volume.get_attribute("aria-valuetext") == "65 percent"
    volume.focus()
    page.keyboard.press("ArrowRight")
    expect(volume).to_have_attribute("aria-valuetext", "66 percent")
    nodes = page.context.new_cdp_session(page).send("Accessibility.getFullAXTree")["nodes"]
    live = [
        {each["name"]: each["value"].get("value") for each in node["properties"]}
        for node in nodes
        if node["role"]["value"] == "status"
    ]
    assert [(each["live"], each["atomic"]) for each in live] == [("polite", True)] * len(live) != []
    assert not any(node["name"].get("value") == "silent" for node in nodes if "name" in node), (
        "the meter is not read out"
    )
    heard_now = bar.locator("[data-part=heard]")
    page.keyboard.press("x")
    expect(heard_now).to_have_text("B: cable 3 m")
    expect(bar.get_by_role("button", name="B: cable 3 m")).to_have_attribute("aria-pressed", "true")
    page.keyboard.press(" ")
    expect(bar.get_by_role("button", name="Stop", exact=True)).to_be_visible()
    expect(bar.get_by_role("button", name=re.compile("^B: cable 3 m, .*(to match|as it is)$"))).to_be_visible()
    more = bar.get_by_role("button", name="More about listening")
    page.keyboard.press("?")
    expect(more).to_have_attribute("aria-expanded", "true")
    expect(bar.get_by_role("dialog", name="More about listening")).to_be_visible()
    expect(bar.get_by_role("checkbox", name="Single keys work")).to_be_focused()
    page.keyboard.press("Escape")
    expect(more).to_be_focused()


NOTEBOOK = """([sound, bar]) => {
  const address = URL.createObjectURL(new Blob([sound + "\\n" + bar], { type: "text/javascript" }));
  const sounds = [{ letter: "A", text: "cable 5 m", full: "" }];
  const traits = { takes: ["E chord"], take: "E chord", sounds, rigs: [], recording: {}, live: {},
    blind: "v=1", keeps: true, said: "", note: "quiet", longest_s: 60, is_away: false, piece: 65536 };
  window.sent = [];
  const model = { get: (name) => traits[name], on() {}, off() {}, send: (content) => window.sent.push(content) };
  return import(address).then((widget) => {
    window.leave = widget.default.render({ model, el: document.querySelector("#cell") });
  });
}"""


def test_in_a_plain_notebook_the_bar_lives_in_its_cell_and_takes_no_keys(browser, project_root):
    web = project_root / "labkit" / "data" / "voila" / "web"
    page = browser.new_context().new_page()
    page.set_content("<p id='before'>a cell</p><div id='cell'></div>")
    page.add_style_tag(path=str(web / "widgets.css"))
    page.add_style_tag(path=str(web / "listening_bar.css"))
    names = ("kept_files.js", "sound_guard.js", "live_sound.js", "live_input.js")
    sound = "\n".join((web / name).read_text("utf-8") for name in names)
    page.evaluate(NOTEBOOK, [sound, (web / "listening_bar.js").read_text("utf-8")])
    assert page.locator("#cell .lab-ear").evaluate("bar => getComputedStyle(bar).position") == "relative"
    page.keyboard.press(" ")
    page.keyboard.press("k")
    assert page.evaluate("window.sent") == []
    assert page.get_by_role("button", name="Blind test").count() == 0  # there is no page to go to
    page.get_by_role("button", name="Play", exact=True).click()
    assert page.evaluate("window.sent[0].do") == "start"
    page.evaluate("window.leave()")
    assert page.locator(".lab-ear").count() == 0
    page.context.close()
