"""Sweeps read by hand: their peak, and L and effective R from one with a known, large capacitor across the pickup.

With 4.7 to 10 nF across it a pickup resonates near 1 kHz, where its own capacitance hardly counts and its eddy
losses show only as added series resistance: two numbers describe the curve.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from labkit.bench.fit.fixture import Measurement
from labkit.bench.fit.model import bounds_of, coil_names, gather, make_problem, one_coil, start_values
from labkit.bench.fit.solve import covariance_of, jacobian, least_squares
from labkit.bench.read.sweep import Sweep
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
    nothing = Interval.relative(1e-12, 0.001)
    names = coil_names("none", fit_loss=False)
    problem = make_problem(points, "none", names, {"log_capacitance": nothing}, one_coil("none"))
    start = {**start_values([measurement], points, resistance=None), "log_capacitance": math.log(nothing.value)}
    held = {name: problem.known.get(name, (0.0, math.inf)) for name in problem.names}
    mean, spread = (np.array([pair[at] for pair in held.values()]) for at in (0, 1))

    def with_known(scale: float) -> Callable[[np.ndarray], np.ndarray]:
        return lambda vector: np.append(problem.residual(vector) / scale, (vector - mean) / spread)

    low, high = bounds_of(problem.names)
    found = least_squares(with_known(0.2), problem.with_best_levels(start), low=low, high=high)
    rms = float(np.sqrt(np.mean(problem.residual(found) ** 2)))
    covariance = covariance_of(jacobian(with_known(rms), found))

    def interval(key: str) -> Interval:
        at = problem.names.index(key)
        value, half = found[at], 1.96 * math.sqrt(covariance[at, at])
        return Interval(value=math.exp(value), low=math.exp(value - half), high=math.exp(value + half))

    return KnownCapacitorResult(
        inductance=interval("log_inductance"), effective_resistance=interval("log_resistance"), residual_db=rms
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RawPeak:
    """A peak as read off a measured curve: where it sits (Hz) and how far above the reference band (dB)."""

    frequency_hz: float
    height_db: float


def raw_peak(
    frequency_hz: np.ndarray,
    level_db: np.ndarray,
    *,
    reference_hz: tuple[float, float] = (150.0, 300.0),
    search_hz: tuple[float, float] = (500.0, 20_000.0),
    top_db: float = 1.0,
) -> RawPeak | None:
    """Read the highest peak of a noisy curve: a cubic over log f through the points within ``top_db`` of it.

    One noisy point on a flat top would move a plain maximum by several percent; the cubic averages over all
    points of the top and follows its lean (a parabola would shift a damped peak by up to 5 %).

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,), Hz, rising
    level_db : ndarray, shape (F,), dB, without the exciter's d/dt
    reference_hz : pair of float, Hz
        Band whose mean level the height is counted from.
    search_hz : pair of float, Hz
        Where a peak may lie.
    top_db : float, dB
        Depth of the top that the cubic is laid through.

    Returns
    -------
    RawPeak or None
        None when the curve has no maximum inside the band.

    Raises
    ------
    InputError
        If no point lies in the reference band.
    """
    in_reference = (frequency_hz >= reference_hz[0]) & (frequency_hz <= reference_hz[1])
    if not in_reference.any():
        raise InputError(
            f"a peak height needs points between {reference_hz[0]:g} and {reference_hz[1]:g} Hz; there are none"
        )
    reference = float(level_db[in_reference].mean())
    inside = np.flatnonzero((frequency_hz >= search_hz[0]) & (frequency_hz <= search_hz[1]))
    if inside.size < 3:
        return None
    highest = int(inside[np.argmax(level_db[inside])])
    if highest in (inside[0], inside[-1]):
        return None
    first, last = highest, highest
    while first > inside[0] and level_db[first - 1] > level_db[highest] - top_db:
        first -= 1
    while last < inside[-1] and level_db[last + 1] > level_db[highest] - top_db:
        last += 1
    first, last = min(first, highest - 1), max(last, highest + 1)
    x = np.log(frequency_hz[first : last + 1] / frequency_hz[highest])
    shape = np.polyfit(x, level_db[first : last + 1], 3 if x.size >= 6 else 2)
    along = np.linspace(x[0], x[-1], 1001)
    values = np.polyval(shape, along)
    best = int(np.argmax(values))
    return RawPeak(
        frequency_hz=float(frequency_hz[highest] * np.exp(along[best])), height_db=float(values[best]) - reference
    )


def without_derivative(sweep: Sweep) -> Sweep:
    """Return the curve with the exciter's d/dt (20 dB per decade) taken out, level kept at 1 kHz."""
    return replace(
        sweep,
        magnitude=sweep.magnitude / (sweep.frequency_hz / 1000.0),
        phase_deg=None if sweep.phase_deg is None else sweep.phase_deg - 90.0,
    )
