"""Rigs with another wiring or another line than their sheet, under one name that every page takes.

Where a page keeps the name of a rig it may keep ``Saltmarsh Lane, two pickups · wiring one volume · line buffer,
cable`` instead: the same pickups behind another harness, and other stages behind the jack. Slots that the new wiring
adds are filled from the pickups at hand, or from the catalogue where it needs coils that those have not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

from labkit.app.rig_line import line_of, line_text, named_stages, read_line, with_line
from labkit.catalogue import catalogue
from labkit.core.errors import InputError, did_you_mean
from labkit.pickup.electrical import Pickup
from labkit.pickup.network import coil_of_terminal
from labkit.rig.harness import Harness
from labkit.rig.parts import Position
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_pickup

_WIRING, _LINE = " · wiring ", " · line "


@dataclass(frozen=True, slots=True, kw_only=True)
class RigName:
    """What the name of a rig says.

    Attributes
    ----------
    plain : str
        The rig that it starts from.
    wiring : str
        Catalogue name of another harness; empty for the rig's own.
    line : str
        Stages of another line; empty for the rig's own.
    """

    plain: str
    wiring: str = ""
    line: str = ""

    @property
    def text(self) -> str:
        """The name as one text.

        >>> RigName(plain="demo", line="buffer, cable").text
        'demo · line buffer, cable'
        """
        wiring = f"{_WIRING}{self.wiring}" if self.wiring else ""
        return self.plain + wiring + (f"{_LINE}{self.line}" if self.line else "")

    def onto(self, plain: str) -> RigName:
        """Return the same changes of another rig."""
        return replace(self, plain=plain)


def read_name(text: str) -> RigName:
    """Take a name apart.

    >>> read_name("demo · wiring one volume · line nothing").wiring
    'one volume'
    """
    before, _, line = text.partition(_LINE)
    plain, _, wiring = before.partition(_WIRING)
    return RigName(plain=plain, wiring=wiring, line=line)


def restructured(rig: Rig, name: RigName) -> Rig:
    """Return a rig with the wiring and the line that a name asks for; knobs and switches stay where they can.

    Raises
    ------
    InputError
        If there is no such wiring or line, or no pickup has the coils that the wiring needs.
    """
    if not name.wiring and not name.line:
        return rig
    harness = _harness(name.wiring) if name.wiring else rig.harness
    chain = rig.chain
    if name.line:
        chain = with_line(rig, read_line(name.line, rig), taken=harness.parts)
    return Rig(
        name=rig.name,
        pickups={slot: _filled(rig, harness, slot) for slot in harness.slots},
        harness=harness,
        settings={key: position for key, position in rig.settings.items() if _fits_control(harness, key, position)},
        chain=named_stages(chain, taken=harness.parts),
    )


def normal_name(rig: Rig, name: RigName) -> RigName:
    """Return a name without what the rig has anyway."""
    wiring = "" if name.wiring == rig.harness.name else name.wiring
    line = "" if name.line and read_line(name.line, rig) == line_of(rig) else name.line
    if line:
        line = line_text(read_line(line, rig))
    return RigName(plain=name.plain, wiring=wiring, line=line)


def has_coils(pickup: Pickup, harness: Harness, slot: str) -> bool:
    """Say whether a pickup has every coil that a wiring joins in a slot, each of them another one."""
    wanted = {
        node.partition(".")[2].rpartition(".")[0]
        for node in harness.terminals
        if node.partition(".")[0] == slot and node.rpartition(".")[2] in ("start", "finish")
    }
    try:
        return len({coil_of_terminal(pickup, slot, coil) for coil in wanted}) == len(wanted)
    except InputError:
        return False


def _filled(rig: Rig, harness: Harness, slot: str) -> Pickup:
    """The slot's own pickup, then the rig's others in their order, then the catalogue's."""
    at_hand = [rig.pickups[slot]] if slot in rig.pickups else []
    for pickup in (*at_hand, *rig.pickups.values()):
        if has_coils(pickup, harness, slot):
            return pickup
    for name in catalogue().usable_names("pickup"):
        pickup = _pickup(name)
        if has_coils(pickup, harness, slot):
            return pickup
    raise InputError(f"the wiring '{harness.name}' joins single coils in slot '{slot}', and no pickup here has them")


def _fits_control(harness: Harness, name: str, position: Position) -> bool:
    try:
        harness.control(name).check(position)
    except InputError:
        return False
    return True


@lru_cache(maxsize=64)
def _harness(name: str) -> Harness:
    known = catalogue().usable_names("harness")
    if name not in known:
        raise InputError(f"there is no wiring '{name[:60]}' in the catalogue.{did_you_mean(name, known)}")
    return catalogue().load("harness", name)


@lru_cache(maxsize=64)
def _pickup(name: str) -> Pickup:
    return load_pickup(name)
