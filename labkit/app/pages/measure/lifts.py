"""Strings lifted by a shim on the measure page: a recording for each string, and what they say against a build."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from typing import Any

from labkit.app.kit.controls import Control, Group, Value, log_positions
from labkit.app.kit.files import GivenFile
from labkit.app.kit.text import sentence_html, table_html
from labkit.app.pages.measure.recorder import calibration_words, read_calibration, read_given
from labkit.bench.recording.interface import InterfaceCalibration
from labkit.bench.shim.pulses import LONGEST_S, LiftReading, read_lift_file
from labkit.bench.shim.sensitivity import (
    INPUT_RESISTANCE,
    NOT_IN_PREDICTION,
    LiftScale,
    MeasuredLift,
    lifts_in_words,
    measured_lift,
    over_plan,
)
from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.pickup.predict.built import BuiltPickup
from labkit.pickup.predict.lift import lift_notes, predicted_lifts, steel_after_lifts
from labkit.pickup.predict.output import played_strings
from labkit.pickup.predict.propagation import Doubtful, Prediction
from labkit.pickup.string.known_steel import KnownSteel, steel_change
from labkit.view.words import KeyNumber

NO_BUILD, USUAL_SET = "not known", "the usual ones"
_OPEN_SET = "six strings 10-46"

LIFT_CAUTIONS = (
    "A string that is let go is loud: headphones off the ears, loudspeakers turned down, before anything is recorded.",
    "Wear eye protection: a string under tension that slips or breaks whips.",
    "Phantom power and direct monitoring off. Never an amplifier's speaker output at the interface's input.",
)
"""Common practice, no source."""

FIRST_THE_CAUSE = (
    "Look for the cause before the steel is kept: what is wrong with height, turns or magnets would be taken for the "
    "steel."
)

LIFT_WIRING_HTML = """<h2>Lift it</h2>
<ul class="lab-list">
<li>Pickup straight to an instrument input (1 MΩ), no pots between. Peaks between −40 and −6 dB; then
touch no knob.</li>
<li>Two equal stops of plastic or brass beside the pickup hold the string at a known height, measured from the pole's
face to the middle of the string. Two shims on them lift it.</li>
<li>Rest 2 s, push the shims in, rest 2 s, pull them out; four times or more, the string down at first. Each move takes
at most half a second.</li>
<li>Move them with a plastic stick: a hand on the string changes the hum.</li>
</ul>"""

LIFT_DEFAULTS: dict[str, Value] = {
    "own.lift_over": "narrow single coil, built",
    "own.lift_strings": USUAL_SET,
    "own.lift_gap": 2e-3,
    "own.lift_shim": 1e-3,
    "own.lift_shim_good": "2",
    "own.lift_scale": 0.0,
    "own.lift_scale_good": "1",
}


def lift_groups(builds: tuple[str, ...]) -> tuple[Group, ...]:
    """Return the groups of controls, for builds to choose from."""
    per_cent = {each: f"{each} %" for each in ("0.5", "1", "2", "5")}
    lengths = {"unit": "m", "bare_unit": "mm", "kind": "slider"}
    volts = log_positions(10e-3, 20.0, tuple(round(1 + 0.1 * step, 1) for step in range(90)))
    sets = catalogue().usable_names("string set")
    return (
        Group(
            title="Strings and pickup",
            controls=(
                Control(
                    key="own.lift_over", label="Pickup under the strings", kind="choice", positions=(NO_BUILD, *builds)
                ),
                Control(key="own.lift_strings", label="Strings", kind="choice", positions=(USUAL_SET, *sets)),
                Control(
                    key="own.lift_gap",
                    label="Pole face to string, not lifted",
                    positions=tuple(round(1e-4 * step, 5) for step in range(8, 61)),
                    low=0.8e-3,
                    high=6.5e-3,
                    **lengths,  # type: ignore[arg-type]
                ),
            ),
            note="To the middle of the string, while it rests on its stops.",
        ),
        Group(
            title="Shim and input",
            controls=(
                Control(
                    key="own.lift_shim",
                    label="Height of the shims",
                    positions=tuple(round(1e-4 * step, 5) for step in range(2, 31)),
                    low=0.1e-3,
                    high=5e-3,
                    **lengths,  # type: ignore[arg-type]
                ),
                Control(
                    key="own.lift_shim_good",
                    label="Shims are good to",
                    kind="choice",
                    positions=tuple(per_cent),
                    names=tuple(per_cent.values()),
                ),
                Control(
                    key="own.lift_scale",
                    label="Full scale is",
                    kind="slider",
                    positions=(0.0, *volts),
                    names=("not stated", *(f"{1e3 * v:.3g} mV" if v < 1 else f"{v:.3g} V" for v in volts)),
                    unit="V",
                    low=0.0,
                    high=100.0,
                ),
                Control(
                    key="own.lift_scale_good",
                    label="Full scale is good to",
                    kind="choice",
                    positions=tuple(per_cent),
                    names=tuple(per_cent.values()),
                ),
            ),
            note="Peak voltage at the input that reaches 0 dB: play a sine of 200 Hz into it, read V rms with a "
            "meter and the peak in dB; then it is √2 · V · 10^(−dB/20). A kept calibration may state it as well.",
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedLifts:
    """Measured strings against what the build predicts, and what is then known of the steel.

    Attributes
    ----------
    lifts : tuple of MeasuredLift
    predicted, over_db : mapping of str to Prediction
        By note, V/(m/s) and dB; empty without a build.
    before, after : KnownSteel or None
    build_name : str
    """

    lifts: tuple[MeasuredLift, ...]
    predicted: Mapping[str, Prediction]
    over_db: Mapping[str, Prediction]
    before: KnownSteel | None = None
    after: KnownSteel | None = None
    build_name: str = ""


class LiftBench:
    """The recordings of one session, by note."""

    def __init__(self) -> None:
        self.readings: dict[str, LiftReading] = {}
        self.refused: dict[str, str] = {}
        self.kept: InterfaceCalibration | None = None

    def take(self, note: str, given: GivenFile) -> None:
        """Take a recording in place of the one that a string had; what is wrong with it stays with the string."""
        self.readings.pop(note, None)
        self.refused.pop(note, None)
        try:
            self.readings[note] = read_given(given, read_lift_file)
        except InputError as error:
            self.refused[note] = str(error)

    def keep(self, given: GivenFile) -> None:
        """Take a kept calibration; InputError where it is none or states no volts per full scale."""
        found = read_calibration(given)
        if found.full_scale is None:
            raise InputError(f"{given.name}: states no volts per full scale; set 'Full scale is' instead")
        self.kept = found

    def scale(self, values: Mapping[str, Value], built: BuiltPickup | None) -> LiftScale:
        """Return what turns recordings into volts per velocity; InputError where full scale is not stated."""
        volts, good = float(values["own.lift_scale"]), float(values["own.lift_scale_good"]) / 100
        if not volts and self.kept is not None and self.kept.full_scale is not None:
            volts, good = self.kept.full_scale, self.kept.full_scale_tolerance
        if not volts:
            raise InputError("volts per full scale are due: set 'Full scale is', or use a kept calibration")
        return LiftScale(
            full_scale=Doubtful.percent(volts, good),
            shim=Doubtful.percent(float(values["own.lift_shim"]), float(values["own.lift_shim_good"]) / 100),
            coil_resistance=0.0 if built is None else built.total.resistance.value,
            input_resistance=INPUT_RESISTANCE if self.kept is None else self.kept.input_resistance,
        )

    def judged(self, values: Mapping[str, Value], built: BuiltPickup | None) -> JudgedLifts | None:
        """Return what the recordings say; None before there is one.

        Raises
        ------
        InputError
            If full scale is not stated, or the build's output is not modelled.
        """
        notes = notes_of(values, built)
        readings = {note: self.readings[note] for note in notes if note in self.readings}
        if not readings:
            return None
        scale = self.scale(values, built)
        lifts = tuple(measured_lift(reading, note, scale) for note, reading in readings.items())
        if built is None:
            return JudgedLifts(lifts=lifts, predicted={}, over_db={})
        gap, lift, strings = float(values["own.lift_gap"]), scale.shim.value, set_of(values)
        predicted = predicted_lifts(built.build, gap=gap, lift=lift, strings=strings)
        after = steel_after_lifts(
            built.build,
            {each.string: each.sensitivity for each in lifts},
            shared=scale.shared_deviation,
            gap=gap,
            lift=lift,
            strings=strings,
            name=f"strings over {built.name}",
        )
        return JudgedLifts(
            lifts=lifts,
            predicted=predicted,
            over_db={each.string: over_plan(each, predicted[each.string]) for each in lifts},
            before=built.build.string_steel,
            after=after,
            build_name=built.name,
        )

    def view(self, notes: tuple[str, ...], problem: str) -> dict[str, Any]:
        """Return what the page shows of the recordings."""
        following = next((note for note in notes if note not in self.readings), None)
        steps = [
            {
                "key": note,
                "title": note,
                "words": "Rest, up, rest, down, four times or more; then stop.",
                "is_done": note in self.readings,
                "is_next": note == following,
                "said": _said(self.readings.get(note)),
                "refused": self.refused.get(note, ""),
            }
            for note in notes
        ]
        kept = self.kept and f"{calibration_words(self.kept)}, full scale {self.kept.full_scale:.3g} V"
        return {
            "steps": steps,
            "problem": problem,
            "calibration": kept or "",
            "seconds": LONGEST_S,
            "plays": False,
            "caution": "a string that is let go bangs. Take headphones off and turn loudspeakers down before you "
            "record; phantom power and direct monitoring off.",
            "promise": "Headphones are off and loudspeakers turned down",
        }


def set_of(values: Mapping[str, Value]) -> str | None:
    """Return the chosen set of strings; None for the usual one."""
    chosen = str(values["own.lift_strings"])
    return None if chosen == USUAL_SET else chosen


def notes_of(values: Mapping[str, Value], built: BuiltPickup | None) -> tuple[str, ...]:
    """Return the notes of the strings that may be lifted, thinnest first."""
    if built is not None:
        return lift_notes(built.build, set_of(values))
    return tuple(each.name.partition(",")[0] for each in played_strings(set_of(values) or _OPEN_SET))


def _said(reading: LiftReading | None) -> str:
    if reading is None:
        return ""
    good = sum(not pulse.fault for pulse in reading.pulses)
    corners = " and ".join(f"{hz:.2g} Hz" for hz in reading.corners_hz)
    said = f"{good} good pulses on channel {reading.channel}, their mean good to ±{200 * reading.deviation:.1f} %"
    return "; ".join([said + (f"; input from {corners}" if corners else ""), *reading.notes])


def lift_numbers(judged: JudgedLifts | None) -> tuple[KeyNumber, ...]:
    """Return the key numbers: strings that were read, and how far the farthest is from the plan."""
    if judged is None:
        return (KeyNumber(label="Strings read", value="–", detail="none recorded yet"),)
    read = KeyNumber(
        label="Strings read", value=str(len(judged.lifts)), detail=", ".join(e.string for e in judged.lifts)
    )
    if not judged.over_db:
        return (read, KeyNumber(label="Against the build", value="–", detail="no build is named"))
    note, far = max(judged.over_db.items(), key=lambda item: abs(item[1].value))
    return (
        read,
        KeyNumber(label="Farthest from the build", value=_decibels(far.value), detail=f"{note}, {_bounds_db(far)}"),
    )


def lifts_html(judged: JudgedLifts) -> str:
    """Return verdict, strings with their intervals, and the steel before and after."""
    rows = []
    for each in judged.lifts:
        planned, over = judged.predicted.get(each.string), judged.over_db.get(each.string)
        rows.append(
            (
                each.string,
                f"{1e3 * each.sensitivity.value:.1f} mV/(m/s)",
                _bounds_mv(each.sensitivity),
                "–" if planned is None else _bounds_mv(planned),
                "–" if over is None else f"{_decibels(over.value)} ({_bounds_db(over)})",
                each.sensitivity.why(1),
            )
        )
    heads = ("String", "Measured", "95 of 100 lie in", "Build predicts", "Over the build", "Most of the doubt")
    table = table_html("Volts per velocity, mean over the lift", heads, rows)
    if judged.after is None:
        return table
    steel = table_html(
        "Steel of the strings, with one standard deviation",
        ("", "Before", "After these strings"),
        steel_change(judged.before, judged.after),
    )
    is_outside = any(each.low > 0 or each.high < 0 for each in judged.over_db.values())
    return (
        sentence_html(lifts_in_words(judged.over_db, judged.build_name))
        + table
        + (f'<p class="lab-note">{escape(FIRST_THE_CAUSE)}</p>' if is_outside else "")
        + steel
        + f'<p class="lab-note">{escape(NOT_IN_PREDICTION)}</p>'
    )


def _decibels(value: float) -> str:
    return f"{value:+.1f} dB".replace("-", "−")


def _bounds_db(over: Prediction) -> str:
    return f"{over.low:+.1f} … {over.high:+.1f} dB".replace("-", "−")


def _bounds_mv(found: Prediction) -> str:
    return f"{1e3 * found.low:.1f} … {1e3 * found.high:.1f}"
