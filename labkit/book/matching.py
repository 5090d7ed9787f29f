"""Pairs and sets from what was measured: which coils belong together, and what a set does for level, hum and phase.

Turns × area is told from the measured inductance (its square root, for coils of one design); wind and pole are those of
the design, and only compass and first swing tell whether the coil was made so. `labkit.bench.sets` judges.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from labkit.bench.diagnose.meter import expected_lcr, hum_residual_db
from labkit.bench.diagnose.readings import Plan, plan_from_table
from labkit.bench.sets import (
    HUM_TOLERANCE,
    LevelBalance,
    Match,
    PairVerdict,
    hum_pickup,
    level_balance,
    match_pairs,
    pair_verdict,
)
from labkit.book.history import CoilLine
from labkit.book.records import LEADS, QUANTITIES, CoilReading, Design
from labkit.book.store import Book
from labkit.core.errors import InputError
from labkit.core.sheet import parse_sheet
from labkit.pickup.electrical import Coil

METER_HZ = 1000.0
"""At which the plan's inductance is taken for the ratio to a measured one."""


MATCH_DOUBT = QUANTITIES["inductance"].repeat / math.sqrt(2)
"""Standard deviation of the ratio of two measured turns × area: half of each inductance's own, twice."""


def hum_left_db(match: Match) -> float:
    """Return the hum of a pair over one coil alone, dB: of what was measured, and of what may have been measured wrong.

    >>> round(hum_left_db(Match(first="a", second="b", difference=0.0)))
    -53
    """
    return hum_residual_db(mismatch=math.hypot(match.difference, MATCH_DOUBT))


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilSet:
    """Coils that are to work together.

    Attributes
    ----------
    names : tuple of str
    levels : LevelBalance or None
        From inductance, and field where it was read; None where a design's output is not predicted.
    pairs : tuple of (str, str, PairVerdict)
        Every two of them.
    warnings : tuple of str
        What was not measured.
    """

    names: tuple[str, ...]
    levels: LevelBalance | None
    pairs: tuple[tuple[str, str, PairVerdict], ...]
    warnings: tuple[str, ...]

    @property
    def level_rows(self) -> tuple[tuple[str, str], ...]:
        """Each coil and its level from the middle of the set, in words; empty where levels are not predicted."""
        offsets = {} if self.levels is None else self.levels.offset_db
        return tuple((name, f"{round(off, 1) + 0.0:+.1f} dB") for name, off in offsets.items())

    @property
    def pair_rows(self) -> tuple[tuple[str, str, str, str], ...]:
        """Every two coils, their phase, their hum, and how far turns × area are apart, in words."""
        phase = {True: "in phase", False: "out of phase", None: "phase not known"}
        hum = {True: "hum cancels", False: "hum adds", None: "hum not known"}
        return tuple(
            (f"{a} and {b}", phase[each.in_phase], hum[each.hum_cancels], f"{100 * abs(each.mismatch):.1f} % apart")
            for a, b, each in self.pairs
        )

    @property
    def sentences(self) -> tuple[str, ...]:
        """Advice on levels, what is to be said of every pair, what was not measured, and what rests on designs."""
        level = ("level: the output of a design is not predicted",) if self.levels is None else self.levels.advice
        pairs = [sentence for _, _, each in self.pairs for sentence in each.sentences]
        designs = "wind and pole are those of the designs; compass and first swing tell"
        return tuple(dict.fromkeys([*level, *pairs, *self.warnings, designs]))


def can_be_matched(line: CoilLine) -> bool:
    """Whether a coil is good, still in the workshop, and its inductance was read."""
    coil = line.coil
    return coil.state == "good" and coil.void_reason is None and coil.left_on is None and "inductance" in line.values


def book_pairs(
    lines: Iterable[CoilLine], others: Iterable[CoilLine] | None = None, *, tolerance: float = HUM_TOLERANCE
) -> tuple[tuple[Match, ...], tuple[str, ...]]:
    """Return the coils that belong together and those that are left over.

    Parameters
    ----------
    lines : iterable of CoilLine
        Coils of one kind; those that `can_be_matched` are taken.
    others : iterable of CoilLine, optional
        The second coils of the pairs, such as those of the opposite wind and pole; among ``lines`` where absent.
    tolerance : float
        Of turns × area, 1 = 100 %.

    Raises
    ------
    InputError
        If fewer than two coils can be matched.
    """
    first = _coils(lines)
    second = None if others is None else {name: coil for name, coil in _coils(others).items() if name not in first}
    if len(first) + len(second or {}) < 2 or second == {}:
        raise InputError(
            "a pair needs two good coils in the workshop whose inductance was read; "
            f"found {len(first) + len(second or {})}"
        )
    if second is None:
        return match_pairs(first, tolerance=tolerance)
    from scipy.optimize import linear_sum_assignment

    names, far = list(first), list(second)
    turns = np.array([hum_pickup(first[name]) for name in names])
    ratio = np.array([hum_pickup(second[name]) for name in far])[None, :] / turns[:, None]
    cost = np.minimum(np.abs(ratio - 1), 10 * tolerance)  # a hopeless coil does not spoil the others' pairs
    rows, places = linear_sum_assignment(cost)
    kept = tuple(
        Match(first=names[row], second=far[place], difference=float(abs(ratio[row, place] - 1)))
        for row, place in zip(rows, places)
        if abs(ratio[row, place] - 1) <= tolerance
    )
    paired = {name for match in kept for name in (match.first, match.second)}
    return kept, tuple(name for name in (*names, *far) if name not in paired)


