"""``labkit pickup``: from a build sheet to electrical values, field and output with their intervals."""

from __future__ import annotations

import textwrap
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from labkit.cli.completion_command import names_of
from labkit.cli.options import Output, result_options
from labkit.cli.with_book import FromBook, knowledge_text, with_book_options
from labkit.core.errors import InputError
from labkit.core.files import write_atomically
from labkit.core.grid import HIGHEST_HZ, LOWEST_HZ, frequency_grid
from labkit.core.response import touchstone
from labkit.core.units import format_quantity, name_and_value, parse_quantity
from labkit.pickup.network import LOAD_CAPACITANCE, LOAD_RESISTANCE, pickup_impedance
from labkit.pickup.predict.bench import charge_for_reading
from labkit.pickup.predict.built import BuiltCoil, BuiltPickup, PickupChange, level_change, load_built
from labkit.pickup.predict.field import field_predictions
from labkit.pickup.predict.output import (
    PLUCK_DISPLACEMENT,
    PLUCK_PART,
    output_basis,
    relative_output,
    string_outputs,
)
from labkit.pickup.predict.propagation import Prediction
from labkit.pickup.predict.pull import neck_pull_in_words

_COIL = "8000 turns of AWG 42 around six full alnico 5 rods, strings at 3 mm"

_NOTES = (
    "The self-capacitance is the weak number: alone it leaves the bare peak wide open; a cable narrows it.",
    "Not modelled: hysteresis of steel, saturation of steel poles, magnetic baseplates, screw threads, permeability "
    "that changes with charge.",
)

_CHANGE = "--set takes KEY=VALUE, such as coil.main.turns=7500"


@click.command()
@click.argument("sheet", **names_of("pickup"))
@result_options()
@click.option(
    "changes",
    "--set",
    multiple=True,
    metavar="KEY=VALUE",
    help="Change a key of the sheet, such as coil.main.turns=7500 or cover.metal=brass.",
)
@click.option("--why", is_flag=True, help="List for every value which inputs cause its doubt.")
@click.option("--against", metavar="SHEET", help="Say also how it differs from this other pickup.")
@click.option("--reference", metavar="SHEET", help="Count output from this pickup instead of the reference coil.")
@click.option(
    "--reading", metavar="FIELD", help="Say what charge a meter's reading over the poles means, such as 40mT."
)
@click.option("--gap", default="0 mm", show_default=True, help="Between pole and tip of the probe at that reading.")
@click.option("--plot", type=click.Path(path_type=Path), help="Draw curve and field into this file (.svg, .png, .pdf).")
@click.option(
    "--field-map",
    type=click.Path(path_type=Path),
    help="Write the field over the pickup at one height into this file: .csv, or a drawing (.svg, .png, .pdf).",
)
@click.option(
    "--touchstone",
    "one_port",
    type=click.Path(path_type=Path),
    help="Write the impedance at its leads into this file (.s1p), for simulators and analysers.",
)
@click.option("--height", default="3 mm", show_default=True, help="Of the field map, over the poles' faces.")
@with_book_options
def pickup(
    sheet: str,
    out: Output,
    changes: tuple[str, ...],
    why: bool,
    against: str | None,
    reference: str | None,
    reading: str | None,
    gap: str,
    plot: Path | None,
    field_map: Path | None,
    one_port: Path | None,
    height: str,
    from_book: FromBook,
) -> None:
    """Resistance, inductance, capacitance, losses, field and output of the pickup SHEET.

    SHEET is the path of a pickup sheet or the name of a pickup in the catalogue. Values that follow from a build carry
    95 % bounds; values that the sheet states are given back. With --book they are those of the workshop's next coil.
    """
    built, known = from_book.of_pickup(load_built(sheet, dict(name_and_value(change, _CHANGE) for change in changes)))
    change = None if against is None else load_built(against).change_to(built)
    if reference is not None:
        counted = level_change(load_built(reference), built)
        if counted is None:
            raise InputError(
                f"the output of '{reference}' or of {built.name} is not known, so neither counts the other"
            )
        built = replace(built, output_db=relative_output(counted))
    charge = None
    if reading is not None:
        charge = charge_for_reading(built, parse_quantity(reading, "T"), gap=parse_quantity(gap, "m"))
    if plot is not None:
        from labkit.view.curve.pickup_plot import plot_pickup

        plot_pickup(built.pickup, plot, built=built, overwrite=out.force)
    mapped = "" if field_map is None else _write_field_map(built, field_map, height, out.force)
    if one_port is not None:
        frequency = frequency_grid(LOWEST_HZ, HIGHEST_HZ)
        said = f"{built.name}: predicted impedance at its leads, without bounds"
        written = touchstone(frequency, pickup_impedance(built.pickup, frequency), said)
        write_atomically(one_port, written, overwrite=out.force)
    is_drawn = plot is not None or field_map is not None or one_port is not None
    if not is_drawn or out.is_asked_for or why or change is not None or charge is not None:
        more: dict[str, Any] = {"why": _causes(built)} if why else {}
        more |= {"against": _change_json(change)} if change is not None else {}
        more |= {"reference": reference} if reference is not None else {}
        more |= {"charge_for_reading": charge.as_dict()} if charge is not None else {}
        more |= {"knowledge": known.as_dict()} if known is not None else {}
        said = "" if charge is None or reading is None else f"\n\n  {charge_sentence(charge, reading, gap)}"
        said += "" if known is None else f"\n\n{knowledge_text(known)}"
        out.write(text=lambda: _text(built, why, change, reference) + said, data=lambda: pickup_json(built) | more)
    elif mapped:
        click.echo(mapped)


