"""Inductance and effective resistance from one sweep with a known, large capacitor across the pickup.

With 4.7 to 10 nF across it a pickup resonates near 1 kHz, where its own capacitance hardly counts and its eddy
losses show only as added series resistance: two numbers describe the curve.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.bench.fit.fixture import Measurement
from labkit.bench.fit.model import best_levels, gather, residual_db, start_values
from labkit.core.errors import InputError
from labkit.core.sourced import Interval

BAND_HZ = (40.0, 4000.0)
"""Two octaves above the resonance the curve has told all it knows of L and R; above, losses and rig take over."""

SMALLEST_CAPACITANCE = 2e-9
"""Below 2 nF an unknown winding capacitance of 100 ± 50 pF would move L by more than 2.5 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownCapacitorResult:
    """Inductance (H), effective series resistance near the resonance (Ω, losses included), residual (dB)."""

    inductance: Interval
    effective_resistance: Interval
    residual_db: float


def inductance_with_capacitor(
    measurement: Measurement, *, band_hz: tuple[float, float] = BAND_HZ
) -> KnownCapacitorResult:
    """Fit L and an effective R to one sweep whose load holds a known capacitor; level free for exciter curves.

    Parameters
    ----------
    measurement : Measurement
        Its load must hold 2 nF or more. A rig corner is taken from the fixture, not fitted: within 2.8 to 3.5 kHz it
        moves L by 2 to 5 %.
    band_hz : (float, float), Hz

    Returns
    -------
    KnownCapacitorResult
        Intervals hold noise and capacitor tolerance (L ∝ 1/C), not the rig corner.

    Raises
    ------
    InputError
        If the capacitor is too small or the fixture asks for a fitted rig corner.
    """
    import lmfit

    fixture = measurement.fixture
    capacitance = fixture.load.capacitance
    if capacitance < SMALLEST_CAPACITANCE:
        raise InputError(
            f"{measurement.sweep.name}: this reading needs a known capacitor of 2 nF or more across the pickup; "
            f"got {capacitance * 1e9:.3g} nF"
        )
    if fixture.fit_rig_corner:
        raise InputError(f"{measurement.sweep.name}: state the rig corner; one curve cannot give it with L and R")
    points = gather([measurement], band_hz=band_hz, use_exciter_phase=False)
    nothing = math.log(1e-15)
    start = start_values([measurement], points, resistance=None)
    start["log_capacitance"] = nothing
    values = {**start, **best_levels(points, start, 0)}
    parameters = lmfit.Parameters()
    for key, value in values.items():
        parameters.add(key, value=value, vary=key != "log_capacitance")
    result = lmfit.minimize(lambda current: residual_db(points, current.valuesdict(), 0), parameters, method="leastsq")
    spread = fixture.load.capacitance_tolerance / 1.96

    def interval(key: str, also: float) -> Interval:
        value = float(result.params[key].value)
        half = 1.96 * math.hypot(float(result.params[key].stderr or 0.0), also)
        return Interval(value=math.exp(value), low=math.exp(value - half), high=math.exp(value + half))

    return KnownCapacitorResult(
        inductance=interval("log_inductance", spread),
        effective_resistance=interval("log_resistance", 0.0),
        residual_db=float(np.sqrt(np.mean(result.residual**2))),
    )
