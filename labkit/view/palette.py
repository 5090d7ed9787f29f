"""Colours, dashes and line widths of every curve and page: the one place that decides them.

Contrast ratios on the paper colour by the WCAG 2.2 formula (checked in tests): ink 15.9, muted 6.7,
copper 5.7, blue 6.6, green 5.5, violet 5.8. Every curve differs in hue *and* dash, so that it also
survives a greyscale print.
"""

from __future__ import annotations

from dataclasses import dataclass

PAPER = "#FAF6EE"
CARD = "#FFFDF8"
INK = "#1F1B16"
MUTED = "#5E564C"
COPPER = "#9C4A1A"
BLUE = "#2A5B8C"
GREEN = "#2F6F57"
VIOLET = "#6A5A80"
LINE = "#DDD5C4"
"""Hairlines and grid: decoration, never the only carrier of meaning."""
EDGE = "#7D7466"
"""Borders of controls: at least 3 to 1 on paper, as WCAG 2.2 asks of controls."""

WARN = "#8C1D18"
"""What does not fit or cannot be: contrast 8.1 on paper, and never the only sign."""

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
    width: float = 2.2


NOW = CurveStyle(colour=COPPER, width=2.4)
"""The present state is always the solid copper line."""

PINS = (
    CurveStyle(colour=BLUE, dash=(9, 4)),
    CurveStyle(colour=GREEN, dash=(2.5, 3.5)),
    CurveStyle(colour=VIOLET, dash=(9, 3, 2, 3)),
)
"""Up to three kept curves; more than these are small multiples."""

FAMILY = tuple(
    CurveStyle(colour=MUTED, dash=dash, width=1.3) for dash in ((), (5, 2.5), (1.5, 2.5), (7, 2.5, 1.5, 2.5), (11, 3))
)
"""Neighbours in a row of values (cables of 1, 3, 5 … metres): one hue, thin, told apart by dash and label."""
