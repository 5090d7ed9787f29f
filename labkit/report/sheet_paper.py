"""Which paper a sheet gives: a rig its customer sheet, a build its winder's sheet, fitted values their record.

`labkit.report.papers` and `labkit.report.change_paper` print; here sheets become what they print.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Literal

import numpy as np

from labkit.bench.diagnose.expected import expected_readings
from labkit.bench.diagnose.faults import dc_of
from labkit.bench.diagnose.readings import Plan
from labkit.bench.fit.fixture import STANDARD_LOAD
from labkit.core.errors import InputError, join_words
from labkit.core.grid import frequency_grid
from labkit.core.response import Response
from labkit.core.sheet import Table
from labkit.core.sourced import Interval
from labkit.pickup.electrical import Coil, Pickup
from labkit.pickup.network import pickup_transfer
from labkit.pickup.predict.bench import planned_field
from labkit.pickup.predict.built import BuiltPickup, read_build
from labkit.pickup.predict.propagation import Prediction, ratio
from labkit.pickup.predict.sheet import is_build_sheet
from labkit.pickup.sheet import read_pickup
from labkit.report.build_paper import NOT_STATED, build_sheet_html
from labkit.report.change_paper import (
    ChangeSheet,
    change_cautions,
    change_sheet_html,
    level_facts,
    load_in_words,
)
from labkit.report.paper_page import (
    AMPLIFIER,
    CUSTOMER_CAUTIONS,
    DEFER,
    PLUG,
    TO_FILL_IN,
    WINDING_CAUTIONS,
    PaperHead,
    bullets,
    grid,
    page,
    quantity,
    remark,
    sensible_bounds,
    titled,
)
from labkit.report.papers import CustomerSheet, customer_sheet_html, resistance_text
from labkit.rig.rig import Rig
from labkit.sound.render.string_drive import LevelChange, level_change
from labkit.view.words import (
    Reading,
    frequency_in_words,
    height_in_words,
    louder_in_words,
    output_number,
    read_response,
    side_in_words,
)

Paper = Literal["customer", "build", "fit"]

USUAL_BOUNDS = "bounds of ±5 % as usual for windings"
"""`labkit.bench.diagnose.readings.Plan`: common practice, no source."""

OUTPUT_ZERO = "0 dB: 8000 turns of AWG 42 around six full alnico 5 rods, strings at 3 mm"

STANDARD_WORDS = "200 kΩ and 470 pF across the pickup: controls and a cable in one box"
"""`labkit.bench.fit.fixture.STANDARD_LOAD` for a customer."""


def papers_of(table: Table) -> tuple[Paper, ...]:
    """Return the papers that a pickup sheet gives, the usual one first: build before customer, customer before fit."""
    return ("build", "customer") if is_build_sheet(table) else ("customer", "fit")


def pickup_paper_html(
    table: Table,
    paper: Paper | None = None,
    *,
    temperature_c: float = 20.0,
    head: PaperHead = TO_FILL_IN,
    predict: Callable[[Table], BuiltPickup] = read_build,
) -> str:
    """Return a paper of a pickup sheet.

    Parameters
    ----------
    table : Table
        Of a build sheet or a sheet of values.
    paper : "customer", "build", "fit" or None
        None takes the usual one: the build sheet of a build, the customer sheet of values.
    temperature_c : float, °C
        Where the pickup will be read.
    head : PaperHead
    predict : callable
        From a build sheet to what it becomes: as predicted, or with a workshop book.

    Raises
    ------
    InputError
        If this sheet gives no such paper.
    """
    given = papers_of(table)
    chosen = paper or given[0]
    if chosen not in given:
        wanted = "a build" if chosen == "build" else "measured or fitted values"
        raise InputError(
            f"{table.where}: a {chosen} paper needs a sheet of {wanted}; this one gives {join_words(list(given), 'or')}"
        )
    if chosen == "build":
        return build_sheet_html(predict(table), shop_temperature_c=temperature_c, head=head)
    source, note = (str(table.raw(key, None) or "") for key in ("source", "note"))
    built = predict(table) if is_build_sheet(table) else None
    pickup = read_pickup(table) if built is None else built.pickup
    if chosen == "fit":
        return values_paper_html(pickup, source=source, note=note, temperature_c=temperature_c, head=head)
    return customer_sheet_html(
        CustomerSheet(
            name=pickup.name,
            response=standard_response(pickup),
            load=STANDARD_WORDS,
            facts=() if pickup.output is None else (_output_fact({"": pickup.output}),),
            resistance=resistance_interval(pickup, built, temperature_c=temperature_c),
            resistance_basis=USUAL_BOUNDS if built is None else "95 of 100 pickups of this build",
            temperature_c=temperature_c,
            head=head,
        )
    )


def standard_response(pickup: Pickup) -> Response:
    """Return a pickup's curve into 200 kΩ and 470 pF, 0 dB at its EMF."""

    def evaluate(frequency_hz: np.ndarray) -> np.ndarray:
        load = STANDARD_LOAD
        admittance = 1 / load.resistance + 2j * np.pi * np.asarray(frequency_hz, dtype=float) * load.capacitance
        return pickup_transfer(pickup, frequency_hz, admittance)

    frequency = frequency_grid()
    return Response(frequency_hz=frequency, values=evaluate(frequency), name=pickup.name, evaluate=evaluate)


