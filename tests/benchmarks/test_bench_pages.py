"""What a person waits for in a real browser: from slider to redrawn curve, and from address to a page that answers.

Wall-clock seconds of the whole way (browser, socket, kernel, drawing), printed and never asserted: they depend on
what else the machine does. The page that waits ready stands beside one whose kernel has yet to start.
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
OPENINGS = 3
READY_S = 6.0
"""The next kernel is ready so long after one was taken: 3 s of work on an idle machine of two cores."""

# From the event of the slider to the next frame after the curve has changed: what the eye waits for.
MOVE = """async ([control, steps]) => {
  const slider = document.querySelector(`${control} input[type=range]`);
  const points = () => document.querySelector('.lab-curve-holder svg polyline[data-label=Now]').getAttribute('points');
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


@pytest.mark.parametrize(
    ("route", "page", "ready"),
    [
        ("rig page, ready and waiting", RIG, CURVE),
        ("cable page, its kernel has yet to start", "voila/render/cable.ipynb", CURVE),
    ],
)
def test_address_to_a_page_that_answers(
    browser: Any, lab: Server, waited: Any, route: str, page: str, ready: str
) -> None:
    def measure() -> list[float]:
        return [_open(browser, f"{lab.address}{page}?v=1&cable.length=7", ready) for _ in range(OPENINGS)]

    assert len(waited("address to a page that answers", route, measure)) == OPENINGS


def _open(browser: Any, address: str, ready: str) -> float:
    """Open a page in a fresh profile and return the seconds until it answers."""
    time.sleep(READY_S)
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    start = time.perf_counter()
    page.goto(address)
    page.wait_for_selector(ready, timeout=60_000)
    # it answers: the state of the address has gone to Python and come back
    page.wait_for_function(f"() => document.querySelector(`{LENGTH} .lab-readout`)?.value === '7 m'", timeout=60_000)
    taken = time.perf_counter() - start
    leave(context)
    return taken