def _coils(lines: Iterable[CoilLine]) -> dict[str, Coil]:
    plans: dict[str, Plan] = {}
    return {line.name: _measured(line, _plan(line.design, plans))[0] for line in lines if can_be_matched(line)}


def _plan(design: Design, plans: dict[str, Plan]) -> Plan:
    if design.uid not in plans:
        plans[design.uid] = plan_from_table(parse_sheet(design.sheet, design.title, kinds=("pickup",)))
    return plans[design.uid]


def _measured(line: CoilLine, plan: Plan) -> tuple[Coil, float]:
    """The coil of the design with its inductance as measured, and the ratio of that to the plan.

    Two coils at their common leads have neither wind nor pole: hum cancels inside the pickup.
    """
    coils = plan.pickup.coils
    if line.coil.coil != LEADS:
        coil = coils[line.coil.coil]
        ratio = line.values["inductance"] / coil.inductance
    else:
        coil = next(iter(coils.values()))
        shown = expected_lcr(plan.pickup, METER_HZ).series_inductance
        ratio = line.values["inductance"] / shown
        if len(coils) > 1:
            coil = replace(coil, inductance=shown, turns=None, area=None, facing=None, wound=None)
    turns = None if coil.turns is None or coil.area is None else coil.turns * math.sqrt(ratio)
    return replace(coil, inductance=coil.inductance * ratio, turns=turns), ratio


def coil_set(book: Book, lines: Sequence[CoilLine], positions: Sequence[str] = ()) -> CoilSet:
    """Return what coils do as a set.

    Parameters
    ----------
    book : Book
    lines : sequence of CoilLine
        Two or more.
    positions : sequence of str
        What to call each, such as neck, middle, bridge; their numbers where empty.

    Raises
    ------
    InputError
        If there are fewer than two, or the inductance of one was not read.
    """
    if len(lines) < 2:
        raise InputError(f"a set needs at least two coils; got {len(lines)}")
    if positions and len(positions) != len(lines):
        raise InputError(f"a set of {len(lines)} coils has {len(lines)} places; got {len(positions)}")
    names = tuple(positions) if positions else tuple(line.name for line in lines)
    plans: dict[str, Plan] = {}
    coils: dict[str, Coil] = {}
    levels: dict[str, float] = {}
    warnings = []
    for name, line in zip(names, lines):
        if "inductance" not in line.values:
            raise InputError(f"coil {line.name}: its inductance was not read, so it cannot be matched")
        plan = _plan(line.design, plans)
        coils[name], ratio = _measured(line, plan)
        output = None if plan.built is None else plan.built.output_db
        if output is not None:
            field_db = _field_db(book, line, plan)
            levels[name] = output.value + 10 * math.log10(ratio) + (field_db or 0.0)
            if field_db is None:
                warnings.append(f"{name}: its field was not read in tesla or gauss, so it is taken as planned")
    return CoilSet(
        names=names,
        levels=level_balance(levels) if len(levels) == len(lines) else None,
        pairs=_pairs(coils),
        warnings=tuple(warnings),
    )


def _field_db(book: Book, line: CoilLine, plan: Plan) -> float | None:
    """Field over that of the plan at the same gap and pole, dB, the mean of the newest session."""
    read = book.records(
        CoilReading, "coil = ? and quantity = 'field' and unit = 'T' and void_reason is null", [line.coil.uid]
    )
    levels = []
    for each in read:
        planned = plan.planned_field(each.gap_m or 0.0, "" if each.pole is None else str(each.pole))
        if each.session == read[-1].session and planned is not None:
            levels.append(20 * math.log10(each.value / planned))
    return sum(levels) / len(levels) if levels else None


def _pairs(coils: Mapping[str, Coil]) -> tuple[tuple[str, str, PairVerdict], ...]:
    names = list(coils)
    return tuple(
        (first, second, pair_verdict(coils[first], coils[second]))
        for index, first in enumerate(names)
        for second in names[index + 1 :]
    )
