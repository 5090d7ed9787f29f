"""The start page without widgets: one rig as a sentence whose words can be changed, and things to try on it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from labkit.app.kit.controls import Control, ControlSet, Group, Value
from labkit.app.kit.page_state import PinningPageState, RigCurve, Snapshot
from labkit.app.kit.rig.controls import BEHIND_THE_JACK, INSTRUMENT, POT_VALUES
from labkit.app.kit.rig.line import input_key
from labkit.app.kit.text import rig_answer
from labkit.core.errors import join_words
from labkit.core.units import format_quantity
from labkit.rig.hum import position_facts
from labkit.rig.parts.parts import Pot
from labkit.rig.rig import Rig
from labkit.study.questions.cable import first_cable, length_text

POTS = "own.pots"
"""Key of the word that sets every volume and tone pot at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """A piece of the sentence: plain text, or the words of a control.

    Attributes
    ----------
    text : str
    key : str
        Of the control that the text opens; empty for plain text.
    """

    text: str
    key: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """Something to try: the words on it, and the controls it moves; none goes back to the rig as it was."""

    text: str
    changes: Mapping[str, Value]


class StartPageState(PinningPageState[RigCurve]):
    """A rig in one sentence."""

    def page_controls(self, rig: Rig, offered: ControlSet) -> ControlSet:
        """Return the pickups, the pots together, the cable's length and what it is plugged into."""
        instrument = tuple(offered[slot] for slot in rig.pickups)
        pots = tuple(
            Control(
                key=POTS, label="Pots", kind="choice", unit="Ω", positions=POT_VALUES, low=1e3, high=10e6, note="pots"
            )
            for _ in _pots(rig)[:1]
        )
        cable = first_cable(rig)
        keys = [f"{cable.name}.length"] if cable else []
        behind = tuple(control for control in offered if control.key in (*keys, input_key(rig)))
        return ControlSet(
            (
                Group(title=INSTRUMENT, controls=(offered["rig"], *instrument, *pots)),
                Group(title=BEHIND_THE_JACK, controls=behind),
            )
        )

    def follow(self, key: str, value: Value) -> dict[str, Value]:
        """The pots are set together."""
        return dict.fromkeys(_pots(self.rig), value) if key == POTS else {key: value}

    def derived(self, values: Mapping[str, Value]) -> dict[str, Value]:
        """The pots stand at their one value; at the first where they differ."""
        pots = _pots(self.offers.base(self.snapshot.rig.setup.rig))
        return {POTS: values[pots[0]]} if pots else {}

    def result_of(self, rig: Rig, values: Mapping[str, Value]) -> RigCurve:
        """Return the rig's curve at equal EMF."""
        return RigCurve.of(rig)

    @property
    def words(self) -> tuple[Word, ...]:
        """The rig as one sentence."""
        return tuple(self._words())

    def _words(self) -> Iterator[Word]:
        rig, values, controls = self.rig, self.values, self.controls
        slots = list(rig.pickups)
        for index, slot in enumerate(slots):
            said = pickup_in_words(controls[slot].text(values[slot]))
            article = "an" if said[:1] in "aeiou" else "a"
            before = "" if index == 0 else " and " if index == len(slots) - 1 else ", "
            yield Word(text=f"{before}{article if index else article.capitalize()} ")
            yield Word(text=said, key=slot)
            if len(slots) > 1:
                yield Word(text=f"{',' if ',' in said else ''} at the {slot.replace('_', ' ')}")
        if POTS in controls:
            present = sorted({float(values[pot]) for pot in _pots(rig)})
            yield Word(text=" behind " if len(slots) == 1 else ", behind ")
            yield Word(text=join_words([format_quantity(value, "Ω") for value in present]), key=POTS)
            yield Word(text=" pots")
        cable = first_cable(rig)
        if cable is not None:
            yield Word(text=", through ")
            yield Word(text=length_text(cable.length) if cable.length else "no length", key=f"{cable.name}.length")
            yield Word(text=" of cable")
        end = input_key(rig)
        if end in controls:
            yield Word(text=" into ")
            named = controls[end].text(values[end])
            yield Word(text=_with_article(re.sub(r"(amplifier) input$", r"\1", named)), key=end)
        yield Word(text=".")

    @property
    def suggestions(self) -> tuple[Suggestion, ...]:
        """Things to try that this rig has a control for; last the way back, where something has changed."""
        controls = self.controls
        cable = first_cable(self.rig)
        heard = [coil.partition(".")[0] for coil in position_facts(self.rig).heard]
        asked: list[tuple[str, str, Value]] = [(f"15{NBSP}m of cable", f"{cable.name}.length", 15.0)] if cable else []
        asked += [("1 MΩ pots", POTS, 1e6), *((("a two-coil pickup", heard[-1], "two-coil"),) if heard else ())]
        asked += [(f"a {name}", input_key(self.rig), name) for name in self._line_inputs()]
        possible = [
            Suggestion(text=text, changes={key: value}) for text, key, value in asked if _takes(controls, key, value)
        ]
        return (*possible, *([Suggestion(text="as it was", changes={})] if self.is_changed else []))

    def _line_inputs(self) -> list[str]:
        end = input_key(self.rig)
        names = self.controls[end].positions if end in self.controls else ()
        return [str(name) for name in names if "line" in str(name)][:1]

    def stands(self, suggestion: Suggestion) -> bool:
        """Say whether what a suggestion sets is set; the way back is offered where it is not."""
        values = self.values
        pots = {float(values[pot]) for pot in _pots(self.rig)}
        return bool(suggestion.changes) and all(
            values[key] == value and (key != POTS or len(pots) == 1) for key, value in suggestion.changes.items()
        )

    def attempt(self, suggestion: Suggestion) -> None:
        """Set what a suggestion sets; the present rig becomes B. One without changes goes back to the rig as it was."""
        if not suggestion.changes:
            self.start_again()
            return
        moved = {
            name: new for key, value in suggestion.changes.items() for name, new in self.follow(key, value).items()
        }
        self.try_out(self.setup_with(moved))

    @property
    def answer(self) -> str:
        """What the rig does, in a sentence, HTML; against B where there is one."""
        compared = self.compared
        other = None if compared is None else self.curve_of(compared.pin.setup).reading
        return rig_answer(self.result.reading, other, self.difference)

    def draw(self, width: int, height: int | None = None) -> str:
        """Return the drawing, SVG, for a width (and a height) in CSS pixels."""
        return self.drawn_as(f"Level over frequency at the input of {self.snapshot.rig.setup.rig}", width, height)

    def _moved(self, key: str, value: Value) -> Snapshot:
        """Where nothing is kept yet, what a word was moved from becomes B."""
        moved = super()._moved(key, value)
        if key == "rig" or moved.rig.pins or moved.rig.setup == self.snapshot.rig.setup:
            return moved
        return Snapshot(rig=moved.rig.with_b(self.snapshot.rig.setup), own=moved.own)


NBSP = "\u00a0"


def pickup_in_words(name: str) -> str:
    """Write the name of a pickup as a noun.

    >>> pickup_in_words("two-coil, built"), pickup_in_words("narrow single coil"), pickup_in_words("winding with a tap")
    ('two-coil pickup, built', 'narrow single coil', 'winding with a tap')
    """
    return re.sub(r"^([\w-]*-coil)\b", r"\1 pickup", name)


def _pots(rig: Rig) -> tuple[str, ...]:
    """Keys of the pots that a volume or tone knob turns."""
    return tuple(
        f"{part.name}.value"
        for part in rig.harness.parts.values()
        if type(part) is Pot and any(word in part.control.name for word in ("volume", "tone"))
    )


def _takes(controls: ControlSet, key: str, value: Value) -> bool:
    return key in controls and (controls[key].is_quantity or value in controls[key].positions)


def _with_article(name: str) -> str:
    first = name.split(" ")[0].lower()
    return name if first in ("a", "an", "the", "no") else f"{'an' if first[:1] in 'aeiou8' else 'a'} {name}"
