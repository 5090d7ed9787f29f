"""From sweeps to the electrical values of one coil, with intervals, correlations and plain warnings.

What is unknown: the coil, the level and roll-off of an exciter rig, and every fixture part within its tolerance. The
losses of the core are written in rival ways, weighed by what the data say; an interval holds what they disagree on.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from labkit.bench.fit.consistency import contradiction
from labkit.bench.fit.fixture import STANDARD_LOAD, Fixture, Load, Measurement
from labkit.bench.fit.model import (
    CORE_OF,
    SPREAD_CORNERS,
    SPREAD_SHARES,
    Core,
    Points,
    coil_names,
    coil_of,
    fixture_response,
    gather,
    left_before,
    make_problem,
    one_coil,
    start_values,
)
from labkit.bench.fit.prediction import PredictedCurve, Rival, as_fitted, load_in_words, open_voltage, predict
from labkit.bench.fit.solve import FitSolution, by_plainness, eddy_order, solve, weights_of
from labkit.bench.fit.warnings import fit_warnings, part_in_words
from labkit.core.errors import InputError
from labkit.core.frames import dataframe, dataset
from labkit.core.grid import frequency_grid
from labkit.core.response import Response
from labkit.core.sheet import sheet_text
from labkit.core.sourced import Interval
from labkit.core.units import format_quantity
from labkit.pickup.electrical import Coil, EddySection, Pickup
from labkit.pickup.sheet import pickup_data

FIT_BAND_HZ = (40.0, 20_000.0)
"""Mains hum and contact noise below, the instrument's noise floor above."""

RIVALS: tuple[Core, ...] = ("none", "one section", "two sections", "spread")
"""Ways to write the core's losses that are weighed against each other."""

LEAST_WEIGHT, LEAST_SHARE = 0.001, 0.25
"""A rival below the first is dropped, and one that is kept counts at least the second: no way of writing a core is
quite true, and weights that follow the scatter of one session swing further than they should."""

USUAL_RESISTANCE = Interval(value=8000.0, low=2000.0, high=32_000.0)
"""Ω; where exciter curves come without a DC reading, the resistance is held this loosely (common practice, no source):
an exciter shows it only as a small part of the damping, and a fit left free would trade it for inductance."""

USUAL_CAPACITANCE = Interval(value=130e-12, low=40e-12, high=420e-12)
"""F, winding, lead and an unknown meter together; held this loosely where all exciter curves have about the same load
(common practice, no source)."""

RIG_CORNER_FACTOR = 2.0
"""95 % bounds of a rig's corner around the value stated for it, as a factor (common practice, no source)."""

CORNER_GUESSES_HZ = (2500.0, 9000.0)
"""Where measured pickups have their eddy corner (2 kHz and up), and a second start beyond the resonance."""

USUAL_SPREAD_CORNER = Interval(value=5000.0, low=1250.0, high=20_000.0)
"""Hz; where the loss of a thick conducting core is held loosely (common practice, no source): a band of frequencies
shows its corner poorly, and a corner far off takes the inductance along."""

SPREAD_DOUBT = 1.5
"""How much more the values of a spread core scatter against the truth than derivatives at the best ones say, in
simulation: corner and inductance trade places along a curve."""

PREDICTED_HZ = (20.0, 20_000.0)
PREDICTED_POINTS = 121


