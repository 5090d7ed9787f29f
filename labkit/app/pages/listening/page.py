"""The listening test page: widgets over `ListeningBench`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.listening.page import panel
panel()
"""

from __future__ import annotations

from collections.abc import Callable
from html import escape

import ipywidgets

from labkit.app.kit.background import Background
from labkit.app.kit.page import SOUND_LIMIT_S
from labkit.app.kit.panel_page import rig_panel
from labkit.app.kit.widgets import ActionBar, ControlPanel, CurveView, FileOffers, ListeningDesk, MadeFile
from labkit.app.pages.listening.run import LONGEST_RECORD, Sounds, make_sounds, result_file, trials_table
from labkit.app.pages.listening.state import ListeningBench
from labkit.app.pages.listening.words import desk_view
from labkit.core.errors import InputError
from labkit.rig.rig import Rig
from labkit.view.words import ZERO

TITLE = "Listening test"
LEAD = "Find out whether you can tell two rigs apart when you do not know which is which and neither is louder."
MAKING = "Making the sounds …"


class ListeningPage:
    """Keeps widgets and bench together."""

    def __init__(self, bench: ListeningBench) -> None:
        self.bench = bench
        self.controls = ControlPanel()
        self.actions = ActionBar()
        self.desk = ListeningDesk()
        self.curve = CurveView()
        self.files = FileOffers()
        self._said = ""
        self._asks_to_end = False
        self._is_busy = False
        self.sound_work = Background()
        self._sent: tuple[object, int] | None = None
        self._shown_controls: object = None
        self._connect()
        self._left = _box("lab-left", self.controls)
        caption = ipywidgets.HTML(f'<p class="lab-caption">{escape(ZERO)}</p>')
        self._bar = _box("lab-more", _box("lab-results", self.curve, caption), self.actions)
        self._files = _box("lab-more", self.files)
        self.box = _box(
            "lab-page",
            _box("lab-title", ipywidgets.HTML(f"<h1>{escape(TITLE)}</h1><p>{escape(LEAD)}</p>")),
            _box("lab-columns", self._left, _box("lab-right", self.desk, self._bar, self._files)),
        )
        self.box.add_class("lab-listening")
        self.show()

    def show(self) -> None:
        """Show the present state; hand out the sounds of a trial once it is the present one."""
        bench = self.bench
        controls = bench.controls
        if controls != self._shown_controls:
            self.controls.show_controls(controls)
            self._shown_controls = controls
        self.controls.show_values(controls, bench.values, bench.errors)
        if bench.stage == "choose":
            self.curve.svg = bench.draw(self.curve.width)
        self.actions.query = bench.query
        self.actions.actions = [
            {"key": "undo", "label": "Undo", "enabled": bench.can_undo},
            {"key": "redo", "label": "Redo", "enabled": bench.can_redo},
            {"key": "again", "label": "Start again", "enabled": bool(bench.query)},
            {"key": "link", "label": "Copy link", "enabled": True},
        ]
        for part in (self._left, self._bar):
            (part.remove_class if bench.stage == "choose" else part.add_class)("lab-away")
        (self._files.add_class if bench.run is None else self._files.remove_class)("lab-away")
        self._offer_files()
        view = desk_view(bench, said=self._said, asks_to_end=self._asks_to_end)
        self.desk.view = view
        self._send_sounds(int(view["trial"]))

    def _connect(self) -> None:
        bench = self.bench
        self.controls.on("set", self._then_show(lambda key="", index=0, **_: bench.set_index(str(key), int(index))))
        self.controls.on("type", self._then_show(lambda key="", text="", **_: bench.set_text(str(key), str(text))))
        for name, work in (("undo", bench.undo), ("redo", bench.redo), ("again", bench.start_again)):
            self.actions.on(name, self._then_show(_without_fields(work), stage="choose"))
        self.actions.on_open(self._open, self.controls)
        self.curve.observe(lambda _: setattr(self.curve, "svg", bench.draw(self.curve.width)), "width")
        for name, work in (
            ("begin", bench.begin),
            ("practise", bench.practise),
            ("back", bench.take_back),
            ("finish", bench.finish),
            ("end", bench.finish),
        ):
            self.desk.on(name, self._then_show(_without_fields(work)))
        self.desk.on("go on", self._then_show(lambda **_: None))
        self.desk.on("ask", self._ask_to_end)
        self.desk.on("answer", self._answer)
        self.desk.on("leave", self._leave)
        self.desk.on("forget", self._leave)
        self.desk.on("prepare", self._prepare)
        self.desk.on("cancel", self._cancel)
        self.desk.on("found", self._then_show(lambda text="", **_: bench.found(str(text)[: LONGEST_RECORD + 1])))
        self.desk.on("resume", self._resume)
        for key, label, make in (
            ("record", "Save this test", self._record_file),
            ("result", "Save the result", self._result_file),
            ("table", "Save the trials as CSV", self._table_file),
        ):
            self.files.offer(key, label, make)
        self._all_offers = list(self.files.offers)

    def _then_show(self, work: Callable[..., object], stage: str = "") -> Callable[..., None]:
        def handler(**fields: object) -> None:
            if self._is_busy or (stage and self.bench.stage != stage):
                return
            self._said = ""
            self._asks_to_end = False
            work(**fields)
            self.show()

        return handler

    def _open(self, query: str) -> None:
        if self.bench.stage == "choose" and not self._is_busy:
            self.bench.open(query)
            self.show()
            self.actions.said = " ".join(self.bench.problems)

    def _answer(self, choice: object = "", trial: object = 0, **_: object) -> None:
        bench = self.bench
        if bench.run is None or self._is_busy or type(trial) is not int:
            return
        self._asks_to_end = False
        try:
            if bench.stage == "practice" and trial == -bench.run.practised - 1:
                self._said = bench.run.try_one(str(choice))
            elif bench.stage == "trial":
                self._said = ""
                bench.answer(str(choice), trial)
        except InputError as error:
            self._said = str(error)
        self.show()

    def _ask_to_end(self, **_: object) -> None:
        self._asks_to_end = bool(self.bench.run is not None and self.bench.run.answers)
        self.show()

    def _leave(self, **_: object) -> None:
        self.bench.leave()
        self._said, self._asks_to_end = "", False
        self.desk.forgets = True
        self.show()
        self.desk.forgets = False

    def _prepare(self, **_: object) -> None:
        if self._is_free:
            self._make(self.bench.needed_sounds, self.bench.prepare, self.bench.refuse)

    def _resume(self, text: object = None, **_: object) -> None:
        kept = None if text is None else str(text)[: LONGEST_RECORD + 1]

        def refused(error: InputError) -> None:
            self._said = f"{str(error)[:1].upper()}{str(error)[1:]}."

        def done(sounds: Sounds) -> None:
            try:
                self.bench.resume(kept, sounds)
            except InputError as error:
                refused(error)

        if self._is_free:
            self._make(lambda: self.bench.needed_to_resume(kept), done, refused)

    @property
    def _is_free(self) -> bool:
        """True where sounds may be made: never while a test is under way."""
        return not self._is_busy and self.bench.stage == "choose"

    def _make(
        self,
        needed: Callable[[], tuple[Rig, Rig, str] | None],
        done: Callable[[Sounds], None],
        refused: Callable[[InputError], None],
    ) -> None:
        """Have the sounds made beside the page, which says so and lets them be cancelled."""

        def finish(work: Callable[..., None], *given: object) -> None:
            self._is_busy = False
            self._said = ""
            work(*given)
            if "against" in self.bench.errors:
                self._said = self.bench.errors["against"]
            self.show()

        def broke(sentence: str) -> None:
            self._said = f"The sounds were not made: {sentence}."

        try:
            asked = needed()
        except InputError as error:
            finish(refused, error)
            return
        if asked is None:
            return
        self._is_busy = True
        self._tell_making(MAKING)
        self.sound_work.ask(
            make_sounds,
            *asked,
            done=lambda sounds: finish(done, sounds),
            failed=lambda sentence: finish(refused, InputError(sentence)),
            broke=lambda sentence: finish(broke, sentence),
            tick=lambda seconds: self._tell_making(f"{MAKING} {seconds:.0f} s"),
            limit_s=SOUND_LIMIT_S,
        )

    def _tell_making(self, words: str) -> None:
        self._said = words
        buttons = [{"key": "cancel", "label": "Cancel", "enabled": True, "primary": False}]
        self.desk.view = {**self.desk.view, "said": words, "buttons": buttons, "opens_file": False}

    def _cancel(self, **_: object) -> None:
        if self._is_busy:
            self.sound_work.cancel()
            self._is_busy = False
            self._said = "Cancelled: no sounds are being made."
            self.show()

    def _send_sounds(self, trial: int) -> None:
        run = self.bench.run
        if run is None or self.bench.stage not in ("practice", "trial"):
            self._sent = None
            return
        wanted = (run, trial)
        if self._sent == wanted:
            return
        self._sent = wanted
        self.desk.send_sounds(run.practice_sounds() if self.bench.stage == "practice" else run.trial_sounds(), trial)

    def _offer_files(self) -> None:
        wanted = ("result", "table") if self.bench.stage == "result" else ("record",)
        offers = [offer for offer in self._all_offers if offer["key"] in wanted]
        if self.files.offers != offers:
            self.files.offers = offers

    def _record_file(self) -> MadeFile:
        if self.bench.run is None:
            raise InputError("There is no test to save yet.")
        name = f"listening-test-{self.bench.run.number[:8]}.json"
        return MadeFile(name=name, kind="application/json", content=self.bench.run.record().encode())

    def _result_file(self) -> MadeFile:
        name, result = self._opened()
        return MadeFile(name=f"{name}.json", kind="application/json", content=result_file(result))

    def _table_file(self) -> MadeFile:
        name, result = self._opened()
        return MadeFile(name=f"{name}.csv", kind="text/csv", content=trials_table(result))

    def _opened(self) -> tuple[str, dict[str, object]]:
        if self.bench.run is None or self.bench.result is None:
            raise InputError("The result is not open yet.")
        return f"listening-result-{self.bench.run.number[:8]}", self.bench.result


panel = rig_panel(lambda rig: ListeningPage(ListeningBench(rig)))


def _without_fields(work: Callable[[], None]) -> Callable[..., None]:
    return lambda **_: work()


def _box(css_class: str, *children: ipywidgets.Widget) -> ipywidgets.Box:
    box = ipywidgets.Box(children)
    box.add_class(css_class)
    return box
