"""Which numbers of a rig matter most: slopes at the nominal values, swings over spreads, shares of the variance.

- *Local*: change of resonance, height and level for 1 % more of one number. Peaks are solved to 1e-6; differences over
  five points at ± 1 % and ± 2 % leave an error below 2·10⁻⁴ of a per cent per per cent, and 10⁻⁴ dB.
- *Swing*: one number goes from the 5 to the 95 % end of its spread while all others stay (the tornado picture).
- *Global*: first-order and total Sobol' indices over all spreads at once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from labkit.circuit.elements import Circuit
from labkit.circuit.solve.solver import solve, solve_blocks
from labkit.core.errors import InputError, join_words
from labkit.core.grid import REFERENCE_HZ
from labkit.core.response import Response
from labkit.rig.inputs import rig_inputs
from labkit.study.measures import Measure, decibels, noise_levels, read_measures
from labkit.study.tolerance.tolerance import ToleranceStudy

STEP = 0.01
STENCIL = ((-2, 1 / 12), (-1, -8 / 12), (1, 8 / 12), (2, -1 / 12))
"""Five-point first difference; its error is STEP⁴ times the fifth derivative over 30."""

SWING = (0.05, 0.95)
DEFAULT_BASE = 1024
"""Base sample of the Sobol' indices, a power of 2; (inputs + 2) times as many variants are solved."""

