"""What a page does when its server, its kernel or its sound fails, and while it waits for the state of its address."""

from __future__ import annotations

import os
import signal

import psutil
import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.browser.conftest import leave, start_server, stop_server

pytestmark = pytest.mark.browser

RIG = "voila/render/rig.ipynb"
CURVE = ".lab-curve-holder svg polyline"
PAGES = {
    "rig": CURVE,
    "winding": CURVE,
    "cable": CURVE,
    "pots_and_capacitors": CURVE,
    "measure": CURVE,
    "tolerance_and_search": CURVE,
    "listening_test": CURVE,
    "how_far_to_trust_it": ".lab-board",
    "panel": ".lab-page h1",
}
KEEP_SOCKETS = """
window.sockets = [];
const Plain = WebSocket;
window.WebSocket = class extends Plain { constructor(...given) { super(...given); window.sockets.push(this); } };
"""


@pytest.fixture
def own_lab(chromium_path):
    """A lab that a test may stop and break."""
    server = start_server("--port", "0", "--no-browser")
    yield server
    os.kill(server.process.pid, signal.SIGCONT)
    stop_server(server)


def state_is(page, state: str) -> None:
    """Wait until the page says how its connection stands."""
    page.wait_for_selector(f"html[data-lab-connection={state}]")


def banner(page) -> str:
    """The words that stand at the foot of the page."""
    return page.inner_text(".lab-banner") if page.locator(".lab-banner").is_visible() else ""


def kernel_of(page, server) -> psutil.Process:
    """The process behind a page."""
    number = page.evaluate("JSON.parse(document.getElementById('jupyter-config-data').textContent).kernelId")
    found = [child for child in psutil.Process(server.process.pid).children() if number in " ".join(child.cmdline())]
    assert len(found) == 1
    return found[0]


def type_length(page, text: str, shown: str) -> None:
    """Type a cable's length and wait until the address has it."""
    page.get_by_label("Cable length, type a value").fill(text)
    page.keyboard.press("Enter")
    page.wait_for_function("(text) => location.search.includes(text)", arg=shown)


def faults(page) -> list:
    """What axe finds."""
    found = Axe().run(page).response["violations"]
    return [(fault["id"], [node["html"][:160] for node in fault["nodes"]]) for fault in found]


@pytest.mark.parametrize("width", [1280, 400])
def test_a_lost_network_is_told_and_the_words_go_by_themselves(visit, screenshots, width):
    seen = visit(f"{RIG}?v=1&tone=3", ready=CURVE, width=width)
    page = seen.page
    assert banner(page) == ""
    page.context.set_offline(True)
    state_is(page, "lost")
    assert banner(page) == "Connection to the lab lost, trying again. Your settings are kept."
    assert page.locator(".lab-banner [role=status]").inner_text() != ""
    page.screenshot(path=str(screenshots / f"connection-lost-{width}.png"))
    assert faults(page) == []
    # what is moved meanwhile is not lost
    page.get_by_label("Cable length, type a value").fill("25")
    page.keyboard.press("Enter")
    page.context.set_offline(False)
    state_is(page, "well")
    assert banner(page) == ""
    page.wait_for_function("() => location.search.includes('cable.length=25') && location.search.includes('tone=3')")
    assert "Connected again" in page.inner_text("#lab-live")


def test_a_dropped_socket_is_opened_again_and_the_page_goes_on(browser, lab):
    context = browser.new_context()
    context.set_default_timeout(90_000)
    try:
        context.add_init_script(KEEP_SOCKETS)
        page = context.new_page()
        page.goto(f"{lab.address}{RIG}?v=1&tone=3")
        page.wait_for_selector(CURVE)
        page.wait_for_function("() => window.jupyterapp?.widgetManager?.kernel?.connectionStatus === 'connected'")
        # as often as the library tries before it gives up
        for _ in range(9):
            before = page.evaluate("window.sockets.length")
            page.evaluate("window.sockets.at(-1).close()")
            page.wait_for_function("(before) => window.sockets.length > before", arg=before)
            page.wait_for_function("() => window.jupyterapp.widgetManager.kernel.connectionStatus === 'connected'")
        state_is(page, "well")
        type_length(page, "25", "cable.length=25")
        assert "tone=3" in page.url
    finally:
        leave(context)


