"""The page of the light-operated tone control: a shutter to move, and what it does to cell and peak."""

from __future__ import annotations

import ipywidgets

from labkit.core.units import format_quantity
from labkit.rig.sheet import load_rig

RIG = "Saltmarsh Lane, light-operated tone"


def shade_sentence(position: float) -> str:
    """Return what the rig does with the knob at a position, in one sentence."""
    rig = load_rig(RIG).replace(settings={"shade": position})
    resistance = float(rig.harness.parts["shade"].resistance(position))  # type: ignore[attr-defined]
    peak = rig.response().peak
    where = (
        "no peak is left"
        if peak is None
        else f"the peak stands at {format_quantity(peak.frequency_hz, 'Hz', digits=3)}"
    )
    return f"Shutter at {position:g} of 10: the cell has {format_quantity(resistance, 'Ω', digits=3)}, {where}."


def light_panel() -> ipywidgets.VBox:
    """Return the page's widget."""
    shade = ipywidgets.FloatSlider(value=10.0, min=0.0, max=10.0, step=0.5, description="Shutter")
    said = ipywidgets.HTML(shade_sentence(shade.value))
    shade.observe(lambda change: setattr(said, "value", shade_sentence(change["new"])), names="value")
    return ipywidgets.VBox([shade, said])
