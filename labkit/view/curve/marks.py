"""What is read off a curve, drawn on it, and the difference of two curves in a strip beneath.

On the first curve: its peak (frequency, nearest note, height over the bass), where it falls away (3 dB under the bass),
the doubt of its level. The second has a ring at its peak. Where the first falls 3 dB behind the second, level apart, a
bracket between the two says from where on it is dull.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from labkit.core.grid import REFERENCE_HZ
from labkit.view import svg
from labkit.view.palette import COPPER, EDGE, INK, LINE, MUTED, PAPER, WELL
from labkit.view.words import frequency_in_words, level_in_words, nearest_note

if TYPE_CHECKING:
    from labkit.view.curve.curve import Curve, Frame

DULL_DB = 3.0
LEVEL_HZ = 60.0
"""Where the doubt of a level is drawn: below the strings, where curves are flat."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelDifference:
    """One curve minus another.

    Attributes
    ----------
    frequency_hz, level_db : ndarray, shape (F,), Hz and dB
    names : tuple of str
        Letters of both.
    dull_db : float
        So far behind is called dull, dB.
    """

    frequency_hz: np.ndarray
    level_db: np.ndarray
    names: tuple[str, str]
    dull_db: float = DULL_DB

    @property
    def dull_hz(self) -> float | None:
        """Lowest frequency from 500 Hz up from which the first is `dull_db` behind for an octave at least; or None.

        The difference at 100 Hz is taken out: a level is no loss of treble.
        """
        bass = float(np.interp(np.log(REFERENCE_HZ), np.log(self.frequency_hz), self.level_db))
        is_behind = self.level_db <= bass - self.dull_db
        for start in np.flatnonzero(is_behind & (self.frequency_hz >= 500)):
            frequency = float(self.frequency_hz[start])
            if is_behind[start : int(np.searchsorted(self.frequency_hz, 2 * frequency))].all():
                return self._crossing(int(start), bass - self.dull_db)
        return None

    def _crossing(self, at: int, level_db: float) -> float:
        """Where the difference falls through a level before a point, over the logarithm of frequency."""
        if at == 0 or self.level_db[at - 1] <= level_db:
            return float(self.frequency_hz[at])
        before, here = self.level_db[at - 1 : at + 1]
        low, high = np.log(self.frequency_hz[at - 1 : at + 1])
        return float(np.exp(low + (before - level_db) / (before - here) * (high - low)))

    @property
    def louder(self) -> tuple[float, float, float] | None:
        """Where the first is more than 1 dB louder: from and to, Hz, and by how much at most, dB; or None."""
        louder = np.flatnonzero(self.level_db > 1.0)
        if not louder.size:
            return None
        ends = self.frequency_hz[louder[[0, -1]]]
        return float(ends[0]), float(ends[1]), float(self.level_db.max())

    @property
    def words(self) -> str:
        """The strip in words."""
        most, least = int(np.argmax(self.level_db)), int(np.argmin(self.level_db))
        return f"{self.names[0]} minus {self.names[1]}: " + ", ".join(
            f"{name} {_signed(float(self.level_db[at]))} at {frequency_in_words(float(self.frequency_hz[at]))}"
            for name, at in (("most", most), ("least", least))
        )


def level_difference(first: Curve, second: Curve, *, dull_db: float = DULL_DB) -> LevelDifference:
    """Return the first curve minus the second, on the first one's frequencies."""
    other = second.gain_db
    if second.frequency_hz is not first.frequency_hz:
        other = np.interp(np.log(first.frequency_hz), np.log(second.frequency_hz), other)
    return LevelDifference(
        frequency_hz=first.frequency_hz,
        level_db=np.clip(first.gain_db - other, -300.0, 300.0),
        names=(first.label[:1], second.label[:1]),
        dull_db=dull_db,
    )


