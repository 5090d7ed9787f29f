"""The numerical part of a fit: lmfit's least squares, weights, covariance, and when another section is called for."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from labkit.bench.fit.fixture import Measurement
from labkit.bench.fit.model import Points, best_levels, gather, residual_db, start_values
from labkit.core.errors import InputError
from labkit.core.sourced import Interval

BOUNDS: Mapping[str, tuple[float, float]] = {
    "log_resistance": (math.log(10.0), math.log(1e6)),
    "log_inductance": (math.log(1e-3), math.log(200.0)),
    "log_capacitance": (math.log(1e-13), math.log(1e-7)),
    "log_loss": (math.log(1e4), math.log(1e9)),
    "log_rig_corner": (math.log(300.0), math.log(1e6)),
    "fraction": (0.0, 0.9),
    "log_corner": (math.log(800.0), math.log(60e3)),
}
"""Wider than any guitar pickup, narrow enough to keep the search on the ground. An eddy corner below 800 Hz would be a
way of writing another inductance: measured ones lie at 2 kHz and up."""

CORNER_GUESSES_HZ = (2500.0, 9000.0)
"""Where measured pickups have their eddy corner (2 kHz and up), and a second start beyond the resonance."""

LEAST_GAIN = 10.0
"""A further eddy section must lower the Bayesian information criterion by this ("very strong" by the usual scale:
Kass and Raftery, J. Am. Stat. Assoc. 90 (1995) 773, section 3.2, from memory)."""

LEAST_GAIN_DB = 0.02
"""… and the rms residual by this: nobody needs a section that explains a fiftieth of a decibel."""

USUAL_RESISTANCE = Interval(value=8000.0, low=2000.0, high=32_000.0)
"""Ω; where exciter curves come without a DC reading, the resistance is held this loosely (common practice, no source):
an exciter shows it only as a small part of the damping, and a fit left free would trade it for inductance."""

USUAL_CAPACITANCE = Interval(value=130e-12, low=40e-12, high=420e-12)
"""F, winding, lead and an unknown meter together; held this loosely where all exciter curves have about the same load
(common practice, no source)."""

WINDOW = 15
"""Points of a local figure: its own scatter is then 18 %, far from the factor 2 that counts."""

MOST_SET_ASIDE = 0.3
"""Share of a sweep that may count less for departing from the model."""

ABOVE_PEAK = 1.5
"""A stretch that departs from the model may count less only above the sweep's resonance times this."""

FLOOR_FACTOR = 3.0
"""How much less than its scatter alone a point at the noise floor counts: there the level is biased as well."""

MOST_ROUNDS = 3
"""Weights follow the residuals this many times where a sweep reaches a noise floor; once where none does."""

START_SIGMA_DB = 0.2
"""Size of the residuals taken before they are known; only weighs a DC reading against the curves in the first pass."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FitSolution:
    """A solved problem: unknowns on the fit's own scale, their covariance, and what the residuals look like."""

    values: Mapping[str, float]
    names: tuple[str, ...]
    covariance: np.ndarray
    quantile: float
    sections: int
    rms_db: float
    rest: np.ndarray
    sigma: np.ndarray
    autocorrelation: float
    at_bound: tuple[str, ...]
    at_floor: np.ndarray
    set_aside: np.ndarray
    leans_on: Mapping[str, Interval]

    @property
    def independent_points(self) -> float:
        """Rows of data divided by how far neighbouring residuals repeat each other."""
        return self.rest.size * (1 - self.autocorrelation) / (1 + self.autocorrelation)

    def spread(self, key: str) -> float:
        """Standard deviation of one unknown on the fit's own scale."""
        index = self.names.index(key)
        return math.sqrt(max(float(self.covariance[index, index]), 0.0))

    def correlations(self) -> dict[tuple[str, str], float]:
        """Correlation of each pair of unknowns, levels left out."""
        shown = [key for key in self.names if not key.startswith("level_")]
        return {
            (a, b): float(
                self.covariance[self.names.index(a), self.names.index(b)] / max(self.spread(a) * self.spread(b), 1e-300)
            )
            for position, a in enumerate(shown)
            for b in shown[position + 1 :]
        }


