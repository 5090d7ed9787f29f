"""The wiring page: widgets over `WiringPageState`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.wiring.page import panel
panel()
"""

from __future__ import annotations

from html import escape

import ipywidgets

from labkit.app.kit.files import Intake, Upload
from labkit.app.kit.page import PinningPage, box, caption, note
from labkit.app.kit.panel_page import rig_panel
from labkit.app.kit.rig.opened import LARGEST_SHEET
from labkit.app.kit.widgets import Disclosure
from labkit.app.kit.wiring_picker import WiringPicker
from labkit.app.pages.rig.words import position_html, positions_html, schematic_html, soldering_html
from labkit.app.pages.wiring.state import WiringPageState
from labkit.view.words import ZERO

CAUTION = "Solder with fume extraction and the strings off; local codes and data sheets come first."
NETLISTS = (
    "A harness or rig sheet (.toml), or a SPICE netlist in which each source stands for a whole pickup: "
    "Vbridge hot 0 AC 1. It stays on this machine."
)


class WiringPage(PinningPage[WiringPageState]):
    """Every wiring as a picture of the instrument; choosing one puts it into the rig."""

    title = "What is in the guitar?"
    lead = "Choose a wiring and hear it in your rig; the one before stays as B."
    css_class = "lab-wiring-page"

    def set_up(self) -> None:
        """Make the picker, and what is said of the present wiring."""
        state = self.state
        self.picker = WiringPicker(state)
        self.picker.on_choice(self._chosen)
        self.name, self.words = ipywidgets.HTML(), ipywidgets.HTML()
        self.positions = Disclosure(
            "What each position does: heard, phase, hum, level",
            lambda: positions_html(state.rig),
            working="Trying them …",
        )
        self.schematic = Disclosure("Circuit", lambda: schematic_html(state.rig), working="Drawing it …")
        self.soldering = Disclosure(
            "Soldering drawing: lugs, wires and switches", lambda: soldering_html(state.rig), working="Drawing it …"
        )
        self.soldering.add_class("lab-soldering-place")
        self.opener = Upload(
            Intake(largest=LARGEST_SHEET, what="a wiring", advice="Save a rig sheet from the Rig page, or write one."),
            label="Own wiring …",
            hint=NETLISTS,
            accept=".toml,.cir,.net,.sp,.spice,.txt",
            many=False,
        )
        self.opener.on_file(self._open_file)

    def columns(self) -> tuple[ipywidgets.Widget, ...]:
        """Return the chosen wiring's curve, all wirings, the rest of the chosen one, and its drawing at full width."""
        _, chosen = super().columns()
        results, more = chosen.children
        return results, self.picker, more, self.soldering

    def results(self) -> tuple[ipywidgets.Widget, ...]:
        """Return the chosen wiring's name and its curve."""
        return self.name, self.curve, caption(ZERO)

    def below(self) -> tuple[ipywidgets.Widget, ...]:
        """Return what the wiring is good for, pickups, switches and knobs, and how it works."""
        return (
            self.words,
            self.controls,
            box("lab-section", self.positions, self.schematic),
            self.opener,
            note(CAUTION),
        )

    def show(self) -> None:
        """Show the present state; last, what is drawn where it is open."""
        super().show()
        self.picker.show()
        self.positions.refresh()
        self.schematic.refresh()
        self.soldering.refresh()

    def show_results(self) -> None:
        """Say what the wiring is and does."""
        harness = self.state.rig.harness
        self.name.value = f"<h2>{escape(harness.name)}</h2>"
        said = "".join(f"<p>{escape(text)}</p>" for text in (harness.summary, harness.purpose) if text)
        self.words.value = said + position_html(self.state.rig)

    def open_sheet(self, text: str, where: str) -> str:
        """Put the wiring of a file into the rig."""
        self.state.open_wiring(text, where)
        return self.state.rig.harness.name

    def _chosen(self, said: str) -> None:
        self.show()
        self.actions.said = said


panel = rig_panel(lambda rig: WiringPage(WiringPageState(rig)))
