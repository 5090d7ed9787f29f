"""A blind test in a real browser: practice, answers by key and tap, a reload in the middle, the result as a file."""

from __future__ import annotations

import hashlib
import json
import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from tests.browser.conftest import settled

pytestmark = pytest.mark.browser

TEST = "voila/render/listening_test.ipynb"
DESK = ".lab-desk"


def at(page, stage: str, trial: int | None = None) -> None:
    """Wait for a stage, and for the sounds of a trial."""
    wanted = f'{DESK}[data-stage="{stage}"]' + (f'[data-trial="{trial}"][data-ready="{trial}"]' if trial else "")
    page.wait_for_selector(wanted)


def answer_by_key(page, trial: int, key: str) -> None:
    """Listen to X and answer, no faster than the page takes it."""
    at(page, "trial", trial)
    page.keyboard.press("x")
    page.wait_for_selector(f'{DESK}[data-sounding="2"]')
    page.wait_for_timeout(320)
    page.keyboard.press(key)


def test_a_blind_test_from_choice_to_result(visit, screenshots, tmp_path):
    seen = visit(f"{TEST}?v=1&cable.length=3&pin=cable.length%3D10&own.trials=5", ready=f"{DESK}[data-stage=choose]")
    page = seen.page
    page.wait_for_selector("svg.lab-curve")
    expect(page.locator(DESK)).to_contain_text("Cable length 3 m against 10 m")
    page.get_by_role("button", name="Make the sounds").click()
    at(page, "practice")
    page.wait_for_selector(f"{DESK}[data-ready]")
    assert "damages hearing" in page.inner_text(DESK)
    page.screenshot(path=str(screenshots / "listening-test-practice.png"))

    # practice answers at once, and only after X was heard
    page.get_by_role("button", name="X is A").click()
    assert "Listen to X first" in page.inner_text(f"{DESK} .lab-said")
    page.get_by_role("button", name="Listen to X").click()
    page.wait_for_timeout(320)
    page.get_by_role("button", name="X is A").click()
    page.wait_for_function(
        "() => /It was Cable length/.test(document.querySelector('.lab-desk .lab-said').textContent)"
    )

    page.get_by_role("button", name="Begin the test").click()
    answer_by_key(page, 1, "1")
    at(page, "trial", 2)
    fingerprint = re.search(r"\b[0-9a-f]{8}\b", page.inner_text(".lab-seal"))[0]
    kept = json.loads(page.evaluate("localStorage.getItem('labkit.listening-test')"))
    assert [answer for answer, _ in kept["answers"]] == ["a"]
    assert not {"seed", "nonce", "plan", "key"} & set(kept)

    # an interrupted test goes on with the same sealed plan in another kernel
    page.reload()
    page.wait_for_selector(f"{DESK}[data-stage=choose]")
    page.get_by_role("button", name="Go on with it").click()
    at(page, "trial", 2)
    assert fingerprint in page.inner_text(".lab-seal")
    answer_by_key(page, 2, "2")
    answer_by_key(page, 3, "3")
    answer_by_key(page, 4, "1")
    at(page, "trial", 5)
    page.screenshot(path=str(screenshots / "listening-test-trial.png"))
    page.get_by_role("button", name="Listen to X").click()
    page.wait_for_timeout(320)
    page.get_by_role("button", name="Could not tell").click()

    at(page, "answered")
    page.get_by_role("button", name="Open the result").click()
    at(page, "result")
    page.screenshot(path=str(screenshots / "listening-test-result.png"))
    text = page.inner_text(DESK)
    assert "of 3" in text
    assert "twice" in text or "2 times" in text
    with page.expect_download() as download:
        page.get_by_role("button", name="Save the result").click()
    path = tmp_path / "result.json"
    download.value.save_as(path)
    result = json.loads(path.read_text(encoding="utf-8"))
    assert [trial["answer"] for trial in result["trials"]] == ["a", "b", "cannot tell", "a", "cannot tell"]
    # anybody can check the seal with a hash tool: the key as canonical JSON
    key = json.dumps(result["key"], sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert hashlib.sha256(key.encode()).hexdigest().startswith(fingerprint)
    assert (seen.errors, seen.outside, seen.failed) == ([], [], [])


@pytest.mark.parametrize("width", [1280, 400])
def test_every_stage_is_accessible_and_fits_the_width(visit, screenshots, width):
    page = visit(TEST, ready=f"{DESK}[data-stage=choose]", width=width, height=860).page
    page.wait_for_selector("svg.lab-curve")

    def check(stage: str) -> None:
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        faults = Axe().run(page).response["violations"]
        assert [(fault["id"], [node["html"][:160] for node in fault["nodes"]]) for fault in faults] == [], stage
        page.screenshot(path=str(screenshots / f"listening-test-{stage}-{width}.png"), full_page=True)

    check("choose")
    page.get_by_role("button", name="Make the sounds").click()
    at(page, "practice")
    page.wait_for_selector(f"{DESK}[data-ready]")
    check("practice")
    page.get_by_role("button", name="Begin the test").click()
    answer_by_key(page, 1, "1")
    at(page, "trial", 2)
    check("trial")
    page.get_by_role("button", name="End the test now").click()
    page.get_by_role("button", name="Yes, open the result").click()
    at(page, "result")
    page.locator("summary").click()
    check("result")


def test_the_three_sounds_reach_the_ear_at_one_level_and_the_keys_can_be_switched_off(visit):
    page = visit(TEST, ready=f"{DESK}[data-stage=choose]").page
    page.get_by_role("button", name="Make the sounds").click()
    at(page, "practice")
    page.wait_for_selector(f"{DESK}[data-ready]")
    page.get_by_label("Use the keyboard").uncheck()
    page.keyboard.press("a")
    settled(page)
    assert page.get_attribute(DESK, "data-sounding") == ""
    page.get_by_label("Use the keyboard").check()
    page.keyboard.press("a")
    page.wait_for_selector(f'{DESK}[data-sounding="0"]')
    page.keyboard.press("Escape")
    page.wait_for_selector(f'{DESK}[data-sounding=""]')
    # a quarter of the way up is 6 % of the samples' level: a quiet start
    assert page.get_by_label("Loudness").input_value() == "25"
