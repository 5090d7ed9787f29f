"""The rig page: widgets over `RigBench`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.rig_page import panel
panel()
"""

from __future__ import annotations

import re
from html import escape
from pathlib import Path

import ipywidgets

from labkit.app.debounce import Debounce
from labkit.app.listening import USUAL_TAKE, hear, take_names
from labkit.app.page_text import numbers_html
from labkit.app.panel_page import message_box
from labkit.app.rig_model import RigBench
from labkit.app.rig_state import MOST_PINS
from labkit.app.widgets import ActionBar, ControlPanel, CurveView, Player
from labkit.core.errors import InputError
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig
from labkit.sound.loudness import HEARING_CAUTION
from labkit.view.palette import PINS
from labkit.view.words import ZERO

TITLE = "Your rig, from string to amplifier"
LEAD = "Change one part and watch where the peak goes. Pin a curve to keep it beside the next."
SOUND_PAUSE_S = 0.25


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
        self._has_sounded = False
        self._sound = Debounce(self._render, SOUND_PAUSE_S)
        self._shown_rig = ""
        self._connect()
        self.show()
        self.box = _box(
            "lab-page",
            _box("lab-title", ipywidgets.HTML(f"<h1>{escape(TITLE)}</h1><p>{escape(LEAD)}</p>")),
            _box(
                "lab-columns",
                self.controls,
                _box(
                    "lab-right",
                    _box(
                        "lab-results",
                        self.numbers,
                        self.curve,
                        ipywidgets.HTML(f'<p class="lab-caption">{escape(ZERO)}</p>'),
                    ),
                    _box("lab-more", self.actions, _box("lab-listen", ipywidgets.HTML("<h2>Listen</h2>"), self.player)),
                ),
            ),
        )

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
        if self._has_sounded:
            self._sound.ask()

    def _connect(self) -> None:
        bench = self.bench

        def then_show(change: object, *names: str) -> object:
            def handler(**fields: object) -> None:
                change(*(fields.get(name) for name in names))  # type: ignore[operator]
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
        self.player.on("render", lambda **_: self._render())
        self.player.on("take", self._choose_take)
        self.curve.observe(lambda _: setattr(self.curve, "svg", bench.draw(self.curve.width)), "width")

    def _open(self, search: object = "", **_: object) -> None:
        self.bench.open(str(search))
        self.show()
        self.actions.said = " ".join(self.bench.problems)
        self.actions.send({"address": True})

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
        self.player.file_name = f"{_file_stem(self.bench.state.setup.rig)}-{_file_stem(self._take)}.wav"
        self.player.now, self.player.other = heard.now, heard.other
        self.player.note = heard.note
        self.player.is_current = True
        self.player.send({"rendered": True})


def _file_stem(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")[:60] or "rig"


def _box(css_class: str, *children: ipywidgets.Widget) -> ipywidgets.Box:
    box = ipywidgets.Box(children)
    box.add_class(css_class)
    return box
