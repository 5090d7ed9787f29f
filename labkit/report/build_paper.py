"""The build sheet: everything the winder needs to make a pickup, in the sheet's own words, and what it should read.

One table with a column for each coil, so that two coils still fit one page; what the sheet does not say prints "not
stated", with the value that the prediction took where it took one.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from labkit.bench.diagnose.meter import dc_resistance_at
from labkit.core.errors import InputError, capitalized, join_words
from labkit.core.sourced import Interval
from labkit.pickup.magnetics.field import SENSOR_DEPTH
from labkit.pickup.magnetics.poles import Pole
from labkit.pickup.materials.wire import Wire
from labkit.pickup.predict.bench import planned_field
from labkit.pickup.predict.built import BuiltPickup
from labkit.pickup.predict.propagation import Prediction
from labkit.pickup.predict.sheet import CoilBuild, PickupBuild
from labkit.report.paper_page import (
    TO_FILL_IN,
    WINDING_CAUTIONS,
    PaperHead,
    bounds,
    bullets,
    grid,
    length,
    page,
    quantity,
    remark,
    signature,
    table,
    titled,
)

NOT_STATED = "not stated"

_BOBBIN = ("straight_length", "end_radius", "winding_height", "flange_radius")


def build_sheet_html(
    built: BuiltPickup, *, shop_temperature_c: float = 20.0, probe_gap: float = 0.0, head: PaperHead = TO_FILL_IN
) -> str:
    """Return the winder's sheet of a predicted build: turns, traverse, target resistance, field targets, cautions.

    Parameters
    ----------
    built : BuiltPickup
    shop_temperature_c : float, °C
        Where the target resistance will be read.
    probe_gap : float, m
        From the pole to the tip of the field probe.
    head : PaperHead

    Raises
    ------
    InputError
        If a coil is given by its values, so that there is nothing to wind.
    """
    wound = built.build.wound
    columns = [_coil_rows(built, name, made, shop_temperature_c) for name, made in wound]
    names = list(dict.fromkeys(name for column in columns for name in column))
    body = [
        grid(
            ("Coil", *(name for name, _ in wound)),
            [(name, *(column.get(name, "–") for column in columns)) for name in names],
        ),
        remark(
            "Read the coil cold: 10 K of warmth adds 3.9 %. Resistance right and inductance off means wrong turns or "
            "core; the other way round means the wire."
        ),
    ]
    lower = [titled("Pickup", table(_parts(built.build)))]
    notes = list(built.warnings)
    if fields := field_targets(built, probe_gap):
        rows = [(f"{pole}, gap {length(probe_gap)}", bounds(value, "T", digits=3)) for pole, value in fields.items()]
        probe = remark("Gap from pole to probe. Read the reference piece first, with the same gap.")
        lower.append(titled("Field", table(rows) + probe))
        notes.append(f"field read with the Hall element {SENSOR_DEPTH * 1e3:g} mm behind the probe's tip")
    lower.append(bullets("Checks", _CHECKS, boxes=True))
    lower.append(bullets("Notes", notes))
    lower.append(bullets("Cautions", _cautions(built.build)))
    body.append(f'<div class="columns">{"".join(f"<section>{part}</section>" for part in lower if part)}</div>')
    body.append(signature(("Wound by", "Date", "Turns on the counter", "Resistance", "Temperature")))
    return page(f"Build sheet: {built.name}", head, body, is_dense=True)


_CHECKS = (
    "coil to poles and cover: open on a low-voltage ohmmeter",
    "pole facing the strings: compass",
    "first swing with steel at the pole: positive at hot",
)


def _count(value: float) -> str:
    return f"{value:,.0f}".replace(",", "\u202f")


def _scaled(prediction: Prediction, factor: float) -> Interval:
    return Interval(value=prediction.value * factor, low=prediction.low * factor, high=prediction.high * factor)


def _coil_rows(built: BuiltPickup, name: str, made: CoilBuild, shop_temperature_c: float) -> dict[str, str]:
    """What the winder sets, winds and reads for one coil, by name."""
    winding, values = made.winding, built.of_coil(name)
    if winding is None:
        raise InputError(f"coil '{name}' of '{built.name}' is given by its values; there is nothing to wind")
    wire, resistance = winding.wire, values.resistance
    cold = 1 / dc_resistance_at(resistance_at_20=1.0, temperature_c=built.build.temperature_c)
    target = _scaled(resistance, cold * dc_resistance_at(resistance_at_20=1.0, temperature_c=shop_temperature_c))
    room = f"; room in the flange {NOT_STATED}"
    if winding.flange_radius is not None:
        room = f" of {length(winding.flange_radius - winding.end_radius)}"
    rows = {
        "Wire": wire.name,
        "Insulation": _insulation(wire),
        "Turns": _count(round(winding.turns)),
        "Direction, seen from the top": made.wound or NOT_STATED,
        **dict(_stated(made, built.build.data.get("coil", {}).get(name, {}))),
        "Traverse": length(winding.winding_height - wire.overall_nominal),
        "Advance per turn": length(wire.overall_nominal),
        "Turns per layer": f"{winding.turns_per_layer:.0f}",
        "Winding depth": f"{length(winding.build_up)}{room}",
    }
    if values.wire_length is not None:
        spool = _scaled(values.wire_length, winding.spool_length / winding.wire_length)
        metres, low, high = (f"{_count(end)} m" for end in (spool.value, spool.low, spool.high))
        rows["Wire off the spool"] = f"{metres} ({low} to {high}); {winding.copper_mass * 1e3:.0f} g of copper"
    rows[f"Target resistance at {shop_temperature_c:.0f} °C"] = bounds(target, "Ω")
    if shop_temperature_c != 20:
        rows["The same at 20 °C"] = quantity(resistance.value * cold, "Ω")
    rows["Inductance at 1 kHz, series"] = bounds(_scaled(values.inductance, 1.0), "H", digits=3)
    return rows


def _stated(made: CoilBuild, keys: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """Bobbin and poles of a coil; what its sheet says and is not named here comes last, under its key."""
    winding, poles = made.winding, made.poles
    assert winding is not None
    listed = keys.get("poles") if isinstance(keys.get("poles"), list) else []
    of_poles = {} if listed else keys.get("poles", {})
    rows = []
    if made.then is not None:
        first = f"{_count(keys['turns'])} turns of {_worded(keys['wire'])}"
        rows.append(("Windings", f"{first}, over them {_count(made.then.turns)} turns of {made.then.wire.name}"))
    if made.tap is not None:
        rows.append(("Lead brought out after", f"{made.tap:g} turns"))
    rows += [
        ("Packing", _said(keys, "packing", f"{winding.packing:g}")),
        ("Stretch in winding", _said(keys, "stretch", "0 %")),
        ("Core, straight length", _said(keys, "straight_length")),
        ("Core, radius of its ends", _said(keys, "end_radius")),
        ("Height between the flanges", _said(keys, "winding_height")),
        ("Flange, radius of its ends", _said(keys, "flange_radius")),
    ]
    if poles is None:
        rows.append(("Poles", NOT_STATED))
    elif listed:
        for number, entry in enumerate(listed, start=1):
            words = ", ".join(f"{_title(key).lower()} {_worded(value)}" for key, value in entry.items())
            rows.append((f"Poles, entry {number}", words or "as the one before"))
    else:
        rows += [
            ("Poles", f"{_said(of_poles, 'count')} × {poles.kind}" if poles.kind != "blade" else "blade"),
            ("Magnet grade", poles.grade or "none: steel"),
            ("Pole size", _pole_size(poles, of_poles)),
            ("Pitch of the poles", "–" if poles.count == 1 else _said(of_poles, "pitch")),
            ("Charge", _said(of_poles, "charge", "100 %") if poles.grade else "–"),
            ("Facing the strings", str(of_poles.get("facing") or keys.get("facing") or _taken(made.facing))),
            ("Rise of the poles", _said(of_poles, "rise", "0 mm")),
        ]
    named = {"turns", "wire", "wound", "facing", "poles", "packing", "stretch", "then", "tap", *_BOBBIN}
    named_poles = {"kind", "grade", "count", "diameter", "thickness", "width", "length", "pitch", "charge", "facing"}
    rows += [(_title(key), _worded(value)) for key, value in keys.items() if key not in named]
    rows += [
        (f"Poles, {_title(key).lower()}", _worded(value))
        for key, value in of_poles.items()
        if key not in {*named_poles, "rise"}
    ]
    return tuple(rows)


def _parts(build: PickupBuild) -> tuple[tuple[str, str], ...]:
    """Parts of the whole pickup; a key of the sheet that is not named here comes last."""
    data = build.data
    rows = []
    if len(build.coils) == 2:
        rows.append(("Coils", f"in {_said(data, 'connection', build.connection)}"))
        rows.append(("Between the coils' middles", _said(data, "spacing")))
    bar = data.get("bar")
    if bar is not None and build.bar is not None:
        keeper = _said(bar, "keeper", "with keeper")
        size = " × ".join(_worded(bar[key]) for key in ("length", "width", "thickness") if key in bar)
        rows.append(("Magnet bar", f"{bar.get('count', 1)} of {bar['grade']}, {size}"))
        rows.append(("Place of the bar", build.bar.place))
        rows.append(("Charge of the bar", _said(bar, "charge", "100 %")))
        rows.append(("Steel keeper", {"True": "yes", "False": "no"}.get(keeper, keeper)))
    for key in ("cover", "baseplate"):
        plate = data.get(key)
        said = NOT_STATED
        if plate is not None:
            said = f"{plate['metal']}, {_worded(plate['thickness'])}, {_worded(plate['gap'])} off the coil"
            said += f", {_worded(plate['side_gap'])} at its sides" if "side_gap" in plate else ""
        rows.append((_title(key), said))
    lead = data.get("lead", {})
    rows.append(("Lead", ", ".join(_worded(lead[key]) for key in ("kind", "capacitance") if key in lead) or NOT_STATED))
    rows.append(("Wax", _said(data, "wax", "dry")))
    rows.append(("Pole face to string", _said(data, "string_distance", length(build.string_distance))))
    if build.string_offsets:
        rows.append(("Farther, thinnest string first", ", ".join(length(each) for each in build.string_offsets)))
    for number, (event, entry) in enumerate(zip(build.history, data.get("history", [])), start=1):
        told = ", ".join(_worded(value) for key, value in entry.items() if key != "event")
        rows.append((f"Magnets, event {number}", f"{event.event} {told}".strip()))
    known = {
        "history",
        "sheet",
        "format",
        "name",
        "summary",
        "source",
        "note",
        "doubt",
        "coil",
        "connection",
        "spacing",
        "bar",
    }
    known |= {"cover", "baseplate", "lead", "wax", "string_distance", "string_offsets", "coupling", "temperature"}
    rows += [(_title(key), _worded(value)) for key, value in data.items() if key not in known]
    return tuple(rows)


def _cautions(build: PickupBuild) -> tuple[str, ...]:
    """Those that apply: no magnetiser without a magnet, no wax where the sheet says dry."""
    is_dry = "wax" in build.data and build.wax_fill == 0
    left_out = (*(("Magnetisers",) if not build.magnets else ()), *(("Wax",) if is_dry else ()))
    return tuple(line for line in WINDING_CAUTIONS if not line.startswith(left_out))


def field_targets(built: BuiltPickup, gap: float) -> dict[str, Interval]:
    """Field that the finished pickup should show, T: the row's mean, and each pole with those that stand like it.

    Nothing where the field is not modelled.
    """
    count = next((made.poles.count for _, made in built.build.coils if made.poles is not None), 0)
    mean = planned_field(built, gap=gap)
    if mean is None:
        return {}
    found = {"Mean of the row": _scaled(mean, 1.0)}
    alike: dict[str, tuple[Prediction, list[str]]] = {}
    for number in range(1, count + 1):
        planned = planned_field(built, gap=gap, pole=str(number))
        if planned is not None:
            alike.setdefault(f"{planned.value:.6g}", (planned, []))[1].append(str(number))
    if len(alike) > 1:
        for planned, numbers in alike.values():
            found[f"Pole{'s' * (len(numbers) > 1)} {join_words(numbers)}"] = _scaled(planned, 1.0)
    return found


def _insulation(wire: Wire) -> str:
    film = wire.film or f"film {NOT_STATED}"
    return f"{_micrometres(wire.overall_nominal)}, {_micrometres(wire.bare_nominal)} bare; {film}"


def _micrometres(value: float) -> str:
    return f"{1e6 * value:.3g} µm"


def _pole_size(poles: Pole, keys: Mapping[str, Any]) -> str:
    if poles.kind == "blade":
        return f"{_worded(keys['thickness'])} thick, {_worded(keys['width'])} wide, {_worded(keys['length'])} high"
    return f"{_worded(keys['diameter'])} diameter, {_worded(keys['length'])} long"


def _said(keys: Mapping[str, Any], key: str, taken: str = "") -> str:
    """What a sheet says under a key, in its own words; else that it does not, and what was taken instead."""
    return _worded(keys[key]) if key in keys else _taken(taken)


def _worded(value: object) -> str:
    """A value of the sheet; a quantity with one space before its unit, however it was typed."""
    return re.sub(r"^([\d.]+)\s*(mm|cm|m|in|%|pF|nF|µm|um)$", "\\1\u00a0\\2", str(value))


def _taken(taken: object) -> str:
    return f"{NOT_STATED} ({taken} taken)" if taken else NOT_STATED


def _title(key: str) -> str:
    return capitalized(key.replace("_", " "))
