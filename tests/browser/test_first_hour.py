"""The steps of the tutorial that happen in the browser, in its order, with the numbers that it promises."""

from __future__ import annotations

import pytest

from tests.browser.conftest import choose_wiring, unfold

pytestmark = pytest.mark.browser

CURVE = "svg.lab-curve"


def says(page, *, peak: str, height: str | None = None) -> None:
    """Wait until the numbers above the curve are these."""
    page.locator(".lab-numbers .lab-value").nth(0).get_by_text(peak, exact=True).wait_for()
    if height is not None:
        page.locator(".lab-numbers .lab-value").nth(1).get_by_text(height, exact=True).wait_for()


def button(page, name: str):
    return page.get_by_role("button", name=name)


def lines(page) -> set[str]:
    return {line.get_attribute("data-label") for line in page.locator(".lab-curve-holder svg polyline").all()}


def test_the_first_hour_can_be_followed_in_the_browser(visit, project_root):
    told = (project_root / "docs" / "tutorial" / "first_hour.md").read_text(encoding="utf-8")
    page = visit("", ready="nav a, a").page

    # 1. hear a cable
    page.get_by_role("link", name="Rig", exact=True).first.click()
    page.wait_for_selector(CURVE)
    assert "*Peak at* says 3.5 kHz" in " ".join(told.split())
    says(page, peak="3.5 kHz")
    button(page, "Keep as B").click()
    page.wait_for_function("() => document.querySelectorAll('.lab-curve-holder svg polyline').length === 2")
    page.get_by_label("Cable length", exact=True).focus()
    for _ in range(20):  # steps of 25 cm, from 5 m to 10 m
        page.keyboard.press("ArrowRight")
    assert "slides down to 2.8 kHz" in " ".join(told.split())
    says(page, peak="2.8 kHz", height="5.4 dB")
    assert len(lines(page)) == 2, "the pinned curve stays"
    assert page.get_by_label("You hear").is_visible()
    button(page, "Play").click()
    page.wait_for_selector(".lab-ear[data-state=playing]")
    page.get_by_role("button", name="B: cable 5 m").click()
    page.locator(".lab-ticket[data-letter=A]", has_text="to match").wait_for()
    button(page, "Stop").click()

    # 2. choose a pot
    button(page, "Start again").click()
    says(page, peak="3.5 kHz", height="4.2 dB")
    button(page, "Keep as B").click()
    unfold(page, "Parts inside")
    for pot in ("Volume pot", "Tone pot"):
        page.get_by_label(pot, exact=True).select_option(label="500 kΩ")
    says(page, peak="3.8 kHz", height="7.5 dB")
    choose_wiring(page, "volume with a parallel bleed")
    page.locator(".lab-panel, .lab-columns").get_by_text("capacitor and a resistor side by side").first.wait_for()

    # 3. wind a coil
    page.get_by_role("link", name="Winding", exact=True).first.click()
    page.get_by_text("What you hear most").wait_for()
    assert page.get_by_label("Turns", exact=True).is_visible()
    page.wait_for_selector("svg.lab-curve polygon, svg.lab-curve path", state="attached")

    # 4. measure it
    page.get_by_role("link", name="Measure", exact=True).first.click()
    page.get_by_text("6.21 kΩ").first.wait_for()
    assert "6.210 kΩ" in told
