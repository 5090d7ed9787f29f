"""The wiring page: widgets over `WiringPageState`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.wiring.page import panel
panel()
"""

from __future__ import annotations

from collections.abc import Callable
from html import escape

import ipywidgets

from labkit.app.kit.files import Intake, Upload
from labkit.app.kit.page import PinningPage, box, caption, file_stem, note
from labkit.app.kit.panel_page import rig_panel
from labkit.app.kit.rig.opened import LARGEST_SHEET
from labkit.app.kit.text import today
from labkit.app.kit.widgets import Disclosure, FileOffers, MadeFile, missing_sentence
from labkit.app.kit.wiring_picker import WiringPicker
from labkit.app.pages.rig.words import position_html, positions_html, schematic_html
from labkit.app.pages.wiring.state import WiringPageState
from labkit.app.pages.wiring.words import (
    causes_html,
    checks_html,
    faults_html,
    finder_of,
    places_to_read,
    soldering_html,
    steps_html,
)
from labkit.core.errors import InputError
from labkit.core.sheet import sheet_text
from labkit.rig.harness import harness_data
from labkit.rig.parts.parts import SWITCH_STYLES
from labkit.view.words import ZERO

PLAINEST, NEAREST, PRESENT = "the plainest", "the nearest of the catalogue", "this wiring"
OWN_WORDS = (
    "A line for each position of the switch: its name, the pickups, and how they are joined (in series, out of phase, "
    "hum cancels) or what their coils do (split, coils in parallel). Switch and contacts are searched with your "
    "pickups. One switch is searched; a second one is written into the sheet of the wiring."
)
OWN_EXAMPLE = "neck: neck\nboth: neck + bridge\nfat: neck + bridge in series\nbridge: bridge"
FAULT_WORDS = (
    "Nothing plugged in, knobs at 10: what the meter shows at the jack in each position, such as 5.7k or open; or what "
    "is heard: silent, weak, hums. Lines left empty are passed over; a line such as 'tone: does nothing' may be added."
)
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
        self.steps = Disclosure("What to buy, and the steps", lambda: steps_html(state.rig), working="Writing them …")
        self.checks = Disclosure(
            "Checks with a meter, position by position",
            lambda: checks_html(state.rig),
            working="Working them out …",
        )
        self.faults = Disclosure(
            "What shows when a wire is missing",
            lambda: faults_html(state.rig),
            working="Taking out one wire after the other …",
        )
        self.readings = ipywidgets.Textarea(description="What the meter shows", rows=4)
        self.find_fault = ipywidgets.Button(description="Name the fault")
        self.find_fault.on_click(lambda _: self._find_fault())
        self.causes, self._asked = ipywidgets.HTML(), ""
        self.papers = FileOffers()
        self.papers.offer("print", "Print the wiring paper", lambda: self._paper(is_printed=True))
        self.papers.offer("paper", "Save the wiring paper", lambda: self._paper(is_printed=False))
        self.papers.offer("sheet", "Save the wiring sheet", self._sheet)
        self.wishes = ipywidgets.Textarea(description="Positions", value=OWN_EXAMPLE, rows=5)
        self.style = ipywidgets.Dropdown(description="Switch", options=(PLAINEST, *SWITCH_STYLES))
        self.start = ipywidgets.Dropdown(description="Start from", options=(NEAREST, PRESENT))
        self.make_own = ipywidgets.Button(description="Find the switch")
        self.make_own.on_click(lambda _: self._make_own())
        self.own_said = ipywidgets.HTML()
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
        bench = box("lab-soldering-place", self.soldering, self.steps, self.checks, self.faults)
        return results, self.picker, more, bench

    def results(self) -> tuple[ipywidgets.Widget, ...]:
        """Return the chosen wiring's name and its curve."""
        return self.name, self.curve, caption(ZERO)

    def below(self) -> tuple[ipywidgets.Widget, ...]:
        """Return what the wiring is good for, pickups, switches and knobs, and how it works."""
        return (
            self.words,
            self.controls,
            box("lab-section", self.positions, self.schematic),
            box("lab-section", ipywidgets.HTML("<h2>For the bench and the customer</h2>"), self.papers, note(CAUTION)),
            box(
                "lab-section",
                ipywidgets.HTML(f"<h2>Which wire is it?</h2><p>{escape(FAULT_WORDS)}</p>"),
                box("lab-search", self.readings),
                box("lab-buttons", self.find_fault),
                self.causes,
            ),
            box(
                "lab-section",
                ipywidgets.HTML(f"<h2>A wiring of your own</h2><p>{escape(OWN_WORDS)}</p>"),
                box("lab-search", self.wishes, self.style, self.start),
                box("lab-buttons", self.make_own),
                self.own_said,
                self.opener,
            ),
        )

    def show(self) -> None:
        """Show the present state; last, what is drawn where it is open."""
        super().show()
        self.picker.show()
        self.positions.refresh()
        self.schematic.refresh()
        for each in (self.soldering, self.steps, self.checks, self.faults):
            each.refresh()
        places = places_to_read(self.state.rig)
        if places != self._asked:
            self._asked = self.readings.value = places
            self.causes.value = ""

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

    def _find_fault(self) -> None:
        self._said_of(self.causes, lambda: causes_html(self.state.rig, self.readings.value))

    def _make_own(self) -> None:
        def make() -> str:
            style = None if self.style.value == PLAINEST else self.style.value
            said = self.state.make_own(self.wishes.value, style=style, keeps_start=self.start.value == PRESENT)
            self.show()
            return f'<p role="status">{escape(said)} It is in your rig now.</p>'

        self._said_of(self.own_said, make)

    @staticmethod
    def _said_of(place: ipywidgets.HTML, make: Callable[[], str]) -> None:
        """Show what is made, or why it cannot be."""
        try:
            place.value = make()
        except InputError as error:
            place.value = f'<p class="lab-said" role="alert">{escape(str(error))}</p>'
        except ModuleNotFoundError as error:
            place.value = f'<p class="lab-said" role="alert">{escape(missing_sentence(error))}</p>'

    def _paper(self, *, is_printed: bool) -> MadeFile:
        from labkit.report.paper_page import PaperHead
        from labkit.report.wiring_paper import wiring_paper_html
        from labkit.view.soldering.drawing import draw_soldering

        rig = self.state.rig
        html = wiring_paper_html(draw_soldering(rig.harness), finder_of(rig), head=PaperHead(date=today()))
        name = f"{file_stem(rig.harness.name)}-wiring.html"
        return MadeFile(name=name, kind="text/html", content=html.encode(), is_printed=is_printed)

    def _sheet(self) -> MadeFile:
        harness = self.state.rig.harness
        content = sheet_text("harness", harness_data(harness)).encode()
        return MadeFile(name=f"{file_stem(harness.name)}.toml", kind="application/toml", content=content)

    def _chosen(self, said: str) -> None:
        self.show()
        self.actions.said = said


panel = rig_panel(lambda rig: WiringPage(WiringPageState(rig)))
