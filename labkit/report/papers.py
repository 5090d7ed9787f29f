"""Papers of the workshop: build sheet for the winder, test record, customer sheet.

Each is one HTML file that prints on A4 and makes no outside request: text and one drawing, styles inside. Whatever
comes from outside is escaped here, in one place (`_t`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np

from labkit.bench.meter import dc_resistance_at
from labkit.bench.verdicts import Verdict, word_for
from labkit.core.errors import InputError
from labkit.core.response import Response, gain_db
from labkit.core.sourced import Interval
from labkit.core.units import format_quantity
from labkit.view.curve import Curve, draw_curves
from labkit.view.palette import COPPER, INK, LINE, MUTED, PAPER, SANS, SERIF
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

    ``load`` says in words what the curve was taken with; ``sentence`` overrides the sentence made from the curve.
    """

    name: str
    response: Response
    load: str
    resistance: float
    temperature_c: float = 20.0
    sentence: str = ""
    advice: tuple[str, ...] = ()
    uncertainty: str = "Peak frequency ±6 %, height ±1.5 dB."
    date: str = ""
    number: str = ""


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
            ("Turns", f"{coil.turns:,}".replace(",", "\u202f")),
            ("Direction, seen from the top", coil.wound),
            ("Traverse", _length(coil.traverse)),
            ("Advance per turn", _length(coil.pitch)),
            ("Turns per layer", f"{coil.turns_per_layer:.0f}"),
            (
                f"Target resistance at {sheet.shop_temperature_c:.0f} °C",
                f"{_quantity(target[0], 'Ω')} ({_quantity(target[1], 'Ω')} to {_quantity(target[2], 'Ω')})",
            ),
            ("The same at 20 °C", _quantity(coil.resistance_20.value, "Ω")),
        ]
        if coil.inductance is not None:
            rows.append(("Inductance at 1 kHz, series", _bounds(coil.inductance, "H")))
        if coil.build_up is not None:
            room = f" of {_length(coil.flange)}" if coil.flange is not None else ""
            rows.append(("Winding depth", f"{_length(coil.build_up)}{room}"))
        body.append(f"<h2>Coil {_t(coil.name)}</h2>{_table(rows)}")
    body.append(
        '<p class="note">Read the coil cold: 10 K of warmth adds 3.9 %. Resistance right and inductance off means '
        "wrong turns or core; the other way round means the wire.</p>"
    )
    if sheet.fields:
        head = ("Pole", "Facing the strings", "Field", "Gap, pole to probe")
        rows_field = [
            (target.pole, target.facing, _bounds(target.value, "T"), _length(target.gap)) for target in sheet.fields
        ]
        body.append(f"<h2>Field</h2>{_grid(head, rows_field)}")
        body.append('<p class="note">Read the reference piece first, with the same gap.</p>')
    body.append(_list("Checks", sheet.checks, boxes=True))
    body.append(_list("Notes", sheet.notes))
    body.append(_list("Cautions", WINDING_CAUTIONS))
    body.append(_signature(("Wound by", "Date", "Turns on the counter", "Resistance", "Temperature")))
    return _page(f"Build sheet: {sheet.name}", sheet.number, sheet.date, "".join(body))


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
            _quantity(line.low, line.unit),
            _quantity(line.high, line.unit),
            _quantity(line.reading, line.unit),
            _mark(line.passes),
        )
        for line in record.lines
    ]
    rows += [(name, "", "", "", "yes" if passed else "no", _mark(passed)) for name, passed in record.yes_no]
    word = "Passed" if record.passes else "Not passed"
    body = [f'<p class="verdict">{word}</p>', _grid(head, rows)]
    if record.verdict is not None and record.verdict.findings:
        body.append("<h2>Findings</h2>")
        for finding in record.verdict.findings:
            size = f" ({_t(finding.size)})" if finding.size else ""
            evidence = "".join(f"<li>{_t(sentence)}</li>" for sentence in finding.evidence)
            rivals = f"<p>Also explained by: {_t(', '.join(finding.rivals))}.</p>" if finding.rivals else ""
            body.append(
                f"<h3>{_t(word_for(finding.confidence).capitalize())}: {_t(finding.cause)}{size}</h3>"
                f"<ul>{evidence}</ul>{rivals}<p>To settle it: {_t(finding.check)}.</p>"
            )
    body.append(_list("Notes", record.notes))
    body.append(_signature(("Tested by", "Date", "Meter and its calibration")))
    return _page(f"Test record: {record.name}", record.number, record.date or "", "".join(body), by=record.tester)


def customer_sheet_html(sheet: CustomerSheet) -> str:
    """Return the sheet for the customer: curve with its load stated, plain sentence, numbers, cautions."""
    reading = read_response(sheet.response)
    sentence = sheet.sentence or _plain_sentence(sheet.response)
    frequency = np.geomspace(50.0, 20_000.0, 400)
    low, high = sheet.response.frequency_hz[0], sheet.response.frequency_hz[-1]
    if sheet.response.evaluate is None:
        frequency = frequency[(frequency >= low) & (frequency <= high)]
    level = gain_db(sheet.response.at(frequency)) - reading.bass_db
    drawing = draw_curves(
        [Curve(frequency_hz=frequency, gain_db=level, label=sheet.name, brief="this pickup")],
        title=f"Curve of {sheet.name}",
        description=sentence,
        width=700,
        height=320,
    )
    rows = [(f"DC resistance at {sheet.temperature_c:.0f} °C", _quantity(sheet.resistance, "Ω"))]
    if reading.peak_hz is not None and reading.height_db is not None:
        rows.append(("Peak", f"{frequency_in_words(reading.peak_hz)}, {reading.height_db:.1f} dB above the bass"))
    if reading.treble_end_hz is not None:
        rows.append(("Treble ends at (−3 dB)", frequency_in_words(reading.treble_end_hz)))
    rows += [("Taken with", sheet.load), ("Doubt", sheet.uncertainty)]
    body = [
        f'<p class="lead">{_t(sentence)}</p>',
        f"<figure>{drawing}<figcaption>Zero is the level at 100 Hz. Load: {_t(sheet.load)}.</figcaption></figure>",
        _table(rows),
        '<p class="note">Resistance is not loudness: it says how much wire there is, not how strong the magnet is. '
        "Whether a difference to another pickup is heard, only a blind test at equal level can tell.</p>",
        _list("In your instrument", sheet.advice),
        _list("Cautions", CUSTOMER_CAUTIONS),
    ]
    return _page(sheet.name, sheet.number, sheet.date, "".join(body))


