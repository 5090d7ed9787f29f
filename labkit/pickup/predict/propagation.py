"""How far a prediction may be trusted: from the doubt of each input to the 95 % interval of each result.

One mechanism for the whole of the pickup physics: first-order propagation with central differences
(JCGM 100:2008, "Guide to the expression of uncertainty in measurement", clause 5.1). Every input is stepped one
standard deviation down and up; half the change of the result is that input's contribution, the contributions add as
squares, and each keeps its name, so that "which input causes most of it" is always answered. Inputs are
taken as independent of one another; give one input for a cause that moves two numbers.

Ratios (a factor of 2 either way, ± 25 % of a capacitance) are better on a logarithmic scale, for inputs and for
results: bounds then stay positive.

Predictions are also set against one another here: what two of them share cancels, since each keeps the name of every
cause.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from labkit.core.errors import InputError, did_you_mean
from labkit.core.sourced import Interval, SourcedValue
from labkit.core.validity import range_called

COVERAGE = 1.959963984540054
"""Standard deviations on either side that hold 95 % of a normal distribution."""

_INSIDE = 0.95

DOUBT = range_called("doubt_of_a_ratio")

Scale = Literal["linear", "log"]
Distribution = Literal["normal", "rectangular", "limits"]

_DEVIATIONS_IN_HALF_WIDTH: dict[str, float] = {
    "normal": COVERAGE,  # the half-width is already a 95 % bound
    "rectangular": math.sqrt(3.0),  # JCGM 100:2008, 4.3.7: a/√3
    "limits": 3.0,  # acceptance limits of a process that holds them: 3 σ (common practice, no source)
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubtful:
    """An input with its standard deviation.

    Parameters
    ----------
    value : float
        Best value, SI.
    deviation : float
        One standard deviation: in the unit of ``value`` on a linear scale, a ratio less 1 (0.25 is "25 %")
        on a logarithmic one, where one step multiplies by e^±deviation.
    scale : "linear" or "log"
    """

    value: float
    deviation: float
    scale: Scale = "linear"

    def __post_init__(self) -> None:
        if self.scale not in ("linear", "log"):
            raise InputError(
                f"`scale` must be linear or log; got {self.scale!r}.{did_you_mean(str(self.scale), ('linear', 'log'))}"
            )
        if not math.isfinite(self.value):
            raise InputError(f"an input must be finite; got {self.value}")
        if self.scale == "log":
            DOUBT.check(self.deviation)
        if not 0 <= self.deviation < math.inf:
            raise InputError(f"a standard deviation must be zero or more; got {self.deviation}")
        if self.scale == "log" and not self.value > 0:
            raise InputError(f"an input on a logarithmic scale must be above zero; got {self.value}")

    @classmethod
    def exactly(cls, value: float) -> Doubtful:
        """An input without doubt."""
        return cls(value=value, deviation=0.0)

    @classmethod
    def plus_minus(cls, value: float, half_width: float, distribution: Distribution = "normal") -> Doubtful:
        """An input known to ± ``half_width`` in its own unit.

        ``"normal"``: the half-width holds 95 %. ``"rectangular"``: anything inside is equally likely.
        ``"limits"``: acceptance limits that production keeps to, taken as three standard deviations.

        >>> round(Doubtful.plus_minus(10.0, 0.3, "limits").deviation, 9)
        0.1
        """
        return cls(value=value, deviation=half_width / _deviations(distribution))

    @classmethod
    def percent(cls, value: float, fraction: float, distribution: Distribution = "normal") -> Doubtful:
        """An input known to ± ``fraction`` (1 = 100 %) of itself, on a logarithmic scale."""
        return cls(value=value, deviation=fraction / _deviations(distribution), scale="log")

    @classmethod
    def between(cls, low: float, value: float, high: float, distribution: Distribution = "limits") -> Doubtful:
        """An input between two limits that need not lie symmetrically; half their distance counts."""
        if not low <= value <= high:
            raise InputError(f"limits must hold their nominal value; got {low}, {value}, {high}")
        return cls(value=value, deviation=(high - low) / 2 / _deviations(distribution))

    @classmethod
    def of(cls, sourced: SourcedValue) -> Doubtful:
        """A sourced value with its stated 95 % spread; exact when its source states none."""
        return cls.plus_minus(sourced.value, sourced.spread or 0.0)

    @property
    def steps(self) -> tuple[float, float]:
        """The value one standard deviation down and up."""
        if self.scale == "log":
            return self.value * math.exp(-self.deviation), self.value * math.exp(self.deviation)
        return self.value - self.deviation, self.value + self.deviation


Part = float | np.ndarray
"""What a cause does to a result: a standard deviation, or its change with each of a fixed set of draws of the cause."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """What one input adds to the doubt of one result.

    Attributes
    ----------
    name : str
        The input.
    deviation : float
        Change of the result when the input rises by one standard deviation, with its sign; in the result's unit,
        or as a ratio less 1 for a result on a logarithmic scale (ln of the ratio). Of a drawn cause the root of the
        mean square of its draws.
    share : float
        Part of the result's variance, 0 … 1.
    draws : tuple of float
        Of a cause whose effect is far from straight: the result's change with each of a fixed set of draws, the same
        set for every result that names the cause; else empty.
    """

    name: str
    deviation: float
    share: float
    draws: tuple[float, ...] = ()

    @property
    def part(self) -> Part:
        """The draws where there are any, the standard deviation otherwise."""
        return np.array(self.draws) if self.draws else self.deviation


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """A predicted number with its 95 % bounds and the causes that act on it, largest first."""

    value: float
    low: float
    high: float
    contributions: tuple[Contribution, ...] = ()

    @property
    def interval(self) -> Interval:
        """Value and bounds without the causes."""
        return Interval(value=self.value, low=self.low, high=self.high)

    @property
    def largest(self) -> str | None:
        """The input that causes most of the doubt; None when there is no doubt."""
        return self.contributions[0].name if self.contributions and self.contributions[0].share > 0 else None

    @property
    def half_width_fraction(self) -> float:
        """Half the width of the interval over the value: 0.06 is "± 6 %"."""
        return (self.high - self.low) / (2 * abs(self.value)) if self.value else math.inf

    def why(self, count: int = 3) -> str:
        """Say in words which inputs cause most of the doubt.

        >>> doubt = {"bare diameter": Doubtful.percent(1.0, 0.03), "length": Doubtful.percent(1.0, 0.01)}
        >>> propagate(lambda x: {"R": x["length"] / x["bare diameter"] ** 2}, doubt)["R"].why()
        'bare diameter 97 %, length 3 %'
        """
        shown = [f"{item.name} {100 * item.share:.0f} %" for item in self.contributions[:count] if item.share >= 0.005]
        return ", ".join(shown) or "no doubt stated"

    def widened(self, deviation: float, cause: str) -> Prediction:
        """Return the prediction with one more cause, of a relative standard deviation; for values above zero."""
        if not deviation:
            return self
        half = math.hypot(math.log(self.high / self.low) / 2, COVERAGE * deviation)
        parts = [(item.name, item.deviation) for item in self.contributions] + [(cause, deviation)]
        variance = math.fsum(part**2 for _, part in parts)
        return Prediction(
            value=self.value,
            low=self.value * math.exp(-half),
            high=self.value * math.exp(half),
            contributions=tuple(
                Contribution(name=name, deviation=part, share=part**2 / variance)
                for name, part in sorted(parts, key=lambda pair: -abs(pair[1]))
            ),
        )

    def as_dict(self) -> dict[str, float]:
        """Return the ``{"value", "low", "high"}`` form of the JSON outputs."""
        return self.interval.as_dict()


def propagate(
    evaluate: Callable[[dict[str, Any]], Mapping[str, Any]],
    inputs: Mapping[str, Doubtful],
    *,
    log: Collection[str] | bool = True,
    model: Mapping[str, float] | None = None,
    vectorised: bool = True,
) -> dict[str, Prediction]:
    """Carry the doubts of named inputs to named results: y ± 1.96·√Σ[(y(x_i+σ_i) − y(x_i−σ_i))/2]².

    All steps are evaluated in one call: ``evaluate`` gets arrays of shape (1 + 2·n,), the nominal inputs first, and
    returns arrays that broadcast to it, so the cost is one vectorised call. A curve is given as one result per point.

    Parameters
    ----------
    evaluate : callable
        ``evaluate({input name: array (K,)}) -> {result name: array (K,)}``.
    inputs : mapping of str to Doubtful
    log : bool or collection of str
        Results on a logarithmic scale (True: all of them); their values must be positive.
    model : mapping of str to float, optional
        Relative standard deviation of the model itself per result, added under the name "model".
    vectorised : bool
        False calls ``evaluate`` once per row with plain floats instead, for models that take no arrays.

    Returns
    -------
    dict of str to Prediction

    Raises
    ------
    InputError
        If a result is not finite, not positive on a logarithmic scale, or named in ``log``/``model`` but not returned.
    """
    names = list(inputs)
    active = [name for name in names if inputs[name].deviation > 0]
    rows = 1 + 2 * len(active)
    table = {name: np.full(rows, float(inputs[name].value)) for name in names}
    for index, name in enumerate(active):
        table[name][1 + 2 * index], table[name][2 + 2 * index] = inputs[name].steps
    if vectorised:
        results = evaluate(table)
    else:
        each = [evaluate({name: column[row] for name, column in table.items()}) for row in range(rows)]
        results = {name: np.array([result[name] for result in each]) for name in each[0]}
    on_log = set(results) if log is True else set(log or ())
    for asked in on_log | set(model or ()):
        if asked not in results:
            raise InputError(f"'{asked}' is not among the results.{did_you_mean(asked, results)}")
    return {
        name: _prediction(
            name,
            np.broadcast_to(np.asarray(values, dtype=float), rows),
            active,
            name in on_log,
            (model or {}).get(name, 0.0),
        )
        for name, values in results.items()
    }


def _prediction(name: str, values: np.ndarray, active: list[str], log: bool, model: float) -> Prediction:
    if not np.all(np.isfinite(values)):
        culprit = (
            active[(int(np.argmin(np.isfinite(values))) - 1) // 2] if np.isfinite(values[0]) else "the nominal inputs"
        )
        raise InputError(f"{name} is not a finite number at {culprit}; its doubt is too wide for this model")
    if log and not np.all(values > 0):
        raise InputError(f"{name} must be positive to be given a ratio as its interval; got {values.min():g}")
    scaled = np.log(values) if log else values
    parts = ((scaled[2::2] - scaled[1::2]) / 2).tolist()
    deviations: dict[str, Part] = {
        key: part for key, part in zip(active, parts) if part
    }  # what does not act is no cause
    if model:
        deviations["model"] = model if log else model * abs(float(values[0]))
    return prediction(float(values[0]), deviations, log=log)


def _deviations(distribution: str) -> float:
    if distribution not in _DEVIATIONS_IN_HALF_WIDTH:
        raise InputError(
            f"`distribution` must be normal, rectangular or limits; got {distribution!r}."
            f"{did_you_mean(str(distribution), _DEVIATIONS_IN_HALF_WIDTH)}"
        )
    return _DEVIATIONS_IN_HALF_WIDTH[distribution]


def prediction(value: float, deviations: Mapping[str, Part], *, log: bool) -> Prediction:
    """Return a prediction from what each cause does to it.

    Parameters
    ----------
    value : float
    deviations : mapping of str to float or ndarray
        Standard deviations, signed, or draws; in the unit of ``value``, or as ratios less 1 (logarithms) with ``log``.
    log : bool
        The bounds lie at equal ratios, not at equal distances.

    >>> prediction(100.0, {"a": 3.0, "b": 4.0}, log=False).high
    109.79981992270027
    """
    sizes = {name: _size(part) for name, part in deviations.items()}
    variance = math.fsum(size**2 for size in sizes.values())
    drawn = [part for part in deviations.values() if isinstance(part, np.ndarray)]
    normal = COVERAGE**2 * math.fsum(part**2 for part in deviations.values() if not isinstance(part, np.ndarray))
    ends = [_ends(part) for part in drawn]
    below = math.sqrt(normal + math.fsum(min(float(low), 0.0) ** 2 for low, _ in ends))
    above = math.sqrt(normal + math.fsum(max(float(high), 0.0) ** 2 for _, high in ends))
    bounds = (value * math.exp(-below), value * math.exp(above)) if log else (value - below, value + above)
    return Prediction(
        value=value,
        low=bounds[0],
        high=bounds[1],
        contributions=tuple(
            Contribution(
                name=name,
                deviation=size,
                share=size**2 / variance if variance else 0.0,
                draws=tuple(part.tolist()) if isinstance(part := deviations[name], np.ndarray) else (),
            )
            for name, size in sorted(sizes.items(), key=lambda pair: -abs(pair[1]))
        ),
    )


def _ends(draws: np.ndarray) -> tuple[float, float]:
    """Bounds of 95 of 100 draws, by a line between neighbours; numpy's quantile costs ten times as much for so few."""
    ordered = np.sort(draws)
    places = np.array([(1 - _INSIDE) / 2, (1 + _INSIDE) / 2]) * (ordered.size - 1)
    low, high = np.interp(places, np.arange(ordered.size), ordered).tolist()
    return low, high


