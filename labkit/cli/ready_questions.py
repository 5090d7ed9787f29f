"""Ready questions of ``labkit search``: which options each takes, and who answers it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from labkit.cli.options import rig_with
from labkit.core.errors import InputError, QuantityError
from labkit.core.units import parse_quantity
from labkit.rig.rig import Rig


def rig_or_pickup(sheet: str, changes: tuple[str, ...]) -> Rig:
    """Load a rig, or a pickup in the load of a bench measurement, and apply every ``NAME=VALUE``."""
    from labkit.rig.sheet import set_value
    from labkit.study.questions.loads import load_rig_or_pickup

    rig = load_rig_or_pickup(sheet)
    for change in changes:
        name, equals, value = change.partition("=")
        if not equals or not name.strip() or not value.strip():
            raise InputError(f"--set takes NAME=VALUE, such as volume=5; got '{change}'")
        rig = set_value(rig, name.strip(), value.strip())
    return rig


def _quantity(given: dict[str, Any], name: str, unit: str, default: float | None = None) -> float:
    text = given.get(name)
    if text is None:
        if default is None:
            raise InputError(f"this question needs --{option_of(name)}")
        return default
    try:
        return float(text) if unit in ("Hz", "dB") else parse_quantity(text, unit)
    except ValueError:
        pass
    try:
        return parse_quantity(text, unit)
    except QuantityError as error:
        raise InputError(f"--{option_of(name)}: {error}") from None


def option_of(name: str) -> str:
    return {"sheet": "rig", "wires": "wire"}.get(name, name)


def _cable_equivalent(rig: Rig, given: dict[str, Any], series: str) -> Any:
    from labkit.study.questions.ready import capacitance_for_cable

    return capacitance_for_cable(
        rig,
        length=_quantity(given, "length", "m"),
        capacitance_per_length=_quantity(given, "cable", "F/m", 100e-12),
        series=series,
    )


def _hump(rig: Rig, given: dict[str, Any], series: str) -> Any:
    from labkit.study.questions.ready import tone_capacitor_for_hump

    return tone_capacitor_for_hump(rig, hump_hz=_quantity(given, "at", "Hz"), series=series)


def _load_resistor(rig: Rig, given: dict[str, Any], series: str) -> Any:
    from labkit.study.questions.ready import load_for_pots

    return load_for_pots(rig, pots=_quantity(given, "pots", "Ω", 250e3), slot=given.get("slot"), series=series)


def _turns_and_wire(rig: Rig, given: dict[str, Any], series: str) -> Any:
    from labkit.study.questions.winding import turns_and_wire

    if not given.get("like") or not given.get("wires"):
        raise InputError("this question needs --like and at least one --wire")
    return turns_and_wire(rig, target=rig_with(given["like"], ()), wires=given["wires"], slot=given.get("slot"))


def _longest_cable(rig: Rig, given: dict[str, Any], series: str) -> Any:
    from labkit.study.questions.cable import ALLOWED_DB, BAND_HZ, REFERENCE_M
    from labkit.study.questions.ready import longest_cable

    band = BAND_HZ
    if given.get("band"):
        low, _, high = str(given["band"]).partition(" to ")
        try:
            band = parse_quantity(low, "Hz"), parse_quantity(high, "Hz")
        except QuantityError:
            raise InputError(f"--band is written LOW to HIGH, such as '2k to 5k'; got '{given['band']}'") from None
    return longest_cable(
        rig,
        loss_db=_quantity(given, "loss", "dB", ALLOWED_DB),
        band_hz=band,
        reference=_quantity(given, "reference", "m", REFERENCE_M),
        capacitance_per_length=_quantity(given, "cable", "F/m", 100e-12),
    )


QUESTIONS: dict[str, tuple[Callable[..., Any], tuple[str, ...]]] = {
    "cable equivalent": (_cable_equivalent, ("length", "cable", "series")),
    "hump": (_hump, ("at", "series")),
    "load resistor": (_load_resistor, ("pots", "slot", "series")),
    "turns and wire": (_turns_and_wire, ("like", "wires", "slot")),
    "longest cable": (_longest_cable, ("loss", "band", "reference", "cable")),
}
"""Ready questions by name: how they are answered, and the options they take."""


def answer_to(question: str, given: dict[str, Any], changes: tuple[str, ...]) -> Any:
    ask, takes = QUESTIONS[question]
    for name, value in given.items():
        if value and name != "sheet" and name not in takes:
            options = ", ".join(f"--{option_of(item)}" for item in takes)
            raise InputError(f'"{question}" takes {options}; got --{option_of(name)}')
    if not given.get("sheet"):
        raise InputError(f'"{question}" needs --rig, the sheet or name of the rig it is about')
    rig = rig_or_pickup(given["sheet"], changes)
    return ask(rig, given, given.get("series") or "E12")
