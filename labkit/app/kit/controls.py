"""Controls of a page without widgets: what can be set, between which limits, and how a value is read and written.

A control holds a list of positions; a slider or a drop-down is only a pointer into it. Values between the
positions are typed. Every value that comes from outside (an address, a text field) goes through `Control.read`
or `Control.decode`, which check and clamp it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from labkit.core.errors import InputError, QuantityError, did_you_mean
from labkit.core.units import format_quantity, parse_quantity

Value = float | str
Kind = Literal["slider", "choice", "switch"]

KNOB = "knob"
"""Unit of a knob position, 0 to 10."""

COUNT = "count"
"""Unit of what is counted: turns, poles."""

PLAIN = "plain"
"""Unit of a number that has none and is no share: Q, marks of a meter."""

_LONGEST_TEXT = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """One thing that can be set.

    Parameters
    ----------
    key : str
        Name in addresses and on the command line: ``volume``, ``cable.length``.
    label : str
        What the page calls it.
    kind : str
        slider, choice (drop-down) or switch (all positions in view).
    positions : tuple of float or str
        What the pointer runs over: SI values, rising, or words.
    unit : str
        SI unit of the values, ``knob`` for 0–10, ``count`` for whole numbers, empty for words.
    names : tuple of str
        Text of each position, where it is not simply the value.
    low, high : float
        Limits of a typed value, SI; the ends of the positions by default.
    bare_unit : str
        Unit of a typed number without one, where only one can be meant (``m`` for a cable); empty refuses it.
    note : str
        Short name for a curve's end, ``cable`` in "cable 3 m"; empty where the value says enough.
    others : callable, optional
        ``others(word)`` checks a word that is none of the positions, and returns it or raises `InputError`.
    written : callable, optional
        ``written(word)`` says such a word as the page shows it.
    """

    key: str
    label: str
    kind: Kind
    positions: tuple[Value, ...]
    unit: str = ""
    names: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    bare_unit: str = ""
    note: str = ""
    others: Callable[[str], str] | None = None
    written: Callable[[str], str] | None = None

    def __post_init__(self) -> None:
        if not self.positions:
            raise InputError(f"control '{self.key}' needs at least one position")
        if self.names and len(self.names) != len(self.positions):
            raise InputError(f"control '{self.key}' has {len(self.positions)} positions and {len(self.names)} names")

    @property
    def is_quantity(self) -> bool:
        """True for numbers, false for words."""
        return bool(self.unit)

    @property
    def limits(self) -> tuple[float, float]:
        """Lowest and highest value that may be typed."""
        numbers = [position for position in self.positions if isinstance(position, float | int)]
        return (
            self.low if self.low is not None else min(numbers),
            self.high if self.high is not None else max(numbers),
        )

    @property
    def texts(self) -> tuple[str, ...]:
        """Text of every position."""
        return self.names or tuple(self.text(position) for position in self.positions)

    def text(self, value: Value) -> str:
        """Write a value as the page shows it.

        >>> Control(key="c", label="C", kind="choice", positions=(2.2e-8,), unit="F").text(2.2e-8)
        '22 nF'
        """
        if self.names and value in self.positions:
            return self.names[self.positions.index(value)]
        if isinstance(value, str):
            return value if self.written is None else self.written(value)
        if self.unit == KNOB:
            return f"{self.brief(value)} of 10"
        if self.unit == COUNT:
            return f"{value:.0f}"
        if self.unit == PLAIN:
            return f"{value:.4g}"
        if not value and self.bare_unit:
            return f"0 {self.bare_unit}"  # a gap of none is 0 mm, not 0 m
        return format_quantity(float(f"{value:.4g}"), self.unit)

    def brief(self, value: Value) -> str:
        """Write a value where space is short: a knob's position without "of 10".

        >>> Control(key="v", label="V", kind="slider", positions=(0.0, 10.0), unit="knob").brief(7.5)
        '7.5'
        """
        if self.unit == KNOB and not isinstance(value, str):
            return f"{value:.2f}".rstrip("0").rstrip(".")
        return self.text(value)

    def index(self, value: Value) -> int:
        """Return the position a value stands at: the nearest on a slider, −1 on a list that does not hold it."""
        if isinstance(value, str):
            return self.positions.index(value) if value in self.positions else -1
        numbers = np.array([float(position) for position in self.positions])
        nearest = int(np.argmin(np.abs(numbers - value)))
        if self.kind == "slider" or math.isclose(numbers[nearest], value, rel_tol=1e-6, abs_tol=1e-15):
            return nearest
        return -1

    def read(self, text: str) -> Value:
        """Return the value of a typed text.

        Raises
        ------
        InputError
            With one sentence: what is wrong and what would be right.
        """
        text = text.strip()
        if not self.is_quantity and text not in self.positions and self.others is not None:
            return self.others(text)
        if len(text) > _LONGEST_TEXT:
            raise InputError(f"{self.label}: a value is at most {_LONGEST_TEXT} characters long")
        if not self.is_quantity:
            if text in self.positions:
                return text
            words = [str(position) for position in self.positions]
            raise InputError(f"{self.label}: there is no '{text}'.{did_you_mean(text, words)}")
        low, high = self.limits
        if self.unit in (KNOB, COUNT, PLAIN):
            value = self._plain_number(text)
        else:
            is_bare = text[-1:].isdigit() and self.bare_unit
            try:
                value = parse_quantity(f"{text} {self.bare_unit}" if is_bare else text, self.unit)
            except QuantityError as error:
                raise InputError(f"{self.label}: {error}") from None
        if not math.isfinite(value) or not low <= value <= high:
            raise InputError(f"{self.label}: between {self.text(low)} and {self.text(high)}, please; got {text}")
        return value

    def _plain_number(self, text: str) -> float:
        low, high = self.limits
        try:
            if self.unit == COUNT:
                return float(int(re.sub(r"\s*(turns|poles)$|(?<=\d)[ ,\u2009\u202f](?=\d{3}\b)", "", text)))
            return float(text.replace(",", ".").removesuffix("of 10"))
        except ValueError:
            kind = "whole number" if self.unit == COUNT else "number"
            raise InputError(f"{self.label}: a {kind} from {low:.0f} to {high:.0f}, please; got '{text}'") from None

    def encode(self, value: Value) -> str:
        """Write a value for an address: six digits, SI."""
        return value if isinstance(value, str) else f"{value:.6g}"

    def decode(self, text: str) -> Value:
        """Return the value of a text from an address, clamped to the limits.

        Raises
        ------
        InputError
            If it is neither a finite number nor a known word.
        """
        if not self.is_quantity:
            return self.read(text)
        try:
            value = float(text[:_LONGEST_TEXT])
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise InputError(f"{self.label}: '{text[:24]}' is no number")
        low, high = self.limits
        return min(max(value, low), high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Controls that belong together, under one heading.

    Parameters
    ----------
    title : str
    controls : tuple of Control
    note : str
        Stands beneath them.
    is_fold : bool
        Closed at first; its heading then carries the values, so that nothing is hidden, on paper either.
    """

    title: str
    controls: tuple[Control, ...]
    note: str = ""
    is_fold: bool = False

    def head(self, values: Mapping[str, Value]) -> str:
        """Return the values of the controls as a heading carries them.

        >>> turns = Control(key="turns", label="Turns", kind="slider", positions=(1.0, 8000.0), unit="count")
        >>> Group(title="Coil", controls=(turns,)).head({"turns": 8000.0})
        '8000'
        """
        return ", ".join(control.text(values[control.key]) for control in self.controls)


