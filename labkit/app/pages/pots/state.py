"""The pots page without widgets: one question at a time about pots, tapers, treble bleeds and capacitors.

Tapers, bleeds and dielectrics belong to no control of the rig: the page tries them on, and says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from labkit.app.kit.controls import KNOB, Control, ControlSet, Group, Value, with_value
from labkit.app.kit.page_state import CurvePageState, Snapshot, own_book_default, own_book_groups
from labkit.app.kit.rig.controls import CAPACITORS, KNOB_POSITIONS, RESISTORS, words
from labkit.app.kit.rig.controls import POT_VALUES as RIG_POT_VALUES
from labkit.app.pages.pots.capacitors import NO_LOSS, bleed_view, capacitance, capacitor_view, loss_view
from labkit.app.pages.pots.views import GRID_HZ, View, one_value, plain_name, position_view, taper_view, value_view
from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.response import Response
from labkit.rig.parts.parts import Pot
from labkit.rig.parts.taper import parse_taper
from labkit.rig.rig import Rig
from labkit.sound.render.string_drive import LevelChange, level_change
from labkit.study.questions.pots import (
    BLEEDS,
    USUAL_BLEEDS,
    Bleed,
    is_volume,
    pots,
    tone_capacitors,
    volume_pots,
    with_bleed,
    with_capacitor,
    with_taper,
)
from labkit.study.tolerance.band import BAND_WORDS
from labkit.view.curve.curve import RIG_DB, Curve, draw_curves
from labkit.view.words import KeyNumber, Reading, key_numbers, level_number, read_response, sentence

POSITIONS, TAPER, VALUES, BLEED, CAPACITOR, LOSS = (
    "Knob positions",
    "Tapers",
    "Pot values",
    "Treble bleeds",
    "Capacitor value",
    "Capacitor loss",
)
AS_BUILT, AS_WIRED = "as built", "as wired"
TRIED_TAPERS = (
    AS_BUILT,
    "linear",
    "audio 10 %",
    "audio 15 %",
    "audio 20 %",
    "audio 30 %",
    "reverse audio 10 %",
)
BLEED_CAPACITORS = (*(value for value in CAPACITORS if value <= 4.7e-9),)
BLEED_RESISTORS = tuple(sorted({*(value for value in RESISTORS if 10e3 <= value <= 1e6), 130e3, 120e3}))

_OF_A_VIEW: Mapping[str, tuple[str, ...]] = {
    POSITIONS: ("own.pot", "own.b_position", "own.taper"),
    TAPER: ("own.pot", "own.taper"),
    VALUES: ("own.b_value",),
    BLEED: ("own.volume", "own.bleed", "own.bleed_capacitor", "own.bleed_resistor"),
    CAPACITOR: ("own.capacitor", "own.b_capacitance"),
    LOSS: ("own.capacitor", "own.dielectric"),
}
"""The page's own controls that a question needs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PotsResult:
    """What follows from one state of the page; ``rig`` is the present one with what the page tries on it."""

    rig: Rig
    reading: Reading
    other_reading: Reading
    level: LevelChange
    view: View

    @property
    def other(self) -> Rig:
        """What the question compares with, B."""
        return self.view.other


