"""The pots page: widgets over `PotsPageState`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.pots.page import panel
panel()
"""

from __future__ import annotations

from html import escape

import ipywidgets

from labkit.app.kit.controls import ControlSet
from labkit.app.kit.files import offer_curves
from labkit.app.kit.page import CurvePage, box, note
from labkit.app.kit.panel_page import rig_panel
from labkit.app.kit.text import answer_html, numbers_html, table_html, today
from labkit.app.kit.widgets import CurveView, MadeFile
from labkit.app.pages.pots.state import PotsPageState, response_of
from labkit.report.change_paper import ChangeSheet, change_cautions, change_sheet_html, level_facts, load_in_words
from labkit.report.paper_page import PaperHead
from labkit.rig.rig import Rig

MOST_SMALL = 4
CAUTION = (
    "Changing parts means soldering: fume extraction, clean hands, and the instrument unplugged. Local codes and "
    "product data sheets come first."
)


class PotsPage(CurvePage[PotsPageState]):
    """Pots, tapers, bleeds and capacitors side by side."""

    title = "What do the pots and capacitors do?"

    def set_up(self) -> None:
        """Make answer, numbers, sentence, small multiples, plots, table and files."""
        self.answer, self.numbers, self.caption = ipywidgets.HTML(), ipywidgets.HTML(), ipywidgets.HTML()
        self.said, self.table, self.plots = ipywidgets.HTML(), ipywidgets.HTML(), ipywidgets.HTML()
        self.small_headings = tuple(ipywidgets.HTML() for _ in range(MOST_SMALL))
        self.small = tuple(CurveView(width=370) for _ in range(MOST_SMALL))
        pairs = zip(self.small_headings, self.small)
        self.small_boxes = tuple(box("lab-small", heading, view) for heading, view in pairs)
        self.multiples = box("lab-multiples", *self.small_boxes)
        for place, view in enumerate(self.small):
            view.observe(lambda _, place=place: self._draw_small(place), "width")
        self.files.offer("sheet", "Save for the customer", lambda: self.customer_sheet(is_printed=False))
        self.files.offer("print", "Print for the customer", lambda: self.customer_sheet(is_printed=True))
        offer_curves(
            self.files,
            curves=self.state.curves,
            stem=lambda: f"{self.file_stem}-pots",
            title=lambda: f"{self.state.rig.name}: {self.state.result.view.main.title}",
        )

    def results(self) -> tuple[ipywidgets.Widget, ...]:
        """Return answer, curve, caption."""
        return self.answer, self.curve, self.caption

    def below(self) -> tuple[ipywidgets.Widget, ...]:
        """Return numbers, what else follows, small multiples, plots, table, files."""
        files = (ipywidgets.HTML("<h2>For the customer</h2>"), self.files, note(CAUTION))
        found = box("lab-section", self.numbers, self.said, self.multiples, self.plots, self.table)
        return found, self.known_box, box("lab-section", *files)

    def shown_controls(self) -> ControlSet:
        """Return the controls that the present question needs."""
        return self.state.visible_controls

    def show_results(self) -> None:
        """Show everything that follows from the present state."""
        state, view = self.state, self.state.result.view
        self.answer.value = answer_html(escape(state.sentence))
        self.numbers.value = numbers_html(state.numbers)
        self.caption.value = f'<p class="lab-caption">{escape(view.main.caption)}</p>'
        tried = f'<p class="lab-note">Tried on here: {escape("; ".join(state.tried))}.</p>' if state.tried else ""
        notes = "".join(f'<p class="lab-note">{escape(line)}</p>' for line in state.notes)
        self.said.value = notes + tried
        for place in range(MOST_SMALL):
            self._draw_small(place)
        drawings = "".join(f'<div class="lab-small">{drawing}</div>' for drawing in view.plots)
        self.plots.value = f'<div class="lab-multiples">{drawings}</div>' if drawings else ""
        rows = view.table
        self.table.value = table_html(rows.title, rows.head, rows.rows, marked=rows.marked)

    def compared(self) -> tuple[Rig, str]:
        """Return what the question compares with."""
        return self.state.result.view.other, self.state.result.view.other_label

    def sounding_rig(self) -> Rig:
        """Return the present rig with what the page tries on it."""
        return self.state.result.rig

    @property
    def sounding_label(self) -> str:
        """What A is called: its position or value."""
        return self.state.result.view.label

    def customer_sheet(self, *, is_printed: bool) -> MadeFile:
        """Return the sheet for the customer: the present rig against what the question compares with."""
        state, result = self.state, self.state.result
        sheet = ChangeSheet(
            title=f"{state.values['own.show']}: {result.view.label} against {result.view.other_label}",
            sentence=state.sentence,
            before=response_of(result.view.other),
            after=response_of(result.rig),
            before_label=result.view.other_label,
            after_label=result.view.label,
            before_load=load_in_words(result.view.other),
            after_load=load_in_words(result.rig),
            facts=(("Instrument", state.rig.name), *level_facts(result.level)),
            advice=state.notes,
            cautions=change_cautions(result.view.other, result.rig),
            head=PaperHead(date=today()),
        )
        return MadeFile(
            name=f"{self.file_stem}-customer-sheet.html",
            kind="text/html",
            content=change_sheet_html(sheet).encode(),
            is_printed=is_printed,
        )

    def _draw_small(self, place: int) -> None:
        panels = self.state.result.view.small
        shown = place < len(panels)
        self.small_boxes[place].layout.display = None if shown else "none"
        self.small[place].svg = self.state.draw_small(place, self.small[place].width) if shown else ""
        self.small_headings[place].value = f"<h3>{escape(panels[place].title)}</h3>" if shown else ""


panel = rig_panel(lambda rig: PotsPage(PotsPageState(rig)))
