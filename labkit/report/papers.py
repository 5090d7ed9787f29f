"""Papers of the workshop: build sheet for the winder, test record, customer sheet.

Each is one HTML file that prints on A4 and makes no outside request: text and one drawing, styles inside. Whatever
comes from outside is escaped here, in one place (`paper_page.text`).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from labkit.bench.meter import dc_resistance_at
from labkit.bench.verdicts import Verdict, word_for
from labkit.core.errors import InputError
from labkit.core.response import Response, gain_db
from labkit.core.sourced import Interval
from labkit.pickup.build import BuiltPickup
from labkit.pickup.field import SENSOR_DEPTH
from labkit.pickup.propagation import Prediction
from labkit.report.paper_page import bounds, bullets, grid, length, mark, page, quantity, signature, table, text
from labkit.view.curve import Curve, draw_curves
from labkit.view.words import frequency_in_words, height_in_words, read_response

_DEFER = "Local codes, product data sheets and licensed practice come before this list."

WINDING_CAUTIONS = (
    "The winder entangles hair, sleeves and gloves; a breaking wire can reach an eye: wear glasses.",
    "Solder with fume extraction, never on a magnet; wash hands after leaded solder.",
    "Wax only in a double boiler with a thermostat, never unattended; lacquer and solvents are flammable, ventilate.",
    "Magnetisers store lethal energy and throw parts: trained persons only; keep pacemakers and cards away.",
    "Insulation: low-voltage ohmmeter only; an insulation tester can destroy the coil.",
    _DEFER,
)
"""Common practice, no source."""

CUSTOMER_CAUTIONS = (
    "Fitting needs soldering: let a technician do it if in doubt.",
    "An amplifier holds high voltage after it is unplugged: leave its inside to licensed service, and never lift its "
    "safety earth. If anything tingles, stop and have it serviced.",
    "Start quiet when trying a new pickup.",
    "Keep strong magnets away from pacemakers, cards and from this pickup: they change its charge.",
    _DEFER,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldTarget:
    """A field that the finished pickup should show: pole, facing, value and bounds (T), gap from pole to probe (m)."""

    pole: str
    facing: str
    value: Interval
    gap: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilInstruction:
    """What the winder does for one coil.

    Attributes
    ----------
    name, wire : str
    turns : int
    turns_per_layer : float
    traverse : float, m
        Travel of the guide: winding height less a wire at each flange.
    pitch : float, m
        Advance per turn; the winder's setting.
    wound : str
        Sense from start to finish, seen from the top.
    resistance_20 : Interval, Ω
        At 20 °C.
    inductance : Interval or None, H
    build_up, flange : float or None, m
        Depth of the winding, and how much the flange takes.
    spool_length : Interval or None, m
        Wire taken off the spool, without what the winder wastes.
    copper_mass : float or None, kg
        Of that wire; its film comes on top.
    """

    name: str
    wire: str
    turns: int
    turns_per_layer: float
    traverse: float
    pitch: float
    wound: str
    resistance_20: Interval
    inductance: Interval | None = None
    build_up: float | None = None
    flange: float | None = None
    spool_length: Interval | None = None
    copper_mass: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildSheet:
    """Everything on the winder's sheet; ``shop_temperature_c`` is where the target resistance is read."""

    name: str
    coils: tuple[CoilInstruction, ...]
    shop_temperature_c: float = 20.0
    fields: tuple[FieldTarget, ...] = ()
    checks: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    date: str = ""
    number: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordLine:
    """One line of a test record: what was measured, its unit, the bounds it had to keep, and the reading."""

    quantity: str
    unit: str
    low: float
    high: float
    reading: float
    condition: str = ""

    @property
    def passes(self) -> bool:
        """Whether the reading lies within the bounds."""
        return self.low <= self.reading <= self.high


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchRecord:
    """A finished pickup against its plan."""

    name: str
    lines: tuple[RecordLine, ...]
    yes_no: tuple[tuple[str, bool], ...] = ()
    verdict: Verdict | None = None
    tester: str = ""
    date: str = ""
    number: str = ""
    notes: tuple[str, ...] = field(default=())

    @property
    def passes(self) -> bool:
        """Whether every line and every yes/no test passed, and the verdict (where there is one) found nothing."""
        judged = self.verdict is None or self.verdict.passes
        return judged and all(line.passes for line in self.lines) and all(passed for _, passed in self.yes_no)