@dataclass(frozen=True, slots=True, kw_only=True)
class EddyFit:
    """One fitted eddy section: fraction K (1) and corner (Hz), with 95 % bounds."""

    fraction: Interval
    corner_hz: Interval

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {"fraction": self.fraction.as_dict(), "corner_hz": self.corner_hz.as_dict()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Residual:
    """What one sweep has left over: measured minus fitted, dB, shape (F,), and its fixture as the fit found it."""

    name: str
    frequency_hz: np.ndarray
    level_db: np.ndarray
    fixture: Fixture


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
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
    discrepancy_db : float
        Standard deviation of what is smooth in them: what one coil in this fixture does not describe, dB.
    residuals : tuple of Residual
    correlations : mapping of (name, name) to float
        Between the unknowns of the coil and the rig.
    rivals : tuple of Rival
        The ways to write the core's losses that the data leave open, the one behind the values first; predictions draw
        from all.
    prediction : PredictedCurve or None
        The coil's voltage over its EMF under the standard load, or another that was asked for.
    doubts : tuple of str
        Fixture parts that most of an interval comes from, and an inductance that hangs on how the core is written.
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
    discrepancy_db: float = 0.0
    rivals: tuple[Rival, ...] = ()
    prediction: PredictedCurve | None = None
    doubts: tuple[str, ...] = ()

    def __repr__(self) -> str:
        ends = (
            [format_quantity(float(f"{end:.3g}"), unit) for end in (found.value, found.low, found.high)]
            for _name, found, unit in self.quantities[:3]
        )
        shown = ", ".join(f"{value} ({low} to {high})" for value, low, high in ends)
        return f"<Fit {self.name!r}: {shown}, 95 %; {self.residual_db:.2f} dB rms left over>"

    def _repr_html_(self) -> str:
        from labkit import notebook_html  # drawings belong to a layer above, which the public face loads when asked

        return notebook_html(self)

    @property
    def quantities(self) -> tuple[tuple[str, Interval, str], ...]:
        """Name, value with its 95 % bounds, and SI unit of everything that was fitted."""
        found = [
            ("resistance", self.resistance, "Ω"),
            ("inductance", self.inductance, "H"),
            ("capacitance", self.capacitance, "F"),
        ]
        if self.loss_resistance is not None:
            found.append(("loss resistance", self.loss_resistance, "Ω"))
        for number, section in enumerate(self.eddy, start=1):
            found += [
                (f"eddy fraction {number}", section.fraction, "1"),
                (f"eddy corner {number}", section.corner_hz, "Hz"),
            ]
        if self.rig_corner_hz is not None:
            found.append(("corner of the exciter rig", self.rig_corner_hz, "Hz"))
        return tuple(found)

    def to_dataframe(self) -> Any:
        """Return the fitted values as a ``pandas.DataFrame``: quantity, value, low, high (95 %), unit (SI).

        Raises
        ------
        InputError
            If pandas is not installed.
        """
        rows = [(name, found.value, found.low, found.high, unit) for name, found, unit in self.quantities]
        return dataframe(dict(zip(("quantity", "value", "low", "high", "unit"), zip(*rows))))

    def to_xarray(self) -> Any:
        """Return the predicted curve as an ``xarray.Dataset``: level_db over ``bound`` and frequency_hz.

        ``bound`` is value, low and high, 95 %.

        Raises
        ------
        InputError
            If xarray is not installed, or the fit was kept without a prediction.
        """
        if self.prediction is None:
            raise InputError(
                f"the fit '{self.name}' was kept without a prediction; fit again for a curve with its band"
            )
        levels = [self.prediction.level_db, self.prediction.low_db, self.prediction.high_db]
        return dataset(
            {"level_db": (("bound", "frequency_hz"), levels, "dB")},
            {"bound": (["value", "low", "high"], ""), "frequency_hz": (self.prediction.frequency_hz, "Hz")},
            name=self.name,
        )

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

    def predict_band(
        self, fixture: Fixture, frequency_hz: np.ndarray | None = None, *, seed: int = 1
    ) -> PredictedCurve:
        """Return what another fixture would show, with its 95 % band; see `labkit.bench.fit.prediction.predict`."""
        if not self.rivals:
            raise InputError(f"the fit '{self.name}' was kept without its covariance; fit again for a band")
        grid = np.geomspace(*PREDICTED_HZ, PREDICTED_POINTS) if frequency_hz is None else frequency_hz
        return predict(self.rivals, fixture, grid, seed=seed)

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON form: SI with the unit in the key."""
        shown: dict[str, Any] = {
            "resistance_ohm": self.resistance.as_dict(),
            "inductance_h": self.inductance.as_dict(),
            "capacitance_f": self.capacitance.as_dict(),
            "eddy": [section.as_dict() for section in self.eddy],
            "residual_db": self.residual_db,
            "warnings": list(self.warnings),
            "loss_resistance_ohm": self.loss_resistance.as_dict() if self.loss_resistance else None,
            "rig_corner_hz": self.rig_corner_hz.as_dict() if self.rig_corner_hz else None,
            "correlations": {f"{a} / {b}": value for (a, b), value in self.correlations.items()},
            "provenance": list(self.provenance),
            "discrepancy_db": self.discrepancy_db,
            "doubts": list(self.doubts),
            "cores": [{"core": rival.core, "weight": rival.weight} for rival in self.rivals],
            "covariance": _covariance_data(self.rivals[0]) if self.rivals else None,
            "prediction": self.prediction.as_dict() if self.prediction else None,
        }
        return shown


def _covariance_data(rival: Rival) -> dict[str, Any]:
    kept = [at for at, name in enumerate(rival.names) if not name.startswith("level_")]
    names = [rival.names[at] for at in kept]
    for number, part in enumerate(rival.parts):
        names[names.index(f"part_{number}")] = f"{part.name} {part.value:.4g} {part.unit}, standard deviations"
    return {
        "names": names,
        "values": rival.vector[kept].tolist(),
        "matrix": rival.covariance[np.ix_(kept, kept)].tolist(),
    }


def fit_sweeps(
    measurements: Sequence[Measurement],
    *,
    name: str = "measured pickup",
    resistance: Interval | None = None,
    sections: int | Literal["auto"] = "auto",
    fit_loss: bool = False,
    band_hz: tuple[float, float] = FIT_BAND_HZ,
    use_exciter_phase: bool = False,
    predicted_load: Load = STANDARD_LOAD,
) -> Fit:
    """Fit R, L, C and eddy losses of one coil to one or more sweeps at once.

    Minimises the squared dB (and, for impedances with phase, radian) residuals of all sweeps; one unknown level
    for each exciter sweep, one rig corner for all sweeps whose fixture asks for it, and one unknown for each fixture
    part, held by its tolerance.

    Parameters
    ----------
    measurements : sequence of Measurement
        Sweeps of the same pickup, each with its fixture.
    name : str
        Name of the pickup the fit makes.
    resistance : Interval, Ω, optional
        A DC reading; it enters as one more observation with its 95 % bounds. Exciter curves alone hold R poorly.
    sections : int or "auto"
        Eddy sections; "auto" weighs none, one, two and a loss spread over frequency by what the data say.
    fit_loss : bool
        Fit a parallel loss resistance too.
    band_hz : (float, float), Hz
        Points outside are not used.
    use_exciter_phase : bool
        Exciter phases include the polarity and delay of the rig, so they are left out unless asked for.
    predicted_load : Load
        Load of `Fit.prediction`; its tolerance enters the band.

    Returns
    -------
    Fit

    Raises
    ------
    InputError
        If there is nothing to fit, or too few points for the unknowns.

    Notes
    -----
    Valid for one coil with its eddy currents; a pickup of two unequal coils, or one with a second resonance, leaves a
    residual that the warnings name (`labkit.bench.fit.pair` fits two coupled coils). Intervals hold the scatter of
    points, a smooth discrepancy as large as the residuals show it, the tolerance of fixture parts, and what the rivals
    disagree on. A coil that every sweep shows wrongly in the same way stays wrong.
    """
    if not measurements:
        raise InputError("a fit needs at least one sweep")
    if sections != "auto" and not 0 <= sections <= 4:
        raise InputError(f"a fit takes 0 to 4 eddy sections; got {sections}")
    points = gather(measurements, band_hz=band_hz, use_exciter_phase=use_exciter_phase)
    cores = RIVALS if sections == "auto" else (CORE_OF[sections],)
    solutions = _solutions(points, measurements, cores, resistance=resistance, fit_loss=fit_loss)
    weights = weights_of(solutions)
    rivals = rivals_of(solutions, weights)
    best = solutions[by_plainness(solutions, weights)[0]]
    provenance = [
        f"fitted to {', '.join(points.names)} ({points.frequency_hz.size} points, {band_hz[0]:g} to {band_hz[1]:g} Hz)",
        *(describe_fixture(measurement) for measurement in measurements),
        f"rms residual {best.rms_db:.2f} dB",
    ]
    if resistance is not None:
        provenance.append(
            f"DC resistance {resistance.value:.4g} Ω ({resistance.low:.4g} to {resistance.high:.4g} Ω) given"
        )
    shown = {key: _SHOWN.get(key, key.replace("log_", "eddy ").replace("_", " ")) for key in best.problem.names}
    return Fit(
        name=name,
        resistance=averaged(rivals, "log_resistance"),
        inductance=averaged(rivals, "log_inductance"),
        capacitance=averaged(rivals, "log_capacitance"),
        loss_resistance=averaged(rivals, "log_loss") if fit_loss else None,
        eddy=eddy_fits(rivals[0]),
        rig_corner_hz=averaged(rivals, "log_rig_corner") if points.rolls_off.any() else None,
        residual_db=best.rms_db,
        residuals=residuals_of(best, measurements, rivals[0]),
        correlations={(shown[a], shown[b]): value for (a, b), value in best.correlations().items()},
        warnings=fit_warnings(best, measurements, resistance=resistance, contradictions=_contradictions(best)),
        provenance=tuple(provenance),
        discrepancy_db=best.errors.discrepancy_db,
        rivals=rivals,
        prediction=predict(rivals, open_voltage(predicted_load), np.geomspace(*PREDICTED_HZ, PREDICTED_POINTS)),
        doubts=(*_doubts(best), *_core_doubt(rivals)),
    )


def _solutions(
    points: Points,
    measurements: Sequence[Measurement],
    cores: Sequence[Core],
    *,
    resistance: Interval | None,
    fit_loss: bool,
) -> list[FitSolution]:
    """Solve every rival that the points can settle; the first refusal where they settle none."""
    known = _usual_values(points, measurements, resistance)
    if resistance is not None:
        known["log_resistance"] = resistance
    start = start_values(measurements, points, resistance=resistance.value if resistance else None)
    if fit_loss:
        start["log_loss"] = math.log(2e6)
    found: list[FitSolution] = []
    refusal: InputError | None = None
    for core in cores:
        held = known | ({"log_corner_0": USUAL_SPREAD_CORNER} if core == "spread" else {})
        problem = make_problem(points, core, coil_names(core, fit_loss=fit_loss), held, one_coil(core))
        starts = []
        for corner in CORNER_GUESSES_HZ[: 1 if core in ("none", "spread") else None]:
            eddy = {f"fraction_{number}": 0.15 for number in range(4)}
            eddy |= {f"log_corner_{number}": math.log(min(corner * 3.0**number, 50e3)) for number in range(4)}
            starts.append({**start, **eddy})
        try:
            found.append(solve(problem, starts))
        except InputError as error:
            refusal = refusal or error
    if not found:
        assert refusal is not None
        raise refusal
    return found


def _usual_values(
    points: Points, measurements: Sequence[Measurement], resistance: Interval | None
) -> dict[str, Interval]:
    """Return what the sweeps by themselves cannot show and is therefore held loosely at usual values.

    The shape of one exciter curve shows L·C but not L and C apart, and the resistance only as a part of the damping; a
    rig's corner bends the curve where eddy losses do.
    """
    usual = usual_rig_corner(measurements)
    if not points.is_exciter.all():
        return usual
    if resistance is None:
        usual["log_resistance"] = USUAL_RESISTANCE
    capacitances = [m.fixture.load.capacitance for m in measurements]
    if max(capacitances) - min(capacitances) < USUAL_CAPACITANCE.value:
        usual["log_capacitance"] = USUAL_CAPACITANCE
    return usual


def usual_rig_corner(measurements: Sequence[Measurement]) -> dict[str, Interval]:
    """Return a stated corner of the rig with its doubt, where the sweeps ask for a fitted one."""
    stated = [m.fixture.rig_corner_hz for m in measurements if m.fixture.fit_rig_corner]
    if not stated or math.isinf(stated[0]):
        return {}
    low, high = stated[0] / RIG_CORNER_FACTOR, stated[0] * RIG_CORNER_FACTOR
    return {"log_rig_corner": Interval(value=stated[0], low=low, high=high)}


def rivals_of(solutions: Sequence[FitSolution], weights: np.ndarray) -> tuple[Rival, ...]:
    """Return the solutions that the data leave open, the one that gives the values first, with their weights."""
    order = [at for at in by_plainness(solutions, weights) if weights[at] >= LEAST_WEIGHT]
    shares = np.maximum(weights[order], LEAST_SHARE)
    shares = shares / shares.sum()
    return tuple(
        Rival(
            core=solution.problem.core,
            weight=float(weight),
            names=solution.problem.names,
            vector=solution.vector,
            covariance=solution.covariance,
            parts=solution.problem.points.doubtful,
            discrepancy_db=solution.errors.discrepancy_db,
            width=solution.errors.width,
            freedom=solution.errors.freedom,
        )
        for solution, weight in zip([solutions[at] for at in order], shares)
    )


def residuals_of(solution: FitSolution, measurements: Sequence[Measurement], rival: Rival) -> tuple[Residual, ...]:
    """Return what a solution leaves of each sweep's levels."""
    points = solution.problem.points
    level = solution.rest[: points.frequency_hz.size]
    return tuple(
        Residual(
            name=label,
            frequency_hz=points.frequency_hz[points.sweep == number],
            level_db=level[points.sweep == number],
            fixture=as_fitted(measurements[number].fixture, rival),
        )
        for number, label in enumerate(points.names)
    )


def weighed_bounds(rivals: Sequence[Rival], key: str) -> tuple[float, float, float]:
    """Return the best rival's value of an unknown, and the 95 % bounds of what all rivals say of it by their weights.

    A rival that says otherwise moves the bound on its side alone.
    """
    from scipy.optimize import brentq
    from scipy.special import stdtr, stdtrit

    at = [rival.names.index(key) for rival in rivals]
    weight, freedom = np.array([rival.weight for rival in rivals]), np.array([rival.freedom for rival in rivals])
    centre = np.array([rival.vector[place] for rival, place in zip(rivals, at)])
    variance = np.array([rival.covariance[place, place] for rival, place in zip(rivals, at)])
    curved = np.array([SPREAD_DOUBT if rival.core == "spread" else 1.0 for rival in rivals])
    spread = curved * np.sqrt(np.maximum(variance, 1e-30))
    ends = []
    for share in (0.025, 0.975):
        own = centre + spread * stdtrit(freedom, share)

        def over(place: float, share: float = share) -> float:
            return float(weight @ stdtr(freedom, (place - centre) / spread)) / float(weight.sum()) - share

        low, high = float(own.min()), float(own.max())
        ends.append(float(brentq(over, low, high)) if over(low) < 0 < over(high) else (low + high) / 2)
    best = float(centre[0])
    return best, min(ends[0], best), max(ends[1], best)


def averaged(rivals: Sequence[Rival], key: str) -> Interval:
    """Return a logarithmic unknown with its bounds; see `weighed_bounds`."""
    best, low, high = weighed_bounds(rivals, key)
    widest = 12.0  # e^12: the data say nothing; keep the bounds finite
    return Interval(
        value=math.exp(best), low=math.exp(max(low, best - widest)), high=math.exp(min(high, best + widest))
    )


def eddy_fits(rival: Rival, owner: str = "") -> tuple[EddyFit, ...]:
    """Return the eddy sections of a solved coil, from the lowest corner up; a spread loss as seven."""

    def section(number: int, share: float, factor: float) -> EddyFit:
        found = weighed_bounds((rival,), f"{owner}fraction_{number}")
        fraction, low, high = (share * min(max(end, 0.0), 1.0) for end in found)
        corner = averaged((rival,), f"{owner}log_corner_{number}")
        return EddyFit(
            fraction=Interval(value=fraction, low=low, high=high),
            corner_hz=Interval(value=factor * corner.value, low=factor * corner.low, high=factor * corner.high),
        )

    if rival.core == "spread":
        return tuple(section(0, float(share), float(factor)) for share, factor in zip(SPREAD_SHARES, SPREAD_CORNERS))
    values = dict(zip(rival.names, rival.vector.tolist()))
    order = eddy_order(rival.names, values, owner)
    left = left_before(np.array([values[f"{owner}fraction_{number}"] for number in range(len(order))]))
    return tuple(section(number, float(left[number]), 1.0) for number in order)


def _contradictions(solution: FitSolution) -> tuple[str, ...]:
    """Sentences on sweeps whose level and phase contradict each other."""
    points, said = solution.problem.points, []
    reading = solution.problem.reading(solution.values)
    for number, name in enumerate(points.names):
        own = (points.sweep == number) & points.has_phase & ~points.is_exciter
        measured = np.exp(points.log_magnitude[own] + 1j * points.phase[own])
        found = contradiction(points.frequency_hz[own], measured / reading[own]) if own.any() else None
        if found is not None:
            said.append(
                f"{name}: level and phase contradict each other by {found.rms_db:.2f} dB (rms), most from "
                f"{found.from_hz:.0f} to {found.to_hz:.0f} Hz, so no circuit that stood still made both "
                "(Kramers–Kronig); look for drift or movement during the sweep, a delay, or a phase of the wrong sign"
            )
    return tuple(said)


APART = 0.02
"""Inductances of rival cores that differ by less than this, relative, are not worth a sentence."""


def _core_doubt(rivals: Sequence[Rival]) -> tuple[str, ...]:
    """Say where the inductance hangs on how the core's losses are written: a spread one rises below every band."""
    spread = [rival for rival in rivals if rival.core == "spread" and rival.weight > LEAST_SHARE]
    if not spread:
        return ()
    coils = [coil_of(dict(zip(rival.names, rival.vector.tolist())), rival.core) for rival in rivals]
    limits = [coil.inductance for coil in coils]
    if max(limits) < (1 + APART) * min(limits):
        return ()
    at_1k = [
        coil.inductance * (1 - sum(s.fraction / (1 + (s.corner_hz / 1000.0) ** 2) for s in coil.eddy)) for coil in coils
    ]
    low, high, low_1k, high_1k = (
        format_quantity(end(values), "H", digits=3) for values in (limits, at_1k) for end in (min, max)
    )
    return (
        "the core's loss may be spread over a wide range, and the inductance then still rises below the sweep: "
        f"{low} to {high}, as the loss is written, and no sweep tells which; at 1 kHz it is {low_1k} to {high_1k}: "
        "compare pickups by that",
    )


MOST_OF_IT = 0.5
"""Share of an interval's variance above which a fixture part is named."""


def _doubts(solution: FitSolution) -> tuple[str, ...]:
    """Name the fixture parts whose tolerance most of an interval comes from."""
    names, said = solution.problem.names, []
    covariance = solution.covariance
    for key in ("log_resistance", "log_inductance", "log_capacitance"):
        a, shares = names.index(key), []
        for number, part in enumerate(solution.problem.points.doubtful):
            b = names.index(f"part_{number}")
            share = covariance[a, b] ** 2 / max(covariance[a, a] * covariance[b, b], 1e-300)
            shares.append((float(share), part_in_words(part)))
        share, words = max(shares, default=(0.0, ""))
        if share > MOST_OF_IT:
            said.append(
                f"{100 * share:.0f} % of the doubt of the {_SHOWN[key]} (its variance) would go with that of the "
                f"{words}: measure that part and say how good it is"
            )
    return tuple(said)


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
    load = load_in_words(fixture.load)
    parts.append("no added load" if load == "no load" else f"load {load}")
    if fixture.leaves_meter_open:
        parts.append("meter input not stated")
    elif fixture.meter_resistance is not None and math.isfinite(fixture.meter_resistance):
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


def measured_sheet(pickup: Pickup, provenance: Sequence[str], note: str) -> str:
    """Return the TOML text of a measured pickup, its values rounded to the digits of a sheet."""

    def tidy(coil: Coil) -> Coil:
        return replace(
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

    coils = {name: tidy(coil) for name, coil in pickup.coils.items()}
    values = pickup_data(replace(pickup, coils=coils, coupling=rounded(pickup.coupling)))
    data = {"name": values.pop("name"), "source": ". ".join(provenance) + ".", "note": note, **values}
    return sheet_text("pickup", data)


def _shown(interval: Interval, unit: str) -> str:
    low, high = (format_quantity(bound, unit, digits=3) for bound in (interval.low, interval.high))
    return f"{low} to {high}"


def fit_sheet_text(fit: Fit) -> str:
    """Return the TOML text of an electrical pickup sheet with the fitted values.

    ``source`` says what was measured and how; ``note`` gives the 95 % bounds and the warnings.
    """
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
    note = "95 % bounds: " + "; ".join(bounds) + "." + "".join(f" Warning: {warning}." for warning in fit.warnings)
    return measured_sheet(Pickup(name=fit.name, coils={"main": fit.coil}), fit.provenance, note)
