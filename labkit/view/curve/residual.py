"""What a fit leaves over: measured minus fitted, dB, over the same frequency axis as the curve above it."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np

from labkit.view import svg
from labkit.view.curve.curve import (
    COMPACT_BELOW,
    HIGH_HZ,
    LOW_HZ,
    Curve,
    Frame,
    clamped_width,
    frequency_lines,
    level_name,
)
from labkit.view.palette import EDGE, LINE

REACHES_DB = (0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
"""Ends of the axis: the smallest that holds every residual."""


def residual_reach(residuals: Sequence[Curve]) -> float:
    """Return the end of the axis, dB.

    >>> residual_reach([Curve(frequency_hz=np.array([1e2, 1e3]), gain_db=np.array([0.1, -0.6]), label="bare")])
    1.0
    """
    largest = max((float(np.max(np.abs(curve.gain_db))) for curve in residuals if curve.gain_db.size), default=0.0)
    return next((bound for bound in REACHES_DB if largest <= bound), 100.0)


def draw_residuals(
    residuals: Sequence[Curve],
    *,
    description: str,
    width: int = 790,
    low_hz: float = LOW_HZ,
    high_hz: float = HIGH_HZ,
) -> str:
    """Return the residuals of a fit as one ``<svg>`` around a zero line, over the axis of a curve of the same width.

    Parameters
    ----------
    residuals : sequence of Curve
        Measured minus fitted, dB.
    description : str
        Text alternative.
    width : int
        CSS pixels.
    low_hz, high_hz : float
        Ends of the frequency axis, Hz.
    """
    width = clamped_width(width)
    height = 96 if width < COMPACT_BELOW else 132
    reach = residual_reach(residuals)
    frame = Frame.of(width, top=8, bottom=height - 20, hz=(low_hz, high_hz), db=(-reach, reach))
    parts = frequency_lines(frame)
    for level in (-reach, 0.0, reach):
        y = float(frame.y(level))
        parts.append(svg.line(frame.left, y, frame.right, y, EDGE if level == 0 else LINE))
        parts.append(svg.text(frame.left - 5, y + 4, level_name(level), anchor="end"))
    for curve in residuals:
        inside = (curve.frequency_hz >= low_hz) & (curve.frequency_hz <= high_hz)
        across, down = frame.x(curve.frequency_hz[inside]).tolist(), frame.y(curve.gain_db[inside]).tolist()
        tip = svg.element("title", escape(curve.label))
        parts.append(svg.polyline(across, down, curve.style, tip, stroke_width=1.2))
    return svg.document(
        "lab-residual", width, height, parts, title="Measured minus fitted", description=description, size=12
    )
