"""The contrast of two colours, by the formula of WCAG 2.2."""

from __future__ import annotations

from labkit.view.palette import PAPER


def contrast(colour: str, background: str = PAPER) -> float:
    """Return the contrast ratio of two colours, 1 to 21.

    Equation: (L₁ + 0.05) / (L₂ + 0.05) with the relative luminances of WCAG 2.2.

    >>> round(contrast("#000000", "#FFFFFF"))
    21
    """
    lighter, darker = sorted((_luminance(colour), _luminance(background)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: str) -> float:
    parts = [int(colour[index : index + 2], 16) / 255 for index in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
