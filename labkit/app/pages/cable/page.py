"""The cable page: widgets over `CablePageState`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.cable.page import panel
panel()
"""

from __future__ import annotations

from html import escape

import ipywidgets

from labkit.app.kit.files import offer_curves
from labkit.app.kit.page import CurvePage, box, caption, note
from labkit.app.kit.panel_page import rig_panel
from labkit.app.kit.text import change_in_words, numbers_html, sentence_html, table_html, today
from labkit.app.kit.widgets import MadeFile
from labkit.app.pages.cable.state import CablePageState, response_of
from labkit.core.units import format_quantity
from labkit.report.change_paper import ChangeSheet, change_cautions, change_sheet_html, level_facts, load_in_words
from labkit.report.paper_page import PaperHead
from labkit.rig.rig import Rig
from labkit.study.questions.cable import CableCurve, band_text, length_text, reference_text
from labkit.view.words import ZERO, frequency_in_words, level_in_words

CAUTION = (
    "Plug and unplug with the volume down, and start quiet. A mains amplifier holds high voltage after it is "
    "unplugged: leave its inside to licensed service, and never lift its safety earth."
)
LOAD_DOUBT = "Peak places ±6 % with a known load; a cable's capacitance per metre differs by ±10 % from its data sheet."


class CablePage(CurvePage[CablePageState]):
    """Cable lengths side by side."""

    title = "How long may the cable be?"
    lead = "Move the length and watch where the peak goes; the thin lines are other lengths of the same cable."
    pins_comparison = True

    def set_up(self) -> None:
        """Make numbers, sentence, table and files."""
        self.answer, self.numbers, self.said, self.table = (ipywidgets.HTML() for _ in range(4))
        self.files.offer("sheet", "Save customer sheet", lambda: self.customer_sheet(is_printed=False))
        self.files.offer("print", "Print customer sheet", lambda: self.customer_sheet(is_printed=True))
        offer_curves(self.files, curves=self.state.curves, stem=lambda: f"{self.file_stem}-cable", title=self._title)

    def results(self) -> tuple[ipywidgets.Widget, ...]:
        """Return the longest cable, numbers, curve, caption."""
        return self.answer, self.numbers, self.curve, caption(ZERO)

    def below(self) -> tuple[ipywidgets.Widget, ...]:
        """Return sentence, table of lengths, files, caution."""
        files = (ipywidgets.HTML("<h2>For the customer</h2>"), self.files, note(CAUTION))
        return (
            box("lab-section", self.said),
            box("lab-section", self.table, note(LOAD_DOUBT)),
            box("lab-section", *files),
        )

    def show_results(self) -> None:
        """Show the longest cable, numbers, sentence and table."""
        state, result = self.state, self.state.result
        self.answer.value = f'<p class="lab-answer">{escape(state.answer)}</p>' if state.answer else ""
        self.numbers.value = numbers_html(state.numbers)
        advice = "".join(f'<p class="lab-note">{escape(line)}</p>' for line in (*state.advice, state.formula) if line)
        self.said.value = sentence_html(state.sentence) + advice
        terms = f"levels from {band_text(result.band_hz)} against {reference_text(result.before_length)}"
        self.table.value = table_html(
            f"Lengths of this cable; {terms}",
            ("Cable", "Capacitance", "Peak sits at", "Peak height", "Treble ends at", "Mean", "Worst"),
            self.rows(),
            marked=self._marked(),
        )

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

    def draw(self, width: int) -> str:
        """Return the curves."""
        return self.state.draw(width)

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
        "–" if member.height_db is None else level_in_words(member.height_db),
        "above 20 kHz" if loss.treble_end_hz is None else frequency_in_words(loss.treble_end_hz),
        change_in_words(-loss.band.mean_db),
        change_in_words(-loss.band.worst_db),
    )
