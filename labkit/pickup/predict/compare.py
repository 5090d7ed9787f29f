"""Predictions set against one another: what two of them share cancels, since each keeps the name of every cause."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from labkit.pickup.predict.propagation import COVERAGE, Contribution, Prediction


def prediction(value: float, deviations: Mapping[str, float], *, log: bool) -> Prediction:
    """Return a prediction from the standard deviation that each cause gives it.

    Parameters
    ----------
    value : float
    deviations : mapping of str to float
        Signed; in the unit of ``value``, or as ratios less 1 with ``log``.
    log : bool
        The bounds lie at equal ratios, not at equal distances.

    >>> prediction(100.0, {"a": 3.0, "b": 4.0}, log=False).high
    109.79981992270027
    """
    variance = math.fsum(part**2 for part in deviations.values())
    half = COVERAGE * math.sqrt(variance)
    ordered = sorted(deviations.items(), key=lambda pair: -abs(pair[1]))
    low, high = (value * math.exp(-half), value * math.exp(half)) if log else (value - half, value + half)
    return Prediction(
        value=value,
        low=low,
        high=high,
        contributions=tuple(
            Contribution(name=name, deviation=part, share=part**2 / variance if variance else 0.0)
            for name, part in ordered
        ),
    )


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


def _differences(after: Prediction, before: Prediction) -> dict[str, float]:
    parts = {item.name: item.deviation for item in after.contributions}
    for item in before.contributions:
        parts[item.name] = parts.get(item.name, 0.0) - item.deviation
    return parts
