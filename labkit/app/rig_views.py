"""The circuit of a rig as a page shows it: drawn, as a formula with its numbers, as a netlist. Imported lazily inside.

The libraries behind these take up to a second and a half to load, so nothing is imported before somebody looks.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from labkit.rig.rig import Rig

if TYPE_CHECKING:
    from labkit.circuit.formula import Formula

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


def short_formula(rig: Rig) -> Formula:
    """Return the transfer of a rig as a formula that can be read.

    Every part is a symbol where that stays short; otherwise only the few outside the pickups that move the
    peak most, and numbers stand for the rest (its statements say so).
    """
    from labkit.circuit.formula import formula

    full = formula(rig.circuit, method="ring")
    if len(full.rational.numerator) + len(full.rational.denominator) <= SHORT_TERMS:
        return full
    moving = sorted(full.sensitivities(), key=lambda entry: -abs(entry.peak_frequency or entry.resonance or 0.0))
    kept = [entry.part for entry in moving if entry.part.partition(".")[0] not in rig.pickups][:_KEPT]
    return formula(rig.circuit, kept, method="ring") if kept else full


def formula_html(rig: Rig) -> str:
    """Return the formula with the rig's numbers as preformatted text."""
    from labkit.circuit.formula_text import formula_text

    return f'<pre class="lab-formula">{escape(formula_text(short_formula(rig)))}</pre>'


def netlist(rig: Rig) -> str:
    """Return the circuit as a SPICE deck."""
    from labkit.circuit.spice import spice_deck

    return spice_deck(rig.circuit)
