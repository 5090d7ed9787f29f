"""Base classes of the pages: `Page` has controls and actions, `CurvePage` a rig with its curve and sound as well."""

from __future__ import annotations

import asyncio
import os
import re
from abc import abstractmethod
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from functools import cache, cached_property, partial
from html import escape
from typing import Any, Generic, TypeVar

import ipywidgets

from labkit.app.kit.controls import ControlSet, Value
from labkit.app.kit.files import GivenFile, Intake, Upload
from labkit.app.kit.listening_bar import Hearing, Kept, Listening
from labkit.app.kit.page_state import TALL, WITHOUT, PinningPageState, RigCurve
from labkit.app.kit.rig.opened import LARGEST_SHEET, read_sheet_text
from labkit.app.kit.rig.state import split_query
from labkit.app.kit.text import warnings_html
from labkit.app.kit.widgets import ActionBar, ControlPanel, CurveView, FileOffers
from labkit.core.errors import InputError
from labkit.rig.rig import Rig
from labkit.view.curve.marks import shade_outside

State = TypeVar("State", bound=Any)

FOLLOW_S = 2.0
"""A page that speaks of the workshop book looks so often whether another page or a command has changed it."""

KEPT_SHEETS = "rig sheets"
"""Under this name a tab keeps the rig sheets that were opened, for all of its pages (``action_bar.js``)."""


class Page(Generic[State]):
    """Keeps widgets and state together: every message of the page moves the state, then everything is shown again.

    Attributes
    ----------
    title, lead : str
        Heading, and one sentence of introduction.
    css_class : str
        Class of the whole page, where its style differs.
    """

    title = ""
    lead = ""
    css_class = ""

    def __init__(self, state: State) -> None:
        self.state = state
        self.controls = ControlPanel()
        self.actions = ActionBar()
        self.files = FileOffers()
        self._shown_controls: ControlSet | None = None
        self._followed: tuple[object, asyncio.TimerHandle] | None = None
        self.listening = Listening(self.hearing)
        self.set_up()
        self._connect()
        if address := os.environ.get("QUERY_STRING", ""):  # of the page that this is made for
            self._open(address)
        else:
            self.show()
        heading = ipywidgets.HTML(
            f"<h1>{escape(self.title)}</h1>" + (f"<p>{escape(self.lead)}</p>" if self.lead else "")
        )
        parts = box("lab-title", heading, self.actions), box("lab-columns", *self.columns())
        self.box = box("lab-page", self.listening.bar, *parts)
        if self.css_class:
            self.box.add_class(self.css_class)

    def set_up(self) -> None:
        """Make the page's own widgets; called before anything is shown."""

    @abstractmethod
    def columns(self) -> tuple[ipywidgets.Widget, ...]:
        """Return what stands below the heading, side by side."""

    def hearing(self) -> Hearing:
        """Return what is to be heard: the rig of the address, on a page that has none of its own."""
        return replace(rig_hearing(self._travelling), keeps=False)

    def shown_controls(self) -> ControlSet:
        """Return the controls to show: all of them, unless a page says otherwise."""
        return self.state.controls

    def heads(self, controls: ControlSet) -> dict[str, str]:
        """Return what stands beside the titles of groups: the values of those that are folded."""
        values = self.state.values
        return {group.title: group.head(values) for group in controls.groups if group.is_fold}

    def buttons(self) -> list[dict[str, object]]:
        """Return the buttons of the action bar."""
        state = self.state
        return [
            {"key": "undo", "label": "Undo", "enabled": state.can_undo},
            {"key": "redo", "label": "Redo", "enabled": state.can_redo},
            {"key": "again", "label": "Start again", "enabled": state.is_changed},
            {"key": "link", "label": "Share", "enabled": True},
        ]

    def show(self) -> None:
        """Sound and show the present state."""
        self.listening.show()
        self._show_controls()

    def _show_controls(self) -> None:
        controls = self.shown_controls()
        if self._shown_controls != controls:
            self.controls.show_controls(controls)
            self._shown_controls = controls
        self.controls.show_values(controls, self.state.values, self.state.errors)
        self.controls.heads = self.heads(controls)
        self.actions.actions = self.buttons()
        self.actions.query = self.state.query
        self._follow_book()

    def _follow_book(self) -> None:
        """Show the page anew once the workshop book that it speaks of is changed, by whichever page or command."""
        if self._followed is not None:
            self._followed[1].cancel()
            self._followed = None
        moment = getattr(self.state, "book_moment", None)
        if moment is not None:
            with suppress(RuntimeError):  # a script has no event loop, and nothing to wait for
                self._followed = moment, asyncio.get_running_loop().call_later(FOLLOW_S, self._look_at_book)

    def _look_at_book(self) -> None:
        if self._followed is not None and self._followed[0] != self.state.book_moment:
            self.book_changed()
        else:
            self._follow_book()

    def book_changed(self) -> None:
        """Show what follows from the book as it is now."""
        self.show()

    @cached_property
    def _travelling(self) -> TravellingState:
        return TravellingState()

    def _connect(self) -> None:
        state, bar = self.state, self.listening.bar
        bar.on("undo", lambda **_: self._then_show(state.undo))
        bar.on("redo", lambda **_: self._then_show(state.redo))
        self.controls.on("set", self._set_control)
        self.controls.on("type", self._set_control)
        self.actions.on("undo", lambda **_: self._then_show(state.undo))
        self.actions.on("redo", lambda **_: self._then_show(state.redo))
        self.actions.on("again", lambda **_: self._then_show(state.start_again))
        self.actions.on_open(self._open, self.controls, opened=os.environ.get("QUERY_STRING") or None)

    def _set_control(self, key: object = "", index: object = None, text: object = "", **_: object) -> None:
        """Move a control to a position or a typed text; a message about no control of this page changes nothing."""
        if key not in self.state.controls:
            return
        if isinstance(index, int):
            self._then_show(self.state.set_index, str(key), index)
        elif index is None:
            self._then_show(self.state.set_text, str(key), str(text))

    def _then_show(self, change: Callable[..., object], *arguments: object) -> None:
        change(*arguments)
        self.actions.said = ""
        self.show()

    def _open(self, query: str) -> None:
        self.state.open(query)
        if "_travelling" in self.__dict__:
            self._travelling.open(split_query(query)[0])
        self.show()
        self.actions.said = " ".join(self.state.problems)


