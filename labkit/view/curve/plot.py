"""Curves as files: SVG, PNG or PDF by matplotlib, with the palette and dashes of the pages.

The pages draw their live curve themselves (`labkit.view.curve.curve`); this is for exports, reports and notebooks.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from labkit.bench.fit.prediction import PredictedCurve
from labkit.core.errors import InputError, did_you_mean
from labkit.core.files import write_atomically
from labkit.core.response import Band, Response
from labkit.view.curve.curve import HIGH_HZ, LOW_HZ, OWN_NOTES, Curve, level_window, spread_labels
from labkit.view.palette import EDGE, INK, LINE, MUTED, NOW, PAPER, PINS, STRING
from labkit.view.words import ZERO, note_frequency

FORMATS = ("svg", "png", "pdf")
_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
STYLE: dict[Any, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 10.5,
    "svg.fonttype": "none",
    "svg.hashsalt": "labkit",
    "axes.unicode_minus": True,
}


def figure(
    curves: Sequence[Curve],
    *,
    title: str = "",
    caption: str = "",
    low_hz: float = LOW_HZ,
    high_hz: float = HIGH_HZ,
    size_in: tuple[float, float] = (8.2, 4.4),
) -> Figure:
    """Return curves as a figure: log frequency with the strings' own notes, decibels, each line named at its end.

    Parameters
    ----------
    curves : sequence of Curve
        The first is drawn on top.
    title, caption : str
        Above and below; a caption should say what zero means.
    low_hz, high_hz : float
        Ends of the frequency axis, Hz.
    size_in : tuple of float
        Width and height, inches.
    """
    with matplotlib.rc_context({**STYLE}):
        drawing = Figure(figsize=size_in, facecolor=PAPER)
        FigureCanvasAgg(drawing)
        width = 0.75 if any(curve.label for curve in curves) else 0.89
        axes = drawing.add_axes((0.075, 0.18, width, 0.68), facecolor=PAPER)
        _dress(axes, low_hz, high_hz)
        low_db, high_db = level_window(curves)
        axes.set_ylim(low_db, high_db)
        for curve in reversed(curves):
            _draw_line(axes, curve)
        axes.set_xlim(low_hz, high_hz)
        _name_ends(axes, curves, low_db, high_db, size_in[1])
        drawing.text(0.075, 0.945, title, color=INK, fontsize=13, fontweight="bold")
        drawing.text(0.075, 0.025, caption, color=MUTED, fontsize=9.5)
    return drawing


def plot_responses(*responses: Response, ax: Axes | None = None, band: Band | PredictedCurve | None = None) -> Axes:
    """Draw responses into axes of matplotlib and return them; `write_plot` writes a file.

    Parameters
    ----------
    *responses : Response
        One to four single curves; the legend gives their names.
    ax : matplotlib Axes, optional
        Where to draw; a new figure by default.
    band : Band or PredictedCurve, optional
        Drawn behind the curves: a study's ``result.band``, or a fit's ``prediction``.

    Raises
    ------
    InputError
        If there are none or more than four.
    """
    curves = _styled({str(number): response for number, response in enumerate(responses)})
    if ax is None:
        from matplotlib import pyplot  # so that a notebook shows it; files are drawn without

        ax = pyplot.subplots(figsize=(8.2, 4.4))[1]
    low = min(float(curve.frequency_hz[0]) for curve in curves)
    high = max(float(curve.frequency_hz[-1]) for curve in curves)
    _dress(ax, low, high)
    if band is not None:
        words = getattr(band, "name", "") or "95 % band"
        ax.fill_between(
            band.frequency_hz, band.low_db, band.high_db, color=NOW.colour, alpha=0.15, linewidth=0, label=words
        )
    for curve, response in zip(curves, responses):
        _draw_line(ax, curve, label=response.name)
    ax.set_xlim(low, high)
    ax.set_ylim(*level_window(curves))
    if any(response.name for response in responses):
        ax.legend(loc="lower left", frameon=False)
    return ax


def write_plot(responses: Mapping[str, Response], path: Path, *, overwrite: bool = False) -> None:
    """Draw responses into an SVG, PNG or PDF file, by the ending of its name; whole or not at all.

    Parameters
    ----------
    responses : mapping of str to Response
        One to four, by the name at the line's end.
    path : Path
    overwrite : bool
        Allow an existing file to be replaced.

    Raises
    ------
    InputError
        If there are none or more than four, the ending is another one, or the file cannot be written.
    """
    curves = _styled(responses)
    low = min(float(curve.frequency_hz[0]) for curve in curves)
    high = max(float(curve.frequency_hz[-1]) for curve in curves)
    title = curves[0].label if len(curves) == 1 else ""
    if len(curves) == 1:
        curves = [replace(curves[0], label="")]
    write_figure(figure(curves, title=title, caption=ZERO, low_hz=low, high_hz=high), path, overwrite=overwrite)


def _styled(responses: Mapping[str, Response]) -> list[Curve]:
    styles = (NOW, *PINS)
    if not 1 <= len(responses) <= len(styles):
        raise InputError(
            f"one to {len(styles)} curves fit into a plot; got {len(responses)}. Draw several plots instead"
        )
    return [
        Curve(frequency_hz=response.frequency_hz, gain_db=response.gain_db, label=name, style=style)
        for style, (name, response) in zip(styles, responses.items())
    ]


def write_figure(drawing: Figure, path: Path, *, overwrite: bool = False) -> None:
    """Write a figure as SVG, PNG or PDF, by the ending of the name; whole or not at all."""
    write_atomically(path, figure_bytes(drawing, path.suffix[1:].lower()), overwrite=overwrite)


def figure_bytes(drawing: Figure, kind: str) -> bytes:
    """Return a figure as the bytes of an SVG, PNG or PDF file; the same curves give the same bytes.

    Raises
    ------
    InputError
        If ``kind`` is none of them.
    """
    if kind not in FORMATS:
        raise InputError(f"a plot is written as svg, png or pdf; got '.{kind}'.{did_you_mean(kind, FORMATS)}")
    metadata = {
        "svg": {"Date": None, "Creator": "labkit"},
        "pdf": {"CreationDate": None, "Creator": "labkit"},
        "png": {"Software": "labkit"},
    }
    buffer = io.BytesIO()
    with matplotlib.rc_context({**STYLE}):
        drawing.savefig(buffer, format=kind, dpi=150, facecolor=PAPER, metadata=metadata[kind])
    return buffer.getvalue()


def _dress(axes: Axes, low_hz: float, high_hz: float) -> None:
    axes.set_xscale("log")
    axes.xaxis.set_major_locator(FixedLocator([tick for tick in _TICKS_HZ if low_hz <= tick <= high_hz]))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(
        FuncFormatter(lambda value, _: f"{value / 1000:g}k" if value >= 1000 else f"{value:g}")
    )
    axes.grid(True, color=LINE, linewidth=0.8)
    axes.axhline(0.0, color=EDGE, linewidth=0.8)
    axes.tick_params(colors=MUTED, length=0)
    axes.set_xlabel("Frequency in hertz", color=MUTED)
    axes.set_ylabel("Level in dB", color=MUTED)
    for spine in axes.spines.values():
        spine.set_color(LINE)
    low, high = (min(max(note_frequency(note), low_hz), high_hz) for note in OWN_NOTES)
    over = axes.get_xaxis_transform()  # hertz across, part of the plot's height up
    axes.add_patch(Rectangle((low, 1.015), high - low, 0.03, transform=over, color=STRING, clip_on=False))
    if high > low:
        middle = (low * high) ** 0.5
        axes.text(
            middle, 1.06, "E2 – the strings’ own notes – E6", transform=over, ha="center", color=MUTED, fontsize=9
        )


def _draw_line(axes: Axes, curve: Curve, label: str = "") -> None:
    style = curve.style
    if curve.low_db is not None and curve.high_db is not None:
        axes.fill_between(curve.frequency_hz, curve.low_db, curve.high_db, color=style.colour, alpha=0.16, linewidth=0)
    axes.plot(
        curve.frequency_hz,
        curve.gain_db,
        color=style.colour,
        linestyle=(0, tuple(length / style.width for length in style.dash)) if style.dash else "solid",
        linewidth=style.width * 0.75,
        label=label or None,
    )


def _name_ends(axes: Axes, curves: Sequence[Curve], low_db: float, high_db: float, height_in: float) -> None:
    """Labels at the lines' ends, pushed apart by a line of text."""
    gap = (high_db - low_db) * 0.19 / (height_in * 0.68)
    ends = [min(max(float(curve.gain_db[-1]), low_db), high_db) for curve in curves]
    places = spread_labels(ends, gap=gap, low=low_db, high=high_db)
    for curve, place in zip(curves, places):
        axes.annotate(
            curve.label,
            (1.0, place),
            xycoords=("axes fraction", "data"),
            xytext=(6, 0),
            textcoords="offset points",
            va="center",
            color=curve.style.colour,
            fontweight="bold",
            annotation_clip=False,
        )
