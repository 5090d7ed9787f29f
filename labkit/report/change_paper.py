"""Customer sheet for a change: one curve before, one after, the load of both, a plain sentence, cautions.

For the counter: another cable, a buffer, other pots, another capacitor. One HTML file that prints on A4.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labkit.core.response import Response, gain_db
from labkit.core.units import format_quantity
from labkit.report.paper_page import (
    AMPLIFIER,
    BENCH_CAUTIONS,
    DEFER,
    PLUG,
    SOLDER,
    TO_FILL_IN,
    PaperHead,
    bullets,
    curves_figure,
    end_label,
    grid,
    lead,
    page,
    remark,
    table,
)
from labkit.rig.chain.chain import Cable, Input
from labkit.rig.chain.stages import BufferBox, BypassBox
from labkit.rig.parts.parts import FixedCapacitor, Knob, Pot
from labkit.rig.rig import Rig
from labkit.sound.render.string_drive import LevelChange
from labkit.view.curve.curve import HIGH_HZ, LOW_HZ, Curve
from labkit.view.palette import NOW, PINS
from labkit.view.words import ZERO, Reading, frequency_in_words, level_in_words, louder_in_words, read_response

DOUBT = "Peak frequency ±6 %, peak height ±1.5 dB (95 of 100 cases), the same way in both curves."
"""Of a loaded resonance whose load is known; the pickup's own doubt moves both curves together."""