def _plain_sentence(response: Response) -> str:
    reading = read_response(response)
    if reading.peak_hz is None or reading.height_db is None:
        return "With this load the curve has no peak: the treble falls away evenly."
    return (
        f"With this load it has {height_in_words(reading.height_db)} at {frequency_in_words(reading.peak_hz)}; "
        "a longer cable moves that peak down, larger control pots raise it."
    )


def _t(text: str) -> str:
    """Escape whatever comes from outside."""
    return escape(text, quote=True)


def _quantity(value: float, unit: str) -> str:
    if unit == "dB":
        return f"{value:.1f} dB".replace("-", "−")
    if not np.isfinite(value):
        return "no limit" if value > 0 else "none"
    return format_quantity(value, unit, digits=4).replace(" ", "\u00a0")


def _bounds(interval: Interval, unit: str) -> str:
    return f"{_quantity(interval.value, unit)} ({_quantity(interval.low, unit)} to {_quantity(interval.high, unit)})"


def _length(value: float | None) -> str:
    if value is None:
        return ""
    millimetres = value * 1e3
    return f"{millimetres:.4f} mm" if millimetres < 0.5 else f"{millimetres:.2f} mm"


def _mark(passed: bool) -> str:
    return "✓ pass" if passed else "✗ fail"


def _table(rows: Sequence[tuple[str, str]]) -> str:
    lines = (f'<tr><th scope="row">{_t(name)}</th><td>{_t(value)}</td></tr>' for name, value in rows)
    return f"<table>{''.join(lines)}</table>"


def _grid(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    top = "".join(f'<th scope="col">{_t(name)}</th>' for name in head)
    lines = "".join("<tr>" + "".join(f"<td>{_t(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<table><thead><tr>{top}</tr></thead><tbody>{lines}</tbody></table>"


def _list(title: str, entries: Sequence[str], *, boxes: bool = False) -> str:
    if not entries:
        return ""
    kind = ' class="boxes"' if boxes else ""
    return f"<h2>{_t(title)}</h2><ul{kind}>" + "".join(f"<li>{_t(entry)}</li>" for entry in entries) + "</ul>"


def _signature(fields: Sequence[str]) -> str:
    return '<div class="sign">' + "".join(f"<span>{_t(name)}</span>" for name in fields) + "</div>"


_STYLE = f"""
@page {{ size: A4; margin: 16mm; }}
body {{ background: {PAPER}; color: {INK}; font-family: {SANS}; font-size: 11pt; line-height: 1.4;
  font-variant-numeric: tabular-nums; margin: 0 auto; max-width: 178mm; padding: 8mm; }}
h1, h2, h3, .lead, .verdict {{ font-family: {SERIF}; font-weight: 600; }}
h1 {{ font-size: 20pt; margin: 0; }} h2 {{ font-size: 13pt; margin: 6mm 0 2mm; }}
h3 {{ font-size: 11pt; margin: 4mm 0 1mm; }}
header {{ border-bottom: 2px solid {COPPER}; padding-bottom: 2mm; margin-bottom: 4mm; }}
header p, .note, figcaption {{ color: {MUTED}; margin: 1mm 0 0; }}
.lead, .verdict {{ font-size: 14pt; }}
table {{ border-collapse: collapse; width: 100%; }}
th, td {{ text-align: left; padding: 1.2mm 3mm 1.2mm 0; border-bottom: 1px solid {LINE}; vertical-align: top; }}
th[scope=row] {{ font-weight: 400; color: {MUTED}; width: 45%; }}
figure {{ margin: 2mm 0 4mm; }} figure svg {{ max-width: 100%; height: auto; }}
ul {{ margin: 0; padding-left: 5mm; }} ul.boxes {{ list-style: "☐  "; }}
.sign {{ display: flex; flex-wrap: wrap; gap: 6mm; margin-top: 12mm; }}
.sign span {{ flex: 1 1 40mm; border-top: 1px solid {INK}; padding-top: 1mm; color: {MUTED}; }}
tr, figure, li, h2, h3 {{ break-inside: avoid; }} h2, h3 {{ break-after: avoid; }}
@media print {{ body {{ background: none; padding: 0; max-width: none; }} }}
"""


def _page(title: str, number: str, date: str, body: str, *, by: str = "") -> str:
    line = " · ".join(part for part in (f"No. {number}" if number else "", date, by) if part)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<title>{_t(title)}</title><link rel="icon" href="data:,"><style>{_STYLE}</style></head><body>'
        f"<header><h1>{_t(title)}</h1><p>{_t(line)}</p></header><main>{body}</main></body></html>\n"
    )
