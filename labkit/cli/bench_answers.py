"""Short answers for the bench: turns for a resistance, a broken coil, hum of a rig, balance of a set."""

from __future__ import annotations

import math
from typing import Any

import click

from labkit.bench.sets import LEVEL_TOLERANCE_DB, level_balance
from labkit.cli.completion_command import names_of
from labkit.cli.options import Output, result_options, rig_argument, set_option
from labkit.core.errors import InputError
from labkit.core.units import format_quantity, name_and_value, parse_quantity, stated
from labkit.pickup.predict.built import load_built
from labkit.pickup.predict.propagation import Doubtful, Prediction
from labkit.pickup.winding.open_coil import OpenCoil, identify_coil
from labkit.rig.hum import POSITION_HEAD, hum_residual, position_table
from labkit.rig.rig import Rig


@click.command()
@click.argument("sheet", **names_of("pickup"))
@click.argument("resistance")
@click.option("--coil", help="Which coil, where the pickup has two.")
@click.option("--temperature", default="20 °C", show_default=True, help="Of the coil when it shows that resistance.")
@set_option
@result_options()
def turns(
    sheet: str, resistance: str, coil: str | None, temperature: str, changes: tuple[str, ...], out: Output
) -> None:
    """How many turns give a RESISTANCE, such as 7.2k, with bobbin and wire of the build SHEET.

    SHEET is the path of a build sheet or the name of one in the catalogue. The range holds what wire and bobbin of the
    sheet leave open; count turns and measure, for a meter's own error comes on top.
    """
    wanted = parse_quantity(resistance, "Ω")
    celsius = parse_quantity(temperature, "°C")
    built = load_built(sheet, dict(name_and_value(each, "--set takes NAME=VALUE") for each in changes))
    windings = {name: made.winding for name, made in built.build.coils if made.winding is not None}
    if not windings:
        raise InputError(f"the pickup '{built.name}' has no coil described by its build, so its wire is not known")
    if coil is None and len(windings) > 1:
        raise InputError(f"the pickup '{built.name}' has the coils {', '.join(windings)}; name one with --coil")
    name = next(iter(windings)) if coil is None else coil
    if name not in windings:
        raise InputError(f"the pickup '{built.name}' has no built coil '{name}'; it has {', '.join(windings)}")
    found = windings[name].turns_in(wanted, celsius)
    now = built.coils[name].resistance
    # so many turns that the upper end of their resistance's interval, or its lower end, is what is wanted
    low, high = (windings[name].turns_in(wanted * now.value / end, celsius) for end in (now.high, now.low))
    data = {
        "pickup": built.name,
        "coil": name,
        "resistance_ohm": wanted,
        "temperature_c": celsius,
        "turns": {"value": found, "low": low, "high": high},
    }
    out.write(
        text=lambda: (
            f"{found:.0f} turns ({low:.0f} to {high:.0f}, 95 %) give {format_quantity(wanted, 'Ω')} at {celsius:g} °C: "
            f"{built.name}, coil {name}"
        ),
        data=lambda: data,
    )


_COIL_SIZES = (
    ("straight_length", "m", 0.01, "Straight part of the winding's side, between the round ends."),
    ("end_radius", "m", 0.05, "Radius of the round ends under the winding."),
    ("winding_height", "m", 0.02, "Between the flanges."),
    ("build_up", "m", 0.04, "Depth of the winding."),
    ("bare_diameter", "m", 0.03, "Of the wire without its film, by micrometer on a loose end."),
    ("overall_diameter", "m", 0.03, "Of the wire with its film."),
)
"""Option, unit, 95 % doubt taken where none is stated (common practice, no source), meaning."""


def _sizes(function: Any) -> Any:
    for name, _unit, doubt, words in reversed(_COIL_SIZES):
        help_text = f"{words} '52 mm ± 0.5 mm' states a doubt; ±{100 * doubt:g} % without."
        function = click.option(f"--{name.replace('_', '-')}", required=True, metavar="LENGTH", help=help_text)(
            function
        )
    return function


