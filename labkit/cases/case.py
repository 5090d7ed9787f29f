"""`Case`: one outside check: a claim, where it is written, what was put in, what must come out, and how closely."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
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

    @property
    def tolerance_text(self) -> str:
        """The tolerance in words: ``±2 %``, ``±0.5`` or ``at most``."""
        if self.tolerance_kind == "relative":
            return f"±{self.tolerance * 100:.3g} %"
        return "at most" if self.tolerance_kind == "at most" else f"±{self.tolerance:.3g}"

    def is_met(self, got: float) -> bool:
        """Say whether a result lies within the tolerance."""
        if self.tolerance_kind == "relative":
            return abs(got - self.value) <= self.tolerance * abs(self.value)
        if self.tolerance_kind == "absolute":
            return abs(got - self.value) <= self.tolerance
        return got <= self.value


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
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

    def __repr__(self) -> str:
        return f"<Case '{self.id}' of {self.model}, {self.role}: {self.claim}>"

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{escape(found.quantity)}</td><td>{found.value:.6g} {escape(found.unit)}</td>"
            f"<td>{escape(found.tolerance_text)}</td></tr>"
            for found in self.expected
        )
        about = f"{self.claim} Source: {self.source} ({self.how}; {self.role}). Tolerance: {self.tolerance_reason}"
        more = "".join(f"<p>{name}: {escape(words)}</p>" for name, words in self._remarks if words)
        return (
            f"<p><strong>{escape(self.id)}</strong></p><p>{escape(about)}</p>{more}<table><thead><tr><th>quantity</th>"
            f"<th>expected</th><th>tolerance</th></tr></thead><tbody>{rows}</tbody></table>"
        )

    @property
    def _remarks(self) -> tuple[tuple[str, str], ...]:
        return ("Doubt", self.doubt), ("Known gap", self.known_gap)


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
