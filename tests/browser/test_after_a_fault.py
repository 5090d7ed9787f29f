"""What a page does when its server, its kernel or its sound fails, and while it waits for the state of its address."""

from __future__ import annotations

import os
import signal
from contextlib import suppress
from urllib.parse import quote_plus

import psutil
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from tests.browser.conftest import kernel_of, leave, profile, settled, start_server, stop_server, unfold

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


@pytest.fixture
def hold():
    """``hold(process)`` makes a process stand still; it ends with the test, since it would keep its pipes open."""
    held = []

    def still(process: psutil.Process) -> None:
        held.append(process)
        process.suspend()

    yield still
    for process in held:
        with suppress(psutil.NoSuchProcess):
            process.kill()


def state_is(page, state: str) -> None:
    """Wait until the page says how its connection stands."""
    page.wait_for_selector(f"html[data-lab-connection={state}]")


def banner(page) -> str:
    """The words that stand at the foot of the page."""
    return page.inner_text(".lab-banner") if page.locator(".lab-banner").is_visible() else ""


def type_length(page, text: str, shown: str) -> None:
    """Type a cable's length and wait until the address has it."""
    page.get_by_label("Cable length, type a value", exact=True).fill(text)
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
    page.get_by_label("Cable length, type a value", exact=True).fill("25")
    page.keyboard.press("Enter")
    page.context.set_offline(False)
    state_is(page, "well")
    assert banner(page) == ""
    page.wait_for_function("() => location.search.includes('cable.length=25') && location.search.includes('tone=3')")
    assert "Connected again" in page.inner_text("#lab-live")


def test_a_dropped_socket_is_opened_again_and_the_page_goes_on(browser, lab):
    context = profile(browser)
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
    settled(page)
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
    assert faults(page) == []


@pytest.mark.parametrize("width", [1280, 400])
def test_the_page_goes_on_with_its_state_after_its_kernel_died(visit, lab, screenshots, width):
    page = visit(f"{RIG}?v=1&tone=3&pin=cable.length%3D3", ready=CURVE, width=width).page
    type_length(page, "25", "cable.length=25")
    page.wait_for_selector(".lab-ticket[data-letter=B]:not(.lab-empty)")
    numbers = page.inner_text(".lab-numbers")
    kernel_of(page, lab).send_signal(signal.SIGKILL)
    state_is(page, "ended")
    page.screenshot(path=str(screenshots / f"kernel-ended-{width}.png"))
    assert faults(page) == []
    assert page.inner_text(".lab-numbers") == numbers
    page.get_by_role("button", name="Go on").click()
    state_is(page, "well")
    expect(page.get_by_label("Cable length, type a value", exact=True)).to_have_value("25 m")
    settled(page)
    page.wait_for_selector(".lab-ticket[data-letter=B]:not(.lab-empty)")
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


# sound

SLOW = """
import os, pathlib, time
del os.environ["QUERY_STRING"]  # so that the page has to be told its address
from labkit.app.kit import page as bench_page
from labkit.app.pages.rig.page import panel
gate, opened = pathlib.Path({gate!r}), bench_page.CurvePage._open
def slowly(page, query):
    while not gate.exists():
        time.sleep(0.05)
    opened(page, query)
    gate.with_name("answered").touch()
bench_page.CurvePage._open = slowly
panel()
"""
DEAF_SOCKETS = """
window.sockets = [];
const Plain = WebSocket;
window.WebSocket = class extends Plain {
  constructor(...given) {
    super(...given);
    window.sockets.push(this);
    this.addEventListener("message", (event) => { if (this === window.deaf) event.stopImmediatePropagation(); });
  }
  send(data) { if (this !== window.deaf) super.send(data); }
};
"""
"""What is on its way over the socket that is called deaf, in either direction, gets lost."""


@pytest.fixture(scope="module")
def gate(tmp_path_factory):
    """A file without which the page “slow” does not read its address."""
    return tmp_path_factory.mktemp("gate") / "open"


@pytest.fixture(scope="module")
def odd_lab(tmp_path_factory, chromium_path, gate):
    """A lab whose kernel is slow to read the address."""
    import nbformat

    folder = tmp_path_factory.mktemp("pages")
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    book = nbformat.v4.new_notebook(
        metadata={"title": "slow", "kernelspec": kernel},
        cells=[nbformat.v4.new_code_cell(SLOW.format(gate=str(gate)))],
    )
    nbformat.write(book, folder / "slow.ipynb")
    server = start_server(
        code="import pathlib, labkit.app.server.server as s;"
        f"s.serve(port=0, open_browser=False, folder=pathlib.Path({str(folder)!r}))"
    )
    yield server
    stop_server(server)


def workers(kernel: psutil.Process) -> list[psutil.Process]:
    """Processes that make a kernel's sounds."""
    return [
        child
        for child in kernel.children()
        if "spawn_main" in " ".join(child.cmdline()) and child.status() != psutil.STATUS_ZOMBIE
    ]


