"""`Case`: one outside check: a claim, where it is written, what was put in, what must come out, and how closely."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from labkit.core.sheet import Table

Role = Literal["validation", "calibration"]
ToleranceKind = Literal["relative", "absolute", "at most"]
HOW = ("read", "digitised", "derived", "from memory", "common practice", "calculated", "measured")


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """One number as printed, with the tolerance it must be met within.

    ``tolerance_kind`` "relative" allows |got/value − 1| ≤ tolerance, "absolute" |got − value| ≤ tolerance (same unit),
    "at most" got ≤ value.
    """

    quantity: str
    value: float
    unit: str
    tolerance: float
    tolerance_kind: ToleranceKind

    def is_met(self, got: float) -> bool:
        """Say whether a result lies within the tolerance."""
        if self.tolerance_kind == "relative":
            return abs(got - self.value) <= self.tolerance * abs(self.value)
        if self.tolerance_kind == "absolute":
            return abs(got - self.value) <= self.tolerance
        return got <= self.value


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """An outside check.

    Attributes
    ----------
    id, claim, source, model : str
        ``model`` is the part of labkit it holds to account (circuit, loads, winding, …).
    how : str
        How the number was obtained; one of `HOW`.
    role : "validation" or "calibration"
        A case that was used to choose a constant is calibration, never validation of it.
    check : str
        Name of the check function that computes the quantities from ``inputs``.
    tolerance_reason : str
    known_gap : str
        Why the case is expected to fail today; empty for cases that must hold.
    """

    id: str
    claim: str
    source: str
    model: str
    how: str
    role: Role
    check: str
    inputs: Mapping[str, Any]
    expected: tuple[Expected, ...]
    tolerance_reason: str
    doubt: str = ""
    known_gap: str = ""


def read_case(table: Table) -> Case:
    """Read a ``case`` sheet or one of its entries."""
    table.allow("sheet", "format", "summary", "note")
    name = table.text("name", expected="the id of the case")
    fields = {key: table.text(key) for key in ("claim", "source", "model", "check", "tolerance_reason")}
    how = table.choice("how", HOW)
    role = table.choice("role", ("validation", "calibration"))
    doubt, gap = table.text("doubt", ""), table.text("known_gap", "")
    inputs = table.table("inputs", {}).data
    expected = []
    for entry in table.tables("expected"):
        expected.append(
            Expected(
                quantity=entry.text("quantity"),
                value=entry.number("value"),
                unit=entry.text("unit", expected='a unit ("1" for a pure number)'),
                tolerance=entry.number("tolerance", 0.0, low=0.0),
                tolerance_kind=entry.choice("tolerance_kind", ("relative", "absolute", "at most"), "relative"),  # type: ignore[arg-type]
            )
        )
        entry.done()
    if not expected:
        table.fail("expected", "a case needs at least one expected number ([[expected]])")
    table.done()
    return Case(
        id=name,
        how=how,
        role=role,  # type: ignore[arg-type]
        doubt=doubt,
        known_gap=gap,
        inputs=inputs,
        expected=tuple(expected),
        **fields,
    )
