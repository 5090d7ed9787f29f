"""Where magnets stand on the demagnetisation curve of their grade: fresh, and after what has happened to them."""

from __future__ import annotations

import numpy as np

from labkit.pickup.magnetics.history import Aged
from labkit.pickup.magnetics.magnet import MagnetGrade, polarisation
from labkit.view import svg
from labkit.view.curve.curve import LEAST_WIDTH, MOST_WIDTH
from labkit.view.palette import BLUE, COPPER, EDGE, INK, LINE, MUTED, NOW

_HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 230, 16, 62, 22, 46


def working_point_in_words(grade: MagnetGrade, aged: Aged) -> str:
    """Say where the magnets stand.

    Parameters
    ----------
    grade : MagnetGrade
    aged : Aged
    """
    fresh, now = aged.fresh, aged.now
    text = (
        f"In their own and their neighbours' field of {-fresh.field / 1e3:.0f} kA/m freshly charged magnets of "
        f"{grade.name} keep {fresh.polarisation:.2f} T of their {grade.remanence.value:.2f} T"
    )
    if not aged.steps:
        return f"{text}."
    left = aged.left
    return (
        f"{text}; after what has happened to them {now.polarisation:.2f} T. Of the magnetisation of the whole pickup "
        f"{100 * left.value:.0f} % is left (95 of 100 lie between {100 * left.low:.0f} and {100 * left.high:.0f} %)."
    )


def draw_working_point(grade: MagnetGrade, aged: Aged, *, width: int = 380) -> str:
    """Return the second quadrant as one ``<svg>``: the grade's curve, the load line, and where the magnets stand.

    Parameters
    ----------
    grade : MagnetGrade
        Of the magnets, or of the first of several.
    aged : Aged
    width : int
        CSS pixels.
    """
    width = int(min(max(width, LEAST_WIDTH), MOST_WIDTH))
    limit, top = grade.coercivity.value, grade.remanence.value * 1.05

    def place(field: float | np.ndarray, value: float | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        x = _LEFT + (1 + np.asarray(field) / limit) * (width - _LEFT - _RIGHT)
        y = _HEIGHT - _BOTTOM - np.asarray(value) / top * (_HEIGHT - _TOP - _BOTTOM)
        return x, y

    (left, floor), (right, ceiling) = place(-limit, 0.0), place(0.0, top)
    parts = [svg.line(float(left), float(floor), float(right), float(floor), EDGE)]
    parts.append(svg.line(float(right), float(floor), float(right), float(ceiling), EDGE))
    step = 0.2 if top < 1.0 else 0.4
    for value in np.arange(step, top, step):
        _, y = place(0.0, float(value))
        parts.append(svg.line(float(left), float(y), float(right), float(y), LINE))
        parts.append(svg.text(float(right) + 6, float(y) + 4, f"{value:.1f} T"))
    field = np.linspace(-limit, 0.0, 160)
    curve = polarisation(field=field, remanence=grade.remanence.value, coercivity=limit, shape=grade.shape)
    parts.append(svg.polyline(*place(field, curve), NOW))
    fresh, now = aged.fresh, aged.now
    scale = min(1.0, limit / -fresh.field) if fresh.field < 0 else 1.0
    (x0, y0), (x1, y1) = place(0.0, 0.0), place(fresh.field * scale, fresh.polarisation * scale)
    parts.append(svg.line(float(x0), float(y0), float(x1), float(y1), BLUE, stroke_width=1.4, stroke_dasharray="6 4"))
    points = [(fresh, "fresh", COPPER)] + ([(now, "now", INK)] if aged.steps else [])
    for point, words, colour in points:
        x, y = place(max(point.field, -limit), point.polarisation)
        parts.append(svg.element("circle", cx=float(x), cy=float(y), r=5, fill=colour))
        parts.append(svg.label(float(x) + 9, float(y) + (4 if words == "fresh" else 18), words, colour))
    parts.append(svg.text(float(left), float(floor) + 18, f"−{limit / 1e3:.0f} kA/m"))
    parts.append(svg.text(float(right), float(floor) + 18, "0", anchor="end"))
    parts.append(
        svg.text(float(left), float(floor) + 36, "field inside; dashed: what length and neighbours ask for", MUTED)
    )
    title = f"{grade.name} on its demagnetisation curve"
    return svg.document(
        "lab-working-point",
        width,
        _HEIGHT,
        parts,
        title=title,
        description=working_point_in_words(grade, aged),
        size=12.5,
    )
