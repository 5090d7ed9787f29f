"""The rigs a page may start from: their controls, where those stand, and the rig that a setup makes.

Every page that shows a rig asks here, so that the same rig has the same controls under the same names everywhere. A rig
is asked for by its name in the catalogue, by a name with another wiring or line (`labkit.app.kit.rig.structure`), or,
in an address, by a packed sheet (`labkit.app.kit.rig.opened`).
"""

from __future__ import annotations

from functools import lru_cache

from labkit.app.kit.controls import Control, Value
from labkit.app.kit.rig.controls import apply_values, rig_controls, rig_values
from labkit.app.kit.rig.opened import PACKED, pack, unpack
from labkit.app.kit.rig.state import Offer, Setup
from labkit.app.kit.rig.structure import RigName, normal_name, read_name, restructured
from labkit.catalogue import catalogue
from labkit.core.errors import InputError, did_you_mean
from labkit.plugins.manager import BUILTIN
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig

_MOST_OPENED = 40

USUAL_RIG = "Saltmarsh Lane, narrow single coil"
"""The rig a page opens with where nobody has sheets of their own: the plainest one."""


def _catalogue_rigs() -> tuple[str, ...]:
    """Names of the catalogue's rigs as their sheets are found, of labkit's own the usual one first."""
    found = catalogue()
    return tuple(
        sorted(
            found.usable_names("rig"),
            key=lambda name: name != USUAL_RIG and found.items["rig", name].plugin == BUILTIN,
        )
    )


class RigOffers:
    """The rigs of the catalogue, one of a caller's own where one is given, and those that somebody opened here.

    Parameters
    ----------
    own : Rig, optional
        Shown first.
    """

    def __init__(self, own: Rig | None = None) -> None:
        self._own = own
        self._opened: dict[str, Rig] = {}
        self._addresses: dict[str, str] = {}
        self._offers: dict[str, Offer] = {}
        self._restructured = lru_cache(maxsize=64)(self._restructure)

    @property
    def rigs(self) -> tuple[str, ...]:
        """Names of the rigs to choose from."""
        first = dict.fromkeys([] if self._own is None else [self._own.name])
        return tuple(first | dict.fromkeys(self._opened) | dict.fromkeys(_catalogue_rigs()))

    @property
    def default_rig(self) -> str:
        """The rig a page opens with."""
        if self._own is not None:
            return self._own.name
        names = _catalogue_rigs()
        if not names:
            raise InputError("the catalogue holds no rig; give one, or put a rig sheet into a catalogue folder")
        return names[0]

    def base(self, name: str) -> Rig:
        """Return a rig as its sheet has it, with the wiring and the line that its name asks for."""
        return self._restructured(name)

    def plain(self, name: str) -> Rig:
        """Return the rig that a name starts from, as its sheet has it."""
        plain = self._name(name).plain
        if self._own is not None and self._own.name == plain:
            return self._own
        return self._opened[plain] if plain in self._opened else _catalogue_rig(plain)

    def offer(self, name: str) -> Offer:
        """Return the controls of a rig and where they stand in its sheet.

        Raises
        ------
        InputError
            If there is no such rig.
        """
        if name not in self._offers:
            known = self.rigs
            asked = name if name in known else normal_name(self.plain(name), self._name(name)).text
            rig = self.base(asked)
            offer = Offer(
                controls=rig_controls(rig, rig_names=known),
                defaults=rig_values(rig),
                name=asked,
                address=read_name(asked).onto(self._address(asked)).text
                if asked not in known
                else self._address(asked),
            )
            self._offers[name] = self._offers[asked] = offer
        return self._offers[name]

    def values(self, setup: Setup) -> dict[str, Value]:
        """Return where every control of a setup stands."""
        return {**self.offer(setup.rig).defaults, **dict(setup.changes)}

    def rig(self, setup: Setup) -> Rig:
        """Return the rig that a setup makes; InputError where it makes none."""
        return apply_values(self.base(setup.rig), dict(setup.changes))

    def carried(self, setup: Setup, name: str, renamed: dict[str, str] | None = None) -> Setup:
        """Return the changes of a setup on another rig, as far as it has the same controls.

        Parameters
        ----------
        setup : Setup
        name : str
            The other rig.
        renamed : dict of str to str, optional
            Stages by their old names and what they are called now; these keep where they stand, changed or not.
        """
        renamed = renamed or {}
        offer = self.offer(name)
        values: dict[str, Value] = {}
        for key, value in self.values(setup).items():
            head, point, field = key.partition(".")
            if head in renamed:
                key = f"{renamed[head]}{point}{field}"
            elif key not in dict(setup.changes):
                continue
            if key in offer.controls and _takes(offer.controls[key], value):
                values[key] = value
        return offer.setup(offer.name, values)

    def open(self, rig: Rig) -> str:
        """Keep a rig beside those of the catalogue and return the name it has here.

        Raises
        ------
        InputError
            If it is too large to travel to another page.
        """
        address = pack(rig)
        for name, known in self._addresses.items():
            if known == address:
                return name
        if len(self._opened) >= _MOST_OPENED:
            raise InputError(f"{_MOST_OPENED} rigs are open already; reload the page to open others")
        taken, name, number = set(self.rigs), rig.name, 1
        while name in taken or read_name(name).text != read_name(name).plain:
            number += 1
            name = f"{rig.name.replace(' · ', ', ')} (opened{'' if number == 2 else f' {number - 1}'})"
        self._opened[name] = rig.replace(name=name)
        self._addresses[name] = address
        self._offers.clear()  # the list of rigs is longer now
        return name

    def _name(self, text: str) -> RigName:
        """Take a name apart; a rig that is packed into it is opened and called by its own name."""
        if text in self.rigs:
            return RigName(plain=text)
        name = read_name(text)
        if name.plain.startswith(PACKED):
            name = name.onto(self.open(unpack(name.plain)))
        if name.plain not in self.rigs:
            raise InputError(
                f"there is no rig '{name.plain[:60]}' here.{did_you_mean(name.plain, self.rigs, listing=False)}"
            )
        return name

    def _restructure(self, name: str) -> Rig:
        return restructured(self.plain(name), self._name(name))

    def _address(self, name: str) -> str:
        plain = self._name(name).plain
        return self._addresses.get(plain, plain)


@lru_cache(maxsize=32)
def _catalogue_rig(name: str) -> Rig:
    return load_rig(name)


def _takes(control: Control, value: Value) -> bool:
    try:
        return control.decode(control.encode(value)) is not None
    except InputError:
        return False
