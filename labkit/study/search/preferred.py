"""Preferred values of resistors and capacitors: the E series between two limits.

Source: IEC 60063; E6, E12 and E24 as printed there, E48 and E96 by its rule 10^(n/48) and 10^(n/96) rounded to three
digits.
"""

from __future__ import annotations

import math
from decimal import Decimal

from labkit.core.errors import InputError, did_you_mean

_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)

SERIES: dict[str, tuple[int, ...]] = {
    "E3": tuple(value * 10 for value in _E24[::8]),
    "E6": tuple(value * 10 for value in _E24[::4]),
    "E12": tuple(value * 10 for value in _E24[::2]),
    "E24": tuple(value * 10 for value in _E24),
    "E48": tuple(round(100 * 10 ** (step / 48)) for step in range(48)),
    "E96": tuple(round(100 * 10 ** (step / 96)) for step in range(96)),
}
"""Values of one decade, times 100."""


def preferred_values(series: str, low: float, high: float) -> tuple[float, ...]:
    """Return the values of a series between two limits, both included.

    Parameters
    ----------
    series : str
        ``E3`` … ``E96``.
    low, high : float, SI
        Above 0.

    Raises
    ------
    InputError
        If the series is unknown or the limits hold no value.

    >>> preferred_values("E6", 1e-9, 1e-8)
    (1e-09, 1.5e-09, 2.2e-09, 3.3e-09, 4.7e-09, 6.8e-09, 1e-08)
    """
    if series not in SERIES:
        raise InputError(f"'{series}' is no series of preferred values.{did_you_mean(series, SERIES)}")
    if not 0 < low <= high < math.inf:
        raise InputError(f"a series needs limits above 0, the lower one first; got {low:g} to {high:g}")
    found = []
    for decade in range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1):
        # In decimals, so that 4.7 nF is the same number as "4.7 nF" in a sheet.
        found += [float(Decimal(value).scaleb(decade - 2)) for value in SERIES[series]]
    # Limits are often values themselves: a rounding error must not lose them.
    inside = tuple(value for value in found if low * (1 - 1e-9) <= value <= high * (1 + 1e-9))
    if not inside:
        raise InputError(f"{series} has no value between {low:g} and {high:g}; widen the limits")
    return inside
