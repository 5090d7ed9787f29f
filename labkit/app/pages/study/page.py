"""The page of studies: widgets over `StudyPageState`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.study.page import panel
panel()
"""

from __future__ import annotations

import time
from collections.abc import Callable
from html import escape
from typing import TYPE_CHECKING, Any

import ipywidgets

from labkit.app.kit.background import Background, Debounce
from labkit.app.kit.controls import ControlSet
from labkit.app.kit.files import offer_curves
from labkit.app.kit.page import CurvePage, box
from labkit.app.kit.panel_page import rig_panel
from labkit.app.kit.text import numbers_html, sentence_html, table_html
from labkit.app.kit.widgets import FileOffers, MadeFile, Work
from labkit.app.pages.study.controls import GOAL, SPREAD
from labkit.app.pages.study.state import Refusal, StudyPageState
from labkit.app.pages.study.work import SpreadAnswer
from labkit.core.errors import InputError, capitalized
from labkit.core.files import as_json_text
from labkit.rig.rig import Rig
from labkit.study import written
from labkit.study.search.solution import SearchResult
from labkit.view.words import ZERO, KeyNumber

if TYPE_CHECKING:
    from labkit.study.tolerance.result import MeasureSpread

PAUSE_S = 0.35
"""A drag ends before anything long is begun."""

DROP_S = 1.5
"""So long a draw that nobody wants any more may take to its next stop: a new process takes about as long."""

SPREAD_HEAD = ("Number", "As planned", "5 of 100 below", "Median", "95 of 100 below", "Found")
BAND = "The band holds 90 of 100 instruments; half lie below the dashed line."
WAITING = (KeyNumber(label="Answer", value="…", detail="on its way"),)


