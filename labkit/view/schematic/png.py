"""A drawing as a PNG picture, painted from the same primitives as the SVG."""

from __future__ import annotations

import io

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Circle, PathPatch
from matplotlib.path import Path

from labkit.view.palette import INK, MUTED, PAPER
from labkit.view.schematic.drawing import Drawing, Stroke, Text
from labkit.view.schematic.svg import (
    DOT_RADIUS,
    HEADING_SIZE,
    MARGIN,
    STROKES,
    SUMMARY_SIZE,
    TEXTS,
    frame,
    summary_rows,
)

_CODES = {"M": Path.MOVETO, "L": Path.LINETO, "C": Path.CURVE4}
_SANS = "DejaVu Sans"
_SERIF = "DejaVu Serif"


def to_png(drawing: Drawing, *, scale: float = 2.0) -> bytes:
    """Return the drawing as the bytes of a PNG file.

    Parameters
    ----------
    drawing : Drawing
    scale : float
        Pixels per drawing unit; 2 is sharp on paper up to about 20 cm of width.
    """
    room, heading_y = frame(drawing)
    width, height = room.x1 - room.x0, room.y1 - room.y0
    figure = Figure(figsize=(width / 72, height / 72), dpi=72 * scale, facecolor=PAPER)
    canvas = FigureCanvasAgg(figure)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.set_xlim(room.x0, room.x1)
    axes.set_ylim(room.y1, room.y0)
    left = room.x0 + MARGIN
    axes.text(left, heading_y, _plain(drawing.name), fontsize=HEADING_SIZE, family=_SERIF, color=INK)
    for index, row in enumerate(summary_rows(drawing)):
        axes.text(
            left, heading_y + 20 + 16 * index, _plain(row), fontsize=SUMMARY_SIZE * 0.92, family=_SANS, color=MUTED
        )
    for wire in drawing.wires:
        _paint(axes, Stroke((("M", wire.a), ("L", wire.b)), "wire"))
    for dot in drawing.dots:
        axes.add_patch(Circle(dot, DOT_RADIUS, facecolor=INK, edgecolor="none"))
    for stroke in drawing.strokes():
        _paint(axes, stroke)
    for text in drawing.texts():
        _write(axes, text)
    target = io.BytesIO()
    canvas.print_png(target)  # type: ignore[no-untyped-call]
    return target.getvalue()


def _plain(text: str) -> str:
    return text.replace("$", r"\$")


def _paint(axes: Axes, stroke: Stroke) -> None:
    vertices, codes = [], []
    for letter, values in stroke.commands:
        points = [(values[index], values[index + 1]) for index in range(0, len(values), 2)]
        vertices += points
        codes += [_CODES[letter]] * len(points)
    colour, width, dash = STROKES[stroke.role]
    if stroke.filled:
        axes.add_patch(PathPatch(Path(vertices, codes), facecolor=colour, edgecolor="none"))
        return
    style = (0, tuple(part / width for part in dash)) if dash else "solid"
    axes.add_patch(
        PathPatch(
            Path(vertices, codes),
            facecolor="none",
            edgecolor=colour,
            linewidth=width,
            linestyle=style,
            capstyle="round",
            joinstyle="round",
        )
    )


def _write(axes: Axes, text: Text) -> None:
    colour, weight = TEXTS[text.role]
    axes.text(
        *text.at,
        _plain(text.text),
        fontsize=text.size * 0.96,
        family=_SANS,
        weight="bold" if weight > 400 else "normal",
        color=colour,
        horizontalalignment={"start": "left", "middle": "center", "end": "right"}[text.anchor],
        verticalalignment="baseline",
    )
