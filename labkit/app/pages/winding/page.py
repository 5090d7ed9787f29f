"""The winding page: widgets over `WindingPageState`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.winding.page import panel
panel()
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

import ipywidgets

from labkit.app.kit.controls import ControlSet
from labkit.app.kit.files import offer_curves
from labkit.app.kit.page import PinningPage, box, caption_html, file_stem, note
from labkit.app.kit.panel_page import rig_panel
from labkit.app.kit.pickup.made import text_in_words
from labkit.app.kit.text import answer_html, numbers_html, sentence_html, table_html, today
from labkit.app.kit.widgets import CurveView, MadeFile
from labkit.app.pages.winding.controls import HEARD, fold_heads
from labkit.app.pages.winding.sheets import open_sheet_text, saved_sheet, winding_paper
from labkit.app.pages.winding.state import WindingPageState
from labkit.app.pages.winding.words import (
    PredictedRow,
    cautions,
    change_sentence,
    coil_rows,
    fit_in_short,
    fit_sentence,
    not_modelled,
    value_rows,
    winding_answer,
)
from labkit.core.errors import capitalized
from labkit.pickup.predict.pull import neck_pull_in_words
from labkit.view.drawings.bobbin import draw_bobbin
from labkit.view.drawings.interval import draw_interval
from labkit.view.drawings.working_point import draw_working_point, working_point_in_words

RIG_PAGE = "rig.ipynb"


class WindingPage(PinningPage[WindingPageState]):
    """A pickup from bobbin, wire and poles, in the rig at once."""

    title = "Wind a pickup"

    def set_up(self) -> None:
        """Make the page's own widgets."""
        self.answer, self.numbers, self.caption = ipywidgets.HTML(), ipywidgets.HTML(), ipywidgets.HTML()
        self.said, self.change = ipywidgets.HTML(), ipywidgets.HTML()
        self.fit, self.table, self.coil_table = ipywidgets.HTML(), ipywidgets.HTML(), ipywidgets.HTML()
        self.asked, self.link, self.cautions = ipywidgets.HTML(), ipywidgets.HTML(), ipywidgets.HTML()
        self.change_box = box("lab-section", self.change)
        self.bobbin = CurveView()
        self.working_point, self.magnets = CurveView(), ipywidgets.HTML()
        self.magnet_box = box(
            "lab-section", ipywidgets.HTML("<h2>In the magnets</h2>"), self.magnets, self.working_point
        )
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
        self.working_point.observe(lambda _: self._show_magnets(), "width")
        self.bobbin.observe(lambda _: setattr(self.bobbin, "svg", self.draw_bobbin(self.bobbin.width)), "width")

    def results(self) -> tuple[ipywidgets.Widget, ...]:
        """Return curve and caption."""
        return self.curve, self.caption, self.said

    def heads(self, controls: ControlSet) -> dict[str, str]:
        """Return what folded groups hold, and whether the turns fit."""
        state = self.state
        heads = fold_heads(controls.groups, state.values)
        return heads | {HEARD: fit_in_short(state.winding, state.flange)}

    def below(self) -> tuple[ipywidgets.Widget, ...]:
        """Return drawing, numbers with their doubt, answers, files, cautions."""
        buttons = box("lab-buttons", self.use_target, self.use_full)
        return (
            box("lab-section", self.answer, self.numbers),
            self.change_box,
            self.known_box,
            box("lab-section", ipywidgets.HTML("<h2>On the bobbin</h2>"), self.fit, self.bobbin),
            box("lab-section", box("lab-doubt", self.table), note(not_modelled())),
            self.magnet_box,
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
        change = state.change
        turns = state.winding.turns if len(state.windings) == 1 else None
        answer = winding_answer(state.built, turns, state.result.reading, change)
        self.answer.value = answer_html(answer)
        self.numbers.value = numbers_html(state.numbers)
        self.caption.value = caption_html(state.caption)
        self.said.value = sentence_html(state.note) if state.note else ""
        compared = state.compared
        self.change_box.layout.display = "none" if change is None else None
        self.change.value = "" if change is None or compared is None else _line(change_sentence(change, compared.name))
        self.bobbin.svg = self.draw_bobbin(self.bobbin.width)
        self.fit.value = self._fits()
        self._show_magnets()
        other = {} if change is None else {row.label: row for row in value_rows(change.before)}
        self.table.value = intervals_html(value_rows(state.built), other)
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
        items = "".join(f"<li>{escape(capitalized(line))}</li>" for line in dict.fromkeys(lines))
        self.cautions.value = f'<h2>Mind</h2><ul class="lab-cautions">{items}</ul>'

    def _show_magnets(self) -> None:
        magnets = self.state.magnets
        self.magnet_box.layout.display = "none" if magnets is None else None
        if magnets is None:
            return
        self.magnets.value = _line(working_point_in_words(*magnets))
        self.working_point.svg = draw_working_point(*magnets, width=min(self.working_point.width or 380, 520))

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
            which = f"{capitalized(outline.name)} coil: " if len(self.state.outlines) > 1 else ""
            bad = "lab-bad" if outline.overflow > 0 else ""
            text = f"{which}{fit_sentence(winding, outline.flange_radius)}"
            lines.append(_line(text, bad))
        return "".join(lines)


panel = rig_panel(lambda rig: WindingPage(WindingPageState(rig)))


def _line(text: str, kind: str = "") -> str:
    return f'<p class="lab-fit {kind}">{escape(text)}</p>'


def intervals_html(rows: Sequence[PredictedRow], other: Mapping[str, PredictedRow]) -> str:
    """Return predicted numbers as a table with their intervals drawn, those of B (by label) as dashes."""
    title, lines = "What it should measure", []
    for row in rows:
        drawn, beside = "", other.get(row.label)
        if row.interval is not None and row.scale is not None:
            best = beside.interval.value if beside is not None and beside.interval is not None else None
            drawn = draw_interval(row.interval, row.scale, other=best)
        cause = f"<small>{escape(row.cause)}</small>" if row.cause else ""
        lines.append(
            f'<tr><th scope="row">{escape(row.label)}</th><td>{escape(row.value)}</td><td>{drawn}</td>'
            f"<td>{escape(row.bounds or 'as stated')}{cause}</td></tr>"
        )
    heads = ("At its leads", "Expect", "", "95 of 100 lie in")
    top = "".join(f'<th scope="col">{name}</th>' if name else "<td></td>" for name in heads)
    key = "Thick mark: best guess. Bar: 95 of 100." + (" Dashes: B." if other else "")
    return (
        f'<div class="lab-table-holder" role="region" tabindex="0" aria-label="{title}"><table class="lab-table">'
        f"<caption>{title}</caption><thead><tr>{top}</tr></thead><tbody>{''.join(lines)}</tbody></table></div>"
        f'<p class="lab-note">{key}</p>'
    )
