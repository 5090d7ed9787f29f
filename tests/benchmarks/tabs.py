"""Many pages of one lab open at once: memory of each, and whether the last one still follows a slider.

``python -m tests.benchmarks.tabs`` opens twenty in a real browser and prints; ``… tabs 40`` opens as many as are named.
Memory is each process's proportional share (PSS, Linux): what several processes share is counted once among them.
"""

from __future__ import annotations

import itertools
import statistics
import sys
import time
from pathlib import Path
from typing import Any

import psutil
from playwright.sync_api import sync_playwright

from tests.benchmarks.test_bench_pages import LENGTH, MOVE
from tests.browser.conftest import Server, kernels_of, start_server, stop_server
from tests.conftest import BROWSER_FLAGS, require_tool

PAGES = ("start", "rig", "cable", "winding", "pots_and_capacitors", "wiring", "listening_test", "tolerance_and_search")
POSITIONS = [40 if step % 2 else 20 for step in range(21)]


def share_mb(pid: int) -> float:
    """Return the proportional share of memory of a process, MB."""
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text("ascii").splitlines():
        if line.startswith("Pss:"):
            return int(line.split()[1]) * 1024 / 1e6
    raise ValueError(f"no Pss of process {pid}")


def open_tabs(browser: Any, server: Server, count: int) -> tuple[list[float], Any]:
    """Open pages of all kinds in one profile, the rig page last; return seconds until each answered, and that page."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    names = [*itertools.islice(itertools.cycle(PAGES), count - 1), "rig"]
    taken = []
    for name in names:
        page = context.new_page()
        start = time.perf_counter()
        page.goto(f"{server.address}voila/render/{name}.ipynb", wait_until="commit")
        page.wait_for_selector("html[data-lab-opened]", timeout=240_000)
        taken.append(time.perf_counter() - start)
    return taken, page


def main(count: int = 20) -> None:
    """Open so many tabs and print what they cost."""
    server = start_server("--port", "0", "--no-browser")
    try:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=require_tool("browser"), args=BROWSER_FLAGS)
            taken, page = open_tabs(browser, server, count)
            moves = page.evaluate(MOVE, [LENGTH, POSITIONS, ""])
            kernels = [process.pid for process in kernels_of(server)]
            every = [server.process.pid, *(each.pid for each in psutil.Process(server.process.pid).children(True))]
            shares = sorted(share_mb(pid) for pid in kernels)
            total = sum(map(share_mb, every))
            browser.close()
    finally:
        stop_server(server)
    print(f"{count} tabs, {len(kernels)} kernels with the one that waits")
    print(f"address to answers: median {statistics.median(taken):.2f} s, longest {max(taken):.2f} s")
    print(f"kernel: median {statistics.median(shares):.0f} MB, largest {shares[-1]:.0f} MB")
    print(f"lab with all of them, without the browser: {total:.0f} MB, {total / count:.0f} MB a tab")
    print(f"slider to redrawn curve in the last: median {statistics.median(moves):.0f} ms, longest {max(moves):.0f} ms")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:2]))
