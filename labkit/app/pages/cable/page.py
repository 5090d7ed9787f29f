"""The cable page: widgets over `CablePageState`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.cable.page import panel
panel()
"""

from __future__ import annotations

from html import escape

import ipywidgets

from labkit.app.kit.files import offer_curves
from labkit.app.kit.page import CurvePage, box, caption, caption_html, note
from labkit.app.kit.panel_page import rig_panel
from labkit.app.kit.text import change_in_words, numbers_html, sentence_html, table_html, today
from labkit.app.kit.widgets import CurveView, MadeFile
from labkit.app.pages.cable.state import CablePageState, response_of
from labkit.core.units import format_quantity
from labkit.report.change_paper import ChangeSheet, change_cautions, change_sheet_html, level_facts, load_in_words
from labkit.report.paper_page import PaperHead
from labkit.rig.rig import Rig
from labkit.study.questions.cable import CableCurve, band_text, length_text, reference_text
from labkit.view.words import ZERO, frequency_in_words

CAUTION = (
    "Plug and unplug with the volume down, and start quiet. A mains amplifier holds high voltage after it is "
    "unplugged: leave its inside to licensed service, and never lift its safety earth."
)
LOAD_DOUBT = "Peak places ±6 % with a known load; a cable's capacitance per metre differs by ±10 % from its data sheet."


MAP_CAPTION = (
    "Against B, {before}. Hatched: {allowed} dB and more is lost. Filled: more than 1 dB louder, because the peak has "
    "moved there. The line is the peak."
)


class CablePage(CurvePage[CablePageState]):
    """Cable lengths side by side."""

    title = "How long may the cable be?"

    def set_up(self) -> None:
        """Make numbers, sentence, table and files."""
        self.answer, self.numbers, self.said, self.table = (ipywidgets.HTML() for _ in range(4))
        self.map, self.map_caption = CurveView(), ipywidgets.HTML()
        self.map.observe(lambda _: self._draw_map(), "width")
        self.files.offer("sheet", "Save for the customer", lambda: self.customer_sheet(is_printed=False))
        self.files.offer("print", "Print for the customer", lambda: self.customer_sheet(is_printed=True))
        offer_curves(self.files, curves=self.state.curves, stem=lambda: f"{self.file_stem}-cable", title=self._title)

    def results(self) -> tuple[ipywidgets.Widget, ...]:
        """Return what the cable does, and the curve."""
        return self.answer, self.curve, caption(ZERO)

    def below(self) -> tuple[ipywidgets.Widget, ...]:
        """Return the map of lengths, the numbers, and what goes to the customer."""
        lengths = (ipywidgets.HTML("<h2>Every length at once</h2>"), self.map, self.map_caption)
        numbers = (ipywidgets.HTML("<h2>In numbers</h2>"), self.numbers, self.table, note(LOAD_DOUBT))
        customer = (ipywidgets.HTML("<h2>What the customer is told</h2>"), self.said, self.files, note(CAUTION))
        found = box("lab-section", *lengths), box("lab-section", *numbers)
        return (*found, self.known_box, box("lab-section", *customer))

    def show_results(self) -> None:
        """Show what the cable does, the longest one, the map, numbers and table."""
        state, result = self.state, self.state.result
        longest = f'<p class="lab-longest">{escape(state.answer)}</p>' if state.answer else ""
        self.answer.value = f'<p class="lab-answer" role="status">{escape(state.found)}</p>{longest}'
        self._draw_map()
        self.numbers.value = numbers_html(state.numbers)
        advice = "".join(f'<p class="lab-note">{escape(line)}</p>' for line in (*state.advice, state.formula) if line)
        self.said.value = sentence_html(state.sentence) + advice
        terms = f"mean and worst from {band_text(result.band_hz)} against {reference_text(result.before_length)}"
        self.table.value = table_html(
            f"Lengths of this cable; {terms}",
            ("Cable", "Capacitance", "Peak at", "Dull from", "Louder by up to", "Mean", "Worst"),
            self.rows(),
            marked=self._marked(),
        )

    def _draw_map(self) -> None:
        state = self.state
        self.map.svg = state.draw_map(self.map.width)
        words = (
            "No length of this cable makes a difference here."
            if not self.map.svg
            else MAP_CAPTION.format(
                before=reference_text(state.result.before_length), allowed=f"{state.values['own.loss']:g}"
            )
        )
        self.map_caption.value = caption_html(words)

    def rows(self) -> list[tuple[str, ...]]:
        """Return the table: one row for every length."""
        is_silent = self.state.result.reading.is_silent
        return [
            (
                length_text(member.length),
                format_quantity(float(f"{member.capacitance:.3g}"), "F"),
                *(("silent",) * 5 if is_silent else _row(member)),
            )
            for member in self.state.result.family
        ]

    def compared(self) -> tuple[Rig, str]:
        """Return the compared rig."""
        return self.state.result.other, self.state.result.other_label

    def sounding_rig(self) -> Rig:
        """Return the present rig with its buffer."""
        return self.state.result.rig

    @property
    def sounding_label(self) -> str:
        """What A is called: its length."""
        result = self.state.result
        return (
            f"{length_text(result.cable.length)}, buffered" if result.has_buffer else length_text(result.cable.length)
        )

    def customer_sheet(self, *, is_printed: bool) -> MadeFile:
        """Return the sheet for the customer, saved or printed."""
        state, result = self.state, self.state.result
        now = self.sounding_label
        other = f"{length_text(result.cable.length)}, no buffer" if result.has_buffer else result.other_label
        sheet = ChangeSheet(
            title=f"Your cable: {now} against {other}",
            sentence=state.sentence,
            before=response_of(result.other),
            after=response_of(result.rig),
            before_label=other,
            after_label=now,
            before_load=load_in_words(result.other),
            after_load=load_in_words(result.rig),
            facts=(
                ("Instrument", state.rig.name),
                *([("Longest cable", state.answer)] if state.answer else []),
                *level_facts(state.result.level),
            ),
            advice=state.advice,
            cautions=change_cautions(result.other, result.rig),
            head=PaperHead(date=today()),
        )
        return MadeFile(
            name=f"{self.file_stem}-customer-sheet.html",
            kind="text/html",
            content=change_sheet_html(sheet).encode(),
            is_printed=is_printed,
        )

    def _title(self) -> str:
        return f"{self.state.rig.name}: {length_text(self.state.result.cable.length)} of cable"

    def _marked(self) -> int:
        lengths = [member.length for member in self.state.result.family]
        return lengths.index(self.state.result.cable.length)


panel = rig_panel(lambda rig: CablePage(CablePageState(rig)))


def _row(member: CableCurve) -> tuple[str, ...]:
    loss = member.loss
    return (
        "no peak" if member.peak_hz is None else frequency_in_words(member.peak_hz),
        "–" if loss.dull_from_hz is None else frequency_in_words(loss.dull_from_hz),
        "–" if loss.rise is None else change_in_words(loss.rise.most_db),
        change_in_words(-loss.band.mean_db),
        change_in_words(-loss.band.worst_db),
    )
