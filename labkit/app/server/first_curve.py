"""The first curve of a page, drawn into its HTML while its kernel starts: the drawing that the kernel makes then.

Where it stood and how wide it was when the page was left last is in a cookie of that page (``page.js`` keeps it). The
picture lies over the place of the page's curve until the kernel has read the address and drawn the same. Nothing else
of a page is made here, and whatever cannot be drawn is left to the kernel: an address that does not suit the page,
a drawing that takes too long.
"""

from __future__ import annotations

import asyncio
import logging
import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

from labkit.app.kit.page_state import TALL
from labkit.app.kit.sheets_read import forget_changed_sheets, remember_sheets


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnPage:
    """Where the state of a page is to be found, and whether its curve is taller on a wide screen."""

    module: str
    state: str
    grows: bool = True


PAGES = {
    "start.ipynb": DrawnPage(module="start", state="StartPageState"),
    "rig.ipynb": DrawnPage(module="rig", state="RigPageState"),
    "cable.ipynb": DrawnPage(module="cable", state="CablePageState"),
    "winding.ipynb": DrawnPage(module="winding", state="WindingPageState"),
    "pots_and_capacitors.ipynb": DrawnPage(module="pots", state="PotsPageState"),
    "wiring.ipynb": DrawnPage(module="wiring", state="WiringPageState"),
    "listening_test.ipynb": DrawnPage(module="listening", state="ListeningPageState", grows=False),
}
"""Pages that have a curve from the beginning, by their notebooks."""

MARK = "<!-- first curve -->"
"""Where a page's template wants it."""

COOKIE = "labkit-curve"
USUAL_WIDTH, PHONE_WIDTH = 790, 358
"""Of the curve on a page that this browser has not shown yet, CSS pixels: as the kernel draws it first; on a phone."""

LONGEST_QUERY = 2000
PATIENCE_S = 0.4
"""After so long a page goes on without."""

MOST_WAITING = 4
"""With more pages waiting for their pictures the next one gets none."""

_LOG = logging.getLogger(__name__)
_WIDTHS = (200, 3000)
_STYLE = ".lab-widget svg{display:block;max-width:100%}"


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveFrame:
    """Where the curve of a page stood: width of the window, place and width of the curve, CSS pixels."""

    window: int
    left: int
    top: int
    width: int
    is_tall: bool


def read_frame(text: str | None) -> CurveFrame | None:
    """Return the frame that a cookie holds; None where it holds none.

    >>> read_frame("1280.376.136.880.0")
    CurveFrame(window=1280, left=376, top=136, width=880, is_tall=False)
    """
    if not text or not re.fullmatch(r"(\d{1,4}\.){4}[01]", text, re.ASCII):
        return None
    window, left, top, width, is_tall = map(int, text.split("."))
    if not _WIDTHS[0] <= width <= _WIDTHS[1]:
        return None
    return CurveFrame(window=window, left=left, top=top, width=width, is_tall=bool(is_tall))


def draw_first(page: str, query: str, *, width: int, is_tall: bool = False) -> str:
    """Return what the kernel of a page draws for the query of its address, SVG; empty where it has something to say."""
    found = PAGES[page]
    state = getattr(import_module(f"labkit.app.pages.{found.module}.state"), found.state)()
    if query:
        state.open(query)
    if state.problems:
        return ""
    drawing: str = state.draw(width, TALL) if is_tall and found.grows else state.draw(width)
    return drawing


def first_html(drawing: str, frame: CurveFrame | None) -> str:
    """Return a drawing for the page, at its place; in a tree of its own, so that nothing takes it for the page's."""
    place, style = "", _STYLE
    if frame is not None:
        place = f' style="left:{frame.left}px;top:{frame.top}px"'
        # a window of another width has another layout
        style += f"@media not (width:{frame.window}px){{.lab-widget{{display:none}}}}"
    inside = f'<style>{_colours()}{style}</style><div class="lab-widget">{drawing}</div>'
    return f'<div id="lab-first"{place}><template shadowrootmode="closed">{inside}</template></div>'


@cache
def _colours() -> str:
    return (Path(__file__).parents[2] / "data" / "voila" / "web" / "tokens.css").read_text(encoding="utf-8")


class FirstCurves:
    """Draws first curves, one at a time, beside the server's own work.

    A page's kernel reads the user's sheets as they are then. So does this: once they have changed, whatever this
    process has derived from sheets is derived anew.
    """

    def __init__(self, log: Any = _LOG) -> None:
        self._log = log
        remember_sheets()
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="first curves")
        self._waiting = 0

    def warm_up(self) -> None:
        """Draw every page once, so that the first visitor need not wait for it."""
        for page in PAGES:
            self._worker.submit(draw_first, page, "", width=USUAL_WIDTH)

    async def html(self, page: str, query: str, *, cookie: str | None, is_phone: bool = False) -> str:
        """Return the first curve of a page for its HTML; empty where it has none, or none in time."""
        if page not in PAGES or len(query) > LONGEST_QUERY or self._waiting >= MOST_WAITING:
            return ""
        frame = read_frame(cookie)
        usual = PHONE_WIDTH if is_phone else USUAL_WIDTH
        width, is_tall = (usual, False) if frame is None else (frame.width, frame.is_tall)
        self._waiting += 1
        drawn = asyncio.get_running_loop().run_in_executor(self._worker, self._draw, page, query, width, is_tall)
        drawn.add_done_callback(lambda _: self._left())
        try:
            drawing = await asyncio.wait_for(asyncio.shield(drawn), PATIENCE_S)
        except TimeoutError:
            return ""
        except Exception as error:  # a reader of a plugin's may fail in any way; the kernel says so then
            self._log.warning("The first curve of %s could not be drawn: %r", page, error)
            return ""
        return first_html(drawing, frame) if drawing else ""

    def _draw(self, page: str, query: str, width: int, is_tall: bool) -> str:
        if forget_changed_sheets():
            self.warm_up()
        return draw_first(page, query, width=width, is_tall=is_tall)

    def _left(self) -> None:
        self._waiting -= 1