def charge_sentence(charge: Prediction, reading: str, gap: str) -> str:
    """Say how far magnets are charged where a meter reads so much, or have to be."""
    low, value, high = (100 * end for end in (charge.low, charge.value, charge.high))
    said = f"{reading} at {gap} means {value:.0f} % of saturation, {low:.0f} to {high:.0f} %"
    if charge.low > 1:
        return f"{said}: more than these magnets reach; check gap, grade and meter."
    return f"{said}. Charge fully first, then knock back to the reading: a knocked-back magnet keeps it better."


def _write_field_map(built: BuiltPickup, path: Path, height: str, force: bool) -> str:
    """Write the field over a pickup as a table or a drawing; return the readings over its poles in words."""
    from labkit.pickup.predict.field_map import field_map  # its special functions take 0.15 s to load

    try:
        away = parse_quantity(height, "m")
    except InputError as problem:
        raise InputError(f"--height: {problem}") from None
    found = field_map(built.build, height=away)
    if path.suffix.lower() == ".csv":
        write_atomically(path, found.csv(), overwrite=force)
    else:
        from labkit.view.curve.field_map_plot import plot_field_map

        plot_field_map(found, path, overwrite=force)
    readings = ", ".join(f"{1e3 * value:.1f}" for value in found.readings)
    return f"{built.name}: field over its poles at {1e3 * away:g} mm, in mT: {readings}"


def pickup_json(built: BuiltPickup) -> dict[str, Any]:
    """Return the JSON form of a pickup."""
    return {
        "coils": {name: _coil_json(coil) for name, coil in built.coils.items()},
        "total": _coil_json(built.total),
        "resonance_hz": _interval(built.resonance),
        "field_t": {
            "at_m": list(built.field_at),
            "value": [point.value for point in built.field_t],
            "low": [point.low for point in built.field_t],
            "high": [point.high for point in built.field_t],
        }
        if built.field_t
        else None,
        "field_over_poles_t": _pole_fields(built),
        "relative_output_db": _interval(built.output_db),
        "hum_ratio": _interval(built.hum_ratio),
        "history": _history_json(built),
        "output": _output_json(built),
        "warnings": list(built.warnings),
    }


POLES_AT = 1e-3
"""Where the field over each pole of an uneven row is given, m."""


def _pole_fields(built: BuiltPickup) -> dict[str, Any] | None:
    found = pole_fields(built)
    if not found:
        return None
    return {
        "at_m": POLES_AT,
        "value": [point.value for point in found],
        "low": [point.low for point in found],
        "high": [point.high for point in found],
    }


def pole_fields(built: BuiltPickup) -> tuple[Prediction, ...]:
    """Return the field over each pole of an uneven row, left to right; empty for equal poles."""
    rows = [coil for _, coil in built.build.coils if coil.each]
    if not rows or not built.field_t:
        return ()
    return tuple(field_predictions(built.build, [POLES_AT], index)[0] for index in range(len(rows[0].each)))


def _history_json(built: BuiltPickup) -> dict[str, Any] | None:
    aged = built.build.aged
    if aged is None:
        return None
    return {
        "charge_left": aged.left.as_dict(),
        "events": [{"event": words, "charge_left": left} for words, left in aged.steps],
        "field_inside_a_per_m": {"fresh": aged.fresh.field, "now": aged.now.field},
        "polarisation_t": {"fresh": aged.fresh.polarisation, "now": aged.now.polarisation},
    }


