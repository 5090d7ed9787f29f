"""The rig page: widgets over `RigBench`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.rig_page import panel
panel()
"""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from pathlib import Path

import ipywidgets

from labkit.app.bench_page import ABOUT_HEARING, SOUND_PAUSE_S, box, caption, file_stem, note
from labkit.app.debounce import Debounce
from labkit.app.disclosure import Disclosure
from labkit.app.listening import USUAL_TAKE, hear, take_names
from labkit.app.opened_rig import LARGEST_SHEET
from labkit.app.page_text import numbers_html
from labkit.app.panel_page import message_box
from labkit.app.rig_files import offer_rig_files
from labkit.app.rig_model import RigBench
from labkit.app.rig_state import MOST_PINS
from labkit.app.rig_views import formula_html, schematic_html
from labkit.app.upload import GivenFile, Intake, Upload
from labkit.app.widgets import ActionBar, ControlPanel, CurveView, FileOffers, Player
from labkit.core.errors import InputError
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig
from labkit.sound.loudness import HEARING_CAUTION
from labkit.view.palette import PINS
from labkit.view.words import ZERO

TITLE = "Your rig, from string to amplifier"
LEAD = "Change one part and watch where the peak goes. Pin a curve to keep it beside the next."
CAUTION = (
    "A mains amplifier holds high voltage after it is unplugged: leave its inside to licensed service. "
    "Solder with fume extraction; local codes and data sheets come first."
)


def panel(rig: Rig | None = None, *, sheet: str | Path | None = None) -> ipywidgets.Box:
    """Return the rig page.

    Parameters
    ----------
    rig : Rig, optional
        What to start with.
    sheet : str or Path, optional
        The same by path or catalogue name; the first rig of the catalogue where neither is given.
    """
    if sheet is not None:
        rig = load_rig(sheet)
    try:
        bench = RigBench(rig)
    except InputError as error:
        return message_box("There is no rig to show", f"{str(error)[:1].upper()}{str(error)[1:]}.")
    return RigPage(bench).box