def pickup_change_html(before: BuiltPickup, after: BuiltPickup, *, head: PaperHead = TO_FILL_IN) -> str:
    """Return the paper of one pickup in place of another: resistance, inductance, capacitance, peaks, field and output.

    Each change has its own bounds, in which the doubts that both predictions share cancel.

    Parameters
    ----------
    before, after : BuiltPickup
        Predicted from a build, or of stated values (`labkit.pickup.predict.built.load_built`).
    head : PaperHead
    """
    first, second = standard_response(before.pickup), standard_response(after.pickup)
    change = before.change_to(after)
    lines: list[tuple[str, Prediction | None, Prediction | None, Prediction | Interval | None, str]] = [
        (name, old, new, None if old is None or new is None else ratio(new, old), unit)
        for name, old, new, unit in (
            ("DC resistance", before.total.resistance, after.total.resistance, "Ω"),
            ("Inductance", before.total.inductance, after.total.inductance, "H"),
            ("Capacitance", before.total.capacitance, after.total.capacitance, "F"),
            ("Peak, nothing connected", before.resonance, after.resonance, "Hz"),
            ("Peak into the load", before.loaded_resonance, after.loaded_resonance, "Hz"),
            ("Field, probe on the pole", planned_field(before), planned_field(after), "T"),
        )
    ]
    lines.insert(
        5, ("Height of that peak", before.loaded_height_db, after.loaded_height_db, change.loaded_height_db, "dB")
    )
    lines.append(("Output, relative", before.output_db, after.output_db, change.level_db, "dB"))
    sentence = change_in_words(read_response(first), read_response(second))
    if change.level_db is not None:
        side = side_in_words(change.level_db, "higher", "lower")
        size = f"{abs(change.level_db.value):.1f} dB"
        sentence += f" Its output is {size} {side}." if side else " Which of the two has more output is not settled."
    return change_sheet_html(
        ChangeSheet(
            title=f"{after.name} in place of {before.name}",
            sentence=sentence,
            before=first,
            after=second,
            before_label=before.name,
            after_label=after.name,
            before_load=STANDARD_WORDS,
            after_load=STANDARD_WORDS,
            values=tuple(
                (name, _valued(old, unit, before), _valued(new, unit, after), _changed(moved, unit))
                for name, old, new, moved, unit in lines
            ),
            facts=(("Curves", "at equal EMF: what the output changes stands in the table"), ("Output", OUTPUT_ZERO)),
            doubt="bounds hold 95 of 100 such pickups; a change's own bounds leave out the doubts that both share",
            not_modelled="hysteresis and saturation of steel, threads of screws, shielding of the strings by a cover",
            cautions=CUSTOMER_CAUTIONS,
            head=head,
        )
    )


