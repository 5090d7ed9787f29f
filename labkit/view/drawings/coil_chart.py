"""Coils over the months against their plan: a mark for each, limits of the workshop's own scatter, changes of reel."""

from __future__ import annotations

import math
from collections.abc import Callable

from labkit.book.chart import Chart, SpoolRun
from labkit.view import svg
from labkit.view.palette import BLUE, COPPER, LINE, MUTED, PAPER, WARN

HEIGHT = 300
_LEFT, _RIGHT, _TOP, _BOTTOM = 52, 12, 30, 34
_STEPS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)


def draw_coil_chart(chart: Chart, *, width: int = 790, height: int = HEIGHT) -> str:
    """Return the drawing, SVG: percent of the plan (dB of a height), coils in the order of winding.

    Parameters
    ----------
    chart : Chart
    width, height : int
        CSS pixels.
    """
    is_db = chart.quantity == "height"

    def shown(off: float) -> float:
        return off if is_db else 100 * math.expm1(off)

    tolerance = 0.0 if is_db else 100 * chart.tolerance
    most = max([abs(shown(each.off)) for each in chart.points] + [tolerance])
    step = next((step for step in _STEPS if 4 * step >= most * 1.08), _STEPS[-1])
    top = step * math.ceil(most * 1.08 / step)
    count = len(chart.points)

    def x(index: float) -> float:
        return _LEFT + (index + 0.5) / count * (width - _LEFT - _RIGHT)

    def y(value: float) -> float:
        return _TOP + (top - value) / (2 * top) * (height - _TOP - _BOTTOM)

    unit = "dB" if is_db else "%"
    parts = []
    if not is_db:
        parts.append(
            svg.rectangle(
                _LEFT,
                y(tolerance),
                width - _LEFT - _RIGHT,
                y(-tolerance) - y(tolerance),
                COPPER,
                fill_opacity=0.1,
            )
        )
    for number in range(-round(top / step), round(top / step) + 1):
        value = number * step
        parts.append(svg.line(_LEFT, y(value), width - _RIGHT, y(value), MUTED if number == 0 else LINE))
        words = f"{value:+g} {unit}".replace("-", "−") if number else f"0 {unit}"
        parts.append(svg.text(_LEFT - 6, y(value) + 4, words, anchor="end"))
    start = 0
    for run in chart.runs:
        parts += _run(run, x(start - 0.5), x(start + run.count - 0.5), lambda off: y(shown(off)), is_first=start == 0)
        start += run.count
    places = [(x(index), y(shown(each.off))) for index, each in enumerate(chart.points)]
    parts.append(
        svg.element(
            "polyline", fill="none", stroke=MUTED, stroke_width=1, points=svg.points(*zip(*places)) if places else ""
        )
    )
    for each, (across, down) in zip(chart.points, places):
        parts.append(_mark(across, down, is_outside=each.is_outside, is_left_out=bool(each.left_out)))
    every = max(1, math.ceil(count * 44 / max(width - _LEFT - _RIGHT, 1)))
    for index in range(0, count, every):
        parts.append(svg.text(x(index), height - 12, chart.points[index].serial, anchor="middle"))
    said = "; ".join(chart.sentences) or "nothing stands out"
    return svg.document(
        "lab-coil-chart",
        width,
        height,
        parts,
        title=f"{chart.design}: {chart.quantity.replace('_', ' ')} of {count} coils against their plan",
        description=said,
    )


def _run(run: SpoolRun, left: float, right: float, place: Callable[[float], float], *, is_first: bool) -> list[str]:
    parts = []
    if not is_first:
        parts.append(svg.line(left, _TOP - 8, left, HEIGHT - _BOTTOM, MUTED, stroke_dasharray="2 3"))
    if right - left > 7 * len(run.spool):
        parts.append(svg.text(left + 3, _TOP - 12, run.spool or "no reel said"))
    parts.append(svg.line(left + 2, place(run.middle), right - 2, place(run.middle), BLUE, stroke_width=2))
    for limit in run.limits or ():
        parts.append(svg.line(left + 2, place(limit), right - 2, place(limit), BLUE, stroke_dasharray="6 4"))
    return parts


def _mark(across: float, down: float, *, is_outside: bool, is_left_out: bool) -> str:
    if is_outside:
        return svg.line(across - 5, down - 5, across + 5, down + 5, WARN, stroke_width=2.5) + svg.line(
            across - 5, down + 5, across + 5, down - 5, WARN, stroke_width=2.5
        )
    if is_left_out:
        return svg.rectangle(across - 4, down - 4, 8, 8, PAPER, stroke=MUTED, stroke_width=1.5)
    return svg.element("circle", cx=across, cy=down, r=4.5, fill=PAPER, stroke=COPPER, stroke_width=2)
