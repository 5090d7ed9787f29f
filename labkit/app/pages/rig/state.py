"""The rig page without widgets: what is set, what follows from it, and what the page says about it."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from labkit.app.kit.address import join_query, split_query
from labkit.app.kit.controls import Control, ControlSet, Group, Value
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.rig.opened import read_sheet_text
from labkit.app.kit.rig.pins import ShownPin, shown_pins
from labkit.app.kit.rig.rebuild import REBUILDING, rebuilding_values, rebuilt, with_rebuilding
from labkit.app.kit.rig.state import Pin, RigState, Setup, read_query, write_query
from labkit.app.kit.undoable import Undoable
from labkit.core.errors import InputError
from labkit.core.grid import frequency_grid
from labkit.core.response import Response
from labkit.rig.outputs import HOW_TO_STATE, counted_outputs
from labkit.rig.rig import Rig
from labkit.sound.render.string_drive import DRIVEN_NOT_MODELLED, LevelChange, driven_response, level_change
from labkit.view.curve.curve import HIGH_HZ, LABEL_CHARACTERS, LOW_HZ, Curve, draw_curves
from labkit.view.palette import NOW, PINS
from labkit.view.words import (
    ZERO,
    KeyNumber,
    Reading,
    key_numbers,
    level_number,
    output_number,
    read_response,
    sentence,
)

CURVE_POINTS = 220
EQUAL_EMF, BY_STRINGS = "at equal EMF", "as the strings drive it"
"""What the page's curves show."""
CURVE = "own.curve"
"""Key of the control that chooses between them."""
_GRID = frequency_grid(LOW_HZ, HIGH_HZ, CURVE_POINTS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What follows from one setup: the rig, its curve and the numbers read off it."""

    rig: Rig
    gain_db: np.ndarray
    reading: Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class RigPageState(RigState):
    """The travelling rig with its pins, and what the curves of this page show."""

    curve: str = EQUAL_EMF


class RigBench(Undoable[RigPageState]):
    """A rig on the bench: moved by controls, pinned, undone, written to and read from an address.

    Parameters
    ----------
    rig : Rig, optional
        Shown first; the first rig of the catalogue by default.
    query : str
        State from an address.
    clock : callable
        Seconds, rising; given by tests.
    """

    def __init__(self, rig: Rig | None = None, *, query: str = "", clock: Callable[[], float] = time.monotonic) -> None:
        self._offers = RigOffers(rig)
        self._shown: Callable[[Setup], Shown] = lru_cache(maxsize=64)(self._show)
        self._level: Callable[[Setup, Setup], LevelChange] = lru_cache(maxsize=64)(self._compare)
        super().__init__(RigPageState(setup=Setup(rig=self.default_rig)), clock)
        if query:
            self.open(query)

    @property
    def rigs(self) -> tuple[str, ...]:
        """Names of the rigs to choose from."""
        return self._offers.rigs

    @property
    def default_rig(self) -> str:
        """The rig the page opens with."""
        return self._offers.default_rig

    @property
    def query(self) -> str:
        """The present state for an address."""
        rig = write_query(self.state, default_rig=self.default_rig, offer=self._offers.offer)
        return join_query(rig, {} if self.state.curve == EQUAL_EMF else {"curve": self.state.curve})

    @property
    def controls(self) -> ControlSet:
        """The controls of the present rig."""
        name = self.state.setup.rig
        controls = with_rebuilding(self._offers.offer(name).controls, self._offers.base(name))
        return ControlSet((*controls.groups, _CURVE_GROUP))

    @property
    def values(self) -> dict[str, Value]:
        """Where every control stands."""
        setup = self.state.setup
        values = {**self._offers.values(setup), **rebuilding_values(self._offers.base(setup.rig))}
        return {**values, CURVE: self.state.curve}

    @property
    def shown(self) -> Shown:
        """What follows from the present state."""
        return self._shown(self.state.setup)

    @property
    def rig(self) -> Rig:
        """The present rig."""
        return self.shown.rig

    @property
    def is_changed(self) -> bool:
        """True where something stands elsewhere than in the rig's sheet, or is pinned."""
        return bool(self.state.setup.changes or self.state.pins or self.state.curve != EQUAL_EMF)

    @property
    def can_pin(self) -> bool:
        """True where the present setup may be pinned: fewer than three are, and not this one."""
        return self.state.with_pin() != self.state

    def pin(self) -> None:
        """Keep the present setup for comparison."""
        self._history.move(self.state.with_pin())

    def unpin(self, slot: int) -> None:
        """Drop a pin."""
        self._history.move(self.state.without_pin(slot))

    def restore(self, slot: int) -> None:
        """Set the rig as it was when pinned; the pin stays."""
        for pin in self.state.pins:
            if pin.slot == slot:
                self._step(replace(self.state, setup=pin.setup))

    def start_again(self) -> None:
        """Go back to the rig as its sheet has it, without pins; can be undone."""
        self._step(RigPageState(setup=Setup(rig=self.state.setup.rig)))

    def open_sheet(self, text: str, where: str) -> None:
        """Show the rig of a sheet, pins kept; can be undone.

        Raises
        ------
        InputError
            With one sentence on what is wrong with the sheet; nothing is changed then.
        """
        setup = Setup(rig=self._offers.open(read_sheet_text(text, where)))
        self._shown(setup)
        self._step(replace(self.state, setup=setup))

    def open(self, query: str) -> None:
        """Start from the state of an address; `problems` then says what of it could not be used."""
        rig_query, own = split_query(query)
        rig, self.problems = read_query(rig_query, default_rig=self.default_rig, offer=self._offers.offer)
        curve = BY_STRINGS if own.get("curve") == BY_STRINGS else EQUAL_EMF
        state = RigPageState(setup=rig.setup, pins=rig.pins, curve=curve)
        try:
            for setup in (state.setup, *(pin.setup for pin in state.pins)):
                self._shown(setup)
        except InputError as error:
            self.problems = (f"The link does not make a rig: {error}",)
            state = RigPageState(setup=Setup(rig=self.default_rig))
        self._start_from(state)

    @property
    def pins(self) -> tuple[ShownPin, ...]:
        """The pins with what sets each apart from the present setup."""
        return shown_pins(self._offers, self.state.setup, self.state.pins)

    @property
    def compared(self) -> ShownPin | None:
        """The pin that numbers and sound compare with: the newest that differs from now."""
        different = [shown for shown in self.pins if shown.pin.setup != self.state.setup]
        return different[-1] if different else None

    @property
    def numbers(self) -> tuple[KeyNumber, ...]:
        """Peak place, peak height, treble end and level, compared with a pin where there is one."""
        compared = self.compared
        if compared is None:
            return (*key_numbers(self.shown.reading), output_number(self.rig.outputs))
        reading = self._shown(compared.pin.setup).reading
        level = level_number(self._level(compared.pin.setup, self.state.setup), compared.name)
        return (*key_numbers(self.shown.reading, pinned=reading, pinned_name=compared.name), level)

    @property
    def drawn(self) -> str:
        """Which of the two curves is drawn, and whether levels could be compared, in a line that every width shows."""
        told = []
        if self.state.curve == BY_STRINGS:
            what = "place counted, output as far as known" if self._words else "place and output counted"
            told.append(f"Drawn as the strings drive it; {what}.")
        elif len(self.rig.pickups) > 1:
            told.append("Drawn at equal EMF; place and output are not counted.")
        if self.compared is not None and self._words:
            told.append("Level at equal EMF: an output is not known.")
        return " ".join(told)

    @property
    def zero(self) -> str:
        """What zero of the drawn curves is."""
        if self.state.curve == EQUAL_EMF:
            return ZERO
        return (
            "Level at the input in decibels, averaged over the strings of a usual set. Zero is the voltage of the "
            "reference coil over the loop of every partial."
        )

    @property
    def caption(self) -> str:
        """What zero is and what the curves leave out."""
        words = self._words
        levels = f" Levels: {words}." if words else ""
        if self.state.curve == EQUAL_EMF:
            more = (
                ""
                if len(self.rig.pickups) < 2
                else f" For the curve {BY_STRINGS}, see “{_CURVE_GROUP.title}” among the controls."
            )
            return f"{self.zero}{more}{levels}"
        numbers = "The numbers above are those of the curve at equal EMF."
        return f"{self.zero} {numbers} Not modelled: {DRIVEN_NOT_MODELLED}.{levels}"

    @property
    def _words(self) -> str:
        """How outputs are counted against the pin, with the key that states one; of the present rig without a pin."""
        compared = self.compared
        if compared is not None:
            return counted_outputs(self.rig_of(compared.pin), self.rig).words
        unknown = [pickup.name for pickup in self.rig.pickups.values() if pickup.output is None]
        return f"the output of '{unknown[0]}' is not known; {HOW_TO_STATE}" if unknown else ""

    @property
    def description(self) -> str:
        """The curves in words."""
        kept = [f"Pinned, {shown.short}: {sentence(key_numbers(self.reading_of(shown.pin)))}" for shown in self.pins]
        return " ".join([sentence(self.numbers), *kept])

    def reading_of(self, pin: Pin) -> Reading:
        """Return the numbers of a pinned setup."""
        return self._shown(pin.setup).reading

    def rig_of(self, pin: Pin) -> Rig:
        """Return the rig of a pinned setup."""
        return self._shown(pin.setup).rig

    def curves(self) -> list[Curve]:
        """Return the present curve and the pins."""
        pins = self.pins
        levels = self._levels()
        curves = [Curve(frequency_hz=_GRID, gain_db=levels[0], label="Now", style=NOW)]
        curves += [
            Curve(frequency_hz=_GRID, gain_db=level, label=shown.short, brief=shown.brief, style=PINS[shown.pin.slot])
            for shown, level in zip(pins, levels[1:])
        ]
        return curves

    def _levels(self) -> list[np.ndarray]:
        """Of the present rig and the pins, in dB on the page's grid."""
        setups = (self.state.setup, *(pin.setup for pin in self.state.pins))
        if self.state.curve == EQUAL_EMF:
            return [self._shown(setup).gain_db for setup in setups]
        outputs = counted_outputs(*(self._shown(setup).rig for setup in setups)).levels_db
        return [
            driven_response(self._shown(setup).rig, _GRID, levels_db=levels).gain_db
            for setup, levels in zip(setups, outputs)
        ]

    def draw(self, width: int) -> str:
        """Return the drawing of the present curve and the pins, SVG, for a width in CSS pixels."""
        title = f"Level over frequency at the input of {self.state.setup.rig}, {self.state.curve}"
        room = LABEL_CHARACTERS if self.state.pins else 0  # the plot must not jump while labels change
        return draw_curves(self.curves(), title=title, description=self.description, width=width, label_characters=room)

    def _move(self, key: str, value: Value) -> None:
        before = self.state.setup
        if key == CURVE:
            self._history.move(replace(self.state, curve=str(value)), key)
            return
        try:
            if key == "rig":
                setup = Setup(rig=str(value))
            elif key in REBUILDING:
                setup = rebuilt(self._offers, before, key, value)
            else:
                setup = self._offers.offer(before.rig).setup(before.rig, {**self._offers.values(before), key: value})
            self._shown(setup)
        except InputError as error:
            self._blame(key, error)
            return
        self._clear(*(self.errors if setup.rig != before.rig else (key,)))
        self._history.move(replace(self.state, setup=setup), key)

    def _compare(self, before: Setup, after: Setup) -> LevelChange:
        return level_change(self._shown(before).rig, self._shown(after).rig)

    def _show(self, setup: Setup) -> Shown:
        rig = self._offers.rig(setup)
        response: Response = rig.response(_GRID)
        return Shown(rig=rig, gain_db=response.shown_gain_db, reading=read_response(response))


_CURVE_GROUP = Group(
    title="The curve",
    controls=(Control(key=CURVE, label="Curve drawn", kind="switch", positions=(EQUAL_EMF, BY_STRINGS)),),
)


def query_for(changes: Mapping[str, Value], *, pin: Mapping[str, Value] | None = None, rig: str | None = None) -> str:
    """Return the address query of a state, for links into the rig page.

    Parameters
    ----------
    changes, pin : mapping of str to float or str
        Controls that stand elsewhere than in the rig's sheet, now and in a pinned curve.
    rig : str, optional
        The page's usual rig by default.
    """
    offers = RigOffers()
    name = rig or offers.default_rig
    offer = offers.offer(name)
    pins = () if pin is None else (Pin(slot=0, setup=offer.setup(name, pin)),)
    state = RigState(setup=offer.setup(name, changes), pins=pins)
    return write_query(state, default_rig=offers.default_rig, offer=offers.offer)
