"""Every length of a cable at once: the frequency from which each is dull, where it is louder, and its peak.

Length runs across, frequency (logarithmic) upwards. Hatched is what a length loses by the allowed loss and more, filled
is where it is louder than the compared length, the solid line is its peak; A and B stand at their lengths.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from labkit.core.errors import InputError
from labkit.view import svg
from labkit.view.curve.curve import COMPACT_BELOW, clamped_width
from labkit.view.palette import COPPER, INK, LINE, MUTED, NOW, PINS
from labkit.view.words import frequency_in_words

LOW_HZ, HIGH_HZ = 500.0, 12_000.0
_TICKS_HZ = (500.0, 1000.0, 2000.0, 5000.0, 10_000.0)
Scale = Callable[[np.ndarray], np.ndarray]
_HATCH = 6.0
"""From one stroke to the next, CSS pixels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthMap:
    """What each length of a cable does against a compared one.

    Attributes
    ----------
    length : ndarray, shape (N,), m, rising
    dull_hz : ndarray, shape (N,), Hz
        From where each length is dull; NaN where it nowhere is.
    louder_hz : ndarray, shape (N, 2), Hz
        Band in which each is louder; NaN where it is not.
    peak_hz : ndarray, shape (N,), Hz
        Peak of each; NaN where there is none.
    """

    length: np.ndarray
    dull_hz: np.ndarray
    louder_hz: np.ndarray
    peak_hz: np.ndarray

    def __post_init__(self) -> None:
        count = self.length.size
        if count < 2 or self.dull_hz.shape != (count,) or self.peak_hz.shape != (count,):
            raise InputError("a map of lengths needs two lengths at least, and a frequency for each")
        if self.louder_hz.shape != (count, 2):
            raise InputError("a map of lengths needs two ends of the louder band for each length")


def draw_lengths(
    found: LengthMap,
    *,
    present: float,
    compared: float,
    dull_hz: float | None,
    title: str,
    description: str,
    width: int = 790,
) -> str:
    """Return the map as one ``<svg>``.

    Parameters
    ----------
    found : LengthMap
    present, compared : float, m
        Where A and B stand.
    dull_hz : float or None, Hz
        From where A is dull.
    title, description : str
        Text alternative. Escaped here.
    width : int
        CSS pixels.
    """
    width = clamped_width(width)
    height = 220.0 if width < COMPACT_BELOW else 260.0
    left, right, top, bottom = 54.0, width - 14.0, 10.0, height - 26.0
    longest = float(found.length[-1])

    def x(length: np.ndarray | float) -> np.ndarray:
        return left + (right - left) * np.asarray(length) / longest

    def y(frequency_hz: np.ndarray | float) -> np.ndarray:
        inside = np.clip(frequency_hz, LOW_HZ, HIGH_HZ)
        part: np.ndarray = np.log(HIGH_HZ / inside) / np.log(HIGH_HZ / LOW_HZ)
        return top + (bottom - top) * part

    parts = []
    for frequency in _TICKS_HZ:
        line, name = float(y(frequency)), frequency_in_words(frequency).replace(".0", "")
        parts += [svg.line(left, line, right, line, LINE), svg.text(left - 6, line + 4, name, anchor="end")]
    step = 10 if longest > 45 or width < COMPACT_BELOW else 5
    for length in range(0, int(longest) + 1, step):
        is_last = length + step > longest
        words = f"{length} m" if is_last else str(length)
        parts.append(svg.text(float(x(length)), height - 7, words, anchor="end" if is_last else "middle"))
    parts += _louder(found, x, y)
    parts += _dull(found, x, y, top)
    has_peak = np.isfinite(found.peak_hz)
    if has_peak.sum() > 1:
        parts.append(svg.polyline(x(found.length[has_peak]), y(found.peak_hz[has_peak]), NOW, stroke_width=1.6))
        at = int(np.flatnonzero(has_peak)[0])
        place = float(y(found.peak_hz[at])) - 8
        parts.append(_words(left + 6, place, "peak", "start"))
    other = float(x(compared))
    parts.append(
        svg.line(other, top, other, bottom, PINS[0].colour, stroke_width=2, stroke_dasharray=svg.dashes(PINS[0].dash))
    )
    is_inside = other > left + 24
    parts.append(_words(other + (-6 if is_inside else 6), bottom - 8, "B", "end" if is_inside else "start"))
    here = float(x(min(present, longest)))
    anchor, aside = ("end", -8.0) if here > right - 150 else ("start", 8.0)
    parts.append(svg.line(here, top, here, bottom, INK, stroke_width=2))
    parts.append(_words(here + aside, bottom - 8, f"A, {present:g} m", anchor))
    if dull_hz is not None and present <= longest:
        level = float(y(dull_hz))
        parts.append(svg.element("circle", cx=here, cy=level, r=5, fill="none", stroke=INK, stroke_width=2))
        parts.append(_words(here + aside, level - 8, f"dull from {frequency_in_words(dull_hz)}", anchor))
    return svg.document("lab-cable-map", width, height, parts, title=title, description=description, size=12.5)


def _dull(found: LengthMap, x: Scale, y: Scale, top: float) -> list[str]:
    """What is lost, hatched from its lower edge upwards."""
    is_dull = np.isfinite(found.dull_hz) & (found.dull_hz < HIGH_HZ)
    if is_dull.sum() < 2:
        return []
    across, edge = x(found.length[is_dull]), y(found.dull_hz[is_dull])
    at = np.arange(float(across[0]), float(across[-1]), _HATCH)
    lines = "".join(f"M{place:.1f} {top:.1f}V{down:.1f}" for place, down in zip(at, np.interp(at, across, edge)))
    outline = svg.points([across[0], *across, across[-1]], [top, *edge, top])
    return [
        svg.element("path", d=lines, fill="none", stroke=MUTED),
        svg.element("polyline", points=outline, fill="none", stroke=MUTED, stroke_width=1.5),
    ]


def _louder(found: LengthMap, x: Scale, y: Scale) -> list[str]:
    """Where a length is louder, filled."""
    is_louder = np.isfinite(found.louder_hz[:, 0])
    drawn = []
    for run in np.split(np.flatnonzero(is_louder), np.flatnonzero(np.diff(np.flatnonzero(is_louder)) > 1) + 1):
        if run.size < 2:
            continue
        across = x(found.length[run])
        low, high = (y(found.louder_hz[run, end]) for end in (0, 1))
        outline = svg.points([*across, *across[::-1]], [*high, *low[::-1]])
        drawn.append(svg.element("polygon", points=outline, fill=COPPER, fill_opacity=0.45))
    return drawn


def _words(x: float, y: float, words: str, anchor: str) -> str:
    return svg.label(x, y, words, INK, anchor=anchor, halo=5)
