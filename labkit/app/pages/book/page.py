"""The workshop book's page: widgets over `BookPageState`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.book.page import panel
panel()
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from html import escape
from typing import Any

import ipywidgets
import traitlets

from labkit.app.kit.background import Debounce
from labkit.app.kit.files import GivenFile, Intake, Upload
from labkit.app.kit.own_book import demo_book, knowledge_html, own_book
from labkit.app.kit.page import Page, box, note, small_print
from labkit.app.kit.text import answer_html, capital
from labkit.app.kit.widgets import CurveView, LabWidget, MadeFile, web_text
from labkit.app.pages.book.state import BATCH, FIND, KNOWS, MONTHS, PAIRS, STOCK, BookPageState
from labkit.app.pages.book.words import (
    CAUTION,
    DEMO,
    batches_html,
    chart_answer,
    chart_html,
    coil_html,
    lines_html,
    pairs_html,
    row_said,
    set_html,
    stock_html,
    summary,
)
from labkit.book.things import THINGS
from labkit.core.errors import InputError
from labkit.view.drawings.coil_chart import draw_coil_chart

PAPERS = {BATCH: ("card", "batch"), FIND: ("coil", "test", "customer"), STOCK: ("reels",)}
"""What each part of the book prints."""

PAUSE_S = 0.8
"""After the last key, before a batch is judged together."""

LARGEST_TABLE = 1 << 20
"""Bytes of a batch as a CSV file: some ten thousand rows."""


class BatchTable(LabWidget):
    """A batch as a table to type in; ``on("typed")`` gets rows of cells, ``on("paste")`` rows and the pasted text.

    Attributes
    ----------
    columns : list of dict
        ``key`` and ``label``.
    rows : list of list of str
        Cells; the page takes them when ``revision`` changes, and keeps them itself in between.
    said : list of dict
        ``text`` and ``kind`` beside each row.
    """

    _esm = web_text("batch_table.js")
    _css = web_text("tokens.css", "widgets.css", "batch_table.css")
    columns: traitlets.List[Any] = traitlets.List().tag(sync=True)
    rows: traitlets.List[Any] = traitlets.List().tag(sync=True)
    said: traitlets.List[Any] = traitlets.List().tag(sync=True)
    summary = traitlets.Unicode("").tag(sync=True)
    revision = traitlets.Int(0).tag(sync=True)


class BookPage(Page[BookPageState]):
    """A workshop book: today's batch, what the shop knows, coils over the months, pairs, history, stock."""

    title = "Workshop book"
    css_class = "lab-book"

    def set_up(self) -> None:
        """Make a section for every part of the book; one is shown at a time."""
        self.said, self.how_to_open = ipywidgets.HTML(), ipywidgets.HTML()
        self.table = BatchTable()
        self.table.on("typed", self._typed)
        self.table.on("paste", self._pasted)
        self.enter_button = ipywidgets.Button(description="Enter into the book")
        self.enter_button.on_click(lambda _: self._enter())
        self.clear_button = ipywidgets.Button(description="Empty the table")
        self.clear_button.on_click(lambda _: self._clear())
        self.upload = Upload(
            Intake(largest=LARGEST_TABLE, what="a batch", advice="Save the spreadsheet as CSV."),
            label="Open a CSV file",
            hint="Its first row may name the columns: serial, ohms, henries, loss, Q, peak, height, field, turns.",
            accept=".csv,.txt,.tsv",
            many=False,
        )
        self.upload.on_file(self._opened)
        self.answer, self.text, self.stories = ipywidgets.HTML(), ipywidgets.HTML(), ipywidgets.HTML()
        self.chart = CurveView()
        self.chart.observe(lambda _: self._draw_chart(), ["width"])
        self.search = ipywidgets.Text(
            description="Coils with all of these, separated by commas",
            placeholder="neck, reel 12, ohms > 6.1k, wound >= 2026-03",
            continuous_update=False,
        )
        self.search.observe(self._searched, "value")
        self.search_box = box("lab-search", self.search)
        self.set_text = ipywidgets.Text(
            description="Set of these coils", placeholder="0101, 0107", continuous_update=False
        )
        self.set_text.observe(self._set_named, "value")
        self.set_box = box("lab-search", self.set_text)
        self.batch_box = box(
            "lab-section", self.table, box("lab-buttons", self.enter_button, self.clear_button), self.upload
        )
        self.act_text = ipywidgets.Text(description="What was done, or why", continuous_update=False)
        self.act_button = ipywidgets.Button(description="Enter")
        self.act_button.on_click(lambda _: self._done(lambda: self.state.act(self.act_text.value), self.act_text))
        self.act_box = box("lab-section", box("lab-search", self.act_text), box("lab-buttons", self.act_button))
        self.thing_label = ipywidgets.Text(description="Name", placeholder="as the workshop calls it")
        self.thing_texts: dict[str, ipywidgets.Text] = {}
        self.thing_fields = box("lab-search")
        self.thing_fields.add_class("lab-form")
        self.thing_button = ipywidgets.Button(description="Enter")
        self.thing_button.on_click(lambda _: self._enter_thing())
        heading = ipywidgets.HTML("<h2>Enter, or say more</h2>")
        self.thing_box = box("lab-section", heading, self.thing_fields, box("lab-buttons", self.thing_button))
        self._offers()
        self._judge = Debounce(self._judged, PAUSE_S)
        self._tell = Debounce(self._told, 0.1)

    def _offers(self) -> None:
        """Offer the papers; `show` shows those of the part that is shown."""
        state = self.state
        for key, label, make in (
            ("card", "Print work card", state.work_card),
            ("batch", "Print batch sheet", state.batch_sheet),
            ("coil", "Print coil card", partial(state.coil_paper, "coil")),
            ("test", "Print test record", partial(state.coil_paper, "test")),
            ("customer", "Print customer sheet", partial(state.coil_paper, "customer")),
            ("reels", "Print reel labels", state.reel_labels),
        ):
            self.files.offer(key, label, partial(_printed, key, make))
        self._all_offers = list(self.files.offers)

    def columns(self) -> tuple[ipywidgets.Widget, ...]:
        """Return the controls, and the part of the book beside them."""
        return self.controls, box(
            "lab-right",
            self.said,
            self.batch_box,
            self.search_box,
            self.set_box,
            self.answer,
            self.chart,
            self.how_to_open,
            box("lab-wrap", self.text),
            self.thing_box,
            self.act_box,
            self.stories,
            self.files,
            note(CAUTION),
        )

    def buttons(self) -> list[dict[str, object]]:
        """Return the buttons of the action bar; a link carries no part of the book."""
        return [button for button in super().buttons() if button["key"] != "link"]

    def show(self) -> None:
        """Show the part of the book that is chosen."""
        super().show()
        view = self.state.snapshot.view
        why = self.state.why_demo
        self.said.value, self.how_to_open.value = small_print(DEMO if why else ""), small_print(why)
        for widget, views in (
            (self.batch_box, (BATCH,)),
            (self.search_box, (FIND,)),
            (self.set_box, (PAIRS,)),
            (self.thing_box, (STOCK,)),
            (self.act_box, (FIND,) if self.state.found_coil() is not None else ()),
            (self.chart, (MONTHS,)),
            (self.stories, (MONTHS,)),
            (self.answer, (KNOWS, MONTHS)),
        ):
            widget.layout.display = None if view in views else "none"
        papers = PAPERS.get(view, ()) if self.state.has_designs else ()
        self.files.offers = [offer for offer in self._all_offers if offer["key"] in papers]
        self.text.value = ""
        if not self.state.has_designs and view not in (FIND, STOCK):
            self.batch_box.layout.display = self.chart.layout.display = "none"
            self.answer.value = self.stories.value = ""
            self.text.value = (
                "<p>No design is in the book yet. Enter a pickup's sheet with: labkit book design SHEET</p>"
            )
            return
        try:
            self._show_part(view)
        except InputError as error:
            self.answer.value = self.stories.value = self.chart.svg = ""
            self.text.value = f"<p>{escape(capital(str(error)))}</p>"

    def book_changed(self) -> None:
        """Show the part anew, or judge again what is being typed, which stays as it is."""
        if self.state.snapshot.view == BATCH and self.state.has_designs:
            self._judge.ask()
            self._follow_book()
        else:
            self.show()

    def _show_part(self, view: str) -> None:
        state = self.state
        if view == BATCH:
            self._show_rows()
        elif view == KNOWS:
            known = state.knowledge()
            self.answer.value = answer_html(escape(capital(known.sentence)))
            self.text.value = knowledge_html(known, f"{state.values['design']}: the next coil")
        elif view == MONTHS:
            chart = state.chart()
            self.answer.value = answer_html(said) if (said := chart_answer(chart)) else ""
            self._draw_chart()
            self.text.value = chart_html(chart)
            self.stories.value = '<p class="lab-note">Judging the batches that stand out …</p>'
            self._tell.ask()
        elif view == PAIRS:
            chosen = state.coil_set()
            self.text.value = ("" if chosen is None else set_html(chosen)) + pairs_html(*state.pairs())
        elif view == FIND:
            found = state.found()
            self.text.value = lines_html(found, state.searched)
            if len(found) == 1:
                self.text.value += coil_html(state.book, found[0].coil)
        elif view == STOCK:
            self._show_fields(str(state.values["thing"]))
            self.text.value = stock_html(state.book)

    def _show_fields(self, thing: str) -> None:
        """Show what can be said of a kind of thing; what was typed stays while the kind does."""
        kind = THINGS[thing]
        if list(self.thing_texts) == [each.key for each in kind.fields] and self.thing_fields.children:
            return
        self.thing_texts = {
            each.key: ipywidgets.Text(description=each.words, placeholder=each.example) for each in kind.fields
        }
        self.thing_fields.children = (self.thing_label, *self.thing_texts.values())

    def _enter_thing(self) -> None:
        texts = {key: widget.value.strip() for key, widget in self.thing_texts.items()}
        said = {key: text for key, text in texts.items() if text}
        self._done(
            lambda: self.state.enter_thing(self.thing_label.value, said), self.thing_label, *self.thing_texts.values()
        )

    def _done(self, do: Callable[[], str], *texts: ipywidgets.Text) -> None:
        """Do something to the book and say what was done, or why not; what was typed is emptied once it is in."""
        try:
            said = do()
        except InputError as error:
            self.actions.said = capital(str(error))
            return
        for text in texts:
            text.value = ""
        self.show()
        kept = " It is kept until this page closes: the book is invented." if self.state.why_demo else ""
        self.actions.said = capital(said) + kept

    def _draw_chart(self) -> None:
        if self.state.snapshot.view == MONTHS and self.state.has_designs:
            try:
                self.chart.svg = draw_coil_chart(self.state.chart(), width=self.chart.width or 790)
            except InputError:
                self.chart.svg = ""

    def _told(self) -> None:
        if self.state.snapshot.view == MONTHS:
            try:
                self.stories.value = "<h2>Batches that stand out</h2>" + batches_html(self.state.batches())
            except InputError as error:
                self.stories.value = f"<p>{escape(capital(str(error)))}</p>"

    # -- today's batch

    def _show_rows(self, *, anew: bool = True) -> None:
        state = self.state
        if not state.table.rows:
            state.clear()
            anew = True
        self._show_verdicts(judged=False)
        if anew:
            table = state.table
            units = {column: table.unit_of(column) for column in table.columns}
            self.table.columns = [
                {
                    "key": column,
                    "label": f"{column}, {units[column]}" if units[column] and units[column] != "1" else column,
                }
                for column in table.columns
            ]
            self.table.rows = [list(cells) for cells in table.rows]
            self.table.revision += 1
        self._judge.ask()

    def _show_verdicts(self, *, judged: bool) -> None:
        rows = self.state.understood()
        verdict, coils = self.state.judged() if judged else (None, {})
        self.table.said = [row_said(row, coils.get(row.serial) if row is not None else None) for row in rows]
        self.table.summary = summary(rows, verdict)
        can_enter = bool(any(rows)) and not any(row is not None and (row.problems or row.questions) for row in rows)
        self.enter_button.disabled = not can_enter

    def _judged(self) -> None:
        if self.state.snapshot.view != BATCH:
            return
        try:
            self._show_verdicts(judged=True)
        except InputError as error:
            self.table.summary = capital(str(error))

    def _typed(self, rows: object = (), **_: object) -> None:
        if isinstance(rows, list) and all(isinstance(row, list) for row in rows):
            self.state.typed(rows)
            self._show_rows(anew=False)

    def _pasted(self, rows: object = (), text: object = "", **_: object) -> None:
        if isinstance(rows, list) and all(isinstance(row, list) for row in rows):
            self.state.typed(rows)
        self._take(str(text)[:LARGEST_TABLE])

    def _opened(self, file: GivenFile) -> None:
        try:
            self.state.paste(file.content.decode("utf-8-sig"))
        except UnicodeDecodeError:
            raise InputError(f"{file.name} is not text in UTF-8; save the spreadsheet as CSV") from None
        self._show_rows()

    def _take(self, text: str) -> None:
        try:
            self.state.paste(text)
        except InputError as error:
            self.table.summary = capital(str(error))
            return
        self._show_rows()

    def _clear(self) -> None:
        self.state.clear()
        self._show_rows()

    def _enter(self) -> None:
        try:
            session = self.state.enter()
        except InputError as error:
            self.table.summary = capital(str(error))
            return
        self.show()
        where = "the demo book, until this page closes" if self.state.why_demo else self.state.book.name
        self.actions.said = f"{session.label} entered into {where}."

    def _set_named(self, change: dict[str, Any]) -> None:
        self.state.set_of = str(change["new"])[:200]
        self.show()

    def _searched(self, change: dict[str, Any]) -> None:
        self.state.searched = str(change["new"])[:200]
        self.show()


def _printed(key: str, make: Callable[[], str]) -> MadeFile:
    return MadeFile(name=f"{key}.html", kind="text/html", content=make().encode(), is_printed=True)


def panel() -> ipywidgets.Box:
    """Return the page of the lab's own workshop book, or of the invented one where none is open, which it says."""
    try:
        return BookPage(BookPageState(own_book())).box
    except InputError as error:
        return BookPage(BookPageState(demo_book(), why_demo=str(error))).box
