"""Small drawings of studies for a page, SVG by hand like the live curve: histograms and the tornado.

The same pictures as files, with matplotlib, are `labkit.view.curve.study_plots`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

from labkit.study.measures import Measure
from labkit.study.tolerance.result import MeasureSpread
from labkit.study.tolerance.sensitivity import Swing
from labkit.view.curve.curve import COMPACT_BELOW, LEAST_WIDTH, MOST_WIDTH
from labkit.view.palette import BLUE, COPPER, EDGE, INK, LINE, MUTED, SANS

MOST_BARS = 8
SHOWN_BINS = 40
ROW, BAR = 30, 14


def draw_histogram(
    item: MeasureSpread, *, window: tuple[float, float] | None = None, description: str, width: int = 380
) -> str:
    """Return the histogram of one measure as one ``<svg>``: bars, the plan, the middle 90 %, and the window wanted.

    Parameters
    ----------
    item : MeasureSpread
    window : (low, high), optional
        Shaded, in the measure's unit.
    description : str
        Text alternative.
    width : int
        CSS pixels.
    """
    width = int(min(max(width, LEAST_WIDTH), MOST_WIDTH))
    height, left, right, top, bottom = 150, 10, width - 10, 14, 122
    edges, counts = item.coarser(SHOWN_BINS)
    low, high = float(edges[0]), float(edges[-1])
    if window is not None:
        low, high = min(low, window[0]), max(high, window[1])
    if math.isfinite(item.nominal):
        low, high = min(low, item.nominal), max(high, item.nominal)
    scale = (right - left) / max(high - low, 1e-30)

    def across(value: float) -> float:
        return left + (value - low) * scale

    parts = [_head("lab-histogram", width, height, f"How often each {item.measure.name} comes out", description)]
    if window is not None:
        start, end = across(window[0]), across(window[1])
        parts.append(
            f'<rect x="{start:.1f}" y="{top}" width="{end - start:.1f}" height="{bottom - top}" fill="{LINE}" '
            'fill-opacity="0.6"/>'
        )
    tallest = max(int(counts.max()), 1)
    step = float(edges[1] - edges[0])
    for start, count in zip(edges[:-1].tolist(), counts.tolist()):
        size = (bottom - top) * count / tallest
        parts.append(
            f'<rect x="{across(start):.1f}" y="{bottom - size:.1f}" width="{max(step * scale - 0.6, 0.6):.1f}" '
            f'height="{size:.1f}" fill="{COPPER}" fill-opacity="0.6"/>'
        )
    parts.append(f'<line x1="{left}" y1="{bottom}" x2="{right}" y2="{bottom}" stroke="{EDGE}"/>')
    for value, dash, colour in ((item.low, "5 3", COPPER), (item.high, "5 3", COPPER), (item.nominal, "2 3", INK)):
        if math.isfinite(value):
            x = across(value)
            parts.append(
                f'<line x1="{x:.1f}" y1="{top - 6}" x2="{x:.1f}" y2="{bottom}" stroke="{colour}" '
                f'stroke-width="1.4" stroke-dasharray="{dash}"/>'
            )
    for value, anchor in ((low, "start"), (high, "end")):
        parts.append(
            f'<text x="{across(value):.1f}" y="{bottom + 18}" text-anchor="{anchor}">'
            f"{escape(item.measure.shown(value).replace('-', '−'))}</text>"
        )
    return "".join([*parts, "</svg>"])


def draw_tornado(bars: Sequence[Swing], *, measure: Measure, nominal: float, description: str, width: int = 790) -> str:
    """Return the tornado as one ``<svg>``: each number from the low to the high end of its spread, the widest on top.

    Parameters
    ----------
    bars : sequence of Swing
        Widest first; the first eight are drawn.
    measure : Measure
    nominal : float
        Measure with every number in the middle of its spread.
    description : str
        Text alternative.
    width : int
        CSS pixels.
    """
    width = int(min(max(width, LEAST_WIDTH), MOST_WIDTH))
    compact = width < COMPACT_BELOW
    shown = [bar for bar in bars if math.isfinite(bar.size) and math.isfinite(nominal)][:MOST_BARS]
    left, right, row = (10 if compact else 190), width - 12, ROW + (14 if compact else 0)
    height = row * len(shown) + 30
    ends = [end for bar in shown for end in (bar.low, bar.high)] or [0.0]
    reach = max(max(abs(end - nominal) for end in ends), 1e-12)
    scale = (right - left) / 2 / (1.22 * reach)
    middle = (left + right) / 2
    parts = [_head("lab-tornado", width, height, f"What moves the {measure.name} most", description)]
    parts.append(f'<line x1="{middle:.1f}" y1="4" x2="{middle:.1f}" y2="{height - 24}" stroke="{EDGE}"/>')
    for place, bar in enumerate(shown):
        top = row * place + (20 if compact else 8)
        words = escape(bar.name)
        if compact:
            parts.append(f'<text x="{left}" y="{top - 5}" fill="{INK}">{words}</text>')
        else:
            parts.append(f'<text x="{left - 12}" y="{top + 12}" text-anchor="end" fill="{INK}">{words}</text>')
        for end, colour, is_hollow in ((bar.low, BLUE, True), (bar.high, COPPER, False)):
            reached = middle + (end - nominal) * scale
            start, size = min(middle, reached), abs(reached - middle)
            look = f'fill="#fff" fill-opacity="0" stroke="{colour}"' if is_hollow else f'fill="{colour}"'
            parts.append(f'<rect x="{start:.1f}" y="{top}" width="{size:.1f}" height="{BAR}" {look}/>')
    planned = escape(measure.shown(nominal).replace("-", "−"))
    parts.append(
        f'<text x="{middle:.1f}" y="{height - 8}" text-anchor="middle">{planned}</text>'
        f'<text x="{left}" y="{height - 8}">{escape(_moved(measure, -1.22 * reach))}</text>'
        f'<text x="{right}" y="{height - 8}" text-anchor="end">{escape(_moved(measure, 1.22 * reach))}</text>'
    )
    return "".join([*parts, "</svg>"])


def _moved(measure: Measure, by: float) -> str:
    text = f"{by:+.0f} Hz" if measure.unit == "Hz" else f"{by:+.2f} dB"
    return text.replace("-", "−")


def _head(name: str, width: int, height: int, title: str, description: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" class="{name}" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" aria-label="{escape(description)}" font-family="{escape(SANS)}" '
        f'font-size="12.5" fill="{MUTED}"><title>{escape(title)}</title><desc>{escape(description)}</desc>'
    )
