"""What a harness sheet claims for a position of its controls: which coils are heard, their phase, and the hum.

A claim is data, so that a test can hold a wiring to its words. The key of its table names the position:
``[claims.neck]`` where the harness has one switch, ``[claims."selector=both, phase=reversed"]`` for any controls, knobs
included (in the words of ``--set``), and ``[claims.always]`` for every position. Controls that a key does not name
stand in each of their positions (switches) or at their default (knobs).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from labkit.core.errors import InputError, did_you_mean
from labkit.core.sheet import Table
from labkit.rig.parts.parts import Control, Position, Selector

HumClaim = Literal["cancels", "reduces", "stays", "adds"]
PhaseClaim = Literal["in", "out"]

HUM_CLAIMS: tuple[HumClaim, ...] = ("cancels", "reduces", "stays", "adds")
PHASE_CLAIMS: tuple[PhaseClaim, ...] = ("in", "out")
ALWAYS = "always"


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What is claimed at some positions of the controls.

    Attributes
    ----------
    where : mapping of str to float or str
        Positions of the controls that the claim names; empty where it holds always.
    selects : tuple of str or None
        The pickups (``neck``) or coils (``neck.first``) heard; empty where the position is meant to be silent; None
        where nothing is claimed.
    phase : "in", "out" or None
        How the pickups heard (or the two coils of one) stand to each other.
    hum : "cancels", "reduces", "stays", "adds" or None
    """

    where: Mapping[str, Position]
    selects: tuple[str, ...] | None = None
    phase: PhaseClaim | None = None
    hum: HumClaim | None = None

    def holds_at(self, settings: Mapping[str, Position]) -> bool:
        """Say whether the claim is about these positions."""
        return all(settings.get(name) == position for name, position in self.where.items())

    def data(self) -> dict[str, Any]:
        """Return the keys of its table."""
        found = {"selects": None if self.selects is None else list(self.selects), "phase": self.phase, "hum": self.hum}
        return {key: value for key, value in found.items() if value is not None}

    def key(self, selectors: Sequence[Selector]) -> str:
        """Return the name of its table."""
        if not self.where:
            return ALWAYS
        if len(selectors) == 1 and list(self.where) == [selectors[0].name]:
            return str(self.where[selectors[0].name])
        return ", ".join(f"{name}={_written(position)}" for name, position in self.where.items())


def read_claims(table: Table, controls: Sequence[Control], slots: Sequence[str]) -> tuple[Claim, ...]:
    """Read the ``[claims.POSITION]`` tables of a harness sheet.

    Raises
    ------
    SheetError
        If a key names no control or position, a pickup is none of the harness's, or a table claims nothing.
    """
    return tuple(_read_claim(key, entry, controls, slots) for key, entry in table.each("claims", {}))


def _read_claim(key: str, entry: Table, controls: Sequence[Control], slots: Sequence[str]) -> Claim:
    where = entry.attempt("", lambda: read_place(key, controls))
    selects = entry.texts("selects", None)
    for name in selects or ():
        slot = name.partition(".")[0]
        if slot not in slots:
            entry.fail("selects", f"'{name}' names no pickup slot of this harness.{did_you_mean(slot, slots)}")
    claim = Claim(
        where=where,
        selects=selects,
        phase=entry.choice("phase", PHASE_CLAIMS, None),  # type: ignore[arg-type]
        hum=entry.choice("hum", HUM_CLAIMS, None),  # type: ignore[arg-type]
    )
    entry.done()
    if not claim.data():
        entry.fail("", "claims nothing; give at least one of selects, phase and hum")
    if selects == () and (claim.phase or claim.hum):
        entry.fail("selects", "is empty, so the position is silent and can claim neither phase nor hum")
    return claim


def read_place(key: str, controls: Sequence[Control]) -> dict[str, Position]:
    selectors = [control for control in controls if isinstance(control, Selector)]
    if len(selectors) == 1 and key in selectors[0].positions:
        return {selectors[0].name: key}
    if key == ALWAYS:
        return {}
    if "=" not in key:
        known = [*selectors[0].positions, ALWAYS] if len(selectors) == 1 else [ALWAYS]
        raise InputError(
            f"'{key}' is no position here; write a position of the only switch, CONTROL=POSITION (several with commas) "
            f"or '{ALWAYS}'.{did_you_mean(key, known)}"
        )
    where: dict[str, Position] = {}
    for entry in key.split(","):
        name, _, text = (word.strip() for word in entry.partition("="))
        control = next((found for found in controls if found.name == name), None)
        if control is None:
            raise InputError(f"there is no control '{name}'.{did_you_mean(name, [each.name for each in controls])}")
        if name in where:
            raise InputError(f"the control '{name}' is named twice")
        where[name] = control.check(text)
    return where


def _written(position: Position) -> str:
    return f"{position:g}" if isinstance(position, float) else str(position)
