"""The record of a fit: values with bounds, measured points on the fitted curve, and what is left over."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from labkit.bench.fit.fit import Fit, describe_fixture
from labkit.bench.fit.fixture import Measurement
from labkit.core.errors import InputError
from labkit.report.paper_page import TO_FILL_IN, PaperHead, bounds, bullets, curves_figure, figure, grid, page, titled
from labkit.view import svg
from labkit.view.curve.curve import Curve, Frame
from labkit.view.curve.residual import residual_reach
from labkit.view.palette import BLUE, COPPER, LINE, MUTED, CurveStyle

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

    top = math.ceil(max(level.max(), fitted.max()) / 10) * 10
    bottom = math.floor(min(level.min(), fitted.min()) / 10) * 10
    reach = residual_reach([Curve(frequency_hz=frequency_hz, gain_db=residual_db, label="")])
    second = CURVE_HEIGHT + GAP
    height = second + RESIDUAL_HEIGHT + 36
    upper = Frame(
        width=WIDTH,
        left=LEFT,
        right=WIDTH - 8,
        top=8,
        bottom=CURVE_HEIGHT,
        low_hz=low_hz,
        high_hz=high_hz,
        low_db=bottom,
        high_db=max(top, bottom + 1),
    )
    lower = replace(upper, top=second, bottom=second + RESIDUAL_HEIGHT, low_db=-reach, high_db=reach)
    parts = []
    for hertz in _DECADES:
        if low_hz <= hertz <= high_hz:
            x = float(upper.x(float(hertz)))
            parts += [svg.line(x, panel.top, x, panel.bottom, LINE) for panel in (upper, lower)]
            label = f"{hertz // 1000}k" if hertz >= 1000 else f"{hertz}"
            parts.append(svg.text(x, lower.bottom + 14, label, anchor="middle"))
    ticks = range(bottom, top + 1, 10 if top - bottom <= 60 else 20)
    for panel, values in ((upper, ticks), (lower, (-reach, 0.0, reach))):
        for value in values:
            y = float(panel.y(value))
            parts.append(svg.line(LEFT, y, WIDTH - 8, y, LINE))
            parts.append(svg.text(LEFT - 6, y + 4, _signed(value), anchor="end"))
    parts.append(svg.text((LEFT + WIDTH) / 2, height - 4, "Frequency in hertz; levels in dB", anchor="middle"))
    x_all = upper.x(frequency_hz).tolist()
    parts.append(svg.polyline(x_all, upper.y(fitted).tolist(), CurveStyle(colour=COPPER, dash=(), width=2.0)))
    parts += [svg.element("circle", cx=x, cy=y, r=1.6, fill=BLUE) for x, y in zip(x_all, upper.y(level).tolist())]
    parts.append(svg.polyline(x_all, lower.y(residual_db).tolist(), CurveStyle(colour=BLUE, dash=(), width=1.4)))
    return svg.document(
        "lab-fit", WIDTH, height, parts, title=measurement.sweep.name, description=description, size=11, fill=MUTED
    )


def _signed(value: float) -> str:
    return f"{value:g}".replace("-", "−")
