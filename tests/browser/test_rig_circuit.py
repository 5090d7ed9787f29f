"""The rig page's circuit: drawn and as a formula while it is looked at, saved and opened."""

from __future__ import annotations

import pytest

pytestmark = pytest.mark.browser

RIG = "voila/render/rig.ipynb"
CURVE = ".lab-curve-holder svg polyline"


@pytest.mark.parametrize("width", [1280, 400])
def test_schematic_and_formula_open_and_follow_the_rig(visit, screenshots, width):
    seen = visit(RIG, ready=CURVE, width=width)
    page = seen.page
    page.get_by_text("Schematic of the rig as it stands").click()
    page.wait_for_selector(".lab-disclosed svg")
    page.get_by_text("Formula with your numbers").click()
    page.wait_for_selector("pre.lab-formula", timeout=60_000)
    assert "22 nF" in page.inner_text("pre.lab-formula").replace("\u00a0", " ")
    page.get_by_label("Tone capacitor", exact=True).select_option("47 nF")
    for shown in (".lab-disclosed svg", "pre.lab-formula"):
        follows = f"() => /47\\s*nF/.test(document.querySelector('{shown}').textContent)"
        page.wait_for_function(follows, timeout=60_000)
    page.screenshot(path=str(screenshots / f"rig-circuit-{width}.png"), full_page=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert (seen.errors, seen.outside, seen.failed) == ([], [], [])


def test_a_rig_sheet_is_saved_and_opened_again(visit, tmp_path):
    page = visit(f"{RIG}?v=1&volume=4", ready=CURVE).page
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Rig sheet", exact=True).click()
    saved = tmp_path / "mine.toml"
    waiting.value.save_as(saved)
    text = saved.read_text()
    assert "volume = 4" in text
    saved.write_text(text.replace("volume = 4.0", "volume = 7.0"))
    with page.expect_file_chooser() as choosing:
        page.get_by_role("button", name="Open a rig sheet").click()
    choosing.value.set_files(saved)
    page.wait_for_function("() => [...document.querySelectorAll('input')].some(field => /^7 of/.test(field.value))")
