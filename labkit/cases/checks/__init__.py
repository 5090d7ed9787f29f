"""Check functions by topic: each takes the inputs of a case and returns the quantities it can expect.

A check is a public function of a module here; cases call it by its name, with blanks for underscores.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from labkit.cases.checks import bench, built, coils, listening, loads, magnets, metal, parts, string_wire, strings

_SPELT = {"twin_t": "twin-T", "self_resonance": "self-resonance"}

CHECKS: Mapping[str, Callable[[Mapping[str, Any]], Mapping[str, float]]] = {
    _SPELT.get(name, name.replace("_", " ")): thing
    for module in (loads, coils, magnets, built, metal, parts, bench, string_wire, strings, listening)
    for name, thing in vars(module).items()
    if not name.startswith("_") and getattr(thing, "__module__", "") == module.__name__
}
"""Every built-in check."""
