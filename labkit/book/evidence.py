"""What a book says for learning: every coil with all that was read on it, in SI, and what it was made from.

The rules of what counts stand here: crossed-out entries do not, repeats are averaged, a fitted sweep is one piece of
evidence however many values it gives, an LCR meter's readings are brought to the series model, and what was read after
a repair does not speak of the coil as wound. Nothing is judged and nothing is learned here.
"""

from __future__ import annotations

import json
import math
from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from labkit.book.records import MARKS, QUANTITIES, Calibration, Design, Meter, Spool, WireReading, months
from labkit.book.store import Book
from labkit.pickup.materials.wire import resistance_at_20
from labkit.pickup.predict.propagation import COVERAGE

REELS_IN_USE = 40
"""Reels beyond this number are taken as forgotten in a corner, where nobody said that they are empty."""

OHMS_PER_KELVIN = 0.0039
"""Relative change of copper's resistance per kelvin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingEvidence:
    """A quantity that was read, repeats of the same session averaged.

    Attributes
    ----------
    evidence : str
        Readings with the same text come from one measurement (uid of the fitted sweep, or of the first reading).
    quantity : str
        A key of `QUANTITIES`, but never "quality": a Q becomes the series resistance that it stands for.
    value : float
        SI, or marks of a field meter (``is_marks``); inductance and resistance in the series model.
    deviation : float
        One standard deviation of the averaged reading by itself, as a ratio (of a height, dB / 8.69), without the
        meter's own gain, which every reading on that meter shares.
    repeats : int
    hz, load_ohm, load_farad, gap_m, pole
        Where and how it was read; None where that does not apply.
    meter : str or None
        Uid, a key of `BookEvidence.meters`.
    session : str
        Uid: coils read in one session shared its temperature.
    celsius, celsius_deviation : float or None, °C
    month : float
        When, in months since 2000.
    """

    evidence: str
    quantity: str
    value: float
    deviation: float
    repeats: int = 1
    hz: float | None = None
    load_ohm: float | None = None
    load_farad: float | None = None
    gap_m: float | None = None
    pole: int | None = None
    is_marks: bool = False
    meter: str | None = None
    session: str
    celsius: float | None = None
    celsius_deviation: float | None = None
    month: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FitEvidence:
    """A fitted sweep: its values (SI) and the covariance of their logarithms."""

    evidence: str
    names: tuple[str, ...]
    values: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    meter: str | None
    session: str
    celsius: float | None
    celsius_deviation: float | None
    month: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BookCoil:
    """A coil, what it was made from and by whom, and what was read on it as it was wound.

    ``design``, ``spool``, ``lot``, ``machine`` and ``bobbin`` are uids, or None where not said. ``month`` is when it
    was wound (months since 2000), ``order`` its place in the book. ``left_out`` says why it must not teach; empty for a
    good coil.
    """

    uid: str
    serial: str
    coil: str
    design: str
    spool: str | None
    lot: str | None
    machine: str | None
    bobbin: str | None
    maker: str
    who: str
    month: float
    order: int
    turns_counted: float | None
    height_m: float | None
    build_up_m: float | None
    readings: tuple[ReadingEvidence, ...]
    fits: tuple[FitEvidence, ...] = ()
    left_out: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpoolEvidence:
    """What is known of a spool's wire beside its standard; None where nothing was measured.

    ``ohm_per_m`` is at 20 °C, ``ohm_deviation`` its standard deviation as a ratio.
    """

    uid: str
    label: str
    wire: str
    maker: str
    bare_m: float | None
    bare_deviation: float | None
    overall_m: float | None
    overall_deviation: float | None
    ohm_per_m: float | None
    ohm_deviation: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterEvidence:
    """A meter with what its checks say.

    Attributes
    ----------
    gain : float
        Logarithm of what it shows over what is there; 0 without a check on a known piece.
    gain_deviation : float or None
        Standard deviation of ``gain``: from the checks, else from the stated accuracy; None where neither is there.
    checks : tuple of Calibration
        All that count, also those on pieces of known grade only.
    """

    uid: str
    label: str
    kind: str
    gain: float
    gain_deviation: float | None
    checks: tuple[Calibration, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BookEvidence:
    """All that a book says: coils in the order of their entry; the other things by uid."""

    coils: tuple[BookCoil, ...]
    spools: Mapping[str, SpoolEvidence]
    meters: Mapping[str, MeterEvidence]
    designs: Mapping[str, Design]


def book_evidence(
    book: Book,
    *,
    designs: Collection[str] | None = None,
    newest: int | None = None,
    until: str | None = None,
    session: str | None = None,
) -> BookEvidence:
    """Return what a book says, of all its coils or of some.

    Parameters
    ----------
    book : Book
    designs : collection of str, optional
        Uids; coils of these only.
    newest : int, optional
        So many coils of each design at most, by the day they were wound, and a tenth of it of each spool in use: of
        those that are not empty the `REELS_IN_USE` that were wound from last.
    until : str, optional
        A day or a time; coils that were wound no later.
    session : str, optional
        Uid; coils that were read in it are taken whatever else is asked for.
    """
    measured = {row[0] for row in book.query("select distinct spool from wire_reading where void_reason is null")}
    spools = {each.uid: _spool(book, each, is_measured=each.uid in measured) for each in book.records(Spool)}
    conditions: list[str] = ["void_reason is null"]
    values: list[str | int] = []
    if designs is not None:
        conditions.append("design in (select value from json_each(?))")
        values.append(json.dumps(list(designs)))
    if until is not None:
        conditions.append("wound_at <= ?")
        values.append(until)
    condition = " and ".join(conditions)
    if newest is not None:
        order = "order by wound_at desc, rowid desc"
        condition = (
            f"uid in (select uid from (select uid, spool, row_number() over (partition by design {order}) as place, "
            f"row_number() over (partition by design, spool {order}) as of_spool from coil where {condition}) "
            "where place <= ? or (of_spool <= ? and spool in (select s.uid from spool s join coil c on c.spool = s.uid "
            "where s.emptied_on is null group by s.uid order by max(c.wound_at) desc limit ?)))"
        )
        values += [newest, newest // 10, REELS_IN_USE]
    if session is not None:
        condition = f"({condition}) or (void_reason is null and uid in (select coil from reading where session = ?))"
        values.append(session)
    rows = book.query(
        "select rowid, uid, serial, coil, design, spool, lot, machine, bobbin, who, wound_at, turns_counted, height_m, "
        f"build_up_m, state from coil where {condition} order by rowid",
        values,
    )
    everything = designs is None and newest is None and until is None
    chosen = None if everything else json.dumps([row[1] for row in rows])
    readings = _readings(book, chosen)
    fits = _fits(book, chosen)
    repaired = {row[0] for row in book.query("select coil from repair where void_reason is null")}
    return BookEvidence(
        coils=tuple(_coil(row, spools, readings, fits, repaired) for row in rows),
        spools=MappingProxyType(spools),
        meters=MappingProxyType({each.uid: meter_evidence(book, each) for each in book.records(Meter)}),
        designs=MappingProxyType({each.uid: each for each in book.records(Design)}),
    )


def _coil(
    row: tuple[Any, ...],
    spools: Mapping[str, SpoolEvidence],
    readings: Mapping[str, list[ReadingEvidence]],
    fits: Mapping[str, list[FitEvidence]],
    repaired: set[str],
) -> BookCoil:
    place, uid, serial, coil, design, spool, lot, machine, bobbin, who, wound_at, turns, height, build_up, state = row
    own, fitted = tuple(readings.get(uid, ())), tuple(fits.get(uid, ()))
    left_out = "" if state == "good" else f"marked {state}"
    if not left_out and any(math.isinf(each.value) for each in own):
        left_out = "reads open"
    if not left_out and not own and not fitted:
        left_out = "read only after a repair" if uid in repaired else "nothing read"
    return BookCoil(
        uid=uid,
        serial=serial,
        coil=coil,
        design=design,
        spool=spool,
        lot=lot,
        machine=machine,
        bobbin=bobbin,
        maker=spools[spool].maker if spool else "",
        who=who,
        month=months(wound_at),
        order=place,
        turns_counted=turns,
        height_m=height,
        build_up_m=build_up,
        readings=own,
        fits=fitted,
        left_out=left_out,
    )


_READ = """
select r.coil, r.session, r.quantity, r.meter, r.hz, r.model, r.load_ohm, r.load_farad, r.gap_m, r.pole, r.unit,
  r.value, r.uid, s.celsius, s.celsius_deviation, s.started_at
