"""The cable page in a real browser: the technician's task from length to the sheet in the customer's hand."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from tests.browser.conftest import settled

pytestmark = pytest.mark.browser

CABLE = "voila/render/cable.ipynb"
CURVE = "svg.lab-curve"
SENTENCE = "() => document.querySelector('.lab-sentence').textContent.replaceAll('\u00a0', ' ')"


def test_a_technician_compares_three_with_ten_metres_and_saves_the_sheet(visit, screenshots, tmp_path):
    seen = visit(CABLE, ready=CURVE, accept_downloads=True)
    page = seen.page
    before = page.evaluate(SENTENCE)
    page.get_by_label("Length, A, type a value").fill("10 m")
    page.keyboard.press("Enter")
    page.wait_for_function(f"before => ({SENTENCE})() !== before", arg=before)
    said = page.evaluate(SENTENCE)
    assert said.startswith("At 10 m your peak is at")
    assert "at 3 m" in said
    page.wait_for_function("() => location.search.includes('cable.length=10')")
    page.screenshot(path=str(screenshots / "cable-1280.png"), full_page=True)
    with page.expect_download() as download:
        page.get_by_role("button", name="Save for the customer").click()
    path = tmp_path / download.value.suggested_filename
    download.value.save_as(path)
    assert path.name.endswith("-customer-sheet.html")
    sheet = page.context.new_page()
    sheet.goto(path.as_uri())
    assert said in sheet.inner_text("main")
    assert "cable 10 m at 100 pF/m" in sheet.inner_text("main")
    sheet.screenshot(path=str(screenshots / "cable-customer-sheet.png"), full_page=True)
    faults = [fault["id"] for fault in Axe().run(sheet).response["violations"] if fault["impact"] == "serious"]
    assert faults == []
    sheet.close()
    assert seen.errors == []
    assert seen.outside == []
    assert seen.failed == []


def test_the_sheet_goes_to_the_printer_without_leaving_the_page(visit):
    page = visit(CABLE, ready=CURVE).page
    page.get_by_role("button", name="Print for the customer").click()
    page.wait_for_function("() => document.querySelector('.lab-files .lab-said').textContent.includes('printer')")
    text = page.evaluate("() => document.querySelector('iframe[srcdoc]').contentDocument.body.innerText")
    assert page.evaluate(SENTENCE) in text


def test_a_buffer_holds_the_peak_and_sounds_beside_the_bare_cable(visit):
    page = visit(f"{CABLE}?v=1&cable.length=15", ready=CURVE).page
    page.get_by_role("radio", name="a buffer").check(force=True)
    page.wait_for_function("() => document.querySelector('.lab-sentence').textContent.startsWith('With a buffer')")
    page.wait_for_function("() => location.search.includes('own.buffer')")
    assert page.locator(".lab-curve-holder svg polyline").count() == 2
    page.get_by_role("button", name="Play", exact=True).click()
    page.wait_for_selector(".lab-ear[data-state=playing]")
    page.get_by_role("button", name="B: no buffer").click()
    page.wait_for_selector(".lab-ear[data-state=playing] .lab-ticket[data-letter=B][aria-pressed=true]")


def test_the_rig_travels_from_the_rig_page_and_back(visit):
    page = visit("voila/render/rig.ipynb?v=1&cable.length=8&tone=7", ready=CURVE).page
    page.get_by_role("navigation", name="Pages").get_by_role("link", name="Cable").click()
    page.wait_for_selector(".lab-sentence")
    page.wait_for_function("() => document.querySelector('.lab-sentence').textContent.startsWith('At 8\u00a0m')")
    page.get_by_label("Less than B by, type a value").fill("1 dB")
    page.keyboard.press("Enter")
    page.wait_for_function("() => location.search.includes('own.loss=1')")
    page.get_by_role("navigation", name="Pages").get_by_role("link", name="Rig").click()
    page.wait_for_selector("[data-key=tone]")
    assert "tone=7" in page.url
    assert "own." not in page.url


def test_the_longest_cable_is_said_whole_at_every_width(visit):
    page = visit(f"{CABLE}?v=1&cable.length=10&own.loss=9x", ready=CURVE).page
    answer = page.locator(".lab-longest")
    for width in (1280, 400):
        page.set_viewport_size({"width": width, "height": 850})
        expect(answer).to_contain_text("loses no more than 3 dB anywhere from 2 to 5 kHz against 3 m")
        settled(page)
        assert answer.evaluate("it => it.scrollHeight <= it.clientHeight && it.scrollWidth <= it.clientWidth")


def test_the_question_on_the_first_page_opens_the_answer_with_its_terms(visit):
    page = visit("", ready=".lab-who").page
    page.get_by_role("link", name="How long may the cable be before it dulls?").click()
    page.wait_for_selector(".lab-longest")
    assert "cable.ipynb" in page.url
    expect(page.locator(".lab-longest")).to_contain_text(
        "is the longest cable that loses no more than 3 dB anywhere from 2 to 5 kHz"
    )
