"""Files that were opened on one page are there on the next, in the same tab and in no other."""

from __future__ import annotations

import io
import signal

import numpy as np
import pytest
import soundfile
from playwright.sync_api import expect

from labkit.app.kit.rig.opened import rig_sheet_text
from labkit.rig.sheet import load_rig
from tests.browser.conftest import kernel_of, settled

pytestmark = pytest.mark.browser

CURVE = "svg.lab-curve"
RIG = "Saltmarsh Lane, narrow single coil"


def choose(page, button, name: str, content: bytes) -> None:
    """Choose a file by a button."""
    with page.expect_file_chooser() as chooser:
        button.click()
    chooser.value.set_files({"name": name, "mimeType": "application/octet-stream", "buffer": content})


def rigs(page):
    return page.get_by_label("Rig", exact=True).locator("option")


def go_to(page, name: str) -> None:
    page.get_by_role("navigation", name="Pages").get_by_role("link", name=name, exact=True).click()
    page.wait_for_selector(CURVE)


def test_a_rig_sheet_and_a_recording_go_along_to_the_next_page_and_to_no_other_tab(visit):
    page = visit("voila/render/rig.ipynb", ready=CURVE).page
    sheet = rig_sheet_text(load_rig(RIG).replace(name="My own rig"))
    choose(page, page.get_by_role("button", name="Open a rig sheet"), "own.toml", sheet.encode())
    page.wait_for_function("() => location.search.includes('rig=sheet')")
    page.get_by_label("Rig", exact=True).select_option(RIG)
    page.wait_for_function("() => !location.search.includes('rig=sheet')")
    wav = io.BytesIO()
    soundfile.write(wav, 0.1 * np.sin(np.arange(24_000) / 9.0), 48_000, format="WAV")
    page.get_by_role("button", name="More about listening").click()
    choose(page, page.get_by_role("button", name="Choose a recording"), "riff.wav", wav.getvalue())
    through = page.get_by_label("It was made through")
    expect(through).to_be_visible()
    through.select_option("A, as it stands now")
    heard = page.get_by_label("You hear")
    expect(heard.locator("option:checked")).to_have_text("riff.wav")
    page.get_by_role("button", name="Close").click()
    settled(page)

    go_to(page, "Cable")
    expect(heard.locator("option:checked")).to_have_text("riff.wav")
    expect(rigs(page).filter(has_text="My own rig")).to_have_count(1)
    page.get_by_role("button", name="More about listening").click()
    expect(through.locator("option:checked")).to_have_text("A, as it stands now")
    page.get_by_role("button", name="Close").click()
    heard.select_option("E chord")
    settled(page)
    go_to(page, "Rig")
    expect(heard.locator("option", has_text="riff.wav")).to_have_count(1)
    settled(page)
    expect(heard.locator("option:checked")).to_have_text("E chord")

    other = page.context.new_page()
    other.goto(page.url)
    other.wait_for_selector(CURVE)
    settled(other)
    expect(other.get_by_label("You hear").locator("option", has_text="riff.wav")).to_have_count(0)
    expect(rigs(other).filter(has_text="My own rig")).to_have_count(0)


def test_sweeps_are_there_again_after_another_page_and_after_a_fault_but_not_when_removed(visit, lab, project_root):
    page = visit("voila/render/measure.ipynb", ready=CURVE).page
    demo = project_root / "labkit" / "data" / "demo_sweeps"
    for name in ("bare.csv", "loaded.csv"):
        choose(page, page.get_by_role("button", name="Choose sweep files"), name, (demo / name).read_bytes())
        expect(page.get_by_role("button", name=f"Remove {name}")).to_be_visible()
    page.get_by_role("button", name="Remove bare.csv").click()
    expect(page.get_by_role("button", name="Remove bare.csv")).to_have_count(0)
    go_to(page, "Rig")
    go_to(page, "Measure")
    expect(page.get_by_role("button", name="Remove loaded.csv")).to_be_visible()
    settled(page)
    kernel_of(page, lab).send_signal(signal.SIGKILL)
    page.wait_for_selector("html[data-lab-connection=ended]")
    assert "opened again" not in page.inner_text(".lab-banner")
    page.get_by_role("button", name="Go on").click()
    page.wait_for_selector("html[data-lab-connection=well]")
    expect(page.get_by_role("button", name="Remove loaded.csv")).to_be_visible()
    expect(page.get_by_role("button", name="Remove bare.csv")).to_have_count(0)


def test_an_opened_plan_is_the_plan_again_after_a_reload(visit, project_root):
    page = visit("voila/render/measure.ipynb?v=1&own.bench=readings", ready="h3").page
    plan = (project_root / "labkit" / "data" / "catalogue" / "pickups" / "narrow_single_coil.toml").read_bytes()
    choose(page, page.get_by_role("button", name="Open a pickup sheet as the plan"), "mine.toml", plan)
    chosen = page.get_by_label("It should be", exact=True).locator("option:checked")
    expect(chosen).to_contain_text("(opened)")
    page.wait_for_function("() => location.search.includes('opened')")
    settled(page)
    page.reload()
    expect(chosen).to_contain_text("(opened)")
