"""The state of a page without widgets: what is set, with its steps of undo, its pins and its address.

`PageState` is what every page has: controls, errors beside them, undo and redo. `CurvePageState` adds the rig that
travels from page to page, some controls of the page's own (their keys begin with ``own.``, as in the address) and what
follows from both. `PinningPageState` compares the present rig with the first of up to three pins. A subclass says which
controls it shows and what follows from them.
"""

from __future__ import annotations

import os
import time
from abc import abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Generic, Literal, TypeVar

import numpy as np

from labkit.app.kit.controls import Control, ControlSet, Group, Value
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.rig.pins import ShownPin, shown_pins
from labkit.app.kit.rig.state import OWN, RigState, Setup, join_query, read_query, split_query, write_query
from labkit.app.kit.rig.structure import read_name
from labkit.core.errors import InputError
from labkit.core.files import BOOK_VARIABLE
from labkit.core.grid import frequency_grid
from labkit.rig.rig import Rig
from labkit.sound.render.string_drive import LevelChange, level_change
from labkit.study.tolerance.band import GainBand, LiveBand
from labkit.view.curve.curve import HIGH_HZ, LOW_HZ, Curve, draw_curves
from labkit.view.curve.marks import LevelDifference, level_difference
from labkit.view.palette import NOW, PINS
from labkit.view.words import KeyNumber, Reading, key_numbers, level_number, output_number, read_response, sentence

if TYPE_CHECKING:
    from labkit.book.learn.prediction import Knowledge
    from labkit.pickup.predict.built import BuiltPickup

State = TypeVar("State")
Result = TypeVar("Result")
Own = tuple[tuple[str, Value], ...]

BOOK, BOOK_TITLE, WITHOUT, NEW_REEL = "own.book", "Workshop book", "without", "new"
"""Key and heading of the switch to predict with the workshop book, and where it stands beside the uids of reels."""

COALESCE_S = 1.0
MOST_STEPS = 200
GRID = frequency_grid(LOW_HZ, HIGH_HZ, 220)
"""Frequencies of a page's curves, Hz."""
BAND_GRID = GRID[::2]
_LOG_GRID = np.log(GRID)
SILENT_DB = -100.0
"""Under this a curve has no band: nothing is heard, and what leaks has no tolerance that anybody knows."""
TALL = 480
"""Height of a plot on a wide screen, CSS pixels."""
LONGEST_BRIEF = 11
"""Characters of a name beside its letter in a small plot; with more, the letter stands alone."""


