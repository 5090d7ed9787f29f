"""Single readings of a finished or worn pickup, and the plan they are held against.

A readings sheet is TOML like every other sheet; the plan is a pickup sheet (known or build values) with tolerances.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Literal, TypeVar, get_args

from labkit.bench.diagnose.meter import LCR_FREQUENCY, LcrModel
from labkit.bench.fit.fixture import NO_LOAD, Load, parse_load
from labkit.catalogue import find_sheet
from labkit.core.errors import InputError
from labkit.core.keys import custom, flag, made, number, quantity, read_keys, text
from labkit.core.sheet import Table, read_sheet, sheet_text
from labkit.core.units import format_quantity, parse_quantity
from labkit.pickup.electrical import Facing, Pickup
from labkit.pickup.magnetics.field import MeterCalibration, calibrate_meter
from labkit.pickup.predict.bench import planned_field
from labkit.pickup.predict.built import BuiltPickup, read_build
from labkit.pickup.predict.propagation import Prediction
from labkit.pickup.predict.sheet import is_build_sheet
from labkit.pickup.sheet import read_pickup

Swing = Literal["positive", "negative"]
Thing = TypeVar("Thing")

OPEN = float("inf")
"""A resistance reading beyond the meter's range."""


_OPEN_FORM = 'quantity in Ω, or "open"'


def _open_or_ohms(table: Table, key: str) -> float | None:
    value = table.raw(key, None)
    if value is None:
        return None
    if isinstance(value, str) and value.strip().casefold() in ("open", "ol", "infinite"):
        return OPEN
    return table.quantity(key, "Ω", low=1e-3)


def _pots(table: Table, key: str) -> tuple[tuple[float, float], ...]:
    def value_and_tolerance(text: str) -> tuple[float, float]:
        value, _, tolerance = text.replace("+/-", "±").partition("±")
        return parse_quantity(value.strip(), "Ω"), parse_quantity(tolerance.strip(), "1") if tolerance.strip() else 0.2

    return table.attempt(key, lambda: tuple(value_and_tolerance(each) for each in table.texts(key)))


def _day(table: Table, key: str) -> datetime.date | None:
    value = table.raw(key, None)
    if isinstance(value, datetime.datetime) or not isinstance(value, datetime.date | None):
        table.fail(key, "must be a day without quotes, such as 2026-11-30")
    return value


@dataclass(frozen=True, slots=True, kw_only=True)
class LcrValue:
    """One LCR-meter reading: inductance with its companion resistance or Q, at one frequency in one model."""

    frequency_hz: float = quantity(
        "Hz", name="frequency", low=LCR_FREQUENCY.low, high=LCR_FREQUENCY.high, meaning="test frequency"
    )
    model: LcrModel = text(options=get_args(LcrModel), default="series", meaning="model that the meter shows")
    inductance: float | None = quantity("H", default=None, meaning="as read")
    resistance: float | None = quantity("Ω", default=None, low=1e-3, meaning="as read, of the same model")
    quality: float | None = number(name="q", default=None, meaning="Q as read, in place of the resistance")
    accuracy: float = quantity("1", default=0.02, low=1e-5, high=0.5, meaning="of the meter, 95 %")
    coil: str | None = text(default=None, meaning="the coil it was read on; both at the leads where absent")

    def __post_init__(self) -> None:
        if self.inductance is None and self.resistance is None:
            raise InputError("an LCR reading needs an inductance, a resistance or both")
        if self.inductance is None and self.quality is not None:
            raise InputError("a Q needs the inductance that was read with it")


