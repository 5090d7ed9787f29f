"""Papers of the workshop: build sheet for the winder, test record, customer sheet.

Each is one HTML file that prints on A4 and makes no outside request: text and one drawing, styles inside. Whatever
comes from outside is escaped here, in one place (`paper_page.text`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labkit.bench.diagnose.verdicts import Verdict, word_for
from labkit.core.response import Response, gain_db
from labkit.core.sourced import Interval
from labkit.report.paper_page import (
    CUSTOMER_CAUTIONS,
    TO_FILL_IN,
    PaperHead,
    bullets,
    curves_figure,
    end_label,
    grid,
    lead,
    mark,
    page,
    quantity,
    remark,
    sensible_bounds,
    signature,
    table,
    text,
)
from labkit.view.curve.curve import Curve
from labkit.view.words import Reading, frequency_in_words, height_in_words, read_response


@dataclass(frozen=True, slots=True, kw_only=True)
class CustomerSheet:
    """What goes into the box: the curve in a stated load, numbers, and plain words.

    ``load`` says in words what the curve was taken with; ``resistance`` is that of the pickup by itself, with what its
    bounds rest on in ``resistance_basis``; None for a whole rig, whose pickups stand in ``facts``. ``cautions`` are
    those that apply.
    """

    name: str
    response: Response
    load: str
    resistance: Interval | None = None
    resistance_basis: str = ""
    facts: tuple[tuple[str, str], ...] = ()
    temperature_c: float = 20.0
    cautions: tuple[str, ...] = CUSTOMER_CAUTIONS
    head: PaperHead = TO_FILL_IN


def bench_record_html(
    verdict: Verdict, *, tester: str = "", head: PaperHead = TO_FILL_IN, notes: tuple[str, ...] = ()
) -> str:
    """Return the test record: every reading with its bounds, pass or fail, and the findings where it failed."""
    outcomes = [line.low <= line.reading <= line.high for line in verdict.lines]
    rows = [
        (
            line.quantity,
            f"plan: {verdict.plan}",
            *(quantity(value, line.unit) for value in (line.low, line.high, line.reading)),
            mark(passes),
        )
        for line, passes in zip(verdict.lines, outcomes)
    ]
    word = "Passed" if verdict.passes and all(outcomes) else "Not passed"
    body = [f'<p class="verdict">{word}</p>', grid(("Quantity", "Condition", "From", "To", "Reading", ""), rows)]
    if verdict.findings:
        body.append("<h2>Findings</h2>")
    for finding in verdict.findings:
        size = f" ({text(finding.size)})" if finding.size else ""
        evidence = "".join(f"<li>{text(sentence)}</li>" for sentence in finding.evidence)
        rivals = f"<p>Also explained by: {text(', '.join(finding.rivals))}.</p>" if finding.rivals else ""
        body.append(
            f"<h3>{text(word_for(finding.confidence).capitalize())}: {text(finding.cause)}{size}</h3>"
            f"<ul>{evidence}</ul>{rivals}<p>To settle it: {text(finding.check)}.</p>"
        )
    body.append(bullets("Notes", notes))
    body.append(signature(("Tested by", "Date", "Meter and its calibration")))
    return page(f"Test record: {verdict.readings}", head, body, by=tester)


def customer_sheet_html(sheet: CustomerSheet) -> str:
    """Return the sheet for the customer: curve with its load stated, plain sentence, numbers, cautions."""
    reading = read_response(sheet.response)
    sentence = _plain_sentence(reading)
    frequency = np.geomspace(50.0, 20_000.0, 400)
    low, high = sheet.response.frequency_hz[0], sheet.response.frequency_hz[-1]
    if sheet.response.evaluate is None:
        frequency = frequency[(frequency >= low) & (frequency <= high)]
    level = gain_db(sheet.response.at(frequency)) - (0.0 if reading.is_silent else reading.bass_db)
    drawing = curves_figure(
        [Curve(frequency_hz=frequency, gain_db=level, label=end_label(sheet.name, "this one"), reading=reading)],
        title=f"Curve of {sheet.name}",
        description=sentence,
        height=320,
        caption=f"Zero is the level at 100 Hz. Load: {sheet.load}.",
    )
    rows = list(sheet.facts)
    if sheet.resistance is not None:
        rows.append(
            (
                f"DC resistance at {sheet.temperature_c:.0f} °C",
                resistance_text(sheet.resistance, sheet.resistance_basis),
            )
        )
    if reading.is_silent:
        rows.append(("Output", "silent"))
    if reading.peak_hz is not None and reading.height_db is not None:
        rows.append(("Peak", f"{frequency_in_words(reading.peak_hz)}, {reading.height_db:.1f} dB above the bass"))
    if reading.minus_3db_hz is not None:
        rows.append(("−3 dB point", frequency_in_words(reading.minus_3db_hz)))
    rows += [("Taken with", sheet.load), ("Doubt", "Peak frequency ±6 %, height ±1.5 dB (95 of 100 cases).")]
    body = [
        lead(sentence),
        drawing,
        table(rows),
        remark(
            "Resistance is not loudness: it says how much wire there is, not how strong the magnet is. Whether a "
            "difference to another pickup is heard, only a blind test at equal level can tell."
        ),
        bullets("Cautions", sheet.cautions),
    ]
    return page(sheet.name, sheet.head, body)


def resistance_text(resistance: Interval, basis: str) -> str:
    """Write a resistance with its bounds and what they rest on."""
    return f"{sensible_bounds(resistance, 'Ω')}{f', {basis}' if basis else ''}"


def _plain_sentence(reading: Reading) -> str:
    if reading.peak_hz is None or reading.height_db is None:
        return "With this load the curve has no peak: the treble falls away evenly."
    return (
        f"With this load it has {height_in_words(reading.height_db)} at {frequency_in_words(reading.peak_hz)}; "
        "a longer cable moves that peak down, larger control pots raise it."
    )
