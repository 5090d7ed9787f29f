"""What happened to the magnets, as controls over the ``[[history]]`` of a sheet laid flat, and in words."""

from __future__ import annotations

from labkit.app.kit.controls import COUNT, Control, Value
from labkit.app.kit.pickup.made import Keys, history_entries
from labkit.app.kit.pickup.sheet_control import SheetControl, percent
from labkit.core.errors import InputError
from labkit.core.units import parse_quantity

HISTORY = "history."

_ORDER = (("stabilised", "loss"), ("dropped", "times"), ("temperature", "temperature"), ("stray field", "field"))
"""Events in the order in which the page tells them, and their one number."""

ROOM = 20.0
"""Temperature that is no event, °C."""


def is_told_by_sliders(keys: Keys) -> bool:
    """Say whether a sheet's history is one that the sliders tell: each event once, in their order, after a charging."""
    kinds = [str(entry.get("event")) for entry in history_entries(keys)]
    if kinds[:1] == ["charged"]:
        kinds = kinds[1:]
    known = [event for event, _ in _ORDER]
    return kinds == [event for event in known if event in kinds]


def without_lost_history(keys: Keys) -> Keys:
    """Return a sheet without its history where it has no magnet left to have had one."""
    if any(key.endswith(".grade") for key in keys):
        return keys
    return {key: value for key, value in keys.items() if not key.startswith(HISTORY)}


def aging_controls(keys: Keys) -> tuple[SheetControl, ...]:
    """Return the four sliders; none for a history that they cannot tell."""
    if not is_told_by_sliders(keys):
        return ()
    return (
        _control(
            "knocked",
            "Knocked back on purpose by",
            "stabilised",
            "1",
            tuple(step / 100 for step in range(51)),
            "%",
            "knocked",
        ),
        _control(
            "drops", "Falls from a bench", "dropped", COUNT, tuple(float(step) for step in range(21)), "", "falls"
        ),
        _control(
            "extreme",
            "Coldest or hottest it was",
            "temperature",
            "°C",
            tuple(float(step) for step in range(-40, 201, 5)),
            "°C",
            "was at",
        ),
        _control(
            "stray",
            "Stray field it was held against",
            "stray field",
            "T",
            tuple(float(f"{step}e-3") for step in range(101)),
            "mT",
            "stray field",
        ),
    )


def _control(
    key: str, label: str, event: str, unit: str, positions: tuple[float, ...], bare: str, note: str
) -> SheetControl:
    def write(sheet: Keys, value: Value) -> Keys:
        numbers = {each: _number(sheet, each) for each, _ in _ORDER}
        numbers[event] = float(value)
        rest: Keys = {name: item for name, item in sheet.items() if not name.startswith(HISTORY)}
        place = 0
        for each, name in _ORDER:
            if numbers[each] == _nothing(each):
                continue
            rest |= {f"{HISTORY}{place}.event": each, f"{HISTORY}{place}.{name}": _written(each, numbers[each])}
            place += 1
        return rest

    return SheetControl(
        control=Control(
            key=key,
            label=label,
            kind="slider",
            unit=unit,
            positions=positions,
            low=positions[0],
            high=positions[-1],
            bare_unit=bare,
            note=note,
        ),
        read=lambda sheet: _number(sheet, event),
        write=write,
    )


def _nothing(event: str) -> float:
    return ROOM if event == "temperature" else 0.0


def _written(event: str, value: float) -> str | int:
    if event == "stabilised":
        return percent(value)
    if event == "dropped":
        return round(value)
    return f"{value:.6g} °C" if event == "temperature" else f"{1e3 * value:.6g} mT"


def _number(keys: Keys, event: str) -> float:
    name = dict(_ORDER)[event]
    entry = next((each for each in history_entries(keys) if each.get("event") == event), None)
    if entry is None:
        return _nothing(event)
    given = entry.get(name, 0.0)
    unit = {"stabilised": "1", "temperature": "°C", "stray field": "T"}.get(event)
    if isinstance(given, str) and unit is not None:
        return parse_quantity(given, unit)
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise InputError(f"history: `{name}` of {event} must be a number; got {given!r}")
    return float(given)