def _output_json(built: BuiltPickup) -> dict[str, Any] | None:
    outputs = string_outputs(built.build)
    if not outputs:
        return None
    return {
        "strings": [
            {
                "string": output.string,
                "sensitivity_v_per_m_per_s": output.sensitivity.as_dict(),
                "pluck_v": output.pluck.as_dict(),
                "pull_n": output.pull.as_dict(),
                "window_m": output.window.as_dict(),
            }
            for output in outputs
        ],
        "pluck_displacement_m": PLUCK_DISPLACEMENT,
        "pluck_part_of_scale": PLUCK_PART,
        "basis": output_basis(built.build),
    }


def _coil_json(coil: BuiltCoil) -> dict[str, Any]:
    return {
        "resistance_ohm": _interval(coil.resistance),
        "inductance_h": _interval(coil.inductance),
        "capacitance_f": _interval(coil.capacitance),
        "turns": _value(coil.turns),
        "mean_turn_m": _value(coil.mean_turn),
        "wire_m": _value(coil.wire_length),
        "build_up_m": _value(coil.build_up),
    }


def _interval(prediction: Prediction | None) -> dict[str, float] | None:
    return None if prediction is None else prediction.as_dict()


def _value(prediction: Prediction | None) -> float | None:
    if prediction is None:
        return None
    return int(prediction.value) if float(prediction.value).is_integer() else prediction.value


Row = tuple[str, Prediction, str]


def _rows(built: BuiltPickup) -> list[Row]:
    """Every value with its name and unit, the whole pickup first."""
    load = f"{format_quantity(LOAD_CAPACITANCE, 'F')} and {format_quantity(LOAD_RESISTANCE, 'Ω')}"
    rows: list[Row] = list(_coil_rows("", built.total))
    if len(built.coils) > 1:
        for name, coil in built.coils.items():
            rows += _coil_rows(f"{name}: ", coil)
    if built.coupling is not None:
        rows.append(("coupling of the coils", built.coupling, "1"))
    extra: list[tuple[str, Prediction | None, str]] = [
        ("peak, nothing connected", built.resonance, "Hz"),
        (f"peak into {load}", built.loaded_resonance, "Hz"),
        ("its height over 100 Hz", built.loaded_height_db, "dB"),
    ]
    extra += [(f"eddy loss at {hz / 1e3:g} kHz", value, "Ω") for hz, value in built.loss_resistance.items()]
    extra += [(f"field at {1e3 * at:g} mm", value, "T") for at, value in zip(built.field_at, built.field_t)]
    extra += [
        (f"field at {1e3 * POLES_AT:g} mm, pole {number}", value, "T")
        for number, value in enumerate(pole_fields(built), start=1)
    ]
    extra.append(("relative output", built.output_db, "dB"))
    extra.append(("hum over that of one coil", built.hum_ratio, "%"))
    if built.build.aged is not None:
        extra.append(("charge the history leaves", built.build.aged.left, "%"))
    return rows + [(name, value, unit) for name, value, unit in extra if value is not None]


def _coil_rows(prefix: str, coil: BuiltCoil) -> list[Row]:
    found: list[tuple[str, Prediction | None, str]] = [
        ("resistance", coil.resistance, "Ω"),
        ("inductance", coil.inductance, "H"),
        ("capacitance", coil.capacitance, "F"),
        ("mean turn", coil.mean_turn, "m"),
        ("wire", coil.wire_length, "m"),
        ("build-up", coil.build_up, "m"),
    ]
    return [(prefix + name, value, unit) for name, value, unit in found if value is not None]