class StudyPage(CurvePage[StudyPageState]):
    """How far parts spread, one value, or parts for a goal."""

    title = "How far do parts spread, and which get me there?"
    lead = "For your rig as it stands; worked out beside the page, and can be stopped."
    keeps = False
    css_class = ""  # tables and pictures need the room beside the controls

    def set_up(self) -> None:
        """Make the page's own widgets."""
        self.background = Background()
        self.work = Work()
        self.numbers, self.said, self.caption = ipywidgets.HTML(), ipywidgets.HTML(), ipywidgets.HTML()
        self.pictures, self.table, self.causes, self.goal = (ipywidgets.HTML() for _ in range(4))
        self.work.on("cancel", lambda **_: self._stop())
        self.work.on("again", lambda **_: self._go_on())
        self.opener = self._opener("a goal sheet")
        self.goal_files = FileOffers()
        self.goal_files.offer("goal", "Save goal sheet", self._goal_file)
        self.close = ipywidgets.Button(description="Back to the goal on the left")
        self.close.on_click(lambda _: self._then_show(self.state.close_goal))
        offer_curves(
            self.files,
            curves=self.state.curves,
            stem=lambda: f"{self.file_stem}-{self.state.question}",
            title=lambda: self.rig_name,
        )
        self.files.offer("answer-csv", "Answer as CSV", lambda: self._answer_file("csv"))
        self.files.offer("answer-json", "Answer as JSON", lambda: self._answer_file("json"))
        self._ask = Debounce(self._begin, PAUSE_S)
        self._under_way: object = None
        self._stopped: object = None
        self._is_stopping = False
        self._dropped_at: float | None = None
        self.picture_files = FileOffers()
        offer_pictures(
            self.picture_files,
            answer=lambda: self.state.answer,
            stem=lambda: self.file_stem,
            title=lambda: self.rig_name,
        )
        self.spread_parts = (box("lab-section", self.pictures), box("lab-section", self.causes, self.picture_files))
        self.table_box = box("lab-section", self.table)
        for part in (self.table_box, self.spread_parts[1]):
            part.add_class("lab-wrap")
        self.goal_parts = (box("lab-section", self.goal, self.close, self.goal_files, self.opener),)

    def _connect(self) -> None:
        super()._connect()
        self.curve.observe(lambda _: self._draw_spread(self.state.answer), "width")

    def results(self) -> tuple[ipywidgets.Widget, ...]:
        """Return what was found, progress, curve, caption."""
        return self.said, self.work, self.curve, self.caption

    def below(self) -> tuple[ipywidgets.Widget, ...]:
        """Return numbers, pictures and tables, the goal's sheet, files."""
        return (
            self.numbers,
            *self.spread_parts[:1],
            self.table_box,
            *self.spread_parts[1:],
            self.known_box,
            *self.goal_parts,
            box("lab-section", ipywidgets.HTML("<h2>Save it</h2>"), self.files),
        )

    def shown_controls(self) -> ControlSet:
        """Return the controls that the present question needs."""
        return self.state.visible_controls

    def show_results(self) -> None:
        """Show the present answer, or ask for it."""
        state, answer = self.state, self.state.answer
        # while the same question is worked out anew its last answer stays, faded, so that nothing jumps under the hand
        is_fading = answer is None and state.shown_answer is not None
        for part in (*self.spread_parts, self.table_box, self.numbers, self.said):
            (part.add_class if is_fading else part.remove_class)("lab-fading")
        if not is_fading:
            for part in self.spread_parts:
                part.layout.display = None if isinstance(answer, SpreadAnswer) else "none"
        for part in self.goal_parts:
            part.layout.display = None if state.question == GOAL else "none"
        self.caption.value = (
            f'<p class="lab-caption">{escape(f"{ZERO} {BAND}" if state.question == SPREAD else ZERO)}</p>'
        )
        self._show_goal()
        if answer is None:
            if not is_fading:
                self.numbers.value = numbers_html(WAITING)
                self.table.value = self.pictures.value = self.causes.value = self.said.value = ""
                self.table_box.layout.display = "none"
            self._ask.ask()
            return
        if state.key != self._under_way:
            self._quiet()
        self._show_answer(answer)

    def _show_answer(self, answer: object) -> None:
        from labkit.app.pages.study import words
        from labkit.study.questions.question import QuestionAnswer
        from labkit.study.questions.ready import QUESTIONS
        from labkit.study.search.solution import SearchResult

        self.pictures.value = self.causes.value = self.table.value = ""
        self.table_box.layout.display = "none" if isinstance(answer, Refusal) else None
        if isinstance(answer, Refusal):
            self.numbers.value = ""
            self.said.value = sentence_html(answer.sentence)
        elif isinstance(answer, SpreadAnswer):
            self.numbers.value = numbers_html(words.spread_numbers(answer))
            self.said.value = sentence_html(words.spread_sentence(answer))
            self._draw_spread(answer)
            title = f"Of {answer.result.count} instruments"
            self.table.value = table_html(title, SPREAD_HEAD, words.spread_rows(answer)) + _small(words.NOT_MODELLED)
            self._offer_to_go_on(answer.result.complete)
        elif isinstance(answer, QuestionAnswer):
            self.numbers.value = numbers_html(words.answer_numbers(answer, answer.rig))
            self.said.value = sentence_html(answer.sentence)
            head, rows = words.answer_rows(answer)
            rests = "; ".join(answer.rests_on)
            text = f"Rests on: {rests}. {words.ABOUT_SEARCH}" if rests else words.ABOUT_SEARCH
            text = f"{text} {words.CAUTION}" if QUESTIONS[answer.question].is_soldered else text
            table = table_html("Beside it", head, rows, marked=words.stocked_row(answer)) if rows else ""
            self.table.value = _links(words.links(self.state)) + table + _small(text)
        elif isinstance(answer, SearchResult):
            self.numbers.value = numbers_html(words.search_numbers(answer))
            self.said.value = sentence_html(words.search_sentence(answer))
            head, rows = words.search_rows(answer)
            where = words.links(self.state)
            title = "Best first; each opens on the rig page, beside the present rig"
            table = table_html(title, head, [_named(row) for row in rows], links=where) if rows else ""
            lines = (answer.proof, words.ABOUT_SEARCH, words.CAUTION)
            self.table.value = table + _small(" ".join(line for line in lines if line))
            self._offer_to_go_on(answer.complete)

    def _offer_to_go_on(self, is_complete: bool) -> None:
        if not is_complete and self._under_way is None:
            self.work.words, self.work.again = "Stopped; what was found so far is kept.", True

    def _draw_spread(self, answer: object) -> None:
        if not isinstance(answer, SpreadAnswer):
            return
        from labkit.app.pages.study import words
        from labkit.view.drawings.study import draw_histogram, draw_tornado

        width = self.curve.width
        each = min(width, 380) if width < 700 else (width - 28) // 3
        wanted = {window.measure.name: (window.low, window.high) for window in self.state.windows}

        def histogram(item: MeasureSpread) -> str:
            name = words.NAMES.get(item.measure.name, item.measure.name)
            values = (item.low, item.median, item.high)
            low, median, high = (item.measure.shown(value).replace("-", "−") for value in values)
            text = f"{name}: 5 of 100 below {low}, half below {median}, 95 of 100 below {high}."
            drawn = draw_histogram(item, window=wanted.get(item.measure.name), description=text, width=each)
            return f"<div><h3>{escape(name)}</h3>{drawn}</div>"

        drawings = "".join(histogram(item) for item in answer.result.measures[:3] if item.found)
        legend = "Dashed: 5 and 95 of 100 lie below. Dotted: as planned. Shaded: a good one."
        self.pictures.value = f'<div class="lab-histograms">{drawings}</div>{_small(legend)}'
        measure, nominal = answer.measure.measure, answer.measure.nominal
        rows = words.cause_rows(answer)
        text = f"{answer.sentence} " + " ".join(f"{row[0]}: {row[2]}." for row in rows[:5])
        tornado = draw_tornado(answer.bars, measure=measure, nominal=nominal, description=text, width=min(width, 790))
        head = ("Part", "Varies", f"Moves the {measure.spoken}", "1 % more does", "Share of the variance")
        legend = "Hollow blue: the part at the low end of its spread; copper: at the high end; the others as planned."
        self.causes.value = (
            f"<h2>What matters most for the {escape(measure.spoken)}</h2>{tornado}{_small(legend)}"
            + table_html("Every part that varies", head, rows)
        )

    def _show_goal(self) -> None:
        state = self.state
        if state.question != GOAL:
            return
        is_opened = state.goal is not None
        self.close.layout.display = None if is_opened else "none"
        name = state.goal.name if state.goal is not None else ""
        words = (
            f"The goal of the sheet “{name}”, with its own rig." if is_opened else "The goal on the left, as a sheet."
        )
        self.goal.value = f"<h2>The goal</h2><p>{escape(words)}</p>"

    # the work

    def _begin(self) -> None:
        """Have the present answer worked out; what is under way for another one ends first."""
        state = self.state
        if state.answer is not None or state.key == self._stopped:
            return
        key = state.key
        if self.background.is_busy:
            if key != self._under_way:
                self._drop()
            return
        try:
            job = state.job()
        except InputError as error:
            self._answered(key, Refusal(sentence=_sentence(str(error))))
            return
        self._under_way = key
        self._progress(job.word, "")
        self.background.ask(
            job.function,
            job.ask,
            done=lambda answer: self._answered(key, answer),
            failed=lambda text: self._failed(key, text),
            tick=lambda seconds: self._tick(job.word, seconds),
            on_progress=lambda text: self._progress(job.word, str(text)),
            broke=lambda text: self._broke(key, text),
        )

    def _drop(self) -> None:
        """End what is under way, since something else is asked: draws and searches end after their present piece, so
        that their process need not start anew; what takes longer than a moment ends with its process."""
        self._is_stopping = False
        if self._dropped_at is None and isinstance(self._under_way, tuple) and self._under_way[0] in (SPREAD, GOAL):
            self._dropped_at = time.monotonic()
            self.background.stop()
        elif self._dropped_at is None or time.monotonic() - self._dropped_at > DROP_S:
            self.background.cancel()
            self._forget_dropped()

    def _forget_dropped(self) -> None:
        self._dropped_at, self._under_way = None, None
        self._ask.ask()

    def _tick(self, word: str, seconds: float) -> None:
        if self._dropped_at is not None:
            self._drop()
            return
        if self.work.words.endswith((" …", " s")):
            self._progress(word, f"{seconds:.0f} s")

    def _progress(self, word: str, text: str) -> None:
        if self._is_stopping or self._dropped_at is not None:
            return
        self.work.again = False
        self.work.words = f"{word} … {text}".rstrip()

    def _failed(self, key: object, text: str) -> None:
        """Say why there is no answer; that a person stopped it too early for one is no answer to keep."""
        if self._dropped_at is not None:
            self._forget_dropped()
        elif self._is_stopping:
            self._is_stopping = False
            self._halted(key)
        else:
            self._answered(key, Refusal(sentence=_sentence(text)))

    def _broke(self, key: object, text: str) -> None:
        """Offer to go on where the work came to no end by itself; that is no answer to keep."""
        if self._dropped_at is not None:
            self._forget_dropped()
            return
        self._is_stopping = False
        self._halted(key)
        self.work.words = _sentence(text)

    def _halted(self, key: object) -> None:
        self._stopped, self._under_way = key, None
        self.work.words, self.work.again = "Stopped.", True

    def _answered(self, key: object, answer: object) -> None:
        if self._dropped_at is not None:
            self._forget_dropped()
            return
        self._under_way, self._is_stopping = None, False
        self._quiet()
        self.state.take(key, answer)
        self.show()

    def _stop(self) -> None:
        """End with what there is; a question that cannot end early is dropped."""
        if self.state.question in (SPREAD, GOAL):
            self._is_stopping = True
            self.background.stop()
            self.work.words = "Stopping …"
            return
        self.background.cancel()
        self._halted(self.state.key)

    def _go_on(self) -> None:
        self._stopped = None
        self.state.forget(self.state.key)
        self.show()

    def _quiet(self) -> None:
        self.work.words, self.work.again = "", False

    # pictures, sound, files

    def compared(self) -> tuple[Rig, str] | None:
        """Return the best rig that was found."""
        found = self.state.found
        return (found[0], self.state.names_of_found[0]) if found else None

    def open_sheet(self, text: str, where: str) -> str:
        """Ask for the goal of a sheet."""
        return self.state.open_goal(text, where)

    def _goal_file(self) -> MadeFile:
        return MadeFile(name="goal.toml", kind="application/toml", content=self.state.goal_text().encode())

    def _answer_file(self, kind: str) -> MadeFile:
        from labkit.app.pages.study.page import answer_csv, answer_json

        make: Callable[[object], str] = answer_csv if kind == "csv" else answer_json
        answer = self.state.answer
        if answer is None or isinstance(answer, Refusal):
            raise InputError("there is no answer yet to save")
        media = "text/csv" if kind == "csv" else "application/json"
        name = f"{self.file_stem}-{self.state.question}-answer.{kind}"
        return MadeFile(name=name, kind=media, content=make(answer).encode())


