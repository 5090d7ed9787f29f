"""A plot over a knob's turn, 0 to 10: what share of a track lies below the wiper, or what level arrives.

Labels stand on the lines, since all of them end alike.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from labkit.core.errors import InputError
from labkit.view import svg
from labkit.view.palette import EDGE, LINE, NOW, CurveStyle

Scale = Callable[[float], float]

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
        Ends of the value axis and distance of its lines; what lies outside is not drawn.
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

    parts = []
    for position in range(0, 11, 2):
        parts.append(svg.line(x(position), _TOP, x(position), bottom, LINE))
        parts.append(svg.text(x(position), bottom + 16, str(position), anchor="middle"))
    for index in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1):
        value = index * step
        parts.append(svg.line(_LEFT, y(value), right, y(value), LINE))
        parts.append(svg.text(_LEFT - 6, y(value) + 4, f"{value:g}{unit}".replace("-", "−"), anchor="end"))
    parts.append(svg.text((_LEFT + right) / 2, HEIGHT - 6, axis, anchor="middle"))
    if mark is not None:
        parts.append(svg.line(x(mark), _TOP, x(mark), bottom, EDGE, stroke_dasharray="3 3"))
    for line in reversed(lines):
        shown = (line.value >= low) & (line.value <= high)
        across, down = map(x, line.position[shown].tolist()), map(y, line.value[shown].tolist())
        parts.append(svg.polyline(across, down, line.style, stroke_linejoin="round", data_label=line.label))
    for line, (at_x, at_y, anchor) in zip(lines, _places(lines, x, y)):
        parts.append(svg.label(at_x, at_y, line.label, line.style.colour, anchor=anchor, halo=4))
    return svg.document("lab-knob-plot", WIDTH, HEIGHT, parts, title=title, description=description)


def _places(lines: Sequence[KnobLine], x: Scale, y: Scale) -> list[tuple[float, float, str]]:
    """Where labels stand, and their anchor: beside their line, where they are clear of all lines and labels."""
    boxes: list[tuple[float, float, float, float]] = []
    places = []
    for line in lines:
        long = 7.2 * len(line.label)
        best, chosen, best_worth = (0.0, 0.0, "end"), (0.0, 0.0, 0.0, 0.0), -math.inf
        for turn in np.linspace(2.0, 9.0, 29).tolist():
            at_x, at_y = x(turn), y(float(np.interp(turn, line.position, line.value)))
            for box, place in (
                ((at_x - 6 - long, at_y - 15, at_x - 6, at_y - 2), (at_x - 6, at_y - 4, "end")),
                ((at_x + 6, at_y + 3, at_x + 6 + long, at_y + 16), (at_x + 6, at_y + 14, "start")),
            ):
                inside = box[0] > _LEFT and box[2] < WIDTH - _RIGHT and box[1] > _TOP and box[3] < HEIGHT - _BOTTOM
                free = min([_clearance(other, box, x, y) for other in lines] + [_apart(box, old) for old in boxes])
                worth = min(free, 8.0) - 0.4 * abs(turn - 5.5) - (0.0 if inside else 50.0)
                if worth > best_worth:
                    best, chosen, best_worth = place, box, worth
        boxes.append(chosen)
        places.append(best)
    return places


def _clearance(line: KnobLine, box: tuple[float, float, float, float], x: Scale, y: Scale) -> float:
    """Vertical distance of a line from a box, CSS pixels; below 0 where it runs through it."""
    turns = np.linspace(0.0, 10.0, 101)
    across = np.array([x(turn) for turn in turns.tolist()])
    over = (across >= box[0]) & (across <= box[2])
    if not over.any():
        return 99.0
    down = np.array([y(value) for value in np.interp(turns[over], line.position, line.value).tolist()])
    return float(np.min(np.maximum(box[1] - down, down - box[3])))


def _apart(box: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> float:
    return max(other[0] - box[2], box[0] - other[2], other[1] - box[3], box[1] - other[3])
