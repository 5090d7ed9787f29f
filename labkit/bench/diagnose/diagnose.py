"""`diagnose`: readings against a plan, to findings with evidence, confidence and the check that would settle each.

Every cause in `faults` predicts every reading for a grid of sizes. The weight of a cause is its prior times the mean
over its sizes of how probable the readings are (Bayes, one fault at a time); causes that explain the readings equally
well therefore share the confidence and are all reported. Field, polarity, insulation and harness parts are judged by
rules of their own beside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from labkit.bench.diagnose.expected import Feature, features
from labkit.bench.diagnose.faults import Fault, Situation, coil_faults
from labkit.bench.diagnose.readings import OPEN, FieldValue, Plan, Readings
from labkit.bench.diagnose.rules import (
    field_findings,
    harness_findings,
    insulation_findings,
    open_coil_findings,
    polarity_findings,
)
from labkit.bench.diagnose.verdicts import ChargeReading, Finding, Verdict
from labkit.core.errors import InputError
from labkit.core.sourced import Interval
from labkit.pickup.magnetics.field import MeterCalibration
from labkit.pickup.predict.bench import charge_from_reading, pole_index
from labkit.pickup.predict.field import magnet_route

LEAST_CONFIDENCE = 0.05
"""Causes below this are not listed."""

MOST_CONFIDENCE = 0.98
"""No finding claims more: the tolerances, the models and "one fault at a time" are themselves not certain."""

OUTLIER_WEIGHT = 0.02
"""Prior of "something that is not on the list", whose readings may lie anywhere within a factor OUTLIER_SPAN."""

OUTLIER_SPAN = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Weighed:
    fault: Fault
    evidence: float
    best: Situation
    misfit: float


def diagnose_readings(plan: Plan, readings: Readings) -> Verdict:
    """Compare readings with a plan.

    Parameters
    ----------
    plan : Plan
    readings : Readings

    Returns
    -------
    Verdict
        ``passes`` is True when every reading lies within the plan's tolerance and nothing else is found.

    Raises
    ------
    InputError
        If there is nothing to compare.

    Notes
    -----
    One fault of the coil at a time is assumed; two at once can look like a third, which is why each finding names the
    check that would settle it. Confidences rest on rough priors (common practice, no source) and on tolerances.
    """
    found: list[Finding] = []
    judged = features(plan, readings)
    is_open = readings.resistance == OPEN or OPEN in readings.coil_resistance.values()
    if is_open:
        found += open_coil_findings(readings)
        judged = []
    field_known = [
        value if value.planned else replace(value, planned=plan.planned_field(value.gap, value.pole))
        for value in readings.field
    ]
    field_known = [value for value in field_known if value.planned]
    nothing = not (judged or is_open or readings.field or readings.parts or readings.insulation or readings.first_swing)
    if nothing and readings.hum_cancels is None:
        raise InputError(f"{readings.name}: no reading can be held against the plan; give at least a resistance")
    weighed = _weigh(plan, readings, judged) if judged else []
    found += _coil_findings(weighed, judged)
    grade_blamed = any(finding.cause == "other core or magnet than planned" for finding in found)
    found += field_findings(plan, field_known, also_explained=grade_blamed)
    found += polarity_findings(plan, readings)
    found += insulation_findings(readings)
    found += harness_findings(readings)
    found.sort(key=lambda finding: -finding.confidence)
    return Verdict(
        plan=plan.pickup.name,
        readings=readings.name,
        findings=tuple(found),
        compared=tuple(feature.sentence() for feature in judged),
        lines=tuple(feature.judged() for feature in judged),
        within_tolerance=all(feature.within for feature in judged) and not found,
        charges=_charges(plan, readings.field),
    )


def _charges(plan: Plan, values: tuple[FieldValue, ...]) -> tuple[ChargeReading, ...]:
    """The charge behind each field reading, where the plan says what magnet stands there.

    A reading's accuracy already holds the meter's calibration; it enters as the meter's doubt. A pole is counted from
    the left where it is called by its number; any other name takes the mean of the row.
    """
    built = plan.built
    if built is None or magnet_route(built.build) != "rods":
        return ()
    rows = [coil.poles for _, coil in built.build.coils if coil.grade is not None and coil.poles is not None]
    if len(rows) != 1:
        return ()
    found = []
    for value in values:
        try:
            rod = pole_index(built, value.pole)
        except InputError:
            continue
        if not value.value > 0:
            continue
        estimate = charge_from_reading(
            built,
            value.value,
            gap=value.gap,
            rod=rod,
            calibration=MeterCalibration(deviation=value.accuracy / 1.96),
        )
        charge = estimate.charge
        found.append(
            ChargeReading(
                pole=value.pole,
                charge=Interval(value=charge.value, low=charge.low, high=charge.high),
                warnings=estimate.warnings,
            )
        )
    return tuple(found)


def _weigh(plan: Plan, readings: Readings, judged: list[Feature]) -> list[_Weighed]:
    causes = coil_faults(plan.pickup, temperature_known=readings.temperature_c is not None, magnet=plan.magnet)
    weighed = []
    for fault in causes:
        misfits = [sum(feature.misfit(situation) for feature in judged) for situation in fault.situations]
        evidence = fault.weight * float(np.mean(np.exp(-0.5 * np.minimum(misfits, 1400.0))))
        at = int(np.argmin(misfits))
        weighed.append(_Weighed(fault=fault, evidence=evidence, best=fault.situations[at], misfit=float(misfits[at])))
    stray = OUTLIER_WEIGHT
    for feature in judged:
        # a reading anywhere within the span: density of its own spread against that of the span
        stray *= min(1.0, feature.spread * math.sqrt(2 * math.pi) / (2 * math.log(OUTLIER_SPAN)))
    unknown = Fault(name="something not on the list", weight=OUTLIER_WEIGHT, situations=(), check="")
    weighed.append(
        _Weighed(fault=unknown, evidence=stray, best=Situation(pickup=plan.pickup), misfit=float(len(judged)))
    )
    return weighed


def _coil_findings(weighed: list[_Weighed], judged: list[Feature]) -> list[Finding]:
    total = sum(item.evidence for item in weighed)
    if total <= 0:
        return []
    plan_itself = weighed[0]
    if all(feature.within for feature in judged) and plan_itself.evidence / total > 0.5:
        return []
    listed = sorted(weighed, key=lambda item: -item.evidence)
    findings = []
    for item in listed:
        confidence = min(item.evidence / total, MOST_CONFIDENCE)
        if item.fault.name == "as planned" or confidence < LEAST_CONFIDENCE:
            continue
        rivals = [
            other.fault.name
            for other in listed
            if other is not item and other.evidence / total >= LEAST_CONFIDENCE and other.fault.name != "as planned"
        ]
        if item.fault.name == "something not on the list":
            findings.append(
                Finding(
                    cause=item.fault.name,
                    confidence=confidence,
                    size="",
                    evidence=tuple(feature.sentence() for feature in judged if not feature.within),
                    check="read again, each value twice, with temperature, frequency and model noted; then one "
                    "coil at a time",
                    note="no single cause known here explains all readings",
                )
            )
            continue
        findings.append(
            Finding(
                cause=item.fault.name,
                confidence=confidence,
                size=item.best.size,
                evidence=tuple(
                    feature.sentence(item.best)
                    for feature in judged
                    if not feature.within or feature.distinguishes(item.best)
                ),
                check=item.fault.check,
                note=item.fault.note,
                rivals=tuple(rivals),
            )
        )
    return findings
