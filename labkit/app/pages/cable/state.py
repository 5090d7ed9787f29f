"""The cable page without widgets: lengths side by side, a buffer at the guitar, the longest cable, one plain sentence.

Everything is solved from the present rig. "The cable" is the first one after the jack; a buffer "at the guitar"
stands right before it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from labkit.app.kit.controls import Control, ControlSet, Group, Value, with_value
from labkit.app.kit.page_state import CurvePageState, Snapshot, own_book_default, own_book_groups
from labkit.app.kit.rig.controls import KNOBS
from labkit.app.kit.rig.line import CABLE_LENGTHS, input_key
from labkit.app.kit.text import change_in_words
from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.grid import frequency_grid
from labkit.core.response import Response
from labkit.core.units import format_quantity
from labkit.rig.chain.chain import Cable
from labkit.rig.chain.stages import with_length
from labkit.rig.rig import Rig
from labkit.sound.render.string_drive import LevelChange, level_change
from labkit.study.questions.cable import (
    ALLOWED_DB,
    BAND_HZ,
    REFERENCE_M,
    BandLoss,
    CableCurve,
    CableJudgement,
    Resonance,
    band_loss,
    band_text,
    cable_curves,
    cable_losses,
    cable_type,
    first_cable,
    judge_cable,
    length_text,
    reference_text,
    simple_resonance,
    trim_for_peak,
    with_buffer,
)
from labkit.study.tolerance.band import BAND_WORDS
from labkit.view.curve.curve import HIGH_HZ, LOW_HZ, Curve, draw_curves
from labkit.view.drawings.cable_map import LengthMap, draw_lengths
from labkit.view.palette import NOW, PINS
from labkit.view.words import (
    KeyNumber,
    Reading,
    frequency_in_words,
    key_numbers,
    level_number,
    read_response,
    sentence,
)

GRID_HZ = frequency_grid(LOW_HZ, HIGH_HZ, 220)
"""Frequencies of the drawn curves."""

BAND_ENDS = (
    Control(
        key="own.from",
        label="Judged from",
        kind="choice",
        unit="Hz",
        positions=(500.0, 1000.0, 1500.0, 2000.0, 2500.0),
        low=50.0,
        high=2500.0,
        bare_unit="Hz",
    ),
    Control(
        key="own.to",
        label="Judged up to",
        kind="choice",
        unit="Hz",
        positions=(3000.0, 4000.0, 5000.0, 6000.0, 8000.0, 10_000.0),
        low=2600.0,
        high=20_000.0,
        bare_unit="Hz",
    ),
)
"""The band in which a loss is judged; apart from each other, so that every choice of one suits the other."""


FAMILY_M = (1.0, 3.0, 5.0, 10.0, 15.0, 20.0)
"""Lengths in the table besides the present one, m."""
MAP_M = 30.0
"""Longest length of the map, unless a longer one is shown, m."""
MAP_POINTS = 61
LOSSES_DB = tuple(index / 2 for index in range(1, 13))
BUFFERS = ("none", "at the guitar")
AT_GUITAR = BUFFERS[1]
SAME_DB = 0.3
"""Families whose ends lie nearer than this are one line to the eye: the drawing's line is 0.25 dB wide."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CableResult:
    """What follows from one state of the page.

    Attributes
    ----------
    rig : Rig
        The present one, with the buffer where it is on.
    cable : Cable
        The present one.
    reading : Reading
    gain_db : ndarray
        Of the present rig on the page's grid.
    other : Rig
        What it is compared with, and listened to.
    other_label : str
    other_reading : Reading
    other_gain_db : ndarray
    family : tuple of CableCurve
        By length; the present cable and the compared one are in it.
    plain, buffered : Reading
        The present cable without and with a buffer at the guitar.
    before : Reading
        The compared length without a buffer.
    judged : CableJudgement or None
        Of the present rig's cable against the compared length; None where nothing reaches the input.
    change : BandLoss
        Over the judged band, against ``other``.
    level : LevelChange
        From the compared one to the present one, as the strings drive them.
    trim : float or None, F
        Capacitance at the buffer's input that brings back the compared cable's peak; None without buffer or peak.
    """

    rig: Rig
    cable: Cable
    reading: Reading
    gain_db: np.ndarray
    other: Rig
    other_label: str
    other_reading: Reading
    other_gain_db: np.ndarray
    family: tuple[CableCurve, ...]
    plain: Reading
    buffered: Reading
    before: Reading
    before_length: float
    has_buffer: bool
    band_hz: tuple[float, float]
    judged: CableJudgement | None
    change: BandLoss
    level: LevelChange
    trim: float | None = None

    @property
    def is_held(self) -> bool:
        """True where something before the cable keeps it from acting: all lengths give one curve."""
        ends = [member.gain_db[-1] for member in self.family]
        return bool(max(ends) - min(ends) < SAME_DB)


