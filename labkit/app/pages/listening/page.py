"""The listening test page: widgets over `ListeningPageState`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.listening.page import panel
panel()
"""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets

from labkit.app.kit.background import Background
from labkit.app.kit.listening_bar import Hearing, Kept
from labkit.app.kit.page import Page, box, caption
from labkit.app.kit.panel_page import rig_panel
from labkit.app.kit.widgets import CurveView, ListeningDesk, MadeFile
from labkit.app.pages.listening.run import LONGEST_RECORD, Sounds, make_sounds, result_file, trials_table
from labkit.app.pages.listening.state import ListeningPageState
from labkit.app.pages.listening.words import desk_view
from labkit.core.errors import InputError, capitalized
from labkit.rig.rig import Rig
from labkit.view.words import ZERO

MAKING = "Making the sounds …"
SOUND_LIMIT_S = 60.0
"""The longest take is ready in some seconds even on a busy machine; what takes so long never comes."""


class ListeningPage(Page[ListeningPageState]):
    """Two rigs, told apart blind at equal loudness."""

    title = "Blind test"
    lead = "Can you tell two rigs apart when you do not know which is which and neither is louder?"
    css_class = "lab-listening"

    def set_up(self) -> None:
        """Make the desk, the curve and the files."""
        self.desk = ListeningDesk()
        self.curve = CurveView()
        self._said = ""
        self._asks_to_end = False
        self._is_busy = False
        self.sound_work = Background()
        self._sent: tuple[object, int] | None = None
        self._left = box("lab-left", self.controls)
        self._bar = box("lab-more", box("lab-results", self.curve, caption(ZERO)))
        self._files = box("lab-more", self.files)
        for key, label, make in (
            ("record", "Save this test", self._record_file),
            ("result", "Save the result", self._result_file),
            ("table", "Save the trials as CSV", self._table_file),
        ):
            self.files.offer(key, label, make)
        self._all_offers = list(self.files.offers)

    def hearing(self) -> Hearing:
        """Return the first rig as A and the second as B."""
        one, other = self.state.names
        first, second = self.state.rigs
        return Hearing(
            rig=first,
            name=one,
            kept=(Kept(text=other, here=one, rig=lambda: second),),
            offers=self.state.offers,
            keeps=False,
        )

    def columns(self) -> tuple[ipywidgets.Widget, ...]:
        """Return the controls; desk, curve and files beside them."""
        return self._left, box("lab-right", self.desk, self._bar, self._files)

    def show(self) -> None:
        """Show the present state; hand out the sounds of a trial once it is the present one."""
        super().show()
        state = self.state
        if state.stage == "choose":
            self.curve.svg = state.draw(self.curve.width)
        for part in (self._left, self._bar):
            (part.remove_class if state.stage == "choose" else part.add_class)("lab-away")
        (self._files.add_class if state.run is None else self._files.remove_class)("lab-away")
        self._offer_files()
        view = desk_view(state, said=self._said, asks_to_end=self._asks_to_end)
        self.desk.view = view
        self._send_sounds(int(view["trial"]))
        self.listening.bar.is_away = state.stage in ("practice", "trial", "answered")

    def _connect(self) -> None:
        super()._connect()
        state = self.state
        self.curve.observe(lambda _: setattr(self.curve, "svg", state.draw(self.curve.width)), "width")
        for name, work in (
            ("begin", state.begin),
            ("practise", state.practise),
            ("back", state.take_back),
            ("finish", state.finish),
            ("end", state.finish),
            ("go on", lambda: None),
        ):
            self.desk.on(name, lambda work=work, **_: self._desk_step(work))
        self.desk.on("ask", self._ask_to_end)
        self.desk.on("answer", self._answer)
        self.desk.on("leave", self._leave)
        self.desk.on("forget", self._leave)
        self.desk.on("prepare", self._prepare)
        self.desk.on("cancel", self._cancel)
        self.desk.on("found", lambda text="", **_: self._desk_step(state.found, str(text)[: LONGEST_RECORD + 1]))
        self.desk.on("resume", self._resume)

    def _desk_step(self, work: Callable[..., object], *arguments: object) -> None:
        if not self._is_busy:
            self._said = ""
            self._asks_to_end = False
            work(*arguments)
            self.show()

    def _then_show(self, change: Callable[..., object], *arguments: object) -> None:
        if self.state.stage == "choose":  # the comparison is fixed while a test is under way
            self._desk_step(change, *arguments)

    def _open(self, query: str) -> None:
        if self._is_free:
            super()._open(query)

    def _answer(self, choice: object = "", trial: object = 0, **_: object) -> None:
        state = self.state
        if state.run is None or self._is_busy or type(trial) is not int:
            return
        self._asks_to_end = False
        try:
            if state.stage == "practice" and trial == -state.run.practised - 1:
                self._said = state.run.try_one(str(choice))
            elif state.stage == "trial":
                self._said = ""
                state.answer(str(choice), trial)
        except InputError as error:
            self._said = str(error)
        self.show()

    def _ask_to_end(self, **_: object) -> None:
        self._asks_to_end = bool(self.state.run is not None and self.state.run.answers)
        self.show()

    def _leave(self, **_: object) -> None:
        self.state.leave()
        self._said, self._asks_to_end = "", False
        self.desk.forgets = True
        self.show()
        self.desk.forgets = False

    def _prepare(self, **_: object) -> None:
        if self._is_free:
            self._make(self.state.needed_sounds, self.state.prepare, self.state.refuse)

    def _resume(self, text: object = None, **_: object) -> None:
        kept = None if text is None else str(text)[: LONGEST_RECORD + 1]

        def refused(error: InputError) -> None:
            self._said = f"{capitalized(str(error))}."

        def done(sounds: Sounds) -> None:
            try:
                self.state.resume(kept, sounds)
            except InputError as error:
                refused(error)

        if self._is_free:
            self._make(lambda: self.state.needed_to_resume(kept), done, refused)

    @property
    def _is_free(self) -> bool:
        """True where sounds may be made: never while a test is under way."""
        return not self._is_busy and self.state.stage == "choose"

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
            if "against" in self.state.errors:
                self._said = self.state.errors["against"]
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
        run = self.state.run
        if run is None or self.state.stage not in ("practice", "trial"):
            self._sent = None
            return
        wanted = (run, trial)
        if self._sent == wanted:
            return
        self._sent = wanted
        self.desk.send_sounds(run.practice_sounds() if self.state.stage == "practice" else run.trial_sounds(), trial)

    def _offer_files(self) -> None:
        wanted = ("result", "table") if self.state.stage == "result" else ("record",)
        offers = [offer for offer in self._all_offers if offer["key"] in wanted]
        if self.files.offers != offers:
            self.files.offers = offers

    def _record_file(self) -> MadeFile:
        if self.state.run is None:
            raise InputError("There is no test to save yet.")
        name = f"listening-test-{self.state.run.number[:8]}.json"
        return MadeFile(name=name, kind="application/json", content=self.state.run.record().encode())

    def _result_file(self) -> MadeFile:
        name, result = self._opened()
        return MadeFile(name=f"{name}.json", kind="application/json", content=result_file(result))

    def _table_file(self) -> MadeFile:
        name, result = self._opened()
        return MadeFile(name=f"{name}.csv", kind="text/csv", content=trials_table(result))

    def _opened(self) -> tuple[str, dict[str, object]]:
        if self.state.run is None or self.state.result is None:
            raise InputError("The result is not open yet.")
        return f"listening-result-{self.state.run.number[:8]}", self.state.result


panel = rig_panel(lambda rig: ListeningPage(ListeningPageState(rig)))
