"""An interval drawn on a scale: a thick mark at the best guess, a bar over 95 of 100, dashes where another one lies."""

from __future__ import annotations

import math
from dataclasses import dataclass

from labkit.core.sourced import Interval
from labkit.view import svg
from labkit.view.palette import BLUE, COPPER, LINE

WIDTH, HEIGHT, _EDGE = 160, 22, 4


@dataclass(frozen=True, slots=True, kw_only=True)
class IntervalScale:
    """Ends of a scale, in the unit of what is drawn on it; the same for every pickup, so that rows can be compared."""

    low: float
    high: float
    is_log: bool = True

    def place(self, value: float) -> float:
        """Return where a value lies, 0 to 1; what lies beyond an end stands at it.

        >>> IntervalScale(low=1.0, high=100.0).place(10.0), IntervalScale(low=0.0, high=2.0, is_log=False).place(3.0)
        (0.5, 1.0)
        """
        if self.is_log:
            part = math.log(max(value, self.low) / self.low) / math.log(self.high / self.low)
        else:
            part = (value - self.low) / (self.high - self.low)
        return min(max(part, 0.0), 1.0)


def draw_interval(interval: Interval, scale: IntervalScale, *, other: float | None = None) -> str:
    """Return the drawing, SVG, hidden from readers of the screen: its numbers stand beside it.

    Parameters
    ----------
    interval : Interval
    scale : IntervalScale
    other : float, optional
        The best guess of what it is compared with.
    """

    def x(value: float) -> float:
        return _EDGE + scale.place(value) * (WIDTH - 2 * _EDGE)

    middle = HEIGHT / 2
    low, high, best = x(interval.low), x(interval.high), x(interval.value)
    parts = [svg.line(_EDGE, middle, WIDTH - _EDGE, middle, LINE)]
    if high > low:
        parts.append(svg.line(low, middle, high, middle, COPPER, stroke_width=6, stroke_opacity=0.45))
        parts += [svg.line(end, 6, end, HEIGHT - 6, COPPER, stroke_width=1.5) for end in (low, high)]
    if other is not None:
        parts.append(svg.line(x(other), 1, x(other), HEIGHT - 1, BLUE, stroke_width=2, stroke_dasharray="3 2"))
    parts.append(svg.line(best, 4, best, HEIGHT - 4, COPPER, stroke_width=4))
    return svg.element(
        "svg",
        *parts,
        class_="lab-iv",
        viewBox=f"0 0 {WIDTH} {HEIGHT}",
        preserveAspectRatio="none",
        aria_hidden="true",
    )