class CablePageState(CurvePageState[CableResult]):
    """A rig, its cable, and the lengths it is compared with."""

    def page_controls(self, rig: Rig, offered: ControlSet) -> ControlSet:
        """Return lengths and kind of cable, what counts as dull, and the rig with its knobs, input and buffer."""
        cable = first_cable(rig)
        if cable is None:
            return ControlSet((Group(title="Rig", controls=(offered["rig"],)),))
        types = Control(
            key="own.type",
            label="Kind of cable",
            kind="choice",
            positions=(*catalogue().names("cable"), OTHER_TYPE),
            names=(*(cable_type_text(name) for name in catalogue().names("cable")), "another, as set below"),
        )
        before = Control(
            key="own.before",
            label="Compared with, B",
            kind="slider",
            unit="m",
            positions=with_value((0.0, *CABLE_LENGTHS), REFERENCE_M),
            low=0.0,
            high=MOST_BEFORE_M,
            bare_unit="m",
        )
        loss = Control(
            key="own.loss", label="Less than B by", kind="slider", unit="dB", positions=LOSSES_DB, bare_unit="dB"
        )
        buffer = Control(
            key="own.buffer",
            label="Buffer in the guitar",
            kind="switch",
            positions=BUFFERS,
            names=("no buffer", "a buffer"),
        )
        length, per_metre = offered[f"{cable.name}.length"], offered[f"{cable.name}.capacitance"]
        length = replace(length, label="Length, A")
        knobs = [control for group in offered.groups if group.title == KNOBS for control in group.controls]
        inputs = [control for control in offered if control.key == input_key(rig)]
        return ControlSet(
            (
                Group(title="Cable", controls=(length, before, types, per_metre)),
                Group(
                    title="What counts as dull",
                    controls=(loss,),
                    note="Yours to choose. Whether it is heard, only a blind test tells.",
                ),
                Group(title="Longest cable", is_fold=True, controls=BAND_ENDS),
                Group(title="Rig", controls=(offered["rig"], *knobs, *inputs, buffer)),
                *own_book_groups(),
            )
        )

    def own_defaults(self, rig: Rig) -> dict[str, Value]:
        """Return no buffer, 3 m to compare with, 3 dB of loss from 2 to 5 kHz."""
        return {
            "own.buffer": BUFFERS[0],
            "own.before": REFERENCE_M,
            "own.loss": ALLOWED_DB,
            "own.from": BAND_HZ[0],
            "own.to": BAND_HZ[1],
            **own_book_default(),
        }

    def follow(self, key: str, value: Value) -> dict[str, Value]:
        """A cable type sets the capacitance per metre."""
        if key != "own.type":
            return {key: value}
        cable = first_cable(self.rig)
        if cable is None or value == OTHER_TYPE:
            return {}
        return {f"{cable.name}.capacitance": cable_type(str(value)).capacitance_per_length}

    def derived(self, values: Mapping[str, Value]) -> dict[str, Value]:
        """The type is the catalogue cable with the present capacitance per metre."""
        cable = first_cable(self.rig)
        if cable is None:
            return {}
        present = float(values[f"{cable.name}.capacitance"])
        for name in catalogue().names("cable"):
            if abs(cable_type(name).capacitance_per_length - present) < 1e-15:
                return {"own.type": name}
        return {"own.type": OTHER_TYPE}

    def result_of(self, rig: Rig, values: Mapping[str, Value]) -> CableResult:
        """Solve the present rig, the compared one, and the family."""
        cable = first_cable(rig)
        if cable is None:
            raise InputError(f"'{rig.name}' has no cable after its jack, so there is none to look at")
        before_length, allowed = float(values["own.before"]), float(values["own.loss"])
        band = float(values["own.from"]), float(values["own.to"])
        has_buffer = values["own.buffer"] == AT_GUITAR
        buffered = with_buffer(rig)
        short = rig.with_stage(with_length(cable, before_length))
        if has_buffer:
            shown, other, label = buffered, rig, "no buffer"
        else:
            shown, other, label = rig, short, length_text(before_length)
        now, than = shown.response(GRID_HZ), other.response(GRID_HZ)
        reading, other_reading = read_response(now), read_response(than)
        plain = other_reading if has_buffer else reading
        before = read_response(short.response(GRID_HZ)) if has_buffer else other_reading
        lengths = sorted({*FAMILY_M, cable.length, before_length})
        losses = cable_losses(shown, lengths, allowed_db=allowed, band_hz=band, reference=before_length)
        judged = None
        if not reading.is_silent:
            judged = judge_cable(shown, allowed_db=allowed, band_hz=band, reference=before_length)
        return CableResult(
            rig=shown,
            cable=cable,
            reading=reading,
            gain_db=now.gain_db,
            other=other,
            other_label=label,
            other_reading=other_reading,
            other_gain_db=than.gain_db,
            family=cable_curves(shown, losses, GRID_HZ),
            plain=plain,
            buffered=reading if has_buffer else read_response(buffered.response(GRID_HZ)),
            before=before,
            before_length=before_length,
            has_buffer=has_buffer,
            band_hz=band,
            judged=judged,
            change=band_loss(than, now, band),
            level=level_change(other, shown),
            trim=trim_for_peak(buffered, before.peak_hz) if has_buffer else None,
        )

    def compared_changes(self) -> Mapping[str, Value] | None:
        """The compared length; None where the two differ by a buffer put on here, which no address can hold."""
        result = self.result
        return None if result.has_buffer else {f"{result.cable.name}.length": result.before_length}

    @property
    def why_not_kept(self) -> str:
        """What is said where `keep` keeps nothing."""
        result = self.result
        if result.cable.length > MOST_BEFORE_M:
            return f"B is at most {length_text(MOST_BEFORE_M)} long."
        return NOT_BUFFERED if result.has_buffer else super().why_not_kept

    def _with_kept(self) -> Snapshot:
        """The snapshot with the present length as B; a buffer that is put on here is what A has over B."""
        result = self.result
        if result.has_buffer or result.cable.length > MOST_BEFORE_M:
            return self.snapshot
        return self._moved("own.before", result.cable.length)

    @property
    def numbers(self) -> tuple[KeyNumber, ...]:
        """Peak, −3 dB point, worst loss in the judged band, level as the strings drive it."""
        result = self.result
        if result.judged is None:
            return key_numbers(result.reading)
        peak, _, end = key_numbers(result.reading, pinned=result.other_reading, pinned_name=result.other_label)
        change = result.change
        level = KeyNumber(
            label=f"Worst, {band_text(result.band_hz)}, against {result.other_label}",
            value=change_in_words(-change.worst_db),
            detail=f"at {frequency_in_words(change.worst_hz)}; {change_in_words(-change.mean_db)} in the mean",
        )
        return (peak, end, level, level_number(result.level, result.other_label))

    @property
    def found(self) -> str:
        """What the present cable does against the compared one, in a sentence."""
        return found_sentence(self.result)

    @property
    def answer(self) -> str:
        """The longest cable, with what is promised of it; empty where nothing reaches the input."""
        return "" if self.result.judged is None else self.result.judged.answer

    @property
    def sentence(self) -> str:
        """The result in one plain sentence."""
        return plain_sentence(self.result)

    @property
    def advice(self) -> tuple[str, ...]:
        """Sentences that follow from the numbers: what the longest cable does elsewhere, how to tame a buffer."""
        result = self.result
        if result.reading.is_silent:
            return ()
        sentences = [result.judged.elsewhere] if result.judged and result.judged.elsewhere else []
        risen = [member for member in result.family if member.loss.band.mean_db < -0.5]
        if risen and not result.is_held:
            most = min(risen, key=lambda member: member.loss.band.mean_db)
            sentences.append(
                f"A cable is not a plain treble filter: with {length_text(most.length)} the mean level from "
                f"{band_text(result.band_hz)} stands {-most.loss.band.mean_db:.1f} dB higher than with "
                f"{reference_text(result.before_length)}, because the peak has moved into the band."
            )
        if result.trim is not None and result.trim > 1e-12 and result.before.peak_hz is not None:
            trim = format_quantity(float(f"{result.trim:.2g}"), "F")
            sentences.append(
                f"Too bright with the buffer? {trim} across its input puts the peak back to "
                f"{frequency_in_words(result.before.peak_hz)}, where {length_text(result.before_length)} of this cable "
                "had it."
            )
        return tuple(sentences)

    @property
    def formula(self) -> str:
        """The resonance formula with the rig's numbers; empty where it does not fit."""
        result = self.result
        if result.has_buffer or result.plain.peak_hz is None:
            return ""
        resonance = simple_resonance(result.rig)
        return "" if resonance is None else formula_text(resonance, result.plain)

    @property
    def description(self) -> str:
        """The curves in words."""
        result = self.result
        return self.sentence if result.reading.is_silent else f"{self.sentence} {sentence(self.numbers)}"

    @property
    def band_words(self) -> str:
        """What the band behind the present curve holds."""
        return BAND_WORDS

    def curves(self) -> list[Curve]:
        """Return the present curve and the compared one, each with its band."""
        result = self.result
        here = (
            f"{length_text(result.cable.length)}, a buffer" if result.has_buffer else length_text(result.cable.length)
        )
        now = Curve(frequency_hz=GRID_HZ, gain_db=result.gain_db, label=f"A {here}", style=NOW, reading=result.reading)
        than = Curve(
            frequency_hz=GRID_HZ,
            gain_db=result.other_gain_db,
            label=f"B {result.other_label}",
            style=PINS[0],
            reading=result.other_reading,
        )
        return [
            self.banded(now),
            self.banded(than, which="other"),
        ]

    def draw(self, width: int, height: int | None = None) -> str:
        """Return the drawing, SVG, for a width (and a height) in CSS pixels."""
        title = f"Level over frequency at the input of {self.snapshot.rig.setup.rig}, by length of cable"
        return draw_curves(
            self.curves(),
            title=title,
            description=self.description,
            width=width,
            height=height,
            compares=True,
            dull_db=float(self.values["own.loss"]),
        )

    def draw_map(self, width: int) -> str:
        """Return the map of all lengths, SVG, for a width in CSS pixels; empty where length makes no difference."""
        result = self.result
        if result.judged is None or result.is_held:
            return ""
        before, here, allowed = result.before_length, result.cable.length, result.judged.allowed_db
        found = self._map(result, max(MAP_M, here, before), before, allowed)
        return draw_lengths(
            found,
            present=here,
            compared=before,
            dull_hz=result.judged.present.dull_from_hz,
            title="Every length of this cable at once",
            description=f"Length across, frequency upwards. {self.found}",
            width=width,
        )

    def _map(self, result: CableResult, longest: float, before: float, allowed: float) -> LengthMap:
        """The map; kept while only the length moves."""
        setup = self.snapshot.rig.setup
        moving = f"{result.cable.name}.length"
        key = (setup.rig, tuple(change for change in setup.changes if change[0] != moving), longest, before, allowed)
        if self._kept_map is None or self._kept_map[0] != key:
            self._kept_map = (key, length_map(result.rig, longest, before, allowed))
        return self._kept_map[1]

    _kept_map: tuple[object, LengthMap] | None = None


