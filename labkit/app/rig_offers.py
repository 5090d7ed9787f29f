"""The rigs a page may start from: their controls, where those stand, and the rig that a setup makes.

Every page that shows a rig asks here, so that the same rig has the same controls under the same names everywhere.
"""

from __future__ import annotations

from functools import lru_cache

from labkit.app.controls import Value
from labkit.app.rig_controls import apply_values, rig_controls, rig_values
from labkit.app.rig_state import Offer, Setup
from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig


class RigOffers:
    """The rigs of the catalogue, and one of a caller's own where one is given.

    Parameters
    ----------
    own : Rig, optional
        Shown first.
    """

    def __init__(self, own: Rig | None = None) -> None:
        self._own = own
        self._offers: dict[str, Offer] = {}

    @property
    def rigs(self) -> tuple[str, ...]:
        """Names of the rigs to choose from."""
        names = catalogue().usable_names("rig")
        return names if self._own is None or self._own.name in names else (self._own.name, *names)

    @property
    def default_rig(self) -> str:
        """The rig a page opens with."""
        if self._own is not None:
            return self._own.name
        if not self.rigs:
            raise InputError("the catalogue holds no rig; give one, or put a rig sheet into a catalogue folder")
        return self.rigs[0]

    def base(self, name: str) -> Rig:
        """Return a rig as its sheet has it."""
        return self._own if self._own is not None and self._own.name == name else _catalogue_rig(name)

    def offer(self, name: str) -> Offer:
        """Return the controls of a rig and where they stand in its sheet."""
        if name not in self._offers:
            rig = self.base(name)
            self._offers[name] = Offer(controls=rig_controls(rig, rig_names=self.rigs), defaults=rig_values(rig))
        return self._offers[name]

    def values(self, setup: Setup) -> dict[str, Value]:
        """Return where every control of a setup stands."""
        return {**self.offer(setup.rig).defaults, **dict(setup.changes)}

    def rig(self, setup: Setup) -> Rig:
        """Return the rig that a setup makes; InputError where it makes none."""
        return apply_values(self.base(setup.rig), dict(setup.changes))


@lru_cache(maxsize=32)
def _catalogue_rig(name: str) -> Rig:
    return load_rig(name)
