"""The winding page: widgets over `WindingPageState`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.winding.page import panel
panel()
"""

from __future__ import annotations

from html import escape

import ipywidgets

from labkit.app.kit.files import offer_curves
from labkit.app.kit.page import PinningPage, box, caption, file_stem, note
from labkit.app.kit.panel_page import rig_panel
from labkit.app.kit.pickup.made import text_in_words
from labkit.app.kit.text import numbers_html, sentence_html, table_html, today
from labkit.app.kit.widgets import CurveView, MadeFile
from labkit.app.pages.winding.sheets import open_sheet_text, saved_sheet, winding_paper
from labkit.app.pages.winding.state import WindingPageState
from labkit.app.pages.winding.words import (
    PredictedRow,
    cautions,
    change_sentence,
    coil_rows,
    fit_sentence,
    not_modelled,
    value_rows,
)
from labkit.pickup.predict.pull import neck_pull_in_words
from labkit.view.drawings.bobbin import draw_bobbin
from labkit.view.words import ZERO

RIG_PAGE = "rig.ipynb"
BAND = "The band holds 95 of 100 such pickups in this rig; its cable, pots and input are taken as stated."


class WindingPage(PinningPage[WindingPageState]):
    """A pickup from bobbin, wire and poles, in the rig at once."""

    title = "Wind a pickup"
    lead = "Change turns, wire or magnet and see the rig's curve, the fit on the bobbin and what a meter would read."
    css_class = "lab-winding"
    pinned_thing = "pickup"

    def set_up(self) -> None:
        """Make the page's own widgets."""
        self.numbers, self.said, self.change = ipywidgets.HTML(), ipywidgets.HTML(), ipywidgets.HTML()
        self.fit, self.table, self.coil_table = ipywidgets.HTML(), ipywidgets.HTML(), ipywidgets.HTML()
        self.asked, self.link, self.cautions = ipywidgets.HTML(), ipywidgets.HTML(), ipywidgets.HTML()
        self.change_box = box("lab-section", self.change)
        self.bobbin = CurveView()
        self.use_target = ipywidgets.Button(description="Wind for that resistance")
        self.use_full = ipywidgets.Button(description="Fill the bobbin")
        self.opener = self._opener("a pickup sheet")
        self.files.offer("sheet", "Save pickup sheet", self.sheet_file)
        self.files.offer("print", "Print build sheet", self.paper_file)
        offer_curves(
            self.files, curves=self.state.curves, stem=lambda: f"{file_stem(self.name)}-in-rig", title=lambda: self.name
        )
        self.files.offer("bobbin", "Drawing as SVG", self.drawing_file)
        self.use_target.on_click(lambda _: self._then_show(self._take_turns, "target"))
        self.use_full.on_click(lambda _: self._then_show(self._take_turns, "full"))
        self.bobbin.observe(lambda _: setattr(self.bobbin, "svg", self.draw_bobbin(self.bobbin.width)), "width")

    def results(self) -> tuple[ipywidgets.Widget, ...]:
        """Return numbers, curve, caption."""
        return self.numbers, self.curve, caption(f"{ZERO} {BAND}"), self.said

    def below(self) -> tuple[ipywidgets.Widget, ...]:
        """Return drawing, numbers with their doubt, answers, files, cautions."""
        buttons = box("lab-buttons", self.use_target, self.use_full)
        return (
            self.change_box,
            box("lab-section", ipywidgets.HTML("<h2>On the bobbin</h2>"), self.fit, self.bobbin),
            box("lab-section", box("lab-doubt", self.table), note(not_modelled())),
            box(
                "lab-section",
                ipywidgets.HTML("<h2>At the winder</h2>"),
                self.asked,
                buttons,
                box("lab-small", self.coil_table),
            ),
            box("lab-section", ipywidgets.HTML("<h2>Keep it</h2>"), self.link, self.files, self.opener),
            box("lab-section", self.cautions),
        )

    @property
    def name(self) -> str:
        """What the pickup is called: its sheet's name and what differs."""
        return text_in_words(self.state.text)

    def show_results(self) -> None:
        """Show everything that follows from the pickup."""
        state = self.state
        self.numbers.value = numbers_html(state.numbers)
        self.said.value = sentence_html(state.note) if state.note else ""
        change, compared = state.change, state.compared
        self.change_box.layout.display = "none" if change is None else None
        self.change.value = "" if change is None or compared is None else _line(change_sentence(change, compared.name))
        self.bobbin.svg = self.draw_bobbin(self.bobbin.width)
        self.fit.value = self._fits()
        head = ("At its leads", "Best guess", "95 of 100 lie in", "Doubt is")
        self.table.value = table_html("What it should measure", head, [_cells(row) for row in value_rows(state.built)])
        winding = state.winding
        self.coil_table.value = table_html(
            "For the winder",
            ("This coil", "Is"),
            [(row.label, row.value) for row in coil_rows(winding, winding.wire.name)],
        )
        answers = state.answers
        self.asked.value = "".join(_line(answer.text) for answer in answers)
        for button, key in ((self.use_target, "target"), (self.use_full, "full")):
            turns = next(answer.turns for answer in answers if answer.key == key)
            button.disabled = turns is None or turns == round(winding.turns)
            button.tooltip = "" if turns is None else f"Sets {turns} turns"
        place = state.slot
        self.link.value = (
            f'<p><a class="lab-link" href="{RIG_PAGE}?{escape(state.rig_query)}">Use it in my rig</a>, as the '
            f"{escape(place)} pickup of {escape(state.rig.name)}.</p>"
        )
        close = neck_pull_in_words(state.built.build)
        lines = [*state.built.warnings, *([close] if close else []), *cautions(state.made.sheet)]
        items = "".join(f"<li>{escape(line[:1].upper())}{escape(line[1:])}</li>" for line in dict.fromkeys(lines))
        self.cautions.value = f'<h2>Mind</h2><ul class="lab-cautions">{items}</ul>'

    def draw_bobbin(self, width: int) -> str:
        """Return the coils to scale."""
        return draw_bobbin(self.state.outlines, title=f"{self.state.made.name} on its bobbin, to scale", width=width)

    def sheet_file(self) -> MadeFile:
        """Return the pickup as a sheet to save."""
        text = saved_sheet(self.state.made, self.name)
        return MadeFile(name=f"{file_stem(self.name)}.toml", kind="application/toml", content=text.encode())

    def paper_file(self) -> MadeFile:
        """Return the winder's paper, to be printed."""
        text = winding_paper(self.state.made, self.name, today())
        return MadeFile(name=f"{file_stem(self.name)}.html", kind="text/html", content=text.encode(), is_printed=True)

    def drawing_file(self) -> MadeFile:
        """Return the drawing to save."""
        return MadeFile(
            name=f"{file_stem(self.name)}-bobbin.svg", kind="image/svg+xml", content=self.draw_bobbin(790).encode()
        )

    def open_sheet(self, text: str, where: str) -> str:
        """Show a pickup sheet."""
        made = open_sheet_text(text, where)
        self.state.open_sheet(made)
        return made.name

    def _take_turns(self, key: str) -> None:
        turns = next(answer.turns for answer in self.state.answers if answer.key == key)
        if turns is not None:
            self.state.set_turns(turns)

    def _fits(self) -> str:
        lines = []
        for outline in self.state.outlines:
            winding = self.state.windings[outline.name]
            which = f"{outline.name[:1].upper()}{outline.name[1:]} coil: " if len(self.state.outlines) > 1 else ""
            bad = "lab-bad" if outline.overflow > 0 else ""
            text = f"{which}{fit_sentence(winding, outline.flange_radius)}"
            lines.append(_line(text, bad))
        return "".join(lines)


panel = rig_panel(lambda rig: WindingPage(WindingPageState(rig)))


def _line(text: str, kind: str = "") -> str:
    return f'<p class="lab-fit {kind}">{escape(text)}</p>'


def _cells(row: PredictedRow) -> tuple[str, str, str, str]:
    return row.label, row.value, row.bounds or "as stated", row.cause