def _valued(value: Prediction | None, unit: str, pickup: BuiltPickup) -> str:
    """A value with its bounds; without any where its sheet states it."""
    if value is None:
        return NOT_STATED if pickup.is_given else "not modelled"
    if unit == "dB":
        return _spread(value.value, value.low, value.high, "dB")
    if value.high <= value.low:
        return f"{quantity(value.value, unit, digits=3)}{', as stated' if unit in 'ΩHF' else ''}"
    return sensible_bounds(Interval(value=value.value, low=value.low, high=value.high), unit)


def _changed(change: Prediction | Interval | None, unit: str) -> str:
    """A change with its bounds: in decibels, or per cent of a ratio."""
    if change is None:
        return "not known"
    ends = (change.value, change.low, change.high)
    value, low, high = ends if unit == "dB" else tuple(100 * (end - 1) for end in ends)
    return _spread(value, low, high, "dB" if unit == "dB" else "%")


def _spread(value: float, low: float, high: float, unit: str) -> str:
    said = [f"{end:+.1f}\u00a0{unit}".replace("-", "−").replace("+0.0", "0.0") for end in (value, low, high)]
    return said[0] if high - low < 0.05 else f"{said[0]} ({said[1]} to {said[2]})"


def values_paper_html(
    pickup: Pickup,
    *,
    source: str = "",
    note: str = "",
    temperature_c: float = 20.0,
    head: PaperHead = TO_FILL_IN,
) -> str:
    """Return the record of a pickup that is given by values: each coil, where they come from, what meters should show.

    Parameters
    ----------
    pickup : Pickup
    source, note : str
        Of its sheet: how it was measured; bounds and warnings.
    temperature_c : float, °C
        Of the coil while it is read.
    """
    rows = []
    for name, coil in pickup.coils.items():
        rows += [(name, *row) for row in _coil_rows(coil)]
    body = [titled("Values", grid(("Coil", "Quantity", "Value"), rows))]
    sentences = [
        part.strip().rstrip(".") for part in note.replace("Warning:", "\nWarning:").splitlines() if part.strip()
    ]
    body.append(bullets("Bounds and warnings", sentences))
    body.append(bullets("Where the values come from", [source] if source else ["the sheet does not say"]))
    expected = [
        (reading.quantity, f"{reading.value:.3g}" if reading.unit == "1" else quantity(reading.value, reading.unit))
        for reading in expected_readings(pickup, temperature_c=temperature_c)
    ]
    body.append(titled("What meters should show of it", grid(("Reading", "Expected"), expected)))
    body.append(
        remark(
            "For one pickup the series and parallel readings differ; compare like with like. A negative inductance "
            "says that the pickup is above its resonance at that frequency."
        )
    )
    body.append(bullets("Cautions", [line for line in WINDING_CAUTIONS if line.startswith(("Insulation", "Local"))]))
    return page(f"Fitted values: {pickup.name}", head, body, is_dense=True)


def rig_paper_html(
    rig: Rig,
    *,
    other: Rig | None = None,
    other_label: str = "",
    label: str = "",
    head: PaperHead = TO_FILL_IN,
) -> str:
    """Return the customer sheet of a rig, or of a change where there is another rig.

    Parameters
    ----------
    rig : Rig
        As it is; the "before" of a change.
    other : Rig, optional
        What it becomes.
    label, other_label : str
        What sets each apart: ``cable length 3 m``; the rigs' names where nothing is said.
    """
    if other is None:
        pickups = [
            (f"Pickup, {slot.replace('_', ' ')}" if len(rig.pickups) > 1 else "Pickup", _pickup_in_words(pickup))
            for slot, pickup in rig.pickups.items()
        ]
        pickups.append(_output_fact(rig.outputs))
        sheet = CustomerSheet(
            name=rig.name,
            response=rig.response(),
            load=load_in_words(rig),
            facts=tuple(pickups),
            cautions=(AMPLIFIER, PLUG, DEFER),
            head=head,
        )
        return customer_sheet_html(sheet)
    before, after = label or rig.name, other_label or other.name
    first, second = rig.response(), other.response()
    level = level_change(rig, other)
    return change_sheet_html(
        ChangeSheet(
            title=f"{rig.name}: before and after",
            sentence=_with_level(change_in_words(read_response(first), read_response(second)), level),
            before=first,
            after=second,
            before_label=before,
            after_label=after,
            before_load=load_in_words(rig),
            after_load=load_in_words(other),
            facts=level_facts(level),
            cautions=change_cautions(rig, other),
            head=head,
        )
    )