def length_map(rig: Rig, longest: float, before: float, allowed_db: float) -> LengthMap:
    """Return what every length of a rig's cable does against one of them.

    Parameters
    ----------
    rig : Rig
        With a cable.
    longest, before : float, m
        Where the map ends, and what is compared with.
    allowed_db : float, dB
        So much less is dull.
    """
    lengths = [float(length) for length in np.linspace(0.0, longest, MAP_POINTS)]
    losses = cable_losses(rig, lengths, allowed_db=allowed_db, reference=before)
    peaks = [member.peak_hz for member in cable_curves(rig, losses, GRID_HZ[:2])]
    rises = [loss.rise if loss.length > before else None for loss in losses]
    return LengthMap(
        length=np.array(lengths),
        dull_hz=np.array([np.nan if loss.dull_from_hz is None else loss.dull_from_hz for loss in losses]),
        louder_hz=np.array([(np.nan, np.nan) if rise is None else (rise.low_hz, rise.high_hz) for rise in rises]),
        peak_hz=np.array([np.nan if peak is None else peak for peak in peaks]),
    )


NOT_BUFFERED = (
    "B is the same cable without the buffer, so that one hears what the buffer does. Take it out to keep a length."
)
OTHER_TYPE = "another"
NBSP = "\u00a0"
MOST_BEFORE_M = 40.0
"""Longest length to compare with; the search for the longest cable goes on beyond it."""


