"""Coils over the months: each against its plan, limits from the workshop's own scatter, capability.

What is drawn is the logarithm of reading over plan, at the temperature and frequency of the reading, so a spool, a
session or a machine that is off shows as a step. Limits hold for coils of one spool: three standard deviations about
the middle of its first coils, so that what changes later stands out, and wider by what that middle itself may be off.
The deviation comes from the middle one of the differences between neighbours, which a few faulty coils do not widen.
That individual values are charted by their moving ranges is in ISO 7870-2:2013 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise

import numpy as np

from labkit.bench.fit.fixture import Load
from labkit.book.cells import COLUMNS, EntryValue
from labkit.book.entry import BatchHeading, as_readings, expected_by
from labkit.book.evidence import BookCoil, ReadingEvidence, book_evidence
from labkit.book.records import QUANTITIES, Design
from labkit.book.store import Book
from labkit.core.errors import InputError, did_you_mean
from labkit.core.sourced import Interval
from labkit.pickup.predict.propagation import COVERAGE

FEWEST_FOR_LIMITS = 6
"""Coils of one spool from which limits are drawn; below, their own doubt is larger than what they would find."""

FEWEST_FOR_CAPABILITY = 25
"""Coils from which a capability is given (common practice, no source); its interval is still some ± 30 %."""

RUN = 8
"""Coils in a row on one side of the middle that are pointed out (one chance in 128 for coils that only scatter)."""

_MEDIAN = math.pi / 2
"""Variance of a median of normal values over that of their mean."""

MIDDLE_DIFFERENCE = 0.9539
"""Median of the difference of two normal values, over their standard deviation: √2·0.6745."""

FEWEST_OF_A_STEP = 3
"""Coils of a session or machine, and beside it, that are needed to say that it is off by more than three deviations."""

MOST_NAMED = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPoint:
    """A coil on the chart.

    Attributes
    ----------
    serial : str
    month : float
        When it was wound, months since 2000.
    spool, machine, session : str
        Label, label, and what the session is called; empty where not said.
    off : float
        ln(reading/plan); of a height, dB.
    left_out : str
        Why it does not count for middle, limits and capability; empty for a good coil.
    is_outside : bool
        Outside the limits of its spool.
    """

    serial: str
    month: float
    spool: str
    machine: str
    session: str
    off: float
    left_out: str
    is_outside: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SpoolRun:
    """Coils that were wound one after the other from one spool: the middle of the first six, and limits about it."""

    spool: str
    first: str
    last: str
    count: int
    middle: float
    limits: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A quantity of a design over the months.

    Attributes
    ----------
    design, quantity : str
    points : tuple of ChartPoint
        In the order of winding.
    runs : tuple of SpoolRun
    deviation : float or None
        Standard deviation of coils of one spool; None with too few.
    capability : Interval or None
        How often the overall scatter fits between the plan's tolerance and the mean, over three standard deviations
        (1 just fits), with 95 % bounds; None below `FEWEST_FOR_CAPABILITY` coils.
    tolerance : float
        That it is counted against, as a ratio.
    sentences : tuple of str
        What stands out.
    """

    design: str
    quantity: str
    points: tuple[ChartPoint, ...]
    runs: tuple[SpoolRun, ...]
    deviation: float | None
    capability: Interval | None
    tolerance: float
    sentences: tuple[str, ...]


