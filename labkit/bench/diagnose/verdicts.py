"""`Finding` and `Verdict`: what a comparison of readings with a plan says, for people and as data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from labkit.core.sourced import Interval

CONFIDENT = 0.9
"""At and above this a cause is called likely; it then has no rival worth a tenth of its weight."""

PROBABLE = 0.5

Tier = Literal["passes", "read again", "fault"]


def word_for(confidence: float) -> str:
    """Return ``likely``, ``probable`` or ``possible``.

    >>> word_for(0.95), word_for(0.6), word_for(0.1)
    ('likely', 'probable', 'possible')
    """
    if confidence >= CONFIDENT:
        return "likely"
    return "probable" if confidence >= PROBABLE else "possible"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One cause that explains the readings.

    Attributes
    ----------
    cause, size : str
        What, and how much of it explains the readings best.
    confidence : float
        0 … 1, shared with the rivals.
    evidence : tuple of str
        Readings that speak for it.
    check : str
        What would settle it.
    note : str
    rivals : tuple of str
        Other causes that explain the readings too.
    """

    cause: str
    confidence: float
    evidence: tuple[str, ...]
    check: str
    size: str = ""
    note: str = ""
    rivals: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {
            "cause": self.cause,
            "size": self.size,
            "confidence": self.confidence,
            "word": word_for(self.confidence),
            "evidence": list(self.evidence),
            "check": self.check,
            "note": self.note,
            "rivals": list(self.rivals),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedReading:
    """One reading with the bounds (95 %) that plan and meter allow it, in ``unit``."""

    quantity: str
    unit: str
    low: float
    high: float
    reading: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargeReading:
    """How much magnetisation a field reading says is left (1 is saturated), with its bounds and doubts."""

    pole: str
    charge: Interval
    warnings: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """The charge as a person says it.

        >>> ChargeReading(pole="3", charge=Interval(value=0.61, low=0.5, high=0.74)).sentence
        'charge of the magnet at pole 3: 61 % of saturation (50 to 74 %)'
        """
        bounds = f"{100 * self.charge.low:.0f} to {100 * self.charge.high:.0f} %"
        at = f" at pole {self.pole}" if self.pole else ""
        return f"charge of the magnet{at}: {100 * self.charge.value:.0f} % of saturation ({bounds})"

    def as_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {"pole": self.pole, "charge": self.charge.as_dict(), "warnings": list(self.warnings)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """All findings about one pickup, most confident first, and the readings they rest on.

    ``tier`` says whether the readings pass, are odd enough to be read again (as good parts are now and then), or show a
    fault. ``charges`` follow from field readings where the plan is a build with one row of rod magnets.
    """

    plan: str
    readings: str
    findings: tuple[Finding, ...]
    compared: tuple[str, ...]
    tier: Tier
    lines: tuple[JudgedReading, ...] = ()
    charges: tuple[ChargeReading, ...] = ()

    @property
    def passes(self) -> bool:
        """Whether the readings together lie within the plan's tolerance and nothing was found."""
        return self.tier == "passes"

    def as_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {
            "plan": self.plan,
            "readings": self.readings,
            "passes": self.passes,
            "tier": self.tier,
            "compared": list(self.compared),
            "findings": [finding.as_dict() for finding in self.findings],
            "charge": [charge.as_dict() for charge in self.charges],
        }

    def text(self) -> str:
        """Return the verdict as a person reads it."""
        lines = [f"{self.readings} against {self.plan}", ""]
        lines += [f"  {sentence}" for sentence in self.compared]
        for charge in self.charges:
            lines += [f"  {charge.sentence}", *(f"    {warning}" for warning in charge.warnings)]
        if not self.findings:
            return "\n".join([*lines, "", "Within the plan's tolerances." if self.passes else "No cause was found."])
        if lines[-1]:
            lines.append("")
        if self.tier == "read again":
            lines += ["Read again before anything is called a fault: a good part reads like this now and then.", ""]
        for finding in self.findings:
            size = f" ({finding.size})" if finding.size else ""
            lines.append(
                f"{word_for(finding.confidence).capitalize()} ({finding.confidence:.0%}): {finding.cause}{size}"
            )
            if finding.note:
                lines.append(f"  {finding.note}")
            lines += [f"  - {sentence}" for sentence in finding.evidence]
            if finding.rivals:
                lines.append(f"  also explained by: {', '.join(finding.rivals)}")
            if finding.check:
                lines.append(f"  to settle it: {finding.check}")
        return "\n".join(lines)
