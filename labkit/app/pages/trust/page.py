"""The trust page: widgets over `TrustBench`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.trust.page import panel
panel()
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from html import escape

import ipywidgets

from labkit.app.kit.widgets import ActionBar, CaseBoard, ControlPanel, FileOffers, MadeFile
from labkit.app.pages.trust.state import TrustBench, TrustState
from labkit.app.pages.trust.words import head_html, limits_html, model_html
from labkit.cases.limits import limits
from labkit.core.errors import InputError

TITLE = "How far to trust it"
LEAD = "Every model is held against numbers from outside the lab; this page runs them now, on this machine."
SHOW_EVERY_S = 0.2


def panel(query: str = "") -> ipywidgets.Box:
    """Return the trust page.

    Parameters
    ----------
    query : str
        What to show first, as in the page's address: ``"own.model=loads"``.
    """
    return TrustPage(TrustBench(query)).box


class TrustPage:
    """Keeps widgets and bench together; the cases run one by one in a thread, so the page always answers."""

    def __init__(self, bench: TrustBench) -> None:
        self.bench = bench
        self.controls = ControlPanel()
        self.actions = ActionBar()
        self.board = CaseBoard(limits=limits_html(limits()))
        self.files = FileOffers()
        self._task: asyncio.Task[None] | None = None
        self._shown_controls: object = None
        self._connect()
        self.show()
        self.box = _box(
            "lab-page",
            _box("lab-title", ipywidgets.HTML(f"<h1>{escape(TITLE)}</h1><p>{escape(LEAD)}</p>")),
            _box(
                "lab-columns",
                _box("lab-left", self.controls, _box("lab-more", self.actions), _box("lab-more", self.files)),
                _box("lab-right", self.board),
            ),
        )
        self.box.add_class("lab-trust")

    @property
    def is_running(self) -> bool:
        """True while cases run."""
        return self._task is not None and not self._task.done()

    def show(self, *, models: bool = True) -> None:
        """Show the present state; without ``models`` only what changes while cases run."""
        bench = self.bench
        controls = bench.controls
        if controls != self._shown_controls:
            self.controls.show_controls(controls)
            self._shown_controls = controls
        self.controls.show_values(controls, bench.values, {})
        self.actions.query = bench.query
        total = len(bench.cases) if bench.is_loaded else 0
        running = self.is_running
        self.actions.actions = [
            {"key": "run", "label": "Run again", "enabled": not running, "primary": not running},
            {"key": "stop", "label": "Stop", "enabled": running},
            {"key": "again", "label": "Start again", "enabled": True},
            {"key": "link", "label": "Copy link", "enabled": True},
        ]
        self.board.head = head_html(bench)
        self.board.progress = {"done": bench.done, "total": total, "running": running}
        if models:
            shown = bench.shown_models()
            self.board.models = [{"name": model, "html": model_html(bench, model, limits())} for model in shown]

    def run_now(self) -> None:
        """Run every case that waits, without pause; for notebooks and tests."""
        while (case := self.bench.next_case()) is not None:
            self.bench.run(case)
        self.show()

    async def run_in_slices(self) -> None:
        """Run the cases that wait, showing what is known from time to time."""
        bench, last, finished = self.bench, 0.0, ""
        await asyncio.to_thread(lambda: bench.cases)
        self.show()
        while (case := bench.next_case()) is not None:
            await asyncio.to_thread(bench.run, case)
            now = time.monotonic()
            if now - last > SHOW_EVERY_S:
                self.show(models=case.model != finished)
                last, finished = now, case.model

    def _connect(self) -> None:
        bench = self.bench

        def set_index(key: object = "", index: object = 0, **_: object) -> None:
            try:
                bench.set_index(str(key), int(index))  # type: ignore[call-overload]
            except (InputError, TypeError, ValueError):
                return
            self.show()

        self.controls.on("set", set_index)
        self.actions.on_open(self._open, self.controls)
        self.actions.on("run", self._run_again)
        self.actions.on("stop", lambda **_: self._stop())
        self.actions.on("again", self._start_again)
        self.board.on("ready", lambda **_: self._start())
        for key, label, ending, kind, make in (
            ("csv", "Save as CSV", "csv", "text/csv", bench.as_csv),
            ("json", "Save as JSON", "json", "application/json", bench.as_json),
        ):
            self.files.offer(key, label, self._file(ending, kind, make))

    def _file(self, ending: str, kind: str, make: Callable[[], bytes]) -> Callable[[], MadeFile]:
        def made() -> MadeFile:
            if not self.bench.outcomes():
                raise InputError("No case has run yet.")
            return MadeFile(name=f"reference-cases.{ending}", kind=kind, content=make())

        return made

    def _open(self, query: str) -> None:
        self.bench.open(query)
        self.show()
        self.actions.said = " ".join(self.bench.problems)

    def _start(self) -> None:
        if self.is_running or (self.bench.is_loaded and self.bench.next_case() is None):
            return
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            self.run_now()
            return
        self._task = loop.create_task(self.run_in_slices())
        self._task.add_done_callback(self._ended)
        self.show()

    def _ended(self, task: asyncio.Task[None]) -> None:
        if not task.cancelled() and task.exception() is not None:
            self.actions.said = f"The cases stopped: {task.exception()}"
        if self._task is task:
            self._task = None
            self.show()
            if self.bench.problems and not self.actions.said:
                self.actions.said = " ".join(self.bench.problems)

    def _stop(self) -> None:
        if self._task is not None:
            self._task.cancel()

    def _run_again(self, **_: object) -> None:
        if not self.is_running:
            if self.bench.is_loaded and self.bench.next_case() is None:
                self.bench.forget()
            self._start()

    def _start_again(self, **_: object) -> None:
        self.bench.state = TrustState()
        self.show()


def _box(css_class: str, *children: ipywidgets.Widget) -> ipywidgets.Box:
    box = ipywidgets.Box(children)
    box.add_class(css_class)
    return box
