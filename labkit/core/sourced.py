"""Numbers that know where they come from, and predictions that know how far to trust them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from labkit.core.errors import InputError

Kind = Literal[
    "printed",
    "measured",
    "digitised",
    "derived",
    "calibrated",
    "common practice",
    "from memory",
    "invented",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class SourcedValue:
    """A number with its unit, its doubt and its source.

    Parameters
    ----------
    value : float
        The number, in ``unit`` (SI).
    unit : str
        SI unit symbol, ``"1"`` for a pure number.
    spread : float or None
        Half-width of the 95 % interval in ``unit``; None when the source states none.
    kind : str
        How the number was obtained; one of `Kind`.
    source : str
        Where it can be looked up: document and table, or "common practice, no source".
    doubt : str
        What speaks against it, in one sentence; empty when nothing is known.

    >>> SourcedValue(value=1.28, unit="T", spread=0.03, kind="printed", source="Standard, table 2").interval.low
    1.25
    """

    value: float
    unit: str
    spread: float | None = None
    kind: Kind
    source: str
    doubt: str = ""

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise InputError(f"a sourced value must be finite; got {self.value} {self.unit} from {self.source!r}")
        if self.spread is not None and not self.spread >= 0:
            raise InputError(f"a spread must be zero or more; got {self.spread} {self.unit} from {self.source!r}")
        if not self.source.strip():
            raise InputError("a sourced value must name its source; write 'common practice, no source' if it is one")

    @property
    def interval(self) -> Interval:
        """The value with its 95 % bounds (both equal to the value when no spread is stated)."""
        half = self.spread or 0.0
        return Interval(value=self.value, low=self.value - half, high=self.value + half)


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A predicted number with the bounds that hold it in 95 of 100 cases; same unit throughout.

    >>> Interval.relative(100.0, 0.05)
    Interval(value=100.0, low=95.0, high=105.0)
    """

    value: float
    low: float
    high: float

    def __post_init__(self) -> None:
        if not self.low <= self.value <= self.high:
            raise InputError(
                f"an interval must hold its value between its bounds; got {self.low}, {self.value}, {self.high}"
            )

    @classmethod
    def relative(cls, value: float, fraction: float) -> Interval:
        """Interval of ± ``fraction`` (1 = 100 %) around ``value``."""
        half = abs(value) * fraction
        return cls(value=value, low=value - half, high=value + half)

    def holds(self, number: float) -> bool:
        """Say whether ``number`` lies within the bounds."""
        return self.low <= number <= self.high

    def as_dict(self) -> dict[str, float]:
        """Return the ``{"value", "low", "high"}`` form of the JSON outputs."""
        return {"value": self.value, "low": self.low, "high": self.high}
