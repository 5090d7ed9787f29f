"""Widths of text, measured before anything is placed, and the breaking of labels into lines."""

from __future__ import annotations

from functools import lru_cache

from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

FONT_SIZE = 12.0
SMALL_SIZE = 9.5
LINE_PITCH = 14.5
SMALL_PITCH = 11.5
SAFETY = 1.12
"""Reserve for the font that the reader's machine substitutes: DejaVu Sans is already among the widest."""
LONGEST_LINE = 118.0
"""Width in drawing units beyond which a label is broken at a blank."""


@lru_cache(maxsize=4096)
def text_width(text: str, size: float = FONT_SIZE) -> float:
    """Return the room to reserve for one line of text, in drawing units (one unit is one CSS pixel)."""
    if not text.strip():
        return 0.0
    outline = TextPath((0, 0), text.replace("$", r"\$"), size=size, prop=FontProperties(family="DejaVu Sans"))
    return float(outline.get_extents().x1) * SAFETY


def broken(lines: tuple[str, ...], longest: float = LONGEST_LINE) -> tuple[str, ...]:
    """Break lines wider than ``longest`` at blanks; a no-break blank holds a number and its unit together."""
    result: list[str] = []
    for line in lines:
        result.extend(_break_line(line, longest))
    return tuple(result)


def _break_line(line: str, longest: float) -> list[str]:
    words = [word for word in line.split(" ") if word]
    if not words:
        return []
    rows = [words[0]]
    for word in words[1:]:
        if text_width(f"{rows[-1]} {word}") <= longest:
            rows[-1] = f"{rows[-1]} {word}"
        else:
            rows.append(word)
    return rows
