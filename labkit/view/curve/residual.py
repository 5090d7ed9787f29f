"""What a fit leaves over: measured minus fitted, dB, over the same frequency axis as the curve above it."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np

from labkit.view.curve.curve import (
    COMPACT_BELOW,
    HIGH_HZ,
    LEAST_WIDTH,
    LOW_HZ,
    MOST_WIDTH,
    Curve,
    Frame,
)
from labkit.view.palette import EDGE, LINE, MUTED, SANS

REACHES_DB = (0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
"""Ends of the axis: the smallest that holds every residual."""

TICKS_HZ = (50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)


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
    right_margin: float = 60.0,
    low_hz: float = LOW_HZ,
    high_hz: float = HIGH_HZ,
) -> str:
    """Return the residuals of a fit as one ``<svg>``: a point for each measured point around a zero line.

    Parameters
    ----------
    residuals : sequence of Curve
        Measured minus fitted, dB.
    description : str
        Text alternative.
    width : int
        CSS pixels.
    right_margin : float
        Room on the right, so that the frequency axis meets that of the curve above.
    low_hz, high_hz : float
        Ends of the frequency axis, Hz.
    """
    width = int(min(max(width, LEAST_WIDTH), MOST_WIDTH))
    compact = width < COMPACT_BELOW
    height = 96 if compact else 132
    reach = residual_reach(residuals)
    frame = Frame(
        width=width,
        height=height,
        left=34 if compact else 44,
        right=width - right_margin,
        top=8,
        bottom=height - 20,
        low_hz=low_hz,
        high_hz=high_hz,
        low_db=-reach,
        high_db=reach,
    )
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" class="lab-residual" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" aria-label="{escape(description)}" font-family="{escape(SANS)}" '
        f'font-size="12" fill="{MUTED}"><title>Measured minus fitted</title><desc>{escape(description)}</desc>'
    ]
    for tick in TICKS_HZ[1::2] if compact else TICKS_HZ:
        if not low_hz <= tick <= high_hz:
            continue
        x = float(frame.x(tick))
        name = f"{tick // 1000}k" if tick >= 1000 else str(tick)
        parts.append(f'<line x1="{x:.1f}" y1="{frame.top}" x2="{x:.1f}" y2="{frame.bottom}" stroke="{LINE}"/>')
        parts.append(f'<text x="{x:.1f}" y="{height - 5}" text-anchor="middle">{name}</text>')
    for level in (-reach, 0.0, reach):
        y = float(frame.y(level))
        colour = EDGE if level == 0 else LINE
        words = f"{level:+g}".replace("-", "−") if level else "0"
        parts.append(
            f'<line x1="{frame.left}" y1="{y:.1f}" x2="{frame.right:.1f}" y2="{y:.1f}" stroke="{colour}"/>'
            f'<text x="{frame.left - 6}" y="{y + 4:.1f}" text-anchor="end">{words}</text>'
        )
    for curve in residuals:
        inside = (curve.frequency_hz >= low_hz) & (curve.frequency_hz <= high_hz)
        x_all, y_all = frame.x(curve.frequency_hz[inside]), frame.y(curve.gain_db[inside])
        dash = f' stroke-dasharray="{" ".join(f"{part:g}" for part in curve.style.dash)}"' if curve.style.dash else ""
        joined = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x_all.tolist(), y_all.tolist()))
        parts.append(
            f'<polyline fill="none" stroke="{curve.style.colour}" stroke-width="1.2"{dash} points="{joined}">'
            f"<title>{escape(curve.label)}</title></polyline>"
        )
    parts.append("</svg>")
    return "".join(parts)
