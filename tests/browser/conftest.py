"""A lab server of its own and a real browser for the tests of this folder."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import psutil
import pytest

START_S = 240.0
"""The server imports a notebook stack; on a busy machine of two cores that takes minutes."""

PATIENCE_MS = 240_000
"""How long a test waits for what must come; a machine with other work takes its time."""


@dataclass
class Server:
    """A running lab."""

    process: subprocess.Popen
    address: str
    lines: list[str]
    reader: threading.Thread


def start_server(*arguments: str, code: str | None = None) -> Server:
    """Start ``labkit open`` (or a piece of Python that serves) and wait for the address it prints."""
    code = code or "from labkit.cli.main import main; main()"
    command = [sys.executable, "-c", code, *(("open", *arguments) if arguments else ())]
    environment = {
        key: value for key, value in os.environ.items() if key not in ("DISPLAY", "WAYLAND_DISPLAY", "BROWSER")
    }
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment)
    lines: list[str] = []
    found = threading.Event()
    address: list[str] = []

    def read() -> None:
        assert process.stdout is not None
        for line in process.stdout:
            lines.append(line)
            match = re.search(r"http://127\.0\.0\.1:\d+/", line)
            if match and "open" in line:
                address.append(match[0])
                found.set()
        found.set()

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    if not found.wait(START_S) or not address:
        process.kill()
        pytest.fail("the lab did not start:\n" + "".join(lines), pytrace=False)
    return Server(process=process, address=address[0], lines=lines, reader=reader)


def stop_server(server: Server) -> None:
    """Stop a server as Ctrl+C would, and its kernels with it."""
    server.process.terminate()
    try:
        server.process.wait(20)
    except subprocess.TimeoutExpired:
        server.process.kill()
        server.process.wait(10)
    server.reader.join(10)
    server.process.stdout.close()


def kernels_of(server: Server, kernel_id: str = "") -> list[psutil.Process]:
    """The processes of a server's kernels, or of one: forked ones by their name, others by what started them."""
    found = []
    for process in psutil.Process(server.process.pid).children(recursive=True):
        with suppress(psutil.Error):
            started = " ".join(process.cmdline())
            if process.name().startswith(f"kernel-{kernel_id[:8]}") or (
                "ipykernel" in started and kernel_id in started
            ):
                found.append(process)
    kernels = {process.pid for process in found}
    with suppress(psutil.Error):  # what a kernel has forked for a long piece of work bears its name
        found = [process for process in found if process.ppid() not in kernels]
    return found


def kernel_of(page: object, server: Server) -> psutil.Process:
    """The process behind a page."""
    kernel_id = page.evaluate("JSON.parse(document.getElementById('jupyter-config-data').textContent).kernelId")  # type: ignore[attr-defined]
    (found,) = kernels_of(server, kernel_id)
    return found


@pytest.fixture(scope="session")
def lab(chromium_path: str) -> Iterator[Server]:
    """The lab as a user starts it; but its first curves come however busy the machine is."""
    patient = "import labkit.app.server.first_curve as first; first.PATIENCE_S = 120.0;"
    code = f"{patient} from labkit.cli.main import main; main()"
    server = start_server("--port", "0", "--no-browser", code=code)
    yield server
    stop_server(server)


@dataclass
class Watched:
    """A page with everything it said and asked for, and what its server said."""

    page: object
    host: str
    said: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    outside: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)

    def open(self, address: str, ready: str) -> None:
        """Go to an address and wait until it can be used; say what was there instead if that never comes."""
        from playwright.sync_api import Error

        self.page.goto(address)  # type: ignore[attr-defined]
        try:
            self.page.wait_for_selector(ready)  # type: ignore[attr-defined]
        except Error as error:
            shown = self.page.evaluate("document.body.innerText")  # type: ignore[attr-defined]
            told = {"errors": self.errors, "refused": self.failed, "server": self.said[-30:], "shown": shown}
            pytest.fail(f"no {ready} at {address}: {error}\n{told}")

    def listen(self) -> None:
        """Keep console errors, faults, failed answers and requests to other hosts."""
        page = self.page
        page.on("console", lambda said: self.errors.append(said.text) if said.type == "error" else None)  # type: ignore[attr-defined]
        page.on("pageerror", lambda fault: self.errors.append(str(fault)))  # type: ignore[attr-defined]
        page.on("request", lambda asked: self._keep(asked.url))  # type: ignore[attr-defined]
        page.on("response", lambda answer: self.failed.append(answer.url) if answer.status >= 400 else None)  # type: ignore[attr-defined]

    def _keep(self, url: str) -> None:
        if not url.startswith((self.host, "data:", "blob:")):
            self.outside.append(url)


