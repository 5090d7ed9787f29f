"""The record of a fit: values with bounds, measured points on the fitted curve, and what is left over."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from labkit.bench.fit.fit import Fit, describe_fixture
from labkit.bench.fit.fixture import Measurement
from labkit.core.errors import InputError
from labkit.report.paper_page import (
    TO_FILL_IN,
    PaperHead,
    bounds,
    bullets,
    curves_figure,
    figure,
    grid,
    page,
    text,
    titled,
)
from labkit.view.curve.curve import Curve
from labkit.view.palette import BLUE, COPPER, LINE, MUTED, SANS

WIDTH, CURVE_HEIGHT, RESIDUAL_HEIGHT, LEFT, GAP = 660, 190, 110, 44, 26
_DECADES = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)


def fit_paper_html(fit: Fit, measurements: Sequence[Measurement], *, head: PaperHead = TO_FILL_IN) -> str:
    """Return the printable record of a fit.

    Parameters
    ----------
    fit : Fit
    measurements : sequence of Measurement
        Those the fit was made from, in the same order.
    head : PaperHead

    Raises
    ------
    InputError
        If the measurements are not those of the fit.
    """
    names = [measurement.sweep.name for measurement in measurements]
    if names != [residual.name for residual in fit.residuals]:
        raise InputError(f"the fit '{fit.name}' was made from other sweeps than {', '.join(names) or 'none'}")
    rows = [
        ("Resistance", bounds(fit.resistance, "Ω")),
        ("Inductance", bounds(fit.inductance, "H")),
        ("Capacitance", bounds(fit.capacitance, "F")),
    ]
    if fit.loss_resistance is not None:
        rows.append(("Parallel loss", bounds(fit.loss_resistance, "Ω")))
    for order, section in enumerate(fit.eddy, start=1):
        fraction = section.fraction
        rows.append((f"Eddy {order}, fraction", f"{fraction.value:.3f} ({fraction.low:.3f} to {fraction.high:.3f})"))
        rows.append((f"Eddy {order}, corner", bounds(section.corner_hz, "Hz")))
    if fit.rig_corner_hz is not None:
        rows.append(("Rig corner", bounds(fit.rig_corner_hz, "Hz")))
    body = [grid(("Value", "with 95 % bounds"), rows), bullets("Warnings", fit.warnings)]
    for measurement, residual in zip(measurements, fit.residuals):
        rms = float(np.sqrt(np.mean(residual.level_db**2)))
        description = (
            f"{describe_fixture(measurement)}. Residuals {rms:.2f} dB rms over all points, largest "
            f"{np.max(np.abs(residual.level_db)):.2f} dB."
        )
        drawing = residual_drawing(measurement, residual.frequency_hz, residual.level_db, description)
        caption = f"Points: measured; line: fitted; below: measured minus fitted. {description}"
        body.append(titled(measurement.sweep.name, figure(drawing, caption)))
    if fit.prediction is not None:
        seen = fit.prediction
        curve = Curve(
            frequency_hz=seen.frequency_hz,
            gain_db=seen.level_db,
            low_db=seen.low_db,
            high_db=seen.high_db,
            label="predicted",
        )
        caption = f"{seen.sentence} The band holds the curve in 95 of 100 cases."
        drawn = curves_figure(
            [curve], title="Predicted curve", description=seen.sentence, height=CURVE_HEIGHT + GAP, caption=caption
        )
        body.append(titled("What it predicts", drawn))
    body.append(bullets("Where most of the doubt comes from", fit.doubts))
    strong = [(f"{a} and {b}", f"{value:+.2f}") for (a, b), value in fit.correlations.items() if abs(value) > 0.8]
    if strong:
        body.append(titled("Values that lean on each other", grid(("Pair", "Correlation"), strong)))
    body.append(bullets("How it was taken", fit.provenance))
    return page(f"Fit: {fit.name}", head, body)


def residual_drawing(
    measurement: Measurement, frequency_hz: np.ndarray, residual_db: np.ndarray, description: str
) -> str:
    """Return an SVG of two panels over one log-frequency axis: level with its fit, and the residual.

    Parameters
    ----------
    measurement : Measurement
    frequency_hz, residual_db : ndarray, shape (F,), Hz and dB
        As in `labkit.bench.fit.fit.Residual`.
    description : str
        Text alternative.
    """
    sweep = measurement.sweep
    level = np.interp(np.log(frequency_hz), np.log(sweep.frequency_hz), sweep.level_db)
    fitted = level - residual_db
    low_hz, high_hz = float(frequency_hz[0]), float(frequency_hz[-1])

    def x(hertz: np.ndarray | float) -> np.ndarray:
        part: np.ndarray = LEFT + np.log(np.asarray(hertz) / low_hz) / math.log(high_hz / low_hz) * (WIDTH - LEFT - 8)
        return part

    top = math.ceil(max(level.max(), fitted.max()) / 10) * 10
    bottom = math.floor(min(level.min(), fitted.min()) / 10) * 10
    reach = _reach(float(np.max(np.abs(residual_db))))
    second = CURVE_HEIGHT + GAP

    def y(decibels: np.ndarray | float) -> np.ndarray:
        place: np.ndarray = 8 + (top - np.asarray(decibels)) / max(top - bottom, 1) * (CURVE_HEIGHT - 8)
        return place

    def y_rest(decibels: np.ndarray | float) -> np.ndarray:
        place: np.ndarray = second + (reach - np.asarray(decibels)) / (2 * reach) * RESIDUAL_HEIGHT
        return place

    height = second + RESIDUAL_HEIGHT + 36
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" width="{WIDTH}" height="{height}" '
        f'viewBox="0 0 {WIDTH} {height}" aria-label="{text(description)}" font-family="{text(SANS)}" font-size="11" '
        f'fill="{MUTED}"><title>{text(measurement.sweep.name)}</title><desc>{text(description)}</desc>'
    ]
    for hertz in _DECADES:
        if low_hz <= hertz <= high_hz:
            place = float(x(float(hertz)))
            label = f"{hertz // 1000}k" if hertz >= 1000 else f"{hertz}"
            for start, end in ((8, CURVE_HEIGHT), (second, second + RESIDUAL_HEIGHT)):
                parts.append(_line(place, start, place, end))
            parts.append(_label(place, second + RESIDUAL_HEIGHT + 14, label, "middle"))
    step = 10 if top - bottom <= 60 else 20
    for tick in range(bottom, top + 1, step):
        parts.append(_line(LEFT, float(y(tick)), WIDTH - 8, float(y(tick))))
        parts.append(_label(LEFT - 6, float(y(tick)) + 4, _signed(tick), "end"))
    for value in (-reach, 0.0, reach):
        parts.append(_line(LEFT, float(y_rest(value)), WIDTH - 8, float(y_rest(value))))
        parts.append(_label(LEFT - 6, float(y_rest(value)) + 4, _signed(value), "end"))
    parts.append(_label((LEFT + WIDTH) / 2, height - 4, "Frequency in hertz; levels in dB", "middle"))
    parts.append(_path(x(frequency_hz), y(fitted), COPPER, 2.0))
    parts += [f'<circle cx="{a:.1f}" cy="{b:.1f}" r="1.6" fill="{BLUE}"/>' for a, b in zip(x(frequency_hz), y(level))]
    parts.append(_path(x(frequency_hz), y_rest(residual_db), BLUE, 1.4))
    parts.append("</svg>")
    return "".join(parts)


def _reach(largest: float) -> float:
    """Smallest round number that holds the largest residual, 0.1 dB at least."""
    for bound in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0):
        if largest <= bound:
            return bound
    return 100.0


def _signed(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _line(x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{LINE}"/>'


def _label(x: float, y: float, words: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{text(words)}</text>'


def _path(x: np.ndarray, y: np.ndarray, colour: str, width: float) -> str:
    points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y))
    return f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="{width}"/>'
