"""What a fit must say about itself: which values the data hold poorly, and which they cannot tell apart."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from labkit.bench.fit.fixture import UNKNOWN_METER, FixturePart, Measurement
from labkit.bench.fit.model import Points, base_name
from labkit.bench.fit.prediction import MISFIT_DB
from labkit.bench.fit.solve import FitSolution
from labkit.core.errors import join_words
from labkit.core.sourced import Interval
from labkit.core.units import format_quantity

ENTANGLED = 0.95
"""Correlation above which two unknowns can trade places: each interval is then 3 times wider than if the other were
known (1/√(1 − r²))."""

LOOSE = 0.30
"""Half-width of a 95 % interval, relative, above which a value is called poorly held."""

LEAST_SMOOTH = 0.5
"""A misfit is named only where at least this share of it is smooth: scatter alone is no fault of the model."""

PART_OFF = 1.9
"""Standard deviations from its stated value beyond which a fixture part is named."""

LOOSELY_HELD = 0.3
"""Standard deviation of a logarithm above which a known value is a usual one and no reading."""

SHORTEST_STRETCH = 5
"""Points of a stretch that is worth naming."""

_NOUNS = {
    "log_resistance": "the resistance",
    "log_inductance": "the inductance",
    "log_capacitance": "the capacitance",
    "log_loss": "the parallel loss",
    "log_rig_corner": "the rig's corner",
    "fraction": "the eddy fraction",
    "log_corner": "the eddy corner",
}
_UNITS = {
    "log_resistance": "Ω",
    "log_inductance": "H",
    "log_capacitance": "F",
    "log_loss": "Ω",
    "log_rig_corner": "Hz",
}
"""What is worth a warning when held poorly; the corner of a loss hardly ever is held well, and matters little."""


def part_in_words(part: FixturePart) -> str:
    """Return a fixture part with its value and tolerance."""
    tolerance = 196 * part.spread
    words = f"± {tolerance:.2g} %" if tolerance < 100 else f"within a factor of {math.exp(1.96 * part.spread):.2g}"
    return f"{part.name} ({format_quantity(part.value, part.unit, digits=3)} {words})"


def fit_warnings(
    solution: FitSolution,
    measurements: Sequence[Measurement],
    *,
    resistance: Interval | None,
    contradictions: Sequence[str],
) -> tuple[str, ...]:
    """Return plain sentences, the most important first."""
    points = solution.problem.points
    said = [
        *common_warnings(solution, measurements),
        *contradictions,
        *_entangled(solution),
        *_rig_corner(solution, measurements),
        *_usual_values(solution),
        *_loose(solution, resistance),
        *_bounds(solution),
        *_coverage(solution, points),
    ]
    return tuple(dict.fromkeys(said))


def common_warnings(solution: FitSolution, measurements: Sequence[Measurement]) -> list[str]:
    """Return what holds for one coil and for a pair: the model, the fixture and the sweeps themselves."""
    return [
        *_misfit(solution),
        *_parts(solution),
        *_noise_floor(solution, solution.problem.points),
        *_meter_input(measurements),
        *_meter_capacitance(measurements),
        *(warning for measurement in measurements for warning in measurement.sweep.warnings),
    ]


def _misfit(solution: FitSolution) -> list[str]:
    if solution.rms_db <= MISFIT_DB or solution.errors.discrepancy_db <= LEAST_SMOOTH * solution.rms_db:
        return []
    if "coupling" in solution.problem.names:
        model, cause = "two coupled coils do not describe these curves", "capacitance between the coils"
    else:
        model, cause = "one coil with eddy losses does not describe these curves", "a second resonance (unequal coils)"
    return [
        f"the fit leaves {solution.rms_db:.2f} dB rms: {model}; {cause}, a wrong load value or a floor of the "
        "instrument would do this; look at the residuals before using the values"
    ]


def _parts(solution: FitSolution) -> list[str]:
    """Name the fixture parts that the sweeps themselves say are not what they were said to be."""
    said = []
    for number, part in enumerate(solution.problem.points.doubtful):
        off = solution.values[f"part_{number}"]
        if abs(off) > PART_OFF:
            percent = 100 * math.expm1(part.spread * off)
            said.append(
                f"the sweeps fit together only with the {part_in_words(part)} {percent:+.0f} % from what was stated: "
                "measure that part, and check that the right one was named for each sweep"
            )
    return said


def _noise_floor(solution: FitSolution, points: Points) -> list[str]:
    said = []
    for number, name in enumerate(points.names):
        own = np.flatnonzero(points.sweep == number)
        mask = solution.errors.at_floor[own]
        runs = np.split(np.arange(own.size), np.flatnonzero(np.diff(mask.astype(int))) + 1)
        stretches = [points.frequency_hz[own[run]] for run in runs if mask[run[0]] and run.size >= SHORTEST_STRETCH]
        if stretches:
            named = join_words(f"{stretch[0]:.0f} to {stretch[-1]:.0f} Hz" for stretch in stretches)
            said.append(f"{name} reaches the instrument's noise floor from {named}: counted less there")
    return said


def _entangled(solution: FitSolution) -> list[str]:
    said = []
    rig_and_eddy = False
    for (a, b), value in solution.correlations().items():
        if abs(value) < ENTANGLED:
            continue
        pair = {base_name(a), base_name(b)}
        if "log_rig_corner" in pair:
            rig_and_eddy = True
            continue
        if pair == {"fraction", "log_corner"} and max(solution.spread(a), solution.spread(b)) < 0.1:
            continue
        said.append(
            f"the data hardly tell {_NOUNS[base_name(a)]} from {_NOUNS[base_name(b)]} (correlation {value:+.2f}): "
            f"their combination is known better than either; {_remedy(pair)}"
        )
    if rig_and_eddy:
        said.insert(
            0,
            "the data hardly tell the rig's corner from the coil's own losses: both bend the curve down in the same "
            "place; measure the rig without a pickup (a few turns on the exciter), or take an impedance sweep",
        )
    return said


def _remedy(pair: set[str]) -> str:
    if "log_resistance" in pair:
        return "give a DC reading"
    if "log_capacitance" in pair:
        return "add a sweep with a known capacitor of 4.7 to 10 nF across the pickup"
    if pair <= {"fraction", "log_corner", "log_loss"}:
        return "sweep further up in frequency, or take the sum of losses only"
    return "add a sweep under another load"


def _meter_input(measurements: Sequence[Measurement]) -> list[str]:
    if not any(measurement.fixture.leaves_meter_open for measurement in measurements):
        return []
    low, high = (format_quantity(bound, "Ω") for bound in UNKNOWN_METER)
    return [
        f"nobody said what input resistance the instrument has; anything from {low} to {high} was allowed for, and the "
        "intervals hold that; look it up and give it"
    ]


def _meter_capacitance(measurements: Sequence[Measurement]) -> list[str]:
    if any(measurement.fixture.meter_capacitance is None for measurement in measurements):
        return [
            "the meter's input capacitance is unknown and lies parallel to the winding in every sweep, so no curve can "
            "tell the two apart: the capacitance given here is their sum (a probe is usually 10 to 100 pF); measure "
            "the probe with a capacitance meter and subtract it"
        ]
    return []


def _rig_corner(solution: FitSolution, measurements: Sequence[Measurement]) -> list[str]:
    if "log_rig_corner" not in solution.problem.names:
        return []
    loads = {
        (m.fixture.load.resistance, m.fixture.load.capacitance) for m in measurements if m.fixture.kind == "exciter"
    }
    if len(loads) > 1:
        return []
    return [
        "the rig's corner was fitted from one load only; nothing but the shape of one curve separates it from eddy "
        "loss; add a sweep under another load"
    ]


def _usual_values(solution: FitSolution) -> list[str]:
    said = []
    leaning = {
        key
        for key, (_, spread) in solution.problem.known.items()
        if spread > LOOSELY_HELD and solution.spread(key) > 0.5 * spread
    }
    if "log_capacitance" in leaning:
        said.append(
            "exciter curves under one load show L·C but not L and C apart: the capacitance rests on what pickups "
            "usually "
            "have (40 to 420 pF), and the inductance with it; add a sweep with a known capacitor of 4.7 to 10 nF"
        )
    if "log_resistance" in leaning:
        said.append(
            "exciter curves alone hardly show the resistance: here it rests on what pickups usually have (2 to 32 kΩ); "
            "give a DC reading"
        )
    return said


def _loose(solution: FitSolution, resistance: Interval | None) -> list[str]:
    said = []
    for key in solution.problem.names:
        base = base_name(key)
        if base not in _UNITS:
            continue
        half = solution.quantile * solution.spread(key)
        if half <= math.log1p(LOOSE):
            continue
        unit = _UNITS[base]
        low, high = (math.exp(solution.values[key] + sign * min(half, 12.0)) for sign in (-1, 1))
        advice = ""
        if base == "log_resistance" and resistance is None:
            advice = "; give a DC reading"
        if base == "log_rig_corner" and high > 50e3:
            advice = "; the rig may have no corner in the audio range"
        said.append(
            f"{_NOUNS[base]} is held poorly: {format_quantity(low, unit, digits=3)} to "
            f"{format_quantity(high, unit, digits=3)} fit equally well{advice}"
        )
    return said


def _bounds(solution: FitSolution) -> list[str]:
    said = []
    for key in solution.at_bound:
        base = base_name(key)
        if base == "log_corner":
            continue
        if base == "fraction" and solution.values[key] < 0.05:
            said.append("an eddy section came out at zero: the data show no such loss; fit with fewer sections")
        elif base == "log_loss" and solution.values[key] > math.log(1e8):
            said.append("the parallel loss came out too large to matter: the data show none")
        else:
            said.append(f"{_NOUNS.get(base, key)} ran into the limit of the search; its interval is not to be trusted")
    return said


def _coverage(solution: FitSolution, points: Points) -> list[str]:
    s = solution.values
    said = []
    resonances = [solution.problem.resonance_hz(s, number) for number in range(len(points.names))]
    if all(resonance > points.frequency_hz.max() for resonance in resonances):
        said.append(
            f"no sweep reaches the resonance (about {min(resonances):.0f} Hz): the capacitance is a guess from the "
            "curve's start; sweep higher or put a known capacitor across the pickup"
        )
    corner = math.exp(s["log_resistance"] - s["log_inductance"]) / (2 * math.pi)
    if points.frequency_hz.min() > 2 * corner and points.is_exciter.sum() < points.frequency_hz.size:
        said.append(
            f"the sweeps start above the coil's R/L corner ({corner:.0f} Hz), where its resistance no longer shows; "
            "start lower or give a DC reading"
        )
    return said
