"""The live curve: a small SVG, with everything a reader needs inside it.

Log frequency axis in hertz below and the strings' own notes above, a decibel axis, curves that differ in hue, dash and
lightness and carry their letter and name at the line's end, what is read off them marked on them
(`labkit.view.curve.marks`), and a description in words for those who do not see it. The axes are fixed, so that nothing
moves but what a hand moved; a curve that leaves them is cut and keeps its name. The script ``curve_reader.js`` reads
frequency, decibels and nearest note off the drawing; it needs nothing but the SVG, so pages and notebooks share it.

Drawn for a given width, so that letters keep their size from a phone to a desk.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labkit.core.errors import InputError
from labkit.view import svg
from labkit.view.curve.marks import DULL_DB, draw_difference, draw_dull, draw_marks, level_difference
from labkit.view.palette import EDGE, LINE, NOW, STRING, CurveStyle
from labkit.view.words import Reading, note_frequency

LEAST_WIDTH, MOST_WIDTH = 240, 1600
COMPACT_BELOW = 440
"""Width in CSS pixels under which names stand in the plot instead of beside it."""

LOW_HZ, HIGH_HZ = 50.0, 20_000.0
"""A plain axis: from under the lowest string of a guitar in common tuning to the end of hearing."""

RIG_DB = (-30.0, 15.0)
"""Level axis of a rig: room for the sharpest peak of a passive one, and for the fall to the end of hearing."""
BENCH_DB = (-20.0, 20.0)
"""Level axis of a coil on the bench, whose peak is higher."""

TICKS_HZ = (50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
OWN_NOTES = (40, 88)
"""E2, the lowest open string in common tuning, and E6, the 24th fret of the highest."""
_HEIGHT, _COMPACT_HEIGHT = 320, 196
_LETTER = 7.3
"""Width of a bold letter at 13 CSS pixels, on average, rounded up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """One line of the drawing.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,), Hz, rising
    gain_db : ndarray, shape (F,), dB
    label : str
        Shown at the line's end, with the letter first.
    style : CurveStyle
    brief : str
        Shown at the line's end of a compact drawing; the label by default.
    low_db, high_db : ndarray or None, shape (F,), dB
        Bounds of a band drawn behind the line.
    reading : Reading or None
        What is marked on the line: in words for the first curve, as a ring for the second.
    doubt_db : float
        Half of the 95 % interval of its whole level, dB, drawn as a bar at 60 Hz.
    is_measured : bool
        Drawn as points instead of a line, without a label of its own at the end.
    is_neighbour : bool
        One of a row of values: its name stands on the line, where the row is farthest apart.
    """

    frequency_hz: np.ndarray
    gain_db: np.ndarray
    label: str
    style: CurveStyle = NOW
    brief: str = ""
    low_db: np.ndarray | None = None
    high_db: np.ndarray | None = None
    reading: Reading | None = None
    doubt_db: float = 0.0
    is_measured: bool = False
    is_neighbour: bool = False

    def __post_init__(self) -> None:
        if np.shape(self.frequency_hz) != np.shape(self.gain_db) or np.ndim(self.gain_db) != 1:
            raise InputError(
                f"a curve needs as many levels as frequencies; got {np.shape(self.gain_db)}"
                f" and {np.shape(self.frequency_hz)}"
            )

    def level_at(self, frequency_hz: float) -> float:
        """Return the level at a frequency, dB, between the points on a log axis."""
        return float(np.interp(math.log(frequency_hz), np.log(self.frequency_hz), self.gain_db))


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The plot area and its scales, in CSS pixels."""

    width: int
    left: float
    right: float
    top: float
    bottom: float
    low_hz: float = LOW_HZ
    high_hz: float = HIGH_HZ
    low_db: float = RIG_DB[0]
    high_db: float = RIG_DB[1]

    @classmethod
    def of(cls, width: int, *, top: float, bottom: float, hz: tuple[float, float], db: tuple[float, float]) -> Frame:
        """Return the area in a drawing of a width: its sides depend on nothing else, so that axes meet and stay."""
        margin = 12.0 if width < COMPACT_BELOW else min(max(0.16 * width, 104.0), 168.0)
        return cls(
            width=width,
            left=34,
            right=width - margin,
            top=top,
            bottom=bottom,
            low_hz=hz[0],
            high_hz=hz[1],
            low_db=db[0],
            high_db=db[1],
        )

    @property
    def is_compact(self) -> bool:
        """True where names stand in the plot."""
        return self.width < COMPACT_BELOW

    def x(self, frequency_hz: np.ndarray | float) -> np.ndarray:
        """Horizontal place of a frequency."""
        part = np.log(np.asarray(frequency_hz) / self.low_hz) / math.log(self.high_hz / self.low_hz)
        return self.left + part * (self.right - self.left)

    def y(self, level_db: np.ndarray | float) -> np.ndarray:
        """Vertical place of a level."""
        part = (self.high_db - np.asarray(level_db)) / (self.high_db - self.low_db)
        return self.top + part * (self.bottom - self.top)


def clamped_width(width: float) -> int:
    """Return a width that a drawing can have, CSS pixels."""
    return int(min(max(width, LEAST_WIDTH), MOST_WIDTH))


def draw_curves(
    curves: Sequence[Curve],
    *,
    title: str,
    description: str,
    width: int = 790,
    height: int | None = None,
    low_hz: float = LOW_HZ,
    high_hz: float = HIGH_HZ,
    levels: tuple[float, float] = RIG_DB,
    compares: bool = False,
    dull_db: float = DULL_DB,
) -> str:
    """Return the drawing as one ``<svg>`` element.

    Parameters
    ----------
    curves : sequence of Curve
        The first is drawn on top.
    title, description : str
        Text alternative: what the drawing is, and what it says in words. Escaped here.
    width, height : int
        CSS pixels; the width clamped to 240 … 1600, under 520 a compact form is drawn. The height is that of the plot.
    low_hz, high_hz : float
        Ends of the frequency axis, Hz.
    levels : tuple of float
        Ends of the level axis, dB.
    compares : bool
        Draw the first curve minus the second in a strip beneath, and where the first falls behind.
    dull_db : float
        So far behind is dull, dB.

    Returns
    -------
    str
        SVG with real text, safe to place in a page.
    """
    width = clamped_width(width)
    height = height or (_COMPACT_HEIGHT if width < COMPACT_BELOW else _HEIGHT)
    frame = Frame.of(width, top=36, bottom=height - 22, hz=(low_hz, high_hz), db=levels)
    parts = [*_notes(frame), *frequency_lines(frame), *_level_lines(frame), *_lines(frame, curves)]
    is_pair = compares and len(curves) > 1
    difference = level_difference(curves[0], curves[1], dull_db=dull_db) if is_pair else None
    parts += draw_marks(frame, curves, None if difference is None else difference.dull_hz)
    parts += [*_neighbour_labels(frame, curves), *_end_labels(frame, curves)]
    if difference is not None:
        strip = 58 if frame.is_compact else 78
        under = Frame.of(width, top=height + 2, bottom=height + strip, hz=(low_hz, high_hz), db=(-12.0, 12.0))
        parts += draw_difference(under, difference)
        parts += draw_dull(frame, curves, difference)
        description, height = f"{description} {difference.words}", height + strip + 6
    return svg.document(
        "lab-curve lab-curve-compact" if frame.is_compact else "lab-curve",
        width,
        height,
        parts,
        title=title,
        description=description,
        size=12 if frame.is_compact else 13,
        data_frame=f"{frame.left:.1f} {frame.right:.1f} {frame.top:.1f} {frame.bottom:.1f}",
        data_range=f"{low_hz:g} {high_hz:g} {levels[0]:g} {levels[1]:g}",
    )


def level_ticks(low_db: float, high_db: float) -> list[float]:
    """Return levels for lines of the grid, dB: tens on a usual axis, finer steps on the narrow one of differences.

    >>> level_ticks(-30, 15), level_ticks(-1, 1)
    ([-30.0, -20.0, -10.0, 0.0, 10.0], [-1.0, -0.5, 0.0, 0.5, 1.0])
    """
    span = high_db - low_db
    if span >= 25:
        step = 10.0
    else:
        step = next(step for step in (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0) if span / step <= 6 or step == 5.0)
    first = math.ceil(low_db / step - 1e-9)
    return [index * step for index in range(first, math.floor(high_db / step + 1e-9) + 1)]


def level_name(level_db: float) -> str:
    """Return a level as it stands at an axis.

    >>> level_name(10.0), level_name(-0.5), level_name(0.0)
    ('+10', '−0.5', '0')
    """
    return f"{level_db:+g}".replace("-", "−") if level_db else "0"


def level_window(curves: Sequence[Curve]) -> tuple[float, float]:
    """Return the ends of the level axis, dB: those of a rig's curve, widened by tens where a curve lies outside.

    A file is not redrawn while a hand moves. Never follows a curve into silence below −90 dB.

    >>> level_window([])
    (-30.0, 15.0)
    """
    tops = [float(np.max(curve.gain_db)) for curve in curves if curve.gain_db.size]
    tops = [level for level in tops if level > -90.0]
    low, high = RIG_DB
    if max(tops, default=0.0) > high:
        high = 10.0 * math.ceil((min(max(tops), 90.0) + 0.5) / 10)
    return max(min(low, 10.0 * math.floor((min(tops, default=0.0) - 15.0) / 10)), -120.0), high


def difference_window(curves: Sequence[Curve]) -> tuple[float, float]:
    """Return a level axis for differences, dB: the same way up and down, one decibel at least.

    >>> difference_window([])
    (-1.0, 1.0)
    """
    most = max((float(np.max(np.abs(curve.gain_db))) for curve in curves), default=0.0)
    high = next((limit for limit in (1.0, 2.0, 3.0, 5.0, 10.0) if most <= limit), 20.0)
    return -high, high


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


def frequency_lines(frame: Frame) -> list[str]:
    """Return the lines of the frequency axis with their names: the unit at the ends and where it changes."""
    few = frame.right - frame.left < 250  # CSS pixels
    room = 1.2 if frame.is_compact else 1.0  # a name at the very end would be cut
    ticks = [
        tick for tick in (TICKS_HZ[1::2] if few else TICKS_HZ) if frame.low_hz * room <= tick <= frame.high_hz / room
    ]
    parts = []
    for place, tick in enumerate(ticks):
        x = float(frame.x(tick))
        parts.append(svg.line(x, frame.top, x, frame.bottom, LINE))
        name = f"{tick // 1000 if tick >= 1000 else tick}"
        if place == 0 or tick in (1000, 20_000) or ticks[place - 1] < 1000 <= tick:
            name += " kHz" if tick >= 1000 else " Hz"
        parts.append(svg.text(x, frame.bottom + 16, name, anchor="middle"))
    return parts


def _notes(frame: Frame) -> list[str]:
    """The strip of the strings' own notes, with a tick at every E; above them lie overtones alone."""
    low, high = (min(max(note_frequency(note), frame.low_hz), frame.high_hz) for note in OWN_NOTES)
    start, end = float(frame.x(low)), float(frame.x(high))
    if end - start < 1:
        return []
    y = frame.top - 14
    parts = [svg.rectangle(start, y, end - start, 10, STRING, rx=2)]
    for note in range(OWN_NOTES[0] + 12, OWN_NOTES[1], 12):
        if low < note_frequency(note) < high:
            x = float(frame.x(note_frequency(note)))
            parts.append(svg.line(x, y, x, y + 10, EDGE))
    long, short = "E2 – the strings’ own notes – E6", "E2 – strings – E6"
    if end - start >= 100:
        words = long if end - start >= 6.2 * len(long) else short
        parts.append(svg.text((start + end) / 2, y - 5, words, anchor="middle"))
    if frame.right - end >= 70:
        parts.append(svg.text((end + frame.right) / 2, y - 5, "overtones", anchor="middle"))
    return parts