def chart(book: Book, design: str, quantity: str = "resistance", *, tolerance: float = 0.05) -> Chart:
    """Return a design's coils against their plan.

    Parameters
    ----------
    book : Book
    design : str
        Its name; every version is held against its own plan.
    quantity : str
        A key of `QUANTITIES` that the plan predicts.
    tolerance : float
        Of the finished coil, as a ratio, for the capability; ± 5 % in house is common practice (no source).

    Raises
    ------
    InputError
        If there is no such design, or the quantity is not known or never read.
    """
    book.design(design)
    if quantity not in QUANTITIES:
        raise InputError(f"'{quantity}' is no quantity of a coil.{did_you_mean(quantity, QUANTITIES)}")
    if not 0 < tolerance < 1:
        raise InputError(f"the tolerance must be above 0 and below 100 %; got {100 * tolerance:g} %")
    versions = {each.uid: each for each in book.records(Design, "name = ?", [design])}
    said = book_evidence(book, designs=list(versions))
    sessions = {uid: label or at[:10] for uid, label, at in book.query("select uid, label, started_at from session")}
    machines = dict(book.query("select uid, label from machine"))
    plans = _Plans(versions)
    points = []
    for coil in sorted(said.coils, key=lambda each: (each.month, each.order)):
        read = next((each for each in coil.readings if each.quantity == quantity and not each.is_marks), None)
        planned = None if read is None or math.isinf(read.value) else plans.planned(coil, read)
        if read is None or planned is None:
            continue
        points.append(
            ChartPoint(
                serial=coil.serial,
                month=coil.month,
                spool="" if coil.spool is None else said.spools[coil.spool].label,
                machine="" if coil.machine is None else machines[coil.machine],
                session=sessions[read.session],
                off=read.value - planned if quantity == "height" else math.log(read.value) - planned,
                left_out=coil.left_out,
            )
        )
    if not points:
        raise InputError(
            f"no coil of '{design}' has a {QUANTITIES[quantity].words} that its plan predicts; ask for another quantity"
        )
    return _drawn(points, design, quantity, tolerance)


class _Plans:
    """What the plan expects of a reading, worked out once for each way to read."""

    def __init__(self, designs: dict[str, Design]) -> None:
        self.designs = designs
        self.known: dict[tuple[object, ...], float | None] = {}
        self.columns = {kind.quantity: key for key, kind in reversed(tuple(COLUMNS.items())) if kind.quantity}

    def planned(self, coil: BookCoil, read: ReadingEvidence) -> float | None:
        load = Load(resistance=read.load_ohm or math.inf, capacitance=read.load_farad or 0.0)
        key = (coil.design, coil.coil, read.quantity, read.hz, load, read.gap_m, read.pole, read.celsius)
        if key not in self.known:
            heading = BatchHeading(
                design=self.designs[coil.design],
                coil=coil.coil,
                celsius=read.celsius,
                hz=read.hz or 1000.0,
                load=load,
                gap_m=read.gap_m,
                pole=read.pole,
            )
            values = [EntryValue(column=self.columns[read.quantity], value=read.value, unit="", text="")]
            if read.quantity == "height":
                values.append(EntryValue(column="peak", value=4e3, unit="Hz", text=""))
            found = expected_by(heading.plan())(as_readings(heading, tuple(values), coil.serial))
            self.known[key] = found[0].planned if found else None
        return self.known[key]


