"""Check functions by topic: each takes the inputs of a case and returns the quantities it can expect."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from labkit.cases.checks import bench, built, coils, listening, loads, magnets, metal, parts, string_wire, strings

CHECKS: dict[str, Callable[[Mapping[str, Any]], Mapping[str, float]]] = {
    **loads.CHECKS,
    **coils.CHECKS,
    **magnets.CHECKS,
    **built.CHECKS,
    **metal.CHECKS,
    **parts.CHECKS,
    **bench.CHECKS,
    **string_wire.CHECKS,
    **strings.CHECKS,
    **listening.CHECKS,
}
"""Every built-in check."""
