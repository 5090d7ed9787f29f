"""The pages in Firefox: each comes without an error and within its width; A and B are played and swapped by keys."""

from __future__ import annotations

import shutil

import pytest

from tests.browser.firefox import Firefox, NoFirefoxError
from tests.browser.test_every_page import PAGES

pytestmark = pytest.mark.browser

BAR = "document.querySelector('.lab-ear')"


@pytest.fixture(scope="module")
def firefox(tmp_path_factory):
    # allowed to be absent everywhere: not every system has it as a package
    path = shutil.which("firefox-esr") or shutil.which("firefox")
    if path is None:
        pytest.skip("install firefox (Debian: apt-get install firefox-esr)")
    try:
        running = Firefox(path, tmp_path_factory.mktemp("firefox"))
    except NoFirefoxError as error:
        pytest.skip(str(error))
    yield running
    running.close()


@pytest.mark.parametrize("name", ["start", "rig", "winding", "measure"])
def test_a_page_comes_whole_and_within_its_width(firefox, lab, name):
    path, ready = PAGES[name]
    firefox.errors.clear()
    firefox.open(lab.address + path)
    firefox.wait_for(f"document.querySelector({ready!r}) !== null && {BAR}?.dataset.state === 'stopped'")
    for width in (1280, 400):
        firefox.resize(width)
        firefox.wait_for(f"document.documentElement.scrollWidth <= {width}")
        play = f"{BAR}.querySelector('.lab-play').getBoundingClientRect()"
        assert firefox.evaluate(f"{play}.bottom") <= 900
    assert firefox.errors == []


def test_a_and_b_are_played_and_swapped_by_keys(firefox, lab):
    path, ready = PAGES["rig"]
    firefox.errors.clear()
    firefox.open(lab.address + path)
    firefox.wait_for(f"document.querySelector({ready!r}) !== null")
    firefox.wait_for("document.querySelector('.lab-ticket[data-letter=B]').textContent.includes('cable')")
    firefox.press(" ")
    firefox.wait_for(f"{BAR}.dataset.state === 'playing'")
    firefox.press("x")
    heard = "document.querySelector('.lab-ticket[aria-pressed=true]').dataset.letter"
    assert firefox.evaluate(heard) == "B"
    # what sounds is judged in the other browser: without a sound output this one does not start its clock
    firefox.press("\ue00c")  # Escape, as WebDriver names it
    firefox.wait_for(f"{BAR}.dataset.state === 'stopped'")
    assert firefox.errors == []
