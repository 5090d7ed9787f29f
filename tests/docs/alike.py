"""Comparison of generated texts that forgives the last digit, which differs between processors."""

from __future__ import annotations

import re

NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def alike(first: str, second: str, *, tolerance: float) -> bool:
    """Say whether two texts agree but for numbers that differ by no more than the tolerance."""
    if NUMBER.sub("#", first) != NUMBER.sub("#", second):
        return False
    return all(
        abs(float(a) - float(b)) <= tolerance
        for a, b in zip(NUMBER.findall(first), NUMBER.findall(second), strict=True)
    )
