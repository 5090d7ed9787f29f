"""The rig page's circuit: drawn and as a formula while it is looked at, saved and opened."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import choose_wiring, unfold

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
    page.wait_for_selector("pre.lab-formula")
    formulas = page.locator("pre.lab-formula")  # the closed forms, and the whole one folded away
    assert "22 nF" in " ".join(formulas.all_text_contents()).replace("\u00a0", " ")
    unfold(page, "Parts inside")
    page.get_by_label("Tone capacitor", exact=True).select_option("47 nF")
    for shown in (".lab-disclosed svg", "pre.lab-formula"):
        follows = f"() => [...document.querySelectorAll('{shown}')].some((each) => /47\\s*nF/.test(each.textContent))"
        page.wait_for_function(follows)
    page.screenshot(path=str(screenshots / f"rig-circuit-{width}.png"), full_page=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert (seen.errors, seen.outside, seen.failed) == ([], [], [])


@pytest.mark.parametrize("width", [1280, 400])
def test_what_a_position_does_is_told_and_tabulated(visit, screenshots, width):
    seen = visit(RIG, ready=CURVE, width=width)
    page = seen.page
    choose_wiring(page, "two pickups, phase switch")
    page.locator("[data-key=neck] select").first.select_option("narrow single coil, reversed")
    told = page.locator("#rendered_cells")
    expect(told).to_contain_text("in phase. Hum: cancels: −34 dB at 100 Hz", use_inner_text=True)
    page.get_by_text("What each position does").click()
    page.wait_for_selector(".lab-disclosed table")
    rows = page.locator(".lab-disclosed tbody tr").all_inner_texts()
    assert len(rows) == 6
    assert "out of phase" in next(row for row in rows if row.startswith("phase reversed, selector both"))
    page.screenshot(path=str(screenshots / f"rig-positions-{width}.png"), full_page=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert (seen.errors, seen.outside, seen.failed) == ([], [], [])


def test_a_wiring_that_passes_no_signal_says_so_on_the_page(visit, tmp_path, screenshots):
    page = visit(RIG, ready=CURVE).page
    sheet = tmp_path / "swapped.toml"
    sheet.write_text(
        'sheet = "rig"\nformat = 1\nname = "swapped lugs"\n[harness]\nname = "lugs swapped"\npickups = ["bridge"]\n'
        'output = "tip"\n[harness.parts.volume]\nkind = "pot"\nnodes = ["ground", "tip", "bridge.hot"]\n'
        'value = "250k"\n[pickups]\nbridge = "narrow single coil"\n'
    )
    with page.expect_file_chooser() as choosing:
        page.get_by_role("button", name="Open a rig sheet").click()
    choosing.value.set_files(sheet)
    page.wait_for_selector(".lab-warnings")
    said = page.inner_text(".lab-warnings")
    assert "No signal reaches the jack with 'volume' at 10" in said
    assert page.inner_text(".lab-numbers").count("silent") == 3
    page.screenshot(path=str(screenshots / "rig-silent-1280.png"), full_page=True)


def test_a_rig_sheet_is_saved_and_opened_again(visit, tmp_path):
    page = visit(f"{RIG}?v=1&volume=4", ready=CURVE).page
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Save rig", exact=True).click()
    saved = tmp_path / "mine.toml"
    waiting.value.save_as(saved)
    text = saved.read_text()
    assert "volume = 4" in text
    saved.write_text(text.replace("volume = 4.0", "volume = 7.0"))
    with page.expect_file_chooser() as choosing:
        page.get_by_role("button", name="Open a rig sheet").click()
    choosing.value.set_files(saved)
    page.wait_for_function("() => [...document.querySelectorAll('input')].some(field => /^7 of/.test(field.value))")


def test_another_wiring_and_a_longer_line_bring_their_controls_and_come_back(visit, screenshots):
    page = visit(RIG, ready=CURVE).page
    choose_wiring(page, "two pickups, phase switch")
    page.wait_for_selector("[data-key=neck]")
    unfold(page, "Add or disconnect")
    page.get_by_role("radio", name="buffered").check(force=True)
    page.wait_for_selector("[data-key=buffer]")
    page.get_by_label("Pedal before the amp", exact=True).select_option("a volume pedal")
    pedal = page.get_by_role("slider", name="Volume pedal", exact=True)
    pedal.wait_for()
    numbers = page.inner_text(".lab-numbers")
    pedal.fill("40")
    page.wait_for_function("before => document.querySelector('.lab-numbers').innerText !== before", arg=numbers)
    page.wait_for_function("() => location.search.includes('volume+pedal.position=4')")
    page.screenshot(path=str(screenshots / "rig-wiring-1280.png"), full_page=True)
    again = visit(RIG + page.evaluate("location.search"), ready=CURVE).page
    again.wait_for_selector("[data-key='volume pedal.position']")
    again.wait_for_function(
        "numbers => document.querySelector('.lab-numbers').innerText === numbers",
        arg=page.inner_text(".lab-numbers"),
    )


def test_a_saved_sheet_opens_again_and_a_bad_one_is_told_beside_the_button(visit, tmp_path):
    page = visit(f"{RIG}?v=1&volume.value=330000", ready=CURVE).page
    page.wait_for_function(
        "() => document.querySelector('[data-key=\"volume.value\"] option:checked').text === '330 kΩ'"
    )
    with page.expect_download() as download:
        page.get_by_role("button", name="Save rig", exact=True).click()
    saved = tmp_path / "mine.toml"
    download.value.save_as(saved)
    saved.write_text(
        saved.read_text("utf-8").replace('name = "Saltmarsh Lane, narrow single coil"', 'name = "My <b>bench</b>"', 1),
        "utf-8",
    )
    bad = tmp_path / "bad.toml"
    bad.write_text('sheet = "rig"\nformat = 1\nname = "x"\nharness = "../secret.toml"\n', "utf-8")
    for path in (bad, saved):
        with page.expect_file_chooser() as chooser:
            page.get_by_role("button", name="Open a rig sheet").click()
        chooser.value.set_files(str(path))
        if path is bad:
            page.get_by_text("a browser sends only the sheet itself").wait_for()
    page.wait_for_function("() => location.search.includes('rig=sheet')")
    assert page.get_by_label("Rig", exact=True).locator("option:checked").inner_text() == "My <b>bench</b>"
    again = visit(RIG + page.evaluate("location.search"), ready=CURVE).page
    again.wait_for_function("() => document.querySelector('[data-key=rig] option:checked').text === 'My <b>bench</b>'")
    expect(again.get_by_label("Volume pot", exact=True).locator("option:checked")).to_have_text("330 kΩ")
