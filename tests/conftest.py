"""What every test may rely on: outside tools, measured sweeps, a clean user folder, and how hard hypothesis searches.

A test that needs an outside tool carries a marker (``ngspice``, ``browser``). Without the tool it is skipped with a
sentence that says what to install; with ``LABKIT_REQUIRE_TOOLS`` set, as in continuous integration, it fails instead.
"""

from __future__ import annotations

import os
import shutil
import signal
import tempfile
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from labkit.cli import ONE_THREAD

os.environ.update(ONE_THREAD)  # before anything imports numpy: a core each for the processes of a run

import hypothesis
import pytest

PROJECT_ROOT = Path(__file__).resolve().parents[1]
MEASURED = PROJECT_ROOT.parent / "shared" / "measured"

TOOLS = {
    "ngspice": ("ngspice",),
    "browser": ("chromium", "chromium-browser"),
}
"""Commands to look for, by marker."""

BROWSER_FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]
"""A quiet browser without a window, and without calls of its own to the outside."""

INSTALL = {
    "ngspice": "install ngspice (Debian and Ubuntu: apt-get install ngspice)",
    "browser": "install chromium (Debian and Ubuntu: apt-get install chromium)",
}

# Found counterexamples are printed with a line that reproduces them; no deadline, since machines share their cores.
hypothesis.settings.register_profile("steady", deadline=None, derandomize=True, max_examples=60, print_blob=True)
hypothesis.settings.register_profile("search", deadline=None, max_examples=2000, print_blob=True)
hypothesis.settings.load_profile(os.environ.get("LABKIT_TEST_PROFILE", "steady"))


def pytest_configure(config: pytest.Config) -> None:
    """Keep a person's own sheets out of the tests: user folders point into an empty one for the whole run."""
    # A run in a shell's background ignores interrupts, and so would every process that a test starts and interrupts.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    empty = tempfile.mkdtemp(prefix="labkit-tests-")
    config.add_cleanup(lambda: shutil.rmtree(empty, ignore_errors=True))
    for variable in ("XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME", "XDG_STATE_HOME"):
        os.environ[variable] = str(Path(empty) / variable.lower())
    os.environ.pop("LABKIT_CATALOGUE", None)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Sort the tests: browser tests last, and before that the largest groups first.

    The loop that playwright keeps running lets no asyncio test follow in its process. ``make test`` hands the groups
    out in this order.
    """
    groups = {item: _group(item.nodeid) for item in items}
    sizes = Counter(groups.values())
    last = {
        group for item, group in groups.items() if item.get_closest_marker("browser") or "browser" in item.fixturenames
    }
    order = {group: number for number, group in enumerate(sizes)}
    items.sort(key=lambda item: (groups[item] in last, -sizes[groups[item]], order[groups[item]]))


def _group(name: str) -> str:
    """Return the file of a test whose fixtures (a server, a built documentation) are made once, else its own name."""
    path = name.partition("::")[0]
    return path if _has_fixtures_of_its_own(path) else name


@cache
def _has_fixtures_of_its_own(path: str) -> bool:
    return 'scope="module"' in (PROJECT_ROOT / path).read_text(encoding="utf-8")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> object:
    """Hand out whole groups; the marker that pytest-xdist has for them is lost with this version of pytest."""
    from xdist.scheduler import LoadScopeScheduling

    class Groups(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            return _group(nodeid)

    return Groups(config, log)


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip or fail a marked test whose tool or data is missing."""
    for marker in TOOLS:
        if item.get_closest_marker(marker):
            require_tool(marker)
    if item.get_closest_marker("measured"):
        _require_measured()


def require_tool(marker: str) -> str:
    """Return the path of an outside tool; skip the test where it is missing, or fail it where tools are required."""
    for command in TOOLS[marker]:
        path = shutil.which(command)
        if path:
            return path
    if os.environ.get("LABKIT_REQUIRE_TOOLS"):
        pytest.fail(f"this run requires every tool: {INSTALL[marker]}", pytrace=False)
    pytest.skip(INSTALL[marker])


def _require_measured() -> None:
    # Allowed to be absent everywhere: the sweeps belong to others and are not part of the project.
    if not MEASURED.is_dir():
        pytest.skip(
            "the measured sweeps of others are not part of the project; put them at ../shared/measured to run this"
        )


@pytest.fixture(scope="session")
def project_root() -> Path:
    """The checkout."""
    return PROJECT_ROOT


@pytest.fixture(scope="session")
def measured_folder() -> Path:
    """The folder of measured sweeps beside the project; the test is skipped where there is none."""
    _require_measured()
    return MEASURED


@pytest.fixture(scope="session")
def chromium_path() -> str:
    """Path of the browser for tests that drive one."""
    return require_tool("browser")


@pytest.fixture(scope="session")
def browser(chromium_path: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[object]:
    """One browser for a whole run (playwright keeps one loop a process); every test opens a fresh profile in it."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=chromium_path, args=BROWSER_FLAGS)
        yield running
        running.close()