def _size(part: Part) -> float:
    return math.sqrt(float(np.mean(part**2))) if isinstance(part, np.ndarray) else part


def ratio(after: Prediction, before: Prediction) -> Prediction:
    """Return after/before of two predictions on a logarithmic scale; causes of the same name move both.

    >>> shared = prediction(2.0, {"turns": 0.02}, log=True)
    >>> ratio(shared, prediction(1.0, {"turns": 0.02}, log=True)).high
    2.0
    """
    return prediction(after.value / before.value, _differences(after, before), log=True)


def difference(after: Prediction, before: Prediction) -> Prediction:
    """Return after − before of two predictions on a linear scale (decibels, say)."""
    return prediction(after.value - before.value, _differences(after, before), log=False)


def shifted(prediction: Prediction, by: float) -> Prediction:
    """Return a prediction on a linear scale with its value and bounds moved, its doubts as they are."""
    return replace(prediction, value=prediction.value + by, low=prediction.low + by, high=prediction.high + by)


def exactly(value: float) -> Prediction:
    """A stated value: both bounds on it."""
    return Prediction(value=value, low=value, high=value)


def _differences(after: Prediction, before: Prediction) -> dict[str, Part]:
    parts = {item.name: item.part for item in after.contributions}
    for item in before.contributions:
        parts[item.name] = parts.get(item.name, 0.0) - item.part
    return parts