from reading r join session s on s.uid = r.session
where r.void_reason is null and r.repairs_before = 0{chosen} order by r.rowid
"""

_CHOSEN = " and coil in (select value from json_each(?))"


def _readings(book: Book, coils: str | None) -> dict[str, list[ReadingEvidence]]:
    """Readings by coil, of all coils or of those of a JSON list of uids."""
    groups: dict[tuple[Any, ...], list[tuple[Any, ...]]] = {}
    for row in book.query(_READ.format(chosen=_CHOSEN if coils else ""), [coils] if coils else []):
        groups.setdefault(row[:11], []).append(row[11:])
    at = _months_of_texts()
    found: dict[str, list[ReadingEvidence]] = defaultdict(list)
    parallel: dict[str, list[ReadingEvidence]] = defaultdict(list)
    for key, rows in groups.items():
        coil, session, quantity, meter, hz, model, load_ohm, load_farad, gap, pole, unit = key
        _, uid, celsius, celsius_deviation, started = rows[0]
        values = [row[0] for row in rows]
        value = values[0] if len(values) == 1 else _mean(values, logarithmic=quantity not in ("height", "first_swing"))
        made = ReadingEvidence(
            evidence=uid,
            quantity=quantity,
            value=value,
            deviation=QUANTITIES[quantity].repeat / math.sqrt(len(values)),
            repeats=len(values),
            hz=hz,
            load_ohm=load_ohm,
            load_farad=load_farad,
            gap_m=gap,
            pole=pole,
            is_marks=unit == MARKS,
            meter=meter,
            session=session,
            celsius=celsius,
            celsius_deviation=celsius_deviation,
            month=at(started),
        )
        needs_series = quantity == "quality" or model == "parallel"
        (parallel if needs_series else found)[coil].append(made)
    for coil, rest in parallel.items():
        found[coil] += _in_series(rest, found[coil], {id(each) for each in rest if each.quantity != "quality"})
    return found


def _mean(values: list[float], *, logarithmic: bool) -> float:
    if logarithmic and all(0 < value < math.inf for value in values):
        return math.exp(sum(map(math.log, values)) / len(values))
    return sum(values) / len(values)


def _months_of_texts() -> Any:
    known: dict[str, float] = {}

    def at(text: str) -> float:
        if text not in known:
            known[text] = months(text)
        return known[text]

    return at


def _in_series(rest: list[ReadingEvidence], series: list[ReadingEvidence], parallel: set[int]) -> list[ReadingEvidence]:
    """Bring Q and parallel readings to series inductance and resistance; what lacks its companion is left out.

    Ls = Lp/(1 + 1/Q²), Rs = ωLs/Q, and Q = Rp/(ωLp) where both are read in the parallel model.
    """
    found = []
    for session, hz in dict.fromkeys((each.session, each.hz) for each in rest):
        here = {each.quantity: each for each in rest if (each.session, each.hz) == (session, hz)}
        inductance = here.get("inductance") or next(
            (each for each in series if (each.quantity, each.session, each.hz) == ("inductance", session, hz)), None
        )
        if hz is None or inductance is None:
            continue
        omega, quality, resistance = 2 * math.pi * hz, here.get("quality"), here.get("loss_resistance")
        value, doubt = (quality.value, quality.deviation) if quality else (math.nan, 0.0)
        if quality is None and resistance is not None and id(resistance) in parallel and "inductance" in here:
            value = resistance.value / (omega * inductance.value)
            doubt = math.hypot(resistance.deviation, inductance.deviation)
        if not value > 0:
            continue
        own = inductance.value
        if id(inductance) in parallel:
            own /= 1 + 1 / value**2
            found.append(replace(inductance, value=own))
        companion = quality or resistance
        assert companion is not None
        found.append(
            replace(
                companion,
                quantity="loss_resistance",
                value=omega * own / value,
                deviation=math.hypot(doubt, inductance.deviation),
            )
        )
    return found


def _fits(book: Book, coils: str | None) -> dict[str, list[FitEvidence]]:
    found: dict[str, list[FitEvidence]] = defaultdict(list)
    for coil, uid, names, values, covariance, meter, session, celsius, deviation, started in book.query(
        'select f.coil, f.uid, f.names, f."values", f.covariance, f.meter, f.session, s.celsius, s.celsius_deviation, '
        "s.started_at from sweep_fit f join session s on s.uid = f.session "
        f"where f.void_reason is null and f.repairs_before = 0{_CHOSEN if coils else ''} order by f.rowid",
        [coils] if coils else [],
    ):
        found[coil].append(
            FitEvidence(
                evidence=uid,
                names=tuple(names.split()),
                values=tuple(json.loads(values)),
                covariance=tuple(map(tuple, json.loads(covariance))),
                meter=meter,
                session=session,
                celsius=celsius,
                celsius_deviation=deviation,
                month=months(started),
            )
        )
    return found


def _spool(book: Book, spool: Spool, *, is_measured: bool) -> SpoolEvidence:
    mean, deviation = (wire_resistance(book, spool) if is_measured else None) or (None, None)
    return SpoolEvidence(
        uid=spool.uid,
        label=spool.label,
        wire=spool.wire,
        maker=spool.maker,
        bare_m=spool.bare_m,
        bare_deviation=spool.bare_deviation,
        overall_m=spool.overall_m,
        overall_deviation=spool.overall_deviation,
        ohm_per_m=mean,
        ohm_deviation=deviation,
    )


def wire_resistance(book: Book, spool: Spool) -> tuple[float, float] | None:
    """Return Ω/m at 20 °C of a spool's wire and its standard deviation as a ratio, from lengths on the ohmmeter.

    None where no length was read. The readings are weighed by their length, temperature and meter; what one meter gets
    wrong is not averaged away.
    """
    read = book.records(WireReading, "spool = ? and void_reason is null", [spool.uid])
    if not read:
        return None
    meters = {each.uid: meter_evidence(book, each) for each in book.records(Meter)}
    logs, own, shared = [], [], []
    for each in read:
        meter = meters[each.meter] if each.meter else None
        at_20 = float(resistance_at_20(resistance=each.resistance, temperature_c=each.celsius))
        logs.append(math.log(at_20 / each.length_m) - (meter.gain if meter else 0.0))
        repeat = QUANTITIES["resistance"].repeat
        own.append(math.hypot(each.length_deviation / each.length_m, OHMS_PER_KELVIN * each.celsius_deviation, repeat))
        shared.append(meter.gain_deviation if meter and meter.gain_deviation is not None else 0.0025)
    weights = 1 / np.square(own)
    mean = float(np.sum(weights * logs) / np.sum(weights))
    return math.exp(mean), math.hypot(1 / math.sqrt(float(np.sum(weights))), max(shared))


def meter_evidence(book: Book, meter: Meter) -> MeterEvidence:
    """Return a meter with the gain that its checks on known pieces show; one of another unit does not count."""
    checks = tuple(book.records(Calibration, "meter = ? and void_reason is null", [meter.uid]))
    known = [each for each in checks if each.known is not None]
    gain, deviation = 0.0, None if meter.accuracy is None else meter.accuracy / COVERAGE
    if known:
        logs = np.array([math.log(each.shown / (each.known or 1.0)) for each in known])
        doubts = [
            math.hypot(each.shown_deviation / each.shown, (each.known_deviation or 0.0) / (each.known or 1.0), 1e-5)
            for each in known
        ]
        weights = 1 / np.square(doubts)
        gain = float(np.sum(weights * logs) / np.sum(weights))
        excess = float(np.sum(weights * (logs - gain) ** 2)) / max(len(known) - 1, 1)
        deviation = math.sqrt(max(excess, 1.0) / float(np.sum(weights)))
    return MeterEvidence(
        uid=meter.uid, label=meter.label, kind=meter.kind, gain=gain, gain_deviation=deviation, checks=checks
    )
