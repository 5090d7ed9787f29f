"""The start page in a real browser: words of the sentence, their dialogs, things to try, by mouse and by keyboard."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import found_by_axe, kernel_of, settled

pytestmark = pytest.mark.browser

START = "voila/render/start.ipynb"
WORD = ".lab-word"


def test_the_lab_opens_on_it_with_the_questions_below(visit, screenshots):
    seen = visit("", ready=WORD)
    page = seen.page
    assert page.url.endswith(START)
    expect(page.locator(".lab-say")).to_have_text(
        "A narrow single coil behind 250 kΩ pots, through 5 m of cable into a 1 MΩ amplifier."
    )
    expect(page.locator("#rendered_cells .lab-who h2")).to_have_text(
        ["Building or winding", "At the repair bench", "Playing"]
    )
    page.screenshot(path=str(screenshots / "start-1280.png"), full_page=True)
    assert (seen.errors, seen.outside, seen.failed) == ([], [], [])


def test_a_word_is_changed_by_keyboard_alone_and_escape_gives_the_focus_back(visit):
    page = visit(START, ready=WORD).page
    word = page.locator(f"{WORD}[data-key='cable.length']")
    word.focus()
    page.keyboard.press("Enter")
    slider = page.get_by_role("dialog", name="Cable length").get_by_role("slider")
    expect(slider).to_be_focused()
    page.keyboard.press("End")
    expect(word).not_to_have_text("5 m")
    page.keyboard.press("Escape")
    expect(page.get_by_role("dialog")).to_have_count(0)
    expect(word).to_be_focused()
    expect(word).to_have_attribute("aria-expanded", "false")
    page.wait_for_function("() => location.search.includes('cable.length=')")
    # what was there is B
    expect(page.locator("svg.lab-curve polyline")).to_have_count(2)


def test_a_choice_changes_the_sentence_and_the_answer_follows(visit):
    page = visit(START, ready=WORD).page
    before = page.inner_text(".lab-found")
    page.locator(f"{WORD}[data-key=bridge]").click()
    page.get_by_role("radio", name="two-coil", exact=True).check()
    expect(page.locator(".lab-say")).to_contain_text("A two-coil pickup behind")
    expect(page.locator(".lab-found")).not_to_have_text(before)
    page.keyboard.press("Escape")
    page.locator(f"{WORD}[data-key='own.pots']").click()
    expect(page.get_by_role("dialog", name="Pots")).to_have_count(1)
    page.get_by_role("radio", name="500 kΩ").check()
    expect(page.locator(f"{WORD}[data-key='own.pots']")).to_have_text("500 kΩ")
    page.mouse.click(5, 5)
    expect(page.get_by_role("dialog")).to_have_count(0)


def test_a_thing_to_try_is_pressed_and_keeps_what_was_there_as_b(visit):
    page = visit(START, ready=WORD).page
    chip = page.get_by_role("button", name="15 m of cable")
    chip.click()
    expect(chip).to_have_attribute("aria-pressed", "true")
    expect(page.locator(".lab-found")).to_contain_text("2.4 kHz")
    expect(page.locator("svg.lab-curve polyline[data-label^='B ']")).to_have_count(1)
    page.get_by_role("button", name="as it was").click()
    expect(page.locator("svg.lab-curve polyline")).to_have_count(1)
    expect(chip).to_have_attribute("aria-pressed", "false")


def test_on_a_phone_the_dialog_leaves_the_curve_in_view(visit):
    page = visit(START, ready=WORD, width=400, height=850).page
    page.locator(f"{WORD}[data-key='cable.length']").click()
    dialog = page.get_by_role("dialog")
    expect(dialog).to_be_visible()
    settled(page)
    box, curve = dialog.bounding_box(), page.locator("svg.lab-curve").bounding_box()
    assert box["y"] + box["height"] <= 850
    assert box["y"] >= curve["y"] + curve["height"] * 0.8
    assert page.evaluate("document.documentElement.scrollWidth") <= 400


def test_what_is_changed_here_is_among_the_recent_rigs_until_they_are_forgotten(visit, lab):
    page = visit(START, ready=WORD).page
    settled(page)
    assert page.locator(".lab-recent").is_hidden()
    kernel = kernel_of(page, lab)
    kernel.suspend()  # its answer comes later than the page looks for a change
    page.get_by_role("button", name="15 m of cable").click()
    page.evaluate("() => new Promise((done) => setTimeout(done, 1600))")
    link = page.locator(".lab-recent a")
    expect(link).to_have_count(0)
    kernel.resume()
    expect(link).to_contain_text("Saltmarsh Lane")
    expect(link).to_contain_text("Cable length 15 m")
    page.get_by_role("button", name="Forget these").click()
    expect(page.locator(".lab-recent")).to_be_hidden()
    page.reload()  # leaving the page writes nothing down again
    page.wait_for_selector(WORD)
    assert page.evaluate("localStorage.getItem('labkit.recent-rigs')") is None
    settled(page)
    page.get_by_role("button", name="1 MΩ pots").click()
    expect(link).to_contain_text("Volume pot 1 MΩ")


def test_an_open_dialog_has_no_fault_of_accessibility(visit):
    page = visit(START, ready=WORD).page
    page.wait_for_selector("#rendered_cells .lab-who")
    page.locator(f"{WORD}[data-key='own.pots']").click()
    assert found_by_axe(page) == []