class CurvePage(Page[State]):
    """A page about a rig: its results stand on top of its curve; below are actions, the page's own parts and sound.

    Attributes
    ----------
    keeps : bool
        False where B is what the page has found, and nothing can be kept in its place.
    draws_what_is_heard : bool
        False where the curve is of something else than the rigs that sound.
    """

    keeps = True
    draws_what_is_heard = True
    css_class = "lab-three"

    def __init__(self, state: State) -> None:
        self.curve = CurveView()
        self.faults, self.known = ipywidgets.HTML(), ipywidgets.HTML()
        self.known_box = box("lab-section", box("lab-wrap", self.known))
        super().__init__(state)

    def columns(self) -> tuple[ipywidgets.Widget, ...]:
        """Return the controls, and everything else beside them."""
        more = (self.faults, *self.below(), *self.at_the_end())
        return self.controls, box("lab-right", box("lab-results", *self.results()), box("lab-more", *more))

    @abstractmethod
    def results(self) -> tuple[ipywidgets.Widget, ...]:
        """Return what stands on top and stays in view: numbers, curve, caption."""

    def below(self) -> tuple[ipywidgets.Widget, ...]:
        """Return what stands below the actions."""
        return ()

    def _show_known(self) -> None:
        """Show what the workshop book says of the rig's pickups, where they are predicted with it."""
        is_asked = self.state.reel != WITHOUT
        self.known_box.layout.display = None if is_asked else "none"
        if not is_asked:
            self.known.value = ""
            return
        from labkit.app.kit.own_book import known_html  # a lab without a book does without all of it

        self.known.value = known_html(self.state.known)

    def at_the_end(self) -> tuple[ipywidgets.Widget, ...]:
        """Return what stands last."""
        return ()

    @abstractmethod
    def show_results(self) -> None:
        """Show what follows from the present state."""

    def draw(self, width: int) -> str:
        """Return the page's curve, SVG, for a width in CSS pixels; taller on a wide screen."""
        drawing: str = self.state.draw(width, TALL if self.curve.is_tall else None)
        return drawing

    @abstractmethod
    def compared(self) -> tuple[Rig, str] | None:
        """Return the rig to listen to beside the present one, and what sets it apart."""

    def buttons(self) -> list[dict[str, object]]:
        """Return the buttons of the action bar, the one that keeps first."""
        can_keep = self.state.can_keep
        keep = {"key": "keep", "label": "Keep as B", "enabled": can_keep, "primary": can_keep}
        return [*([keep] if self.keeps else []), *super().buttons()]

    def show(self) -> None:
        """Sound and show the present state: the ear waits for a cross-fade besides, so its part goes first."""
        self.listening.show()
        self._draw()
        self.actions.rig, self.actions.changes = self.rig_name, self.state.changes
        self.show_results()
        self._show_known()
        self._show_controls()
        self.faults.value = warnings_html(self.state.rig.warnings)
        self.faults.layout.display = None if self.faults.value else "none"

    def hearing(self) -> Hearing:
        """Return the present rig as A, and as B what the page compares with: the same as in its curve."""
        heard = replace(rig_hearing(self.state, self.sounding_rig()), keeps=self.keeps)
        other = self.compared()
        kept = () if other is None else (Kept(text=other[1], rig=lambda: other[0], here=self.sounding_label),)
        return replace(heard, kept=kept, blind=self.state.compared_query)

    @property
    def sounding_label(self) -> str:
        """What A is called beside what the page compares with."""
        return "as it stands"

    @property
    def file_stem(self) -> str:
        """Beginning of the names of this page's files: the rig's name."""
        return file_stem(self.rig_name)

    @property
    def rig_name(self) -> str:
        """The present rig's name."""
        return str(self.state.snapshot.rig.setup.rig)

    def _connect(self) -> None:
        super()._connect()
        if self.keeps:
            for bar in (self.actions, self.listening.bar):
                bar.on("keep", lambda **_: self._keep())
        self.actions.on("sheets", self._take_up)
        self.curve.observe(lambda _: self._draw(), ["width", "is_tall"])
        self.curve.observe(lambda change: self._show_band(change["new"]), "shows_band")
        self.listening.on_other_source(self._draw)

    def _show_band(self, is_wanted: bool) -> None:
        self.state.shows_band = is_wanted
        self._draw()
        self.show_results()

    def _draw(self) -> None:
        """Draw the curve, shaded where what is heard of a recording is not true to it."""
        self.curve.band = self.state.band_words
        drawing, band = self.draw(self.curve.width), self.listening.band_hz
        self.curve.svg = shade_outside(drawing, band) if band is not None and self.draws_what_is_heard else drawing

    def _opener(self, what: str, *, label: str = "", keeps_as: str = "", takes_up: bool = False) -> Upload:
        """Return the button that opens a sheet; what is wrong with the sheet is said beside it."""
        opener = Upload(
            Intake(largest=LARGEST_SHEET, what=what, advice="Save one from this page, or write one by hand."),
            label=label or f"Open {what}",
            hint="A .toml file, saved here or written by hand. It stays on this machine.",
            accept=".toml",
            many=False,
            keeps_as=keeps_as,
            takes_up=takes_up,
        )
        opener.on_file(self._open_file)
        return opener

    def _open_file(self, file: GivenFile) -> None:
        try:
            text = file.content.decode("utf-8-sig")
        except UnicodeDecodeError:
            raise InputError(f"{file.name} is not text in UTF-8, which a sheet is") from None
        name = self.open_sheet(text, file.name)
        self.show()
        self.actions.said = f"Opened: {name}."

    def _take_up(self, sheets: object = (), **_: object) -> None:
        """Offer the rig sheets that were opened on other pages of this tab; one that cannot be used is left out."""
        for sheet in sheets if isinstance(sheets, list) else []:
            with suppress(InputError, TypeError, KeyError):
                self.state.offers.open(read_sheet_text(str(sheet["text"]), str(sheet["name"])))
        self.show()

    def open_sheet(self, text: str, where: str) -> str:
        """Show what a sheet describes and return its name; pages that offer to open one say how."""
        raise NotImplementedError

    def _keep(self) -> None:
        """Keep the present rig as B."""
        can_keep = self.state.can_keep
        self._then_show(self.state.keep)
        if not can_keep:
            self.actions.said = self.state.why_not_kept

    def sounding_rig(self) -> Rig:
        """Return the rig that sounds as A; the present one unless the page shows a changed one."""
        return self.state.rig