class PotsPageState(CurvePageState[PotsResult]):
    """One question about the pots and capacitors of a rig."""

    def page_controls(self, rig: Rig, offered: ControlSet) -> ControlSet:
        """Return rig, question, what may be tried on, then knobs and parts as the rig page has them."""
        groups = [Group(title="Instrument", controls=(offered["rig"],)), *own_book_groups()]
        questions = views_of(rig)
        if questions:
            groups.append(
                Group(
                    title="Look at",
                    controls=(Control(key="own.show", label="Question", kind="switch", positions=questions),),
                )
            )
        groups.append(Group(title="Try on", controls=tuple(_own_controls(rig)), note="Tried on this page alone."))
        groups += [group for group in offered.groups if group.title == "Knobs and switches"]
        parts = [group for group in offered.groups if group.title == "Parts inside"]
        return ControlSet(tuple(group for group in (*groups, *parts) if group.controls))

    @property
    def visible_controls(self) -> ControlSet:
        """The controls that the present question needs."""
        wanted = _OF_A_VIEW.get(str(self.values.get("own.show", "")), ())
        bleed = self.values.get("own.bleed", AS_WIRED)
        hidden = set()
        if bleed in (AS_WIRED, "plain"):
            hidden |= {"own.bleed_capacitor", "own.bleed_resistor"}
        if bleed == "capacitor":
            hidden.add("own.bleed_resistor")
        groups = []
        for group in self.controls.groups:
            if group.title == "Try on":
                kept = tuple(c for c in group.controls if c.key in wanted and c.key not in hidden)
                group = replace(group, controls=kept, title=_TRY_TITLES[str(self.values["own.show"])])
                if not any(c.key in _TRIED for c in kept):
                    group = replace(group, note="")
            if group.controls:
                groups.append(group)
        return ControlSet(tuple(groups))

    def own_defaults(self, rig: Rig) -> dict[str, Value]:
        """Return the first question this rig has, everything as built."""
        usual = own_book_default()
        if views_of(rig):
            usual["own.show"] = views_of(rig)[0]
        if pots(rig):
            usual |= {"own.pot": pots(rig)[0].name, "own.taper": AS_BUILT}
            usual["own.b_position"] = 5.0 if rig.settings[pots(rig)[0].control.name] == 10.0 else 10.0
            usual["own.b_value"] = 500e3 if one_value(rig) != 500e3 else 250e3
        if volume_pots(rig):
            usual |= {"own.volume": volume_pots(rig)[0].name, "own.bleed": AS_WIRED}
            usual |= {"own.bleed_capacitor": 1e-9, "own.bleed_resistor": 150e3}
        if tone_capacitors(rig):
            first = next(iter(tone_capacitors(rig)))
            usual |= {"own.capacitor": first, "own.dielectric": AS_BUILT}
            usual["own.b_capacitance"] = 47e-9 if capacitance(rig, first) != 47e-9 else 22e-9
        return usual

    def follow(self, key: str, value: Value) -> dict[str, Value]:
        """A kind of bleed brings its usual values along."""
        if key != "own.bleed" or value in (AS_WIRED, "plain"):
            return {key: value}
        usual = USUAL_BLEEDS[value]  # type: ignore[index]
        brought: dict[str, Value] = {key: value, "own.bleed_capacitor": usual.capacitance}
        if usual.resistance:
            brought["own.bleed_resistor"] = usual.resistance
        return brought

    def result_of(self, rig: Rig, values: Mapping[str, Value]) -> PotsResult:
        """Try on what the page says, and look at the question."""
        if "own.show" not in values:
            raise InputError(f"'{rig.name}' has neither pots nor tone capacitors to look at")
        tried = tried_on(rig, values)
        view = _view(tried, values)
        return PotsResult(
            rig=tried,
            reading=read_response(tried.response(GRID_HZ)),
            other_reading=read_response(view.other.response(GRID_HZ)),
            level=level_change(view.other, tried),
            view=view,
        )

    def compared_changes(self) -> Mapping[str, Value] | None:
        """Knobs and values of what the question compares with; None where a taper, bleed or dielectric differs."""
        changes = self.result.view.changes
        return None if changes is None or self.tried else dict(changes)

    @property
    def why_not_kept(self) -> str:
        """What is said where `keep` keeps nothing."""
        result = self.result
        if self.values["own.show"] == VALUES and one_value(result.rig) is None:
            return "B has all pots of one value, and these differ."
        if self.values["own.show"] not in (POSITIONS, VALUES, CAPACITOR):
            return f"Here B is always {result.view.other_label}."
        return super().why_not_kept

    def _with_kept(self) -> Snapshot:
        """The snapshot with the present position or value as B; tapers, bleeds and losses have a B of their own."""
        values, rig = self.values, self.result.rig
        kept: dict[str, tuple[str, float | None]] = {VALUES: ("own.b_value", one_value(rig))}
        if "own.pot" in values:
            control = _pot(rig, str(values["own.pot"])).control.name
            kept[POSITIONS] = "own.b_position", float(rig.settings[control])
        if "own.capacitor" in values:
            kept[CAPACITOR] = "own.b_capacitance", capacitance(rig, str(values["own.capacitor"]))
        key, value = kept.get(str(values["own.show"]), ("", None))
        return self.snapshot if value is None else self._moved(key, value)

    @property
    def numbers(self) -> tuple[KeyNumber, ...]:
        """Peak, peak over the bass, −3 dB point and level, against what the page compares with."""
        result = self.result
        label = result.view.other_label
        numbers = key_numbers(result.reading, pinned=result.other_reading, pinned_name=label)
        return (*numbers, level_number(result.level, label))

    @property
    def sentence(self) -> str:
        """The result in one sentence."""
        if self.result.reading.is_silent:
            return "Nothing reaches the input: turn the volume up, or choose a pickup on the switch."
        return self.result.view.findings[0]

    @property
    def notes(self) -> tuple[str, ...]:
        """What else follows."""
        return () if self.result.reading.is_silent else self.result.view.findings[1:]

    @property
    def tried(self) -> tuple[str, ...]:
        """What the page has put on the rig beyond its own state, in words."""
        values = self.values
        sentences = []
        if values.get("own.taper", AS_BUILT) != AS_BUILT:
            sentences.append(f"{plain_name(str(values['own.pot']))} with a taper {values['own.taper']}")
        if values.get("own.bleed", AS_WIRED) != AS_WIRED:
            sentences.append(f"treble bleed {values['own.bleed']}")
        if values.get("own.dielectric", AS_BUILT) != AS_BUILT:
            sentences.append(f"{plain_name(str(values['own.capacitor']))} of {values['own.dielectric']}")
        return tuple(sentences)

    @property
    def description(self) -> str:
        """The curves in words."""
        return self.sentence if self.result.reading.is_silent else f"{self.sentence} {sentence(self.numbers)}"

    @property
    def band_words(self) -> str:
        """What the band behind the present curve holds; empty where differences are drawn."""
        return BAND_WORDS if self.has_band else ""

    def curves(self) -> list[Curve]:
        """Return the curves of the main drawing, A and B with their bands unless differences are drawn."""
        curves = self.result.view.main.curves
        if not self.has_band:
            return list(curves)
        rigs: dict[str, Literal["rig", "other"]] = {"A ": "rig", "B ": "other"}
        return [self.banded(each, which=rigs[each.label[:2]]) if each.label[:2] in rigs else each for each in curves]

    @property
    def has_band(self) -> bool:
        """True where the main drawing shows levels."""
        return self.result.view.main.levels == RIG_DB

    def draw(self, width: int, height: int | None = None) -> str:
        """Return the main drawing, SVG, for a width in CSS pixels."""
        view = self.result.view
        title = f"{view.main.title}, {self.snapshot.rig.setup.rig}"
        return draw_curves(
            self.curves(),
            title=title,
            description=self.description,
            width=width,
            height=height,
            levels=view.main.levels,
            compares=self.has_band,
        )

    def draw_small(self, place: int, width: int) -> str:
        """Return one of the small multiples, SVG; empty where the question has no such one."""
        small = self.result.view.small
        if not 0 <= place < len(small):
            return ""
        panel = small[place]
        return draw_curves(
            panel.curves, title=panel.title, description=self.sentence, width=min(width, 500), levels=panel.levels
        )


