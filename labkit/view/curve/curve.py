"""The live curve: a small SVG, with everything a reader needs inside it.

Log frequency axis in hertz below and note names above, a decibel axis, curves that differ in hue and dash
and carry their name at the line's end, and a description in words for those who do not see it. A hover
script (`hover_script`) reads frequency, decibels and nearest note off the drawing; it needs nothing but the
SVG, so pages, notebooks and reports share it.

Drawn for a given width, so that letters keep their size from a phone to a desk.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labkit.core.errors import InputError
from labkit.view import svg
from labkit.view.palette import EDGE, LINE, NOW, CurveStyle
from labkit.view.words import note_frequency

LEAST_WIDTH, MOST_WIDTH = 240, 1600
COMPACT_BELOW = 520
"""Width in CSS pixels under which the drawing drops axis titles and every second tick."""

LOW_HZ, HIGH_HZ = 50.0, 20_000.0
"""A plain axis: from under the lowest string of a guitar in common tuning to the end of hearing."""

TICKS_HZ = (50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
_COMPACT_TICKS_HZ = (100, 500, 1000, 5000, 10_000)
_E_NOTES = tuple(range(40, 125, 12))
"""The note E in every octave from the lowest string up: E2, E3, …"""

LABEL_CHARACTERS = 22


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """One line of the drawing.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,), Hz, rising
    gain_db : ndarray, shape (F,), dB
    label : str
        Shown at the line's end; shortened there, complete in the tooltip.
    style : CurveStyle
    brief : str
        Shown at the line's end of a compact drawing; the label by default.
    low_db, high_db : ndarray or None, shape (F,), dB
        Bounds of a band drawn behind the line.
    is_measured : bool
        Drawn as points instead of a line, without a label of its own at the end.
    """

    frequency_hz: np.ndarray
    gain_db: np.ndarray
    label: str
    style: CurveStyle = NOW
    brief: str = ""
    low_db: np.ndarray | None = None
    high_db: np.ndarray | None = None
    is_measured: bool = False

    def __post_init__(self) -> None:
        if np.shape(self.frequency_hz) != np.shape(self.gain_db) or np.ndim(self.gain_db) != 1:
            raise InputError(
                f"a curve needs as many levels as frequencies; got {np.shape(self.gain_db)}"
                f" and {np.shape(self.frequency_hz)}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The plot area and its scales, in CSS pixels."""

    width: int
    height: int
    left: float
    right: float
    top: float
    bottom: float
    low_hz: float
    high_hz: float
    low_db: float
    high_db: float

    def x(self, frequency_hz: np.ndarray | float) -> np.ndarray:
        """Horizontal place of a frequency."""
        part = np.log(np.asarray(frequency_hz) / self.low_hz) / math.log(self.high_hz / self.low_hz)
        return self.left + part * (self.right - self.left)

    def y(self, level_db: np.ndarray | float) -> np.ndarray:
        """Vertical place of a level."""
        part = (self.high_db - np.asarray(level_db)) / (self.high_db - self.low_db)
        return self.top + part * (self.bottom - self.top)


def level_window(curves: Sequence[Curve]) -> tuple[float, float]:
    """Return the lowest and highest level of the axis, dB, in whole steps of ten.

    Shows 40 dB at least, +10 to −30 where the curves allow, so that the axis rarely jumps while a knob turns.
    Follows the loudest curve; never follows one into silence below −90 dB.

    >>> level_window([])
    (-30.0, 10.0)
    """
    tops = [float(np.max(curve.gain_db)) for curve in curves if curve.gain_db.size]
    tops = [level for level in tops if level > -90.0]
    top = max(tops, default=0.0)
    high = 10.0 if -12.0 < top < 9.5 else 10.0 * math.ceil((min(top, 90.0) + 0.5) / 10)
    low = min(high - 40.0, 10.0 * math.floor((min(tops, default=0.0) - 15.0) / 10))
    return max(low, -120.0), high