class PinningPage(CurvePage[State]):
    """A page whose present state can be kept, up to three times; curve, numbers and sound compare with the first."""

    def _connect(self) -> None:
        super()._connect()
        bar, state = self.listening.bar, self.state
        bar.on("next", lambda **_: self._then_show(state.next_kept))
        bar.on("drop", lambda slot=-1, **_: self._then_show(state.unpin, int(slot)))
        bar.on("back", lambda slot=-1, **_: self._then_show(state.restore, int(slot)))

    def hearing(self) -> Hearing:
        """Return the present rig as A and what was kept as B, C, D."""
        return rig_hearing(self.state, self.sounding_rig())

    def compared(self) -> tuple[Rig, str] | None:
        """Return the compared pin's rig."""
        shown = self.state.compared
        return None if shown is None else (self.state.rig_of(shown.pin.setup), shown.short)


class TravellingState(PinningPageState[RigCurve]):
    """The rig of the address, for a page that shows nothing of it."""

    def result_of(self, rig: Rig, values: Mapping[str, Value]) -> RigCurve:
        """Solve the rig."""
        return RigCurve.of(rig)


def travelling_listening(query: str) -> Listening:
    """Return a listening bar for a page that is not about a rig: it plays that of an address."""

    @cache
    def state() -> TravellingState:
        return TravellingState(query=split_query(query)[0])

    return Listening(lambda: replace(rig_hearing(state()), keeps=False))


