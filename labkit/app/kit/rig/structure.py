"""Rigs with another wiring or another line than their sheet, under one name that every page takes.

Where a page keeps the name of a rig it may keep ``Saltmarsh Lane, two pickups · wiring one volume · line buffer,
cable`` instead: the same pickups behind another harness, and other stages behind the jack. Slots that the new wiring
adds are filled from the pickups at hand, or from the catalogue where it needs coils that those have not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from labkit.app.kit.rig.line import line_of, line_text, read_line, with_line
from labkit.rig.rewiring import rewired
from labkit.rig.rig import Rig

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
    if not name.line:
        return rewired(rig, name.wiring)
    taken = rewired(rig, name.wiring).harness.parts
    return rewired(rig, name.wiring, chain=with_line(rig, read_line(name.line, rig), taken=taken))


def normal_name(rig: Rig, name: RigName) -> RigName:
    """Return a name without what the rig has anyway."""
    wiring = "" if name.wiring == rig.harness.name else name.wiring
    line = "" if name.line and read_line(name.line, rig) == line_of(rig) else name.line
    if line:
        line = line_text(read_line(line, rig))
    return RigName(plain=name.plain, wiring=wiring, line=line)