def test_a_library_that_has_given_up_is_made_to_try_again(visit):
    page = visit(f"{RIG}?v=1&tone=3", ready=CURVE).page
    page.wait_for_function("() => window.jupyterapp?.widgetManager?.kernel?.connectionStatus === 'connected'")
    # nothing of the library's own asks again after this
    page.evaluate(
        """() => { const kernel = window.jupyterapp.widgetManager.kernel;
          kernel._clearSocket(); kernel._updateConnectionStatus("disconnected"); }"""
    )
    page.wait_for_function("() => window.jupyterapp.widgetManager.kernel.connectionStatus === 'connected'")
    state_is(page, "well")
    type_length(page, "25", "cable.length=25")


def test_a_server_that_stands_still_and_goes_on_leaves_the_page_as_it_was(visit, own_lab):
    page = visit(f"{RIG}?v=1&tone=3", ready=CURVE, server=own_lab).page
    os.kill(own_lab.process.pid, signal.SIGSTOP)
    state_is(page, "lost")
    os.kill(own_lab.process.pid, signal.SIGCONT)
    state_is(page, "well")
    type_length(page, "25", "cable.length=25")
    assert "tone=3" in page.url


@pytest.mark.parametrize("name", PAGES)
def test_a_page_keeps_its_last_picture_when_its_kernel_dies(visit, lab, name):
    page = visit(f"voila/render/{name}.ipynb", ready=PAGES[name]).page
    before = page.locator(PAGES[name].split()[0]).first.bounding_box()
    kernel_of(page, lab).send_signal(signal.SIGKILL)
    state_is(page, "ended")
    assert "what you see is its last picture" in banner(page)
    assert page.locator(".lab-banner [role=alert]").inner_text() != ""
    assert page.get_by_role("button", name="Go on").is_visible()
    assert page.locator(PAGES[name]).first.is_visible()
    assert page.locator(PAGES[name].split()[0]).first.bounding_box() == before
    marks = "[...document.querySelectorAll('*')].map((node) => getComputedStyle(node, '::before').content)"
    assert [mark for mark in page.evaluate(marks) if "\uf127" in mark] == []
    alive = "#rendered_cells :is(button, input, select, textarea):enabled:not([data-local], [data-local] *)"
    assert page.locator(alive).count() == 0


@pytest.mark.parametrize("width", [1280, 400])
def test_the_page_goes_on_with_its_state_after_its_kernel_died(visit, lab, screenshots, width):
    page = visit(f"{RIG}?v=1&tone=3&pin=cable.length%3D3", ready=CURVE, width=width).page
    type_length(page, "25", "cable.length=25")
    page.wait_for_selector(".lab-pins li")
    numbers = page.inner_text(".lab-numbers")
    kernel_of(page, lab).send_signal(signal.SIGKILL)
    state_is(page, "ended")
    page.screenshot(path=str(screenshots / f"kernel-ended-{width}.png"))
    assert faults(page) == []
    assert page.inner_text(".lab-numbers") == numbers
    page.get_by_role("button", name="Go on").click()
    state_is(page, "well")
    page.wait_for_selector(".lab-pins li")
    assert page.get_by_label("Cable length, type a value").input_value() == "25 m"
    assert "tone=3" in page.url
    assert page.inner_text(".lab-numbers") == numbers


def test_going_on_waits_for_a_lab_that_is_away(visit, lab):
    page = visit(f"{RIG}?v=1&tone=3", ready=CURVE).page
    kernel_of(page, lab).send_signal(signal.SIGKILL)
    state_is(page, "ended")
    page.context.set_offline(True)
    page.get_by_role("button", name="Go on").click()
    page.wait_for_function("() => document.querySelector('.lab-banner').innerText.includes('does not answer yet')")
    assert page.locator(CURVE).first.is_visible()
    page.context.set_offline(False)
    page.get_by_role("button", name="Go on").click()
    state_is(page, "well")
    page.wait_for_selector(CURVE)
    assert "tone=3" in page.url
