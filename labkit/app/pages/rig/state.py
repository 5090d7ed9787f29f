"""The rig page without widgets: what is set, what follows from it, and what the page says about it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from labkit.app.kit.controls import Control, ControlSet, Group, Value
from labkit.app.kit.page_state import (
    GRID,
    PinningPageState,
    RigCurve,
    Snapshot,
    own_book_default,
    own_book_groups,
)
from labkit.app.kit.rig.opened import read_sheet_text
from labkit.app.kit.rig.rebuild import REBUILDING, rebuilding_values, rebuilt, with_rebuilding
from labkit.app.kit.rig.state import Setup
from labkit.app.pages.rig.stages import stage_groups
from labkit.rig.outputs import HOW_TO_STATE, counted_outputs
from labkit.rig.rig import Rig
from labkit.sound.render.rig_sound import too_close_strings
from labkit.sound.render.string_drive import DRIVEN_NOT_MODELLED, driven_response
from labkit.study.tolerance.band import BAND_WORDS
from labkit.view.curve.curve import Curve
from labkit.view.words import ZERO

EQUAL_EMF, BY_STRINGS = "at equal EMF", "as the strings drive it"
"""What the page's curves show."""
CURVE = "own.curve"
"""Key of the control that chooses between them."""


class RigPageState(PinningPageState[RigCurve]):
    """A rig and what its curves show."""

    def page_controls(self, rig: Rig, offered: ControlSet) -> ControlSet:
        """Return every control of the rig, those that rebuild it, the workshop book, and what the curve shows."""
        groups = stage_groups(with_rebuilding(offered, rig), rig)
        return ControlSet((*groups, *own_book_groups(), _CURVE_GROUP))

    def own_defaults(self, rig: Rig) -> dict[str, Value]:
        """Return curves at equal EMF, predicted without the workshop book where one is open."""
        return {CURVE: EQUAL_EMF, **own_book_default()}

    def derived(self, values: Mapping[str, Value]) -> dict[str, Value]:
        """Return where the controls stand that rebuild the rig."""
        return rebuilding_values(self.offers.base(self.snapshot.rig.setup.rig))

    def result_of(self, rig: Rig, values: Mapping[str, Value]) -> RigCurve:
        """Return the rig's curve at equal EMF."""
        return RigCurve.of(rig)

    @property
    def curve(self) -> str:
        """What the curves show."""
        return str(dict(self.snapshot.own).get(CURVE, EQUAL_EMF))

    def open_sheet(self, text: str, where: str) -> None:
        """Show the rig of a sheet, pins kept; can be undone.

        Raises
        ------
        InputError
            With one sentence on what is wrong with the sheet; nothing is changed then.
        """
        snapshot = self.snapshot.with_setup(Setup(rig=self.offers.open(read_sheet_text(text, where))))
        self._check(snapshot)
        self._step(snapshot)

    @property
    def drawn(self) -> str:
        """Which curve is drawn, whether levels could be compared, and strings pulled hard on, at every width."""
        sentences = []
        if self.curve == BY_STRINGS:
            what = "place counted, output as far as known" if self._words else "place and output counted"
            sentences.append(f"Drawn as the strings drive it; {what}.")
        elif len(self.rig.pickups) > 1:
            sentences.append("Drawn at equal EMF; place and output are not counted.")
        if self.compared is not None and self._words:
            sentences.append("Level at equal EMF: an output is not known.")
        return " ".join([*sentences, *filter(None, [too_close_strings(self.rig)])])

    @property
    def zero(self) -> str:
        """What zero of the drawn curves is."""
        if self.curve == EQUAL_EMF:
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
        if self.curve == EQUAL_EMF:
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
            return counted_outputs(self.rig_of(compared.pin.setup), self.rig).words
        unknown = [pickup.name for pickup in self.rig.pickups.values() if pickup.output is None]
        return f"the output of '{unknown[0]}' is not known; {HOW_TO_STATE}" if unknown else ""

    @property
    def band_words(self) -> str:
        """What the band behind the present curve holds."""
        return BAND_WORDS

    def curves(self) -> list[Curve]:
        """Return the present curve and B with their bands, and the other pins."""
        setups = (self.snapshot.rig.setup, *(pin.setup for pin in self.snapshot.rig.pins))
        curves = self.lettered_curves(self._levels(setups), is_marked=self.curve == EQUAL_EMF)
        banded = [
            self.banded(curve, curve.gain_db - self.curve_of(setup).gain_db, setup=setup)
            for curve, setup in zip(curves[:2], setups)
        ]
        return [*banded, *curves[2:]]

    def _levels(self, setups: Sequence[Setup]) -> list[np.ndarray]:
        """Of each setup, in dB on the page's grid."""
        if self.curve == EQUAL_EMF:
            return [self.curve_of(setup).gain_db for setup in setups]
        rigs = [self.rig_of(setup) for setup in setups]
        outputs = counted_outputs(*rigs).levels_db
        return [driven_response(rig, GRID, levels_db=levels).gain_db for rig, levels in zip(rigs, outputs)]

    def draw(self, width: int, height: int | None = None) -> str:
        """Return the drawing of the present curve and the pins, SVG, for a width (and a height) in CSS pixels."""
        title = f"Level over frequency at the input of {self.snapshot.rig.setup.rig}, {self.curve}"
        return self.drawn_as(title, width, height)

    def _moved(self, key: str, value: Value) -> Snapshot:
        if key in REBUILDING:
            return self.snapshot.with_setup(rebuilt(self.offers, self.snapshot.rig.setup, key, value))
        return super()._moved(key, value)


_CURVE_GROUP = Group(
    title="The curve",
    is_fold=True,
    controls=(Control(key=CURVE, label="Curve drawn", kind="switch", positions=(EQUAL_EMF, BY_STRINGS)),),
)
