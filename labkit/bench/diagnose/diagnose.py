"""`diagnose`: readings against a plan, to findings with evidence, confidence and the check that would settle each.

Every cause in `faults` predicts every reading for a grid of sizes. The weight of a cause is its prior times the mean
over its sizes of how probable the readings are (Bayes), and so is that of two causes at once; causes that explain the
readings equally well therefore share the confidence and are all reported. Odd readings that the plan itself still
explains are to be read again, and are no fault yet. Field, polarity, insulation and harness parts are judged by
rules of their own beside it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np

from labkit.bench.diagnose.expected import Feature, features
from labkit.bench.diagnose.faults import coil_faults
from labkit.bench.diagnose.meter import cancel_hum
from labkit.bench.diagnose.readings import OPEN, FieldValue, Plan, Readings
from labkit.bench.diagnose.verdicts import ChargeReading, Finding, Tier, Verdict
from labkit.core.errors import InputError, capitalized
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


PASSES = 0.5
"""Share of the plan itself above which readings inside their joint bounds are passed."""

READ_AGAIN = 0.02
"""Share of the plan itself above which odd readings are read again before anything is called a fault: every twentieth
reading of a good part lies outside its own 95 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Weighed:
    """One cause, or two at once, with the size that explains the readings best."""

    name: str
    evidence: float
    size: str = ""
    predicted: tuple[float, ...] = ()
    check: str = ""
    note: str = ""


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
    One fault of the coil, or two at once (their effects added on the scale of each reading); three can look like
    something else, which is why each finding names the check that would settle it. Confidences rest on rough priors
    (common practice, no source) and on tolerances.
    """
    found: list[Finding] = []
    judged = features(plan, readings)
    is_open = readings.resistance == OPEN or OPEN in readings.coil_resistance.values()
    if is_open:
        found += open_coil_findings(readings)
        judged = []
    readings = replace(readings, field=tuple(in_tesla(plan, readings, value) for value in readings.field))
    field_known = [
        value if value.planned else replace(value, planned=plan.planned_field(value.gap, value.pole))
        for value in readings.field
    ]
    field_known = [value for value in field_known if value.planned]
    nothing = not (judged or is_open or readings.field or readings.parts or readings.insulation or readings.first_swing)
    if nothing and readings.hum_cancels is None:
        raise InputError(f"{readings.name}: no reading can be held against the plan; give at least a resistance")
    weighed = _weigh(plan, readings, judged) if judged else []
    tier = _tier(weighed, judged)
    if tier != "passes":
        found += _coil_findings(weighed, judged)
    coil_only = [] if is_open else list(found)
    grade_blamed = any(GRADE in finding.cause for finding in found)
    found += field_findings(plan, field_known, also_explained=grade_blamed)
    found += polarity_findings(plan, readings)
    found += insulation_findings(readings)
    found += harness_findings(readings)
    found.sort(key=lambda finding: -finding.confidence)
    if len(found) > len(coil_only):
        tier = "fault"
    return Verdict(
        plan=plan.pickup.name,
        readings=readings.name,
        findings=tuple(found),
        compared=tuple(feature.sentence() for feature in judged),
        lines=tuple(feature.judged() for feature in judged),
        tier=tier,
        charges=_charges(plan, readings.field),
    )


RATIO_DOUBT = 0.4
"""95 % bounds of the ratio of two grades' readings: shops see a fully charged Alnico 2 read half of an Alnico 5 (common
practice, no source) where the field model says 0.7, so neither is believed to better than this."""

STRONGEST = "Alnico 5"
"""The grade whose field over rods is modelled and read alike; softer ones read lower than modelled."""

REFERENCE_SCATTER = 0.05
"""95 % bounds of one fully charged reference piece (common practice, no source)."""


def in_tesla(plan: Plan, readings: Readings, value: FieldValue) -> FieldValue:
    """Return a reading as the field it stands for at this plan, with the doubt of comparing grades.

    Marks are a share of a fully charged piece. Pieces of the plan's own grade are taken where there are any; a piece of
    another grade stands in by the field model, with `RATIO_DOUBT`.

    Raises
    ------
    InputError
        If no reference piece says what the marks mean.
    """
    if value.marks is None:
        is_modelled = value.planned is None and plan.built is not None
        if not is_modelled or plan.magnet in (None, STRONGEST):
            return value
        return replace(value, accuracy=min(math.hypot(value.accuracy, RATIO_DOUBT), 0.5))
    pieces = readings.meter.references if readings.meter is not None else ()
    if not pieces or plan.magnet is None:
        raise InputError(
            f"{readings.name}: a field in marks needs a reference piece in field_meter, and a plan that names its grade"
        )
    full = plan.full_field(plan.magnet, value.gap, value.pole)
    own = [piece.reads for piece in pieces if piece.grade == plan.magnet]
    doubt = REFERENCE_SCATTER / math.sqrt(len(own)) if own else math.hypot(RATIO_DOUBT, REFERENCE_SCATTER)
    if not own:
        own = [piece.reads * full / plan.full_field(piece.grade, value.gap, value.pole) for piece in pieces]
    expected = math.exp(sum(math.log(reads) for reads in own) / len(own))
    if len(own) > 1:
        scatter = float(np.std(np.log(own), ddof=1))
        doubt = max(doubt, 1.96 * scatter / math.sqrt(len(own)))
    return replace(
        value, value=full * value.marks / expected, marks=None, accuracy=min(math.hypot(value.accuracy, doubt), 0.5)
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


GRADE = "other core or magnet than planned"


def _weigh(plan: Plan, readings: Readings, judged: list[Feature]) -> list[_Weighed]:
    """Weigh every cause, every two at once, and something that is not on the list; the plan itself first.

    A prediction is a step from the plan in standard deviations of each reading. Steps of two causes add: exact for
    resistance and inductance at low frequency, near enough for the rest while a cause moves a reading by some
    tens of percent.
    """
    causes = coil_faults(plan.pickup, temperature_known=readings.temperature_c is not None, magnet=plan.magnet)
    spread = np.array([feature.spread for feature in judged])
    planned = np.array([feature.planned for feature in judged])
    seen = (np.array([feature.observed for feature in judged]) - planned) / spread
    steps = [
        (np.array([[feature.predict(each) for feature in judged] for each in fault.situations]) - planned) / spread
        for fault in causes
    ]

    def weighed(name: str, prior: float, step: np.ndarray, sizes: Sequence[str], check: str, note: str) -> _Weighed:
        misfits = ((seen - step) ** 2).sum(axis=1)
        at = int(np.argmin(misfits))
        return _Weighed(
            name=name,
            evidence=prior * float(np.mean(np.exp(-0.5 * np.minimum(misfits, 1400.0)))),
            size=sizes[at],
            predicted=tuple((planned + spread * step[at]).tolist()),
            check=check,
            note=note,
        )

    found = [
        weighed(fault.name, fault.weight, step, [each.size for each in fault.situations], fault.check, fault.note)
        for fault, step in zip(causes, steps)
    ]
    faults = list(zip(causes, steps))[1:]
    for number, (one, first) in enumerate(faults):
        for other, second in faults[number + 1 :]:
            both = (first[:, None, :] + second[None, :, :]).reshape(-1, len(judged))
            sizes = [f"{a.size}, {b.size}" for a in one.situations for b in other.situations]
            name = f"{one.name} and {other.name}"
            check = f"{one.check}. {capitalized(other.check)}"
            found.append(weighed(name, one.weight * other.weight, both, sizes, check, "two at once"))
    stray = OUTLIER_WEIGHT
    for feature in judged:
        # a reading anywhere within the span: density of its own spread against that of the span
        stray *= min(1.0, feature.spread * math.sqrt(2 * math.pi) / (2 * math.log(OUTLIER_SPAN)))
    found.append(_Weighed(name=UNKNOWN, evidence=stray))
    return found


UNKNOWN = "something not on the list"


def _tier(weighed: list[_Weighed], judged: list[Feature]) -> Tier:
    """Say whether the coil's readings pass, are to be read again, or show a fault.

    Bounds are joint: with n readings each may lie where one in 20·n does, so that 95 of 100 good parts pass.
    """
    if not weighed:
        return "passes"
    total = sum(item.evidence for item in weighed)
    share = weighed[0].evidence / total if total > 0 else 0.0
    joint = NormalDist().inv_cdf(1 - 0.025 / len(judged))
    largest = max(abs(feature.observed - feature.planned) / feature.spread for feature in judged)
    if largest <= joint and share > PASSES:
        return "passes"
    return "read again" if share > READ_AGAIN or largest <= joint else "fault"


def _coil_findings(weighed: list[_Weighed], judged: list[Feature]) -> list[Finding]:
    total = sum(item.evidence for item in weighed)
    if total <= 0:
        return []
    listed = sorted(weighed[1:], key=lambda item: -item.evidence)
    shown = [item for item in listed if item.evidence / total >= LEAST_CONFIDENCE]
    if not shown and weighed[0].evidence / total <= PASSES:
        shown = listed[:1]
    findings = []
    for item in shown:
        confidence = min(item.evidence / total, MOST_CONFIDENCE)
        rivals = tuple(other.name for other in shown if other is not item)
        if item.name == UNKNOWN:
            findings.append(
                Finding(
                    cause=item.name,
                    confidence=confidence,
                    evidence=tuple(feature.sentence() for feature in judged if not feature.within),
                    check="read again, each value twice, with temperature, frequency and model noted; then one "
                    "coil at a time",
                    note="no cause known here, nor two of them, explains all readings",
                )
            )
            continue
        findings.append(
            Finding(
                cause=item.name,
                confidence=confidence,
                size=item.size,
                evidence=tuple(
                    feature.sentence(value)
                    for feature, value in zip(judged, item.predicted)
                    if not feature.within or feature.distinguishes(value)
                ),
                check=item.check,
                note=item.note,
                rivals=rivals,
            )
        )
    return findings


SOUND_INSULATION = 100e6
"""Ω; a coil is insulated from its poles when a low-voltage ohmmeter shows more than this (common practice, no "
"source)."""

SOUND_CAPACITOR = 20e6
"""Ω; a capacitor of a tone control that shows less conducts (common practice, no source; film ones show over 1 GΩ)."""

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
        if part.leak is not None and part.leak < SOUND_CAPACITOR:
            found.append(
                Finding(
                    cause="leaky capacitor",
                    confidence=0.85,
                    size=format_quantity(part.leak, "Ω", digits=3),
                    evidence=(f"{part.name}: {format_quantity(part.leak, 'Ω', digits=3)} across it",),
                    check=f"unsolder one end of {part.name}, wait until the reading has settled, and read it alone",
                    note="it loads the pickup like a resistor and makes the knob scratch",
                    rivals=("reading in circuit",),
                )
            )
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
