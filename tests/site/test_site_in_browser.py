"""The site with the browser's own Python, served by nothing but ``python -m http.server``."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from labkit.app.kit.page_state import RigCurve
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.site.site import PAGES, write_site
from labkit.rig.sheet import load_rig
from tests.browser.conftest import PATIENCE_MS
from tests.browser.test_five_tasks import Hands, heard, play, ticket

LIVE = ".lab-page .lab-curve-holder svg"
WATCH_PICTURE = """
  new MutationObserver(() => { if (document.querySelector("#lab-first > div")) window.hadPicture = true; })
    .observe(document, { childList: true, subtree: true });
"""
KEPT = "These pages are kept in this browser"


@pytest.fixture(scope="module")
def site(runtime, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("site")
    assert write_site(folder, runtime) <= 20e6
    return folder


@pytest.fixture(scope="module")
def found(site) -> dict:
    """What the browser's Python says, run without a browser."""
    if not (node := shutil.which("node")):
        pytest.skip("node is not installed; it runs the browser's Python without a browser")
    script = Path(__file__).with_name("curves_in_node.js")
    asked = json.dumps({"rigs": list(RigOffers().rigs), "pages": PAGES})
    done = subprocess.run([node, str(script), str(site)], input=asked, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["system"] == "emscripten"
    return found


def test_curves_are_those_of_this_machine(found):
    for name in RigOffers().rigs:
        native = RigCurve.of(load_rig(name)).gain_db
        # the same formulas on the same kind of doubles: only the order of roundings in libraries may differ
        np.testing.assert_allclose(found["curves"][name], native, rtol=0, atol=1e-9)


@pytest.mark.parametrize("page", PAGES)
def test_every_page_draws_its_curve_in_the_browsers_python(found, page):
    assert "polyline" in found["pages"][page]


def test_a_blind_test_gets_its_three_sounds_in_the_browsers_python(found):
    assert found["sounds"] == 3


@pytest.fixture
def served(site) -> Iterator[tuple[str, subprocess.Popen]]:
    """The site at an address, and the process that serves it."""
    command = [sys.executable, "-u", "-m", "http.server", "0", "--bind", "127.0.0.1", "--directory", str(site)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    port = process.stdout.readline().split(" port ")[1].split()[0]
    yield f"http://127.0.0.1:{port}/", process
    process.kill()
    process.wait()
    process.stdout.close()


@pytest.mark.browser
def test_two_tasks_are_done_without_a_network_after_the_first_visit(served, browser):
    from playwright.sync_api import expect

    address, process = served
    with browser.new_context() as context:
        context.set_default_timeout(PATIENCE_MS)
        expect.set_options(timeout=PATIENCE_MS)
        page, errors, asked = context.new_page(), [], []
        page.on("console", lambda said: errors.append(said.text) if said.type == "error" else None)
        page.on("pageerror", lambda fault: errors.append(str(fault)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(address + "cable.html")
        expect(page.get_by_role("heading", level=1)).to_have_text("How long may the cable be?")
        expect(page.get_by_text(KEPT)).to_be_visible()
        process.kill()  # from here on there is no server, and no network either
        process.wait()
        context.set_offline(True)

        page.add_init_script(WATCH_PICTURE)
        page.reload()  # hear 10 m of cable against 3 m
        page.wait_for_selector(LIVE)
        assert not page.evaluate("window.hadPicture")  # an address without a rig: the picture is in the page
        hands = Hands(page)
        hands.click(page.get_by_label("Length, A, type a value"))
        hands.press("1", "0", "Enter")
        expect(ticket(page, "A")).to_contain_text("10 m")
        page.wait_for_function("() => location.search.includes('cable.length=10')")
        hands.click(play(page))
        heard(page, "A", "10 m")
        hands.click(ticket(page, "B"))
        heard(page, "B", "3 m")

        # hear pots of 250 against 500 kilohms; the rig comes along to the other page
        page.get_by_role("navigation", name="Pages").get_by_role("link", name="Pots and caps").click()
        page.wait_for_url("**/pots_and_capacitors.html?*cable.length=10*")
        page.wait_for_selector(LIVE)
        hands.click(page.get_by_role("radio", name="Pot values", exact=True))
        expect(ticket(page, "B")).to_contain_text("500 kΩ")
        heard(page, "A", "250 kΩ")  # the sound of the page before goes on
        hands.click(ticket(page, "B"))
        heard(page, "B", "500 kΩ")
        page.reload()  # an address that this browser has shown: its picture comes before Python does
        page.wait_for_selector(LIVE)
        assert page.evaluate("window.hadPicture")
        assert not errors
        assert all(url.startswith((address, "data:", "blob:")) for url in asked)
