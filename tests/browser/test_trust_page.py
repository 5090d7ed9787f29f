"""The trust page in a real browser: cases run while one reads, filters, unfolding, files."""

from __future__ import annotations

import json
import re

import pytest
from axe_playwright_python.sync_playwright import Axe

pytestmark = pytest.mark.browser

TRUST = "voila/render/how_far_to_trust_it.ipynb"
DONE = ".lab-board[data-state=done]"


@pytest.mark.parametrize("width", [1280, 400])
def test_cases_are_counted_run_when_asked_and_can_be_read(visit, screenshots, width, tmp_path):
    seen = visit(TRUST, ready=".lab-board", width=width)
    page = seen.page
    # what the cases are is there at once; they run when asked
    page.wait_for_function("() => /^\\d+$/.test(document.querySelector('.lab-numbers .lab-value')?.textContent ?? '')")
    to_meet = int(page.inner_text(".lab-numbers > div:first-child .lab-value"))
    faults = Axe().run(page).response["violations"]
    assert [(fault["id"], [node["html"][:160] for node in fault["nodes"]]) for fault in faults] == []
    page.get_by_role("button", name="Run", exact=True).click()
    page.wait_for_selector(DONE)
    assert page.locator(".lab-model").count() >= 6
    counted = page.inner_text(".lab-numbers > div:first-child .lab-value")
    within, total = map(int, counted.split(" of "))
    missed = page.locator(".lab-numbers > div:nth-child(3) .lab-detail").text_content()
    gaps = int(re.search(r"(\d+) of them known gaps", missed)[1])
    assert gaps >= 1, "what is known to fail stays in sight"
    assert within + gaps == total == to_meet, "a case outside its tolerance stops a release"
    case = page.locator(".lab-case").first
    case.locator("summary").click()
    assert "Source: " in case.inner_text()
    assert page.get_by_text("Hysteresis and saturation of steel", exact=True).is_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    faults = Axe().run(page).response["violations"]
    assert [(fault["id"], [node["html"][:160] for node in fault["nodes"]]) for fault in faults] == []
    page.screenshot(path=str(screenshots / f"how-far-to-trust-it-{width}.png"))
    with page.expect_download() as download:
        page.get_by_role("button", name="Save as JSON").click()
    path = tmp_path / "cases.json"
    download.value.save_as(path)
    assert len(json.loads(path.read_text(encoding="utf-8"))) == total
    assert (seen.errors, seen.outside, seen.failed) == ([], [], [])


def test_the_filter_is_in_the_address_and_comes_back_with_it(visit):
    page = visit(f"{TRUST}?v=1&tone=3&own.model=loads", ready=".lab-model").page
    assert page.locator(".lab-model h2").all_inner_texts() == ["Loads"]
    page.get_by_label("Numbers").select_option(label="What is not within its tolerance")
    page.wait_for_function("() => location.search.includes('own.show=not+within')")
    assert "tone=3" in page.url, "the rig that came along goes along"
    page.get_by_label("Model").select_option(label="All models")
    page.wait_for_function("() => document.querySelectorAll('.lab-model').length > 5")