RESAMPLES = 100
"""Bootstrap samples behind the interval of an index: its half-width is then good to some 7 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalSensitivity:
    """What 1 % more of one number does at the nominal values.

    Attributes
    ----------
    name : str
    resonance_percent : float
        Change of the resonance, % per %; NaN without a peak.
    height_db, level_db : float
        Change of height and of the level at 100 Hz, dB per %.
    """

    name: str
    resonance_percent: float
    height_db: float
    level_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Swing:
    """One bar of the tornado: a measure with one number at the 5 and at the 95 % end of its spread.

    Attributes
    ----------
    name : str
    at_low, at_high : float
        Number at its ends, SI.
    low, high : float
        Measure there.
    """

    name: str
    at_low: float
    at_high: float
    low: float
    high: float

    @property
    def size(self) -> float:
        """Width of the bar."""
        return abs(self.high - self.low)


@dataclass(frozen=True, slots=True, kw_only=True)
class GlobalSensitivity:
    """Sobol' indices of one number for one result.

    Attributes
    ----------
    name : str
    first, total : float
        Part of the variance it causes by itself, and with all its interactions.
    first_within, total_within : float
        Half-width of the 95 % interval by bootstrap.
    """

    name: str
    first: float
    total: float
    first_within: float
    total_within: float


def local_sensitivities(study: ToleranceStudy) -> tuple[LocalSensitivity, ...]:
    """Return the slopes of every number of a study that is above 0, strongest on the resonance first."""
    nominal = _nominal(study)
    names = [name for name, value in nominal.items() if value > 0]
    rows = [dict(nominal)]
    for name in names:
        rows += [{**nominal, name: nominal[name] * (1 + place * STEP)} for place, _ in STENCIL]
    exact = [_exact(study.variation.circuit, values) for values in _element_rows(study, rows)]
    found = []
    for index, name in enumerate(names):
        slopes = [
            sum(weight * exact[1 + 4 * index + at][which] for at, (_, weight) in enumerate(STENCIL)) / STEP / 100
            for which in range(3)
        ]
        found.append(
            LocalSensitivity(name=name, resonance_percent=100 * slopes[0], height_db=slopes[1], level_db=slopes[2])
        )
    found.sort(key=lambda entry: -abs(entry.resonance_percent if math.isfinite(entry.resonance_percent) else 0))
    return tuple(found)


def swings(study: ToleranceStudy, measure: Measure) -> tuple[Swing, ...]:
    """Return the bars of the tornado for one measure, widest first; NaN where a curve has no peak."""
    nominal = {spread.name: float(spread.quantile(np.array([0.5]))[0]) for spread in study.spreads}
    ends = {spread.name: spread.quantile(np.array(SWING)) for spread in study.spreads}
    rows = [{**nominal, name: float(value)} for name, pair in ends.items() for value in pair]
    if not rows:
        return ()
    drawn = {name: np.array([row[name] for row in rows]) for name in nominal}
    values = study.element_values(drawn)
    curves = solve(study.variation.circuit, study.frequency_hz, values).transfer
    noise = noise_levels([measure], study.variation.circuit, values, len(rows))
    found = read_measures([measure], study.frequency_hz, decibels(curves), noise)[0]
    bars = [
        Swing(
            name=name,
            at_low=float(pair[0]),
            at_high=float(pair[1]),
            low=float(found[2 * index]),
            high=float(found[2 * index + 1]),
        )
        for index, (name, pair) in enumerate(ends.items())
    ]
    return tuple(sorted(bars, key=lambda bar: -bar.size if math.isfinite(bar.size) else -math.inf))


def global_sensitivities(
    study: ToleranceStudy, measure: Measure, *, base: int = DEFAULT_BASE
) -> tuple[GlobalSensitivity, ...]:
    """Return the Sobol' indices of every spread for one measure, greatest total first.

    Raises
    ------
    InputError
        If some variants have no peak to speak of, or ``base`` is no power of 2.
    """

    def evaluate(draws: np.ndarray) -> np.ndarray:
        drawn = {spread.name: spread.quantile(draws[:, at]) for at, spread in enumerate(study.spreads)}
        values = study.element_values(drawn)
        if measure.is_noise:
            found: np.ndarray = noise_levels([measure], study.variation.circuit, values, len(draws))[0]
            return found
        blocks = solve_blocks(study.variation.circuit, study.frequency_hz, values)
        parts = [read_measures([measure], study.frequency_hz, decibels(curves))[0] for _, curves in blocks]
        return np.concatenate(parts)

    return sobol_indices(evaluate, [spread.name for spread in study.spreads], base=base, seed=study.seed)


def sobol_indices(
    evaluate: Callable[[np.ndarray], np.ndarray], names: Sequence[str], *, base: int = DEFAULT_BASE, seed: int = 1
) -> tuple[GlobalSensitivity, ...]:
    """Return first-order and total Sobol' indices of any function of independent inputs.

    Parameters
    ----------
    evaluate : callable
        Takes draws of (0, 1), shape (rows, inputs), returns results, shape (rows,).
    names : sequence of str
        Names of the inputs.
    base : int
        Base sample, a power of 2; base·(inputs + 2) rows are evaluated.
    seed : int

    Returns
    -------
    tuple of GlobalSensitivity, greatest total first

    Raises
    ------
    InputError
        If a result is missing, or ``base`` is no power of 2.

    Sources: A. Saltelli et al., Comput. Phys. Commun. 181 (2010) 259 (estimators), by the library scipy.
    """
    if base < 2 or base & (base - 1):
        raise InputError(f"the base sample of Sobol' indices is a power of 2, such as 1024; got {base}")
    if len(names) < 2:
        raise InputError("shares of the variance need at least two numbers that vary")
    from scipy import stats

    # Two base samples, and for every input the first one with that input of the second.
    draws = stats.qmc.Sobol(2 * len(names), seed=seed).random(base)
    first, second = np.split(np.clip(draws, 1e-12, 1 - 1e-12), 2, axis=1)
    exchanged = [np.where(np.arange(len(names)) == at, second, first) for at in range(len(names))]
    results = evaluate(np.concatenate([first, second, *exchanged]))
    missing = np.count_nonzero(~np.isfinite(results))
    if missing:
        raise InputError(
            f"{100 * missing / len(results):.0f} % of the variants have no peak, so shares of its variance mean "
            "nothing; ask for a level instead"
        )
    if np.ptp(results) == 0:
        nothing = dict.fromkeys(("first", "total", "first_within", "total_within"), 0.0)
        return tuple(GlobalSensitivity(name=name, **nothing) for name in names)
    by_sample = results.reshape(len(names) + 2, 1, base)

    def indices_of(rows: np.ndarray) -> np.ndarray:
        """First and total indices from these rows of the samples, shape (2, inputs)."""
        sample = by_sample[:, :, rows]
        found = stats.sobol_indices(func={"f_A": sample[0], "f_B": sample[1], "f_AB": sample[2:]}, n=base)
        return np.stack([found.first_order, found.total_order])

    # scipy's own bootstrap takes no seed, and its bounds are not finite for an input that changes nothing.
    resampled = np.random.default_rng(seed).integers(base, size=(base, RESAMPLES)).T
    within = stats.norm.ppf(0.975) * np.std([indices_of(rows) for rows in resampled], axis=0, ddof=1)
    indices = [
        GlobalSensitivity(name=name, first=first, total=total, first_within=first_within, total_within=total_within)
        for name, (first, total), (first_within, total_within) in zip(
            names, indices_of(np.arange(base)).T.tolist(), within.T.tolist()
        )
    ]
    return tuple(sorted(indices, key=lambda index: -index.total))


def what_matters(measure: Measure, bars: Sequence[Swing], indices: Sequence[GlobalSensitivity] = ()) -> str:
    """Say in one sentence what matters most.

    >>> bar = Swing(name="cable.length", at_low=4, at_high=6, low=4100.0, high=3700.0)
    >>> what_matters(Measure("resonance"), [bar])
    'For the peak, cable.length matters most: from its low to its high end the peak moves down by 400 Hz.'
    """
    known = [bar for bar in bars if math.isfinite(bar.size)]
    if not known or known[0].size == 0:
        return f"Nothing that is varied here moves the {measure.spoken}."
    by_name = {bar.name: bar for bar in known}
    ranked = [index for index in indices if index.name in by_name]
    first = by_name[ranked[0].name] if ranked else known[0]
    move, spoken = first.high - first.low, measure.spoken
    if measure.unit == "Hz":
        tens = -1 if abs(move) >= 100 else 0
        shown = f"moves {'up' if move > 0 else 'down'} by {round(abs(move), tens):.0f} Hz"
    else:
        shown = f"{'rises' if move > 0 else 'falls'} by {abs(move):.2f} dB"
    text = f"For the {spoken}, {first.name} matters most: from its low to its high end the {spoken} {shown}"
    if ranked:
        others = join_words(f"{index.name} {100 * index.total:.0f} %" for index in ranked[1:3] if index.total >= 0.005)
        text += f", {100 * ranked[0].total:.0f} % of the variance" + (f"; next {others}" if others else "")
    return text + "."


def _nominal(study: ToleranceStudy) -> dict[str, float]:
    known = rig_inputs(study.rig)
    return {spread.name: known[spread.name].value if spread.name in known else 0.0 for spread in study.spreads}


def _element_rows(study: ToleranceStudy, rows: Sequence[Mapping[str, float]]) -> list[dict[str, float]]:
    if not rows[0]:
        return [{}]
    drawn = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    values = study.element_values(drawn)
    return [{name: float(column[at]) for name, column in values.items()} for at in range(len(rows))]


def _exact(circuit: Circuit, values: Mapping[str, float]) -> tuple[float, float, float]:
    """ln of the resonance, height and level at 100 Hz, dB, solved and not read off a grid."""

    def evaluate(frequency_hz: np.ndarray) -> np.ndarray:
        return solve(circuit, frequency_hz, values).transfer

    grid = np.array([REFERENCE_HZ, 1000.0])
    response = Response(frequency_hz=grid, values=evaluate(grid), evaluate=evaluate)
    peak = response.peak
    level = response.gain_db_at(REFERENCE_HZ)
    return (math.nan, math.nan, level) if peak is None else (math.log(peak.frequency_hz), peak.height_db, level)
