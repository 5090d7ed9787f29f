"""A plot over a knob's turn, 0 to 10: what share of a track lies below the wiper, or what level arrives.

Drawn by hand like the live curve, with the same palette; labels stand on the lines, since all of them end alike.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from labkit.core.errors import InputError
from labkit.view.palette import EDGE, LINE, MUTED, NOW, PAPER, SANS, CurveStyle

WIDTH, HEIGHT = 372, 268
_LEFT, _RIGHT, _TOP, _BOTTOM = 46, 12, 12, 40


@dataclass(frozen=True, slots=True, kw_only=True)
class KnobLine:
    """One line: positions 0 … 10, rising, a value for each, and where its label stands."""

    position: np.ndarray
    value: np.ndarray
    label: str
    style: CurveStyle = NOW

    def __post_init__(self) -> None:
        if self.position.shape != self.value.shape or self.position.ndim != 1 or self.position.size < 2:
            raise InputError(f"line '{self.label}' needs as many values as positions, two at least")


def draw_knob_plot(
    lines: Sequence[KnobLine],
    *,
    title: str,
    description: str,
    low: float,
    high: float,
    step: float,
    unit: str,
    axis: str,
    mark: float | None = None,
) -> str:
    """Return the plot as one ``<svg>`` element that scales with its place.

    Parameters
    ----------
    lines : sequence of KnobLine
        The first is drawn on top.
    title, description : str
        Text alternative. Escaped here.
    low, high, step : float
        Ends of the value axis and distance of its lines; values outside are cut off at the frame.
    unit, axis : str
        Unit of the value axis, and what the turn is the turn of.
    mark : float, optional
        Present position of the knob.
    """
    if not (high > low and step > 0):
        raise InputError(f"a value axis needs low < high and a step above 0; got {low:g}, {high:g}, {step:g}")
    right, bottom = WIDTH - _RIGHT, HEIGHT - _BOTTOM

    def x(position: float) -> float:
        return _LEFT + position / 10 * (right - _LEFT)

    def y(value: float) -> float:
        return _TOP + (high - min(max(value, low), high)) / (high - low) * (bottom - _TOP)

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" class="lab-knob-plot" viewBox="0 0 {WIDTH} {HEIGHT}" '
        f'width="{WIDTH}" height="{HEIGHT}" font-family="{escape(SANS)}" font-size="13" '
        f'aria-label="{escape(title)}. {escape(description)}">'
        f"<title>{escape(title)}</title><desc>{escape(description)}</desc>"
    ]
    for position in range(0, 11, 2):
        parts.append(_line(x(position), _TOP, x(position), bottom, LINE))
        parts.append(_text(x(position), bottom + 16, str(position), "middle"))
    for index in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1):
        value = index * step
        parts.append(_line(_LEFT, y(value), right, y(value), LINE))
        parts.append(_text(_LEFT - 6, y(value) + 4, f"{value:g}{unit}".replace("-", "−"), "end"))
    parts.append(_text((_LEFT + right) / 2, HEIGHT - 6, axis, "middle"))
    if mark is not None:
        parts.append(_line(x(mark), _TOP, x(mark), bottom, EDGE, dash="3 3"))
    for line in reversed(lines):
        points = " ".join(f"{x(turn):.1f},{y(value):.1f}" for turn, value in zip(line.position, line.value))
        dash = f' stroke-dasharray="{" ".join(f"{length:g}" for length in line.style.dash)}"' if line.style.dash else ""
        parts.append(
            f'<polyline fill="none" stroke="{line.style.colour}" stroke-width="{line.style.width:g}" '
            f'stroke-linejoin="round"{dash} data-label="{escape(line.label)}" points="{points}"/>'
        )
    for line, (at_x, at_y) in zip(lines, _places(lines, x, y)):
        parts.append(
            f'<text x="{at_x:.1f}" y="{at_y:.1f}" text-anchor="end" fill="{line.style.colour}" font-weight="600" '
            f'paint-order="stroke" stroke="{PAPER}" stroke-width="4">{escape(line.label)}</text>'
        )
    parts.append("</svg>")
    return "".join(parts)


def _places(lines: Sequence[KnobLine], x: object, y: object) -> list[tuple[float, float]]:
    """Where labels stand: left above their line at the turn where it is farthest from all the others."""
    turns = np.linspace(3.5, 8.0, 19)
    heights = np.array([[y(value) for value in np.interp(turns, line.position, line.value)] for line in lines])  # type: ignore[operator]
    places = []
    for index, own in enumerate(heights):
        others = np.delete(heights, index, axis=0)
        room = np.min(np.abs(others - own), axis=0) if others.size else np.full(turns.size, 99.0)
        best = int(np.argmax(np.minimum(room, 24.0) - np.abs(turns - 5.5)))
        places.append((x(float(turns[best])) - 6, float(own[best]) - 3))  # type: ignore[operator]
    return places


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, *, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}"{dashed}/>'


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" fill="{MUTED}" text-anchor="{anchor}">{escape(text)}</text>'
