"""The wiring page without widgets: the present wiring, its switches and knobs, and what was there before as B."""

from __future__ import annotations

from collections.abc import Mapping

from labkit.app.kit.controls import ControlSet, Value
from labkit.app.kit.page_state import PinningPageState, RigCurve
from labkit.app.kit.rig.controls import INSTRUMENT, KNOBS
from labkit.app.kit.rig.opened import LONGEST_NAME, read_wiring_text
from labkit.app.kit.rig.structure import read_name
from labkit.rig.harness import Harness
from labkit.rig.rewiring import rewired
from labkit.rig.rig import Rig


class WiringPageState(PinningPageState[RigCurve]):
    """A rig whose wiring is chosen."""

    def page_controls(self, rig: Rig, offered: ControlSet) -> ControlSet:
        """Return the instrument with its pickups, and its knobs and switches."""
        return ControlSet(tuple(group for group in offered.groups if group.title in (INSTRUMENT, KNOBS)))

    def result_of(self, rig: Rig, values: Mapping[str, Value]) -> RigCurve:
        """Return the rig's curve at equal EMF."""
        return RigCurve.of(rig)

    @property
    def called(self) -> str:
        """What A is called: the wiring."""
        return self.rig.harness.name

    def open_wiring(self, text: str, where: str) -> None:
        """Put the wiring of a file into the rig; what was there becomes B.

        Raises
        ------
        InputError
            With one sentence on what is wrong with the file; nothing is changed then.
        """
        self._put_in(read_wiring_text(text, where))

    def make_own(self, lines: str, *, style: str | None, keeps_start: bool) -> str:
        """Put a wiring made from words into the rig, a line for each position, and say what it is.

        Parameters
        ----------
        lines : str
            As `labkit.rig.devices.own_wiring.read_wish` takes them.
        style : str or None
            Of the switch.
        keeps_start : bool
            Start from the present wiring, not from the nearest of the catalogue.

        Raises
        ------
        InputError
            With one sentence on what cannot be done; nothing is changed then.
        """
        from labkit.rig.devices.own_wiring import own_wiring, read_wish

        wishes = [read_wish(line) for line in lines.splitlines() if line.strip()]
        start = self.rig.harness if keeps_start else None
        found = own_wiring(wishes, start, rig=self.rig, style=style)
        self._put_in(found.harness)
        device = found.fit.device
        return f"Made from {found.start}: {device.name if device else ''}."

    def _put_in(self, harness: Harness) -> None:
        before = self.snapshot.rig.setup
        plain = read_name(before.rig).plain
        name = self.offers.open(rewired(self.rig, harness).replace(name=f"{plain}, {harness.name}"[:LONGEST_NAME]))
        self.try_out(self.offers.carried(before, name))

    def draw(self, width: int, height: int | None = None) -> str:
        """Return the drawing, SVG, for a width (and a height) in CSS pixels."""
        return self.drawn_as(f"Level over frequency with the wiring {self.rig.harness.name}", width, height)
