"""The numerical part of a fit: least squares with priors, residuals that follow one another, and the covariance.

A residual is white noise and a smooth curve on top, the discrepancy: what the model leaves out, or an instrument that
drifts. Its size and width along the logarithm of frequency are found from the residuals by restricted likelihood,
which counts that the unknowns have bent towards it (Patterson and Thompson, Biometrika 58 (1971) 545; Kennedy and
O'Hagan, J. R. Stat. Soc. B 63 (2001) 425; both from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from labkit.bench.fit.model import Problem, bounds_of
from labkit.core.errors import InputError

LEAST_SCATTER_DB = 0.005
"""No instrument is believed to repeat better than this."""

WIDTHS = (0.06, 0.12, 0.25, 0.5, 1.0)
"""Widths of a discrepancy that are tried, in the natural logarithm of frequency (0.7 is an octave)."""

MOST_OVER_LEFT = 2.0
"""A discrepancy is at most so many times what the fit leaves: a larger one would have to hide in the unknowns."""

RATIOS = (0.0, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0)
"""Sizes of it that are tried, over the scatter of a point."""

LEAST_GAIN = 2.0
"""A discrepancy is believed in where twice the log likelihood rises by this."""

FEWEST_ROWS = 40
"""Fewer residuals cannot show how they follow one another."""

WINDOW = 15
"""Points of a local figure: its own scatter is then 18 %."""

FLOOR_RATIO, FLOOR_DB = 3.0, 0.3
"""A stretch lies at the instrument's noise floor where it scatters this many times more than its sweep does in the
middle, and by more than this."""

FLOOR_FACTOR = 3.0
"""How much less than its scatter alone a point at the noise floor counts: there the level is biased as well."""

RARER: Mapping[str, float] = {"none": 0.25}
"""Prior of a way to write a core, over that of the others: every core loses something."""

PLAINER = 0.25
"""A spread loss must be likelier by one over this to give a fit its values; for the interval it counts in full. Where
a band shows sections and a spread loss alike, their inductances differ by some percent, and 11 measured pickups follow
one section within 0.1 to 0.5 dB. Without it the inductance of a half-order core lies 1 % low in place of 2 %, but that
of one section, told by a divider, scatters by 1.5 % in place of 1 %: no choice helps both, so a warning names both."""

START_SIGMA_DB = 0.2
"""Size of the residuals taken before they are known; only weighs priors against the curves in the first pass."""

ROUNDS = 3
"""Weights follow the residuals this many times."""


def least_squares(
    residual: Callable[[np.ndarray], np.ndarray],
    start: np.ndarray,
    *,
    low: np.ndarray,
    high: np.ndarray,
    is_exact: bool = True,
) -> np.ndarray:
    """Return the vector that minimises the sum of squares of ``residual`` inside its bounds.

    Parameters
    ----------
    residual : callable
        From unknowns, shape (P,), to residuals, shape (N,).
    start, low, high : ndarray, shape (P,)
    is_exact : bool
        Go on to six digits and more; else stop near the place, some 1e-5 of it.
    """
    from scipy import optimize

    span = np.where(np.isfinite(high - low), high - low, 1.0)
    inside = np.clip(start, low + 1e-6 * span, high - 1e-6 * span)
    stages = (("2-point", 1e-8), ("3-point", 1e-13)) if is_exact else (("2-point", 1e-8),)
    for slopes, stop in stages:
        found = optimize.least_squares(
            residual, inside, slopes, bounds=(low, high), x_scale="jac", ftol=stop, xtol=stop, gtol=stop, max_nfev=400
        )
        inside = found.x
    return np.asarray(found.x)


def jacobian(residual: Callable[[np.ndarray], np.ndarray], at: np.ndarray, step: float = 1e-5) -> np.ndarray:
    """Return the derivatives of residuals by central differences, shape (N, P).

    The unknowns of a fit are logarithms, fractions or standard deviations, so one step suits all.
    """
    columns = []
    for shift in np.eye(at.size) * step:
        columns.append((residual(at + shift) - residual(at - shift)) / (2 * step))
    return np.stack(columns, axis=1)


def covariance_of(slopes: np.ndarray, known: np.ndarray | float = 0.0) -> np.ndarray:
    """Return (JᵀJ + P)⁻¹ of a Jacobian in standard deviations, shape (N, P), and a diagonal of prior weights."""
    information = slopes.T @ slopes + np.diag(np.broadcast_to(known, slopes.shape[1]))
    scale = 1 / np.sqrt(np.maximum(np.diag(information), 1e-300))
    return np.asarray(np.linalg.pinv(information * np.outer(scale, scale), hermitian=True) * np.outer(scale, scale))


@dataclass(frozen=True, slots=True, kw_only=True)
class Errors:
    """How residuals scatter: white noise and a smooth discrepancy in each group of rows.

    Attributes
    ----------
    scatter_db : ndarray, shape (N,)
        Standard deviation of the white part, dB.
    discrepancy_db, width : float
        Standard deviation (dB) and width (natural logarithm of frequency) of the smooth part; 0 dB where the residuals
        show none.
    parts : tuple of (rows, modes, gains)
        Of each group: its rows, orthonormal modes of the smooth part in units of the scatter, and their variances.
    at_floor : ndarray of bool, shape (N,)
        Rows that count less, at the instrument's noise floor.
    independent, freedom : float
        Independent residuals, and how many of them are left after the unknowns.
    """

    scatter_db: np.ndarray
    discrepancy_db: float
    width: float
    parts: tuple[tuple[np.ndarray, np.ndarray, np.ndarray], ...]
    at_floor: np.ndarray
    independent: float
    freedom: float

    def weigh(self, rows: np.ndarray) -> np.ndarray:
        """Return residuals (N,) or their Jacobian (N, P) over what one row is worth.

        Each row counts by its own variance, less for following its neighbours. The rows are not turned into
        independent ones: a smooth misfit is cheap then, and a fit would give up the resonance for it.
        """
        worth = self.total_db * math.sqrt(rows.shape[0] / self.independent)
        return np.asarray((rows.T / worth).T)

    @property
    def total_db(self) -> np.ndarray:
        """Standard deviation of each row, scatter and discrepancy together, dB, shape (N,)."""
        return np.asarray(np.hypot(self.scatter_db, self.discrepancy_db))

    def between(self, slopes: np.ndarray) -> np.ndarray:
        """Return JᵀΣJ of weighed slopes (N, P), with Σ the covariance of the residuals in the same weights."""
        rows = (slopes.T * self.scatter_db / self.total_db / math.sqrt(slopes.shape[0] / self.independent)).T
        found = rows.T @ rows
        for own, modes, gains in self.parts:
            seen = modes.T @ rows[own]
            found = found + seen.T @ (gains[:, None] * seen)
        return np.asarray(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class FitSolution:
    """A solved problem: unknowns on the fit's own scale, their covariance, and what the residuals look like."""

    problem: Problem
    vector: np.ndarray
    covariance: np.ndarray
    errors: Errors
    rest: np.ndarray

    @property
    def values(self) -> dict[str, float]:
        """Best value of each unknown."""
        return dict(zip(self.problem.names, self.vector.tolist()))

    @property
    def quantile(self) -> float:
        """Student's t: half-width of a 95 % interval in standard deviations."""
        from scipy.stats import t as student

        return float(student.ppf(0.975, self.errors.freedom))

    @property
    def rms_db(self) -> float:
        """Root mean square of the levels left over, points at the noise floor left out, dB."""
        count = self.problem.points.frequency_hz.size
        return float(np.sqrt(np.mean(self.rest[:count][~self.errors.at_floor[:count]] ** 2)))

    def spread(self, key: str) -> float:
        """Standard deviation of one unknown on the fit's own scale."""
        index = self.problem.names.index(key)
        return math.sqrt(max(float(self.covariance[index, index]), 0.0))

    def correlations(self) -> dict[tuple[str, str], float]:
        """Correlation of each pair of unknowns, levels and fixture parts left out."""
        names = self.problem.names
        shown = [key for key in names if not key.startswith(("level_", "part_"))]
        return {
            (a, b): float(
                self.covariance[names.index(a), names.index(b)] / max(self.spread(a) * self.spread(b), 1e-300)
            )
            for position, a in enumerate(shown)
            for b in shown[position + 1 :]
        }

    @property
    def at_bound(self) -> tuple[str, ...]:
        """Unknowns that ran into the limit of the search."""
        low, high = bounds_of(self.problem.names)
        near = np.minimum(self.vector - low, high - self.vector) < 2e-3 * (high - low)
        return tuple(name for name, is_near in zip(self.problem.names, near & np.isfinite(high - low)) if is_near)