SETTLED = """async () => {
  const kernel = window.jupyterapp?.widgetManager?.kernel;
  for (let same = 0, before = ""; same < 3; same++) {
    if (kernel) await kernel.requestKernelInfo();
    for (let frame = 0; frame < 2; frame++) await new Promise(requestAnimationFrame);
    const now = document.body.innerHTML.replace(/<div class="lab-meter".*?<\\/p>/s, ""); // moves while a sound plays
    if (now !== before) same = -1;
    before = now;
  }
}"""


def settled(page: object) -> None:
    """Wait until three answers of the kernel in a row have left a page as it was: what it was asked before is done."""
    page.evaluate(SETTLED)  # type: ignore[attr-defined]


def found_by_axe(page: object) -> list[tuple[str, list[str]]]:
    """Every fault of accessibility that axe finds on a page at rest: the rule, and where."""
    from axe_playwright_python.sync_playwright import Axe

    settled(page)
    faults = Axe().run(page).response["violations"]  # type: ignore[arg-type]
    return [(fault["id"], [node["html"][:160] for node in fault["nodes"]]) for fault in faults]


def choose_wiring(page: object, name: str) -> None:
    """Open the wirings where they are folded, and choose one by its card."""
    fold = page.locator(".lab-wirings summary")  # type: ignore[attr-defined]
    if fold.count() and not page.locator(".lab-wirings details[open]").count():  # type: ignore[attr-defined]
        fold.click()
    page.locator(f'.lab-card[data-name="{name}"]').click()  # type: ignore[attr-defined]
    page.locator(f'.lab-card[data-name="{name}"][aria-pressed=true]').wait_for()  # type: ignore[attr-defined]


def unfold(page: object, title: str) -> None:
    """Open a fold of the controls, unless it is open."""
    fold = page.locator(".lab-fold", has=page.get_by_text(title, exact=True)).first  # type: ignore[attr-defined]
    if fold.get_attribute("open") is None:
        fold.locator("summary").click()


def profile(browser: object, *, width: int = 1280, height: int = 900, **options: object) -> object:
    """A fresh profile, in which everything is waited for with patience."""
    from playwright.sync_api import expect

    expect.set_options(timeout=PATIENCE_MS)
    context = browser.new_context(viewport={"width": width, "height": height}, **options)  # type: ignore[attr-defined]
    context.set_default_timeout(PATIENCE_MS)
    return context


def leave(context: object) -> None:
    """Close a profile as a person leaves a page, so that its kernel ends at once."""
    for page in context.pages:  # type: ignore[attr-defined]
        page.goto("about:blank")
    context.close()  # type: ignore[attr-defined]


@pytest.fixture
def visit(browser: object, lab: Server) -> Iterator[object]:
    """``visit(path, ready=…, width=…, height=…)`` opens a page of the lab in a fresh profile.

    Where the address carries a state, the page is open when it has come to rest in it, unless ``at_rest=False``: a page
    shows the state it opens with before its kernel has read the address.
    """
    contexts = []

    def opened(
        path: str,
        *,
        ready: str,
        width: int = 1280,
        height: int = 900,
        server: Server | None = None,
        at_rest: bool = True,
        **options: object,
    ) -> Watched:
        server = server or lab
        context = profile(browser, width=width, height=height, **options)
        contexts.append(context)
        watched = Watched(page=context.new_page(), host=server.address, said=server.lines)
        watched.listen()
        watched.open(server.address + path, ready)
        if at_rest and "?v=" in path:
            settled(watched.page)
        return watched

    yield opened
    for context in contexts:
        leave(context)


@pytest.fixture(scope="session")
def screenshots(project_root: Path) -> Path:
    """Where screenshots are kept for looking at."""
    folder = project_root / "screenshots"
    folder.mkdir(exist_ok=True)
    return folder