@dataclass(frozen=True, slots=True, kw_only=True)
class CustomerSheet:
    """What goes into the box: the curve in a stated load, numbers, and plain words.

    ``load`` says in words what the curve was taken with; ``sentence`` overrides the sentence made from the curve;
    ``resistance`` is that of the pickup by itself, None for a whole rig, whose pickups stand in ``facts``.
    """

    name: str
    response: Response
    load: str
    resistance: float | None = None
    facts: tuple[tuple[str, str], ...] = ()
    temperature_c: float = 20.0
    sentence: str = ""
    advice: tuple[str, ...] = ()
    uncertainty: str = "Peak frequency ±6 %, height ±1.5 dB."
    date: str = ""
    number: str = ""


def build_sheet_of(
    built: BuiltPickup, *, shop_temperature_c: float = 20.0, probe_gap: float = 0.0, number: str = "", date: str = ""
) -> BuildSheet:
    """Return the winder's sheet of a predicted build.

    Parameters
    ----------
    built : BuiltPickup
    shop_temperature_c : float, °C
        Where the target resistance will be read.
    probe_gap : float, m
        From the pole to the tip of the field probe.

    Raises
    ------
    InputError
        If a coil is given by its values, so that there is nothing to wind.
    """
    coils = []
    for name, made in built.build.coils:
        if made.winding is None:
            raise InputError(f"coil '{name}' of '{built.name}' is given by its values; there is nothing to wind")
        winding, values = made.winding, built.coils[name]
        warm = dc_resistance_at(resistance_at_20=1.0, temperature_c=built.build.temperature_c)
        room = None if winding.flange_radius is None else winding.flange_radius - winding.end_radius
        in_coil = values.wire_length
        coils.append(
            CoilInstruction(
                name=name,
                wire=winding.wire.name,
                turns=round(winding.turns),
                turns_per_layer=winding.turns_per_layer,
                traverse=winding.winding_height - winding.wire.overall_nominal,
                pitch=winding.wire.overall_nominal,
                wound=made.wound or "not stated",
                resistance_20=_scaled(values.resistance, 1 / warm),
                inductance=_scaled(values.inductance, 1.0),
                build_up=winding.build_up,
                flange=room,
                spool_length=None if in_coil is None else _scaled(in_coil, winding.spool_length / winding.wire_length),
                copper_mass=winding.copper_mass,
            )
        )
    fields = []
    if built.field_t:
        distance = probe_gap + SENSOR_DEPTH
        low, value, high = (
            float(np.interp(distance, built.field_at, [getattr(entry, bound) for entry in built.field_t]))
            for bound in ("low", "value", "high")
        )
        facing = {made.facing for _, made in built.build.coils if made.facing}
        fields.append(
            FieldTarget(
                pole="mean of the row",
                facing=facing.pop() if len(facing) == 1 else "as planned for each coil",
                value=Interval(value=value, low=low, high=high),
                gap=probe_gap,
            )
        )
    return BuildSheet(
        name=built.name,
        coils=tuple(coils),
        shop_temperature_c=shop_temperature_c,
        fields=tuple(fields),
        checks=(
            "coil to poles and cover: open on a low-voltage ohmmeter",
            "pole facing the strings: compass",
            "first swing with steel at the pole: positive at hot",
        ),
        notes=(
            *built.warnings,
            f"field read with the Hall element {SENSOR_DEPTH * 1e3:g} mm behind the probe's tip",
        )
        if fields
        else built.warnings,
        number=number,
        date=date,
    )


def _count(value: float) -> str:
    return f"{value:,.0f}".replace(",", "\u202f")


