"""What the measure page says: values with bounds, verdict and findings, as key numbers, tables and lists."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape

import numpy as np

from labkit.app.kit.text import table_html
from labkit.bench.diagnose.verdicts import Verdict, word_for
from labkit.bench.fit.fit import Fit
from labkit.core.sourced import Interval
from labkit.core.units import format_quantity
from labkit.view.words import KeyNumber

ZERO_OF_FIT = (
    "Points are measured, lines are fitted. Zero is the fitted level at 100 Hz; an exciter's rise is taken out. The "
    "band holds what the fit predicts under another load in 95 of 100 cases."
)
SWEEP_CAUTIONS = (
    "Measure with the pickup disconnected from the instrument, at some ten millivolts, away from transformers.",
    "Never connect a measuring set to an amplifier's speaker output or to anything on the mains that is open.",
)
GOOD_FILES = (
    ("Impedance", "Frequency (Hz),Impedance (ohm),Phase (deg)\n60,5969,8.7\n66.1,5984,9.6\n72.9,6002,10.5"),
    ("Exciter coil or resistor", "Frequency (Hz),Level (dB)\n60,35.3\n66.1,36.1\n72.9,37.0"),
    (
        "Inductance meter, a row for each frequency",
        "Frequency (Hz),Ls (H),Rs (ohm)\n100,2.396,5901\n120,2.397,5902\n150,2.397,5903",
    ),
)
"""What a file should begin with, by what was measured."""

_GOOD_FILE = (
    ("Columns", "one row of headings that name quantity and unit", "bare numbers: it is asked what they are"),
    ("Points", "60 to 500 from 60 Hz to 20 kHz, evenly on a logarithmic axis", "fewer than 8, or none near the peak"),
    ("Numbers", "2.402 or 2,402; the same in the whole file", "both kinds, or marks between thousands"),
    ("Several pickups", "a file each", "one file with a column each"),
    ("Loads", "a file each, of the same pickup", "readings of two loads in one column"),
    ("Kind", "CSV, TSV, XLSX, Touchstone; WAV or FLAC under A sound interface", "a picture of the curve, a PDF"),
)

GOOD_FILES_HTML = (
    "<details><summary>What a good file looks like</summary>"
    + "".join(f"<p>{escape(title)}</p><pre>{escape(text)}\n…</pre>" for title, text in GOOD_FILES)
    + table_html("A good file and a bad one", ("", "Good", "Not good"), _GOOD_FILE)
    + "</details>"
)

READING_CAUTIONS = (
    "Insulation: low-voltage ohmmeter only; an insulation tester can destroy an old coil.",
    "Resistance: unsolder one lead, or state the pot it is read through; let the coil reach the room's temperature.",
    "Magnetisers hold lethal energy and throw parts: trained persons only, no pacemakers, no cards near.",
    "Local codes, product data sheets and licensed practice come before this list.",
)
"""Common practice, no source."""

REMAKE_WORDS = (
    "The plan's bobbin with its own wire and its neighbours in gauge: could the pickup on the bench be one of these, "
    "by all its readings together, and would its curve be the same into 200 kΩ and 470 pF? A fit of your own sweeps "
    "counts too."
)

METER_WORDS = (
    "What it shows of its reference pieces, with its name and the day: kept as a sheet it serves every pickup, "
    "here and in <code>labkit diagnose --field-meter</code>. Read the pieces anew when probe or stand was changed."
)

STEEL_WORDS = (
    "What these strings say of their steel, as a sheet. Any build with such strings takes it by its key "
    "<code>string_steel</code>; levels, takes and comparisons then rest on it."
)

NOT_IN_FIT = (
    "One coil with its eddy currents. Not modelled: a second resonance, unequal coils, hysteresis of steel, losses of "
    "the insulation."
)


def quantity(value: float, unit: str) -> str:
    """Write a quantity with three digits."""
    return format_quantity(float(f"{value:.3g}"), unit)


def bounds(interval: Interval, unit: str) -> str:
    """Write the bounds of an interval."""
    return f"{quantity(interval.low, unit)} to {quantity(interval.high, unit)}"


def fit_numbers(fit: Fit) -> tuple[KeyNumber, ...]:
    """Return the three key numbers of a fit, each with its 95 % bounds."""
    return tuple(
        KeyNumber(label=label, value=quantity(interval.value, unit), detail=bounds(interval, unit))
        for label, interval, unit in (
            ("Resistance", fit.resistance, "Ω"),
            ("Inductance", fit.inductance, "H"),
            ("Capacitance", fit.capacitance, "F"),
        )
    )


def waiting_numbers() -> tuple[KeyNumber, ...]:
    """Return the key numbers while there is no fit."""
    return tuple(
        KeyNumber(label=label, value="–", detail="no fit yet") for label in ("Resistance", "Inductance", "Capacitance")
    )


def fit_sentence(fit: Fit) -> str:
    """Say what the fitted pickup does in a usual load, and how well the fit holds."""
    held = f"The fit leaves {fit.residual_db:.2f} dB (root mean square)."
    return held if fit.prediction is None else f"{fit.prediction.sentence} {held}"


def fit_html(fit: Fit) -> str:
    """Return the losses of a fit, what leans on what, warnings and provenance."""
    rows = []
    for order, section in enumerate(fit.eddy, start=1):
        part = section.fraction
        name = f"Eddy currents{f' {order}' if len(fit.eddy) > 1 else ''}"
        rows.append(
            (f"{name}, share of L", f"{100 * part.value:.1f} %", f"{100 * part.low:.1f} to {100 * part.high:.1f} %")
        )
        rows.append((f"{name}, from", quantity(section.corner_hz.value, "Hz"), bounds(section.corner_hz, "Hz")))
    if fit.rig_corner_hz is not None:
        rows.append(("Exciter rig's corner", quantity(fit.rig_corner_hz.value, "Hz"), bounds(fit.rig_corner_hz, "Hz")))
    strong = [
        f"{_named(first)} and {_named(second)} are this sharp only together (correlation {abs(value):.2f})"
        for (first, second), value in fit.correlations.items()
        if abs(value) > 0.9
    ]
    return (
        (table_html("Eddy currents", ("Value", "Best", "Bounds (95 of 100)"), rows) if rows else "")
        + listed("Note", [*fit.warnings, *fit.doubts, *strong])
        + listed("How it was taken", fit.provenance)
    )


def residual_words(fit: Fit) -> str:
    """Say the residuals in words."""
    parts = [
        f"{rest.name}: {np.sqrt(np.mean(rest.level_db**2)):.2f} dB rms, largest {np.max(np.abs(rest.level_db)):.2f} dB"
        for rest in fit.residuals
    ]
    return "Measured minus fitted. " + "; ".join(parts) + "."


def verdict_numbers(verdict: Verdict) -> tuple[KeyNumber, ...]:
    """Return verdict, likeliest cause and charge."""
    found = verdict.findings
    first = (
        KeyNumber(label="Against the plan", value="Within it", detail="every reading lies within its bounds")
        if verdict.passes
        else KeyNumber(
            label="Against the plan",
            value="Not within it",
            detail=f"{len(found)} causes explain it" if len(found) > 1 else "",
        )
    )
    cause = (
        KeyNumber(
            label=f"{word_for(found[0].confidence).capitalize()} cause",
            value=found[0].cause,
            detail=f"{found[0].confidence:.0%} of what explains it",
        )
        if found
        else KeyNumber(label="Cause", value="None", detail="nothing to explain")
    )
    if not verdict.charges:
        return (
            first,
            cause,
            KeyNumber(label="Charge of the magnets", value="–", detail="no reading, or magnet not known"),
        )
    charges = [charge.charge for charge in verdict.charges]
    mean = 100 * float(np.mean([charge.value for charge in charges]))
    low, high = 100 * min(charge.low for charge in charges), 100 * max(charge.high for charge in charges)
    return (
        first,
        cause,
        KeyNumber(
            label="Charge of the magnets", value=f"{mean:.0f} %", detail=f"of saturation, {low:.0f} to {high:.0f} %"
        ),
    )


def verdict_sentence(verdict: Verdict) -> str:
    """Say in one sentence whether a pickup is what it should be, and the likeliest cause."""
    if verdict.passes:
        return "Within the plan: every reading lies within its bounds."
    if not verdict.findings:
        return "Not within the plan, and no known cause explains it."
    first = verdict.findings[0]
    share = f"{first.confidence:.0%} of what explains it"
    return f"Not within the plan; {word_for(first.confidence)}: {first.cause} ({share})."


def verdict_html(verdict: Verdict) -> str:
    """Return readings with their bounds, findings with evidence and the check that would settle each, and charges."""

    def shown(value: float, unit: str) -> str:
        return (
            f"{value:.3g}{'' if unit in ('1', '') else f' {unit}'}"
            if unit in ("1", "", "dB", "°")
            else quantity(value, unit)
        )

    rows = [
        (
            line.quantity,
            shown(line.reading, line.unit),
            f"{shown(line.low, line.unit)} to {shown(line.high, line.unit)}",
            "within" if line.low <= line.reading <= line.high else "outside",
        )
        for line in verdict.lines
    ]
    parts = []
    for finding in verdict.findings:
        size = f" ({finding.size.replace('-', '−')})" if finding.size else ""
        note = f'<p class="lab-note">{escape(finding.note)}</p>' if finding.note else ""
        rivals = (
            f'<p class="lab-note">Also explained by: {escape(", ".join(finding.rivals))}.</p>' if finding.rivals else ""
        )
        parts.append(
            f"<h3>{escape(word_for(finding.confidence).capitalize())} ({finding.confidence:.0%}): "
            f"{escape(finding.cause)}{escape(size)}</h3>{note}{_list(finding.evidence)}{rivals}"
            f"<p><strong>To settle it:</strong> {escape(finding.check)}.</p>"
        )
    table = (
        table_html("Readings and what the plan allows", ("Reading", "Read", "Plan allows", ""), rows) if rows else ""
    )
    charges = [line for charge in verdict.charges for line in (charge.sentence, *charge.warnings)]
    return table + "".join(parts) + listed("Charge check", charges)


def _named(unknown: str) -> str:
    """Count eddy sections from one, as people do."""
    return re.sub(r"\d+", lambda found: str(int(found[0]) + 1), unknown)


def listed(title: str, lines: Sequence[str]) -> str:
    """Return a titled list; nothing where it is empty."""
    return f"<h2>{escape(title)}</h2>{_list(lines)}" if lines else ""


def _list(lines: Sequence[str]) -> str:
    return '<ul class="lab-list">' + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>"