@dataclass(frozen=True, slots=True)
class ControlSet:
    """The groups of a page, looked up by key."""

    groups: tuple[Group, ...]

    def without(self, key: str) -> ControlSet:
        """Return the set without a control; its group stays, with its note."""
        return ControlSet(
            tuple(
                replace(group, controls=tuple(control for control in group.controls if control.key != key))
                for group in self.groups
            )
        )

    def __iter__(self) -> Iterator[Control]:
        return (control for group in self.groups for control in group.controls)

    def __contains__(self, key: object) -> bool:
        return any(control.key == key for control in self)

    def __getitem__(self, key: str) -> Control:
        for control in self:
            if control.key == key:
                return control
        raise InputError(f"this page has no control '{key}'.{did_you_mean(key, [control.key for control in self])}")


def log_positions(low: float, high: float, per_decade: Sequence[float]) -> tuple[float, ...]:
    """Return round values between two limits: the mantissas of ``per_decade`` in every decade.

    >>> log_positions(1e-9, 1e-8, (1.0, 2.2, 4.7))
    (1e-09, 2.2e-09, 4.7e-09, 1e-08)
    """
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    values = [float(f"{mantissa:g}e{decade}") for decade in range(first, last + 1) for mantissa in per_decade]
    return tuple(value for value in values if low * (1 - 1e-9) <= value <= high * (1 + 1e-9))


def with_value(positions: Sequence[float], value: float) -> tuple[float, ...]:
    """Return rising positions that also hold a value, so that a page opens exactly where its rig stands."""
    if any(math.isclose(position, value, rel_tol=1e-6, abs_tol=1e-15) for position in positions):
        return tuple(positions)
    return tuple(sorted((*positions, value)))
