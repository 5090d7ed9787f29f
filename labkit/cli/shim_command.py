"""``labkit shim``: strings lifted by a known shim, recorded, held against a plan."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from labkit.cli.options import Output, result_options
from labkit.core.errors import InputError, did_you_mean
from labkit.core.files import write_atomically
from labkit.core.units import format_quantity, parse_quantity, stated

if TYPE_CHECKING:
    from labkit.bench.shim.sensitivity import LiftScale, MeasuredLift
    from labkit.pickup.predict.built import BuiltPickup
    from labkit.pickup.predict.propagation import Prediction
    from labkit.pickup.string.known_steel import KnownSteel


@click.command()
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORDING...")
@result_options()
@click.option(
    "notes",
    "--string",
    multiple=True,
    required=True,
    metavar="NOTE",
    help="E4, B3 …: one for each recording, in order.",
)
@click.option("shim_height", "--shim", required=True, metavar="HEIGHT", help="How far it is lifted: '1 mm ± 0.02 mm'.")
@click.option("--full-scale", metavar="VOLT", help="Peak voltage at the input that reaches full scale: '1.9 V ± 1 %'.")
@click.option("--interface", type=click.Path(path_type=Path), help="Kept calibration that states full scale and input.")
@click.option("--against", metavar="SHEET", help="Build of the pickup, to compare with and to learn the steel from.")
@click.option("--height", metavar="HEIGHT", help="Pole face to middle of the string before the lift; else the build's.")
@click.option("string_set", "--strings", metavar="NAME", help="Set of the catalogue that is on the guitar.")
@click.option(
    "--channel", type=click.IntRange(1, 2), help="Of the recordings; the one with the largest pulses unless given."
)
@click.option("--pulses", type=click.IntRange(min=1), help="Lifts and returns that each recording should hold.")
@click.option(
    "--sheet",
    type=click.Path(path_type=Path),
    help="Write what is then known of the strings' steel, for `string_steel` of a build.",
)
def shim(
    recordings: tuple[Path, ...],
    out: Output,
    notes: tuple[str, ...],
    shim_height: str,
    full_scale: str | None,
    interface: Path | None,
    against: str | None,
    height: str | None,
    string_set: str | None,
    channel: int | None,
    pulses: int | None,
    sheet: Path | None,
) -> None:
    """Volts per velocity of strings that were lifted by a shim and let down, from RECORDINGs.

    Record one string at a time: rest, lift onto the shim, rest, let down, and so on, three times or more, a second
    or two of rest each.
    """
    from labkit.bench.shim.pulses import read_lift_file
    from labkit.bench.shim.sensitivity import measured_lift
    from labkit.pickup.predict.built import load_built

    if len(notes) != len(recordings):
        raise InputError(f"give one --string for each recording, in order; got {len(notes)} for {len(recordings)}")
    repeated = next((note for note in notes if notes.count(note) > 1), None)
    if repeated is not None:
        raise InputError(f"--string {repeated} is given twice; put the lifts of one string into one recording")
    if sheet is not None and against is None:
        raise InputError("--sheet learns the steel from a comparison: name the pickup's build with --against")
    if against is None and height is not None:
        raise InputError("--height belongs to a comparison: name the pickup's build with --against")
    built = None if against is None else load_built(against)
    scale, warnings = _scale(shim_height, full_scale, interface, built)
    plan, gap = _plan(built, notes, height, scale.shim.value, string_set)
    lifts = [
        measured_lift(read_lift_file(path, channel, expected=pulses), note, scale)
        for path, note in zip(recordings, notes)
    ]
    steel = None if built is None else _steel(built, lifts, scale, gap, string_set)
    if sheet is not None and steel is not None:
        from labkit.pickup.string.known_steel import steel_text

        write_atomically(sheet, steel_text(steel), overwrite=out.force)
    said = (lifts, plan, scale, gap, built, steel, warnings)
    out.write(text=lambda: _text(*said), data=lambda: _json(*said))


def _scale(
    shim_height: str, full_scale: str | None, interface: Path | None, built: BuiltPickup | None
) -> tuple[LiftScale, tuple[str, ...]]:
    from labkit.bench.shim.sensitivity import INPUT_RESISTANCE, LiftScale
    from labkit.pickup.predict.propagation import Doubtful

    resistance = INPUT_RESISTANCE
    warnings: tuple[str, ...] = ()
    if interface is not None:
        from labkit.bench.recording.interface import read_interface

        kept = read_interface(interface)
        resistance, warnings = kept.input_resistance, kept.warnings()
        if full_scale is None and kept.full_scale is None:
            raise InputError(
                f"{interface}: states no volts per full scale; give --full-scale, or calibrate with --full-scale"
            )
    if full_scale is not None:
        volts, tolerance = stated(full_scale, "V", "--full-scale", 0.02)
    elif interface is not None and kept.full_scale is not None:
        volts, tolerance = kept.full_scale, kept.full_scale_tolerance
    else:
        raise InputError(
            "volts per full scale are due: --full-scale '1.9 V ± 1 %', or --interface with a calibration that states it"
        )
    lift, doubt = stated(shim_height, "m", "--shim", 0.02)
    for option, value in (("--full-scale", volts), ("--shim", lift)):
        if not value > 0:
            raise InputError(f"{option}: must be above 0; got {value:g}")
    scale = LiftScale(
        full_scale=Doubtful.percent(volts, tolerance),
        shim=Doubtful.percent(lift, doubt),
        coil_resistance=0.0 if built is None else built.total.resistance.value,
        input_resistance=resistance,
    )
    return scale, warnings


def _plan(
    built: BuiltPickup | None, notes: tuple[str, ...], height: str | None, lift: float, strings: str | None
) -> tuple[Mapping[str, Prediction], float]:
    """What the build predicts by note, and the height before the lift, m."""
    if built is None:
        return {}, 0.0
    from labkit.pickup.predict.lift import lift_notes, predicted_lifts

    try:
        gap = built.build.string_distance if height is None else parse_quantity(height, "m")
    except InputError as problem:
        raise InputError(f"--height: {problem}") from None
    known = lift_notes(built.build, strings)
    for note in notes:
        if note not in known:
            raise InputError(f"--string: no string over {built.name} is called '{note}'.{did_you_mean(note, known)}")
    return predicted_lifts(built.build, gap=gap, lift=lift, strings=strings), gap


def _steel(
    built: BuiltPickup, lifts: list[MeasuredLift], scale: LiftScale, gap: float, strings: str | None
) -> KnownSteel:
    from labkit.pickup.predict.lift import steel_after_lifts

    return steel_after_lifts(
        built.build,
        {lift.string: lift.sensitivity for lift in lifts},
        shared=scale.shared_deviation,
        gap=gap,
        lift=scale.shim.value,
        strings=strings,
        name=f"strings over {built.name}",
    )


def _json(
    lifts: list[MeasuredLift],
    plan: Mapping[str, Prediction],
    scale: LiftScale,
    gap: float,
    built: BuiltPickup | None,
    steel: KnownSteel | None,
    warnings: tuple[str, ...],
) -> dict[str, Any]:
    from labkit.bench.shim.sensitivity import over_plan

    rows = []
    for lift in lifts:
        predicted = plan.get(lift.string)
        level = None if predicted is None else over_plan(lift, predicted)
        rows.append(
            {
                "string": lift.string,
                "recording": lift.reading.name,
                "channel": lift.reading.channel,
                "sensitivity_v_per_m_per_s": lift.sensitivity.as_dict(),
                "integral_v_s": lift.integral.as_dict(),
                "predicted_v_per_m_per_s": None if predicted is None else predicted.as_dict(),
                "over_plan_db": None if level is None else level.as_dict(),
                "corners_hz": list(lift.reading.corners_hz),
                "pulses": [
                    {
                        "at_s": pulse.at_s,
                        "flux_v_s": None if pulse.fault else pulse.flux * scale.full_scale.value,
                        "fault": pulse.fault or None,
                    }
                    for pulse in lift.reading.pulses
                ],
                "notes": list(lift.reading.notes),
            }
        )
    return {
        "shim_m": scale.shim.value,
        "full_scale_v": scale.full_scale.value,
        "against": None if built is None else built.name,
        "height_m": gap or None,
        "strings": rows,
        "steel": None
        if steel is None
        else {"rests_on": steel.rests_on, "values": dict(steel.named_values), "deviations": dict(steel.deviations)},
        "warnings": list(warnings),
    }


def _text(
    lifts: list[MeasuredLift],
    plan: Mapping[str, Prediction],
    scale: LiftScale,
    gap: float,
    built: BuiltPickup | None,
    steel: KnownSteel | None,
    warnings: tuple[str, ...],
) -> str:
    from labkit.bench.shim.sensitivity import NOT_IN_PREDICTION, lifts_in_words, over_plan
    from labkit.pickup.string.known_steel import steel_change

    lines = [f"lifted by {format_quantity(scale.shim.value, 'm', digits=3)}, mean of voltage over velocity"]
    if built is not None:
        lines[0] += f", against {built.name} from {format_quantity(gap, 'm', digits=3)}"
    all_over = {}
    for lift in lifts:
        good = sum(not pulse.fault for pulse in lift.reading.pulses)
        low, value, high = (1e3 * getattr(lift.sensitivity, end) for end in ("low", "value", "high"))
        integral = 1e6 * lift.integral.value
        line = f"  {lift.string:<4}{value:6.1f} mV/(m/s)  {f'{low:.1f} … {high:.1f}':<15}{integral:6.1f} µV·s"
        line += f", {good} pulses"
        predicted = plan.get(lift.string)
        if predicted is not None:
            over = all_over[lift.string] = over_plan(lift, predicted)
            least, most = 1e3 * predicted.low, 1e3 * predicted.high
            line += f"   plan {1e3 * predicted.value:.1f}, {least:.1f} … {most:.1f}: {over.value:+.1f} dB"
            line += "" if over.low <= 0 <= over.high else ", outside what is predicted"
        lines.append(line)
        lines += [f"      {lift.reading.name}: {note}" for note in lift.reading.notes]
        corners = " and ".join(f"{hz:.2g} Hz" for hz in lift.reading.corners_hz)
        lines.append(
            f"      most of the doubt: {lift.sensitivity.why(2)}" + (f"; input from {corners}" if corners else "")
        )
    if steel is not None and built is not None:
        lines += [
            "",
            *textwrap.wrap(lifts_in_words(all_over, built.name), 96, initial_indent="  ", subsequent_indent="  "),
        ]
        lines += ["", "  what this leaves of the steel's doubt, one standard deviation before and after"]
        lines += [
            f"    {name:<46}{was:<16} → {now}" for name, was, now in steel_change(built.build.string_steel, steel)
        ]
        lines += ["", *textwrap.wrap(NOT_IN_PREDICTION, 96, initial_indent="  ", subsequent_indent="  ")]
    lines += [f"warning: {warning}" for warning in warnings]
    return "\n".join(lines)
