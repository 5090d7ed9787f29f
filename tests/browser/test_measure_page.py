"""The measure page in a real browser: own sweeps in, values out, limits told in words."""

from __future__ import annotations

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from labkit.app.pages.measure.sweeps import demo_files
from tests.browser.conftest import settled

pytestmark = pytest.mark.browser

MEASURE = "voila/render/measure.ipynb"
READY = "svg.lab-residual"


def _numbers(page) -> str:
    return page.inner_text("dl.lab-numbers")


def _drop(page, files) -> None:
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose sweep files").click()
    chooser.value.set_files(files)


@pytest.mark.parametrize("width", [1280, 400])
@pytest.mark.parametrize(
    ("name", "query", "ready"),
    [
        ("sweeps", "", READY),
        ("readings", "?v=1&own.bench=readings", "h3"),
        ("recordings", "?v=1&own.bench=recordings", ".lab-recorder-next"),
    ],
)
def test_it_opens_with_something_measured_quiet_local_and_accessible(visit, screenshots, width, name, query, ready):
    seen = visit(MEASURE + query, ready=ready, width=width)
    page = seen.page
    settled(page)
    page.screenshot(path=str(screenshots / f"measure-{name}-{width}.png"), full_page=True)
    assert "weak magnet" in _numbers(page) if name == "readings" else "Inductance" in _numbers(page)
    assert seen.errors == []
    assert seen.outside == []
    assert seen.failed == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    faults = [fault for fault in Axe().run(page).response["violations"] if fault["impact"] in ("serious", "critical")]
    assert [(fault["id"], [node["html"][:160] for node in fault["nodes"]]) for fault in faults] == []


def test_own_sweeps_become_a_pickup_sheet_and_a_pickup_of_the_rig(visit, screenshots, tmp_path):
    """The demo's files come back as somebody's own: with their loads said, the same values must come out."""
    seen = visit(MEASURE, ready=READY, accept_downloads=True)
    page = seen.page
    known = _numbers(page)
    bare, loaded = demo_files()
    for given in (bare, loaded):
        (tmp_path / given.name).write_bytes(given.content)
    _drop(page, [tmp_path / bare.name, tmp_path / loaded.name])
    page.wait_for_selector(".lab-upload-files li:nth-child(2) button")
    page.wait_for_selector(f".lab-group h2:has-text('Load in {loaded.name}')")

    def choose(label: str, option: str, group: str = "") -> None:
        box = page.locator("section.lab-group", has_text=group) if group else page
        box.get_by_label(label, exact=True).select_option(label=option)

    choose("Meter input", "1 MΩ")
    choose("Meter and probe capacitance", "30 pF")
    group = page.locator("section.lab-group", has=page.get_by_role("heading", name=f"Load in {loaded.name}"))
    group.get_by_label("Resistor across it", exact=True).select_option(label="200 kΩ")
    group.get_by_label("Capacitor across it", exact=True).select_option(label="470 pF")
    page.get_by_label("Resistance by ohmmeter, type a value").fill("6.21 kΩ")
    page.keyboard.press("Enter")
    page.wait_for_function("known => document.querySelector('dl.lab-numbers').innerText === known", arg=known)
    page.screenshot(path=str(screenshots / "measure-own-1280.png"), full_page=True)
    with page.expect_download() as download:
        page.get_by_role("button", name="Save as pickup sheet").click()
    sheet = tmp_path / "fitted.toml"
    download.value.save_as(sheet)
    assert 'sheet = "pickup"' in sheet.read_text(encoding="utf-8")
    page.get_by_role("link", name=re.compile("Use it in my rig")).first.click()
    page.wait_for_selector("svg.lab-curve")
    assert "made%3A" in page.url
    # the page shows the usual rig first and takes the state of its address a moment later
    page.wait_for_function("document.querySelector('.lab-controls').innerText.includes('measured')")
    assert seen.errors == []
    assert seen.outside == []


def test_what_is_no_sweep_is_refused_in_words_and_the_page_lives_on(visit, tmp_path):
    seen = visit(MEASURE, ready=READY)
    page = seen.page
    before = _numbers(page)
    huge, bomb, odd = tmp_path / "huge.csv", tmp_path / "bomb.zip", tmp_path / "<img src=x onerror=alert(1)>.csv"
    with huge.open("wb") as stream:
        stream.truncate(200_000_000)
    bomb.write_bytes(b"PK\x03\x04" + bytes(60_000))
    odd.write_text("Frequency,Level\n", encoding="utf-8")
    said = page.locator(".lab-upload-zone .lab-error").first
    _drop(page, [huge])
    page.wait_for_function("() => document.querySelector('.lab-upload-zone .lab-error').textContent.includes('200 MB')")
    assert "a sweep has at most 4.0 MB" in said.inner_text()
    _drop(page, [bomb])
    page.wait_for_function("() => document.querySelector('.lab-upload-zone .lab-error').textContent.includes('packed')")
    assert "is not opened here" in said.inner_text()
    assert _numbers(page) == before
    _drop(page, [odd])
    page.wait_for_selector(".lab-upload-files li .lab-error")
    assert page.locator(".lab-upload-files img").count() == 0
    page.get_by_role("button", name="Remove").click()
    page.wait_for_function("known => document.querySelector('dl.lab-numbers').innerText === known", arg=before)
    assert seen.errors == []


def test_an_ambiguous_file_asks_and_takes_the_answer(visit, tmp_path):
    seen = visit(MEASURE, ready=READY)
    page = seen.page
    rows = "".join(f"{f:.0f},{(4 + f / 100) % 30 + 2:.2f}\n" for f in (100 * 1.12**n for n in range(40)))
    odd = tmp_path / "two ways.csv"
    odd.write_text(f"Frequency (Hz),value\n{rows}", encoding="utf-8")
    _drop(page, [odd])
    page.wait_for_selector(".lab-upload-files li .lab-error")
    assert "State the magnitude unit" in page.inner_text(".lab-upload-files")
    page.get_by_label("Magnitude in", exact=True).select_option(label="kΩ")
    page.wait_for_function("() => document.querySelector('.lab-upload-files').innerText.includes('40 points')")
    assert page.locator(".lab-upload-files li .lab-error").count() == 0
    assert seen.errors == []


def test_readings_change_the_verdict_and_undo_brings_it_back(visit):
    page = visit(MEASURE + "?v=1&own.bench=readings", ready="h3").page
    field = page.get_by_label("DC resistance, type a value")
    expect(field).not_to_have_value("")
    # a control whose value has yet to come from the address takes it over what is typed
    settled(page)
    before = _numbers(page)
    field.fill("3.1 kΩ")
    page.keyboard.press("Enter")
    page.wait_for_function("before => document.querySelector('dl.lab-numbers').innerText !== before", arg=before)
    page.get_by_role("button", name="Undo").click()
    page.wait_for_function("before => document.querySelector('dl.lab-numbers').innerText === before", arg=before)