def _level_lines(frame: Frame) -> list[str]:
    parts = []
    for level in level_ticks(frame.low_db, frame.high_db):
        y = float(frame.y(level))
        parts.append(svg.line(frame.left, y, frame.right, y, LINE if level else EDGE))
        parts.append(svg.text(frame.left - 5, y + 4, level_name(level), anchor="end"))
    return parts


def _lines(frame: Frame, curves: Sequence[Curve]) -> list[str]:
    """Polylines inside a nested svg, which clips at the plot area without an id that two drawings could share."""
    width, height = frame.right - frame.left, frame.bottom - frame.top
    parts = []
    for curve in reversed(curves):
        if curve.low_db is not None and curve.high_db is not None:
            parts += _band(frame, curve, curve.low_db, curve.high_db)
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


def _band(frame: Frame, curve: Curve, low_db: np.ndarray, high_db: np.ndarray) -> list[str]:
    """A tint with two thin edges, which stay where a tint is not printed."""
    x, up = _places(frame, curve, high_db)
    _, down = _places(frame, curve, low_db)
    above, below = svg.points(x, up), svg.points(x, down)
    outline = " ".join([above, *reversed(below.split(" "))])
    edges = "M" + above.replace(" ", "L") + "M" + below.replace(" ", "L")
    colour = curve.style.colour
    return [
        svg.element("polygon", class_="lab-band", fill=colour, fill_opacity=0.16, points=outline),
        svg.element("path", class_="lab-band-edge", fill="none", stroke=colour, stroke_opacity=0.6, d=edges),
    ]