class History(Generic[State]):
    """The states a page went through; changes of one control less than a second apart are one step.

    Parameters
    ----------
    state : frozen object
    clock : callable
        Seconds, rising; given by tests.

    >>> times = iter([0.0, 0.3, 5.0])
    >>> history = History("a", clock=lambda: next(times))
    >>> history.move("b", "volume"); history.move("c", "volume"); history.move("d", "tone")
    >>> history.undo(); history.state
    'c'
    >>> history.undo(); history.state
    'a'
    """

    def __init__(self, state: State, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._past: list[State] = []
        self._future: list[State] = []
        self.state = state
        self._clock = clock
        self._last: tuple[str, float] | None = None

    @property
    def can_undo(self) -> bool:
        """True where there is a step back."""
        return bool(self._past)

    @property
    def can_redo(self) -> bool:
        """True where there is a step forward."""
        return bool(self._future)

    def move(self, state: State, key: str = "") -> None:
        """Go to a new state; ``key`` names the control that moved, empty for a step of its own."""
        if state == self.state:
            return
        now = self._clock()
        is_same_gesture = (
            bool(key) and self._last is not None and self._last[0] == key and now - self._last[1] < COALESCE_S
        )
        if not (is_same_gesture and self._past):
            self._past.append(self.state)
            del self._past[:-MOST_STEPS]
        self._future.clear()
        self.state = state
        self._last = (key, now)

    def undo(self) -> None:
        """Go back one step, if there is one."""
        self._go(self._past, self._future)

    def redo(self) -> None:
        """Go forward again, if there is a step."""
        self._go(self._future, self._past)

    def _go(self, to: list[State], back: list[State]) -> None:
        if to:
            back.append(self.state)
            self.state = to.pop()
            self._last = None


class PageState(Generic[State]):
    """What a page is set to: a frozen snapshot with its history, moved by controls.

    Attributes
    ----------
    errors : dict of str to str
        Sentences by the key of the control that caused them.
    problems : tuple of str
        What of the address that the snapshot came from could not be used.
    """

    def __init__(self, snapshot: State, clock: Callable[[], float]) -> None:
        self._clock = clock
        self.errors: dict[str, str] = {}
        self.problems: tuple[str, ...] = ()
        self._start_from(snapshot)

    @property
    @abstractmethod
    def controls(self) -> ControlSet:
        """The page's controls."""

    @property
    @abstractmethod
    def values(self) -> dict[str, Value]:
        """Where every control stands."""

    @property
    @abstractmethod
    def query(self) -> str:
        """The present snapshot for an address."""

    @property
    @abstractmethod
    def is_changed(self) -> bool:
        """True where `start_again` would change something."""

    @abstractmethod
    def start_again(self) -> None:
        """Go back to what the page opens with; can be undone."""

    @abstractmethod
    def open(self, query: str) -> None:
        """Start from the query of an address; `problems` then says what of it could not be used."""

    @abstractmethod
    def _move(self, key: str, value: Value) -> None:
        """Move a control to a value that it can take; where nothing follows from it, an error stands beside it."""

    @property
    def snapshot(self) -> State:
        """What the page is set to at present, frozen."""
        return self._history.state

    @property
    def can_undo(self) -> bool:
        """True where there is a step back."""
        return self._history.can_undo

    @property
    def can_redo(self) -> bool:
        """True where there is a step forward."""
        return self._history.can_redo

    def set_index(self, key: str, index: int) -> None:
        """Move a control to one of its positions; what lies beyond the last one stops there."""
        positions = self.controls[key].positions
        self._move(key, positions[min(max(int(index), 0), len(positions) - 1)])

    def set_text(self, key: str, text: str) -> None:
        """Move a control to a typed value; a text that cannot be used becomes an error beside the control."""
        try:
            value = self.controls[key].read(text)
        except InputError as error:
            self._blame(key, error)
            return
        self._move(key, value)

    def undo(self) -> None:
        """Go back one step."""
        self._history.undo()
        self.errors = {}

    def redo(self) -> None:
        """Go forward one step that was undone."""
        self._history.redo()
        self.errors = {}

    def _step(self, snapshot: State) -> None:
        """Go to a snapshot as a step of its own, without errors."""
        self._history.move(snapshot)
        self.errors = {}

    def _start_from(self, snapshot: State) -> None:
        """Begin a new history, without errors."""
        self._history = History(snapshot, clock=self._clock)
        self.errors = {}

    def _blame(self, key: str, error: InputError) -> None:
        """Put an error beside a control."""
        self.errors = {**self.errors, key: str(error)}

    def _clear(self, *keys: str) -> None:
        """Remove the errors beside controls."""
        self.errors = {name: text for name, text in self.errors.items() if name not in keys}


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """The travelling rig with its pins, and the page's own controls that stand elsewhere than usual, sorted by key."""

    rig: RigState
    own: Own = ()

    def with_setup(self, setup: Setup) -> Snapshot:
        """Return the snapshot with another setup of the rig, pins and own values kept."""
        return replace(self, rig=replace(self.rig, setup=setup))


@dataclass(frozen=True, slots=True, kw_only=True)
class RigCurve:
    """A rig, its curve in dB on `GRID`, and the numbers read off it."""

    rig: Rig
    gain_db: np.ndarray
    reading: Reading

    @classmethod
    def of(cls, rig: Rig) -> RigCurve:
        """Solve a rig."""
        response = rig.response(GRID)
        return cls(rig=rig, gain_db=response.shown_gain_db, reading=read_response(response))


def own_book_groups() -> tuple[Group, ...]:
    """Return the switch to predict a rig with the workshop book; none where no book is open."""
    if not os.environ.get(BOOK_VARIABLE):
        return ()
    from labkit.app.kit.own_book import book_groups  # a lab without a book does without all of it

    return book_groups()


def reel_of(own: Own) -> str:
    """Return from which reel of the book a page's own values predict: its uid, ``new``, or ``without`` the book."""
    return str(dict(own).get(BOOK, WITHOUT))


def book_moment(own: Own) -> object:
    """Return what changes whenever the workshop book does; None of own values that predict without it, or no book."""
    if reel_of(own) == WITHOUT:
        return None
    from labkit.app.kit.own_book import open_own_book

    book = open_own_book()
    return None if book is None else book.moment


def own_book_default() -> dict[str, Value]:
    """Return where that switch stands at first: without the book; nothing where no book is open."""
    return {BOOK: WITHOUT} if own_book_groups() else {}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PredictedRig:
    """A rig; with the workshop book also its pickups as it predicts them, and what it knows of each, by slot."""

    rig: Rig
    built: Mapping[str, BuiltPickup] = field(default_factory=dict)
    known: Mapping[str, Knowledge] = field(default_factory=dict)


class CurvePageState(PageState[Snapshot], Generic[Result]):
    """The state of a page about a rig: moved by controls, undone, written to and read from an address.

    Parameters
    ----------
    rig : Rig, optional
        The rig to start with; the first one of the catalogue by default.
    query : str
        State from an address.
    clock : callable
        Seconds, rising; given by tests.

    Attributes
    ----------
    shows_band : bool
        False where nobody wants the band behind the present curve; then it is not worked out.
    """

    shows_band = True

    def __init__(self, rig: Rig | None = None, *, query: str = "", clock: Callable[[], float] = time.monotonic) -> None:
        self.offers = RigOffers(rig)
        live = {"rig": LiveBand(), "other": LiveBand()}
        band = lru_cache(maxsize=64)(
            lambda setup, own, which, _: live[which](
                getattr(self._result(setup, own), which), BAND_GRID, built=self.predicted(setup, own).built
            )
        )
        self._band: Callable[[Setup, Own, str], GainBand | None] = lambda setup, own, which: band(
            setup, own, which, book_moment(own)
        )
        self._predicted: Callable[..., PredictedRig] = lru_cache(maxsize=64)(self._predict_rig)
        self.rig_of: Callable[[Setup], Rig] = lambda setup: self.predicted(setup, self._own).rig
        result = lru_cache(maxsize=64)(lambda setup, own, _: self._calculate(setup, own))
        self._result: Callable[[Setup, Own], Result] = lambda setup, own: result(setup, own, book_moment(own))
        self._fresh: Callable[[str], Snapshot] = lru_cache(maxsize=16)(self._make_fresh)
        super().__init__(self._fresh(self.offers.default_rig), clock)
        if query:
            self.open(query)

    def page_controls(self, rig: Rig, offered: ControlSet) -> ControlSet:
        """Return the page's controls for a rig as its sheet has it; ``offered`` holds all of the rig itself."""
        return offered

    def own_defaults(self, rig: Rig) -> dict[str, Value]:
        """Return where the page's own controls stand at first, for a rig as its sheet has it."""
        return {}

    def result_of(self, rig: Rig, values: Mapping[str, Value]) -> Result:
        """Return what follows from a rig and the page's own controls; InputError where nothing does."""
        raise NotImplementedError

    def follow(self, key: str, value: Value) -> dict[str, Value]:
        """Return what a control sets when it is moved; itself, unless a page says otherwise."""
        return {key: value}

    def derived(self, values: Mapping[str, Value]) -> dict[str, Value]:
        """Return where controls stand that only follow from others."""
        return {}

    def settled(self, rig: RigState, own: Own) -> Snapshot:
        """Return the snapshot for a rig that comes from elsewhere (an address, a pin), as this page can show it.

        Raises
        ------
        InputError
            If this page cannot show the rig.
        """
        return Snapshot(rig=rig, own=own)

    @property
    def controls(self) -> ControlSet:
        """The page's controls for the present rig."""
        return self._controls(self.snapshot.rig.setup.rig)

    @property
    def values(self) -> dict[str, Value]:
        """Where every control stands."""
        setup = self.snapshot.rig.setup
        base = self.offers.base(setup.rig)
        values = {**self.offers.values(setup), **self.own_defaults(base), **dict(self.snapshot.own)}
        return {**values, **self.derived(values)}

    @property
    def result(self) -> Result:
        """What follows from the present snapshot."""
        return self._result(self.snapshot.rig.setup, self.snapshot.own)

    @property
    def rig(self) -> Rig:
        """The present rig."""
        return self.rig_of(self.snapshot.rig.setup)

    @property
    def reel(self) -> str:
        """From which reel of the book built pickups are predicted: its uid, ``new``, or ``without`` the book."""
        return reel_of(self._own)

    @property
    def book_moment(self) -> object:
        """Changes whenever the workshop book does; None where the rig is predicted without it."""
        return book_moment(self._own)

    @property
    def _own(self) -> Own:
        return self.snapshot.own if hasattr(self, "_history") else ()

    def predicted(self, setup: Setup, own: Own) -> PredictedRig:
        """Return the rig of a setup, with the workshop book where the page's own controls ask for that."""
        return self._predicted(setup, reel_of(own), book_moment(own))

    @property
    def known(self) -> Mapping[str, Knowledge]:
        """What the workshop book knows of each pickup, by slot; empty where the rig is predicted without it."""
        return self.predicted(self.snapshot.rig.setup, self.snapshot.own).known

    def _predict_rig(self, setup: Setup, reel: str, _: object) -> PredictedRig:
        rig = self.offers.rig(setup)
        if reel == WITHOUT or all(pickup.made_from is None for pickup in rig.pickups.values()):
            return PredictedRig(rig=rig)
        from labkit.app.kit.own_book import predicted_with_book

        rig, built, known = predicted_with_book(rig, reel)
        return PredictedRig(rig=rig, built=built, known=known)

    @property
    def band_words(self) -> str:
        """What the band behind the present curve holds; empty where the page draws none."""
        return ""

    def banded(
        self,
        curve: Curve,
        raised_db: np.ndarray | float = 0.0,
        *,
        setup: Setup | None = None,
        which: Literal["rig", "other"] = "rig",
    ) -> Curve:
        """Return a curve, on `GRID`, with the band of its rig's tolerances behind it, where that is wanted.

        Parameters
        ----------
        curve : Curve
        raised_db : ndarray or float, dB
            How far the curve is drawn above that at equal EMF.
        setup : Setup, optional
            That of the curve; the present one by default.
        which : "rig" or "other"
            Which rig of the result it is, where a page compares with a B of its own.
        """
        setup = self.snapshot.rig.setup if setup is None else setup
        band = self._band(setup, self.snapshot.own, which) if self.shows_band else None
        if band is None or curve.gain_db.max() < SILENT_DB:
            return curve
        low, high = (np.interp(_LOG_GRID, _LOG_GRID[::2], bound) + raised_db for bound in (band.low_db, band.high_db))
        return replace(curve, low_db=np.minimum(low, curve.gain_db), high_db=np.maximum(high, curve.gain_db))

    @property
    def query(self) -> str:
        """The present snapshot for an address."""
        controls = self.controls
        own = {key.removeprefix(OWN): controls[key].encode(value) for key, value in self.snapshot.own}
        return join_query(self.rig_query, own)

    @property
    def rig_query(self) -> str:
        """The rig with its pins, for links to other pages."""
        return self.query_of(self.snapshot.rig)

    def query_of(self, rig: RigState) -> str:
        """Return the query of an address that shows a rig."""
        return write_query(rig, default_rig=self.offers.default_rig, offer=self.offers.offer)

    def setup_with(self, changes: Mapping[str, Value]) -> Setup:
        """Return the present setup with some of the rig's controls moved."""
        setup = self.snapshot.rig.setup
        return self.offers.offer(setup.rig).setup(setup.rig, {**self.offers.values(setup), **changes})

    @property
    def changes(self) -> str:
        """What of the rig stands elsewhere than in its sheet, in words."""
        setup = self.snapshot.rig.setup
        controls = self.offers.offer(setup.rig).controls
        return ", ".join(f"{controls[key].label} {controls[key].text(value)}" for key, value in setup.changes)

    @property
    def is_changed(self) -> bool:
        """True where something stands elsewhere than when the page opens with this rig."""
        return self.snapshot != self._as_opened

    def start_again(self) -> None:
        """Go back to the rig as its sheet has it and to the page's usual view; can be undone."""
        self._step(self._as_opened)

    def compared_changes(self) -> Mapping[str, Value] | None:
        """Return the rig's controls that stand elsewhere in what the page compares with; None where more differs."""
        return None

    @property
    def can_keep(self) -> bool:
        """True where `keep` would keep something."""
        return self._with_kept() != self.snapshot

    def keep(self) -> None:
        """Keep the present rig as B."""
        self._history.move(self._with_kept())

    @property
    def why_not_kept(self) -> str:
        """What is said where `keep` keeps nothing."""
        return "B is the present rig already: change something."

    def try_out(self, setup: Setup) -> None:
        """Go to another setup of the rig; the present one becomes B. One step of undo.

        Raises
        ------
        InputError
            If nothing follows from it; nothing is changed then.
        """
        before = self.snapshot
        if setup == before.rig.setup:
            return
        snapshot = replace(before, rig=replace(before.rig.with_b(before.rig.setup), setup=setup))
        self._check(snapshot)
        self._step(snapshot)

    @property
    def compared_query(self) -> str | None:
        """The rig with what the page compares with as its first pin, for links; None where no pin can hold it."""
        rig, changes = self.snapshot.rig, self.compared_changes()
        if changes is None:
            return None
        return self.query_of(replace(replace(rig, setup=self.setup_with(changes)).with_pin(), setup=rig.setup))

    @property
    def called(self) -> str:
        """What A is called where there is no B to set it apart from."""
        return read_name(self.snapshot.rig.setup.rig).plain.rpartition(", ")[2]

    @property
    def pins(self) -> tuple[ShownPin, ...]:
        """The pins with what sets each apart from the present setup."""
        return shown_pins(self.offers, self.snapshot.rig.setup, self.snapshot.rig.pins)

    def open(self, query: str) -> None:
        """Start from the query of an address; `problems` then says what of it could not be used."""
        rig_query, fields = split_query(query)
        offers = self.offers
        rig, left_out = read_query(rig_query, default_rig=offers.default_rig, offer=offers.offer)
        problems, snapshot = list(left_out), self._fresh(offers.default_rig)
        try:
            if rig_query or fields:
                snapshot = self.settled(rig, self._read_own(rig.setup, fields, problems))
            self._check(snapshot)
        except InputError as error:
            problems = [f"The link does not suit this page: {error}"]
            snapshot = self._fresh(offers.default_rig)
        self.problems = tuple(dict.fromkeys(problems))
        self._start_from(snapshot)

    @property
    def _as_opened(self) -> Snapshot:
        """What the page opens with for the present rig; the pins belong to other pages and stay."""
        fresh = self._fresh(self.snapshot.rig.setup.rig)
        return replace(fresh, rig=replace(fresh.rig, pins=self.snapshot.rig.pins))

    def _make_fresh(self, rig: str) -> Snapshot:
        return self.settled(RigState(setup=Setup(rig=rig)), ())

    def _with_kept(self) -> Snapshot:
        """The snapshot with the present rig as B: as the first pin, where the page has no B of its own."""
        return replace(self.snapshot, rig=self.snapshot.rig.with_pin())

    def _check(self, snapshot: Snapshot) -> None:
        """Raise InputError where nothing follows from a snapshot."""
        self._result(snapshot.rig.setup, snapshot.own)

    def _controls(self, rig: str) -> ControlSet:
        return self.page_controls(self.offers.base(rig), self.offers.offer(rig).controls)

    def _calculate(self, setup: Setup, own: Own) -> Result:
        rig = self.predicted(setup, own).rig
        return self.result_of(rig, {**self.own_defaults(self.offers.base(setup.rig)), **dict(own)})

    def _move(self, key: str, value: Value, *, is_step: bool = False) -> None:
        try:
            snapshot = self._moved(key, value)
            self._result(snapshot.rig.setup, snapshot.own)
        except InputError as error:
            self._blame(key, error)
            return
        self._clear(*(self.errors if snapshot.rig.setup.rig != self.snapshot.rig.setup.rig else (key,)))
        self._history.move(snapshot, "" if is_step else key)

    def _moved(self, key: str, value: Value) -> Snapshot:
        before = self.snapshot
        if key == "rig":
            setup = Setup(rig=str(value))
            kept = {name: old for name, old in before.own if self._still_fits(setup.rig, name, old)}
            return Snapshot(rig=replace(before.rig, setup=setup), own=self._only_unusual(setup.rig, kept))
        changed = self.follow(key, value)
        setup = self.setup_with({name: new for name, new in changed.items() if not name.startswith(OWN)})
        own = {**dict(before.own), **{name: new for name, new in changed.items() if name.startswith(OWN)}}
        return replace(before.with_setup(setup), own=self._only_unusual(setup.rig, own))

    def _only_unusual(self, rig: str, own: Mapping[str, Value]) -> Own:
        usual = self.own_defaults(self.offers.base(rig))
        return tuple(sorted((key, value) for key, value in own.items() if usual.get(key) != value))

    def _still_fits(self, rig: str, key: str, value: Value) -> bool:
        controls = self._controls(rig)
        return key in controls and (controls[key].is_quantity or value in controls[key].positions)

    def _read_own(self, setup: Setup, fields: Mapping[str, str], problems: list[str]) -> Own:
        """Return the page's own values from the fields of an address; a sentence for each that cannot be used."""
        controls, usual = self._controls(setup.rig), self.own_defaults(self.offers.base(setup.rig))
        own: dict[str, Value] = {}
        for name, text in fields.items():
            key = OWN + name
            if key not in usual:
                problems.append(f"This page has no '{name[:40]}'; that part of the link is left out.")
                continue
            control: Control = controls[key]
            try:
                own[key] = control.decode(text)
            except InputError as error:
                problems.append(f"{str(error).rstrip('.')[:160]}; that part of the link is left out.")
        return self._only_unusual(setup.rig, own)


class PinningPageState(CurvePageState[Result]):
    """The state of a page that keeps its present rig, up to three times, and compares with the first kept one.

    Its result has the ``reading`` of the present curve.
    """

    def __init__(self, rig: Rig | None = None, *, query: str = "", clock: Callable[[], float] = time.monotonic) -> None:
        curve = lru_cache(maxsize=64)(lambda setup, *_: RigCurve.of(self.rig_of(setup)))
        self.curve_of: Callable[[Setup], RigCurve] = lambda setup: curve(setup, self.reel, self.book_moment)
        level = lru_cache(maxsize=64)(lambda before, after, *_: level_change(self.rig_of(before), self.rig_of(after)))
        self._level: Callable[[Setup, Setup], LevelChange] = lambda before, after: level(
            before, after, self.reel, self.book_moment
        )
        super().__init__(rig, query=query, clock=clock)

    @property
    def compared(self) -> ShownPin | None:
        """B, the first pin, which numbers and sound compare with; None where it is the present setup."""
        pins = self.pins
        return pins[0] if pins and pins[0].pin.setup != self.snapshot.rig.setup else None

    def next_kept(self) -> None:
        """Take the next pin for B."""
        self._history.move(replace(self.snapshot, rig=self.snapshot.rig.next_pin()))

    def unpin(self, slot: int) -> None:
        """Drop a pin."""
        self._history.move(replace(self.snapshot, rig=self.snapshot.rig.without_pin(slot)))

    def restore(self, slot: int) -> None:
        """Set the rig as it was when pinned; the pin stays."""
        for pin in self.snapshot.rig.pins:
            if pin.slot == slot:
                self._step(self.settled(replace(self.snapshot.rig, setup=pin.setup), self.snapshot.own))

    @property
    def numbers(self) -> tuple[KeyNumber, ...]:
        """Peak, peak over the bass, −3 dB point and level, compared with a pin where there is one."""
        compared, reading = self.compared, self.result.reading  # type: ignore[attr-defined]
        if compared is None:
            return (*key_numbers(reading), output_number(self.rig.outputs))
        pinned = self.curve_of(compared.pin.setup).reading
        level = level_number(self._level(compared.pin.setup, self.snapshot.rig.setup), compared.name)
        return (*key_numbers(reading, pinned=pinned, pinned_name=compared.name), level)

    @property
    def description(self) -> str:
        """The curves in words."""
        kept = [
            f"{letter} {shown.short}: {sentence(key_numbers(self.curve_of(shown.pin.setup).reading))}"
            for letter, shown in zip("BCD", self.pins)
        ]
        return " ".join([sentence(self.numbers), *kept])

    @property
    def difference(self) -> LevelDifference | None:
        """A minus B as the page draws them; None without a B."""
        return level_difference(*self.curves()[:2]) if self.compared is not None else None

    def curves(self) -> list[Curve]:
        """Return the present curve, then B, C, D, at equal EMF."""
        kept = [self.curve_of(pin.setup).gain_db for pin in self.snapshot.rig.pins]
        return self.lettered_curves([self.curve_of(self.snapshot.rig.setup).gain_db, *kept])

    def drawn_as(self, title: str, width: int, height: int | None = None) -> str:
        """Return the drawing of the curves under a title, SVG, for a width (and a height) in CSS pixels."""
        return draw_curves(
            self.curves(),
            title=title,
            description=self.description,
            width=width,
            height=height,
            compares=self.compared is not None,
        )

    def lettered_curves(self, levels: Sequence[np.ndarray], *, is_marked: bool = True) -> list[Curve]:
        """Return the present curve as A and the pins as B, C, D, named as in the bar.

        Parameters
        ----------
        levels : sequence of ndarray, dB on `GRID`
            Of the present setup and of each pin.
        is_marked : bool
            False where the numbers of the readings are not those of these levels.
        """
        pins = self.pins
        here = pins[0].here if pins else self.called
        readings = [self.result.reading, *(self.curve_of(shown.pin.setup).reading for shown in pins)]  # type: ignore[attr-defined]
        names = [(here, here), *((shown.short, shown.brief) for shown in pins)]
        return [
            Curve(
                frequency_hz=GRID,
                gain_db=level,
                label=f"{letter} {name}",
                brief=letter if len(brief) > LONGEST_BRIEF else f"{letter} {brief}",
                style=style,
                reading=reading if is_marked else None,
            )
            for letter, style, level, reading, (name, brief) in zip("ABCD", (NOW, *PINS), levels, readings, names)
        ]

    @property
    def _as_opened(self) -> Snapshot:
        """What the page opens with for the present rig, without pins."""
        return self._fresh(self.snapshot.rig.setup.rig)

    def _check(self, snapshot: Snapshot) -> None:
        super()._check(snapshot)
        for pin in snapshot.rig.pins:
            self.curve_of(pin.setup)