def draw_curves(
    curves: Sequence[Curve],
    *,
    title: str,
    description: str,
    width: int = 790,
    height: int | None = None,
    low_hz: float = LOW_HZ,
    high_hz: float = HIGH_HZ,
    levels: tuple[float, float] | None = None,
    label_characters: int = 0,
) -> str:
    """Return the drawing as one ``<svg>`` element.

    Parameters
    ----------
    curves : sequence of Curve
        The first is drawn on top.
    title, description : str
        Text alternative: what the drawing is, and what it says in words. Escaped here.
    width, height : int
        CSS pixels; clamped to 240 … 1600. Under 520 px a compact form is drawn.
    low_hz, high_hz : float
        Ends of the frequency axis, Hz.
    levels : tuple of float, optional
        Ends of the level axis, dB, for curves of differences; `level_window` by default.
    label_characters : int
        Room kept for names at the lines' ends, so that the plot keeps its place while names change.

    Returns
    -------
    str
        SVG with real text, safe to place in a page.
    """
    width = int(min(max(width, LEAST_WIDTH), MOST_WIDTH))
    compact = width < COMPACT_BELOW
    height = height or (196 if compact else 380)
    low_db, high_db = levels or level_window(curves)
    margin = label_margin(curves, width, label_characters=label_characters)
    frame = Frame(
        width=width,
        height=height,
        left=34 if compact else 44,
        right=width - margin,
        top=22 if compact else 26,
        bottom=height - (18 if compact else 42),
        low_hz=low_hz,
        high_hz=high_hz,
        low_db=low_db,
        high_db=high_db,
    )
    parts = [*_grid(frame, compact), *_lines(frame, curves), *_end_labels(frame, curves, compact)]
    return svg.document(
        "lab-curve lab-curve-compact" if compact else "lab-curve",
        width,
        height,
        parts,
        title=title,
        description=description,
        size=12 if compact else 13,
        data_frame=f"{frame.left:.1f} {frame.right:.1f} {frame.top:.1f} {frame.bottom:.1f}",
        data_range=f"{low_hz:g} {high_hz:g} {low_db:g} {high_db:g}",
    )


def level_ticks(low_db: float, high_db: float, *, compact: bool = False) -> list[float]:
    """Return levels for lines of the grid, dB: tens on a usual axis, finer steps on the narrow one of differences.

    >>> level_ticks(-30, 10), level_ticks(-1, 1)
    ([-30.0, -20.0, -10.0, 0.0, 10.0], [-1.0, -0.5, 0.0, 0.5, 1.0])
    """
    span = high_db - low_db
    if span >= 25:
        step = 20.0 if compact and span > 50 else 10.0
    else:
        step = next(step for step in (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0) if span / step <= 6 or step == 5.0)
    first = math.ceil(low_db / step - 1e-9)
    return [index * step for index in range(first, math.floor(high_db / step + 1e-9) + 1)]


def tick_name(frequency_hz: int) -> str:
    """Return a frequency as it stands at an axis.

    >>> tick_name(500), tick_name(2000)
    ('500', '2k')
    """
    return f"{frequency_hz // 1000}k" if frequency_hz >= 1000 else str(frequency_hz)


def difference_window(curves: Sequence[Curve]) -> tuple[float, float]:
    """Return a level axis for differences, dB: the same way up and down, one decibel at least.

    >>> difference_window([])
    (-1.0, 1.0)
    """
    most = max((float(np.max(np.abs(curve.gain_db))) for curve in curves), default=0.0)
    high = next((limit for limit in (1.0, 2.0, 3.0, 5.0, 10.0) if most <= limit), 20.0)
    return -high, high