_TRIED = ("own.taper", "own.bleed", "own.dielectric")
_TRY_TITLES = {
    POSITIONS: "Pot",
    TAPER: "Pot",
    VALUES: "Pots",
    BLEED: "Treble bleed",
    CAPACITOR: "Capacitor",
    LOSS: "Capacitor",
}


def views_of(rig: Rig) -> tuple[str, ...]:
    """Return the questions that a rig's wiring allows."""
    found: list[str] = []
    if pots(rig):
        found += [POSITIONS, TAPER, VALUES]
    if volume_pots(rig):
        found.append(BLEED)
    if tone_capacitors(rig):
        found += [CAPACITOR, LOSS]
    return tuple(found)


def tried_on(rig: Rig, values: Mapping[str, Value]) -> Rig:
    """Return the rig with the taper, bleed and dielectric that the page tries on."""
    taper = str(values.get("own.taper", AS_BUILT))
    if taper != AS_BUILT:
        rig = with_taper(rig, str(values["own.pot"]), parse_taper(taper))
    kind = str(values.get("own.bleed", AS_WIRED))
    if kind != AS_WIRED:
        bleed = Bleed(
            kind=kind,  # type: ignore[arg-type]
            capacitance=0.0 if kind == "plain" else float(values["own.bleed_capacitor"]),
            resistance=float(values["own.bleed_resistor"]) if kind in ("parallel", "series") else 0.0,
        )
        rig = with_bleed(rig, str(values["own.volume"]), bleed)
    dielectric = str(values.get("own.dielectric", AS_BUILT))
    if dielectric == NO_LOSS:
        rig = with_capacitor(rig, str(values["own.capacitor"]), loss_tangent=0.0)
    elif dielectric != AS_BUILT:
        rig = with_capacitor(rig, str(values["own.capacitor"]), dielectric=dielectric)
    return rig


