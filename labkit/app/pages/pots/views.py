"""What the pots page shows for each question: curves, small multiples, plots, a table, and what follows in words.

Each function takes the present rig (with whatever the page tries on it) and returns a `View`. Every sentence is
made from numbers solved there and then.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from labkit.app.kit.text import change_in_words
from labkit.core.errors import capitalized
from labkit.core.grid import REFERENCE_HZ, frequency_grid
from labkit.core.response import gain_db
from labkit.core.units import format_quantity
from labkit.rig.parts.parts import Pot
from labkit.rig.parts.taper import Taper, parse_taper
from labkit.rig.rig import Rig
from labkit.study.questions.pots import (
    LEVEL_HZ,
    TILT_HZ,
    largest_difference,
    levels_of_turn,
    pots,
    turn,
    turned,
    with_pot_value,
    with_taper,
)
from labkit.view.curve.curve import HIGH_HZ, LOW_HZ, RIG_DB, Curve
from labkit.view.curve.knob_plot import KnobLine, draw_knob_plot
from labkit.view.palette import FAMILY, NOW, PINS, CurveStyle
from labkit.view.words import ZERO, frequency_in_words, level_in_words, read_response

GRID_HZ = frequency_grid(LOW_HZ, HIGH_HZ, 220)
"""Frequencies of the drawn curves."""
VOLUME_FAMILY = (8.0, 6.0, 4.0, 2.0)
TONE_FAMILY = (8.0, 5.0, 3.0, 1.0, 0.0)
POT_VALUES = (250e3, 500e3, 1e6)
TAPERS = ("linear", "audio 10 %", "audio 30 %")
IN_THE_WAY_DB = 0.05
"""A control that moves the curve less than this is not in the signal's way."""
_TURN = np.linspace(0.0, 10.0, 41)


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallCurves:
    """One drawing of curves; ``levels`` is its own level axis, where it shows differences."""

    title: str
    curves: tuple[Curve, ...]
    levels: tuple[float, float] = RIG_DB
    caption: str = ZERO


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """A table: the marked row is the present state."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    marked: int = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What follows from one question about the present rig.

    Attributes
    ----------
    main : SmallCurves
    small : tuple of SmallCurves
        Small multiples.
    plots : tuple of str
        Drawings over the knob's turn, SVG.
    table : Rows
    findings : tuple of str
        The result, one sentence, then what else follows.
    label : str
        What the present rig, A, is called beside the other one.
    other : Rig
        B: what curve, numbers and sound compare with; the second of the main curves.
    other_label : str
    changes : tuple of (control, value), optional
        What of the rig's controls stands elsewhere in the other one, where that is all.
    """

    main: SmallCurves
    table: Rows
    findings: tuple[str, ...]
    label: str
    other: Rig
    other_label: str
    changes: tuple[tuple[str, float], ...] | None = None
    small: tuple[SmallCurves, ...] = ()
    plots: tuple[str, ...] = ()


def curve_of(rig: Rig, label: str, style: CurveStyle, brief: str = "") -> Curve:
    """Return a rig's curve."""
    return Curve(frequency_hz=GRID_HZ, gain_db=gain_db(rig.evaluate(GRID_HZ)), label=label, style=style, brief=brief)


def pair(rig: Rig, label: str, other: Rig, other_label: str) -> list[Curve]:
    """Return the curves of A and B, with their readings."""
    return [
        replace(curve_of(each, f"{letter} {name}", style, brief=letter), reading=read_response(each.response(GRID_HZ)))
        for letter, each, name, style in (("A", rig, label, NOW), ("B", other, other_label, PINS[0]))
    ]


def neighbour(rig: Rig, label: str, style: CurveStyle) -> Curve:
    """Return a curve of a row of values, named on the line."""
    return replace(curve_of(rig, label, style), is_neighbour=True)


