"""The circuit of a rig as a page shows it: drawn, as a formula with its numbers, as a netlist. Imported lazily inside.

The libraries behind these take up to a second and a half to load, so nothing is imported before it is needed.
"""

from __future__ import annotations

import itertools
from html import escape
from typing import TYPE_CHECKING

from labkit.app.kit.text import table_html
from labkit.core.errors import capitalized
from labkit.rig.hum import POSITION_HEAD, position_row, position_table
from labkit.rig.rig import Rig

if TYPE_CHECKING:
    from labkit.circuit.formula.formula import Formula

SHORT_TERMS = 40
"""Terms of numerator and denominator up to which a page shows every part as a symbol."""

_KEPT = 3
"""Parts outside the pickups that stay symbols in a longer formula: more than these nobody reads off a page."""


def schematic_svg(rig: Rig) -> str:
    """Return the circuit of a rig at its settings, SVG."""
    from labkit.view.schematic import draw, to_svg
    from labkit.view.schematic.from_rig import drawing_of

    return to_svg(draw(drawing_of(rig)))


def schematic_html(rig: Rig) -> str:
    """Return the drawing with a line on what it shows."""
    drawn = schematic_svg(rig)
    return f'{drawn[drawn.index("<svg") :]}<p class="lab-note">The circuit as it stands now, with every value.</p>'


def position_html(rig: Rig) -> str:
    """Return one line on what the present position does: heard, phase, hum, level."""
    heard, phase, hum, level = position_row(rig)
    if heard == "nothing":
        return ""
    phase = "" if phase == "one alone" else f", {phase}"
    text = f"Heard: {heard}{phase}. Hum: {hum}. Level at 400 Hz: {level}, every pickup given the same EMF."
    return f'<p class="lab-note">{escape(text)}</p>'


def positions_html(rig: Rig) -> str:
    """Return what every position of the switches does, as a table; the present one is marked."""
    rows = position_table(rig)
    chosen = [str(rig.settings[selector.name]) for selector in rig.harness.selectors]
    places = list(itertools.product(*[selector.positions for selector in rig.harness.selectors]))
    head = tuple(map(capitalized, POSITION_HEAD))
    table = table_html("What each position of the switches does", head, rows, marked=places.index(tuple(chosen)))
    return (
        f'{table}<p class="lab-note">Knobs as they stand; every pickup given the same EMF. Hum of a uniform field is '
        "against the strongest coil alone; where strings induce unequal voltages, a pair out of phase cancels less.</p>"
    )


def noise_line_html(rig: Rig) -> str:
    """Return one line on the noise at the input."""
    from labkit.rig.noise import NOISE_DOUBT_DB, rig_noise

    words = rig_noise(rig, with_note=False).words
    text = f"Noise at the input, 20 Hz to 20 kHz, ±{NOISE_DOUBT_DB:g} dB: {words}."
    return f'<p class="lab-note">{escape(text)}</p>'


def noise_html(rig: Rig) -> str:
    """Return the noise at the input by parts, and what it is against: a played note and a mains field."""
    from labkit.rig.noise import NOISE_NOT_MODELLED, rig_noise, volts_in_words

    noise = rig_noise(rig)
    rows = [
        (part.part, volts_in_words(part.rms), f"{100 * part.share:.0f} %", volts_in_words(part.weighted))
        for part in noise.parts
    ]
    rows.append(("together", volts_in_words(noise.rms), "100 %", volts_in_words(noise.weighted)))
    table = table_html("Noise at the input by parts", ("Part", "By itself", "Of the power", "A-weighted"), rows)
    said = [
        f"{noise.signal_words}; {noise.hum_words}",
        f"the note: {noise.signal.words}" if noise.signal else "",
        f"not in the noise: {NOISE_NOT_MODELLED}",
    ]
    text = " ".join(f"{capitalized(sentence)}." for sentence in said if sentence)
    return f'{table}<p class="lab-note">{escape(text)}</p>'


def short_formula(rig: Rig) -> Formula:
    """Return the transfer of a rig as a formula that can be read.

    Every part is a symbol where that stays short; otherwise only the few outside the pickups that move the
    peak most, and numbers stand for the rest (its statements say so).
    """
    from labkit.circuit.formula.formula import formula

    full = formula(rig.circuit, method="ring")
    if len(full.rational.numerator) + len(full.rational.denominator) <= SHORT_TERMS:
        return full
    moving = sorted(full.sensitivities(), key=lambda entry: -abs(entry.peak_frequency or entry.resonance or 0.0))
    kept = [entry.part for entry in moving if entry.part.partition(".")[0] not in rig.pickups][:_KEPT]
    return formula(rig.circuit, kept, method="ring") if kept else full


def formula_html(rig: Rig) -> str:
    """Return the closed forms with their errors, and the whole formula folded away, as preformatted text."""
    from labkit.circuit.formula.summary import summary
    from labkit.circuit.formula.text import formula_text

    first, whole = escape(summary(rig.circuit).text()), escape(formula_text(short_formula(rig)))
    folded = f'<details><summary>The whole H(s)</summary><pre class="lab-formula">{whole}</pre></details>'
    return f'<pre class="lab-formula">{first}</pre>{folded}'


def netlist(rig: Rig) -> str:
    """Return the circuit as a SPICE deck."""
    from labkit.circuit.spice.deck import spice_deck

    return spice_deck(rig.circuit)