def found_sentence(result: CableResult) -> str:
    """Say from where a length is dull against another, and where it is louder."""
    length, before = length_text(result.cable.length), reference_text(result.before_length)
    if result.judged is None or result.has_buffer or result.is_held:
        return plain_sentence(result)
    present, allowed = result.judged.present, f"{result.judged.allowed_db:g}{NBSP}dB"
    if abs(result.cable.length - result.before_length) < 1e-9:
        return f"A and B are the same length, {length}."
    rise = present.rise
    louder = ""
    if rise is not None:
        louder = (
            f"from {frequency_in_words(rise.low_hz)} to {frequency_in_words(rise.high_hz)} it is louder, by up to "
            f"{rise.most_db:.1f}{NBSP}dB"
        )
    if present.dull_from_hz is None:
        said = f"With {length} nothing is lost by {allowed} against {before}"
    else:
        said = f"With {length} it is dull from {frequency_in_words(present.dull_from_hz)}: {allowed} less than {before}"
    return f"{said}; {louder}." if louder else f"{said}."


def plain_sentence(result: CableResult) -> str:
    """Say in one sentence what the cable does, and what a buffer would do."""
    length, before = length_text(result.cable.length), length_text(result.before_length)
    differs = abs(result.cable.length - result.before_length) > 1e-9
    if result.plain.is_silent:
        return "Nothing reaches the input: turn the volume up, or choose a pickup on the switch."
    if result.has_buffer:
        lengths = (
            f"whether the cable is {before} or {length} long"
            if differs
            else f"however long the cable is up to {length}"
        )
        return (
            f"With a buffer at the guitar {_peak_is(result.buffered)}, {lengths}; without it, at {length}, "
            f"{_peak_is(result.plain)}."
        )
    if result.is_held:
        return f"At {length} {_peak_is(result.plain)}, and no length of this cable moves it: a buffer stands before it."
    start = f"At {length} {_peak_is(result.plain)}"
    if differs and result.plain.peak_hz is not None and result.before.peak_hz is not None:
        start += f" instead of {frequency_in_words(result.before.peak_hz)} at {before}"
    elif differs:
        start += f"; at {before} {_peak_is(result.before)}"
    dull = None if result.judged is None else result.judged.present.dull_from_hz
    if result.judged is not None and dull is not None:
        start += f", dull from {frequency_in_words(dull)} ({result.judged.allowed_db:g} dB under {before})"
    if result.plain.peak_hz is not None and result.buffered.peak_hz is not None:
        return f"{start}; a buffer at the guitar would hold it at {frequency_in_words(result.buffered.peak_hz)}."
    return f"{start}. With a buffer at the guitar {_peak_is(result.buffered)}."