def _text(built: BuiltPickup, why: bool, change: PickupChange | None, reference: str | None = None) -> str:
    rows = _rows(built)
    width = max(len(name) for name, _, _ in rows)
    lines = [built.name]
    if not built.is_given:
        turns = " + ".join(f"{coil.turns.value:.0f}" for coil in built.coils.values() if coil.turns is not None)
        lines.append(f"  {turns} turns at {built.build.temperature_c:g} °C; bounds hold 95 of 100 such pickups")
    for name, value, unit in rows:
        shown, bounds, cause = _shown(value.value, unit), "as stated", ""
        if value.high > value.low:
            bounds = f"{_shown(value.low, unit)} … {_shown(value.high, unit)}"
            cause = value.why(1)
        elif built.is_given:
            bounds = "follows" if name.startswith(("peak", "its")) else "given"
        lines.append(f"  {name:<{width}}  {shown:>9}  {bounds:<24}{cause}".rstrip())
        if why and value.contributions:
            lines += [
                f"  {'':<{width}}    {100 * item.share:3.0f} %  {item.name}"
                for item in value.contributions
                if item.share >= 0.005
            ]
    for name, coil in built.coils.items():
        if coil.eddy:
            sections = ", ".join(
                f"{100 * part.fraction:.1f} % above {format_quantity(part.corner_hz, 'Hz', digits=2)}"
                for part in coil.eddy
            )
            lines.append(f"  eddy sections of {name}: {sections}")
    if built.build.aged is not None:
        lines.append(
            "  history: " + "; ".join(f"{words}, {100 * left:.0f} %" for words, left in built.build.aged.steps)
        )
    lines += _output_text(built)
    if change is not None:
        lines += ["", *_change_text(change)]
    notes = [f"Mind: {sentence}" for sentence in built.warnings]
    if not built.is_given:
        counted = f"Relative output counts from {reference or _COIL}."
        notes += [_NOTES[0], counted, *_NOTES[1:]]
    for note in notes:
        lines += ["", textwrap.fill(note, 96, initial_indent="  ", subsequent_indent="  ")]
    return "\n".join(lines)


def _output_text(built: BuiltPickup) -> list[str]:
    """What every string puts out, with its bounds."""
    outputs = string_outputs(built.build)
    if not outputs:
        return []
    shown = format_quantity(PLUCK_DISPLACEMENT, "m")
    head = f"by string: voltage per velocity, peak after a pluck of {shown} at a fifth of the scale, pull, window"
    lines = ["", f"  {head}"]
    for output in outputs:
        low, value, high = (1e3 * getattr(output.sensitivity, end) for end in ("low", "value", "high"))
        volts, most = (1e3 * getattr(output.pluck, end) for end in ("low", "high"))
        lines.append(
            f"    {output.string.partition(',')[0]:<4}{value:5.0f} mV/(m/s)  {f'{low:.0f} … {high:.0f}':<12}"
            f"{1e3 * output.pluck.value:5.0f} mV  {f'{volts:.0f} … {most:.0f}':<12}"
            f"{1e3 * output.pull.value:5.0f} mN {1e3 * output.window.value:5.1f} mm"
        )
    lines += textwrap.wrap(f"{output_basis(built.build)}.", 92, initial_indent="    ", subsequent_indent="    ")
    said = neck_pull_in_words(built.build)
    return lines + (textwrap.wrap(said, 92, initial_indent="    ", subsequent_indent="    ") if said else [])


def _change_text(change: PickupChange) -> list[str]:
    lines = [f"  against {change.before.name}"]
    named: list[tuple[str, Prediction | None]] = [
        ("resistance", change.resistance),
        ("inductance", change.inductance),
        ("peak into the load", change.loaded_resonance),
        *((f"eddy loss at {hz / 1e3:g} kHz", value) for hz, value in change.loss.items()),
    ]
    for name, value in named:
        if value is not None:
            percent = [f"{100 * (end - 1):+.1f}" for end in (value.value, value.low, value.high)]
            cause = value.why(1) if value.high > value.low else ""
            lines.append(f"    {name:<22} {percent[0]:>6} %   {percent[1]} … {percent[2]} %   {cause}".rstrip())
    for name, level in (("height of that peak", change.loaded_height_db), ("output", change.level_db)):
        if level is not None:
            lines.append(f"    {name:<22} {level.value:+6.1f} dB  {level.low:+.1f} … {level.high:+.1f} dB")
    return lines


def _change_json(change: PickupChange) -> dict[str, Any]:
    return {
        "name": change.before.name,
        "resistance_ratio": change.resistance.as_dict(),
        "inductance_ratio": change.inductance.as_dict(),
        "loaded_resonance_ratio": _interval(change.loaded_resonance),
        "loaded_height_db": _interval(change.loaded_height_db),
        "output_db": None if change.level_db is None else change.level_db.as_dict(),
    }


def _shown(value: float, unit: str) -> str:
    if unit == "dB":
        return f"{value:+.1f} dB"
    if unit == "1":
        return f"{value:.3f}"
    if unit == "%":
        return f"{100 * value:.1f} %"
    return format_quantity(value, unit, digits=3)


def _causes(built: BuiltPickup) -> dict[str, dict[str, float]]:
    return {name: {item.name: item.share for item in value.contributions} for name, value, _ in _rows(built)}
