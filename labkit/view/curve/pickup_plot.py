"""One pickup as a picture: its curve bare and into a usual load, and the field over its poles, with their intervals."""

from __future__ import annotations

from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from labkit.core.grid import HIGHEST_HZ
from labkit.core.units import format_quantity
from labkit.pickup.electrical import Pickup
from labkit.pickup.network import LOAD_CAPACITANCE, LOAD_RESISTANCE, loaded_response
from labkit.pickup.predict.built import BuiltPickup
from labkit.view.curve.curve import Curve
from labkit.view.curve.plot import figure, write_figure
from labkit.view.palette import COPPER, EDGE, INK, LINE, MUTED, NOW, PAPER, PINS

_SIZE = (11.6, 4.6)


def pickup_figure(pickup: Pickup, built: BuiltPickup | None = None) -> Figure:
    """Return a pickup as a figure.

    Parameters
    ----------
    pickup : Pickup
    built : BuiltPickup, optional
        Adds the interval of the loaded peak and the field over the poles.
    """
    loaded = loaded_response(pickup, resistance=LOAD_RESISTANCE, capacitance=LOAD_CAPACITANCE)
    bare = loaded_response(pickup)
    load = f"{format_quantity(LOAD_CAPACITANCE, 'F')}, {format_quantity(LOAD_RESISTANCE, 'Ω')}"
    heard = loaded.frequency_hz <= HIGHEST_HZ
    curves = [
        Curve(frequency_hz=loaded.frequency_hz[heard], gain_db=loaded.gain_db[heard], label=load, style=NOW),
        Curve(
            frequency_hz=bare.frequency_hz[heard],
            gain_db=bare.gain_db[heard],
            label="nothing connected",
            style=PINS[0],
        ),
    ]
    caption = "0 dB is the EMF of the coils."
    band = None if built is None else built.loaded_resonance
    if band is not None and band.high > band.low:
        caption += " The band holds the loaded peak in 95 of 100 such pickups."
    drawing = figure(curves, title=pickup.name, caption=caption, size_in=_SIZE, high_hz=HIGHEST_HZ)
    curve_axes = drawing.axes[0]
    has_field = built is not None and any(point.value > 0 for point in built.field_t)
    curve_axes.set_position((0.06, 0.18, 0.44 if has_field else 0.72, 0.64))
    if band is not None and band.high > band.low:
        curve_axes.axvspan(band.low, band.high, color=COPPER, alpha=0.12, linewidth=0)
    if built is not None and has_field:
        _draw_field(drawing.add_axes((0.72, 0.18, 0.25, 0.64), facecolor=PAPER), built)
    return drawing


def plot_pickup(pickup: Pickup, path: Path, *, built: BuiltPickup | None = None, overwrite: bool = False) -> None:
    """Draw a pickup into an SVG, PNG or PDF file, by the ending of its name; whole or not at all.

    Raises
    ------
    InputError
        If the ending is another one or the file cannot be written.
    """
    write_figure(pickup_figure(pickup, built), path, overwrite=overwrite)


def _draw_field(axes: Axes, built: BuiltPickup) -> None:
    distance_mm = [1e3 * distance for distance in built.field_at]
    low, value, high = ([1e3 * getattr(point, end) for point in built.field_t] for end in ("low", "value", "high"))
    axes.fill_between(distance_mm, low, high, color=COPPER, alpha=0.12, linewidth=0)
    axes.plot(distance_mm, value, color=COPPER, linewidth=1.8, marker="o", markersize=4)
    axes.set_ylim(0, None)
    axes.set_xlim(0, 1.05 * max(distance_mm))
    axes.grid(True, color=LINE, linewidth=0.8)
    axes.tick_params(colors=MUTED, length=0)
    axes.set_xlabel("Distance from the pole in mm", color=MUTED)
    axes.set_ylabel("Field in mT", color=MUTED)
    axes.set_title("Field over the poles, 95 %", color=INK, fontsize=10.5, loc="left")
    for spine in axes.spines.values():
        spine.set_color(EDGE if spine.spine_type in ("left", "bottom") else LINE)