def _end_labels(frame: Frame, curves: Sequence[Curve]) -> list[str]:
    """Names beside the lines' ends; in a compact drawing, or where one is too long, over the plot, which they do not
    narrow. A line that leaves the plot has its name where it does."""
    named = [curve for curve in curves if curve.label and not (curve.is_measured or curve.is_neighbour)]
    ends = [_end(frame, curve) for curve in named]
    gap = 15.0 if frame.is_compact else 17.0
    places = spread_labels([y for _, y in ends], gap=gap, low=frame.top + 4, high=frame.bottom - 2)
    parts = []
    for curve, (x, y), place in zip(named, ends, places):
        shown = _cut(curve.brief or curve.label if frame.is_compact else curve.label, 0.75 * (frame.right - frame.left))
        tip = "" if shown == curve.label else curve.label
        colour = curve.style.colour
        if frame.is_compact:
            parts.append(svg.label(min(x, frame.right) - 3, place - 4, shown, colour, anchor="end", halo=5, tip=tip))
            continue
        if abs(place - y) > 3 or frame.right - x > 4:
            parts.append(svg.line(x + 2, y, frame.right + 6, place, EDGE))
        if _LETTER * len(shown) + 10 <= frame.width - frame.right:
            parts.append(svg.label(frame.right + 8, place + 4, shown, colour, tip=tip))
        else:
            parts.append(svg.label(frame.width - 2, place + 4, shown, colour, anchor="end", halo=5, tip=tip))
    return parts


