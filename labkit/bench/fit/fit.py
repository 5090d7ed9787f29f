"""From sweeps to the electrical values of one coil, with intervals, correlations and plain warnings.

The least-squares work is lmfit's; what is added here is the physics of the fixture, start values from the data,
honest intervals (correlated residuals and the tolerance of the load box widen them) and sentences on what the
data cannot tell apart.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from labkit.bench.fit.fixture import Fixture, Measurement
from labkit.bench.fit.model import Points, fixture_response, gather, residual_db
from labkit.bench.fit.solve import FitSolution, calls_for_more, solve
from labkit.bench.fit.warnings import fit_warnings
from labkit.core.errors import InputError
from labkit.core.grid import frequency_grid
from labkit.core.response import Response
from labkit.core.sheet import sheet_text
from labkit.core.sourced import Interval
from labkit.core.units import format_quantity
from labkit.pickup.electrical import Coil, EddySection, Pickup
from labkit.pickup.sheet import pickup_data

FIT_BAND_HZ = (40.0, 20_000.0)
"""Mains hum and contact noise below, the instrument's noise floor above."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EddyFit:
    """One fitted eddy section: fraction K (1) and corner (Hz), with 95 % bounds."""

    fraction: Interval
    corner_hz: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Residual:
    """What one sweep has left over: measured minus fitted, dB, shape (F,)."""

    name: str
    frequency_hz: np.ndarray
    level_db: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """The result of `fit_sweeps`; every interval is 95 %.

    Attributes
    ----------
    resistance, inductance, capacitance : Interval, Ω, H, F
    loss_resistance : Interval or None, Ω
    eddy : tuple of EddyFit
        From the lowest corner to the highest.
    rig_corner_hz : Interval or None
        Where it was fitted.
    residual_db : float
        Root mean square of the level residuals, dB, points at the instrument's noise floor left out.
    residuals : tuple of Residual
    correlations : mapping of (name, name) to float
        Between the unknowns of the coil and the rig.
    warnings, provenance : tuple of str
    """

    name: str
    resistance: Interval
    inductance: Interval
    capacitance: Interval
    loss_resistance: Interval | None
    eddy: tuple[EddyFit, ...]
    rig_corner_hz: Interval | None
    residual_db: float
    residuals: tuple[Residual, ...]
    correlations: Mapping[tuple[str, str], float]
    warnings: tuple[str, ...]
    provenance: tuple[str, ...]

    @property
    def coil(self) -> Coil:
        """The best values as a coil, usable in any rig."""
        return Coil(
            resistance=self.resistance.value,
            inductance=self.inductance.value,
            capacitance=self.capacitance.value,
            loss_resistance=self.loss_resistance.value if self.loss_resistance else math.inf,
            eddy=tuple(
                EddySection(fraction=section.fraction.value, corner_hz=section.corner_hz.value) for section in self.eddy
            ),
        )

    @property
    def pickup(self) -> Pickup:
        """The coil as a pickup of that name."""
        return Pickup(name=self.name, coils={"main": self.coil}, warnings=self.warnings)

    def predict(self, fixture: Fixture, frequency_hz: np.ndarray | None = None) -> Response:
        """Return what another fixture would show of this coil (the fitted rig corner is carried over)."""
        if fixture.kind == "exciter" and fixture.fit_rig_corner and self.rig_corner_hz is not None:
            fixture = replace(fixture, rig_corner_hz=self.rig_corner_hz.value)
        grid = frequency_grid() if frequency_hz is None else frequency_hz
        return fixture_response(self.coil, fixture, grid, name=self.name)

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON form: SI with the unit in the key."""
        shown: dict[str, Any] = {
            "resistance_ohm": self.resistance.as_dict(),
            "inductance_h": self.inductance.as_dict(),
            "capacitance_f": self.capacitance.as_dict(),
            "eddy": [
                {"fraction": section.fraction.as_dict(), "corner_hz": section.corner_hz.as_dict()}
                for section in self.eddy
            ],
            "residual_db": self.residual_db,
            "warnings": list(self.warnings),
            "loss_resistance_ohm": self.loss_resistance.as_dict() if self.loss_resistance else None,
            "rig_corner_hz": self.rig_corner_hz.as_dict() if self.rig_corner_hz else None,
            "correlations": {f"{a} / {b}": value for (a, b), value in self.correlations.items()},
            "provenance": list(self.provenance),
        }
        return shown


def fit_sweeps(
    measurements: Sequence[Measurement],
    *,
    name: str = "measured pickup",
    resistance: Interval | None = None,
    sections: int | Literal["auto"] = "auto",
    fit_loss: bool = False,
    band_hz: tuple[float, float] = FIT_BAND_HZ,
    use_exciter_phase: bool = False,
) -> Fit:
    """Fit R, L, C and eddy sections of one coil to one or more sweeps at once.

    Minimises the squared dB (and, for impedances with phase, radian) residuals of all sweeps; one unknown level
    for each exciter sweep, one rig corner for all sweeps whose fixture asks for it.

    Parameters
    ----------
    measurements : sequence of Measurement
        Sweeps of the same pickup, each with its fixture.
    name : str
        Name of the pickup the fit makes.
    resistance : Interval, Ω, optional
        A DC reading; it enters as one more observation with its 95 % bounds. Exciter curves alone hold R poorly.
    sections : int or "auto"
        Eddy sections; "auto" takes one (every core has eddy currents), none where its fraction cannot be told from
        zero, two where the data very strongly call for the second.
    fit_loss : bool
        Fit a parallel loss resistance too.
    band_hz : (float, float), Hz
        Points outside are not used.
    use_exciter_phase : bool
        Exciter phases include the polarity and delay of the rig, so they are left out unless asked for.

    Returns
    -------
    Fit

    Raises
    ------
    InputError
        If there is nothing to fit, or too few points for the unknowns.

    Notes
    -----
    Valid for one coil with its eddy currents in L·(1 − Σ K·jω/(jω+ω_e)); a pickup of two unequal coils, or one
    with a second resonance, leaves a residual that the warnings name. Intervals come from the curvature of the sum
    of squares, times Student's t; they are widened where neighbouring residuals are correlated (the data hold
    fewer independent points than rows) and by the stated tolerance of load parts.
    """
    if not measurements:
        raise InputError("a fit needs at least one sweep")
    points = gather(measurements, band_hz=band_hz, use_exciter_phase=use_exciter_phase)
    if sections == "auto":
        solution = solve(points, measurements, 1, resistance=resistance, fit_loss=fit_loss, band_hz=band_hz)
        if _interval(solution, "fraction_0").low <= 0:
            solution = solve(points, measurements, 0, resistance=resistance, fit_loss=fit_loss, band_hz=band_hz)
        else:
            further = solve(
                points, measurements, 2, resistance=resistance, fit_loss=fit_loss, band_hz=band_hz, start=solution
            )
            solution = further if calls_for_more(solution, further) else solution
    else:
        if not 0 <= sections <= 4:
            raise InputError(f"a fit takes 0 to 4 eddy sections; got {sections}")
        solution = solve(points, measurements, sections, resistance=resistance, fit_loss=fit_loss, band_hz=band_hz)
    return _result(solution, points, measurements, name=name, resistance=resistance, band_hz=band_hz)


def _interval(solution: FitSolution, key: str) -> Interval:
    """95 % bounds of one unknown, back on its own scale."""
    index = solution.names.index(key)
    half = solution.quantile * math.sqrt(max(float(solution.covariance[index, index]), 0.0))
    value = solution.values[key]
    if key.startswith("fraction"):
        return Interval(value=value, low=max(value - half, 0.0), high=min(value + half, 1.0))
    half = min(half, 12.0)  # e^12: beyond five powers of ten the data say nothing; keep the bounds finite
    return Interval(value=math.exp(value), low=math.exp(value - half), high=math.exp(value + half))


def _result(
    solution: FitSolution,
    points: Points,
    measurements: Sequence[Measurement],
    *,
    name: str,
    resistance: Interval | None,
    band_hz: tuple[float, float],
) -> Fit:
    eddy = [
        EddyFit(
            fraction=_interval(solution, f"fraction_{number}"),
            corner_hz=_interval(solution, f"log_corner_{number}"),
        )
        for number in range(solution.sections)
    ]
    eddy.sort(key=lambda section: section.corner_hz.value)
    level = residual_db(points, solution.values, solution.sections)[: points.frequency_hz.size]
    residuals = tuple(
        Residual(
            name=label,
            frequency_hz=points.frequency_hz[points.sweep == number],
            level_db=level[points.sweep == number],
        )
        for number, label in enumerate(points.names)
    )
    provenance = [
        f"fitted to {', '.join(points.names)} ({points.frequency_hz.size} points, {band_hz[0]:g} to {band_hz[1]:g} Hz)",
        *(describe_fixture(measurement) for measurement in measurements),
        f"rms residual {solution.rms_db:.2f} dB",
    ]
    if resistance is not None:
        provenance.append(
            f"DC resistance {resistance.value:.4g} Ω ({resistance.low:.4g} to {resistance.high:.4g} Ω) given"
        )
    shown = {key: _SHOWN.get(key, key.replace("log_", "eddy ").replace("_", " ")) for key in solution.names}
    return Fit(
        name=name,
        resistance=_interval(solution, "log_resistance"),
        inductance=_interval(solution, "log_inductance"),
        capacitance=_interval(solution, "log_capacitance"),
        loss_resistance=_interval(solution, "log_loss") if "log_loss" in solution.names else None,
        eddy=tuple(eddy),
        rig_corner_hz=_interval(solution, "log_rig_corner") if "log_rig_corner" in solution.names else None,
        residual_db=solution.rms_db,
        residuals=residuals,
        correlations={(shown[a], shown[b]): value for (a, b), value in solution.correlations().items()},
        warnings=fit_warnings(solution, points, measurements, resistance=resistance),
        provenance=tuple(provenance),
    )


_SHOWN = {
    "log_resistance": "resistance",
    "log_inductance": "inductance",
    "log_capacitance": "capacitance",
    "log_loss": "loss resistance",
    "log_rig_corner": "rig corner",
}


def describe_fixture(measurement: Measurement) -> str:
    """Return one line on how a sweep was taken, for the record."""
    fixture = measurement.fixture
    parts = [f"{measurement.sweep.name}: {fixture.kind}"]
    if fixture.series_resistance:
        parts.append(f"through {format_quantity(fixture.series_resistance, 'Ω', digits=4)}")
    load = fixture.load
    loads = []
    if math.isfinite(load.resistance):
        loads.append(format_quantity(load.resistance, "Ω", digits=4))
    if load.capacitance:
        loads.append(format_quantity(load.capacitance, "F", digits=4))
    parts.append("load " + " parallel to ".join(loads) if loads else "no added load")
    if math.isfinite(fixture.meter_resistance):
        parts.append(f"meter {format_quantity(fixture.meter_resistance, 'Ω', digits=4)}")
    if fixture.meter_capacitance is None:
        parts.append("meter capacitance unknown")
    elif fixture.meter_capacitance:
        parts.append(f"meter {format_quantity(fixture.meter_capacitance, 'F', digits=3)}")
    if fixture.fit_rig_corner:
        parts.append("rig corner fitted")
    return ", ".join(parts)


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
