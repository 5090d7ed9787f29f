"""What a person waits for in a real browser: from slider to redrawn curve, from address to first curve and to answers.

Wall-clock seconds of the whole way (browser, socket, kernel, drawing), printed and never asserted: they depend on
what else the machine does. A page answers when the state in its address has gone to Python and come back, and a message
of the page's after it.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any

import pytest

from labkit.app.server.forked import CAN_FORK
from labkit.app.site.site import write_site
from labkit.circuit.solve.fast import is_installed
from tests.browser.conftest import PATIENCE_MS, Server, leave, start_server, stop_server
from tests.conftest import BROWSER_FLAGS
from tests.site.conftest import runtime  # noqa: F401 - a fixture

pytestmark = pytest.mark.benchmark(timer=time.perf_counter)

RIG, WINDING = "voila/render/rig.ipynb", "voila/render/winding.ipynb"
CABLE, POTS = "voila/render/cable.ipynb", "voila/render/pots_and_capacitors.ipynb"
CURVE = "svg.lab-curve"
LENGTH, VOLUME = '.lab-row[data-key="cable.length"]', '.lab-row[data-key="volume"]'
HEIGHT, CHARGE = '.lab-row[data-key="strings"]', '.lab-row[data-key="charge"]'
LEVELS, BAND = ".lab-doubt", ".lab-curve-holder .lab-band"
MOVES = 41
OPENINGS, SITE_OPENINGS = 5, 3
READY_S = 4.0 if CAN_FORK else 8.0
"""Between openings: another kernel waits after 2.5 s of delay and, where it is not forked, 3 to 5 s of work."""

ANSWERS, PAINTED = "address to a page that answers", "address to the first curve painted"
NOTHING_READY = (
    "import labkit.app.server.server as s; s.CAN_FORK, s.WAITING = False, 0; s.serve(port=0, open_browser=False)"
)
NONE_WAITING = "import labkit.app.server.server as s; s.FORKED_WAITING = 0; s.serve(port=0, open_browser=False)"
PAGES = {
    "rig": ("cable.length=7", "cable.length", "7 m"),
    "cable": ("cable.length=7", "cable.length", "7 m"),
    "pots_and_capacitors": ("volume=5", "volume", "5 of 10"),
    "tolerance_and_search": ("volume=5", "volume", "5 of 10"),
}
"""What the address says, and which control then reads how."""

# From the event of the slider to the next frame after the curve has changed: what the eye waits for.
# Each position is a new one where the page remembers what it has worked out.
MOVE = """async ([control, positions, beside]) => {
  const slider = document.querySelector(`${control} input[type=range]`);
  const present = '.lab-curve-holder svg polyline[data-label^="A "]';
  const shown = () => [
    document.querySelector(present).getAttribute('points'),
    beside ? [...document.querySelectorAll(beside)].at(-1).outerHTML : performance.now(),
  ];
  const taken = [];
  for (const position of positions) {
    const before = shown(), start = performance.now();
    slider.value = position;
    slider.dispatchEvent(new Event('input', { bubbles: true }));
    while (shown().some((text, at) => text === before[at])) {
      await new Promise(requestAnimationFrame);
      if (performance.now() - start > 10000) throw new Error('the page does not follow the slider');
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
    const { at, taps } = window.made[before]; // of a signal: the noise behind it need not be waited for
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


# The frame after the first curve, the server's or the kernel's, is in the page; milliseconds from the address.
WAIT_FOR_PAINT = """
  window.painted = 0;
  const look = () => {
    const first = document.getElementById("lab-first"), own = document.querySelector(".lab-page .lab-curve-holder svg");
    if (first?.clientHeight || own) requestAnimationFrame(() => { window.painted = performance.now(); });
    else requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
"""


HIDES_EXTRA = """
import importlib.util
whole = importlib.util.find_spec
importlib.util.find_spec = lambda name, package=None: None if name == "llvmlite" else whole(name, package)
"""


@pytest.fixture(scope="module")
def lab(chromium_path: str) -> Iterator[Server]:
    """A lab of its own."""
    server = start_server("--port", "0", "--no-browser")
    yield server
    stop_server(server)


@pytest.mark.parametrize(
    ("route", "address", "control", "positions", "beside"),
    [
        ("rig page, cable length", RIG, LENGTH, [40 if step % 2 else 20 for step in range(MOVES)], ""),
        ("winding page, string height: curve and levels", WINDING, HEIGHT, list(range(10, 10 + MOVES)), LEVELS),
        ("winding page, charge: curve and levels", WINDING, CHARGE, list(range(20, 20 + MOVES)), LEVELS),
    ],
)
def test_slider_to_redrawn_curve(
    browser: Any, lab: Server, waited: Any, route: str, address: str, control: str, positions: list[int], beside: str
) -> None:
    follow_slider(browser, lab.address + address, waited, route, control, positions, beside)


@pytest.fixture(
    scope="module",
    params=["by numpy", pytest.param("by the extra", marks=pytest.mark.skipif(not is_installed(), reason="no extra"))],
)
def lab_by(request: Any, chromium_path: str, tmp_path_factory: Any) -> Iterator[tuple[str, Server]]:
    """A lab with and without the extra `fast`."""
    with pytest.MonkeyPatch.context() as patch:
        if request.param == "by numpy":
            folder = tmp_path_factory.mktemp("no_extra")
            (folder / "sitecustomize.py").write_text(HIDES_EXTRA, encoding="ascii")
            patch.setenv("PYTHONPATH", os.pathsep.join([str(folder), os.environ.get("PYTHONPATH", "")]))
        server = start_server("--port", "0", "--no-browser")
    yield request.param, server
    stop_server(server)


@pytest.mark.parametrize(
    ("name", "address", "control"), [("rig", RIG, LENGTH), ("cable", CABLE, LENGTH), ("pots", POTS, VOLUME)]
)
def test_slider_to_redrawn_curve_and_band(
    browser: Any, lab_by: tuple[str, Server], waited: Any, name: str, address: str, control: str
) -> None:
    route, server = lab_by
    words = f"{name} page, curve and band, {route}"
    follow_slider(browser, server.address + address, waited, words, control, list(range(10, 10 + MOVES)), BAND)


@pytest.mark.parametrize("key", ["cable.length", "volume"])
def test_slider_to_redrawn_curve_of_the_site(browser: Any, site: str, waited: Any, key: str) -> None:
    route, control = f"rig page of the site, {key}", f'.lab-row[data-key="{key}"]'
    positions = [40 if step % 2 else 20 for step in range(MOVES)]
    follow_slider(browser, f"{site}rig.html", waited, route, control, positions, "")


def follow_slider(
    browser: Any, address: str, waited: Any, route: str, control: str, positions: list[int], beside: str
) -> None:
    """Open a page and keep the waits from each position of a slider to what is drawn, ``beside`` the curve, too."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.goto(address)
    page.wait_for_selector(f".lab-page {CURVE}", timeout=PATIENCE_MS)
    page.wait_for_selector(f"{control} input[type=range]", state="attached", timeout=60_000)
    page.wait_for_timeout(2000)  # the kernel that replaces this one has started by then

    def measure() -> list[float]:
        return [milliseconds / 1000 for milliseconds in page.evaluate(MOVE, [control, positions, beside])]

    taken = waited("slider to redrawn curve", route, measure)
    leave(context)
    assert len(taken) == len(positions)


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
        return [_in_a_fresh_browser(browser, lab, name)[0].answers for _ in range(OPENINGS)]

    assert len(waited(ANSWERS, f"{name.replace('_', ' ')} page, fresh browser", measure)) == OPENINGS


@pytest.mark.parametrize("what", [PAINTED, ANSWERS])
@pytest.mark.parametrize("name", ["rig", "cable"])
def test_address_to_the_next_page(browser: Any, lab: Server, waited: Any, name: str, what: str) -> None:
    def measure() -> list[float]:
        return [_of(what, _in_a_fresh_browser(browser, lab, "rig", name)[1]) for _ in range(OPENINGS)]

    route = "rig page, for the second time" if name == "rig" else "cable page, after another one"
    assert len(waited(what, route, measure)) == OPENINGS


@pytest.mark.parametrize("what", [PAINTED, ANSWERS])
@pytest.mark.parametrize(
    ("words", "code"),
    [
        pytest.param(
            "none waits, it is forked", NONE_WAITING, marks=pytest.mark.skipif(not CAN_FORK, reason="no fork")
        ),
        ("none waits, a new Python", NOTHING_READY),
    ],
)
def test_address_to_a_page_for_which_no_kernel_waits(
    browser: Any, waited: Any, words: str, code: str, what: str
) -> None:
    server = start_server(code=code)
    time.sleep(READY_S)

    def measure() -> list[float]:
        return [_of(what, _in_a_fresh_browser(browser, server, "rig")[0]) for _ in range(OPENINGS)]

    try:
        assert len(waited(what, f"rig page, fresh browser, {words}", measure)) == OPENINGS
    finally:
        stop_server(server)


def test_address_to_the_first_curve_in_a_fresh_browser(browser: Any, lab: Server, waited: Any) -> None:
    def measure() -> list[float]:
        return [_in_a_fresh_browser(browser, lab, "rig")[0].painted for _ in range(OPENINGS)]

    assert len(waited(PAINTED, "rig page, fresh browser", measure)) == OPENINGS


@pytest.fixture(scope="module")
def site(runtime: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:  # noqa: F811
    """The address of the same pages as files."""
    folder = tmp_path_factory.mktemp("site")
    write_site(folder, runtime)
    command = [sys.executable, "-u", "-m", "http.server", "0", "--bind", "127.0.0.1", "--directory", str(folder)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    assert process.stdout is not None
    port = process.stdout.readline().split(" port ")[1].split()[0]
    yield f"http://127.0.0.1:{port}/"
    process.kill()
    process.wait()
    process.stdout.close()


@pytest.mark.parametrize("what", [PAINTED, ANSWERS])
@pytest.mark.parametrize("visit", ["first", "second"])
def test_address_to_a_page_of_the_site(
    browser: Any, chromium_path: str, site: str, waited: Any, visit: str, what: str
) -> None:
    opening = partial(_on_the_site, browser.browser_type, chromium_path, site, is_second=visit == "second")

    def measure() -> list[float]:
        return [_of(what, opening()) for _ in range(SITE_OPENINGS)]

    assert len(waited(what, f"rig page of the site, {visit} visit", measure)) == SITE_OPENINGS


KEPT_CODE = """async () => {
  const keys = await (await caches.open("labkit-compiled")).keys();
  return keys.length > 0 && document.querySelector(".lab-site-kept").textContent !== "";
}"""


def _on_the_site(kind: Any, path: str, address: str, *, is_second: bool) -> Opened:
    """Open the rig page of the site with a fresh profile on disk, where a browser keeps what it compiles.

    The second time is when the first has kept all it keeps.
    """
    with tempfile.TemporaryDirectory() as profile:
        size = {"width": 1280, "height": 900}
        context = kind.launch_persistent_context(profile, executable_path=path, args=BROWSER_FLAGS, viewport=size)
        page = context.new_page()
        page.add_init_script(WAIT_FOR_PAINT)
        for _ in range(1 + is_second):
            start = time.perf_counter()
            page.goto(f"{address}rig.html", wait_until="commit")
            opened = "() => document.documentElement?.dataset.labOpened !== undefined"
            page.wait_for_function(opened, timeout=PATIENCE_MS)
            answers = time.perf_counter() - start
            page.wait_for_function("() => window.painted")
            found = Opened(painted=page.evaluate("window.painted") / 1000, answers=answers)
            if is_second:
                page.wait_for_function(KEPT_CODE, timeout=PATIENCE_MS)
                time.sleep(READY_S)
        context.close()
    return found


@dataclass(frozen=True)
class Opened:
    """Seconds from the address until the first curve was painted, and until the page answered."""

    painted: float
    answers: float


def _of(what: str, opened: Opened) -> float:
    return opened.painted if what == PAINTED else opened.answers


def _in_a_fresh_browser(browser: Any, server: Server, *names: str) -> list[Opened]:
    """Open pages one after another in a fresh profile."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.add_init_script(WAIT_FOR_PAINT)
    taken = []
    for name in names:
        time.sleep(READY_S)
        start = time.perf_counter()
        state, key, reading = PAGES[name]
        page.goto(f"{server.address}voila/render/{name}.ipynb?v=1&{state}", wait_until="commit")
        readout = f"document.querySelector('.lab-row[data-key=\"{key}\"] .lab-readout')"
        answered = f"document.documentElement?.dataset.labOpened !== undefined && {readout}?.value === '{reading}'"
        page.wait_for_function(f"() => {answered}", timeout=60_000)
        answers = time.perf_counter() - start
        page.wait_for_function("() => window.painted")
        taken.append(Opened(painted=page.evaluate("window.painted") / 1000, answers=answers))
    leave(context)
    return taken