NOT_MODELLED = (
    "a cable's own resistance and inductance (under 0.05 dB up to 30 m), handling noise, hum, and what amplifier and "
    "loudspeaker do after the input"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeSheet:
    """What the customer takes home.

    Attributes
    ----------
    title : str
        ``Cable, 10 m instead of 3 m``.
    sentence : str
        The result in one plain sentence.
    before, after : Response
    before_label, after_label : str
        What each curve is called at its end.
    before_load, after_load : str
        The load of each in words.
    facts : tuple of (name, value)
        More lines of the table.
    values : tuple of (name, before, after, change)
        Lines in place of what is read off the curves.
    advice : tuple of str
    not_modelled : str
    cautions : tuple of str
        Those that apply; see `change_cautions`.
    doubt : str
    head : PaperHead
    """

    title: str
    sentence: str
    before: Response
    after: Response
    before_label: str
    after_label: str
    before_load: str
    after_load: str
    facts: tuple[tuple[str, str], ...] = ()
    values: tuple[tuple[str, str, str, str], ...] = ()
    advice: tuple[str, ...] = ()
    not_modelled: str = NOT_MODELLED
    cautions: tuple[str, ...] = BENCH_CAUTIONS
    doubt: str = DOUBT
    head: PaperHead = TO_FILL_IN


def change_sheet_html(sheet: ChangeSheet) -> str:
    """Return the sheet as one HTML page that asks for nothing outside itself."""
    frequency = np.geomspace(LOW_HZ, HIGH_HZ, 400)
    pairs = (
        (sheet.after, f"A {end_label(sheet.after_label, 'after')}", NOW),
        (sheet.before, f"B {end_label(sheet.before_label, 'before')}", PINS[0]),
    )
    drawing = curves_figure(
        [
            Curve(
                frequency_hz=frequency,
                gain_db=gain_db(response.at(frequency)),
                label=label,
                style=style,
                reading=read_response(response),
            )
            for response, label, style in pairs
        ],
        title=f"{sheet.before_label} and {sheet.after_label}",
        description=sheet.sentence,
        height=250,
        caption=ZERO,
    )
    before, after = read_response(sheet.before), read_response(sheet.after)
    head = ["", f"Before: {sheet.before_label}", f"After: {sheet.after_label}"]
    rows: list[tuple[str, ...]] = [
        (name, value(before), value(after))
        for name, value in (("Peak at", _peak), ("Peak over the bass", _height), ("−3 dB point", _end))
    ]
    if sheet.values:
        head, rows = [*head, "Change"], list(sheet.values)
    loads = [load.split("; ") for load in (sheet.before_load, sheet.after_load)]
    shared = [part for part in loads[0] if part in loads[1]]
    own = ["; ".join(part for part in load if part not in shared) or "the same" for load in loads]
    if own[0] != own[1]:
        rows.append(("Load", *own, *(("",) if sheet.values else ())))
    facts = [*sheet.facts, *([("Load of both", "; ".join(shared))] if shared else [])]
    body = [
        lead(sheet.sentence),
        drawing,
        grid(head, rows),
        table((*facts, ("Doubt", sheet.doubt), ("Not modelled", sheet.not_modelled))),
        remark(
            "A curve is not a judgement. Whether the difference is heard, only a blind test at equal loudness can "
            "tell; ask for one at the counter."
        ),
        bullets("Worth knowing", sheet.advice),
        bullets("Cautions", sheet.cautions),
    ]
    return page(sheet.title, sheet.head, body, is_dense=bool(sheet.values))


def change_cautions(before: Rig, after: Rig) -> tuple[str, ...]:
    """Return the cautions that a change calls for: no solder for a cable, no plugging for a pot."""
    is_inside = before.harness.parts != after.harness.parts or before.pickups != after.pickups
    return (
        *((SOLDER,) if is_inside else ()),
        AMPLIFIER,
        *((PLUG,) if before.chain != after.chain else ()),
        DEFER,
    )


def level_facts(change: LevelChange) -> tuple[tuple[str, str], ...]:
    """Return the line of a paper's table that says how loud the rig is after the change."""
    if change.is_silent:
        return (("Level after the change", "not comparable: nothing of one of them reaches the input"),)
    said = louder_in_words(change.level_db.interval)
    return (("Level after the change", f"{said}, {change.words}" if change.words else said),)


def load_in_words(rig: Rig) -> str:
    """Say what a rig's curve was taken with: knobs, switches, pots and capacitors, cable, input."""
    parts: list[str] = []
    for control in rig.harness.controls:
        position = rig.settings[control.name]
        name = control.name.replace("_", " ")
        parts.append(f"{name} at {position:g}" if isinstance(control, Knob) else f"{name}: {position}")
    for part in rig.harness.parts.values():
        if isinstance(part, Pot):
            parts.append(f"{part.name.replace('_', ' ')} pot {format_quantity(part.value, 'Ω')}")
        elif isinstance(part, FixedCapacitor):
            parts.append(f"{part.name.replace('_', ' ')} {format_quantity(part.value, 'F')}")
    for stage in rig.chain:
        if isinstance(stage, Cable):
            per_metre = f"{stage.capacitance_per_length * 1e12:.3g} pF/m"
            total = format_quantity(float(f"{stage.capacitance:.3g}"), "F")
            parts.append(f"cable {stage.length:g} m at {per_metre} ({total})")
        elif isinstance(stage, Input):
            load = f"input {format_quantity(stage.resistance, 'Ω')}"
            parts.append(f"{load} and {format_quantity(stage.capacitance, 'F')}" if stage.capacitance else load)
        elif isinstance(stage, BufferBox):
            parts.append(f"buffer with {format_quantity(stage.stage.input_resistance, 'Ω')} at its input")
        elif isinstance(stage, BypassBox):
            parts.append(f"{format_quantity(float(f'{stage.capacitance:.3g}'), 'F')} more to ground")
        else:
            parts.append(stage.name)
    return "; ".join(parts)


def _peak(reading: Reading) -> str:
    return "no peak" if reading.peak_hz is None else frequency_in_words(reading.peak_hz)


def _height(reading: Reading) -> str:
    return "none" if reading.height_db is None else f"{level_in_words(reading.height_db)} above the bass"


def _end(reading: Reading) -> str:
    return "above 20 kHz" if reading.minus_3db_hz is None else frequency_in_words(reading.minus_3db_hz)
