"""Pictures of every page at four widths in both schemes, and zoomed, printed and in forced colours, for looking at.

``python -m tests.browser.pictures`` starts a lab of its own and writes them into ``screenshots/``, one sheet a page and
scheme. Nothing is judged here: `test_every_page` judges what a machine can.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from tests.browser.conftest import profile, settled, start_server, stop_server
from tests.browser.test_every_page import PAGES
from tests.conftest import BROWSER_FLAGS, require_tool

SIZES = ((1920, 1080), (1280, 800), (768, 1024), (400, 850))
ZOOMED = (640, 450)
"""1280 by 900 at 200 %."""


def take_pictures(page: Page, name: str, folder: Path) -> None:
    """Write the pictures of the page that is open."""
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        shots = []
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            settled(page)
            shots.append(folder / f"{name}-{width}-{scheme}.png")
            page.screenshot(path=str(shots[-1]), full_page=True)
        _sheet(shots, folder / f"{name}-all-{scheme}.png")
    page.emulate_media(color_scheme="light")
    page.set_viewport_size({"width": ZOOMED[0], "height": ZOOMED[1]})
    settled(page)
    page.screenshot(path=str(folder / f"{name}-zoomed.png"))
    page.set_viewport_size({"width": 1280, "height": 800})
    page.emulate_media(forced_colors="active")
    settled(page)
    page.screenshot(path=str(folder / f"{name}-forced-colours.png"), full_page=True)
    page.emulate_media(forced_colors="none", media="print")
    settled(page)
    page.screenshot(path=str(folder / f"{name}-print.png"), full_page=True)


def _sheet(shots: list[Path], target: Path) -> None:
    """Put pictures beside each other."""
    opened = [Image.open(shot).convert("RGB") for shot in shots]
    sheet = Image.new("RGB", (sum(each.width + 20 for each in opened), max(each.height for each in opened)), "#888888")
    left = 0
    for each in opened:
        sheet.paste(each, (left, 0))
        left += each.width + 20
    sheet.save(target)


def main() -> None:
    """Take the pictures of all pages, or of those that are named."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("pages", nargs="*", metavar="PAGE", help=f"of {', '.join(PAGES)}; default: all")
    parser.add_argument("--folder", type=Path, default=Path("screenshots"))
    given = parser.parse_args()
    given.folder.mkdir(exist_ok=True)
    server = start_server("--port", "0", "--no-browser")
    try:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=require_tool("browser"), args=BROWSER_FLAGS)
            page = profile(browser).new_page()
            for name in given.pages or PAGES:
                path, ready = PAGES[name]
                page.goto(server.address + path)
                page.emulate_media(media="screen", forced_colors="none")
                page.wait_for_selector(ready, state="attached")
                take_pictures(page, name, given.folder)
            browser.close()
    finally:
        stop_server(server)


if __name__ == "__main__":
    main()
