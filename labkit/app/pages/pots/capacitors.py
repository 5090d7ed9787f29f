"""What the pots page shows of treble bleeds and of capacitors: their value, and what they are made of."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from labkit.app.kit.text import change_in_words
from labkit.app.pages.pots.views import (
    GRID_HZ,
    IN_THE_WAY_DB,
    Rows,
    SmallCurves,
    View,
    curve_of,
    farads,
    hertz,
    neighbour,
    ohms,
    pair,
    plain_name,
)
from labkit.core.errors import capitalized
from labkit.core.response import gain_db
from labkit.rig.parts.parts import FixedCapacitor, Pot
from labkit.rig.rig import Rig
from labkit.study.questions.pots import (
    BLEEDS,
    LEVEL_HZ,
    TILT_HZ,
    Bleed,
    BleedKind,
    bleed_of,
    capacitor_differences,
    compare_bleeds,
    compare_capacitors,
    dielectric_of,
    turn,
    turned,
    with_capacitor,
)
from labkit.view.curve.curve import Curve, difference_window
from labkit.view.palette import FAMILY, NOW, PINS, CurveStyle
from labkit.view.words import frequency_in_words, read_response

BLEED_POSITIONS = (8.0, 7.0, 6.0, 5.0)
CAPACITOR_VALUES = (10e-9, 22e-9, 47e-9, 100e-9)
VALUE_ERROR = 0.2
"""A usual tolerance of a cheap capacitor, to set beside its loss; common practice, no source."""
NO_LOSS = "no loss"


def bleed_view(rig: Rig, pot: Pot) -> View:
    """Treble bleeds side by side, at the present position and at 8 to 5."""
    control = pot.control.name
    name, now = plain_name(control), float(rig.settings[control])
    own = bleed_of(rig, pot)
    tried = compare_bleeds(rig, pot, BLEED_POSITIONS)
    against: BleedKind = "plain" if own.kind != "plain" else "parallel"
    other = tried[against].rig
    rest = [kind for kind in BLEEDS if kind not in (own.kind, against)]
    styles: dict[str, CurveStyle] = {own.kind: NOW, against: PINS[0], **dict(zip(rest, FAMILY))}
    kinds = (own.kind, against, *rest)
    curves = pair(rig, own.kind, other, against)
    curves += [neighbour(tried[kind].rig, kind, styles[kind]) for kind in rest]
    full = Curve(
        frequency_hz=GRID_HZ,
        gain_db=gain_db(turned(tried["plain"].rig, [control], 10.0).evaluate(GRID_HZ)),
        label=f"{name} 10",
        style=FAMILY[-1],
    )
    turns = {kind: turn(each.rig, control, BLEED_POSITIONS, GRID_HZ) for kind, each in tried.items()}
    small = tuple(
        SmallCurves(
            title=f"{capitalized(name)} at {at:g}",
            curves=(
                *(
                    Curve(frequency_hz=GRID_HZ, gain_db=turns[kind][row], label=kind, style=styles[kind])
                    for kind in kinds
                ),
                full,
            ),
        )
        for row, at in enumerate(BLEED_POSITIONS)
    )
    rows = tuple(
        (
            bleed_text(each.bleed),
            *(
                f"{change_in_words(float(down))}, {change_in_words(float(tilt))}"
                for down, tilt in zip(each.level_db, each.tilt_db)
            ),
        )
        for each in tried.values()
    )
    flattest = min(tried.values(), key=lambda each: each.unevenness_db)
    said = {kind: change_in_words(float(each.tilt_db[-1])) for kind, each in tried.items()}
    findings = [
        f"With the {name} at 5 the treble at {hertz(TILT_HZ)} changes, beyond the level, by {said['plain']} plain, "
        f"{said['capacitor']} with a capacitor, {said['parallel']} with a resistor beside it, {said['series']} with "
        "one in series.",
        f"From 8 to 5 the treble keeps its place best here with: {bleed_text(flattest.bleed)}.",
    ]
    if now > 9.5:
        findings.append(f"The {name} knob stands at {now:g}, where the pot itself bridges any bleed; turn it down.")
    level = tried["parallel"].level_db - tried["plain"].level_db
    findings.append(
        f"A resistor beside the capacitor also bends the taper: at 5 the level stands {abs(level[-1]):.1f} dB "
        f"{'higher' if level[-1] > 0 else 'lower'} than without bleed."
    )
    return View(
        main=SmallCurves(title=f"The {name} knob at {now:g}, by bleed", curves=tuple(curves)),
        small=small,
        table=Rows(
            title=f"Level at {hertz(LEVEL_HZ)}, then treble at {hertz(TILT_HZ)} beyond it; against {name} at 10",
            head=("Bleed", *(f"At {at:g}" for at in BLEED_POSITIONS)),
            rows=rows,
            marked=BLEEDS.index(own.kind),
        ),
        findings=tuple(findings),
        label=own.kind,
        other=other,
        other_label=against,
    )


def capacitor_view(rig: Rig, name: str, controls: tuple[str, ...], compared: float) -> View:
    """Values of the tone capacitor, with the tone at 0 and at 10; B has the compared value, F."""
    part = _capacitor(rig, name)
    values = tuple(sorted({*CAPACITOR_VALUES, part.value}))
    small, humps, moved = [], {}, {}
    for at in (0.0, 10.0):
        there = turned(rig, controls, at)
        curves = [curve_of(there, f"A {farads(part.value)}", NOW, brief="A")]
        rest = [value for value in values if value != part.value]
        for value, style in zip(rest, FAMILY):
            curves.append(curve_of(with_capacitor(there, name, value=value), farads(value), style))
        small.append(SmallCurves(title=f"Tone at {at:g}", curves=tuple(curves)))
        levels = np.array([curve.gain_db for curve in curves])
        moved[at] = float(np.max(np.ptp(levels, axis=0)))
    rows = []
    for each in compare_capacitors(rig, name, values, GRID_HZ):
        reading = humps[each.value] = read_response(each.at_zero.response(GRID_HZ))
        rows.append(
            (
                farads(each.value),
                "none" if reading.peak_hz is None else frequency_in_words(reading.peak_hz),
                "–" if reading.minus_3db_hz is None else frequency_in_words(reading.minus_3db_hz),
                f"{each.moves_at_ten_db:.3f} dB",
            )
        )
    low, high = humps[values[0]], humps[values[-1]]
    spoken = f"from {farads(values[0])} to {farads(values[-1])}"
    if moved[0.0] < IN_THE_WAY_DB:
        findings = [
            "At the present switch position this capacitor is not in the signal's way: its value moves nothing."
        ]
    else:
        findings = [f"With the tone at 10, values {spoken} differ by {moved[10.0]:.3f} dB at most up to 20 kHz."]
        if low.peak_hz is not None and high.peak_hz is not None:
            hump = f"from {frequency_in_words(low.peak_hz)} to {frequency_in_words(high.peak_hz)}"
            findings[0] = f"{findings[0].rstrip('.')}; at 0 the hump moves {hump}."
        else:
            findings[0] = findings[0].rstrip(".") + f"; at 0 by up to {moved[0.0]:.1f} dB."
    other = with_capacitor(rig, name, value=compared)
    main = tuple(pair(rig, farads(part.value), other, farads(compared)))
    return View(
        main=SmallCurves(title="With the tone as it stands", curves=main),
        small=tuple(small),
        table=Rows(
            title="By capacitor",
            head=("Capacitor", "Hump, tone at 0", "−3 dB point, tone at 0", "Moves the curve, tone at 10, against A"),
            rows=tuple(rows),
            marked=values.index(part.value),
        ),
        findings=tuple(findings),
        label=farads(part.value),
        other=other,
        other_label=farads(compared),
        changes=((name, compared),),
    )


def loss_view(rig: Rig, name: str, controls: tuple[str, ...], dielectrics: tuple[str, ...]) -> View:
    """What a capacitor's dielectric does, as a difference from no loss, beside 20 % more of its value."""
    part = _capacitor(rig, name)
    worst = max(dielectrics, key=lambda entry: dielectric_of(entry).loss_tangent.value)
    middle = "polyester film" if "polyester film" in dielectrics and worst != "polyester film" else dielectrics[0]
    larger = f"{VALUE_ERROR * 100:.0f} % more value"
    briefs = {worst: worst.rpartition(", ")[2], larger: f"+{VALUE_ERROR * 100:.0f} % value"}
    now = part.dielectric or (NO_LOSS if part.loss_tangent == 0 else "as built")
    against = worst if now != worst else NO_LOSS
    panels, most = [], {}
    for title, there in (
        ("With the tone as it stands", rig),
        ("Tone at 0", turned(rig, controls, 0.0)),
        ("Tone at 10", turned(rig, controls, 10.0)),
    ):
        ideal = with_capacitor(there, name, loss_tangent=0.0)
        zero = gain_db(ideal.evaluate(GRID_HZ))
        made = {
            worst: with_capacitor(ideal, name, dielectric=worst),
            NO_LOSS: ideal,
            middle: with_capacitor(ideal, name, dielectric=middle),
            larger: with_capacitor(ideal, name, value=part.value * (1 + VALUE_ERROR)),
        }
        shown = [(f"A {now}", "A", there, NOW), (f"B {against}", "B", made[against], PINS[0])]
        shown += [
            (label, briefs.get(label, label.split(" ")[0]), made[label], style)
            for label, style in zip((middle, larger), FAMILY)
        ]
        curves = []
        for label, brief, each, style in shown:
            curve = curve_of(each, label, style, brief=brief)
            curves.append(replace(curve, gain_db=curve.gain_db - zero))
        for label in (worst, larger):
            most[title, label] = float(np.max(np.abs(gain_db(made[label].evaluate(GRID_HZ)) - zero)))
        panels.append(
            SmallCurves(
                title=title,
                curves=tuple(curves),
                levels=difference_window(curves),
                caption="Difference in decibels. Zero is the same rig with a capacitor that has no loss.",
            )
        )
    rows = []
    for entry in (NO_LOSS, *dielectrics, larger):
        changed: dict[str, Any] = {"dielectric": entry}
        if entry in (NO_LOSS, larger):
            changed = {"value": part.value * (1 + VALUE_ERROR)} if entry == larger else {}
        cells = [f"{apart:.3f} dB" for apart in capacitor_differences(rig, name, GRID_HZ, **changed)]
        loss = 0.0 if entry in (NO_LOSS, larger) else dielectric_of(entry).loss_tangent.value
        rows.append((entry, "–" if entry == larger else f"{loss * 100:g} %", *cells))
    percent = dielectric_of(worst).loss_tangent.value * 100
    findings = [
        f"The lossiest dielectric here, {worst} ({percent:g} %), moves the curve by {most['Tone at 10', worst]:.3f} dB "
        f"at most with the tone at 10 and {most['Tone at 0', worst]:.2f} dB at 0; {larger} moves it "
        f"{most['Tone at 0', larger]:.1f} dB at 0."
    ]
    if most["Tone at 0", larger] < IN_THE_WAY_DB:
        findings = [
            "At the present switch position this capacitor is not in the signal's way: nothing about it matters."
        ]
    elif most["Tone at 0", larger] > 2 * most["Tone at 0", worst]:
        findings.append("The value on the part matters more than what it is made of: measure it.")
    findings.append(
        "Loss is taken alike at all frequencies; that film types lose more above 10 kHz, and that class 2 ceramics "
        "lose capacitance with voltage and age, is not modelled."
    )
    names = (NO_LOSS, *dielectrics)
    other = (
        with_capacitor(rig, name, dielectric=worst) if against == worst else with_capacitor(rig, name, loss_tangent=0.0)
    )
    return View(
        main=panels[0],
        small=tuple(panels[1:]),
        table=Rows(
            title="Largest difference from a capacitor without loss",
            head=("Dielectric", "Loss tangent", "Tone at 0", "Tone at 10"),
            rows=tuple(rows),
            marked=names.index(now) if now in names else -1,
        ),
        findings=tuple(findings),
        label=now,
        other=other,
        other_label=against,
    )


def bleed_text(bleed: Bleed) -> str:
    """Write a bleed with its values.

    >>> bleed_text(USUAL_BLEEDS["parallel"])
    'parallel, 1 nF and 150 kΩ'
    """
    if bleed.kind == "plain":
        return "plain, no bleed"
    if bleed.kind == "capacitor":
        return f"capacitor, {farads(bleed.capacitance)}"
    return f"{bleed.kind}, {farads(bleed.capacitance)} and {ohms(bleed.resistance)}"


def _capacitor(rig: Rig, name: str) -> FixedCapacitor:
    part = rig.harness.part(name)
    assert isinstance(part, FixedCapacitor)
    return part


def capacitance(rig: Rig, name: str) -> float:
    """Return the value of a capacitor of a rig, F."""
    return _capacitor(rig, name).value
