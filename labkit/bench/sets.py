"""Sets of pickups: level balance, hum of pairs, and which coils of a batch belong together."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from labkit.bench.diagnose.meter import are_in_phase, cancel_hum, hum_residual_db
from labkit.core.errors import InputError
from labkit.pickup.electrical import Coil

LEVEL_TOLERANCE_DB = 1.5
"""Levels of a set within 1 to 2 dB at final heights count as balanced (common practice, no source)."""

HUM_TOLERANCE = 0.02
"""Coils of a pair within 1 to 2 % for hum (common practice, no source): 2 % leaves −34 dB of one coil."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelBalance:
    """How far each pickup of a set is from the middle of the set, dB, and what would balance it.

    Attributes
    ----------
    offset_db : mapping of str to float
        Level minus the mean of the highest and the lowest.
    spread_db : float
        Highest minus lowest.
    is_balanced : bool
    advice : tuple of str
    """

    offset_db: Mapping[str, float]
    spread_db: float
    is_balanced: bool
    advice: tuple[str, ...]


def level_balance(level_db: Mapping[str, float], *, tolerance_db: float = LEVEL_TOLERANCE_DB) -> LevelBalance:
    """Compare the levels of a set, measured or predicted at final heights with the same input.

    Parameters
    ----------
    level_db : mapping of position to float, dB
        All against the same reference; the string's larger swing at the neck must be inside (play the same note).
    tolerance_db : float

    Raises
    ------
    InputError
        If fewer than two levels are given.

    >>> level_balance({"neck": 0.0, "bridge": -3.0}).is_balanced
    False
    """
    if len(level_db) < 2:
        raise InputError(f"a balance needs at least two pickups; got {len(level_db)}")
    highest, lowest = max(level_db.values()), min(level_db.values())
    middle = (highest + lowest) / 2
    offsets = {name: level - middle for name, level in level_db.items()}
    spread = highest - lowest
    advice = []
    if spread > tolerance_db:
        for name, offset in offsets.items():
            if abs(offset) > tolerance_db / 2:
                turns = 10 ** (-offset / 20)
                advice.append(
                    f"{name} is {offset:+.1f} dB from the middle of the set: "
                    f"{'lower' if offset > 0 else 'raise'} it first; "
                    f"the same by turns would be {100 * (turns - 1):+.0f} %, which moves inductance "
                    f"{100 * (turns**2 - 1):+.0f} %"
                )
    return LevelBalance(offset_db=offsets, spread_db=spread, is_balanced=spread <= tolerance_db, advice=tuple(advice))


@dataclass(frozen=True, slots=True, kw_only=True)
class PairVerdict:
    """What two coils or pickups do together.

    Attributes
    ----------
    in_phase : bool or None
        Add up for the same string motion; None where wind or pole is not known.
    hum_cancels : bool or None
    hum_db : float
        Hum left over, dB re one coil, if they are opposed: from the mismatch of turns × area.
    mismatch : float
        Relative difference in turns × area (from turns and area where known, else from the square root of inductance).
    within : bool
    sentences : tuple of str
    """

    in_phase: bool | None
    hum_cancels: bool | None
    hum_db: float
    mismatch: float
    within: bool
    sentences: tuple[str, ...]


def pair_verdict(first: Coil, second: Coil, *, tolerance: float = HUM_TOLERANCE) -> PairVerdict:
    """Judge two coils as a hum-cancelling pair (the two of one pickup, or neck and middle of a set)."""
    known = None not in (first.wound, second.wound, first.facing, second.facing)
    in_phase = are_in_phase(first, second) if known else None
    cancels = cancel_hum(first, second)
    mismatch = hum_pickup(second) / hum_pickup(first) - 1
    said = []
    if in_phase is False:
        said.append("out of phase: exchange the leads of one, or turn its magnet (the hum then changes too)")
    if cancels is False and in_phase:
        said.append("in phase but hum adds: both wind and pole of one must be opposite to the other's")
    if not known:
        said.append(
            "wind and pole of both must be known to tell phase and hum: compass, and the first swing with steel"
        )
    residual = hum_residual_db(mismatch=mismatch)
    if abs(mismatch) > tolerance:
        said.append(
            f"turns × area differ by {100 * abs(mismatch):.1f} %: hum is {-residual:.0f} dB below one coil at best, "
            f"{-hum_residual_db(mismatch=tolerance):.0f} dB are wanted"
        )
    return PairVerdict(
        in_phase=in_phase,
        hum_cancels=cancels,
        hum_db=residual,
        mismatch=mismatch,
        within=abs(mismatch) <= tolerance and in_phase is not False and cancels is not False,
        sentences=tuple(said),
    )


def hum_pickup(coil: Coil) -> float:
    """Return turns × area where both are known, else the square root of inductance (equal bobbins and cores)."""
    if coil.turns is not None and coil.area is not None:
        return coil.turns * coil.area
    return coil.turns if coil.turns is not None else math.sqrt(coil.inductance)


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """Two coils of a batch that belong together, and how far they differ."""

    first: str
    second: str
    difference: float


def match_pairs(
    coils: Mapping[str, Coil], *, tolerance: float = HUM_TOLERANCE
) -> tuple[tuple[Match, ...], tuple[str, ...]]:
    """Pair the coils of a batch so that the differences in turns × area are smallest; returns pairs and leftovers.

    Sorted along one number, neighbours make the pairing with the smallest sum of differences. With an odd number the
    coil whose absence helps most is left over; pairs beyond the tolerance are broken up.

    >>> a, b, c = (Coil(resistance=4e3, inductance=x) for x in (2.0, 2.02, 2.5))
    >>> [(m.first, m.second) for m in match_pairs({"a": a, "b": b, "c": c})[0]]
    [('a', 'b')]
    """
    ordered = sorted(coils, key=lambda name: hum_pickup(coils[name]))
    best: list[Match] | None = None
    for left in range(0, len(ordered), 2) if len(ordered) % 2 else [None]:
        rest = [name for index, name in enumerate(ordered) if index != left]
        pairs = [_match(coils, rest[i], rest[i + 1]) for i in range(0, len(rest), 2)]
        if best is None or sum(m.difference for m in pairs) < sum(m.difference for m in best):
            best = pairs
    kept = tuple(match for match in best or [] if match.difference <= tolerance)
    paired = {name for match in kept for name in (match.first, match.second)}
    return kept, tuple(name for name in ordered if name not in paired)


def _match(coils: Mapping[str, Coil], first: str, second: str) -> Match:
    ratio = hum_pickup(coils[second]) / hum_pickup(coils[first])
    return Match(first=first, second=second, difference=abs(ratio - 1))


def set_phases(coils: Mapping[str, Coil]) -> tuple[tuple[str, str, str, str], ...]:
    """Return rows (first, second, phase, hum) for every two coils of a set, in words."""
    names = list(coils)
    rows = []
    for i, first in enumerate(names):
        for second in names[i + 1 :]:
            verdict = pair_verdict(coils[first], coils[second])
            phase = {True: "in phase", False: "out of phase", None: "not known"}[verdict.in_phase]
            hum = {True: "cancels", False: "adds", None: "not known"}[verdict.hum_cancels]
            rows.append((first, second, phase, hum))
    return tuple(rows)