class RigPage:
    """Keeps widgets and bench together: every message of the page moves the bench, then everything is shown anew."""

    def __init__(self, bench: RigBench) -> None:
        self.bench = bench
        self.controls = ControlPanel()
        self.numbers = ipywidgets.HTML()
        self.curve = CurveView()
        self.actions = ActionBar()
        self.takes = take_names()
        self.player = Player(takes=list(self.takes), note=HEARING_CAUTION)
        self._take = self.takes[0] if self.takes else USUAL_TAKE
        self.schematic = Disclosure(
            "Schematic of the rig as it stands", lambda: schematic_html(bench.rig), working="Drawing it …"
        )
        self.formula = Disclosure(
            "Formula with your numbers", lambda: formula_html(bench.rig), working="Working it out: one or two seconds …"
        )
        self.files = FileOffers()
        offer_rig_files(self.files, bench)
        advice = "Save one from this page, or write one by hand."
        self.opener = Upload(
            Intake(largest=LARGEST_SHEET, what="a rig sheet", advice=advice),
            label="Open a rig sheet",
            hint="A .toml file, saved here or written by hand. It stays on this machine.",
            accept=".toml",
            many=False,
        )
        self._has_sounded = False
        self._sound = Debounce(self._render, SOUND_PAUSE_S)
        self._shown_rig = ""
        self._connect()
        self.show()
        self.box = self._lay_out()

    def _lay_out(self) -> ipywidgets.Box:
        heading = ipywidgets.HTML(f"<h1>{escape(TITLE)}</h1><p>{escape(LEAD)}</p>")
        results = box("lab-results", self.numbers, self.curve, caption(ZERO))
        listen = box("lab-listen", ipywidgets.HTML("<h2>Listen</h2>"), self.player, note(ABOUT_HEARING))
        circuit = box("lab-told", ipywidgets.HTML("<h2>The circuit</h2>"), self.schematic, self.formula)
        files = box("lab-told", ipywidgets.HTML("<h2>Save and open</h2>"), self.files, self.opener, note(CAUTION))
        right = box("lab-right", results, box("lab-more", self.actions, listen, circuit, files))
        return box("lab-page", box("lab-title", heading), box("lab-columns", self.controls, right))

    def show(self) -> None:
        """Show the present state: curve first, then words, then everything that costs nothing."""
        bench = self.bench
        self.curve.svg = bench.draw(self.curve.width)
        self.numbers.value = numbers_html(bench.numbers)
        if self._shown_rig != bench.state.setup.rig:
            self.controls.show_controls(bench.controls)
            self._shown_rig = bench.state.setup.rig
        self.controls.show_values(bench.controls, bench.values, bench.errors)
        self.actions.actions = self._buttons()
        self.actions.pins = [
            {
                "key": str(shown.pin.slot),
                "colour": PINS[shown.pin.slot].colour,
                "dash": " ".join(f"{length:g}" for length in PINS[shown.pin.slot].dash),
                "text": shown.text,
            }
            for shown in bench.pins
        ]
        self.actions.query = bench.query
        compared = bench.compared
        self.player.is_current = False
        self.player.labels = ["Now"] if compared is None else ["Now", compared.short]
        self.schematic.refresh()
        self.formula.refresh()
        if self._has_sounded:
            self._sound.ask()

    def _connect(self) -> None:
        bench = self.bench

        def then_show(change: Callable[..., object], *names: str) -> Callable[..., None]:
            def handler(**fields: object) -> None:
                change(*(fields.get(name) for name in names))
                self.actions.said = ""
                self.show()

            return handler

        self.controls.on("set", then_show(lambda key, index: bench.set_index(str(key), int(index)), "key", "index"))
        self.controls.on("type", then_show(lambda key, text: bench.set_text(str(key), str(text)), "key", "text"))
        for name in ("pin", "undo", "redo"):
            self.actions.on(name, then_show(getattr(bench, name)))
        self.actions.on("again", then_show(bench.start_again))
        self.actions.on("unpin", then_show(lambda key: bench.unpin(int(key)), "key"))
        self.actions.on("restore", then_show(lambda key: bench.restore(int(key)), "key"))
        self.actions.on("open", self._open)
        self.opener.on_file(self._open_sheet)
        self.player.on("render", lambda **_: self._render())
        self.player.on("take", self._choose_take)
        self.curve.observe(lambda _: setattr(self.curve, "svg", bench.draw(self.curve.width)), "width")

    def _open(self, search: object = "", **_: object) -> None:
        self.bench.open(str(search))
        self.show()
        self.actions.said = " ".join(self.bench.problems)
        self.actions.send({"address": True})

    def _open_sheet(self, file: GivenFile) -> None:
        """Show a rig sheet; what is wrong with it is told beside the button."""
        try:
            text = file.content.decode("utf-8-sig")
        except UnicodeDecodeError:
            raise InputError(f"{file.name} is not text in UTF-8, which a sheet is") from None
        self.bench.open_sheet(text, file.name)
        self.actions.said = f"Opened {self.bench.state.setup.rig}."
        self.show()

    def _choose_take(self, name: object = "", **_: object) -> None:
        if name in self.takes:
            self._take = str(name)
            self.player.is_current = False
            if self._has_sounded:
                self._sound.ask()

    def _buttons(self) -> list[dict[str, object]]:
        bench = self.bench
        full = len(bench.state.pins) >= MOST_PINS
        return [
            {
                "key": "pin",
                "label": "Three are pinned" if full else "Pin this curve",
                "enabled": bench.can_pin,
                "primary": bench.can_pin,
            },
            {"key": "undo", "label": "Undo", "enabled": bench.can_undo},
            {"key": "redo", "label": "Redo", "enabled": bench.can_redo},
            {"key": "again", "label": "Start again", "enabled": bool(bench.state.setup.changes or bench.state.pins)},
            {"key": "link", "label": "Copy link", "enabled": True},
        ]

    def _render(self) -> None:
        """Make the sound of the present state and hand it to the player."""
        self._has_sounded = True
        self._sound.drop()
        compared = self.bench.compared
        try:
            heard = hear(
                self.bench.rig,
                other=None if compared is None else self.bench.rig_of(compared.pin),
                other_name="" if compared is None else compared.short,
                take=self._take,
            )
        except InputError as error:
            self.player.send({"failed": str(error)})
            return
        self.player.file_name = f"{file_stem(self.bench.state.setup.rig)}-{file_stem(self._take)}.wav"
        self.player.now, self.player.other = heard.now, heard.other
        self.player.note = heard.note
        self.player.is_current = True
        self.player.send({"rendered": True})
