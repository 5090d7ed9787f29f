"""Controls over the keys of a sheet: each knows how its value is read from the flat keys and written back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from labkit.app.kit.controls import COUNT, Control, ControlSet, Group, Value, with_value
from labkit.app.kit.pickup.made import Keys
from labkit.core.errors import InputError
from labkit.core.units import parse_quantity
from labkit.pickup.winding.winding import PACKING_LIMITS

START = "^"
"""Mark of keys of the sheet that a pickup started from, where both are passed on together."""

Read = Callable[[Keys], Value]
Write = Callable[[Keys, Value], Keys]


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetControl:
    """A control and its keys of the sheet."""

    control: Control
    read: Read
    write: Write


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetControls:
    """All controls of one pickup in the making, in groups."""

    groups: tuple[tuple[str, str, tuple[SheetControl, ...]], ...]

    @property
    def by_key(self) -> Mapping[str, SheetControl]:
        """The controls by key."""
        return {item.control.key: item for _, _, items in self.groups for item in items}

    def values(self, keys: Keys) -> dict[str, Value]:
        """Return where every control stands."""
        return {key: item.read(keys) for key, item in self.by_key.items()}

    @property
    def control_groups(self) -> tuple[Group, ...]:
        """The groups as a panel shows them."""
        return tuple(
            Group(title=title, controls=tuple(item.control for item in items), note=note)
            for title, note, items in self.groups
            if items
        )

    @property
    def control_set(self) -> ControlSet:
        """The same, looked up by key."""
        return ControlSet(self.control_groups)


def length_control(
    keys: Keys, key: str, path: str, label: str, positions: tuple[float, ...], *, note: str, usual: float = 0.0
) -> SheetControl:
    offered = with_start(keys, path, "m", positions)
    return SheetControl(
        control=Control(
            key=key,
            label=label,
            kind="slider",
            unit="m",
            positions=offered,
            low=offered[0],
            high=2 * positions[-1],
            bare_unit="mm",
            note=note,
        ),
        read=lambda sheet: number_at(sheet, path, "m", usual),
        write=lambda sheet, value: sheet | {path: millimetres(value)},
    )


def count_control(
    keys: Keys, key: str, path: str, label: str, positions: tuple[float, ...], *, high: float, note: str
) -> SheetControl:
    return SheetControl(
        control=Control(
            key=key,
            label=label,
            kind="slider",
            unit=COUNT,
            positions=with_start(keys, path, COUNT, positions),
            low=1,
            high=high,
            note=note,
        ),
        read=lambda sheet: float(str(sheet.get(path, positions[0]))),
        write=lambda sheet, value: sheet | {path: round(float(value))},
    )


def share_control(
    keys: Keys, key: str, path: str, label: str, positions: tuple[float, ...], usual: float, *, note: str
) -> SheetControl:
    offered = with_start(keys, path, "1", positions)
    return SheetControl(
        control=Control(
            key=key,
            label=label,
            kind="slider",
            unit="1",
            positions=offered,
            low=min(offered[0], PACKING_LIMITS[0]),
            high=PACKING_LIMITS[1],
            bare_unit="%",
            note=note,
        ),
        read=lambda sheet: float(str(sheet.get(path, usual))),
        write=lambda sheet, value: sheet | {path: float(f"{float(value):.6g}")},
    )


def word_control(keys: Keys, key: str, path: str, label: str, positions: tuple[str, ...], usual: str) -> SheetControl:
    present = str(keys.get(path, usual))
    return SheetControl(
        control=Control(
            key=key,
            label=label,
            kind="switch",
            positions=positions if present in positions else (present, *positions),
        ),
        read=lambda sheet: str(sheet.get(path, usual)),
        write=lambda sheet, value: sheet | {path: str(value)},
    )


def percent_control(keys: Keys, path: str, key: str, label: str, note: str) -> Control:
    return Control(
        key=key,
        label=label,
        kind="slider",
        unit="1",
        positions=with_start(keys, path, "1", tuple(step / 100 for step in range(101))),
        low=0.0,
        high=1.0,
        bare_unit="%",
        note=note,
    )


def with_start(keys: Keys, path: str, unit: str, positions: tuple[float, ...]) -> tuple[float, ...]:
    """Return positions that also hold the value of the sheet the pickup started from."""
    given = keys.get(START + path)
    if given is None:
        return positions
    return with_value(positions, float(str(given)) if unit == COUNT else number_at(keys, START + path, unit, 0.0))


def number_at(keys: Keys, path: str, unit: str, usual: float) -> float:
    """Return a quantity of the sheet, SI.

    Raises
    ------
    InputError
        If the sheet holds something else there.
    """
    given = keys.get(path)
    if given is None:
        return usual
    if isinstance(given, bool):
        raise InputError(f"{path} must be a quantity; got {str(given).lower()}")
    return parse_quantity(given, unit) if isinstance(given, str) else float(given)


def millimetres(value: Value) -> str:
    return f"{1e3 * float(value):.6g} mm"


def percent(value: Value) -> str:
    return f"{100 * float(value):.6g} %"


@lru_cache(maxsize=64)
def mm(low: float, high: float, step: float) -> tuple[float, ...]:
    return tuple(float(f"{value:.6g}e-3") for value in steps(low, high, step))


def steps(low: float, high: float, step: float) -> tuple[float, ...]:
    return tuple(float(f"{low + index * step:.6g}") for index in range(round((high - low) / step) + 1))