def solve(problem: Problem, starts: list[dict[str, float]]) -> FitSolution:
    """Solve a problem: from each start with plain weights, then again with the residuals' own.

    Raises
    ------
    InputError
        If the points cannot settle the unknowns, or nothing converged.
    """
    rows, unknowns = problem.row_groups.size, len(problem.names) - len(problem.points.doubtful)
    if rows <= unknowns:
        raise InputError(
            f"{problem.points.frequency_hz.size} points cannot settle {unknowns} unknowns; "
            "take more points or fewer eddy sections"
        )
    mean, weight = _known(problem)
    low, high = bounds_of(problem.names)
    span = np.where(np.isfinite(high - low), high - low, 1e6)
    spare = weight + 12 / span**2  # an unknown between bounds scatters no more than one that lies anywhere in them

    def weighted(whiten: Callable[[np.ndarray], np.ndarray]) -> Callable[[np.ndarray], np.ndarray]:
        held = weight > 0

        def residual(vector: np.ndarray) -> np.ndarray:
            prior = (vector - mean)[held] * np.sqrt(weight[held])
            return np.concatenate([whiten(problem.residual(vector)), prior])

        return residual

    best: tuple[float, np.ndarray] | None = None
    for start in starts:
        plain = weighted(lambda rest: rest / START_SIGMA_DB)
        vector = least_squares(plain, problem.with_best_levels(start), low=low, high=high, is_exact=False)
        cost = float(np.sum(plain(vector) ** 2))
        if np.isfinite(cost) and (best is None or cost < best[0]):
            best = (cost, vector)
    if best is None:
        raise InputError("the fit did not converge; check the fixture of each sweep (kind, load, series resistor)")
    vector = best[1]
    for _ in range(ROUNDS):
        rest, slopes = problem.residual(vector), jacobian(problem.residual, vector)
        errors = judge_errors(problem, rest, slopes, np.where(weight > 0, vector - mean, 0.0), spare)
        moved = least_squares(weighted(errors.weigh), vector, low=low, high=high, is_exact=False)
        is_settled = bool(np.all(np.abs(moved - vector) < 1e-4))
        vector = moved
        if is_settled:
            break
    vector = least_squares(weighted(errors.weigh), vector, low=low, high=high)
    rest, slopes = problem.residual(vector), errors.weigh(jacobian(problem.residual, vector))
    inverse = covariance_of(slopes, spare)
    return FitSolution(
        problem=problem,
        vector=vector,
        # the sandwich: what the estimate scatters by when its rows are weighed as if they were independent
        covariance=inverse @ (errors.between(slopes) + np.diag(spare)) @ inverse,
        errors=errors,
        rest=rest,
    )


