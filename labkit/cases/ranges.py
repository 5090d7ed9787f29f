"""The ranges of validity by model, as `labkit cases --ranges` lists them."""

from __future__ import annotations

from collections.abc import Mapping

from labkit.cases.summary import MODELS
from labkit.core.errors import InputError, did_you_mean
from labkit.core.validity import Range, all_ranges

WITHOUT: Mapping[str, str] = {"wiring": "parts joined without a model of their own: circuit, loads and parts limit it"}
"""Models that have no range of their own, and why."""


def ranges(model: str | None = None) -> tuple[Range, ...]:
    """Return the ranges of one model, or all.

    Raises
    ------
    InputError
        If there is no such model; says the nearest.

    >>> [each.span for each in ranges("self-capacitance")]
    ['10 or more', '0 % to 100 %']
    """
    if model is not None and model not in MODELS:
        raise InputError(f"no model is named '{model}'.{did_you_mean(model, MODELS)}")
    return tuple(each for each in all_ranges().values() if model in (None, each.model))