def position_view(rig: Rig, pot: Pot, reference: float) -> View:
    """The curve at positions of one knob, all else as it stands; B has it at another position, the reference."""
    control = pot.control.name
    now = float(rig.settings[control])
    name = plain_name(control)
    is_divider = "-" not in pot.nodes
    wanted = VOLUME_FAMILY if is_divider else TONE_FAMILY
    found = turn(rig, control, (10.0, *wanted), GRID_HZ)
    other = turned(rig, [control], reference)
    curves = pair(rig, f"{name} {now:g}", other, f"{name} {reference:g}")
    rest = [(row, at) for row, at in enumerate((10.0, *wanted)) if at not in (now, reference)]
    for (row, at), style in zip(rest, FAMILY):
        curves.append(Curve(frequency_hz=GRID_HZ, gain_db=found[row], label=f"{at:g}", style=style, is_neighbour=True))
    positions = tuple(float(position) for position in range(10, 0, -1))
    level, tilt = levels_of_turn(rig, control, positions)
    rows = tuple(
        (f"{name} {at:g}", change_in_words(float(down)), change_in_words(float(loss)))
        for at, down, loss in zip(positions, level, tilt)
    )
    half = positions.index(5.0)
    if float(np.max(np.abs(level + tilt))) < IN_THE_WAY_DB and float(np.max(np.abs(level))) < IN_THE_WAY_DB:
        said = f"At the present switch position the {name} knob is not in the signal's way: it moves nothing."
    elif is_divider:
        said = (
            f"From 10 to 5 the {name} knob takes {-level[half]:.1f} dB of level at {hertz(LEVEL_HZ)}, and the treble "
            f"at {hertz(TILT_HZ)} {'falls' if tilt[half] < 0 else 'gains'} {abs(tilt[half]):.1f} dB beyond that."
        )
    else:
        last = turn(rig, control, (10.0, 5.0, 0.0), np.array([TILT_HZ]))[:, 0]
        said = (
            f"From 10 to 5 the {name} knob takes {last[0] - last[1]:.1f} dB at {hertz(TILT_HZ)}, from 5 to 0 another "
            f"{last[1] - last[2]:.1f} dB."
        )
    return View(
        main=SmallCurves(title=f"{capitalized(name)} knob, position by position", curves=tuple(curves)),
        table=Rows(
            title=f"Against {name} at 10",
            head=("Knob", f"Level at {hertz(LEVEL_HZ)}", f"Treble at {hertz(TILT_HZ)} beyond that"),
            rows=rows,
            marked=positions.index(now) if now in positions else -1,
        ),
        findings=(said,),
        label=f"{name} {now:g}",
        other=other,
        other_label=f"{name} {reference:g}",
        changes=((control, reference),),
    )


def taper_view(rig: Rig, pot: Pot) -> View:
    """Tapers side by side: share of the track, and the level that arrives."""
    control = pot.control.name
    name, now = plain_name(control), float(rig.settings[control])
    others = [parse_taper(words) for words in TAPERS if parse_taper(words).points != pot.taper.points]
    made = [(taper, style, with_taper(rig, pot.name, taper)) for taper, style in zip(others, (PINS[0], *FAMILY))]
    (compared, _, other), *rest = made
    curves = pair(rig, str(pot.taper), other, str(compared))
    curves += [neighbour(new, str(taper), style) for taper, style, new in rest]
    shares = [KnobLine(position=_TURN, value=_share(pot.taper), label="A")]
    shares += [KnobLine(position=_TURN, value=_share(taper), label=str(taper), style=style) for taper, style, _ in made]
    at = np.array([LEVEL_HZ if "-" not in pot.nodes else TILT_HZ])
    full = float(gain_db(turned(rig, [control], 10.0).evaluate(at))[0])

    def levels(which: Rig) -> np.ndarray:
        found: np.ndarray = turn(which, control, tuple(_TURN), at)[:, 0] - full
        return found

    arriving = [KnobLine(position=_TURN, value=levels(rig), label="A")]
    arriving += [
        KnobLine(position=_TURN, value=levels(new), label=str(taper), style=style) for taper, style, new in made
    ]
    middle = 20  # index of 5 in the turn of 41 steps
    rows = []
    for line, share in zip(arriving, shares):
        values = [
            f"{share.value[middle]:.0f} %",
            *(change_in_words(float(line.value[index])) for index in (32, 20, 8)),
        ]
        rows.append((f"A, {pot.taper}" if line.label == "A" else line.label, *values))
    down = float(arriving[0].value[middle])
    word = f"level at {hertz(at[0])}"
    findings = [
        f"Half way, this {name} pot passes {shares[0].value[middle]:.0f} % of its track: {change_in_words(down)} "
        f"at {hertz(at[0])}; {others[0]} would give {change_in_words(float(arriving[1].value[middle]))}."
    ]
    first = float(arriving[0].value[32])
    if first < -0.5 and down < -0.5:
        findings.append(
            f"The first fifth of the turn down, 10 to 8, takes {-first:.1f} dB; 10 to 5 takes {-down:.1f} dB."
        )
    low = -40.0 if float(min(line.value[4] for line in arriving)) < -25 else -20.0
    plots = (
        draw_knob_plot(
            shares,
            title="Share of the track",
            description=findings[0],
            low=0.0,
            high=100.0,
            step=20.0,
            unit=" %",
            axis=f"{capitalized(name)} knob: share of the track below the wiper",
            mark=now,
        ),
        draw_knob_plot(
            arriving,
            title=capitalized(word),
            description=findings[0],
            low=low,
            high=0.0,
            step=10.0 if low < -30 else 5.0,
            unit="",
            axis=f"{capitalized(name)} knob: {word}, dB against 10",
            mark=now,
        ),
    )
    return View(
        main=SmallCurves(title=f"The {name} knob at {now:g}, by taper", curves=tuple(curves)),
        plots=plots,
        table=Rows(
            title=f"By taper, {word} against {name} at 10",
            head=("Taper", "Track at 5", "At 8", "At 5", "At 2"),
            rows=tuple(rows),
            marked=0,
        ),
        findings=tuple(findings),
        label=str(pot.taper),
        other=other,
        other_label=str(compared),
    )


