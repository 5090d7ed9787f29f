"""Five tasks of the three users, done by exactly the clicks and keys that a person needs; none takes more than six."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile
from playwright.sync_api import expect

from tests.browser.conftest import settled

pytestmark = pytest.mark.browser

CURVE = "svg.lab-curve"
PLAYING = ".lab-ear[data-state=playing]"
MOST = 6


class Hands:
    """Does what a person does, and counts it: a click, a key, a file dropped; choosing from a list counts twice."""

    def __init__(self, page) -> None:
        self.page = page
        self.count = 0

    def click(self, what) -> None:
        self.count += 1
        what.click()

    def press(self, *keys: str) -> None:
        for key in keys:
            self.count += 1
            self.page.keyboard.press(key)

    def choose(self, name: str, label: str) -> None:
        self.count += 2
        self.page.get_by_label(name, exact=True).select_option(label=label)

    def drop(self, name: str, content: bytes) -> None:
        self.count += 1
        self.page.evaluate(
            """([name, bytes]) => {
                const data = new DataTransfer();
                data.items.add(new File([new Uint8Array(bytes)], name));
                const drop = new DragEvent("drop", { dataTransfer: data, bubbles: true });
                document.querySelector(".lab-ear").dispatchEvent(drop);
            }""",
            [name, list(content)],
        )


def ticket(page, letter: str):
    return page.locator(f".lab-ticket[data-letter={letter}]")


def play(page):
    return page.get_by_role("button", name="Play", exact=True)


def opened(visit, name: str) -> Hands:
    page = visit(f"voila/render/{name}.ipynb", ready=CURVE).page
    settled(page)
    return Hands(page)


def heard(page, letter: str, words: str) -> None:
    """Wait until the page plays, and one ticket is what is heard."""
    page.wait_for_selector(PLAYING)
    expect(ticket(page, letter)).to_have_attribute("aria-pressed", "true")
    expect(ticket(page, letter)).to_contain_text(words)


def test_hear_ten_metres_of_cable_against_three(visit):
    hands = opened(visit, "cable")
    page = hands.page
    hands.click(page.get_by_label("Length, A, type a value"))
    hands.press("1", "0", "Enter")
    expect(ticket(page, "A")).to_contain_text("10 m")
    hands.click(play(page))
    heard(page, "A", "10 m")
    hands.click(ticket(page, "B"))
    heard(page, "B", "3 m")
    assert hands.count <= MOST


def test_hear_pots_of_250_kilohms_against_500_with_the_volume_at_five(visit):
    hands = opened(visit, "pots_and_capacitors")
    page = hands.page
    hands.click(page.get_by_role("radio", name="Pot values", exact=True))
    expect(ticket(page, "B")).to_contain_text("500 kΩ")
    hands.click(page.get_by_label("Volume knob, type a value"))
    hands.press("5", "Enter")
    page.wait_for_function("() => /[?&]volume=5/.test(location.search)")
    hands.click(play(page))
    heard(page, "A", "250 kΩ")
    hands.click(ticket(page, "B"))
    heard(page, "B", "500 kΩ")
    assert hands.count <= MOST


def test_swap_the_magnets_grade_and_the_turns_while_it_plays_by_keys_alone(visit):
    hands = opened(visit, "winding")
    page = hands.page
    hands.press("Space")
    page.wait_for_selector(PLAYING)
    hands.press("k")
    expect(ticket(page, "B")).to_contain_text("the same")
    hands.press("1", "PageUp", "2", "ArrowUp")
    page.wait_for_function("() => location.search.includes('turns') && location.search.includes('grade')")
    heard(page, "A", "Alnico")
    expect(ticket(page, "B")).to_contain_text("Alnico 5")
    assert hands.count <= MOST


def test_hear_an_own_recording_through_another_rig(visit):
    hands = opened(visit, "cable")
    page = hands.page
    file = io.BytesIO()
    soundfile.write(file, 0.1 * np.sin(np.arange(48_000) * 0.05), 48_000, format="WAV")
    hands.drop("own.wav", file.getvalue())
    hands.choose("It was made through", "Saltmarsh Lane, two pickups")
    hands.click(page.locator(".lab-play"))
    heard(page, "A", "5 m")
    expect(page.locator("[data-part=band]")).not_to_be_empty()
    hands.click(ticket(page, "B"))
    heard(page, "B", "3 m")
    assert hands.count <= MOST


def test_answer_the_first_trial_of_a_blind_test_of_what_is_compared(visit):
    hands = opened(visit, "cable")
    page = hands.page
    hands.press("t")
    page.wait_for_selector(".lab-desk[data-stage=choose]")
    expect(page.locator(".lab-desk")).to_contain_text("Cable length 5 m against 3 m")
    hands.click(page.get_by_role("button", name="Make the sounds"))
    hands.click(page.get_by_role("button", name="Begin the test"))
    page.wait_for_selector('.lab-desk[data-stage=trial][data-trial="1"][data-ready="1"]')
    hands.press("x")
    page.wait_for_selector('.lab-desk[data-sounding="2"]')
    page.wait_for_function("() => new Promise((done) => setTimeout(() => done(true), 320))")  # X has to be heard
    hands.press("1")
    page.wait_for_selector('.lab-desk[data-stage=trial][data-trial="2"]')
    assert hands.count <= MOST


class Keys:
    """Does everything by the keyboard, and sees to it that what has the focus can be seen."""

    def __init__(self, page) -> None:
        self.page = page

    def to(self, what, key: str = "Tab") -> None:
        """Tab until something has the focus, which is then in view and has a ring."""
        for _ in range(90):
            if what.evaluate("it => it === document.activeElement"):
                break
            self.page.keyboard.press(key)
        expect(what).to_be_focused()
        place, bar = what.bounding_box(), self.page.locator(".lab-ear").bounding_box()
        assert place["y"] >= 0
        if bar is not None and not what.evaluate("it => !!it.closest('.lab-ear')"):
            assert place["y"] + place["height"] <= bar["y"] + 1, "the bar lies over what has the focus"
        if what.evaluate("it => it.type !== 'radio'"):  # of a radio, its label has the ring
            assert what.evaluate("it => getComputedStyle(it).outlineStyle") == "solid"

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)

    def type_into(self, name: str, text: str) -> None:
        self.to(self.page.get_by_label(f"{name}, type a value", exact=True))
        self.press("Control+a")
        self.page.keyboard.type(text)
        self.press("Enter", "Tab")


def test_by_keys_ten_metres_of_cable_against_three(visit):
    page = opened(visit, "cable").page
    keys = Keys(page)
    keys.type_into("Length, A", "10 m")
    expect(ticket(page, "A")).to_contain_text("10 m")
    keys.press("Space")
    heard(page, "A", "10 m")
    keys.press("x")
    heard(page, "B", "3 m")


def test_by_keys_pots_of_250_kilohms_against_500(visit):
    page = opened(visit, "pots_and_capacitors").page
    keys = Keys(page)
    keys.to(page.get_by_role("radio", name="Knob positions", exact=True))
    keys.press("ArrowRight", "ArrowRight")
    expect(ticket(page, "B")).to_contain_text("500 kΩ")
    keys.type_into("Volume knob", "5")
    page.wait_for_function("() => /[?&]volume=5/.test(location.search)")
    keys.press("Space")
    heard(page, "A", "250 kΩ")
    keys.press("x")
    heard(page, "B", "500 kΩ")


def test_by_keys_an_own_recording_through_another_rig(visit, tmp_path):
    page = opened(visit, "cable").page
    keys = Keys(page)
    page.on("filechooser", lambda _: None)  # choosers are watched for from here on: a key is quicker than the asking
    soundfile.write(tmp_path / "own.wav", 0.1 * np.sin(np.arange(48_000) * 0.05), 48_000)
    keys.press("?")
    keys.to(page.get_by_role("button", name="Choose a recording"), "Shift+Tab")
    with page.expect_file_chooser() as choosing:
        keys.press("Enter")
    choosing.value.set_files(tmp_path / "own.wav")
    through = page.get_by_label("It was made through")
    through.wait_for()
    keys.to(through)
    page.keyboard.type("Saltmarsh Lane, tw")
    expect(through).to_have_value("Saltmarsh Lane, two pickups")
    keys.press("Escape")
    keys.to(page.locator(".lab-play"), "Shift+Tab")
    keys.press("Enter")
    heard(page, "A", "5 m")
    expect(page.locator("[data-part=band]")).to_contain_text("true from")


def test_by_keys_a_blind_test_of_what_is_compared(visit):
    page = opened(visit, "cable").page
    keys = Keys(page)
    keys.press("t")
    page.wait_for_selector(".lab-desk[data-stage=choose]")
    for name in ("Make the sounds", "Begin the test"):
        keys.to(page.get_by_role("button", name=name))
        keys.press("Enter")
    page.wait_for_selector('.lab-desk[data-stage=trial][data-trial="1"][data-ready="1"]')
    keys.press("x")
    page.wait_for_selector('.lab-desk[data-sounding="2"]')
    page.wait_for_function("() => new Promise((done) => setTimeout(() => done(true), 320))")  # X has to be heard
    keys.press("1")
    page.wait_for_selector('.lab-desk[data-stage=trial][data-trial="2"]')
