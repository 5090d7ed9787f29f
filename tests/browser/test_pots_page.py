"""The pots page in a real browser: a player's questions, from pot values to capacitors."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from tests.browser.conftest import settled

pytestmark = pytest.mark.browser

POTS = "voila/render/pots_and_capacitors.ipynb"
CURVE = "svg.lab-curve"


def choose(page, question: str) -> None:
    """Press a question, and wait until its answer stands."""
    before = page.inner_text(".lab-answer")
    page.get_by_role("radio", name=question, exact=True).check(force=True)
    page.wait_for_function("before => document.querySelector('.lab-answer').textContent !== before", arg=before)


def test_a_player_asks_for_pots_then_for_the_capacitor(visit, screenshots):
    seen = visit(POTS, ready=CURVE)
    page = seen.page
    choose(page, "Pot values")
    expect(page.locator(".lab-answer")).to_contain_text("From 250 kΩ to 500 kΩ the peak grows by")
    labels = page.eval_on_selector_all(".lab-results polyline", "lines => lines.map(line => line.dataset.label)")
    assert set(labels) == {"A 250 kΩ", "B 500 kΩ", "1 MΩ"}
    page.get_by_label("Volume pot", exact=True).select_option(label="500 kΩ")
    page.wait_for_function("() => location.search.includes('volume.value=500000')")
    choose(page, "Capacitor value")
    page.wait_for_function("() => document.querySelectorAll('.lab-multiples svg.lab-curve').length === 2")
    assert "with the tone at 10" in page.inner_text(".lab-answer").lower()
    page.screenshot(path=str(screenshots / "pots-capacitor-1280.png"), full_page=True)
    choose(page, "Tapers")
    page.wait_for_function("() => document.querySelectorAll('svg.lab-knob-plot').length === 2")
    assert seen.errors == []
    assert seen.outside == []
    assert seen.failed == []


def test_bleeds_stand_side_by_side_and_one_can_be_tried_on(visit, screenshots):
    page = visit(f"{POTS}?v=1&volume=6&own.show=Treble+bleeds", ready=".lab-multiples svg.lab-curve").page
    assert page.locator(".lab-multiples svg.lab-curve").count() == 4
    before = page.inner_text(".lab-numbers")
    page.get_by_label("Bleed", exact=True).select_option("series")
    page.wait_for_function("before => document.querySelector('.lab-numbers').innerText !== before", arg=before)
    page.get_by_label("Bleed resistor", exact=True).wait_for(state="visible")
    assert "treble bleed series" in page.inner_text(".lab-section")
    page.screenshot(path=str(screenshots / "pots-bleeds-1280.png"), full_page=True)


@pytest.mark.parametrize(
    ("width", "question"), [(1280, "Tapers"), (1280, "Capacitor+loss"), (400, "Treble+bleeds"), (400, "Tapers")]
)
def test_no_fault_of_accessibility_and_no_sideways_scrolling(visit, screenshots, width, question):
    page = visit(f"{POTS}?v=1&volume=7&own.show={question}", ready=CURVE, width=width).page
    settled(page)
    page.screenshot(path=str(screenshots / f"pots-{question.lower()}-{width}.png"), full_page=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    faults = Axe().run(page).response["violations"]
    assert [(fault["id"], [node["html"][:160] for node in fault["nodes"]]) for fault in faults] == []
