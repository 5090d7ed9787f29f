"""Records of a workshop book: frozen things, each one row of a table of the same fields.

Values are SI, deviations one standard deviation, accuracies 95 % of the value (1 = 100 %). Times are ISO texts; a day
without a time is allowed where nobody looks at the clock. Records refer to one another by `uid`.
"""

from __future__ import annotations

import math
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Any, ClassVar, Literal, get_args

from labkit.core.errors import InputError, did_you_mean, join_words
from labkit.core.units import UsualRange, format_quantity

CoilState = Literal["good", "suspect", "scrapped"]
MeterKind = Literal["ohms", "lcr", "sweep", "field", "thermometer"]
LcrModel = Literal["series", "parallel"]

LEADS = "leads"
"""Name of what is read at the leads of a whole pickup, beside the names of its single coils."""

MARKS = "marks"
"""Unit of a field meter that shows a scale of its own."""


LARGEST_WHOLE = 2**53
"""Whole numbers up to here are exact everywhere a book goes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """What may be read on a coil.

    Attributes
    ----------
    unit : str
        SI symbol.
    words : str
        As people say it.
    usual : UsualRange or None
        In which a reading of a pickup's coil lies (from memory); far outside it is a slip of the unit.
    bare_unit : str
        Unit of a typed number without one, unless the heading of the batch says another.
    meter : MeterKind or None
        What reads it.
    gain, repeat : float
        Standard deviations of the scale of such a meter, and of reading again, as ratios (of a height, dB / 8.69):
        assumptions (common practice, no source), to be replaced by what the workshop's own checks and repeats show.
    offset : float or None
        Standard deviation by which labkit's models may be off for all coils of a shop alike (assumption); None for what
        is not predicted as a number.
    check : str
        What to look at when the readings of a shop contradict the plan (common practice, no source).
    """

    unit: str
    words: str
    usual: UsualRange | None = None
    bare_unit: str = ""
    meter: MeterKind | None = None
    gain: float = 0.0
    repeat: float = 0.0
    offset: float | None = None
    check: str = ""


QUANTITIES: Mapping[str, Quantity] = MappingProxyType(
    {
        "resistance": Quantity(
            unit="Ω",
            words="resistance",
            usual=UsualRange(low=500.0, high=30e3),
            bare_unit="Ω",
            meter="ohms",
            gain=0.0025,
            repeat=0.001,
            offset=0.01,
            check="ohmmeter, wire of the spool, turns counter, temperature",
        ),
        "inductance": Quantity(
            unit="H",
            words="inductance",
            usual=UsualRange(low=0.2, high=20.0),
            bare_unit="H",
            meter="lcr",
            gain=0.01,
            repeat=0.003,
            offset=0.02,
            check="LCR meter and its frequency, turns counter, grade of the magnets, height of the winding",
        ),
        "loss_resistance": Quantity(
            unit="Ω",
            words="series resistance",
            usual=UsualRange(low=500.0, high=100e3),
            bare_unit="Ω",
            meter="lcr",
            gain=0.005,
            repeat=0.006,
            offset=0.01,
            check="LCR meter and its frequency, covers and baseplates near the coil, grade of the poles",
        ),
        "quality": Quantity(unit="1", words="Q", usual=UsualRange(low=0.2, high=20.0), meter="lcr", repeat=0.006),
        "capacitance": Quantity(
            unit="F",
            words="capacitance",
            usual=UsualRange(low=20e-12, high=500e-12),
            bare_unit="pF",
            meter="sweep",
            gain=0.02,
            repeat=0.02,
            offset=0.10,
            check="lead and probe on the coil, wax, how the wire is laid",
        ),
        "peak": Quantity(
            unit="Hz",
            words="peak",
            usual=UsualRange(low=1e3, high=15e3),
            bare_unit="Hz",
            meter="sweep",
            gain=0.002,
            repeat=0.005,
            offset=0.015,
            check="load and lead on the coil, LCR meter against sweep",
        ),
        "height": Quantity(
            unit="dB",
            words="height of the peak",
            bare_unit="dB",
            meter="sweep",
            gain=0.01,
            repeat=0.02,
            offset=0.03,
            check="load on the coil, level and shielding of the sweep",
        ),
        "field": Quantity(
            unit="T",
            words="field at a pole",
            usual=UsualRange(low=5e-3, high=0.3),
            bare_unit="mT",
            meter="field",
            gain=0.03,
            repeat=0.02,
            offset=0.03,
            check="gap of the probe, charge and grade of the magnets, reference piece of the meter",
        ),
        "first_swing": Quantity(unit="1", words="first swing"),
    }
)
"""What a book holds of a coil. ``first_swing`` is +1 or −1: the voltage when steel is brought to the pole."""


def reading_in_words(quantity: str, value: float, unit: str | None = None) -> str:
    """Return a value of the book as people write it; ``unit`` where it is not that of the quantity.

    >>> reading_in_words("resistance", 5931.0), reading_in_words("field", 42.0, "marks")
    ('5.931 kΩ', '42 marks')
    """
    unit = QUANTITIES[quantity].unit if unit is None else unit
    if math.isinf(value):
        return "open"
    if unit == MARKS:
        return f"{value:g} marks"
    return f"{value:.4g}" if unit == "1" else format_quantity(value, unit, digits=4)


def new_uid() -> str:
    """Return a name for a record that no other book gives: 64 random bits."""
    return secrets.token_hex(8)


def now() -> str:
    """Return the time, UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def checked_time(text: str, where: str) -> str:
    """Return a day or a time, as it was given.

    Raises
    ------
    InputError
        If it is neither.
    """
    try:
        datetime.fromisoformat(text)
    except (ValueError, TypeError):
        raise InputError(
            f"{where}: must be a day such as 2026-03-05, or a time such as 2026-03-05T14:30; got '{text}'"
        ) from None
    return text