@click.command("open-coil")
@_sizes
@click.option("--wire-mass", metavar="MASS", help="Of the wire: the coil less bobbin, magnets and wax; ±3 % without ±.")
@click.option("--resistance", metavar="OHMS", help="Of the whole coil, where it is not broken; ±1 % without ±.")
@result_options()
def open_coil(out: Output, wire_mass: str | None, resistance: str | None, **sizes: str) -> None:
    """What a coil with a broken wire was: turns and resistance from its size, wire and weight, with 95 % bounds.

    Treat an original as if it were the last one: no heat, no solvent and no insulation tester on it.
    """
    given: dict[str, Any] = {
        name: _doubtful(sizes[name], unit, f"--{name.replace('_', '-')}", doubt)
        for name, unit, doubt, _words in _COIL_SIZES
    }
    was = identify_coil(
        OpenCoil(
            **given,
            wire_mass=None if wire_mass is None else _doubtful(wire_mass, "kg", "--wire-mass", 0.03),
            resistance=None if resistance is None else _doubtful(resistance, "Ω", "--resistance", 0.01),
        )
    )
    lines = [f"turns       {_range(was.turns)}", f"resistance  {_range(was.resistance)} Ω at 20 °C"]
    lines += [f"by {route:<9}{found.low:.0f} to {found.high:.0f} turns" for route, found in was.by_route.items()]
    lines += list(was.warnings) or (["the routes agree"] if len(was.by_route) > 1 else [])
    lines += ["", "95 % bounds. Not modelled: more than one wire in the coil, wax left in the weight."]
    out.write(
        text=lambda: "\n".join(lines),
        data=lambda: {
            "turns": was.turns.interval.as_dict(),
            "resistance_ohm": was.resistance.interval.as_dict(),
            "by_route": {route: found.interval.as_dict() for route, found in was.by_route.items()},
            "warnings": list(was.warnings),
        },
    )


def _doubtful(text: str, unit: str, option: str, doubt: float) -> Doubtful:
    return Doubtful.percent(*stated(text, unit, option, doubt))


def _range(found: Prediction) -> str:
    return f"{found.value:.0f}, {found.low:.0f} to {found.high:.0f}"


@click.command()
@result_options()
@rig_argument
def hum(rig: Rig, out: Output) -> None:
    """Hum of the rig SHEET against one of its coils, at its settings and at every position of its switches.

    In a uniform field, with equal orientation of all coils and no screening; a transformer close by is another matter.
    """
    found = hum_residual(rig)
    keys = ("position", "heard", "phase", "hum", "level")
    rows = position_table(rig)
    widths = [max(len(row[column]) for row in (POSITION_HEAD, *rows)) for column in range(len(POSITION_HEAD))]
    table = [
        "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip()
        for row in (POSITION_HEAD, *rows)
    ]
    levels = f"{_decibels(found.level_db)} of one coil, {_decibels(found.with_mismatch_db)} if coils differ by 1 % more"
    first = f"{rig.name}: {levels if math.isfinite(found.with_mismatch_db) else 'no coil reaches the output'}"
    out.write(
        text=lambda: "\n".join([first, "", *table]),
        data=lambda: {
            "name": rig.name,
            "level_db": found.level_db if math.isfinite(found.level_db) else None,
            "with_mismatch_db": found.with_mismatch_db if math.isfinite(found.with_mismatch_db) else None,
            "positions": [dict(zip(keys, row)) for row in rows],
        },
    )


def _decibels(level: float, decimals: int = 0) -> str:
    return f"{level:+.{decimals}f} dB".replace("-", "−") if math.isfinite(level) else "nothing"


@click.command()
@click.argument("levels", nargs=-1, required=True, metavar="NAME=LEVEL...")
@click.option(
    "--within", default=f"{LEVEL_TOLERANCE_DB:g} dB", show_default=True, help="Spread that counts as balanced."
)
@result_options()
def balance(levels: tuple[str, ...], within: str, out: Output) -> None:
    """Whether LEVELS of a set are in balance, in dB over one reference: pickups (neck=0 bridge=-2.4) or strings.

    Play the same note for all, at final heights. LEVELS are what a meter reads, or what `labkit pickup` predicts.
    """
    given: dict[str, float] = {}
    for each in levels:
        name, value = name_and_value(each, "a level is NAME=LEVEL, such as bridge=-2.4")
        if name in given:
            raise InputError(f"'{name}' has two levels; name each once")
        level = value.replace("−", "-").strip()
        try:
            given[name] = parse_quantity(level if level.lower().endswith("b") else f"{level} dB", "dB")
        except InputError as problem:
            raise InputError(f"{name}: {problem}") from None
    limit = parse_quantity(within, "dB")
    if limit <= 0:
        raise InputError(f"--within must be above 0 dB; got {within}")
    found = level_balance(given, tolerance_db=limit)
    lines = [f"{name:<12} {_decibels(offset, 1)}" for name, offset in found.offset_db.items()]
    lines += [
        f"spread {found.spread_db:.1f} dB: {'in balance' if found.is_balanced else 'out of balance'}",
        *found.advice,
    ]
    out.write(
        text=lambda: "\n".join(lines),
        data=lambda: {
            "offset_db": dict(found.offset_db),
            "spread_db": found.spread_db,
            "is_balanced": found.is_balanced,
            "advice": list(found.advice),
        },
    )