def _neighbour_labels(frame: Frame, curves: Sequence[Curve]) -> list[str]:
    """Names of a row of values on their lines, all at the one place where lines in the plot are farthest apart."""
    row = [curve for curve in curves if curve.is_neighbour]
    if not row:
        return []
    at = np.geomspace(frame.low_hz * 1.15, frame.high_hz / 1.15, 60)
    places = np.sort(
        [frame.y(np.interp(np.log(at), np.log(each.frequency_hz), each.gain_db)) for each in curves], axis=0
    )
    gaps = np.diff(np.clip(places, frame.top, frame.bottom), axis=0)
    best = at[int(np.argmax(np.min(gaps, axis=0)))]
    return [
        svg.label(float(frame.x(best)), y + 4, curve.label, curve.style.colour, anchor="middle", halo=5)
        for curve in row
        if frame.top < (y := float(frame.y(curve.level_at(best)))) < frame.bottom
    ]


def _end(frame: Frame, curve: Curve) -> tuple[float, float]:
    """Where a line ends, or leaves the plot for good."""
    inside = _inside(frame, curve.frequency_hz)
    level, frequency = curve.gain_db[inside], curve.frequency_hz[inside]
    shown = np.flatnonzero((level >= frame.low_db) & (level <= frame.high_db))
    if not level.size or not shown.size:
        return frame.right, float(frame.bottom if not level.size or level[-1] < frame.low_db else frame.top)
    last = shown[-1]
    return float(frame.x(frequency[last])), float(frame.y(level[last]))


def _inside(frame: Frame, frequency_hz: np.ndarray) -> np.ndarray:
    inside: np.ndarray = (frequency_hz >= frame.low_hz * (1 - 1e-9)) & (frequency_hz <= frame.high_hz * (1 + 1e-9))
    return inside


def _cut(label: str, room: float) -> str:
    most = int(room / _LETTER)
    return label if len(label) <= most else label[: most - 1].rstrip() + "…"
