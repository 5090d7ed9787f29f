"""A page about the rig that travels with the person: some of the rig's controls, some of the page's own, undo, address.

The rig page itself is `labkit.app.pages.rig.state`. Here are the pages that look at the same rig with one question in
mind. A subclass says which controls it shows and what follows from them; keys of the page's own controls begin
with ``own.``, as in the address.
"""

from __future__ import annotations

import time
from abc import abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Generic, TypeVar

from labkit.app.kit.address import OWN, join_query, split_query
from labkit.app.kit.controls import Control, ControlSet, Value
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.rig.state import RigState, Setup, read_query, write_query
from labkit.app.kit.undoable import Undoable
from labkit.core.errors import InputError
from labkit.rig.rig import Rig

Shown = TypeVar("Shown")
Own = tuple[tuple[str, Value], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PageState:
    """The travelling rig with its pins, and the page's own controls that stand elsewhere than usual, sorted by key."""

    rig: RigState
    own: Own = ()


class PageBench(Undoable[PageState], Generic[Shown]):
    """The state of such a page: moved by controls, undone, written to and read from an address.

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
        self.offers = RigOffers(rig)
        self._seen: Callable[[Setup, Own], Shown] = lru_cache(maxsize=64)(self._see)
        super().__init__(self._fresh(), clock)
        if query:
            self.open(query)

    @abstractmethod
    def page_controls(self, rig: Rig, offered: ControlSet) -> ControlSet:
        """Return the page's controls for a rig as its sheet has it; ``offered`` holds those of the rig page."""

    @abstractmethod
    def own_defaults(self, rig: Rig) -> dict[str, Value]:
        """Return where the page's own controls stand at first, for a rig as its sheet has it."""

    @abstractmethod
    def look(self, rig: Rig, values: Mapping[str, Value]) -> Shown:
        """Return what follows from the present rig and the page's own controls; InputError where nothing does."""

    def follow(self, key: str, value: Value) -> dict[str, Value]:
        """Return what a control sets when it is moved; itself, unless a page says otherwise."""
        return {key: value}

    def derived(self, values: Mapping[str, Value]) -> dict[str, Value]:
        """Return where controls stand that only follow from others."""
        return {}

    @property
    def controls(self) -> ControlSet:
        """The page's controls for the present rig."""
        return self._controls(self.state.rig.setup.rig)

    @property
    def values(self) -> dict[str, Value]:
        """Where every control stands."""
        return self._values(self.state)

    @property
    def shown(self) -> Shown:
        """What follows from the present state."""
        return self._seen(self.state.rig.setup, self.state.own)

    @property
    def rig(self) -> Rig:
        """The present rig."""
        return self.offers.rig(self.state.rig.setup)

    @property
    def query(self) -> str:
        """The present state for an address."""
        rig = write_query(self.state.rig, default_rig=self.offers.default_rig, offer=self.offers.offer)
        own = {key.removeprefix(OWN): self.controls[key].encode(value) for key, value in self.state.own}
        return join_query(rig, own)

    @property
    def is_changed(self) -> bool:
        """True where something stands elsewhere than when the page opens with this rig."""
        return bool(self.state.rig.setup.changes or self.state.own)

    def compared_changes(self) -> Mapping[str, Value] | None:
        """Return the rig's controls that stand elsewhere in what the page compares with; None where more differs."""
        return None

    @property
    def can_pin(self) -> bool:
        """True where what the page compares with can be pinned for the other pages, and is not yet."""
        changes = self.compared_changes()
        return changes is not None and self._pinned(changes) != self.state.rig

    def pin_compared(self) -> None:
        """Pin what the page compares with: the rig page and the listening test then show it beside the present rig."""
        changes = self.compared_changes()
        if changes is not None:
            self._history.move(replace(self.state, rig=self._pinned(changes)))

    def _pinned(self, changes: Mapping[str, Value]) -> RigState:
        rig = self.state.rig
        values = {**self.offers.values(rig.setup), **changes}
        other = self.offers.offer(rig.setup.rig).setup(rig.setup.rig, values)
        return replace(replace(rig, setup=other).with_pin(), setup=rig.setup)

    def start_again(self) -> None:
        """Go back to the rig as its sheet has it and to the page's usual view; can be undone."""
        self._step(PageState(rig=replace(self.state.rig, setup=Setup(rig=self.state.rig.setup.rig))))

    def open(self, query: str) -> None:
        """Start from the state of an address; `problems` then says what of it could not be used."""
        rig_query, fields = split_query(query)
        offers = self.offers
        rig, told = read_query(rig_query, default_rig=offers.default_rig, offer=offers.offer)
        problems = list(told)
        own = self._read_own(rig.setup.rig, fields, problems)
        state = PageState(rig=rig, own=own)
        try:
            self._seen(rig.setup, own)
        except InputError as error:
            problems = [f"The link does not suit this page: {error}"]
            state = self._fresh()
        self.problems = tuple(dict.fromkeys(problems))
        self._start_from(state)

    def _fresh(self) -> PageState:
        return PageState(rig=RigState(setup=Setup(rig=self.offers.default_rig)))

    def _controls(self, rig: str) -> ControlSet:
        return self.page_controls(self.offers.base(rig), self.offers.offer(rig).controls)

    def _values(self, state: PageState) -> dict[str, Value]:
        rig = state.rig.setup.rig
        values = {**self.offers.values(state.rig.setup), **self.own_defaults(self.offers.base(rig)), **dict(state.own)}
        return {**values, **self.derived(values)}

    def _see(self, setup: Setup, own: Own) -> Shown:
        values = {**self.own_defaults(self.offers.base(setup.rig)), **dict(own)}
        return self.look(self.offers.rig(setup), values)

    def _move(self, key: str, value: Value) -> None:
        state = self._moved(key, value)
        try:
            self._seen(state.rig.setup, state.own)
        except InputError as error:
            self._blame(key, error)
            return
        self._clear(*(self.errors if key == "rig" else (key,)))
        self._history.move(state, key)

    def _moved(self, key: str, value: Value) -> PageState:
        before = self.state
        if key == "rig":
            setup = Setup(rig=str(value))
            kept = {name: old for name, old in before.own if self._still_fits(setup.rig, name, old)}
            return PageState(rig=replace(before.rig, setup=setup), own=self._only_unusual(setup.rig, kept))
        changed = self.follow(key, value)
        rig = before.rig.setup.rig
        of_rig = {name: new for name, new in changed.items() if not name.startswith(OWN)}
        own = {**dict(before.own), **{name: new for name, new in changed.items() if name.startswith(OWN)}}
        setup = self.offers.offer(rig).setup(rig, {**self.offers.values(before.rig.setup), **of_rig})
        return PageState(rig=replace(before.rig, setup=setup), own=self._only_unusual(rig, own))

    def _only_unusual(self, rig: str, own: Mapping[str, Value]) -> Own:
        usual = self.own_defaults(self.offers.base(rig))
        return tuple(sorted((key, value) for key, value in own.items() if usual.get(key) != value))

    def _still_fits(self, rig: str, key: str, value: Value) -> bool:
        controls = self._controls(rig)
        return key in controls and (controls[key].is_quantity or value in controls[key].positions)

    def _read_own(self, rig: str, fields: Mapping[str, str], problems: list[str]) -> Own:
        controls, usual = self._controls(rig), self.own_defaults(self.offers.base(rig))
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
        return self._only_unusual(rig, own)
