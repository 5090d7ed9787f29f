"""Rules for what needs no weighing: open coils, field, polarity, insulation and parts of the harness.

Each rule lists every cause that explains its reading, with shared confidence where the reading cannot choose.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from labkit.bench.diagnose.meter import cancel_hum
from labkit.bench.diagnose.readings import OPEN, FieldValue, Plan, Readings
from labkit.bench.diagnose.verdicts import Finding
from labkit.core.units import format_quantity

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
        f"{format_quantity(value.planned or 0.0, 'T', digits=3)}, gap {format_quantity(value.gap, 'm', digits=2)}"
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