def gone(page, process: psutil.Process) -> None:
    """Wait until a process has ended."""
    while process.is_running() and process.status() != psutil.STATUS_ZOMBIE:
        page.wait_for_timeout(100)


def test_a_sound_that_does_not_come_can_be_stopped_and_asked_for_again(visit, lab, hold):
    page = visit(RIG, ready=CURVE).page
    kernel = kernel_of(page, lab)
    hold(kernel)
    page.get_by_role("button", name="Play").click()
    page.wait_for_selector(".lab-ear[data-state=starting]")
    assert faults(page) == []
    page.get_by_role("button", name="Starting").click()
    page.wait_for_selector(".lab-ear[data-state=stopped]")
    kernel.resume()
    page.get_by_role("button", name="Play").click()
    page.wait_for_selector(".lab-ear[data-state=playing]")


def test_a_sound_that_plays_when_the_kernel_dies_can_be_stopped(visit, lab):
    page = visit(RIG, ready=CURVE).page
    page.get_by_role("button", name="Play").click()
    page.wait_for_selector(".lab-ear[data-state=playing]")
    kernel_of(page, lab).send_signal(signal.SIGKILL)
    state_is(page, "ended")
    page.get_by_role("button", name="Stop").click()
    page.wait_for_selector(".lab-ear[data-state=stopped]")
    # what has been sent already sounds again without the kernel
    page.get_by_role("button", name="Play").click()
    page.wait_for_selector(".lab-ear[data-state=playing]")


def test_the_sounds_of_a_listening_test_can_be_cancelled(visit, lab, screenshots, hold):
    page = visit("voila/render/listening_test.ipynb", ready=CURVE).page
    kernel = kernel_of(page, lab)
    page.get_by_role("button", name="Make the sounds").click()
    while not workers(kernel):
        page.wait_for_timeout(20)
    (worker,) = workers(kernel)  # it still reads its modules in
    hold(worker)
    page.wait_for_function("() => /Making the sounds … \\d+\\ss/.test(document.querySelector('.lab-desk').innerText)")
    page.screenshot(path=str(screenshots / "sounds-made-1280.png"))
    assert faults(page) == []
    page.get_by_role("button", name="Cancel").click()
    gone(page, worker)
    page.wait_for_function("() => document.querySelector('.lab-desk').innerText.includes('Cancelled: no sounds')")
    page.get_by_role("button", name="Make the sounds").click()
    page.wait_for_selector(".lab-desk[data-stage=practice]")


def test_a_study_whose_process_dies_is_offered_again(visit, lab, hold):
    page = visit("voila/render/tolerance_and_search.ipynb", ready=CURVE).page
    kernel = kernel_of(page, lab)
    page.wait_for_function("() => document.querySelector('.lab-work').hidden && document.querySelector('.lab-numbers')")
    page.wait_for_function("() => !document.querySelector('.lab-numbers').innerText.includes('on its way')")
    (worker,) = workers(kernel)
    hold(worker)
    page.get_by_label("Pots", exact=True).select_option("± 5 %")
    page.wait_for_function("() => /… \\d+\\ss/.test(document.querySelector('.lab-work').innerText)")
    worker.kill()
    page.wait_for_function("() => document.querySelector('.lab-work').innerText.includes('stopped before it was done')")
    page.locator(".lab-work").get_by_role("button", name="Go on").click()
    page.wait_for_function("() => document.querySelector('.lab-work').hidden")
    page.wait_for_function("() => !document.querySelector('.lab-numbers').innerText.includes('on its way')")


def test_words_that_something_is_being_made_end_with_the_kernel(visit, lab, hold):
    page = visit(RIG, ready=CURVE).page
    kernel = kernel_of(page, lab)
    hold(kernel)
    page.get_by_role("button", name="Save rig", exact=True).click()
    page.wait_for_function("() => document.querySelector('.lab-files').innerText.includes('Making it …')")
    kernel.kill()
    state_is(page, "ended")
    assert "Making it" not in page.inner_text(".lab-files")
    assert "Not finished" in page.inner_text(".lab-files")


# before the state of the address is there