def formula_text(formula: Resonance, solved: Reading) -> str:
    """Write the resonance formula with the rig's numbers, and where the solved peak lies beside it."""
    assert solved.peak_hz is not None
    parts = " + ".join(f"{part * 1e12:.0f}" for part in (formula.coil, formula.cable, formula.input))
    inductance = format_quantity(float(f"{formula.inductance:.3g}"), "H")
    return (
        f"By formula: 1 / (2π √(L·C)) = 1 / (2π √({inductance} × ({parts}) pF)) = "
        f"{formula.frequency_hz / 1e3:.2f} kHz, for coil, cable and input alone; pots and core loss put the peak at "
        f"{solved.peak_hz / 1e3:.2f} kHz."
    )


def cable_type_text(name: str) -> str:
    """Write a catalogue cable with its figure."""
    return f"{name.removesuffix(' cable')}, {cable_type(name).capacitance_per_length * 1e12:.3g} pF/m"


def response_of(rig: Rig) -> Response:
    """Return a rig's response over the axis of the page."""
    return rig.response(GRID_HZ)


def _peak_is(reading: Reading) -> str:
    if reading.peak_hz is not None:
        return f"your peak is at {frequency_in_words(reading.peak_hz)}"
    if reading.minus_3db_hz is None:
        return "there is no peak and it does not fall away below 20 kHz"
    return f"there is no peak and it falls away from {frequency_in_words(reading.minus_3db_hz)} (−3 dB)"
