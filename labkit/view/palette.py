"""Colours, dashes and line widths of every curve and page: the one place that decides them.

A page takes its colours by name (``--paper``, ``--now`` …) from ``tokens.css``, in a light and a dark scheme; tests
hold that file to the two tables here. A drawing is written with the light colours, so that it is whole in a file, on
paper and in a notebook; in a page the style sheet puts the scheme's colour in the place of each.

Curves differ in hue, dash *and* lightness and carry their letter at the end, so that they survive greyscale print. Of
any two, ΔE*ab (CIE 1976) is 16 at least in the light and 20 in the dark scheme, for normal sight and for protanopia,
deuteranopia and tritanopia as simulated by Machado, Oliveira and Fernandes 2009. Contrast is by WCAG 2.2.
"""

from __future__ import annotations

from dataclasses import dataclass

LIGHT = {
    "paper": "#FAF6EE",
    "card": "#FFFDF8",
    "well": "#F1EADC",
    "ink": "#1F1B16",
    "muted": "#5E564C",
    "line": "#DDD5C4",
    "edge": "#7D7466",
    "now": "#9C4A1A",
    "on-now": "#FFFDF8",
    "c2": "#1D4C7E",
    "c3": "#2C7A59",
    "c4": "#1F1B16",
    "warn": "#8C1D18",
    "good": "#2F6F57",
    "focus": "#1D4F91",
    "string": "#E9DDC6",
}
DARK = {
    "paper": "#16130F",
    "card": "#201B15",
    "well": "#2A241C",
    "ink": "#F2EADC",
    "muted": "#B8AC99",
    "line": "#3A3229",
    "edge": "#8E8372",
    "now": "#F0A062",
    "on-now": "#1B1209",
    "c2": "#93C1F7",
    "c3": "#40AC80",
    "c4": "#F2EADC",
    "warn": "#FF9F93",
    "good": "#76CBA6",
    "focus": "#FFD66B",
    "string": "#33291C",
}
"""Page, control, trough; text; grid, borders of controls; A, what stands on it; B, C, D; what does not fit, what does;
the ring of the focus; the strings' own notes."""

PAPER, CARD, WELL, INK, MUTED = (LIGHT[name] for name in ("paper", "card", "well", "ink", "muted"))
COPPER, BLUE, GREEN = (LIGHT[name] for name in ("now", "c2", "c3"))
LINE = LIGHT["line"]
"""Hairlines and grid: decoration, never the only carrier of meaning."""
EDGE = LIGHT["edge"]
"""Borders of controls: at least 3 to 1 on paper, as WCAG 2.2 asks of controls."""
STRING = LIGHT["string"]
WARN = LIGHT["warn"]
"""What does not fit or cannot be: never the only sign."""

SERIF = "'Source Serif 4', 'Source Serif Pro', Georgia, 'Times New Roman', serif"
SANS = "'Source Sans 3', 'Source Sans Pro', 'Segoe UI', 'Noto Sans', sans-serif"


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveStyle:
    """How one curve is drawn.

    Attributes
    ----------
    colour : str
        ``#RRGGBB``.
    dash : tuple of float
        On and off lengths in CSS pixels; empty for a solid line.
    width : float
        Line width in CSS pixels.
    """

    colour: str
    dash: tuple[float, ...] = ()
    width: float = 2.25


NOW = CurveStyle(colour=COPPER, width=2.75)
"""A, the present state, is always the solid copper line."""

PINS = (
    CurveStyle(colour=BLUE, dash=(9, 4)),
    CurveStyle(colour=GREEN, dash=(2.5, 4)),
    CurveStyle(colour=INK, dash=(10, 3, 2, 3)),
)
"""B, C and D, the kept curves; more than these are small multiples."""

SWEEPS = (
    CurveStyle(colour=GREEN, width=2.75),
    CurveStyle(colour=INK, dash=(9, 4)),
    CurveStyle(colour=GREEN, dash=(2.5, 4)),
    CurveStyle(colour=INK, dash=(10, 3, 2, 3)),
)
"""What was measured on the bench, by file: none of it is A or B, which are what is heard."""

FAMILY = tuple(
    CurveStyle(colour=MUTED, dash=dash, width=1.3) for dash in ((), (5, 2.5), (1.5, 2.5), (7, 2.5, 1.5, 2.5), (11, 3))
)
"""Neighbours in a row of values (cables of 1, 3, 5 … metres): one hue, thin, told apart by dash and label."""
