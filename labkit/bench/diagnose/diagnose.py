"""`diagnose`: readings against a plan, to findings with evidence, confidence and the check that would settle each.

Every cause in `faults` predicts every reading for a grid of sizes. The weight of a cause is its prior times the mean
over its sizes of how probable the readings are (Bayes, one fault at a time); causes that explain the readings equally
well therefore share the confidence and are all reported. Field, polarity, insulation and harness parts are judged by
rules of their own beside it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from labkit.bench.diagnose.expected import Feature, features
from labkit.bench.diagnose.faults import Fault, Situation, coil_faults
from labkit.bench.diagnose.meter import cancel_hum
from labkit.bench.diagnose.readings import OPEN, FieldValue, Plan, Readings
from labkit.bench.diagnose.verdicts import ChargeReading, Finding, Verdict
from labkit.core.errors import InputError
from labkit.core.sourced import Interval
from labkit.core.units import format_quantity
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


SOUND_INSULATION = 100e6
"""Ω; a coil is insulated from its poles when a low-voltage ohmmeter shows more than this (common practice, no "
"source)."""

SHORT_INSULATION = 1e3
"""Ω; below this the coil touches metal, above it something conducts only a little."""


def open_coil_findings(readings: Readings) -> list[Finding]:
    """An ohmmeter shows nothing: the coil is broken, or something before it is open."""
    open_coils = [name for name, value in readings.coil_resistance.items() if value == OPEN]
    whose = f"coil {' and '.join(open_coils)}" if open_coils else "the coil"
    evidence = [f"DC resistance of {whose}: open"]
    at_own_leads = bool(open_coils) or not readings.pots
    if readings.passes_sound:
        evidence.append("a thin sound still passes: the broken ends couple through 30 to 120 pF")
        broken, outside = 0.85, 0.1
    else:
        broken, outside = (0.7, 0.25) if at_own_leads else (0.5, 0.45)
    return [
        Finding(
            cause="open coil",
            confidence=broken,
            evidence=tuple(evidence),
            check="read at the eyelets or at the solder joints of the winding itself; a capacitance of 30 to "
            "300 pF between "
            "the two ends with no resistance means a break inside. Do not use an insulation tester: it can "
            "destroy what is left",
            note="most breaks sit at the start of the winding or at the eyelets, where a repair is possible",
            rivals=("broken lead or joint",),
        ),
        Finding(
            cause="broken lead or joint",
            confidence=outside,
            evidence=tuple(evidence[:1]),
            check="bridge lead and joints one by one with the ohmmeter on",
            rivals=("open coil",),
        ),
    ]


def field_findings(plan: Plan, values: Sequence[FieldValue], *, also_explained: bool) -> list[Finding]:
    """Field sizes against what was planned; a weak field has three causes that a single reading cannot tell apart."""
    if not values:
        return []
    logs = [math.log(value.value / value.planned) for value in values if value.planned and value.value > 0]
    if not logs:
        return []
    mean = sum(logs) / len(logs)
    accuracy = math.hypot(plan.field_tolerance, max(value.accuracy for value in values)) / 1.96
    evidence = tuple(
        f"field{f' at pole {value.pole}' if value.pole else ''}: read "
        f"{format_quantity(value.value, 'T', digits=3)}, planned "
        f"{format_quantity(value.planned or 0.0, 'T', digits=3)}, "
        + (f"gap {format_quantity(value.gap, 'm', digits=2)}" if value.gap else "probe on the pole")
        for value in values
    )
    single = [log - mean for log in logs] if len(logs) >= 3 else []
    odd = [values[i] for i, difference in enumerate(single) if abs(difference) > 3 * accuracy]
    if odd:
        return [
            Finding(
                cause="one pole differs from the others",
                confidence=0.8,
                evidence=evidence,
                check="read that pole again at the same gap, then exchange probe positions; a cracked or "
                "reversed rod stays low",
                rivals=("another gap at that pole",),
            )
        ]
    if abs(mean) <= 1.96 * accuracy:
        return []
    size = f"{100 * math.expm1(mean):+.0f} %"
    if mean > 0:
        return [
            Finding(
                cause="field stronger than planned",
                confidence=0.6,
                size=size,
                evidence=evidence,
                check="check the gap and the reference piece; then the grade of the magnet",
                rivals=("smaller gap than noted", "other core or magnet than planned"),
            )
        ]
    rivals = ["larger gap or deeper sensor than noted", "other core or magnet than planned"]
    confidence = 0.3 if also_explained else 0.6
    return [
        Finding(
            cause="weak magnet",
            confidence=confidence,
            size=size,
            evidence=evidence,
            check="read the reference piece at the same gap first; then saturate the magnet (trained persons "
            "only) and read "
            "again: a discharged magnet comes back, another grade does not; inductance moves only with the grade",
            rivals=tuple(rivals),
        ),
        Finding(
            cause="larger gap or deeper sensor than noted",
            confidence=0.25,
            size=size,
            evidence=evidence,
            check="lay the probe on the pole with a feeler of known thickness and read the reference piece the "
            "same way",
            rivals=("weak magnet",),
        ),
    ]


def polarity_findings(plan: Plan, readings: Readings) -> list[Finding]:
    """Which pole faces the strings, which way the first swing goes, whether hum cancels."""
    found: list[Finding] = []
    turned = [
        value
        for value in readings.field
        if value.facing and value.planned_facing and value.facing != value.planned_facing
    ]
    swing_known = readings.first_swing is not None and readings.planned_swing is not None
    swing_wrong = swing_known and readings.first_swing != readings.planned_swing
    if turned:
        evidence = [f"{value.facing} faces the strings, planned {value.planned_facing}" for value in turned]
        if swing_known:
            evidence.append(
                "first swing is reversed too: the wind is as planned"
                if swing_wrong
                else "first swing is as planned: wind or leads are reversed as well"
            )
        found.append(
            Finding(
                cause="reversed magnet",
                confidence=0.9 if len(turned) == len(readings.field) else 0.7,
                evidence=tuple(evidence),
                check="compass or a marked magnet at the same pole",
                note="the pickup is out of phase with its neighbours unless the wind is reversed too",
            )
        )
    elif swing_wrong:
        pole_known = any(value.facing and value.planned_facing for value in readings.field)
        evidence = [f"first swing {readings.first_swing}, planned {readings.planned_swing}"]
        if pole_known:
            evidence.append("the pole facing the strings is as planned")
        causes = ["leads exchanged", "wound the other way"] + ([] if pole_known else ["reversed magnet"])
        shares = [0.5, 0.4] if pole_known else [0.35, 0.25, 0.35]
        checks = {
            "leads exchanged": "follow start and finish to the leads; exchange them and test again",
            "wound the other way": "look at the winding from the top, start to finish; exchanging the leads "
            "cures the phase "
            "but puts the outer turns on hot",
            "reversed magnet": "compass at the pole",
        }
        found += [
            Finding(
                cause=cause,
                confidence=share,
                evidence=tuple(evidence),
                check=checks[cause],
                note="both reverse the phase and cannot be told apart at the leads"
                if cause != "reversed magnet"
                else "",
                rivals=tuple(other for other in causes if other != cause),
            )
            for cause, share in zip(causes, shares)
        ]
    coils = list(plan.pickup.coils.values())
    if readings.hum_cancels is False and len(coils) == 2 and cancel_hum(coils[0], coils[1]) is not False:
        found.append(
            Finding(
                cause="hum does not cancel",
                confidence=0.5,
                evidence=("hum of the pair is not below that of one coil",),
                check="first swing and resistance of each coil by itself",
                note="coils out of phase, one coil dead, or turns that differ by 20 % and more",
                rivals=("coils out of phase", "mismatched pair"),
            )
        )
    return found


def insulation_findings(readings: Readings) -> list[Finding]:
    """Coil to pole, cover or baseplate."""
    value = readings.insulation
    if value is None or value >= SOUND_INSULATION:
        return []
    evidence = (f"coil to metal: {format_quantity(value, 'Ω', digits=3)}",)
    check = (
        "lift one part after the other (cover, baseplate, each pole) and read again with a low-voltage "
        "ohmmeter; never with "
        "an insulation tester"
    )
    if value < SHORT_INSULATION:
        return [
            Finding(
                cause="coil touches metal",
                confidence=0.9,
                evidence=evidence,
                check=check,
                note="harmless only if that metal is not grounded and not touched",
            )
        ]
    return [
        Finding(
            cause="leak to ground",
            confidence=0.6,
            evidence=evidence,
            check=check,
            note="a nicked insulation at a pole or flange",
            rivals=("moisture or flux residue",),
        ),
        Finding(
            cause="moisture or flux residue",
            confidence=0.35,
            evidence=evidence,
            check="dry it for a day at 40 °C, clean the joints, read again",
            rivals=("leak to ground",),
        ),
    ]


def harness_findings(readings: Readings) -> list[Finding]:
    """Parts outside their tolerance; a factor of ten or a thousand is a slip of the unit or of the bin."""
    found = []
    for part in readings.parts:
        if part.planned == part.read == 0:
            continue
        ratio = part.read / part.planned if part.planned else math.inf
        if abs(ratio - 1) <= part.tolerance:
            continue
        read = format_quantity(part.read, part.unit, digits=3)
        planned = format_quantity(part.planned, part.unit, digits=3)
        wrong = max(ratio, 1 / ratio if ratio else math.inf) > 1.6
        evidence = (f"{part.name}: read {read}, planned {planned} ± {100 * part.tolerance:.0f} %",)
        causes = (
            [("wrong harness value", 0.85), ("reading in circuit", 0.1)]
            if wrong
            else [
                ("harness value outside its tolerance", 0.6),
                ("reading in circuit", 0.35),
            ]
        )
        for cause, confidence in causes:
            found.append(
                Finding(
                    cause=cause,
                    confidence=confidence,
                    size=f"{part.name} {read}",
                    evidence=evidence,
                    check=f"unsolder one end of {part.name} and read it alone",
                    note="other parts lie across it" if cause == "reading in circuit" else "",
                    rivals=tuple(other for other, _ in causes if other != cause),
                )
            )
    return found
