"""Pictures of studies as files: bands of a curve, histograms, and the tornado of what matters most.

Same palette, type and axes as `labkit.view.curve.plot`; light and dark never carry a meaning alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import matplotlib
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from labkit.core.errors import InputError
from labkit.study.tolerance.result import MeasureSpread, ToleranceResult
from labkit.study.tolerance.sensitivity import Swing
from labkit.view.curve.curve import Curve
from labkit.view.curve.plot import STYLE, figure
from labkit.view.palette import BLUE, CARD, COPPER, EDGE, INK, LINE, MUTED, PAPER, CurveStyle
from labkit.view.words import ZERO

MOST_BARS = 12
SHOWN_BINS = 48
"""Bars of a drawn histogram; the study's own bins are much finer."""

_BAND = CurveStyle(colour=COPPER, dash=(4, 3), width=1.4)
_NOMINAL = CurveStyle(colour=INK, dash=(1.5, 2.5), width=1.6)
_MEDIAN = CurveStyle(colour=COPPER, width=2.4)


def band_figure(result: ToleranceResult, *, title: str = "") -> Figure:
    """Return the median curve of a study with its 5 to 95 % band, and the nominal curve."""
    frequency = result.study.frequency_hz
    low, median, high = result.bands_db
    curves = [
        Curve(frequency_hz=frequency, gain_db=median, label="median", style=_MEDIAN),
        Curve(frequency_hz=frequency, gain_db=result.study.nominal_db, label="nominal", style=_NOMINAL),
        Curve(frequency_hz=frequency, gain_db=high, label="95 % below", style=_BAND),
        Curve(frequency_hz=frequency, gain_db=low, label="5 % below", style=_BAND),
    ]
    drawing = figure(
        curves,
        title=title,
        caption=f"{result.count} variants. {ZERO}",
        low_hz=float(frequency[0]),
        high_hz=float(frequency[-1]),
    )
    drawing.axes[0].fill_between(frequency, low, high, color=COPPER, alpha=0.16, linewidth=0)
    return drawing


def histogram_figure(measures: Sequence[MeasureSpread], *, title: str = "") -> Figure:
    """Return one histogram beside the other, with the nominal value and the 5 and 95 % bounds.

    Raises
    ------
    InputError
        If no measure has a value.
    """
    shown = [item for item in measures if item.found]
    if not shown:
        raise InputError("no variant has any of these measures; there is nothing to draw")
    with matplotlib.rc_context({**STYLE}):
        drawing = Figure(figsize=(3.1 * len(shown) + 0.6, 3.4), facecolor=PAPER)
        FigureCanvasAgg(drawing)
        panels = drawing.subplots(1, len(shown), squeeze=False)[0]
        drawing.subplots_adjust(left=0.06, right=0.98, bottom=0.2, top=0.78, wspace=0.18)
        for axes, item in zip(panels, shown):
            edges, counts = item.coarser(SHOWN_BINS)
            axes.set_facecolor(PAPER)
            axes.bar(edges[:-1], counts, width=np.diff(edges), align="edge", color=COPPER, alpha=0.55, linewidth=0)
            for place, dash, colour in ((item.low, "--", COPPER), (item.high, "--", COPPER), (item.nominal, ":", INK)):
                if math.isfinite(place):
                    axes.axvline(place, color=colour, linestyle=dash, linewidth=1.4)
            axes.set_title(item.measure.spoken, color=INK, fontsize=10.5, loc="left")
            axes.set_xlabel("hertz" if item.measure.unit == "Hz" else "decibels", color=MUTED)
            axes.set_yticks([])
            axes.tick_params(colors=MUTED, length=3)
            for side in ("left", "right", "top"):
                axes.spines[side].set_visible(False)
            axes.spines["bottom"].set_color(EDGE)
        drawing.text(0.02, 0.92, title, color=INK, fontsize=13, fontweight="bold")
        drawing.text(
            0.02, 0.03, "Dashed: 5 and 95 % of the variants lie below. Dotted: nominal.", color=MUTED, fontsize=9.5
        )
    return drawing


def tornado_figure(bars: Sequence[Swing], *, unit: str, nominal: float, title: str = "") -> Figure:
    """Return the tornado: how far one measure moves while one number crosses its spread, the widest on top.

    Parameters
    ----------
    bars : sequence of Swing
        Widest first.
    unit : str
        Of the measure, for the axis.
    nominal : float
        Measure with every number in the middle of its spread.

    Raises
    ------
    InputError
        If no bar has both ends.
    """
    shown = [bar for bar in bars if math.isfinite(bar.size)][:MOST_BARS]
    if not shown:
        raise InputError("nothing moves this number, so there is no tornado to draw")
    with matplotlib.rc_context({**STYLE}):
        drawing = Figure(figsize=(8.2, 1.5 + 0.36 * len(shown)), facecolor=PAPER)
        FigureCanvasAgg(drawing)
        height = 1.5 + 0.36 * len(shown)
        axes = drawing.add_axes((0.3, 0.75 / height, 0.66, 1 - 1.3 / height), facecolor=PAPER)
        rows = np.arange(len(shown))[::-1]
        for row, bar in zip(rows, shown):
            for end, colour, hatch in ((bar.low, BLUE, "///"), (bar.high, COPPER, "")):
                axes.barh(
                    row,
                    end - nominal,
                    left=nominal,
                    height=0.62,
                    color=colour if not hatch else CARD,
                    edgecolor=colour,
                    hatch=hatch,
                    linewidth=1.0,
                )
        axes.axvline(nominal, color=INK, linewidth=1.0)
        axes.set_yticks(rows, [bar.name for bar in shown])
        axes.tick_params(axis="y", colors=INK, length=0)
        axes.tick_params(axis="x", colors=MUTED, length=3)
        axes.grid(True, axis="x", color=LINE, linewidth=0.8)
        axes.set_axisbelow(True)
        axes.set_xlabel("hertz" if unit == "Hz" else "decibels", color=MUTED)
        for spine in axes.spines.values():
            spine.set_visible(False)
        drawing.text(0.02, 1 - 0.35 / height, title, color=INK, fontsize=13, fontweight="bold")
        drawing.text(
            0.02,
            0.12 / height,
            "Hatched blue: number at the low end of its spread. Copper: at the high end.",
            color=MUTED,
            fontsize=9.5,
        )
    return drawing
