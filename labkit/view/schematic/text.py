"""Widths of text, measured before anything is placed, and the breaking of labels into lines."""

from __future__ import annotations

import math
from functools import lru_cache

from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextToPath

FONT_SIZE = 12.0
SMALL_SIZE = 9.5
LINE_PITCH = 14.5
ASCENT, DESCENT = 10.0, 3.0
"""Room of a line above and below its baseline at `FONT_SIZE`."""
SMALL_ASCENT, SMALL_DESCENT = 8.0, 2.5
SAFETY = 1.12
"""Reserve for the font that the reader's machine substitutes: DejaVu Sans is already among the widest."""
_MEASURED_SIZE = 100.0
LONGEST_LINE = 118.0
"""Width in drawing units beyond which a label is broken at a blank."""


@lru_cache(maxsize=4096)
def text_width(text: str, size: float = FONT_SIZE, *, is_bold: bool = False) -> float:
    """Return the room to reserve for one line of text, in whole drawing units (one unit is one CSS pixel).

    Whole units keep every coordinate of a layout a multiple of 1/8, so that sums are exact and equal points are equal.
    """
    if not text.strip():
        return 0.0
    width, _, _ = TextToPath().get_text_width_height_descent(text, _font(is_bold), ismath=False)
    return float(math.ceil(width * size / _MEASURED_SIZE * SAFETY))


@lru_cache(maxsize=2)
def _font(is_bold: bool) -> FontProperties:
    return FontProperties(family="DejaVu Sans", size=_MEASURED_SIZE, weight="bold" if is_bold else "normal")


def broken(lines: tuple[str, ...], longest: float = LONGEST_LINE, *, is_bold: bool = False) -> tuple[str, ...]:
    """Break lines wider than ``longest`` at blanks; a no-break blank holds a number and its unit together."""
    result: list[str] = []
    for line in lines:
        result.extend(_break_line(line, longest, is_bold))
    return tuple(result)


def _break_line(line: str, longest: float, is_bold: bool) -> list[str]:
    words = [word for word in line.split(" ") if word]
    if not words:
        return []
    rows = [words[0]]
    for word in words[1:]:
        if text_width(f"{rows[-1]} {word}", is_bold=is_bold) <= longest:
            rows[-1] = f"{rows[-1]} {word}"
        else:
            rows.append(word)
    return rows
