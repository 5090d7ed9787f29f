"""Pickups in the making tried in rigs: which slot, which pickup where none is described by its build, and what follows.

Everything here is a pure function of a setup and a slot, remembered for as long as a page is open.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from labkit.app.kit.pickup.made import MadePickup, built_from, built_names, catalogue_keys, read_text
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.rig.state import RigState, Setup
from labkit.app.pages.winding.controls import coil_names
from labkit.core.errors import InputError
from labkit.core.grid import frequency_grid
from labkit.core.response import gain_db
from labkit.pickup.predict.built import BuiltPickup
from labkit.rig.rig import Rig
from labkit.sound.render.string_drive import LevelChange, level_change
from labkit.study.questions.winding_band import gain_bounds
from labkit.view.curve.curve import HIGH_HZ, LOW_HZ
from labkit.view.words import Reading, read_response

SILENT_DB = -60.0
"""A pickup this far under all of them at 400 Hz is not switched on; leaks past open contacts lie far below."""

GRID = frequency_grid(LOW_HZ, HIGH_HZ, 220)
_BAND_GRID = GRID[::2]
_PROBE_HZ = np.array([400.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class WindingState:
    """Everything the winding page shows follows from this.

    Attributes
    ----------
    rig : RigState
        The travelling rig, the pickup in its slot, and pins.
    slot, coil : str
        Where the pickup stands, and which of its coils is looked at.
    tools : tuple of (str, float)
        What was entered at the winder, by key, Ω.
    """

    rig: RigState
    slot: str
    coil: str
    tools: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What follows from a setup with a predicted pickup in a slot.

    Attributes
    ----------
    rig : Rig
    built : BuiltPickup
    gain_db, low_db, high_db : ndarray
        The rig's curve on `GRID`, and the 95 % bounds that the pickup's doubt gives it.
    reading : Reading
    is_heard : bool
        False where the rig is set so that the slot is silent.
    """

    rig: Rig
    built: BuiltPickup
    gain_db: np.ndarray
    low_db: np.ndarray
    high_db: np.ndarray
    reading: Reading
    is_heard: bool


class Trials:
    """The rigs of the catalogue (or one of a caller's own) with pickups in the making in them.

    Parameters
    ----------
    rig : Rig, optional
        Shown first.
    """

    def __init__(self, rig: Rig | None = None) -> None:
        self.offers = RigOffers(rig)
        self.trial: Callable[[Setup, str], Trial] = lru_cache(maxsize=48)(self._try)
        self.kept: Callable[[Setup], tuple[np.ndarray, Reading]] = lru_cache(maxsize=24)(self._keep)
        self.level: Callable[[Setup, Setup], LevelChange] = lru_cache(maxsize=24)(self._compare)
        self.fresh: Callable[[str], WindingState] = lru_cache(maxsize=16)(self._make_fresh)

    def text_of(self, setup: Setup, slot: str) -> str:
        """Return the text of the pickup in a slot; empty where there is no such slot."""
        return str(self.offers.values(setup).get(slot, ""))

    def made_in(self, setup: Setup, slot: str) -> MadePickup | None:
        """Return the pickup in a slot; None where it is given by values."""
        try:
            return read_text(self.text_of(setup, slot))
        except InputError:
            return None

    def placed(self, setup: Setup, slot: str, text: str) -> Setup:
        """Return a setup with a pickup put into a slot."""
        values = {**self.offers.values(setup), slot: text}
        return self.offers.offer(setup.rig).setup(setup.rig, values)

    def settled(self, rig: RigState, slot: str, coil: str) -> WindingState:
        """Return the state for a rig from outside: a slot it has, a pickup described by its build, a coil of that.

        Raises
        ------
        InputError
            If no built pickup of the catalogue fits the rig.
        """
        place = slot if slot in self.offers.base(rig.setup.rig).harness.slots else self.usual_slot(rig.setup.rig)
        setup, made = rig.setup, self.made_in(rig.setup, place)
        if made is None:
            setup, made = self._first_that_fits(setup, place)
        names = coil_names(made.sheet)
        return WindingState(rig=replace(rig, setup=setup), slot=place, coil=coil if coil in names else names[0])

    def usual_slot(self, rig: str) -> str:
        """Return the slot that is heard best as the rig's sheet sets it."""
        base = self.offers.base(rig)
        levels = {slot: abs(complex(base.evaluate(_PROBE_HZ, source=slot)[0])) for slot in base.harness.slots}
        return max(levels, key=lambda slot: levels[slot])

    def _make_fresh(self, rig: str) -> WindingState:
        return self.settled(RigState(setup=Setup(rig=rig)), "", "")

    def _first_that_fits(self, setup: Setup, slot: str) -> tuple[Setup, MadePickup]:
        """A built pickup in place of one that is given by its values: as many coils, where the catalogue has one."""
        coils = len(self.offers.rig(setup).pickups[slot].coils)
        names = sorted(built_names(), key=lambda name: (len(coil_names(catalogue_keys(name))) != coils, len(name)))
        refused: InputError | None = None
        for name in names:
            placed = self.placed(setup, slot, name)
            try:
                self.trial(placed, slot)
            except InputError as error:
                refused = error
                continue
            return placed, read_text(name)
        raise refused or InputError("the catalogue holds no pickup that is described by its build")

    def _try(self, setup: Setup, slot: str) -> Trial:
        built = built_from(read_text(self.text_of(setup, slot)))
        rig = self.offers.rig(setup)
        response = rig.response(GRID)
        low, high = (
            np.interp(np.log(GRID), np.log(_BAND_GRID), bound) for bound in gain_bounds(rig, slot, built, _BAND_GRID)
        )
        level = gain_db(response.values)
        alone, together = (gain_db(rig.evaluate(_PROBE_HZ, source=source))[0] for source in (slot, None))
        return Trial(
            rig=rig,
            built=built,
            gain_db=level,
            low_db=np.minimum(low, level),
            high_db=np.maximum(high, level),
            reading=read_response(response),
            is_heard=bool(alone > SILENT_DB + together),
        )

    def _compare(self, before: Setup, after: Setup) -> LevelChange:
        return level_change(self.offers.rig(before), self.offers.rig(after))

    def _keep(self, setup: Setup) -> tuple[np.ndarray, Reading]:
        response = self.offers.rig(setup).response(GRID)
        return gain_db(response.values), read_response(response)