def draw_marks(frame: Frame, curves: Sequence[Curve], dull_hz: float | None = None) -> list[str]:
    """Return the marks of the first curve with their words, clear of the foot of `draw_dull`; the second's ring."""
    if not curves:
        return []
    first, others = curves[0], [curve for curve in curves[1:2] if curve.reading is not None]
    rings, parts = [], []
    for curve in others:
        if curve.reading is not None and curve.reading.peak_hz is not None:
            rings.append(_place(frame, curve, curve.reading.peak_hz))
            parts.append(_ring(frame, *rings[-1], 4, curve.style.colour))
    if first.doubt_db >= 0.05:
        parts += _level_bar(frame, first)
    if first.reading is None or first.reading.is_silent:
        return parts
    if first.reading.minus_3db_hz is not None:
        x, y = _place(frame, first, first.reading.minus_3db_hz)
        if _is_inside(frame, x, y):
            parts.append(svg.line(x, y - 8, x, y + 8, first.style.colour, stroke_width=2))
            words = f"−3 dB at {frequency_in_words(first.reading.minus_3db_hz)}"
            foot = x if dull_hz is None else float(frame.x(dull_hz))
            is_crossed = x - 8 - 6.4 * len(words) < foot < x
            where = _below(frame, first, first.reading.minus_3db_hz)
            parts.append(_words((foot if is_crossed else x) - 8, where, words, "end"))
    if first.reading.peak_hz is not None and first.reading.height_db is not None:
        x, y = _place(frame, first, first.reading.peak_hz)
        words = " · ".join(
            (
                f"peak {frequency_in_words(first.reading.peak_hz)}",
                nearest_note(first.reading.peak_hz),
                _signed(first.reading.height_db),
            )
        )
        half = 3.2 * len(words)
        middle = min(max(x, frame.left + half + 4), frame.right - half)
        near = [down for across, down in rings if abs(across - middle) < half + 8]
        parts.append(_ring(frame, x, y, 5, first.style.colour))
        if x <= frame.right and y <= frame.bottom:
            parts.append(_words(middle, max(min(y, *near, y) - 13, frame.top + 12), words, "middle"))
    return parts


def draw_dull(frame: Frame, curves: Sequence[Curve], difference: LevelDifference) -> list[str]:
    """Return the bracket from the second curve to the first where that falls behind, with a dotted foot."""
    dull = difference.dull_hz
    if dull is None or not frame.low_hz < dull < frame.high_hz:
        return []
    x = float(frame.x(dull))
    one, other = (min(max(float(frame.y(curve.level_at(dull))), frame.top), frame.bottom) for curve in curves[:2])
    stroke = {"stroke_width": 2.0}
    parts = [svg.line(x, one, x, other, INK, **stroke)]
    parts += [svg.line(x - 4, y, x + 4, y, INK, **stroke) for y in (one, other)]
    parts.append(svg.line(x, max(one, other), x, frame.bottom, INK, stroke_dasharray="2 4"))
    if frame.right - frame.left >= 250:  # CSS pixels; under the curves, and over the names that stand in a small plot
        place = frame.bottom - (34 if frame.is_compact else 8)
        falls = None if curves[0].reading is None else curves[0].reading.minus_3db_hz
        if falls is not None and abs(place - (below := _below(frame, curves[0], falls))) < 15:
            place = below + 16 if below + 16 < frame.bottom - 2 else below - 16
        parts.append(_words(x - 8, place, f"dull from {frequency_in_words(dull)}", "end", font_weight="600"))
    return parts


def shade_outside(drawing: str, band_hz: tuple[float, float]) -> str:
    """Return a drawing of `labkit.view.curve.curve.draw_curves`, shaded outside a band, with the band in words.

    For what is heard of a recording that was converted: outside the band it is not true to the curve.

    Parameters
    ----------
    drawing : str
        SVG.
    band_hz : (float, float)
        Hz.
    """
    if not drawing:
        return drawing
    left, right, top, bottom = map(float, _attribute(drawing, "data-frame").split())
    low_hz, high_hz = map(float, _attribute(drawing, "data-range").split()[:2])
    inside = [
        left + (right - left) * min(max(math.log(each / low_hz) / math.log(high_hz / low_hz), 0.0), 1.0)
        for each in band_hz
    ]
    words = f"What is heard of the recording is true from {' to '.join(map(frequency_in_words, band_hz))}."
    parts = [
        svg.rectangle(start, top, end - start, bottom - top, WELL, class_="lab-untrue")
        for start, end in ((left, inside[0]), (inside[1], right))
        if end - start >= 1
    ]
    for x, name, anchor in zip(inside, ("true from", "true to"), ("start", "end")):
        if left + 1 <= x <= right - 1:
            hz = band_hz[0 if anchor == "start" else 1]
            parts.append(svg.line(x, top, x, bottom, MUTED, stroke_dasharray="6 3"))
            parts.append(
                _words(x + (6 if anchor == "start" else -6), top + 12, f"{name} {frequency_in_words(hz)}", anchor)
            )
    head, end, rest = drawing.partition("</desc>")
    return head.replace('aria-label="', f'aria-label="{words} ', 1) + " " + words + end + "".join(parts) + rest