def check_celsius(celsius: float | None) -> None:
    """Refuse a temperature that no coil has at a bench."""
    if celsius is not None and not -10 <= celsius <= 60:
        raise InputError(f"the temperature of the coils must be −10 to 60 °C; got {celsius:g} °C")


def months(at: str) -> float:
    """Return a time as months since 2000, for drift and charts; times of no zone count as UTC.

    >>> round(months("2026-03-05") - months("2026-02-05"), 2)
    0.92
    """
    moment = datetime.fromisoformat(at)
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return (moment - datetime(2000, 1, 1, tzinfo=UTC)).total_seconds() / (365.2425 * 86400 / 12)


@dataclass(frozen=True, slots=True, kw_only=True)
class BookRecord:
    """What every record has: its own name for good, and when it came into the book (UTC).

    Attributes
    ----------
    uid : str
    entered_at : str
    """

    table: ClassVar[str] = ""
    name_of_one: ClassVar[str] = ""
    texts: ClassVar[tuple[str, ...]] = ()
    """Fields that must not be empty; the next ones are checked where they are said."""
    above_zero: ClassVar[tuple[str, ...]] = ()
    not_negative: ClassVar[tuple[str, ...]] = ()
    times: ClassVar[tuple[str, ...]] = ()
    choices: ClassVar[Mapping[str, Any]] = MappingProxyType({})
    uid: str = field(default_factory=new_uid)
    entered_at: str = field(default_factory=now)

    def __post_init__(self) -> None:
        self._check()

    def _check(self, *, may_be_open: tuple[str, ...] = (), signed: tuple[str, ...] = ()) -> None:
        for each in fields(self):
            value = getattr(self, each.name)
            where = f"{self.name_of_one}: {each.name}"
            if each.name in self.texts and not str(value).strip():
                raise InputError(f"{where}: is empty; a text is due here")
            if value is None:
                continue
            if value == "" and each.default is None:
                raise InputError(f"{where}: is an empty text; leave it out")
            if isinstance(value, int) and abs(value) > LARGEST_WHOLE:
                raise InputError(
                    f"{where}: must be at most {LARGEST_WHOLE}; got a number of {len(str(abs(value)))} digits"
                )
            if isinstance(value, float | int) and not math.isfinite(value) and each.name not in may_be_open:
                raise InputError(f"{where}: must be a finite number; got {value}")
            if each.name in self.above_zero and each.name not in signed and not value > 0:
                raise InputError(f"{where}: must be above 0; got {value:g}")
            if each.name in self.not_negative and value < 0:
                raise InputError(f"{where}: must be 0 or more; got {value:g}")
            if each.name in self.times:
                checked_time(value, where)
            if each.name in self.choices and value not in (allowed := get_args(self.choices[each.name])):
                hint = did_you_mean(str(value), allowed, listing=False)
                raise InputError(f"{where}: must be one of {join_words(allowed, 'or')}; got '{value}'.{hint}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Spool(BookRecord):
    """A spool of wire: which wire, and what was measured of it.

    Attributes
    ----------
    label : str
        As the workshop calls it, such as "reel 12".
    wire : str
        Name of the wire in the catalogue.
    maker : str
        Whose wire, so that spools of one maker are known to be alike; empty where not known.
    bare_m, bare_deviation, overall_m, overall_deviation : float or None, m
        By micrometer.
    length_m, length_deviation : float or None, m
        On it when it was opened.
    opened_on, emptied_on : str or None
    """

    table: ClassVar[str] = "spool"
    name_of_one: ClassVar[str] = "spool"
    texts: ClassVar[tuple[str, ...]] = ("label", "wire")
    above_zero: ClassVar[tuple[str, ...]] = ("bare_m", "overall_m", "length_m")
    not_negative: ClassVar[tuple[str, ...]] = ("bare_deviation", "overall_deviation", "length_deviation")
    times: ClassVar[tuple[str, ...]] = ("opened_on", "emptied_on")
    label: str
    wire: str
    maker: str = ""
    bare_m: float | None = None
    bare_deviation: float | None = None
    overall_m: float | None = None
    overall_deviation: float | None = None
    length_m: float | None = None
    length_deviation: float | None = None
    opened_on: str | None = None
    emptied_on: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WireReading(BookRecord):
    """A length of a spool's wire on the ohmmeter.

    Attributes
    ----------
    spool : str
        Its uid.
    length_m, length_deviation : float, m
        Between the tips.
    resistance : float, Ω
        As read, at ``celsius``.
    text_as_typed : str
    celsius, celsius_deviation : float, °C
        Of the wire.
    meter : str or None
    void_reason : str or None
        Why it was crossed out.
    """

    table: ClassVar[str] = "wire_reading"
    name_of_one: ClassVar[str] = "reading of wire"
    above_zero: ClassVar[tuple[str, ...]] = ("length_m", "resistance")
    not_negative: ClassVar[tuple[str, ...]] = ("length_deviation", "celsius_deviation")
    times: ClassVar[tuple[str, ...]] = ("read_at",)
    spool: str
    read_at: str
    length_m: float
    length_deviation: float
    resistance: float
    text_as_typed: str
    celsius: float
    celsius_deviation: float = 1.0
    meter: str | None = None
    void_reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MagnetLot(BookRecord):
    """A lot of magnets: what came together, of one grade; ``count`` as it came."""

    table: ClassVar[str] = "magnet_lot"
    name_of_one: ClassVar[str] = "lot of magnets"
    texts: ClassVar[tuple[str, ...]] = ("label", "grade")
    not_negative: ClassVar[tuple[str, ...]] = ("count",)
    times: ClassVar[tuple[str, ...]] = ("bought_on",)
    label: str
    grade: str
    count: int | None = None
    bought_on: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine(BookRecord):
    """A winding machine, with its counter; a winder's hands on it are in ``WoundCoil.who``."""

    table: ClassVar[str] = "machine"
    name_of_one: ClassVar[str] = "machine"
    texts: ClassVar[tuple[str, ...]] = ("label",)
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BobbinKind(BookRecord):
    """A kind, or a delivery, of bobbins that are alike."""

    table: ClassVar[str] = "bobbin"
    name_of_one: ClassVar[str] = "bobbin"
    texts: ClassVar[tuple[str, ...]] = ("label",)
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Meter(BookRecord):
    """A meter: what it reads, in which unit a number without one is meant, and how well (95 % of the value)."""

    table: ClassVar[str] = "meter"
    name_of_one: ClassVar[str] = "meter"
    texts: ClassVar[tuple[str, ...]] = ("label",)
    above_zero: ClassVar[tuple[str, ...]] = ("accuracy",)
    choices: ClassVar[Mapping[str, Any]] = MappingProxyType({"kind": MeterKind})
    label: str
    kind: MeterKind
    unit: str = ""
    accuracy: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration(BookRecord):
    """A check of a meter on a known piece.

    Attributes
    ----------
    piece : str
        What was measured, such as "1 kΩ, 0.01 %" or "rod of alnico 5, saturated".
    grade : str or None
        Of a magnet.
    known, known_deviation : float or None
        In the unit of ``shown``, where the piece is known.
    shown, shown_deviation : float
        What the meter showed, SI or marks.
    """

    table: ClassVar[str] = "calibration"
    name_of_one: ClassVar[str] = "check of a meter"
    texts: ClassVar[tuple[str, ...]] = ("piece",)
    above_zero: ClassVar[tuple[str, ...]] = ("known", "shown")
    not_negative: ClassVar[tuple[str, ...]] = ("known_deviation", "shown_deviation")
    times: ClassVar[tuple[str, ...]] = ("done_at",)
    meter: str
    done_at: str
    piece: str
    grade: str | None = None
    known: float | None = None
    known_deviation: float | None = None
    shown: float
    shown_deviation: float = 0.0
    void_reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Design(BookRecord):
    """A pickup sheet as it was when coils were wound to it; a changed sheet is another version of the name."""

    table: ClassVar[str] = "design"
    name_of_one: ClassVar[str] = "design"
    texts: ClassVar[tuple[str, ...]] = ("name", "sheet")
    above_zero: ClassVar[tuple[str, ...]] = ("version",)
    name: str
    version: int
    sheet: str
    sha256: str

    @property
    def title(self) -> str:
        """Name and version."""
        return self.name if self.version == 1 else f"{self.name}, version {self.version}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Session(BookRecord):
    """A time at the bench in which coils are read together: their temperature, and a name where it is a batch."""

    table: ClassVar[str] = "session"
    name_of_one: ClassVar[str] = "session"
    not_negative: ClassVar[tuple[str, ...]] = ("celsius_deviation",)
    times: ClassVar[tuple[str, ...]] = ("started_at",)
    started_at: str
    label: str = ""
    celsius: float | None = None
    celsius_deviation: float | None = None

    def __post_init__(self) -> None:
        self._check()
        check_celsius(self.celsius)


@dataclass(frozen=True, slots=True, kw_only=True)
class WoundCoil(BookRecord):
    """A coil as it was wound.

    Attributes
    ----------
    serial : str
        Number of the pickup.
    coil : str
        Which coil of the design, or `LEADS` for the whole pickup.
    design : str
    wound_at : str
    spool, lot, machine, bobbin : str or None
    who : str
        The winder; empty where not said.
    turns_counted, height_m, build_up_m : float or None
        As wound.
    scatter : str
        How it was laid, in the winder's words.
    state : "good", "suspect" or "scrapped"
    left_on : str or None
        The day it left the workshop, so that it is not offered for a pair.
    void_reason : str or None
        Why the whole entry was crossed out.
    """

    table: ClassVar[str] = "coil"
    name_of_one: ClassVar[str] = "coil"
    texts: ClassVar[tuple[str, ...]] = ("serial", "coil")
    above_zero: ClassVar[tuple[str, ...]] = ("turns_counted", "height_m", "build_up_m")
    times: ClassVar[tuple[str, ...]] = ("wound_at", "left_on")
    choices: ClassVar[Mapping[str, Any]] = MappingProxyType({"state": CoilState})
    serial: str
    coil: str = LEADS
    design: str
    wound_at: str
    spool: str | None = None
    lot: str | None = None
    machine: str | None = None
    bobbin: str | None = None
    who: str = ""
    turns_counted: float | None = None
    height_m: float | None = None
    build_up_m: float | None = None
    scatter: str = ""
    state: CoilState = "good"
    left_on: str | None = None
    void_reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepFit(BookRecord):
    """A fitted sweep or recording of a coil: one piece of evidence, however many values it gives.

    Attributes
    ----------
    names : str
        Quantities, separated by spaces, such as "resistance inductance capacitance".
    values : str
        JSON list, SI.
    covariance : str
        JSON matrix, of the logarithms of the values.
    source : str
        Files that were fitted.
    """

    table: ClassVar[str] = "sweep_fit"
    name_of_one: ClassVar[str] = "fitted sweep"
    texts: ClassVar[tuple[str, ...]] = ("names",)
    not_negative: ClassVar[tuple[str, ...]] = ("repairs_before",)
    coil: str
    session: str
    meter: str | None = None
    names: str
    values: str
    covariance: str
    source: str = ""
    repairs_before: int = 0
    void_reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilReading(BookRecord):
    """One reading of a coil; it is never changed, only crossed out.

    Attributes
    ----------
    coil, session, meter : str
        Their uids; ``meter`` None where it is not said.
    quantity : str
        A key of `QUANTITIES`.
    value : float
        SI, or marks of the meter; infinity for the resistance of an open coil.
    unit : str
        SI symbol, or `MARKS`.
    text_as_typed : str
    hz, model
        Of an LCR meter.
    load_ohm, load_farad : float or None
        Across the coil when a peak was read; None for nothing.
    gap_m, pole
        Of a field reading.
    repeat_no : int
        1 for the first time, 2 for the next of the same quantity in the same session.
    repairs_before : int
        How many repairs the coil had had: 0 as wound.
    void_reason : str or None
    """

    table: ClassVar[str] = "reading"
    name_of_one: ClassVar[str] = "reading"
    above_zero: ClassVar[tuple[str, ...]] = ("value", "hz", "load_ohm", "load_farad", "repeat_no")
    not_negative: ClassVar[tuple[str, ...]] = ("gap_m", "pole", "repairs_before")
    choices: ClassVar[Mapping[str, Any]] = MappingProxyType({"model": LcrModel})
    coil: str
    session: str
    meter: str | None = None
    quantity: str
    value: float
    unit: str
    text_as_typed: str
    hz: float | None = None
    model: LcrModel | None = None
    load_ohm: float | None = None
    load_farad: float | None = None
    gap_m: float | None = None
    pole: int | None = None
    repeat_no: int = 1
    repairs_before: int = 0
    void_reason: str | None = None

    def __post_init__(self) -> None:
        if self.quantity not in QUANTITIES:
            raise InputError(f"reading: quantity: '{self.quantity}' is none.{did_you_mean(self.quantity, QUANTITIES)}")
        self._check(
            may_be_open=("value",) if self.quantity == "resistance" else (),
            signed=("value",) if self.quantity in ("height", "first_swing") else (),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair(BookRecord):
    """What was done to a finished coil; readings before it stay with the coil as it was."""

    table: ClassVar[str] = "repair"
    name_of_one: ClassVar[str] = "repair"
    texts: ClassVar[tuple[str, ...]] = ("what",)
    times: ClassVar[tuple[str, ...]] = ("done_at",)
    coil: str
    done_at: str
    what: str
    void_reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Note(BookRecord):
    """A remark on any record, by the uid of that record."""

    table: ClassVar[str] = "note"
    name_of_one: ClassVar[str] = "note"
    texts: ClassVar[tuple[str, ...]] = ("text",)
    about: str
    text: str
    void_reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Event(BookRecord):
    """A change of a record: its fields before and after as JSON, written by the database itself."""

    table: ClassVar[str] = "event"
    name_of_one: ClassVar[str] = "event"
    row_table: str
    row_uid: str
    before: str
    after: str


RECORDS: tuple[type[BookRecord], ...] = (
    Spool,
    MagnetLot,
    Machine,
    BobbinKind,
    Meter,
    WireReading,
    Calibration,
    Design,
    Session,
    WoundCoil,
    SweepFit,
    CoilReading,
    Repair,
    Note,
    Event,
)
"""Every kind of record; what a record refers to comes before it."""
