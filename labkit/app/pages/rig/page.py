"""The rig page: widgets over `RigPageState`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.rig.page import panel
panel()
"""

from __future__ import annotations

from html import escape

import ipywidgets

from labkit.app.kit.disclosure import Disclosure
from labkit.app.kit.page import PinningPage, box, caption_html, note
from labkit.app.kit.panel_page import rig_panel
from labkit.app.kit.text import numbers_html
from labkit.app.pages.rig.files import offer_rig_files
from labkit.app.pages.rig.state import RigPageState
from labkit.app.pages.rig.views import formula_html, position_html, positions_html, schematic_html

CAUTION = (
    "A mains amplifier holds high voltage after it is unplugged: leave its inside to licensed service. "
    "Solder with fume extraction; local codes and data sheets come first."
)


class RigPage(PinningPage[RigPageState]):
    """Everything of a rig, from string to amplifier."""

    title = "Your rig, from string to amplifier"
    lead = "Change one part and watch where the peak goes. Pin a curve to keep it beside the next."

    def set_up(self) -> None:
        """Make the page's own widgets."""
        state = self.state
        self.numbers, self.caption, self.place = ipywidgets.HTML(), ipywidgets.HTML(), ipywidgets.HTML()
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
        offer_rig_files(self.files, state)
        self.opener = self._opener("a rig sheet")

    def results(self) -> tuple[ipywidgets.Widget, ...]:
        """Return numbers, curve, caption."""
        return self.numbers, self.curve, self.caption

    def below(self) -> tuple[ipywidgets.Widget, ...]:
        """Return what the present position does."""
        return (self.place, *super().below())

    def at_the_end(self) -> tuple[ipywidgets.Widget, ...]:
        """Return schematic, formula and files."""
        return (
            box("lab-told", ipywidgets.HTML("<h2>The circuit</h2>"), self.positions, self.schematic, self.formula),
            box("lab-told", ipywidgets.HTML("<h2>Save and open</h2>"), self.files, self.opener, note(CAUTION)),
        )

    def show_results(self) -> None:
        """Show the numbers, and what the curve shows."""
        self.numbers.value = numbers_html(self.state.numbers)
        drawn = self.state.drawn
        said = f'<p class="lab-drawn">{escape(drawn)}</p>' if drawn else ""
        self.caption.value = f"{said}{caption_html(self.state.caption)}"
        self.place.value = position_html(self.state.rig)
        self.place.layout.display = None if self.place.value else "none"

    def show(self) -> None:
        """Show the present state; last, positions, schematic and formula while they are looked at."""
        super().show()
        self.positions.refresh()
        self.schematic.refresh()
        self.formula.refresh()

    def open_sheet(self, text: str, where: str) -> str:
        """Show a rig sheet."""
        self.state.open_sheet(text, where)
        return self.rig_name


panel = rig_panel(lambda rig: RigPage(RigPageState(rig)))