def _attribute(drawing: str, name: str) -> str:
    return drawing.partition(f' {name}="')[2].partition('"')[0]


def draw_difference(frame: Frame, difference: LevelDifference) -> list[str]:
    """Return the strip: filled where the first is louder, hatched where it is weaker."""
    inside = (difference.frequency_hz >= frame.low_hz) & (difference.frequency_hz <= frame.high_hz)
    x = frame.x(difference.frequency_hz[inside])
    level = np.clip(difference.level_db[inside], frame.low_db, frame.high_db)
    zero, left, right = float(frame.y(0.0)), frame.left, frame.right
    first, second = difference.names
    parts = []
    for line in (6.0, -6.0):
        y = float(frame.y(line))
        parts.append(svg.line(left, y, right, y, LINE))
        parts.append(svg.text(left - 5, y + 4, "+6" if line > 0 else "−6", anchor="end"))
    louder, weaker = frame.y(np.maximum(level, 0.0)), frame.y(np.minimum(level, 0.0))
    if level.size and level.max() > 0.05:
        parts.append(_area(x, louder, zero, "lab-louder", fill=COPPER))
    if level.size and level.min() < -0.05:
        # hatched by lines of its own: a pattern would need an id that two drawings could share
        across = np.arange(left + 3, right, 5.0)
        down = np.interp(across, x, weaker)
        hatch = "".join(f"M{at:.1f} {zero:.1f}V{to:.1f}" for at, to in zip(across, down))
        parts.append(svg.element("path", fill="none", stroke=MUTED, d=hatch))
        parts.append(_area(x, weaker, zero, "lab-weaker", fill="none", stroke=MUTED))
    parts.append(svg.line(left, zero, right, zero, EDGE))
    if frame.is_compact:
        parts.append(_words(left + 4, frame.top + 10, f"{first} minus {second} (dB)", "start"))
    else:
        parts += [svg.text(right + 8, zero - 2, f"{first} minus"), svg.text(right + 8, zero + 14, f"{second} (dB)")]
    return parts


def _area(x: np.ndarray, y: np.ndarray, zero: float, name: str, **attributes: str) -> str:
    outline = svg.points([x[0], *x, x[-1]], [zero, *y, zero])
    return svg.element("polygon", class_=name, points=outline, **attributes)


def _level_bar(frame: Frame, curve: Curve) -> list[str]:
    level = curve.level_at(LEVEL_HZ)
    x = float(frame.x(LEVEL_HZ))
    ends = [float(frame.y(level + sign * curve.doubt_db)) for sign in (1, -1)]
    if not (_is_inside(frame, x, ends[0]) and _is_inside(frame, x, ends[1])):
        return []
    lines = [(x, ends[0], x, ends[1]), *((x - 5, y, x + 5, y) for y in ends)]
    parts = [svg.line(*line, curve.style.colour, stroke_width=2, class_="lab-level") for line in lines]
    return [*parts, _words(x - 4, ends[1] + 16, f"level {_signed(level)}, ±{curve.doubt_db:.1f}", "start")]


def _ring(frame: Frame, x: float, y: float, radius: float, colour: str) -> str:
    if not _is_inside(frame, x, y):
        return ""
    return svg.element("circle", class_="lab-mark", cx=x, cy=y, r=radius, fill=PAPER, stroke=colour, stroke_width=2)


def _place(frame: Frame, curve: Curve, frequency_hz: float) -> tuple[float, float]:
    return float(frame.x(frequency_hz)), float(frame.y(curve.level_at(frequency_hz)))


def _below(frame: Frame, curve: Curve, frequency_hz: float) -> float:
    """Height at which the words of the −3 dB point stand, under the curve."""
    return _place(frame, curve, frequency_hz)[1] + 22


def _is_inside(frame: Frame, x: float, y: float) -> bool:
    return frame.left <= x <= frame.right and frame.top <= y <= frame.bottom


def _words(x: float, y: float, words: str, anchor: str, **attributes: str) -> str:
    return svg.text(
        x, y, words, INK, anchor=anchor, paint_order="stroke", stroke=PAPER, stroke_width=5, stroke_linejoin="round",
        class_="lab-marked", **attributes,
    )  # fmt: skip


def _signed(level_db: float) -> str:
    return f"{'+' if level_db >= 0.05 else ''}{level_in_words(level_db)}"
