"""A fit as a pickup sheet that any rig can load, with where the values come from and how far they reach."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from labkit.bench.fit.fit import Fit
from labkit.core.sheet import sheet_text
from labkit.core.sourced import Interval
from labkit.core.units import format_quantity
from labkit.pickup.electrical import Coil, EddySection, Pickup
from labkit.pickup.sheet import pickup_data

DIGITS = 4
"""Significant digits of the sheet: ten times finer than the tightest fit to a real pickup."""


def rounded(value: float) -> float:
    """Round to the digits of the sheet."""
    return float(f"{value:.{DIGITS - 1}e}")


def _shown(interval: Interval, unit: str) -> str:
    low, high = (format_quantity(bound, unit, digits=3) for bound in (interval.low, interval.high))
    return f"{low} to {high}"


def fit_sheet_text(fit: Fit) -> str:
    """Return the TOML text of an electrical pickup sheet with the fitted values.

    ``source`` says what was measured and how; ``note`` gives the 95 % bounds and the warnings.
    """
    coil = fit.coil
    tidy = replace(
        coil,
        resistance=rounded(coil.resistance),
        inductance=rounded(coil.inductance),
        capacitance=rounded(coil.capacitance),
        loss_resistance=rounded(coil.loss_resistance),
        eddy=tuple(
            EddySection(fraction=rounded(section.fraction), corner_hz=rounded(section.corner_hz))
            for section in coil.eddy
        ),
    )
    return sheet_text("pickup", _data(fit, tidy))


def _data(fit: Fit, coil: Coil) -> dict[str, Any]:
    bounds = [
        f"resistance {_shown(fit.resistance, 'Ω')}",
        f"inductance {_shown(fit.inductance, 'H')}",
        f"capacitance {_shown(fit.capacitance, 'F')}",
    ]
    for number, section in enumerate(fit.eddy, start=1):
        bounds.append(
            f"eddy {number}: fraction {section.fraction.low:.3g} to {section.fraction.high:.3g}, "
            f"corner {_shown(section.corner_hz, 'Hz')}"
        )
    note = "95 % bounds: " + "; ".join(bounds) + "."
    for warning in fit.warnings:
        note += f" Warning: {warning}."
    values = pickup_data(Pickup(name=fit.name, coils={"main": coil}))
    return {"name": values.pop("name"), "source": ". ".join(fit.provenance) + ".", "note": note, **values}