panel = rig_panel(lambda rig: StudyPage(StudyPageState(rig)))


def _sentence(text: str) -> str:
    return f"{capitalized(text)}{'' if text.endswith('.') else '.'}"


def _small(text: str) -> str:
    return f'<p class="lab-note">{escape(text)}</p>'


def _named(row: tuple[str, ...]) -> tuple[str, ...]:
    """Put the place in front of the parts: the first cell is what a reader goes by, and it is the link."""
    return (f"{row[0]} {row[1]}", *row[2:])


def _links(where: tuple[str, ...]) -> str:
    if not where or not where[0]:
        return ""
    return f'<p><a class="lab-link" href="{escape(where[0])}">Open it on the rig page</a>, beside the present rig.</p>'


def answer_json(answer: Any) -> str:
    """Return an answer as JSON."""
    if isinstance(answer, SpreadAnswer):
        name = answer.measure.measure.name
        sensitivity = written.sensitivity_data(
            answer.local, {name: answer.bars}, {name: answer.shares}, [answer.sentence]
        )
        return as_json_text(written.tolerance_data(answer.result) | {"sensitivity": sensitivity}) + "\n"
    data = written.search_data(answer) if isinstance(answer, SearchResult) else written.answer_data(answer)
    return as_json_text(data) + "\n"