def _output_fact(outputs: Mapping[str, Prediction | None]) -> tuple[str, str]:
    number = output_number(outputs)
    return number.label, f"{number.value}, {number.detail}"


def _with_level(sentence: str, change: LevelChange) -> str:
    """Add to the sentence of a change how loud it is."""
    if change.is_silent:
        return sentence
    words = louder_in_words(change.level_db.interval, bounded=False)
    basis = ", at equal EMF" if change.words else ""
    return f"{sentence} It is {'as loud as before' if words == 'as loud' else f'{words} than before'}{basis}."


def change_in_words(before: Reading, after: Reading) -> str:
    """Say in one plain sentence where the peak goes; nothing about what is heard.

    >>> change_in_words(Reading(peak_hz=3500.0, height_db=5.0, minus_3db_hz=6e3, bass_db=-1.0),
    ...                 Reading(peak_hz=2600.0, height_db=4.0, minus_3db_hz=4e3, bass_db=-1.0))
    'The peak moves down, from 3.5 kHz to 2.6 kHz, and is 1.0 dB lower: a clear peak.'
    """
    if after.is_silent or before.is_silent:
        return f"{'After' if after.is_silent else 'Before'} the change nothing reaches the input."
    if before.peak_hz is None and after.peak_hz is None:
        return "Neither curve has a peak: the treble only falls."
    if after.peak_hz is None or after.height_db is None:
        return f"The peak at {frequency_in_words(before.peak_hz or math.nan)} goes: the treble only falls."
    if before.peak_hz is None or before.height_db is None:
        return f"A peak appears at {frequency_in_words(after.peak_hz)}: {height_in_words(after.height_db)}."
    was, now = frequency_in_words(before.peak_hz), frequency_in_words(after.peak_hz)
    place = (
        f"The peak stays at {now}"
        if was == now
        else f"The peak moves {'up' if after.peak_hz > before.peak_hz else 'down'}, from {was} to {now},"
    )
    change = after.height_db - before.height_db
    if abs(change) < 0.05:
        return f"{place} and is as high as before: {height_in_words(after.height_db)}."
    return (
        f"{place} and is {abs(change):.1f} dB {'higher' if change > 0 else 'lower'}: "
        f"{height_in_words(after.height_db)}."
    )


def _coil_rows(coil: Coil) -> list[tuple[str, str]]:
    rows = [
        ("resistance at 20 °C", quantity(coil.resistance, "Ω")),
        ("inductance at low frequencies", quantity(coil.inductance, "H")),
        ("capacitance", quantity(coil.capacitance, "F")),
    ]
    if math.isfinite(coil.loss_resistance):
        rows.append(("parallel loss", quantity(coil.loss_resistance, "Ω")))
    for order, section in enumerate(coil.eddy, start=1):
        rows.append((f"eddy {order}", f"fraction {section.fraction:.3g}, corner {quantity(section.corner_hz, 'Hz')}"))
    return rows


def resistance_interval(pickup: Pickup, built: BuiltPickup | None = None, *, temperature_c: float = 20.0) -> Interval:
    """Return the DC resistance that a meter should read, with bounds: a build's own, else the usual ±5 %."""
    value = dc_of(pickup, temperature_c=temperature_c)
    if built is None:
        return Interval.relative(value, Plan(pickup=pickup).resistance_tolerance)
    total = built.total.resistance
    return Interval(value=value, low=value * total.low / total.value, high=value * total.high / total.value)


def _pickup_in_words(pickup: Pickup) -> str:
    return f"{pickup.name}, {resistance_text(resistance_interval(pickup), f'at 20 °C, {USUAL_BOUNDS}')}"