@dataclass(frozen=True, slots=True, kw_only=True)
class PeakValue:
    """A resonance read under a load: frequency (Hz), height above 100 Hz (dB, None where not read)."""

    load: Load = custom(
        take=lambda table, key: table.attempt(key, lambda: parse_load(table.text(key))),
        default=NO_LOAD,
        form="text such as `200k || 470p`",
        meaning="across the pickup",
    )
    frequency_hz: float = quantity("Hz", name="frequency", low=10.0, high=1e5, meaning="of the peak")
    height_db: float | None = quantity("dB", name="height", default=None, meaning="over the level at 100 Hz")


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldValue:
    """A field reading at a pole: size (T, or ``marks`` of a meter of its own scale) at a gap (m), and which pole it is.

    ``planned`` is what it should read.
    """

    value: float = quantity("T", default=0.0, low=0.0, high=5.0, meaning="as read, without its sign")
    marks: float | None = number(
        default=None, low=0.0, high=1e6, meaning="as read in the units of `field_meter`, in place of a field"
    )
    planned: float | None = quantity("T", default=None, low=1e-6, high=5.0, meaning="what it should read")
    gap: float = quantity("m", default=0.0, low=0.0, high=0.1, meaning="from the pole's face to the probe's tip")
    facing: Facing | None = text(options=get_args(Facing), default=None, meaning="pole seen from the strings")
    planned_facing: Facing | None = text(options=get_args(Facing), default=None, meaning="what it should be")
    pole: str = text(default="", meaning="number of the pole from the left, or another name for the place")
    accuracy: float = quantity("1", default=0.05, low=1e-4, high=0.5, meaning="of the meter, 95 %")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterReference:
    """What a meter shows of a fully charged piece of a grade, built like the plan and read in the same place."""

    grade: str = text(meaning="grade of the piece, as in the catalogue of magnets")
    reads: float = number(low=1e-6, high=1e6, meaning="what the meter shows of it")


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldMeter:
    """A shop's own field meter: what it shows of a piece of known field (T), or of pieces of known grade (marks)."""

    name: str = text(default="", meaning="which meter it is")
    made: datetime.date | None = custom(take=_day, default=None, form="day without quotes", meaning="when it was read")
    reference_reading: float | None = quantity("T", default=None, meaning="what it shows of the piece of known field")
    reference_value: float | None = quantity("T", default=None, meaning="field of that piece in the same place")
    references: tuple[MeterReference, ...] = ()

    def __post_init__(self) -> None:
        if (self.reference_reading is None) != (self.reference_value is None):
            raise InputError("a reference piece needs both its field and what the meter shows of it")

    @property
    def calibration(self) -> MeterCalibration | None:
        """What readings are multiplied by; None where pieces of a grade alone are known."""
        if self.reference_reading is None or self.reference_value is None:
            return None
        return calibrate_meter(reading=self.reference_reading, known=self.reference_value)

    def age_in_words(self, today: datetime.date | None = None) -> str:
        """Say when its pieces were read; empty where nobody noted it."""
        if self.made is None:
            return ""
        days = ((today or datetime.date.today()) - self.made).days
        return f"read {self.made.isoformat()}" + (f", {days} day{'s' if days > 1 else ''} ago" if days > 0 else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class WindingValue:
    """What rule, scale and micrometer say of a winding; all that is left of a coil that reads open."""

    build_up: float | None = quantity("m", default=None, low=1e-4, high=0.05, meaning="from the core to the outer turn")
    wire_weight: float | None = quantity(
        "kg", default=None, low=1e-4, high=1.0, meaning="of the wire with its film: coil less bobbin, magnets and wax"
    )
    wire_diameter: float | None = quantity("m", default=None, low=1e-5, high=1e-3, meaning="of the bare copper")
    accuracy: float = quantity("1", default=0.03, low=1e-4, high=0.5, meaning="of these readings, 95 %")


@dataclass(frozen=True, slots=True, kw_only=True)
class PartValue:
    """A part of the harness: what the plan says and what was read, with the part's tolerance (1 = 100 %).

    ``leak`` is the resistance across a capacitor, Ω; infinity when open, None where it was not read.
    """

    name: str
    unit: Literal["Ω", "F"]
    planned: float
    read: float
    tolerance: float
    leak: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """What was read on one pickup; None or empty where nothing was.

    Parameters
    ----------
    name : str
    temperature_c : float or None, °C
        Of the coil. None: not read, so the coil may be warm.
    resistance : float or None, Ω
        At the pickup's leads, or at the jack through ``pots``; infinity when open.
    resistance_accuracy : float
        Of the meter, 95 %, 1 = 100 %.
    pots : tuple of (float, float)
        Value (Ω) and tolerance of each pot across the coil during that reading.
    coil_resistance : mapping of str to float, Ω
        Each coil by itself, named as in the plan.
    lcr : tuple of LcrValue
    peak : PeakValue or None
    field : tuple of FieldValue
    insulation : float or None, Ω
        Coil to pole, cover or baseplate; infinity when open.
    first_swing, planned_swing : "positive", "negative" or None
        Of the voltage when steel is brought to the pole.
    hum_cancels : bool or None
        For a two-coil pickup: less hum than one coil alone.
    passes_sound : bool or None
        With an open coil: is a thin sound heard.
    winding : WindingValue or None
        Size, weight and wire, for `labkit.bench.reproduce`.
    meter : FieldMeter or None
        What field readings in marks were taken with.
    parts : tuple of PartValue
    """

    name: str = text(meaning="a name for the pickup that was read")
    temperature_c: float | None = quantity(
        "°C", name="temperature", default=None, low=-20, high=60, meaning="of the coil; it may be warm where absent"
    )
    resistance: float | None = custom(
        take=_open_or_ohms, default=None, form=_OPEN_FORM, meaning="at the leads, or at the jack through `through_pots`"
    )
    resistance_accuracy: float = quantity("1", default=0.005, low=1e-5, high=0.2, meaning="of the meter, 95 %")
    pots: tuple[tuple[float, float], ...] = custom(
        name="through_pots",
        take=_pots,
        default=(),
        form="list of texts such as `250k ± 20 %`",
        meaning="pots across the coil as it was read",
    )
    coil_resistance: Mapping[str, float] = field(default_factory=dict)
    lcr: tuple[LcrValue, ...] = ()
    peak: PeakValue | None = None
    field: tuple[FieldValue, ...] = ()
    insulation: float | None = custom(
        take=_open_or_ohms, default=None, form=_OPEN_FORM, meaning="coil to pole, cover or baseplate"
    )
    first_swing: Swing | None = text(
        options=get_args(Swing), default=None, meaning="of the voltage when steel is brought to the pole"
    )
    planned_swing: Swing | None = text(options=get_args(Swing), default=None, meaning="what it should be")
    hum_cancels: bool | None = flag(default=None, meaning="of two coils: less hum than one alone")
    passes_sound: bool | None = flag(default=None, meaning="of an open coil: is a thin sound heard")
    parts: tuple[PartValue, ...] = ()
    winding: WindingValue | None = None
    meter: FieldMeter | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "coil_resistance", MappingProxyType(dict(self.coil_resistance)))
        if self.resistance is not None and not self.resistance > 0:
            raise InputError(f"{self.name}: a resistance reading must be above 0 Ω; got {self.resistance} Ω")


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What the pickup should be, with the tolerances a reading is judged by (95 %, 1 = 100 %).

    Defaults are common practice (no source): DCR ±5 % in-house; inductance ±5 % follows from turns ±2 % and core; loss
    ±15 %; loaded peak ±6 % and ±1.5 dB; field ±15 %.
    """

    pickup: Pickup
    resistance_tolerance: float = 0.05
    inductance_tolerance: float = 0.05
    loss_tolerance: float = 0.15
    peak_tolerance: float = 0.06
    height_tolerance_db: float = 1.5
    field_tolerance: float = 0.15
    pair_tolerance: float = 0.02
    turns: float | None = None
    magnet: str | None = None
    built: BuiltPickup | None = None

    def full_field(self, grade: str, gap: float, pole: str = "") -> float:
        """Return the field, T, of the plan with rods of a grade, saturated, over a pole.

        Raises
        ------
        InputError
            If the plan is no build whose field is modelled, or there is no such grade.
        """
        found = None
        if self.built is not None:
            found = planned_field(self.built.with_magnet(grade).with_charge(1.0), gap=gap, pole=pole)
        if found is None:
            raise InputError(
                "readings in marks need a plan whose field is modelled: a build sheet with one row of rod magnets"
            )
        return found.value

    def planned_field(self, gap: float, pole: str = "") -> float | None:
        """Return the field, T, that a probe should read at a gap (m) over a pole; None where it is not predicted.

        See `labkit.pickup.predict.bench.planned_field`; a pole that the row does not have is not predicted either.
        """
        if self.built is None:
            return None
        try:
            planned = planned_field(self.built, gap=gap, pole=pole)
        except InputError:
            return None
        return None if planned is None else planned.value


def load_plan(pickup_name: str) -> Plan:
    """Read a pickup sheet (a path, or a name in the catalogue) as a plan with the usual tolerances.

    A build sheet also brings the grade of its rods, the field over its poles, and tolerances no tighter than its own
    intervals.
    """
    return plan_from_table(find_sheet(pickup_name, "pickup"))


def plan_from_table(table: Table) -> Plan:
    """Read a pickup sheet that is open already as a plan; see `load_plan`."""
    if not is_build_sheet(table):
        pickup = read_pickup(table)
        return Plan(pickup=pickup, turns=_all_turns(pickup))
    made = read_build(table)
    grades = {coil.grade.name for _, coil in made.build.coils if coil.grade is not None}
    usual = Plan(pickup=made.pickup)
    total = made.total
    over_poles = planned_field(made, gap=0.0)
    return replace(
        usual,
        field_tolerance=max(usual.field_tolerance, _half_width(over_poles) if over_poles else 0.0),
        resistance_tolerance=max(usual.resistance_tolerance, _half_width(total.resistance)),
        inductance_tolerance=max(usual.inductance_tolerance, _half_width(total.inductance)),
        turns=_all_turns(made.pickup),
        magnet=grades.pop() if len(grades) == 1 else None,
        built=made,
    )


def _half_width(prediction: Prediction) -> float:
    """Half of a predicted 95 % interval, relative: a plan that is itself a prediction is no sharper than that."""
    return float(math.log(prediction.high / prediction.low) / 2)


def _all_turns(pickup: Pickup) -> float | None:
    turns = [coil.turns for coil in pickup.coils.values() if coil.turns is not None]
    return sum(turns) if len(turns) == len(pickup.coils) else None


def load_readings(path: Path, meter: FieldMeter | None = None) -> Readings:
    """Read a readings sheet from a file; see `readings_from_table`."""
    return readings_from_table(read_sheet(path, kinds=("readings",)), meter)


def load_field_meter(path: Path) -> FieldMeter:
    """Read the sheet of a field meter from a file."""
    return field_meter_from_table(read_sheet(path, kinds=(METER_SHEET,)))


def readings_from_table(table: Table, meter: FieldMeter | None = None) -> Readings:
    """Read a readings sheet; ``meter`` is the field meter of one that names none.

    Raises
    ------
    SheetError
        Naming the file, the key and the remedy.
    """
    table.allow("sheet", "format", "note", "date")
    if "field_meter" in table:
        meter = field_meter_from_table(table.table("field_meter"))
    calibration = meter.calibration if meter is not None else None
    readings = Readings(
        **read_keys(Readings, table),
        coil_resistance=_coils(table),
        lcr=tuple(_entry(LcrValue, entry) for entry in table.tables("lcr", [])),
        peak=_entry(PeakValue, table.table("peak")) if "peak" in table else None,
        field=tuple(_calibrated(_entry(FieldValue, entry), calibration) for entry in table.tables("field", [])),
        parts=tuple(_part(name, entry) for name, entry in table.each("part", {})),
        meter=meter,
        winding=_entry(WindingValue, table.table("winding")) if "winding" in table else None,
    )
    table.done()
    return readings


def _coils(table: Table) -> dict[str, float]:
    found = {}
    for name, entry in table.each("coil", {}):
        value = _open_or_ohms(entry, "resistance")
        if value is not None:
            found[name] = value
        entry.done()
    return found


def _entry(kind: type[Thing], table: Table) -> Thing:
    found = made(kind, table, read_keys(kind, table))
    table.done()
    return found


METER_SHEET = "field meter"


def field_meter_from_table(table: Table) -> FieldMeter:
    """Read a field meter, kept by itself or as part of a readings sheet; SheetError where no piece is known to it."""
    table.allow("sheet", "format", "note")
    references = tuple(_entry(MeterReference, entry) for entry in table.tables("reference", []))
    meter = made(FieldMeter, table, {**read_keys(FieldMeter, table), "references": references})
    if not references and meter.reference_reading is None:
        table.fail("reference_reading", "must be there, with reference_value, where there is no [[reference]] piece")
    table.done()
    table.attempt("reference_reading", lambda: meter.calibration)
    return meter


def field_meter_text(meter: FieldMeter) -> str:
    """Return a field meter as a sheet of its own, which `field_meter_from_table` reads."""
    tesla = ("reference_reading", "reference_value")
    said = {key: getattr(meter, key) for key in ("name", "made", *tesla) if getattr(meter, key) is not None}
    said |= {key: format_quantity(said[key], "T", digits=6) for key in tesla if key in said}
    pieces = [{"grade": piece.grade, "reads": piece.reads} for piece in meter.references]
    return sheet_text(METER_SHEET, {**said, **({"reference": pieces} if pieces else {})})


def _calibrated(read: FieldValue, calibration: MeterCalibration | None) -> FieldValue:
    if calibration is None:
        return read
    accuracy = math.hypot(read.accuracy, 1.96 * calibration.deviation)
    return replace(read, value=float(calibration.true_field(read.value)), accuracy=accuracy)


def _part(name: str, table: Table) -> PartValue:
    """A part is a resistor when its plan reads as ohms, a capacitor when it reads as farads."""
    planned = table.text("planned")
    unit: Literal["Ω", "F"] = "Ω"
    try:
        parse_quantity(planned, "Ω")
    except InputError:
        unit = "F"
    value = PartValue(
        name=name,
        unit=unit,
        planned=table.quantity("planned", unit, low=0.0),
        read=table.quantity("read", unit, low=0.0),
        tolerance=table.quantity("tolerance", "1", 0.2 if unit == "Ω" else 0.1, low=1e-4, high=1.0),
        leak=_open_or_ohms(table, "leak"),
    )
    table.done()
    return value