def solve(
    points: Points,
    measurements: Sequence[Measurement],
    sections: int,
    *,
    resistance: Interval | None,
    fit_loss: bool,
    band_hz: tuple[float, float],
    start: FitSolution | None = None,
) -> FitSolution:
    """Solve with a given number of eddy sections: from each start, then once more with the residuals' own weights."""
    usual = _usual_values(points, measurements, resistance)
    known = dict(usual) if resistance is None else {**usual, "log_resistance": resistance}
    best: Any = None
    for corner in CORNER_GUESSES_HZ[: 1 if sections == 0 else None]:
        values = _start(points, measurements, sections, corner, fit_loss, resistance, start)
        result = _minimise(points, values, sections, known, np.full(1, START_SIGMA_DB))
        if np.isfinite(result.chisqr) and (best is None or result.chisqr < best.chisqr):
            best = result
        if _autocorrelation(points, residual_db(points, result.params.valuesdict(), sections)) == 0.0:
            break  # what is left is noise: another start cannot do better
    if best is None:
        raise InputError("the fit did not converge; check the fixture of each sweep (kind, load, series resistor)")
    result, unknowns = best, len(best.var_names)
    if points.frequency_hz.size + points.has_phase.sum() <= unknowns:
        raise InputError(
            f"{points.frequency_hz.size} points cannot settle {unknowns} unknowns; "
            "take more points or fewer eddy sections"
        )
    for _ in range(MOST_ROUNDS):
        weights = _weights(points, result.params.valuesdict(), sections)
        result = _minimise(points, result.params.valuesdict(), sections, known, weights.sigma)
        if not (weights.at_floor.any() or weights.set_aside.any()):
            break
    return _judge(points, measurements, result, sections, known, usual, weights, band_hz)


def _usual_values(
    points: Points, measurements: Sequence[Measurement], resistance: Interval | None
) -> dict[str, Interval]:
    """Return what the sweeps by themselves cannot show and is therefore held loosely at usual values.

    The shape of one exciter curve shows L·C but not L and C apart, and the resistance only as a part of the damping.
    """
    usual: dict[str, Interval] = {}
    if not points.is_exciter.all():
        return usual
    if resistance is None:
        usual["log_resistance"] = USUAL_RESISTANCE
    capacitances = [m.fixture.load.capacitance for m in measurements]
    if max(capacitances) - min(capacitances) < USUAL_CAPACITANCE.value:
        usual["log_capacitance"] = USUAL_CAPACITANCE
    return usual


def calls_for_more(plain: FitSolution, further: FitSolution) -> bool:
    """Say whether the data very strongly call for the further eddy section (Bayesian information criterion)."""
    if plain.rms_db - further.rms_db < LEAST_GAIN_DB:
        return False
    before = float(np.sum((plain.rest / further.sigma) ** 2))
    after = float(np.sum((further.rest / further.sigma) ** 2))
    count = max(further.independent_points, 2.0)
    more = len(further.names) - len(plain.names)
    return count * math.log(before / max(after, 1e-300)) - more * math.log(count) >= LEAST_GAIN


def _start(
    points: Points,
    measurements: Sequence[Measurement],
    sections: int,
    corner: float,
    fit_loss: bool,
    resistance: Interval | None,
    start: FitSolution | None,
) -> dict[str, float]:
    if start is None:
        values = start_values(measurements, points, resistance=resistance.value if resistance else None)
    else:
        values = {key: value for key, value in start.values.items() if not key.startswith("level_")}
    for number in range(sections):
        values.setdefault(f"fraction_{number}", 0.15)
        values.setdefault(f"log_corner_{number}", math.log(min(corner * 3.0**number, 50e3)))
    if fit_loss:
        values.setdefault("log_loss", math.log(2e6))
    corners = [m.fixture.rig_corner_hz for m in measurements if m.fixture.fit_rig_corner]
    if corners:
        known = [value for value in corners if math.isfinite(value)]
        values.setdefault("log_rig_corner", math.log(known[0] if known else 5000.0))
    values.update(best_levels(points, values, sections))
    return values


def _bounds(key: str) -> tuple[float, float] | None:
    return BOUNDS.get(key) or BOUNDS.get(key.rsplit("_", 1)[0])


