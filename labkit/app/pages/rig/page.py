"""The rig page: widgets over `RigPageState`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.rig.page import panel
panel()
"""

from __future__ import annotations

from collections.abc import Callable
from html import escape

import ipywidgets

from labkit.app.kit.controls import ControlSet
from labkit.app.kit.files import offer_curves
from labkit.app.kit.page import KEPT_SHEETS, PinningPage, box, caption_html, file_stem, note, small_print
from labkit.app.kit.panel_page import rig_panel
from labkit.app.kit.rig.opened import rig_sheet_text
from labkit.app.kit.rig.rebuild import WIRING
from labkit.app.kit.text import answer_html, numbers_html, rig_answer, today
from labkit.app.kit.widgets import Disclosure, FileOffers, MadeFile
from labkit.app.kit.wiring_picker import WiringPicker
from labkit.app.pages.rig.stages import stage_heads
from labkit.app.pages.rig.state import EQUAL_EMF, RigPageState
from labkit.app.pages.rig.words import (
    formula_html,
    netlist,
    noise_html,
    noise_line_html,
    position_html,
    positions_html,
    schematic_html,
    schematic_svg,
    short_formula,
)

CAUTION = (
    "A mains amplifier holds high voltage after it is unplugged: leave its inside to licensed service. "
    "Solder with fume extraction; local codes and data sheets come first."
)


class RigPage(PinningPage[RigPageState]):
    """Everything of a rig, from string to amplifier."""

    title = "Your rig, from string to amplifier"

    def set_up(self) -> None:
        """Make the page's own widgets."""
        state = self.state
        self.controls.add_class("lab-path")
        self.answer, self.numbers = ipywidgets.HTML(), ipywidgets.HTML()
        self.caption, self.place, self.about = (ipywidgets.HTML() for _ in range(3))
        self.schematic = Disclosure(
            "Schematic of the rig as it stands", lambda: schematic_html(state.rig), working="Drawing it …"
        )
        self.formula = Disclosure(
            "Formula with your numbers", lambda: formula_html(state.rig), working="Working it out: one or two seconds …"
        )
        self.positions = Disclosure(
            "What each position does: heard, phase, hum, level",
            lambda: positions_html(state.rig),
            working="Trying them …",
        )
        self.noise = Disclosure(
            "Noise by part, against a played note and hum", lambda: noise_html(state.rig), working="Adding it up …"
        )
        self.wiring = WiringPicker(state, is_fold=True)
        self.wiring.on_choice(self._chosen)
        offer_rig_files(self.files, state)
        self.opener = self._opener("a rig sheet", keeps_as=KEPT_SHEETS)

    def results(self) -> tuple[ipywidgets.Widget, ...]:
        """Return curve and caption."""
        return self.curve, self.caption

    def heads(self, controls: ControlSet) -> dict[str, str]:
        """Return what each stage is and costs."""
        return stage_heads(self.state.rig, self.state.values, controls.groups)

    def below(self) -> tuple[ipywidgets.Widget, ...]:
        """Return the answer with its numbers, what the present position does, and the wirings to choose from."""
        answer = box("lab-section", self.answer, self.numbers, self.place, self.about, self.known_box)
        return answer, box("lab-section", self.wiring), *super().below()

    def at_the_end(self) -> tuple[ipywidgets.Widget, ...]:
        """Return positions, noise, schematic, formula and files."""
        return (
            box(
                "lab-section", ipywidgets.HTML("<h2>Why</h2>"), self.positions, self.noise, self.schematic, self.formula
            ),
            box("lab-section", ipywidgets.HTML("<h2>Take it along</h2>"), self.files, self.opener, note(CAUTION)),
        )

    def show_results(self) -> None:
        """Show the numbers, and what the curve shows."""
        state, compared = self.state, self.state.compared
        other = None if compared is None else state.curve_of(compared.pin.setup).reading
        self.answer.value = answer_html(rig_answer(state.result.reading, other, state.difference))
        self.numbers.value = numbers_html(state.numbers)
        drawn = state.drawn
        said = f'<p class="lab-drawn">{escape(drawn)}</p>' if drawn else ""
        self.caption.value = f"{said}{caption_html(state.zero)}"
        self.about.value = small_print(state.caption.removeprefix(state.zero).strip())
        self.place.value = position_html(state.rig) + noise_line_html(state.rig)

    def show(self) -> None:
        """Show the present state; last, positions, noise, schematic and formula where they are open."""
        super().show()
        self.wiring.show()
        self.positions.refresh()
        self.noise.refresh()
        self.schematic.refresh()
        self.formula.refresh()

    def shown_controls(self) -> ControlSet:
        """Return all controls but the wiring, which is chosen by its picture."""
        return self.state.controls.without(WIRING)

    def _chosen(self, said: str) -> None:
        self.show()
        self.actions.said = said

    def open_sheet(self, text: str, where: str) -> str:
        """Show a rig sheet."""
        self.state.open_sheet(text, where)
        return self.rig_name


panel = rig_panel(lambda rig: RigPage(RigPageState(rig)))


def offer_rig_files(files: FileOffers, state: RigPageState) -> None:
    """Add a button for every file of a rig."""

    def stem() -> str:
        return file_stem(state.rig.name)

    def offer(
        key: str, label: str, ending: str, kind: str, make: Callable[[], str], *, is_printed: bool = False
    ) -> None:
        def made() -> MadeFile:
            return MadeFile(name=f"{stem()}{ending}", kind=kind, content=make().encode(), is_printed=is_printed)

        files.offer(key, label, made)

    offer("sheet", "Save rig", ".toml", "application/toml", lambda: rig_sheet_text(state.rig))
    offer_curves(
        files,
        curves=state.curves,
        stem=lambda: stem() if state.curve == EQUAL_EMF else f"{stem()}-by-the-strings",
        title=lambda: f"{state.rig.name}, {state.curve}" if state.drawn else state.rig.name,
        caption=lambda: state.zero,
    )
    offer("schematic", "Schematic as SVG", "-schematic.svg", "image/svg+xml", lambda: schematic_svg(state.rig))
    offer("netlist", "SPICE netlist", ".cir", "text/plain", lambda: netlist(state.rig))
    offer("formula", "Formula as text", "-formula.txt", "text/plain", lambda: _formula_text(state))
    offer("paper", "Save for the customer", "-customer-sheet.html", "text/html", lambda: _paper(state))
    offer(
        "print", "Print for the customer", "-customer-sheet.html", "text/html", lambda: _paper(state), is_printed=True
    )


def _formula_text(state: RigPageState) -> str:
    from labkit.circuit.formula.text import formula_text

    return formula_text(short_formula(state.rig))


def _paper(state: RigPageState) -> str:
    """The rig as it is; where one is kept as B, the change from that one."""
    from labkit.report.paper_page import PaperHead
    from labkit.report.sheet_paper import rig_paper_html  # brings the bench's models along

    date, compared = today(), state.compared
    if compared is None:
        return rig_paper_html(state.rig, head=PaperHead(date=date))
    before = state.rig_of(compared.pin.setup)
    return rig_paper_html(before, other=state.rig, label=compared.short, other_label="now", head=PaperHead(date=date))