def weights_of(solutions: Sequence[FitSolution]) -> np.ndarray:
    """Return how much the data speak for each rival, summing to 1: Akaike's weights.

    All are held against the scatter and the independent rows of the one that leaves least (Burnham and Anderson,
    Sociol. Methods Res. 33 (2004) 261, from memory). The sterner Bayesian criterion drops a second section that is
    there, and the inductance with it.
    """
    closest = min(solutions, key=lambda solution: solution.rms_db).errors
    criteria = np.array(
        [
            closest.independent * math.log(float(np.mean((solution.rest / closest.total_db) ** 2)))
            + 2 * len(solution.problem.names)
            for solution in solutions
        ]
    )
    prior = np.array([RARER.get(solution.problem.core, 1.0) for solution in solutions])
    weights = prior * np.exp(-0.5 * (criteria - criteria.min()))
    return np.asarray(weights / weights.sum())


def by_plainness(solutions: Sequence[FitSolution], weights: np.ndarray) -> list[int]:
    """Return the places of the rivals, the one that gives the fit its values first."""
    plain = np.array([PLAINER if solution.problem.core == "spread" else 1.0 for solution in solutions])
    return [int(at) for at in np.argsort(-weights * plain)]


def _known(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Mean and weight (1/variance, 0 where nothing is known) of each unknown."""
    mean, weight = np.zeros(len(problem.names)), np.zeros(len(problem.names))
    for key, (value, spread) in problem.known.items():
        at = problem.names.index(key)
        mean[at], weight[at] = value, 1 / spread**2
    return mean, weight


def judge_errors(
    problem: Problem,
    rest: np.ndarray,
    slopes: np.ndarray,
    off: np.ndarray,
    weight: np.ndarray,
) -> Errors:
    """Find scatter and discrepancy of residuals by restricted likelihood.

    Parameters
    ----------
    problem : Problem
    rest, slopes : ndarray, shape (N,) and (N, P)
        Residuals and their derivatives at the present unknowns.
    off, weight : ndarray, shape (P,)
        Present unknowns minus what is known of them, and 1/variance of that.
    """
    groups, place = problem.row_groups, np.log(problem.row_frequency_hz)
    shape, at_floor = _scatter(problem, rest)
    r, j = rest / shape, slopes / shape[:, None]
    normal, pull, square = j.T @ j, j.T @ r, float(r @ r)
    free = len(problem.names) - len(problem.known)
    most = MOST_OVER_LEFT * float(np.sqrt(np.mean(rest[~at_floor] ** 2)))

    def score(gains: np.ndarray, seen_j: np.ndarray, seen_r: np.ndarray) -> tuple[float, float]:
        """Minus twice the restricted log likelihood, and the factor on the scatter that goes with it."""
        kept = gains / (1 + gains)
        m = normal - seen_j.T @ (kept[:, None] * seen_j)
        b = pull - seen_j.T @ (kept * seen_r)
        q = square - float(kept @ seen_r**2)
        factor = max(q / max(rest.size - free, 1), 1e-12)
        for _ in range(3):
            h = m / factor + np.diag(weight)
            move = -np.linalg.lstsq(h, b / factor + weight * off, rcond=None)[0]
            left = max(q + 2 * float(move @ b) + float(move @ m @ move), 1e-12)
            factor = max(left / max(rest.size - free, 1), 1e-12)
        sign, logdet = np.linalg.slogdet(m / factor + np.diag(weight))
        prior = float(np.sum(weight * (off + move) ** 2))
        value = rest.size * math.log(factor) + float(np.log1p(gains).sum()) + left / factor + prior
        return (value + logdet if sign > 0 else math.inf), factor

    nothing = np.zeros(0)
    value, factor = score(nothing, np.zeros((0, slopes.shape[1])), nothing)
    tried: list[_Tried] = [_Tried(value - LEAST_GAIN, factor, 0.0, WIDTHS[-1], ())]
    for width in WIDTHS if rest.size >= FEWEST_ROWS else ():
        modes = _modes(groups, place, shape, width)
        if not modes:
            continue
        seen_j = np.concatenate([u.T @ j[own] for own, u, _ in modes])
        seen_r = np.concatenate([u.T @ r[own] for own, u, _ in modes])
        sizes = np.concatenate([s for _, _, s in modes])
        for ratio in RATIOS[1:]:
            value, factor = score(ratio**2 * sizes**2, seen_j, seen_r)
            if ratio * math.sqrt(factor) <= most:
                parts = tuple((own, u, ratio**2 * s**2) for own, u, s in modes)
                tried.append(_Tried(value, factor, ratio, width, parts))
    return _mixed(tried, shape, free, at_floor)


class _Tried(NamedTuple):
    """One size and width of the discrepancy: minus twice its log likelihood, its factor on the scatter, its modes."""

    score: float
    factor: float
    ratio: float
    width: float
    parts: tuple[tuple[np.ndarray, np.ndarray, np.ndarray], ...]


def _mixed(tried: Sequence[_Tried], shape: np.ndarray, free: int, at_floor: np.ndarray) -> Errors:
    """Average over sizes and widths by likelihood: a single best one would pass off its luck as knowledge."""
    finite = [one for one in tried if math.isfinite(one.score)]
    least = min((one.score for one in finite), default=0.0)
    kept = [(math.exp(-0.5 * (one.score - least)), one) for one in finite if one.score - least < 8.0]
    kept = kept or [(1.0, tried[0])]
    total = sum(weight for weight, _ in kept)
    kept = [(weight / total, one) for weight, one in kept]
    factor = sum(weight * one.factor for weight, one in kept)
    independent = 0.0
    parts = []
    for weight, one in kept:
        trace = shape.size + sum(float(gains.sum()) for _, _, gains in one.parts)
        squares = shape.size + sum(float((2 * gains + gains**2).sum()) for _, _, gains in one.parts)
        independent += weight * trace**2 / squares
        share = weight * one.factor / factor
        parts += [(own, modes, share * gains) for own, modes, gains in one.parts]
    return Errors(
        scatter_db=np.maximum(math.sqrt(factor) * shape, LEAST_SCATTER_DB),
        discrepancy_db=math.sqrt(sum(weight * one.ratio**2 * one.factor for weight, one in kept)),
        width=max(kept, key=lambda pair: pair[0])[1].width,
        parts=tuple(parts),
        at_floor=at_floor,
        independent=independent,
        freedom=max(independent - free, 6.0),
    )


def smooth_basis(place: np.ndarray, width: float) -> np.ndarray:
    """Return bumps along ``place`` whose random sum has standard deviation 1 everywhere, shape (F, M)."""
    centres = np.arange(place.min() - 2 * width, place.max() + 2.01 * width, width)
    bumps = np.exp(-(((place[:, None] - centres) / width) ** 2))
    return np.asarray(bumps / np.sqrt(np.sum(bumps**2, axis=1, keepdims=True)))


def _modes(
    groups: np.ndarray, place: np.ndarray, shape: np.ndarray, width: float
) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Rows, orthonormal modes and their sizes of each group whose points lie close enough to show this width."""
    found = []
    for group in np.unique(groups):
        own = np.flatnonzero(groups == group)
        if own.size < 8 or float(np.median(np.diff(place[own]))) > width / 1.5:
            continue
        modes, sizes = _unit_modes(place[own].tobytes(), (shape[own] / shape[own[0]]).tobytes(), width)
        found.append((own, modes, sizes / shape[own[0]]))
    return found


@lru_cache(maxsize=32)
def _unit_modes(place: bytes, relative: bytes, width: float) -> tuple[np.ndarray, np.ndarray]:
    """Modes of one group; rounds, rivals, levels and phases mostly share them, and they are most of a fit's work."""
    basis = smooth_basis(np.frombuffer(place), width) / np.frombuffer(relative)[:, None]
    modes, sizes, _ = np.linalg.svd(basis, full_matrices=False)
    return modes, sizes


def _scatter(problem: Problem, rest: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Size of the white part of each row up to a common factor, dB, and which rows lie at the noise floor.

    Second differences of the residuals hold little of what is smooth; where a sweep states its own uncertainty, that
    is taken.
    """
    points, groups = problem.points, problem.row_groups
    stated = np.concatenate([points.sigma_db, points.sigma_db[points.has_phase]])
    shape, at_floor = np.zeros(rest.size), np.zeros(rest.size, dtype=bool)
    for group in np.unique(groups):
        own = np.flatnonzero(groups == group)
        if np.isfinite(stated[own]).all():
            shape[own] = stated[own]
            continue
        if own.size < 8:
            shape[own] = float(np.sqrt(np.mean(rest[own] ** 2)))
            continue
        second = (rest[own][:-2] - 2 * rest[own][1:-1] + rest[own][2:]) / math.sqrt(6)
        shape[own] = 1.4826 * float(np.median(np.abs(second)))
        if own.size >= 2 * WINDOW:
            local = _local_rms(np.concatenate([second[:1], second, second[-1:]]))
            noisy = local > max(FLOOR_RATIO * float(np.median(local)), FLOOR_DB)
            at_floor[own] = noisy
            shape[own] = np.where(noisy, FLOOR_FACTOR * local, shape[own])
    return np.maximum(shape, LEAST_SCATTER_DB), at_floor


def _local_rms(values: np.ndarray) -> np.ndarray:
    """Root mean square over a sliding window, same length."""
    padded = np.pad(values**2, WINDOW // 2, mode="edge")
    local: np.ndarray = np.sqrt(np.convolve(padded, np.ones(WINDOW) / WINDOW, mode="valid"))
    return local


def eddy_order(names: Sequence[str], values: Mapping[str, float], owner: str = "") -> list[int]:
    """Return the numbers of a coil's eddy sections, from the lowest corner to the highest."""
    start = f"{owner}log_corner_"
    numbers = [int(name.removeprefix(start)) for name in names if name.startswith(start)]
    return sorted(numbers, key=lambda number: values[f"{start}{number}"])