def test_what_is_typed_before_the_state_of_the_address_has_come_is_kept(visit, odd_lab, gate):
    gate.unlink(missing_ok=True)
    page = visit("voila/render/slow.ipynb?v=1&tone=3&volume=7", ready=CURVE, server=odd_lab, at_rest=False).page
    assert page.get_by_label("Tone knob, type a value").input_value() == "10 of 10"  # not there yet
    page.get_by_label("Cable length, type a value", exact=True).fill("25")
    page.keyboard.press("Enter")
    page.get_by_label("Tone knob", exact=True).focus()
    page.keyboard.press("ArrowLeft")
    moved = page.get_by_label("Tone knob, type a value").input_value()
    unfold(page, "Parts inside")
    page.get_by_label("Volume pot", exact=True).select_option("500 kΩ")
    unfold(page, "Kind of cable")
    draft = page.get_by_label("Cable capacitance, type a value")
    draft.fill("12")
    page.wait_for_timeout(4000)  # by then the page has asked for its state twice
    assert page.get_by_label("Cable length, type a value", exact=True).input_value() == "25"
    gate.touch()
    page.wait_for_function(
        "() => location.search.includes('cable.length=25') && location.search.includes('volume.value=500000')"
    )
    assert page.get_by_label("Volume knob, type a value").input_value() == "7 of 10"  # of the address, untouched
    assert page.get_by_label("Tone knob, type a value").input_value() == moved
    assert "tone=3" not in page.url
    assert draft.input_value() == "12"  # still being typed
    page.keyboard.type("0")
    page.keyboard.press("Enter")
    page.wait_for_function("() => location.search.includes('cable.capacitance=1.2e-10')")
    assert draft.input_value() == "120 pF/m"


def test_nothing_is_lost_with_a_socket_that_drops_before_the_state_of_the_address_has_come(browser, odd_lab, gate):
    gate.unlink(missing_ok=True)
    (answered := gate.with_name("answered")).unlink(missing_ok=True)
    context = profile(browser)
    try:
        context.add_init_script(DEAF_SOCKETS)
        page = context.new_page()
        page.goto(f"{odd_lab.address}voila/render/slow.ipynb?v=1&tone=3&volume=7")
        page.wait_for_selector(CURVE)
        before = page.get_attribute(CURVE, "points")
        page.wait_for_function("() => window.sockets.at(-1)?.readyState === WebSocket.OPEN")
        page.evaluate("window.deaf = window.sockets.at(-1)")
        gate.touch()
        while not answered.exists():
            page.wait_for_timeout(20)
        # what is set now gets lost as well; it must come after the state of the address
        page.get_by_label("Cable length, type a value", exact=True).fill("25")
        page.keyboard.press("Enter")
        page.evaluate("window.deaf.close()")
        page.wait_for_function("() => location.search.includes('cable.length=25')")
        assert page.get_by_label("Tone knob, type a value").input_value() == "3 of 10"
        assert page.get_by_label("Volume knob, type a value").input_value() == "7 of 10"
        assert "tone=3" in page.url
        assert page.get_attribute(CURVE, "points") != before
        page.evaluate("window.deaf = window.sockets.at(-1)")
        page.get_by_role("button", name="Undo").click()
        page.evaluate("window.deaf.close()")
        page.wait_for_function("() => !location.search.includes('cable.length')")
        settled(page)
        assert "tone=3" in page.url
    finally:
        leave(context)


def test_what_is_typed_is_kept_when_the_address_brings_another_rig(visit, odd_lab, gate):
    from labkit.app.pages.rig.state import RigPageState

    state = RigPageState()
    other = state.controls["rig"].texts[-1]
    gate.unlink(missing_ok=True)
    address = f"voila/render/slow.ipynb?v=1&rig={quote_plus(other)}"
    page = visit(address, ready=CURVE, server=odd_lab, at_rest=False).page
    length = page.get_by_label("Cable length, type a value", exact=True)
    length.fill("2")
    unfold(page, "Parts inside")
    page.get_by_label("Volume pot", exact=True).select_option("300 kΩ")
    length.focus()
    length.fill("25")
    gate.touch()
    page.wait_for_function("() => location.search.includes('volume.value=300000')")
    assert page.get_by_label("Rig", exact=True).locator("option:checked").inner_text() == other
    assert length.input_value() == "25"
    assert page.evaluate("document.activeElement.getAttribute('aria-label')") == "Cable length, type a value"
    page.keyboard.press("Enter")
    page.wait_for_function("() => location.search.includes('cable.length=25')")


def test_what_a_dying_kernel_has_not_answered_is_there_after_going_on(visit, lab, hold):
    page = visit(f"{RIG}?v=1&tone=3", ready=CURVE).page
    kernel = kernel_of(page, lab)
    hold(kernel)
    page.get_by_label("Cable length, type a value", exact=True).fill("25")
    page.keyboard.press("Enter")
    unfold(page, "Parts inside")
    page.get_by_label("Volume pot", exact=True).select_option("500 kΩ")
    unfold(page, "Kind of cable")
    page.get_by_label("Cable capacitance, type a value").fill("12")
    kernel.kill()
    state_is(page, "ended")
    assert "cable.length=25" not in page.url
    page.get_by_role("button", name="Go on").click()
    page.wait_for_function(
        "() => location.search.includes('cable.length=25') && location.search.includes('volume.value=500000')"
    )
    assert "tone=3" in page.url
    draft = page.get_by_label("Cable capacitance, type a value")
    assert draft.input_value() == "12"
    # no later visit finds it again
    page.goto(page.url)
    page.wait_for_selector(CURVE)
    assert page.get_by_label("Cable capacitance, type a value").input_value() == "100 pF/m"