def _minimise(
    points: Points, values: Mapping[str, float], sections: int, known: Mapping[str, Interval], sigma: np.ndarray
) -> Any:
    import lmfit

    parameters = lmfit.Parameters()
    for key, value in values.items():
        bounds = _bounds(key)
        if bounds is None:
            parameters.add(key, value=value)
        else:
            margin = 1e-3 * (bounds[1] - bounds[0])
            inside = float(np.clip(value, bounds[0] + margin, bounds[1] - margin))
            parameters.add(key, value=inside, min=bounds[0], max=bounds[1])
    scale = sigma if sigma.size > 1 else float(sigma[0])

    def residual(current: Any) -> np.ndarray:
        plain = current.valuesdict()
        rest = residual_db(points, plain, sections) / scale
        if not known:
            return rest
        return np.append(
            rest, [(plain[key] - math.log(held.value)) / reading_spread(held) for key, held in known.items()]
        )

    return lmfit.minimize(residual, parameters, method="leastsq", max_nfev=3000, calc_covar=False)


def reading_spread(held: Interval) -> float:
    """Standard deviation of the logarithm of a value with 95 % bounds; at least 0.01 %."""
    return max(math.log(held.high / max(held.low, 1e-6 * held.value)) / (2 * 1.96), 1e-4)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Weights:
    """Size of the residual at each row (levels, then phases), and which levels count less for which reason."""

    sigma: np.ndarray
    at_floor: np.ndarray
    set_aside: np.ndarray


def _weights(points: Points, values: Mapping[str, float], sections: int) -> _Weights:
    """Let stretches where the instrument or the model fails count less.

    Two local figures over 15 neighbouring points, each against the median of its sweep: the scatter (second
    differences of the residuals, which hold little misfit since misfit is smooth) finds the noise floor of the
    instrument; the plain rms finds stretches that one coil with eddy loss does not describe, such as a second
    resonance. Such a stretch must lie above the sweep's own resonance, where second ones are; up to there the model has
    to hold. A misfit over a large part of a sweep is left in: then the model is wrong, not the stretch.
    """
    rest = residual_db(points, values, sections)
    count = points.frequency_hz.size
    level, turn = rest[:count], rest[count:]
    scatter, misfit = np.zeros(count), np.zeros(count)
    for number in range(len(points.names)):
        own = np.flatnonzero(points.sweep == number)
        if own.size < 2 * WINDOW:
            continue
        noise = _local_rms(np.pad(np.diff(level[own], 2), 1, mode="edge") / math.sqrt(6))
        rms = _local_rms(level[own])
        is_noise = (noise > 2 * max(float(np.median(noise)), 1e-9)) & (noise > rms / 10)
        above = points.frequency_hz[own] > ABOVE_PEAK * resonance_hz(points, values, number)
        is_misfit = above & (rms > 2 * max(float(np.median(rms)), 1e-9)) & ~is_noise
        scatter[own] = np.where(is_noise, noise, 0.0)
        if is_misfit.mean() <= MOST_SET_ASIDE:
            misfit[own] = np.where(is_misfit, rms, 0.0)
    excess = np.maximum(FLOOR_FACTOR * scatter, misfit)
    overall = max(float(np.sqrt(np.mean(level[excess == 0] ** 2))), 1e-6)
    turn_size = max(float(np.sqrt(np.mean(turn**2))), 1e-6) if turn.size else 1.0
    return _Weights(
        sigma=np.append(np.hypot(overall, excess), np.full(turn.size, turn_size)),
        at_floor=scatter > 0,
        set_aside=misfit > 0,
    )


def resonance_hz(points: Points, values: Mapping[str, float], number: int) -> float:
    """Return the undamped resonance of a fitted coil with what one sweep's fixture hangs across it, Hz."""
    own = points.sweep == number
    outside = float(np.median(points.admittance[own].imag / (2 * np.pi * points.frequency_hz[own])))
    capacitance = math.exp(values["log_capacitance"]) + outside
    return 1 / (2 * math.pi * math.sqrt(math.exp(values["log_inductance"]) * capacitance))


