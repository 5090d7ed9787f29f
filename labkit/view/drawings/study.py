"""Small drawings of studies for a page, as SVG: histograms and the tornado.

The same pictures as files, with matplotlib, are `labkit.view.curve.study_plots`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from labkit.study.measures import Measure
from labkit.study.tolerance.result import MeasureSpread
from labkit.study.tolerance.sensitivity import Swing
from labkit.view import svg
from labkit.view.curve.curve import COMPACT_BELOW, clamped_width
from labkit.view.palette import BLUE, COPPER, EDGE, INK, LINE

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
    width = clamped_width(width)
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

    parts = []
    if window is not None:
        start, end = across(window[0]), across(window[1])
        parts.append(svg.rectangle(start, top, end - start, bottom - top, LINE, fill_opacity=0.6))
    tallest = max(int(counts.max()), 1)
    step = float(edges[1] - edges[0])
    for start, count in zip(edges[:-1].tolist(), counts.tolist()):
        size = (bottom - top) * count / tallest
        wide = max(step * scale - 0.6, 0.6)
        parts.append(svg.rectangle(across(start), bottom - size, wide, size, COPPER, fill_opacity=0.6))
    parts.append(svg.line(left, bottom, right, bottom, EDGE))
    for value, dash, colour in ((item.low, "5 3", COPPER), (item.high, "5 3", COPPER), (item.nominal, "2 3", INK)):
        if math.isfinite(value):
            x = across(value)
            parts.append(svg.line(x, top - 6, x, bottom, colour, stroke_width=1.4, stroke_dasharray=dash))
    for value, anchor in ((low, "start"), (high, "end")):
        parts.append(svg.text(across(value), bottom + 18, item.measure.shown(value).replace("-", "−"), anchor=anchor))
    title = f"How often each {item.measure.spoken} comes out"
    return svg.document("lab-histogram", width, height, parts, title=title, description=description, size=12.5)


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
    width = clamped_width(width)
    compact = width < COMPACT_BELOW
    shown = [bar for bar in bars if math.isfinite(bar.size) and math.isfinite(nominal)][:MOST_BARS]
    left, right, row = (10 if compact else 190), width - 12, ROW + (14 if compact else 0)
    height = row * len(shown) + 30
    ends = [end for bar in shown for end in (bar.low, bar.high)] or [0.0]
    reach = max(max(abs(end - nominal) for end in ends), 1e-12)
    scale = (right - left) / 2 / (1.22 * reach)
    middle = (left + right) / 2
    parts = [svg.line(middle, 4, middle, height - 24, EDGE)]
    for place, bar in enumerate(shown):
        top = row * place + (20 if compact else 8)
        if compact:
            parts.append(svg.text(left, top - 5, bar.name, INK))
        else:
            parts.append(svg.text(left - 12, top + 12, bar.name, INK, anchor="end"))
        for end, colour, is_hollow in ((bar.low, BLUE, True), (bar.high, COPPER, False)):
            reached = middle + (end - nominal) * scale
            start, size = min(middle, reached), abs(reached - middle)
            stroke = colour if is_hollow else None
            parts.append(svg.rectangle(start, top, size, BAR, "none" if is_hollow else colour, stroke=stroke))
    planned = measure.shown(nominal).replace("-", "−")
    parts.append(svg.text(middle, height - 8, planned, anchor="middle"))
    parts.append(svg.text(left, height - 8, _moved(measure, -1.22 * reach)))
    parts.append(svg.text(right, height - 8, _moved(measure, 1.22 * reach), anchor="end"))
    title = f"What moves the {measure.spoken} most"
    return svg.document("lab-tornado", width, height, parts, title=title, description=description, size=12.5)


def _moved(measure: Measure, by: float) -> str:
    text = f"{by:+.0f} Hz" if measure.unit == "Hz" else f"{by:+.2f} dB"
    return text.replace("-", "−")