def one_value(rig: Rig) -> float | None:
    """Return the value that all pots of a rig have, Ω; None where they differ."""
    own = {pot.value for pot in pots(rig)}
    return own.pop() if len(own) == 1 else None


def value_view(rig: Rig, compared: float) -> View:
    """All pots at 250 kΩ, 500 kΩ and 1 MΩ; B has them at the compared value, Ω."""
    present = one_value(rig)
    label = "these pots" if present is None else ohms(present)
    other = with_pot_value(rig, compared)
    curves = pair(rig, label, other, ohms(compared))
    rest = [value for value in POT_VALUES if value not in (present, compared)]
    curves += [neighbour(with_pot_value(rig, value), ohms(value), style) for value, style in zip(rest, FAMILY)]
    everything = {ohms(value): with_pot_value(rig, value) for value in POT_VALUES}
    readings = {name: read_response(new.response(GRID_HZ)) for name, new in everything.items()}
    rows = [
        (
            name,
            "no peak" if reading.peak_hz is None else frequency_in_words(reading.peak_hz),
            "–" if reading.height_db is None else level_in_words(reading.height_db),
            level_in_words(reading.bass_db),
        )
        for name, reading in readings.items()
    ]
    small, large = readings[ohms(POT_VALUES[0])], readings[ohms(POT_VALUES[1])]
    bass = large.bass_db - small.bass_db
    findings = []
    if small.height_db is not None and large.height_db is not None and small.peak_hz and large.peak_hz:
        grows, moves = large.height_db - small.height_db, abs(large.peak_hz / small.peak_hz - 1)
        findings.append(
            f"From {ohms(POT_VALUES[0])} to {ohms(POT_VALUES[1])} the peak grows by {grows:.1f} dB and moves by "
            f"{moves * 100:.0f} %; the bass moves by {abs(bass):.2f} dB."
        )
        if grows > 5 * abs(bass):
            findings.append("Pots damp the resonance: they set its height, they do not drain treble or bass.")
    else:
        rise = largest_difference(everything[ohms(POT_VALUES[0])], everything[ohms(POT_VALUES[1])], GRID_HZ)
        findings.append(
            f"From {ohms(POT_VALUES[0])} to {ohms(POT_VALUES[1])} the curve moves by {rise[0]:.1f} dB at most, at "
            f"{frequency_in_words(rise[1])}; the bass moves by {abs(bass):.2f} dB."
        )
    findings.append("A pot's real value may lie 20 % off what is printed on it (common practice).")
    return View(
        main=SmallCurves(title="All pots of one value", curves=tuple(curves)),
        table=Rows(
            title="All pots of one value",
            head=("Pots", "Peak at", "Peak over the bass", f"Level at {hertz(REFERENCE_HZ)}"),
            rows=tuple(rows),
            marked=POT_VALUES.index(present) if present in POT_VALUES else -1,
        ),
        findings=tuple(findings),
        label=label,
        other=other,
        other_label=ohms(compared),
        changes=tuple((f"{pot.name}.value", compared) for pot in pots(rig)),
    )


def _share(taper: Taper) -> np.ndarray:
    share: np.ndarray = 100.0 * np.asarray(taper(_TURN / 10.0))
    return share


def plain_name(name: str) -> str:
    """Write a name of a sheet as words."""
    return name.replace("_", " ")


def ohms(value: float) -> str:
    """Write a resistance, four digits at most."""
    return format_quantity(float(f"{value:.4g}"), "Ω")


def farads(value: float) -> str:
    """Write a capacitance, four digits at most."""
    return format_quantity(float(f"{value:.4g}"), "F")


def hertz(value: float) -> str:
    """Write a frequency, three digits at most."""
    return format_quantity(float(f"{value:.3g}"), "Hz")