def response_of(rig: Rig) -> Response:
    """Return a rig's response over the axis of the page."""
    return rig.response(GRID_HZ)


def _view(rig: Rig, values: Mapping[str, Value]) -> View:
    question = values["own.show"]
    if question == VALUES:
        return value_view(rig, float(values["own.b_value"]))
    if question == BLEED:
        return bleed_view(rig, _pot(rig, str(values["own.volume"])))
    if question in (POSITIONS, TAPER):
        pot = _pot(rig, str(values["own.pot"]))
        if question == TAPER:
            return taper_view(rig, pot)
        return position_view(rig, pot, float(values["own.b_position"]))
    name = str(values["own.capacitor"])
    controls = tuple(dict.fromkeys(pot.control.name for pot in tone_capacitors(rig)[name]))
    if question == CAPACITOR:
        return capacitor_view(rig, name, controls, float(values["own.b_capacitance"]))
    return loss_view(rig, name, controls, catalogue().names("dielectric"))


def _pot(rig: Rig, name: str) -> Pot:
    part = rig.harness.part(name)
    assert isinstance(part, Pot)
    return part


def _own_controls(rig: Rig) -> list[Control]:
    found: list[Control] = []
    if pots(rig):
        found.append(_which("own.pot", "Pot", tuple(pot.name for pot in pots(rig))))
        found.append(
            Control(key="own.b_position", label="Compared with, B", kind="slider", unit=KNOB, positions=KNOB_POSITIONS)
        )
        found.append(Control(key="own.taper", label="Taper", kind="choice", positions=TRIED_TAPERS))
        found.append(_compared("own.b_value", "Ω", RIG_POT_VALUES, 1e3, 10e6))
    if volume_pots(rig):
        found.append(_which("own.volume", "Volume pot", tuple(pot.name for pot in pots(rig) if is_volume(pot))))
        found.append(Control(key="own.bleed", label="Bleed", kind="choice", positions=(AS_WIRED, *BLEEDS)))
        found.append(
            Control(
                key="own.bleed_capacitor",
                label="Bleed capacitor",
                kind="choice",
                unit="F",
                positions=with_value(with_value(BLEED_CAPACITORS, 1.2e-9), 1e-9),
                low=1e-12,
                high=100e-9,
            )
        )
        found.append(
            Control(
                key="own.bleed_resistor",
                label="Bleed resistor",
                kind="choice",
                unit="Ω",
                positions=BLEED_RESISTORS,
                low=100.0,
                high=100e6,
            )
        )
    if tone_capacitors(rig):
        found.append(_which("own.capacitor", "Capacitor", tuple(tone_capacitors(rig))))
        positions = with_value(with_value(CAPACITORS, 47e-9), 22e-9)
        found.append(_compared("own.b_capacitance", "F", positions, 1e-12, 1e-6))
        dielectrics = (AS_BUILT, NO_LOSS, *catalogue().names("dielectric"))
        found.append(Control(key="own.dielectric", label="Made of", kind="choice", positions=dielectrics))
    return found


def _compared(key: str, unit: str, positions: tuple[float, ...], low: float, high: float) -> Control:
    return Control(key=key, label="Compared with, B", kind="choice", unit=unit, positions=positions, low=low, high=high)


def _which(key: str, label: str, names: tuple[str, ...]) -> Control:
    return Control(key=key, label=label, kind="choice", positions=names, names=tuple(words(name) for name in names))