def _scaled(prediction: Prediction, factor: float) -> Interval:
    return Interval(value=prediction.value * factor, low=prediction.low * factor, high=prediction.high * factor)


def build_sheet_html(sheet: BuildSheet) -> str:
    """Return the winder's sheet: turns, traverse, target resistance at shop temperature, field targets, cautions.

    Raises
    ------
    InputError
        If it has no coil.
    """
    if not sheet.coils:
        raise InputError(f"the build sheet '{sheet.name}' needs at least one coil")
    body = []
    for coil in sheet.coils:
        target = [
            dc_resistance_at(resistance_at_20=bound, temperature_c=sheet.shop_temperature_c)
            for bound in (coil.resistance_20.value, coil.resistance_20.low, coil.resistance_20.high)
        ]
        rows = [
            ("Wire", coil.wire),
            ("Turns", _count(coil.turns)),
            ("Direction, seen from the top", coil.wound),
            ("Traverse", length(coil.traverse)),
            ("Advance per turn", length(coil.pitch)),
            ("Turns per layer", f"{coil.turns_per_layer:.0f}"),
            (
                f"Target resistance at {sheet.shop_temperature_c:.0f} °C",
                f"{quantity(target[0], 'Ω')} ({quantity(target[1], 'Ω')} to {quantity(target[2], 'Ω')})",
            ),
            ("The same at 20 °C", quantity(coil.resistance_20.value, "Ω")),
        ]
        if coil.inductance is not None:
            rows.append(("Inductance at 1 kHz, series", bounds(coil.inductance, "H")))
        if coil.build_up is not None:
            room = f" of {length(coil.flange)}" if coil.flange is not None else ""
            rows.append(("Winding depth", f"{length(coil.build_up)}{room}"))
        if coil.spool_length is not None:
            mass = f"; {coil.copper_mass * 1e3:.0f} g of copper" if coil.copper_mass is not None else ""
            spool = coil.spool_length
            metres = f"{_count(spool.value)} m ({_count(spool.low)} m to {_count(spool.high)} m)"
            rows.append(("Wire off the spool", f"{metres}{mass}"))
        body.append(f"<h2>Coil {text(coil.name)}</h2>{table(rows)}")
    body.append(
        '<p class="note">Read the coil cold: 10 K of warmth adds 3.9 %. Resistance right and inductance off means '
        "wrong turns or core; the other way round means the wire.</p>"
    )
    if sheet.fields:
        head = ("Pole", "Facing the strings", "Field", "Gap, pole to probe")
        rows_field = [
            (target.pole, target.facing, bounds(target.value, "T"), length(target.gap)) for target in sheet.fields
        ]
        body.append(f"<h2>Field</h2>{grid(head, rows_field)}")
        body.append('<p class="note">Read the reference piece first, with the same gap.</p>')
    body.append(bullets("Checks", sheet.checks, boxes=True))
    body.append(bullets("Notes", sheet.notes))
    body.append(bullets("Cautions", WINDING_CAUTIONS))
    body.append(signature(("Wound by", "Date", "Turns on the counter", "Resistance", "Temperature")))
    return page(f"Build sheet: {sheet.name}", sheet.number, sheet.date, "".join(body))


def record_from_verdict(
    verdict: Verdict, *, tester: str = "", date: str = "", number: str = "", notes: tuple[str, ...] = ()
) -> BenchRecord:
    """Return the test record of a diagnosis: every reading with the bounds that the plan allows it."""
    return BenchRecord(
        name=verdict.readings,
        lines=tuple(
            RecordLine(
                quantity=line.quantity,
                unit=line.unit,
                low=line.low,
                high=line.high,
                reading=line.reading,
                condition=f"plan: {verdict.plan}",
            )
            for line in verdict.lines
        ),
        verdict=verdict,
        tester=tester,
        date=date,
        number=number,
        notes=notes,
    )