def _local_rms(values: np.ndarray) -> np.ndarray:
    """Root mean square over a sliding window, same length."""
    padded = np.pad(values**2, WINDOW // 2, mode="edge")
    local: np.ndarray = np.sqrt(np.convolve(padded, np.ones(WINDOW) / WINDOW, mode="valid"))
    return local


def _judge(
    points: Points,
    measurements: Sequence[Measurement],
    result: Any,
    sections: int,
    known: Mapping[str, Interval],
    usual: Mapping[str, Interval],
    weights: _Weights,
    band_hz: tuple[float, float],
) -> FitSolution:
    from scipy.stats import t as student

    sigma = weights.sigma
    values = {key: float(value) for key, value in result.params.valuesdict().items()}
    names = tuple(result.var_names)
    rest = residual_db(points, values, sections)
    weighted = rest / sigma
    jacobian = _jacobian(points, values, names, sections) / sigma[:, None]
    autocorrelation = _autocorrelation(points, weighted)
    inflation = (1 + autocorrelation) / (1 - autocorrelation)
    freedom = max(weighted.size / inflation - len(names), 1.0)
    variance = float(weighted @ weighted) / max(weighted.size - len(names), 1) * inflation
    information = jacobian.T @ jacobian / variance
    for key, held in known.items():
        at = names.index(key)
        information[at, at] += 1 / reading_spread(held) ** 2
    covariance = np.linalg.pinv(information, hermitian=True, rcond=1e-13)
    for shifted in _shifted_fixtures(measurements):
        other = gather(shifted, band_hz=band_hz, use_exciter_phase=_uses_exciter_phase(points))
        change = (residual_db(other, values, sections) - rest) / sigma
        shift = -covariance @ (jacobian.T @ change) / variance
        covariance = covariance + np.outer(shift, shift)
    return FitSolution(
        values=values,
        names=names,
        covariance=covariance,
        quantile=float(student.ppf(0.975, freedom)),
        sections=sections,
        rms_db=float(np.sqrt(np.mean(rest[: points.frequency_hz.size][~weights.at_floor] ** 2))),
        rest=rest,
        sigma=sigma,
        autocorrelation=autocorrelation,
        at_bound=tuple(key for key in names if _is_at_bound(key, values[key])),
        at_floor=weights.at_floor,
        set_aside=weights.set_aside,
        leans_on=usual,
    )


def _jacobian(points: Points, values: Mapping[str, float], names: Sequence[str], sections: int) -> np.ndarray:
    """Central differences; the unknowns are logarithms or fractions, so one step of 1e-5 suits all."""
    step = 1e-5
    columns = []
    for key in names:
        above = residual_db(points, {**values, key: values[key] + step}, sections)
        below = residual_db(points, {**values, key: values[key] - step}, sections)
        columns.append((above - below) / (2 * step))
    return np.stack(columns, axis=1)


def _autocorrelation(points: Points, weighted: np.ndarray) -> float:
    """Lag-one correlation of neighbouring residuals, zero unless clearly above chance (three standard errors)."""
    level = weighted[: points.frequency_hz.size]
    together, product = 0.0, 0.0
    for number in range(len(points.names)):
        own = level[points.sweep == number]
        product += float(own[1:] @ own[:-1])
        together += float(own @ own)
    correlation = product / max(together, 1e-300)
    if correlation < 3 / math.sqrt(level.size):
        return 0.0
    return min(correlation, 0.95)


def _shifted_fixtures(measurements: Sequence[Measurement]) -> list[list[Measurement]]:
    """All measurements with one load part moved by one standard deviation of its tolerance, for each such part.

    The same part used in several sweeps (equal nominal value) moves in all of them.
    """
    parts = {
        (field, getattr(m.fixture.load, field), getattr(m.fixture.load, f"{field}_tolerance"))
        for m in measurements
        for field in ("resistance", "capacitance")
        if getattr(m.fixture.load, f"{field}_tolerance") > 0
    }
    shifted = []
    for field, nominal, tolerance in sorted(parts):
        changed = []
        for m in measurements:
            if getattr(m.fixture.load, field) == nominal:
                load = replace(m.fixture.load, **{field: nominal * (1 + tolerance / 1.96)})
                changed.append(replace(m, fixture=replace(m.fixture, load=load)))
            else:
                changed.append(m)
        shifted.append(changed)
    return shifted


def _uses_exciter_phase(points: Points) -> bool:
    return bool((points.has_phase & points.is_exciter).any())


def _is_at_bound(key: str, value: float) -> bool:
    bounds = _bounds(key)
    if bounds is None:
        return False
    return min(value - bounds[0], bounds[1] - value) < 2e-3 * (bounds[1] - bounds[0])
