"""The field over a pickup as a picture: how strong it stands up over every place, and which way it leans."""

from __future__ import annotations

from pathlib import Path

from matplotlib.figure import Figure

from labkit.pickup.predict.field_map import FieldMap
from labkit.view.curve.plot import write_figure
from labkit.view.palette import COPPER, INK, MUTED, PAPER

_SIZE = (8.2, 4.8)
_ARROWS = 3  # places between two arrows


def field_map_figure(found: FieldMap) -> Figure:
    """Return a field map as a figure: lines of equal upward field in mT, arrows for the field in the plane."""
    drawing = Figure(figsize=_SIZE, facecolor=PAPER)
    axes = drawing.add_axes((0.09, 0.14, 0.86, 0.7), facecolor=PAPER)
    x, y = 1e3 * found.across_strings, 1e3 * found.along_strings
    upwards = 1e3 * found.field[..., 2].T
    lines = axes.contour(x, y, upwards, levels=9, colors=COPPER, linewidths=1.1)
    axes.clabel(lines, fmt="%g", fontsize=8)
    some = slice(None, None, _ARROWS)
    across, along = (1e3 * found.field[some, some, part].T for part in (0, 1))
    axes.quiver(x[some], y[some], across, along, color=MUTED, width=0.0022, pivot="mid")
    axes.plot(*(1e3 * found.poles.T), linestyle="none", marker="o", markersize=7, markerfacecolor="none", color=INK)
    axes.set_aspect("equal")
    axes.tick_params(colors=MUTED, length=0)
    axes.set_xlabel("Across the strings in mm", color=MUTED)
    axes.set_ylabel("Along the strings in mm", color=MUTED)
    drawing.text(0.09, 0.93, f"{found.name}, {1e3 * found.height:g} mm over its poles", color=INK, fontsize=12)
    drawing.text(0.09, 0.875, "Lines: field upwards in mT. Arrows: field in the plane.", color=MUTED, fontsize=9)
    return drawing


def plot_field_map(found: FieldMap, path: Path, *, overwrite: bool = False) -> None:
    """Draw a field map into an SVG, PNG or PDF file, by the ending of its name; whole or not at all.

    Raises
    ------
    InputError
        If the ending is another one or the file cannot be written.
    """
    write_figure(field_map_figure(found), path, overwrite=overwrite)