def bench_record_html(record: BenchRecord) -> str:
    """Return the test record: every reading with its bounds, pass or fail, and the findings where it failed."""
    head = ("Quantity", "Condition", "From", "To", "Reading", "")
    rows = [
        (
            line.quantity,
            line.condition,
            quantity(line.low, line.unit),
            quantity(line.high, line.unit),
            quantity(line.reading, line.unit),
            mark(line.passes),
        )
        for line in record.lines
    ]
    rows += [(name, "", "", "", "yes" if passed else "no", mark(passed)) for name, passed in record.yes_no]
    word = "Passed" if record.passes else "Not passed"
    body = [f'<p class="verdict">{word}</p>', grid(head, rows)]
    if record.verdict is not None and record.verdict.findings:
        body.append("<h2>Findings</h2>")
        for finding in record.verdict.findings:
            size = f" ({text(finding.size)})" if finding.size else ""
            evidence = "".join(f"<li>{text(sentence)}</li>" for sentence in finding.evidence)
            rivals = f"<p>Also explained by: {text(', '.join(finding.rivals))}.</p>" if finding.rivals else ""
            body.append(
                f"<h3>{text(word_for(finding.confidence).capitalize())}: {text(finding.cause)}{size}</h3>"
                f"<ul>{evidence}</ul>{rivals}<p>To settle it: {text(finding.check)}.</p>"
            )
    body.append(bullets("Notes", record.notes))
    body.append(signature(("Tested by", "Date", "Meter and its calibration")))
    return page(f"Test record: {record.name}", record.number, record.date or "", "".join(body), by=record.tester)


def customer_sheet_html(sheet: CustomerSheet) -> str:
    """Return the sheet for the customer: curve with its load stated, plain sentence, numbers, cautions."""
    reading = read_response(sheet.response)
    sentence = sheet.sentence or _plain_sentence(sheet.response)
    frequency = np.geomspace(50.0, 20_000.0, 400)
    low, high = sheet.response.frequency_hz[0], sheet.response.frequency_hz[-1]
    if sheet.response.evaluate is None:
        frequency = frequency[(frequency >= low) & (frequency <= high)]
    level = gain_db(sheet.response.at(frequency)) - (0.0 if reading.is_silent else reading.bass_db)
    drawing = draw_curves(
        [Curve(frequency_hz=frequency, gain_db=level, label=sheet.name, brief="this one")],
        title=f"Curve of {sheet.name}",
        description=sentence,
        width=700,
        height=320,
    )
    rows = list(sheet.facts)
    if sheet.resistance is not None:
        rows.append((f"DC resistance at {sheet.temperature_c:.0f} °C", quantity(sheet.resistance, "Ω")))
    if reading.is_silent:
        rows.append(("Output", "silent"))
    if reading.peak_hz is not None and reading.height_db is not None:
        rows.append(("Peak", f"{frequency_in_words(reading.peak_hz)}, {reading.height_db:.1f} dB above the bass"))
    if reading.treble_end_hz is not None:
        rows.append(("Treble ends at (−3 dB)", frequency_in_words(reading.treble_end_hz)))
    rows += [("Taken with", sheet.load), ("Doubt", sheet.uncertainty)]
    body = [
        f'<p class="lead">{text(sentence)}</p>',
        f"<figure>{drawing}<figcaption>Zero is the level at 100 Hz. Load: {text(sheet.load)}.</figcaption></figure>",
        table(rows),
        '<p class="note">Resistance is not loudness: it says how much wire there is, not how strong the magnet is. '
        "Whether a difference to another pickup is heard, only a blind test at equal level can tell.</p>",
        bullets("In your instrument", sheet.advice),
        bullets("Cautions", CUSTOMER_CAUTIONS),
    ]
    return page(sheet.name, sheet.number, sheet.date, "".join(body))


def _plain_sentence(response: Response) -> str:
    reading = read_response(response)
    if reading.peak_hz is None or reading.height_db is None:
        return "With this load the curve has no peak: the treble falls away evenly."
    return (
        f"With this load it has {height_in_words(reading.height_db)} at {frequency_in_words(reading.peak_hz)}; "
        "a longer cable moves that peak down, larger control pots raise it."
    )
