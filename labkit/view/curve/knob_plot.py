"""A plot over a knob's turn, 0 to 10: what share of a track lies below the wiper, or what level arrives.

Drawn by hand like the live curve, with the same palette; labels stand on the lines, since all of them end alike.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from labkit.core.errors import InputError
from labkit.view.palette import EDGE, LINE, MUTED, NOW, PAPER, SANS, CurveStyle

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
        shown = (line.value >= low) & (line.value <= high)
        pairs = zip(line.position[shown].tolist(), line.value[shown].tolist())
        points = " ".join(f"{x(turn):.1f},{y(value):.1f}" for turn, value in pairs)
        dash = f' stroke-dasharray="{" ".join(f"{length:g}" for length in line.style.dash)}"' if line.style.dash else ""
        parts.append(
            f'<polyline fill="none" stroke="{line.style.colour}" stroke-width="{line.style.width:g}" '
            f'stroke-linejoin="round"{dash} data-label="{escape(line.label)}" points="{points}"/>'
        )
    for line, (at_x, at_y, anchor) in zip(lines, _places(lines, x, y)):
        parts.append(
            f'<text x="{at_x:.1f}" y="{at_y:.1f}" text-anchor="{anchor}" fill="{line.style.colour}" font-weight="600" '
            f'paint-order="stroke" stroke="{PAPER}" stroke-width="4">{escape(line.label)}</text>'
        )
    parts.append("</svg>")
    return "".join(parts)


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


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, *, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}"{dashed}/>'


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" fill="{MUTED}" text-anchor="{anchor}">{escape(text)}</text>'
