"""`Range`: how far a model holds in one of its quantities, as data, and what happens outside.

All of them stand in ``ranges.toml`` beside this module; a model takes its own by name. Inside ``low`` … ``high`` a
model was compared or calibrated. Outside it goes on with a wider interval, or with another formula, and says so in
``warnings``; beyond ``least`` … ``most`` the number is refused.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError, one_line
from labkit.core.units import format_quantity

Outside = Literal["refused", "wider interval", "other formula"]

_EDGE = 1e-9  # relative: a limit that went through a unit and back still counts as inside


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """Where one quantity of a model may lie.

    Parameters
    ----------
    model : str
        A key of `labkit.cases.MODELS`.
    quantity : str
        In words, as messages name it.
    unit : str
        SI, ``"1"`` for a pure number, ``"%"`` for one that is shown in percent (1 is 100 %).
    low, high : float
        Where the model was compared or calibrated; infinite where nothing limits it.
    outside : "refused", "wider interval" or "other formula"
    least, most : float, optional
        Refused beyond these; ``low`` and ``high`` where left out.
    growth : float
        Of "wider interval": relative standard deviation added for every e-fold beyond an edge (for every width of the
        range where an edge is not above zero).
    why : str
        What limits the model, as the end of a sentence.
    source : str

    >>> heat = Range(model="wire", quantity="temperature", unit="°C", low=-20, high=120, most=150, growth=0.02,
    ...              outside="wider interval", why="tables end there", source="IEC 60028")
    >>> heat.warning(130)
    'wire: temperature 130 °C is above 120 °C (tables end there): the interval is widened.'
    """

    model: str
    quantity: str
    unit: str
    low: float = -math.inf
    high: float = math.inf
    outside: Outside
    least: float | None = None
    most: float | None = None
    growth: float = 0.0
    why: str
    source: str

    def __post_init__(self) -> None:
        if self.outside not in get_args(Outside):
            raise InputError(f"`outside` must be one of {', '.join(get_args(Outside))}; got {self.outside!r}")
        if self.least is None:
            object.__setattr__(self, "least", self.low)
        if self.most is None:
            object.__setattr__(self, "most", self.high)
        least, most = self.limits
        if not least <= self.low < self.high <= most:
            raise InputError(f"a range must satisfy least ≤ low < high ≤ most; got {self}")
        if (self.outside == "wider interval") != (self.growth > 0):
            raise InputError(f"a range widens by its `growth`; got outside={self.outside!r} and growth={self.growth:g}")
        if self.outside == "refused" and (least, most) != (self.low, self.high):
            raise InputError(f"what is refused outside has no second limits; got {self}")
        if not (self.why.strip() and self.source.strip()):
            raise InputError(f"a range must say why and name its source: {self.model}, {self.quantity}")

    @property
    def limits(self) -> tuple[float, float]:
        """Least and most: beyond these the number is refused."""
        assert self.least is not None
        assert self.most is not None
        return self.least, self.most

    def holds(self, value: float) -> bool:
        """Say whether the model was compared at this value."""
        return bool(_inside(value, self.low, self.high))

    def accepts(self, value: float) -> bool:
        """Say whether this value is given at all, with a wider interval perhaps."""
        return bool(math.isfinite(value) and _inside(value, *self.limits))

    def shown(self, value: float) -> str:
        """Return a value with the unit of the range."""
        if not math.isfinite(value):
            return "no limit"
        if self.unit == "%":
            return f"{100 * value:.4g} %"
        short = float(f"{value:.4g}")
        if self.unit == "1" or (value and not 1e-15 <= abs(value) < 1e12):
            return f"{short:.6g}" + ("" if self.unit == "1" else f" {self.unit}")
        return format_quantity(short, self.unit)

    @property
    def span(self) -> str:
        """Return where the model was compared, in words.

        >>> Range(model="takes", quantity="fret", unit="1", low=0, high=36, outside="refused", why="x", source="y").span
        '0 to 36'
        """
        return _words(self.shown(self.low), self.shown(self.high), self.low, self.high)

    @property
    def accepted(self) -> str:
        """Return what is not refused, in words."""
        least, most = self.limits
        return _words(self.shown(least), self.shown(most), least, most)

    def check(self, value: ArrayLike, *, whose: str = "") -> None:
        """Refuse a value (of an array: the first) beyond the outer limits, or that is no finite number.

        Raises
        ------
        InputError
        """
        values = np.asarray(value, dtype=float)
        least, most = self.limits
        with np.errstate(invalid="ignore"):
            good = _inside(values, least, most) & np.isfinite(values)
        if not np.all(good):
            bad = float(values[~good].flat[0]) if values.ndim else float(values)
            shown = self.shown(bad) if math.isfinite(bad) else str(bad)
            both = math.isfinite(least) and math.isfinite(most)
            limits = f"lie between {self.shown(least)} and {self.shown(most)}" if both else f"be {self.accepted}"
            raise InputError(one_line(f"{whose}{self.quantity} must {limits} ({self.why}); got {shown}"))

    def warning(self, value: float) -> str:
        """Return a sentence with limit and value; empty inside."""
        if self.holds(value):
            return ""
        edge, side = (self.low, "below") if value < self.low else (self.high, "above")
        return (
            f"{self.model}: {self.quantity} {self.shown(value)} is {side} {self.shown(edge)} ({self.why}): "
            f"{'the interval is widened' if self.outside == 'wider interval' else 'another formula is used'}."
        )

    def deviation(self, value: float) -> float:
        """Return the relative standard deviation that a result gains by lying outside, 0 inside."""
        if self.holds(value):
            return 0.0
        edge = self.low if value < self.low else self.high
        if edge > 0 and value > 0:
            return self.growth * abs(math.log(value / edge))
        width = self.high - self.low
        return self.growth * abs(value - edge) / (width if math.isfinite(width) else abs(edge) or 1.0)

    def up_to(self, high: float) -> Range:
        """Return the range with another upper edge, such as the one of a magnet's own grade."""
        return replace(self, high=high, most=max(high, self.limits[1]))

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON form; None where nothing limits."""
        least, most = self.limits
        return {
            "model": self.model,
            "quantity": self.quantity,
            "unit": self.unit,
            "low": _finite(self.low),
            "high": _finite(self.high),
            "outside": self.outside,
            "least": _finite(least),
            "most": _finite(most),
            "why": self.why,
            "source": self.source,
        }


@cache
def all_ranges() -> Mapping[str, Range]:
    """Return every range by name, in the order of the models."""
    text = (resources.files("labkit.core") / "ranges.toml").read_text(encoding="utf-8")
    return MappingProxyType(
        {name: Range(**table) for name, table in tomllib.loads(text).items() if isinstance(table, dict)}
    )


def range_called(name: str) -> Range:
    """Return one range by its name in ``ranges.toml``.

    >>> range_called("turns").span
    '1 to 200000'
    """
    return all_ranges()[name]


def warnings_of(*pairs: tuple[Range, float]) -> tuple[str, ...]:
    """Return the warnings of several ranges and values, without the empty ones."""
    return tuple(filter(None, (limits.warning(value) for limits, value in pairs)))


def _inside(value: Any, low: float, high: float) -> Any:
    return (value >= low - _EDGE * abs(low) if math.isfinite(low) else value == value) & (
        value <= high + _EDGE * abs(high) if math.isfinite(high) else value == value
    )


def _words(low_text: str, high_text: str, low: float, high: float) -> str:
    if math.isinf(low):
        return f"{high_text} or less"
    return f"{low_text} or more" if math.isinf(high) else f"{low_text} to {high_text}"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
