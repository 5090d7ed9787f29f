"""The trust page: widgets over `TrustPageState`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.trust.page import panel
panel()
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Coroutine
from typing import Any

import ipywidgets

from labkit.app.kit.page import Page, box
from labkit.app.kit.widgets import CaseBoard, MadeFile
from labkit.app.pages.trust.state import TrustPageState
from labkit.app.pages.trust.words import head_html, limits_html, model_html
from labkit.cases.limits import limits
from labkit.core.errors import InputError

SHOW_EVERY_S = 0.2


def panel(query: str = "") -> ipywidgets.Box:
    """Return the trust page.

    Parameters
    ----------
    query : str
        What to show first, as in the page's address: ``"own.model=loads"``.
    """
    return TrustPage(TrustPageState(query)).box


class TrustPage(Page[TrustPageState]):
    """The reference cases by model: what they are at once, how they stand when they are run, one by one in a thread."""

    title = "How sure?"
    lead = "Every model against numbers from outside the lab."
    css_class = "lab-trust"

    def set_up(self) -> None:
        """Make the board and the files."""
        self.board = CaseBoard(limits=limits_html(limits()))
        self._task: asyncio.Task[None] | None = None
        state = self.state
        for key, label, ending, kind, make in (
            ("csv", "Save as CSV", "csv", "text/csv", state.as_csv),
            ("json", "Save as JSON", "json", "application/json", state.as_json),
        ):
            self.files.offer(key, label, self._file(ending, kind, make))

    def columns(self) -> tuple[ipywidgets.Widget, ...]:
        """Return controls, actions and files; the board beside them."""
        left = box("lab-left", self.controls, box("lab-more", self.files))
        return left, box("lab-right", self.board)

    @property
    def is_running(self) -> bool:
        """True while cases run."""
        return self._task is not None and not self._task.done()

    def buttons(self) -> list[dict[str, object]]:
        """Return the buttons of the action bar."""
        running = self.is_running
        return [
            {
                "key": "run",
                "label": "Run again" if self.state.done else "Run",
                "enabled": not running,
                "primary": not running,
            },
            {"key": "stop", "label": "Stop", "enabled": running},
            {"key": "again", "label": "Start again", "enabled": True},
            {"key": "link", "label": "Share", "enabled": True},
        ]

    def show(self, *, models: bool = True) -> None:
        """Show the present state; without ``models`` only what changes while cases run."""
        super().show()
        state = self.state
        total = len(state.cases) if state.is_loaded else 0
        self.board.head = head_html(state)
        self.board.progress = {"done": state.done, "total": total, "running": self.is_running}
        if models:
            shown = state.shown_models()
            self.board.models = [{"name": model, "html": model_html(state, model, limits())} for model in shown]

    def run_now(self) -> None:
        """Run every case that waits, without pause; for notebooks and tests."""
        while (case := self.state.next_case()) is not None:
            self.state.run(case)

    async def run_in_slices(self) -> None:
        """Run the cases that wait, showing what is known from time to time."""
        state, last, finished = self.state, 0.0, ""
        await asyncio.to_thread(lambda: state.cases)
        self.show()
        while (case := state.next_case()) is not None:
            await asyncio.to_thread(state.run, case)
            now = time.monotonic()
            if now - last > SHOW_EVERY_S:
                self.show(models=case.model != finished)
                last, finished = now, case.model

    def _connect(self) -> None:
        super()._connect()
        self.actions.on("run", self._run_again)
        self.actions.on("stop", lambda **_: self._stop())
        self.board.on("ready", lambda **_: self._read())

    def _file(self, ending: str, kind: str, make: Callable[[], bytes]) -> Callable[[], MadeFile]:
        def made() -> MadeFile:
            if not self.state.outcomes():
                raise InputError("No case has run yet.")
            return MadeFile(name=f"reference-cases.{ending}", kind=kind, content=make())

        return made

    def _read(self) -> None:
        """Read the cases, which takes a moment, and say what they are."""
        if not self.state.is_loaded:
            self._work(self.read, self._read_now)

    async def read(self) -> None:
        """Read the cases beside the page."""
        await asyncio.to_thread(self._read_now)

    def _read_now(self) -> None:
        len(self.state.cases)

    def _start(self) -> None:
        if not (self.state.is_loaded and self.state.next_case() is None):
            self._work(self.run_in_slices, self.run_now)

    def _work(self, slowly: Callable[[], Coroutine[Any, Any, None]], at_once: Callable[[], None]) -> None:
        """Work in slices, so that the page answers; at once where no event loop runs."""
        if self.is_running:
            return
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            at_once()
            self.show()
            return
        self._task = loop.create_task(slowly())
        self._task.add_done_callback(self._ended)
        self.show()

    def _ended(self, task: asyncio.Task[None]) -> None:
        if not task.cancelled() and task.exception() is not None:
            self.actions.said = f"The cases stopped: {task.exception()}"
        if self._task is task:
            self._task = None
            self.show()
            if self.state.problems and not self.actions.said:
                self.actions.said = " ".join(self.state.problems)

    def _stop(self) -> None:
        if self._task is not None:
            self._task.cancel()

    def _run_again(self, **_: object) -> None:
        if not self.is_running:
            if self.state.is_loaded and self.state.next_case() is None:
                self.state.forget()
            self._start()