def rig_hearing(state: PinningPageState[Any], rig: Rig | None = None) -> Hearing:
    """Return what a page about a rig lets be heard: the present rig, and its pins as B, C, D."""
    kept = tuple(
        Kept(
            text=shown.short,
            full=shown.text,
            here=shown.here,
            rig=partial(state.rig_of, shown.pin.setup),
            slot=shown.pin.slot,
        )
        for shown in state.pins
    )
    return Hearing(
        rig=state.rig if rig is None else rig,
        name=state.called,
        kept=kept,
        offers=state.offers,
        blind=state.rig_query,
    )


def note(text: str) -> ipywidgets.HTML:
    """Return a line of small print."""
    return ipywidgets.HTML(small_print(text))


def small_print(text: str) -> str:
    """Return that line as HTML, for one that changes; nothing where it says nothing."""
    return f'<p class="lab-note">{escape(text)}</p>' if text else ""


def caption(text: str) -> ipywidgets.HTML:
    """Return the line under a curve."""
    return ipywidgets.HTML(caption_html(text))


def caption_html(text: str) -> str:
    """Return that line as HTML, for one that changes."""
    return f'<p class="lab-caption">{escape(text)}</p>'


def box(css_class: str, *children: ipywidgets.Widget) -> ipywidgets.Box:
    """Return widgets in a box of a class."""
    made = ipywidgets.Box(children)
    made.add_class(css_class)
    return made


def file_stem(name: str) -> str:
    """Return a name for a file: small letters, digits and hyphens.

    >>> file_stem("Saltmarsh Lane, narrow single coil")
    'saltmarsh-lane-narrow-single-coil'
    """
    return re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")[:60] or "rig"
