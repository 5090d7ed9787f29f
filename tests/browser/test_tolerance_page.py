"""The page of studies in a real browser: bands, a closer tolerance, a stop, a ready question, parts for a goal."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import found_by_axe

pytestmark = pytest.mark.browser

STUDY = "voila/render/tolerance_and_search.ipynb"
CURVE = "svg.lab-curve"
TOLD = ".lab-sentence"


def until_told(page, words: str) -> None:
    """Wait until the answer's sentence holds some words."""
    expect(page.locator(TOLD).first).to_contain_text(words)


def test_a_designer_sees_the_band_and_narrows_it_by_closer_parts(visit, screenshots):
    seen = visit(STUDY, ready=CURVE)
    page = seen.page
    until_told(page, "cable capacitance matters most")
    expect(page.locator(".lab-histograms svg")).to_have_count(3)
    expect(page.locator("svg.lab-tornado")).to_have_count(1)
    expect(page.locator(f"{CURVE} polyline[data-label='half lie below']")).to_have_count(1)
    before = page.inner_text(".lab-numbers")
    page.get_by_label("Cables", exact=True).select_option(label="exact")
    page.wait_for_function("() => location.search.includes('own.tol_cables=0')")
    until_told(page, "bridge inductance matters most")
    expect(page.locator(".lab-numbers")).not_to_have_text(before)
    page.get_by_role("button", name="Undo").click()
    until_told(page, "cable capacitance matters most")
    # the answer that was there comes back
    page.wait_for_function("before => document.querySelector('.lab-numbers').innerText === before", arg=before)
    with page.expect_download() as saved:
        page.get_by_role("button", name="Answer as CSV").click()
    assert saved.value.path().read_text().startswith("frequency_hz,nominal_db,p5_db,p50_db,p95_db")
    page.screenshot(path=str(screenshots / "tolerance-band-1280.png"), full_page=True)
    assert seen.errors == []
    assert seen.outside == []
    assert seen.failed == []


def test_a_long_draw_is_stopped_and_what_was_drawn_stays(visit):
    page = visit(STUDY, ready=CURVE).page
    until_told(page, "matters most")
    page.get_by_label("Instruments drawn", exact=True).select_option(label="262 144")
    page.wait_for_function(
        "() => /%, about .* left/.test(document.querySelector('.lab-work [role=status]').textContent)",
    )
    page.get_by_role("button", name="Cancel").click()
    until_told(page, "Stopped after ")
    expect(page.locator(".lab-work [role=status]")).to_contain_text("what was found so far is kept")
    expect(page.locator(".lab-histograms svg")).to_have_count(3)
    expect(page.get_by_role("button", name="Go on")).to_be_visible()


def test_a_technician_asks_for_a_value_and_takes_it_to_the_rig_page(visit, screenshots):
    page = visit(f"{STUDY}?v=1&own.ask=question", ready=CURVE).page
    until_told(page, "loses no more than 3 dB anywhere from 2 to 5 kHz against 3 m")
    page.get_by_label("Which value", exact=True).select_option(
        label="Which tone capacitor puts the hump where it is wanted?"
    )
    until_told(page, "puts the hump at 500 Hz")
    page.screenshot(path=str(screenshots / "tolerance-question-1280.png"), full_page=True)
    page.get_by_role("link", name="Open it on the rig page").click()
    page.wait_for_selector("svg.lab-curve polyline[data-label^='A ']")
    assert "rig.ipynb" in page.url
    # the page shows the usual rig first and takes the state of its address a moment later
    chosen = page.get_by_label("Tone capacitor", exact=True).locator("option:checked")
    expect(chosen).to_have_text("33 nF")
    expect(page.locator(".lab-ticket[data-letter=B]"), "the rig that was asked about is B").not_to_contain_text(
        "keep a sound"
    )


def test_parts_for_a_goal_are_ranked_and_open_as_rigs(visit, screenshots):
    page = visit(f"{STUDY}?v=1&own.ask=goal&own.want_peak=3000", ready=CURVE).page
    until_told(page, "The best has")
    links = page.locator(".lab-table tbody th a")
    expect(links).to_have_count(5)
    assert all("rig.ipynb?v=1&rig=" in link.get_attribute("href") for link in links.all())
    labels = page.eval_on_selector_all(".lab-results polyline", "lines => lines.map(line => line.dataset.label)")
    assert {"A as it stands", "B no. 1", "C no. 2", "D no. 3"} <= set(labels)
    page.get_by_label("Peak at", exact=True).select_option(label="6 kHz")
    until_told(page, "Out of reach: resonance")
    page.screenshot(path=str(screenshots / "tolerance-nothing-fits-1280.png"), full_page=True)


@pytest.mark.parametrize("ask", ["question", "goal"])
def test_no_fault_of_accessibility_and_no_sideways_scrolling(visit, ask):
    page = visit(f"{STUDY}?v=1&own.ask={ask}", ready=CURVE).page
    page.wait_for_selector(TOLD)
    for width in (1280, 400):
        page.set_viewport_size({"width": width, "height": 850})
        assert found_by_axe(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