def _drawn(points: list[ChartPoint], design: str, quantity: str, tolerance: float) -> Chart:
    grouped = [list(group) for _, group in groupby(points, key=lambda each: each.spool)]
    good = [[each.off for each in group if not each.left_out] for group in grouped]
    differences = [abs(b - a) for values in good for a, b in pairwise(values)]
    enough = len(differences) >= FEWEST_FOR_LIMITS - 1
    deviation = float(np.median(differences)) / MIDDLE_DIFFERENCE if enough else None
    runs, drawn = [], []
    for group, values in zip(grouped, good):
        middle = float(np.median((values or [each.off for each in group])[:FEWEST_FOR_LIMITS]))
        limits = None
        if deviation is not None and len(values) >= FEWEST_FOR_LIMITS:
            half = 3 * deviation * math.sqrt(1 + _MEDIAN / FEWEST_FOR_LIMITS)
            limits = (middle - half, middle + half)
        runs.append(
            SpoolRun(
                spool=group[0].spool,
                first=group[0].serial,
                last=group[-1].serial,
                count=len(group),
                middle=middle,
                limits=limits,
            )
        )
        drawn.append(
            [replace(each, is_outside=limits is not None and not limits[0] <= each.off <= limits[1]) for each in group]
        )
    count = sum(map(len, good))
    sentences = [
        f"{after.first}: from {before.spool or 'no spool'} to {after.spool or 'no spool'}, first coils lie "
        f"{_shift(after.middle - before.middle, quantity)} from the first ones before"
        for before, after in pairwise(runs)
    ]
    outside = [each.serial for group in drawn for each in group if each.is_outside]
    if outside:
        more = " …" if len(outside) > MOST_NAMED else ""
        sentences.append(f"outside the limits of their spool: {', '.join(outside[:MOST_NAMED])}{more}")
    if deviation is None:
        sentences.append(f"no limits yet: they need {FEWEST_FOR_LIMITS} good coils from one spool")
    else:
        for run, group in zip(runs, drawn):
            sentences += _steps(group, run, deviation, quantity)
    capability = None
    if count < FEWEST_FOR_CAPABILITY:
        sentences.append(f"no capability yet: it needs {FEWEST_FOR_CAPABILITY} good coils, there are {count}")
    elif quantity != "height":
        capability = capability_of([off for values in good for off in values], math.log1p(tolerance))
    return Chart(
        design=design,
        quantity=quantity,
        points=tuple(each for group in drawn for each in group),
        runs=tuple(runs),
        deviation=deviation,
        capability=capability,
        tolerance=tolerance,
        sentences=tuple(sentences),
    )


def _shift(off: float, quantity: str) -> str:
    return f"{off:+.1f} dB" if quantity == "height" else f"{100 * math.expm1(off):+.1f} %"


def capability_of(off: Sequence[float], tolerance: float) -> Interval:
    """Return (T − |mean|)/(3s) with 95 % bounds, s of all values: what was delivered, not what one spool could do.

    Its standard error is √(1/(9n) + c²/(2(n−1))) (Bissell, "How reliable is your capability index?", Journal of the
    Royal Statistical Society C 39, 1990, from memory); it takes the values as normal and unrelated, and coils of a few
    spools are not: the true interval is wider.

    >>> found = capability_of([-0.01, 0.01] * 20, 0.05)
    >>> round(found.value, 2), found.low < found.value < found.high
    (1.65, True)
    """
    values = np.asarray(off, dtype=float)
    value = (tolerance - abs(float(values.mean()))) / (3 * max(float(values.std(ddof=1)), 1e-9))
    half = COVERAGE * math.sqrt(1 / (9 * values.size) + value**2 / (2 * (values.size - 1)))
    return Interval(value=value, low=value - half, high=value + half)


def _steps(own: list[ChartPoint], run: SpoolRun, deviation: float, quantity: str) -> list[str]:
    """Sessions and machines whose coils are off together within a spool, and long runs on one side."""
    said = []
    for what in ("session", "machine"):
        names = dict.fromkeys(getattr(each, what) for each in own)
        for name in list(names)[1:] if len(names) == 2 else names:  # of two, the later one is said to be off
            group = [each for each in own if getattr(each, what) == name and not each.left_out]
            rest = [each.off for each in own if getattr(each, what) != name and not each.left_out]
            if not name or min(len(group), len(rest)) < FEWEST_OF_A_STEP:
                continue
            step = float(np.mean([each.off for each in group]) - np.mean(rest))
            if abs(step) > 3 * deviation * math.sqrt(1 / len(group) + 1 / len(rest)):
                said.append(
                    f"{what} {name}: its {len(group)} coils {group[0].serial} to {group[-1].serial} lie "
                    f"{_shift(step, quantity)} from the others of {own[0].spool or 'that time'}"
                )
    for is_above, side in groupby(own, key=lambda each: each.off > run.middle):
        found = list(side)
        if len(found) >= RUN:
            words = "above" if is_above else "below"
            said.append(
                f"{found[0].serial} to {found[-1].serial}: {len(found)} in a row {words} the first of their spool"
            )
    return said