def answer_csv(answer: Any) -> str:
    """Return an answer as a table."""
    if isinstance(answer, SpreadAnswer):
        return written.tolerance_csv(answer.result) + "\n"
    text = written.search_csv(answer) if isinstance(answer, SearchResult) else written.answer_csv(answer)
    return text + "\n"


def offer_pictures(
    files: FileOffers, *, answer: Callable[[], object], stem: Callable[[], str], title: Callable[[], str]
) -> None:
    """Add buttons that save the band, the histograms and the tornado of a spread.

    Parameters
    ----------
    files : FileOffers
    answer : callable
        The present answer.
    stem, title : callable
        Beginning of the file's name, and the picture's heading.
    """

    def picture(what: str, kind: str) -> MadeFile:
        from labkit.view.curve.plot import figure_bytes  # matplotlib costs 0.3 s and memory: only when asked for
        from labkit.view.curve.study_plots import band_figure, histogram_figure, tornado_figure

        found = answer()
        if not isinstance(found, SpreadAnswer):
            raise InputError("there is no spread to draw yet; wait until it is worked out")
        measure = found.measure.measure
        if what == "tornado":
            heading = f"{title()}: what moves the {measure.spoken}"
            drawing = tornado_figure(found.bars, unit=measure.unit, nominal=found.measure.nominal, title=heading)
        elif what == "band":
            drawing = band_figure(found.result, title=title())
        else:
            drawing = histogram_figure(found.result.measures[:3], title=title())
        media = "image/svg+xml" if kind == "svg" else "image/png"
        return MadeFile(name=f"{stem()}-{what}.{kind}", kind=media, content=figure_bytes(drawing, kind))

    for what in ("band", "histograms", "tornado"):
        for kind in ("svg", "png"):
            label = f"{capitalized(what)} as {kind.upper()}"
            files.offer(f"{what}-{kind}", label, lambda what=what, kind=kind: picture(what, kind))  # type: ignore[misc]
