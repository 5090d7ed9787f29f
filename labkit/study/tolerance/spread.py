"""`Spread`: how one number is distributed, where its default comes from, and how it is written.

Defaults follow the tolerance class of each part. Inside a class every value is taken as equally likely, since parts
are sorted and sold by class; wound coils are taken as normal, with the stated 95 % half-width.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from labkit.core.errors import InputError, QuantityError, did_you_mean
from labkit.core.units import parse_quantity
from labkit.rig.inputs import RigInput, rig_inputs
from labkit.rig.rig import Rig

Shape = Literal["uniform", "normal", "log-uniform"]
SHAPES = ("uniform", "normal", "log-uniform")

COVERAGE = 1.959963984540054
"""Standard deviations on either side that hold 95 % of a normal distribution."""

CUT = 4.0
"""Normal draws are cut at this many standard deviations (6 in 100 000 lie beyond), so that every range is finite."""

SMALLEST = 2.0**-40
"""Draws of (0, 1) keep this distance from its ends."""

DEFAULTS: tuple[tuple[str, Shape, float, str], ...] = (
    (r".*\.resistance", "normal", 0.05, "coil resistance ± 5 % (common practice, no source)"),
    (r".*\.inductance", "normal", 0.05, "coil inductance ± 5 % (common practice, no source)"),
    (r".*\.capacitance", "normal", 0.10, "coil capacitance ± 10 % (common practice, no source)"),
)
"""For coils: name, shape, fraction, and where it comes from."""

CABLE_FRACTION = 0.10
"""Capacitance of a cable from lot to lot (common practice, no source)."""

INPUT_FRACTION = 0.05
"""Input resistance: a fixed resistor of ± 5 % (E24 class of IEC 60063)."""

RESISTOR_FRACTION = 0.05
"""A fixed resistor without a stated class: ± 5 % (E24 class of IEC 60063)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How one number is distributed.

    Parameters
    ----------
    name : str
        Input name.
    shape : "uniform", "normal" or "log-uniform"
    low, high : float, SI
        Ends of a uniform range; for "normal" the 95 % bounds, with the middle as the mean.

    >>> spread = Spread(name="cable.length", shape="uniform", low=4.0, high=6.0)
    >>> spread.quantile(np.array([0.0, 0.5, 1.0])).round(6).tolist()
    [4.0, 5.0, 6.0]
    """

    name: str
    shape: Shape
    low: float
    high: float

    def __post_init__(self) -> None:
        if self.shape not in SHAPES:
            raise InputError(f"{self.name}: a spread is uniform, normal or log-uniform; got '{self.shape}'")
        if not (math.isfinite(self.low) and math.isfinite(self.high) and self.low <= self.high):
            raise InputError(f"{self.name}: a spread runs from low to high; got {self.low:g} to {self.high:g}")
        if self.shape == "log-uniform" and not self.low > 0:
            raise InputError(f"{self.name}: a log-uniform spread must begin above 0; got {self.low:g}")

    @property
    def range(self) -> tuple[float, float]:
        """Ends that no draw passes."""
        if self.shape != "normal":
            return self.low, self.high
        middle, reach = (self.low + self.high) / 2, CUT / COVERAGE * (self.high - self.low) / 2
        return middle - reach, middle + reach

    def quantile(self, part: np.ndarray) -> np.ndarray:
        """Return the values below which the given parts (0 … 1) of all draws lie."""
        if self.shape == "normal":
            from scipy.special import ndtr, ndtri

            tail = ndtr(-CUT)
            found: np.ndarray = (self.low + self.high) / 2 + (self.high - self.low) / 2 / COVERAGE * np.clip(
                ndtri(tail + part * (1 - 2 * tail)), -CUT, CUT
            )
            return found
        if self.shape == "log-uniform":
            grown: np.ndarray = self.low * (self.high / self.low) ** part
            within: np.ndarray = np.clip(grown, self.low, self.high)
            return within
        even: np.ndarray = self.low + part * (self.high - self.low)
        return even


def default_spreads(rig: Rig) -> dict[str, Spread]:
    """Return the spread of every part that has a tolerance, by input name.

    Pots and capacitors by the tolerance of their sheet; fixed resistors ± 5 %, cables ± 10 % and inputs ± 5 % where
    the sheet states none; coils ± 5 % in resistance and inductance, ± 10 % in capacitance. Knobs stay where they are.

    >>> from labkit.rig.sheet import load_rig
    >>> found = default_spreads(load_rig("Saltmarsh Lane, narrow single coil"))
    >>> found["volume.value"].low, found["tone_capacitor.value"].high
    (200000.0, 2.42e-08)
    """
    coils = {f"{slot}.{coil}" for slot, pickup in rig.pickups.items() for coil in pickup.coils}
    kinds = {stage.name: stage.kind for stage in rig.chain} | {p.name: p.kind for p in rig.harness.parts.values()}
    found = {}
    for name, item in rig_inputs(rig).items():
        head, _, key = name.partition(".")
        shape, fraction = _default_of(item, kinds.get(head, ""), key, item.group in coils)
        if fraction and item.value:
            low, high = item.value * (1 - fraction), item.value * (1 + fraction)
            found[name] = Spread(name=name, shape=shape, low=low, high=high)
    return found


def _default_of(item: RigInput, kind: str, key: str, is_coil: bool) -> tuple[Shape, float]:
    if is_coil:
        return (
            next(
                ((shape, fraction) for name, shape, fraction, _ in DEFAULTS if re.fullmatch(name, f".{key}")),
                ("normal", 0.0),
            )
            if "eddy" not in key
            else ("normal", 0.0)
        )
    if key == "value":
        return "uniform", item.tolerance if item.tolerance is not None else RESISTOR_FRACTION
    if kind == "cable" and key == "capacitance":
        return "uniform", CABLE_FRACTION
    if kind in ("input", "valve input", "low-impedance input") and key in ("resistance", "leak"):
        return "uniform", INPUT_FRACTION
    return "uniform", 0.0


def parse_spread(item: RigInput, text: str) -> Spread:
    """Read a spread: ``"20 %"`` (uniform around the value), ``"normal 5 %"`` (95 % half-width), ``"4 m to 6 m"``.

    A word before it chooses the shape: uniform, normal or log-uniform.

    Raises
    ------
    InputError
        If the text is no spread of this number.

    >>> item = RigInput(name="cable.length", value=5.0, unit="m", group="cable")
    >>> parse_spread(item, "normal 10 %").high, parse_spread(item, "4 m to 6 m").low
    (5.5, 4.0)
    """
    words = text.replace("±", " ").strip()
    head, _, rest = words.partition(" ")
    shape = "uniform"
    if head and head[0].isalpha() and not rest.strip().startswith("to "):
        if head not in SHAPES:
            raise InputError(f"{item.name}: '{head}' is not a spread.{did_you_mean(head, SHAPES)}")
        shape, words = head, rest.strip()
    ends = re.split(r"\s+to\s+|\s*…\s*|\s*\.\.\s*", words)
    try:
        if len(ends) == 2:
            low, high = item.parse(ends[0]), item.parse(ends[1])
        elif words.endswith("%"):
            part = parse_quantity(words, "1")
            low, high = item.value * (1 - part), item.value * (1 + part)
        else:
            half = item.parse(words)
            low, high = item.value - half, item.value + half
    except QuantityError as error:
        raise InputError(
            f'{item.name}: \'{text}\' is not a spread; write "20 %", "normal 5 %" or "LOW to HIGH" ({error})'
        ) from None
    return Spread(name=item.name, shape=shape, low=min(low, high), high=max(low, high))  # type: ignore[arg-type]


def checked_spreads(rig: Rig, spreads: Mapping[str, Spread]) -> dict[str, Spread]:
    """Return the spreads in order, refusing ranges that parts cannot have."""
    inputs = rig_inputs(rig)
    for spread in spreads.values():
        low, _ = spread.range
        known = inputs.get(spread.name)
        if low < 0 and known is not None and known.value >= 0 and not spread.name.endswith("coupling"):
            raise InputError(f"{spread.name}: the spread reaches below 0 ({low:g}); narrow it")
    return dict(spreads)