def label_margin(curves: Sequence[Curve], width: int, *, label_characters: int = 0) -> float:
    """Return the room, CSS pixels, that the names at the lines' ends take on the right of a drawing."""
    compact = width < COMPACT_BELOW
    longest = max((len(_short(curve, compact)) for curve in curves if not curve.is_measured), default=3)
    longest = max(longest, label_characters * 2 // 3 if compact else label_characters)
    return max(10 + longest * (6.6 if compact else 7.0), 40.0)


def spread_labels(wanted: Sequence[float], *, gap: float, low: float, high: float) -> list[float]:
    """Return places near the wanted ones, at least ``gap`` apart and inside ``low`` … ``high``; order is kept.

    >>> spread_labels([50.0, 52.0, 90.0], gap=10, low=0, high=95)
    [46.0, 56.0, 90.0]
    """
    order = sorted(range(len(wanted)), key=lambda index: wanted[index])
    clusters: list[tuple[list[int], float]] = []
    for index in order:
        members, middle = [index], min(max(wanted[index], low), high)
        while True:
            half = gap * (len(members) - 1) / 2
            middle = min(max(middle, low + half), high - half) if high - low >= 2 * half else (low + high) / 2
            if not clusters:
                break
            before, before_middle = clusters[-1]
            if before_middle + gap * (len(before) - 1) / 2 + gap <= middle - half + 1e-9:
                break
            clusters.pop()
            joined = before + members
            middle = (before_middle * len(before) + middle * len(members)) / len(joined)
            members = joined
        clusters.append((members, middle))
    places = [0.0] * len(wanted)
    for members, middle in clusters:
        first = middle - gap * (len(members) - 1) / 2
        for step, index in enumerate(members):
            places[index] = first + step * gap
    return places


def _grid(frame: Frame, compact: bool) -> list[str]:
    parts = []
    for tick in _COMPACT_TICKS_HZ if compact else TICKS_HZ:
        if not frame.low_hz <= tick <= frame.high_hz:
            continue
        x = float(frame.x(tick))
        parts.append(svg.line(x, frame.top, x, frame.bottom, LINE))
        parts.append(svg.text(x, frame.bottom + (14 if compact else 17), tick_name(tick), anchor="middle"))
    for number in _E_NOTES[:: 2 if compact else 1]:
        frequency = note_frequency(number)
        if not frame.low_hz <= frequency <= frame.high_hz:
            continue
        x = float(frame.x(frequency))
        parts.append(svg.line(x, frame.top - 4, x, frame.top, EDGE))
        parts.append(svg.text(x, frame.top - 8, f"E{number // 12 - 1}", anchor="middle"))
    for level in level_ticks(frame.low_db, frame.high_db, compact=compact):
        y = float(frame.y(level))
        parts.append(svg.line(frame.left, y, frame.right, y, EDGE if level == 0 else LINE))
        parts.append(svg.text(frame.left - 6, y + 4, f"{level:g}".replace("-", "−"), anchor="end"))
    if not compact:
        middle = (frame.left + frame.right) / 2
        parts.append(svg.text(middle, frame.height - 6, "Frequency in hertz; notes along the top", anchor="middle"))
        parts.append(svg.text(frame.left - 6, frame.top - 8, "dB", anchor="end"))
    return parts


def _lines(frame: Frame, curves: Sequence[Curve]) -> list[str]:
    """Polylines inside a nested svg, which clips at the plot area without an id that two drawings could share."""
    width, height = frame.right - frame.left, frame.bottom - frame.top
    parts = []
    for curve in reversed(curves):
        if curve.low_db is not None and curve.high_db is not None:
            parts.append(_band(frame, curve, curve.low_db, curve.high_db))
    for curve in reversed(curves):
        x, y = _places(frame, curve, curve.gain_db)
        if curve.is_measured:
            parts += [
                svg.element(
                    "circle", class_="lab-point", cx=across, cy=down, r=2.1, fill="none", stroke=curve.style.colour
                )
                for across, down in zip(x, y)
            ]
        # under points lies an unseen line, so that they can be read off like any other curve
        stroke = "none" if curve.is_measured else curve.style.colour
        parts.append(svg.polyline(x, y, curve.style, stroke=stroke, stroke_linejoin="round", data_label=curve.label))
    return [svg.element("svg", *parts, x=frame.left, y=frame.top, width=width, height=height, overflow="hidden")]


def _places(frame: Frame, curve: Curve, level_db: np.ndarray) -> tuple[list[float], list[float]]:
    """Where levels of a curve lie inside the plot area, not much farther out than it is high."""
    inside, height = _inside(frame, curve.frequency_hz), frame.bottom - frame.top
    x = frame.x(curve.frequency_hz[inside]) - frame.left
    return x.tolist(), np.clip(frame.y(level_db[inside]) - frame.top, -height, 4 * height).tolist()


def _band(frame: Frame, curve: Curve, low_db: np.ndarray, high_db: np.ndarray) -> str:
    x, up = _places(frame, curve, high_db)
    _, down = _places(frame, curve, low_db)
    outline = svg.points([*x, *x[::-1]], [*up, *down[::-1]])
    return svg.element("polygon", class_="lab-band", fill=curve.style.colour, fill_opacity=0.16, points=outline)


def _end_labels(frame: Frame, curves: Sequence[Curve], compact: bool) -> list[str]:
    wanted = []
    curves = [curve for curve in curves if not curve.is_measured]
    for curve in curves:
        inside = _inside(frame, curve.frequency_hz)
        last = float(curve.gain_db[inside][-1]) if inside.any() else frame.low_db
        wanted.append(float(frame.y(min(max(last, frame.low_db), frame.high_db))))
    gap = 15.0 if compact else 17.0
    places = spread_labels(wanted, gap=gap, low=frame.top + 4, high=frame.bottom - 2)
    parts = []
    for curve, place, end in zip(curves, places, wanted):
        if abs(place - end) > 3:
            parts.append(svg.line(frame.right + 1, end, frame.right + 6, place, curve.style.colour))
        shown = _short(curve, compact)
        tip = curve.label if shown != curve.label else ""
        parts.append(svg.label(frame.right + 8, place + 4, shown, curve.style.colour, tip=tip))
    return parts


def _inside(frame: Frame, frequency_hz: np.ndarray) -> np.ndarray:
    inside: np.ndarray = (frequency_hz >= frame.low_hz * (1 - 1e-9)) & (frequency_hz <= frame.high_hz * (1 + 1e-9))
    return inside


def _short(curve: Curve, compact: bool) -> str:
    most = LABEL_CHARACTERS * 2 // 3 if compact else LABEL_CHARACTERS
    label = curve.brief or curve.label if compact else curve.label
    return label if len(label) <= most else label[: most - 1].rstrip() + "…"
