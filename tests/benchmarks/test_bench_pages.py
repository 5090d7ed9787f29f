"""What a person waits for in a real browser: from slider to redrawn curve, and from address to a page that answers.

Wall-clock seconds of the whole way (browser, socket, kernel, drawing), printed and never asserted: they depend on
what else the machine does. A page answers when the state in its address has gone to Python and come back.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import pytest

from tests.browser.conftest import Server, leave, start_server, stop_server

pytestmark = pytest.mark.benchmark(timer=time.perf_counter)

RIG = "voila/render/rig.ipynb"
CURVE = "svg.lab-curve"
LENGTH = '.lab-row[data-key="cable.length"]'
MOVES = 41
OPENINGS = 5
READY_S = 8.0
"""Another kernel waits so long after one was taken: 2.5 s of delay, and 3 to 5 s of work on a machine of two cores."""

ANSWERS = "address to a page that answers"
PAGES = {
    "rig": ("cable.length=7", "cable.length", "7 m"),
    "cable": ("cable.length=7", "cable.length", "7 m"),
    "pots_and_capacitors": ("volume=5", "volume", "5 of 10"),
    "tolerance_and_search": ("volume=5", "volume", "5 of 10"),
}
"""What the address says, and which control then reads how."""

# From the event of the slider to the next frame after the curve has changed: what the eye waits for.
MOVE = """async ([control, steps]) => {
  const slider = document.querySelector(`${control} input[type=range]`);
  const present = '.lab-curve-holder svg polyline[data-label^="A "]';
  const points = () => document.querySelector(present).getAttribute('points');
  const taken = [];
  for (let step = 0; step < steps; step++) {
    const before = points(), start = performance.now();
    slider.value = step % 2 ? 40 : 20;
    slider.dispatchEvent(new Event('input', { bubbles: true }));
    while (points() === before) {
      await new Promise(requestAnimationFrame);
      if (performance.now() - start > 10000) throw new Error('the curve does not follow the slider');
    }
    taken.push(performance.now() - start);
    await new Promise((done) => setTimeout(done, 120));
  }
  return taken;
}"""


# From the event of the slider to the end of the cross-fade to the new response: the ear has the change by then. What
# the sound output adds (some 10 to 40 ms) is the machine's own and not counted.
HEAR = """async ([control, steps]) => {
  const slider = document.querySelector(`${control} input[type=range]`), taken = [];
  for (let step = 0; step < steps; step++) {
    const start = performance.now(), before = window.made.length;
    slider.value = step % 2 ? 40 : 20;
    slider.dispatchEvent(new Event('input', { bubbles: true }));
    while (window.made.length === before) {
      await new Promise((done) => setTimeout(done, 1));
      if (performance.now() - start > 10000) throw new Error('the sound does not follow the slider');
    }
    const { at, taps } = window.made.at(-1);
    taken.push(at - start + 1000 * (taps / 48000 + LAG_S));
    await new Promise((done) => setTimeout(done, 150));
  }
  return taken;
}"""
FADED_S = 0.033
WATCH = """
  window.made = [];
  window.ConvolverNode = class extends ConvolverNode {
    constructor(context, options) {
      super(context, options);
      window.made.push({ at: performance.now(), taps: options.buffer.length });
    }
  };
"""


@pytest.fixture(scope="module")
def lab(chromium_path: str) -> Iterator[Server]:
    """A lab of its own."""
    server = start_server("--port", "0", "--no-browser")
    yield server
    stop_server(server)


def test_slider_to_redrawn_curve(browser: Any, lab: Server, waited: Any) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.goto(lab.address + RIG)
    page.wait_for_selector(CURVE, timeout=60_000)
    page.wait_for_timeout(2000)  # the kernel that replaces this one has started by then

    def measure() -> list[float]:
        return [milliseconds / 1000 for milliseconds in page.evaluate(MOVE, [LENGTH, MOVES])]

    taken = waited("slider to redrawn curve", "rig page, cable length", measure)
    leave(context)
    assert len(taken) == MOVES


@pytest.mark.parametrize(("route", "lag_s"), [("fade over", FADED_S), ("fade half way", 0.5 * FADED_S)])
def test_slider_to_changed_sound(browser: Any, lab: Server, waited: Any, route: str, lag_s: float) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.add_init_script(WATCH)
    page.goto(lab.address + RIG)
    page.wait_for_selector(CURVE, timeout=60_000)
    page.wait_for_timeout(2000)
    page.get_by_role("button", name="Play", exact=True).click()
    page.wait_for_selector(".lab-ear[data-state=playing]", timeout=60_000)

    def measure() -> list[float]:
        return [
            milliseconds / 1000 for milliseconds in page.evaluate(HEAR.replace("LAG_S", f"{lag_s}"), [LENGTH, MOVES])
        ]

    taken = waited("slider to changed sound", f"rig page, cable length, {route}", measure)
    leave(context)
    assert len(taken) == MOVES


@pytest.mark.parametrize("name", PAGES)
def test_address_to_a_page_that_answers_in_a_fresh_browser(browser: Any, lab: Server, waited: Any, name: str) -> None:
    def measure() -> list[float]:
        return [_in_a_fresh_browser(browser, lab, name)[0] for _ in range(OPENINGS)]

    assert len(waited(ANSWERS, f"{name.replace('_', ' ')} page, fresh browser", measure)) == OPENINGS


def test_address_to_the_next_page_that_answers(browser: Any, lab: Server, waited: Any) -> None:
    def measure() -> list[float]:
        return [_in_a_fresh_browser(browser, lab, "rig", "cable")[1] for _ in range(OPENINGS)]

    assert len(waited(ANSWERS, "cable page, after another one", measure)) == OPENINGS


def test_address_to_a_page_that_answers_without_a_kernel_that_waits(browser: Any, waited: Any) -> None:
    code = "import labkit.app.server.server as s; s.WAITING = 0; s.serve(port=0, open_browser=False)"
    server = start_server(code=code)

    def measure() -> list[float]:
        return [_in_a_fresh_browser(browser, server, "cable")[0] for _ in range(OPENINGS)]

    try:
        assert len(waited(ANSWERS, "cable page, no kernel waits", measure)) == OPENINGS
    finally:
        stop_server(server)


def _in_a_fresh_browser(browser: Any, server: Server, *names: str) -> list[float]:
    """Open pages one after another in a fresh profile and return the seconds until each answers."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    taken = []
    for name in names:
        time.sleep(READY_S)
        start = time.perf_counter()
        state, key, reading = PAGES[name]
        page.goto(f"{server.address}voila/render/{name}.ipynb?v=1&{state}", wait_until="commit")
        readout = f"document.querySelector('.lab-row[data-key=\"{key}\"] .lab-readout')"
        page.wait_for_function(f"() => {readout}?.value === '{reading}'", timeout=60_000)
        taken.append(time.perf_counter() - start)
    leave(context)
    return taken
