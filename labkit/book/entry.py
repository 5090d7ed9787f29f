"""Entering a batch as a table: the heading once, a row for each coil, a verdict while it is typed.

The page and the command share it. A cell is kept as it was typed; a bare number is in the unit of the column, which is
that of the meter. Rows may be typed, or pasted from a spreadsheet with tabs, semicolons or commas, with decimal points
or commas. What is far from the plan is asked about and never corrected: a mark of exclamation keeps it.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from labkit.bench.diagnose.expected import Feature, features
from labkit.bench.diagnose.readings import FieldValue, LcrValue, PeakValue, Plan, Readings, plan_from_table
from labkit.bench.fit.fixture import NO_LOAD, Load
from labkit.book.cells import (
    COLUMNS,
    NOTHING,
    DecimalMark,
    EntryValue,
    next_serial,
    split_rows,
    typed_header,
    understood_cell,
)
from labkit.book.records import (
    LEADS,
    MARKS,
    QUANTITIES,
    CoilReading,
    Design,
    LcrModel,
    Meter,
    Note,
    Repair,
    Session,
    WoundCoil,
    check_celsius,
    checked_time,
    now,
)
from labkit.book.store import Book
from labkit.core.errors import InputError, did_you_mean, join_words
from labkit.core.sheet import parse_sheet
from labkit.core.units import UNITS, format_quantity

FAR = 10.0
"""Standard deviations from the plan at which a value is asked about."""

MOST_ROWS = 5000


USUAL_COLUMNS = ("serial", "ohms", "henries", "loss")


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchHeading:
    """What holds for every row of a batch.

    Attributes
    ----------
    design : Design
    coil : str
        Which coil of the pickup, or `LEADS` for all of it.
    spool, lot, machine, bobbin : str or None
        Uids.
    who : str
    wound_at, read_at : str
    label : str
        What the batch is called.
    celsius, celsius_deviation : float or None, °C
        Of the coils.
    meters : mapping of meter kind to Meter
        Whose unit a bare number is in, and whose gain the readings share.
    hz, model
        Of the LCR meter.
    load : Load
        Across the coil where a peak is read.
    gap_m, pole
        Where the field is read.
    """

    design: Design
    coil: str = LEADS
    spool: str | None = None
    lot: str | None = None
    machine: str | None = None
    bobbin: str | None = None
    who: str = ""
    wound_at: str = field(default_factory=lambda: now()[:10])
    read_at: str = field(default_factory=lambda: now()[:16])
    label: str = ""
    celsius: float | None = None
    celsius_deviation: float | None = None
    meters: Mapping[str, Meter] = field(default_factory=dict)
    hz: float = 1000.0
    model: LcrModel = "series"
    load: Load = NO_LOAD
    gap_m: float | None = None
    pole: int | None = None

    def __post_init__(self) -> None:
        checked_time(self.wound_at, "when the coils were wound")
        checked_time(self.read_at, "when the coils were read")
        check_celsius(self.celsius)

    def plan(self) -> Plan:
        """Return the design as a plan that readings are held against."""
        plan = plan_from_table(parse_sheet(self.design.sheet, self.design.title, kinds=("pickup",)))
        if self.coil not in (LEADS, *plan.pickup.coils):
            hint = did_you_mean(self.coil, (LEADS, *plan.pickup.coils))
            raise InputError(f"{self.design.title}: has no coil '{self.coil}'.{hint}")
        return plan


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryRow:
    """A row as it was understood.

    Attributes
    ----------
    serial : str
    values : tuple of EntryValue
    note : str
    verdict : str
        In words; empty where nothing was read.
    fits : bool or None
        Whether all of it lies within the plan's 95 % bounds; None where nothing can be said.
    questions : tuple of str
        What must be answered before the row is entered.
    problems : tuple of str
        What cannot be read or entered at all.
    """

    serial: str
    values: tuple[EntryValue, ...] = ()
    note: str = ""
    verdict: str = ""
    fits: bool | None = None
    questions: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()


Judge = Callable[[EntryRow], tuple[str, bool | None]]
"""From an understood row to a verdict in words, and whether the coil fits."""

Expect = Callable[[Readings], list[Feature]]
"""From readings to each of them with what was to be expected, and how closely."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryTable:
    """A batch while it is entered: heading, columns with their units, and cells as typed.

    Attributes
    ----------
    heading : BatchHeading
    columns : tuple of str
        Keys of `COLUMNS`; the first is "serial".
    units : mapping of str to str
        Units of columns where a header says one; else the meter's, else the usual one.
    rows : tuple of tuple of str
        Cells, as typed.
    decimal : "." or "," or None
        Mark of the numbers, once it is known.
    place : (int, int)
        Row and column of the cell that keys go to.
    """

    heading: BatchHeading
    columns: tuple[str, ...] = USUAL_COLUMNS
    units: Mapping[str, str] = field(default_factory=dict)
    rows: tuple[tuple[str, ...], ...] = ()
    decimal: DecimalMark | None = None
    place: tuple[int, int] = (0, 0)

    def with_cell(self, row: int, column: int, text: str) -> EntryTable:
        """Return the table with a cell typed anew; rows are added as needed."""
        rows = [list(cells) for cells in self.rows]
        while len(rows) <= row:
            rows.append([""] * len(self.columns))
        rows[row][column] = text
        return replace(self, rows=tuple(map(tuple, rows)))

    def typed(self, keys: str) -> EntryTable:
        """Return the table after keys were pressed: Tab goes on, Enter to the next row, whose serial number follows.

        Where the serial number stands already, typing begins at the first reading.
        """
        table = self
        for key in keys:
            row, column = table.place
            if key == "\n":
                if not table._has_reading(row):
                    continue
                serial = table.rows[row][0]
                taken = {cells[0] for cells in table.rows}
                following = next_serial(serial)
                while following in taken and following != serial:
                    following = next_serial(following)
                table = replace(table.with_cell(row + 1, 0, following), place=(row + 1, 1 if following else 0))
            elif key == "\t":
                table = replace(table, place=(row, min(column + 1, len(table.columns) - 1)))
            else:
                before = table.rows[row][column] if row < len(table.rows) else ""
                before = before[:-1] if key == "\b" else before + key
                table = table.with_cell(row, column, before)
        return table

    def _has_reading(self, row: int) -> bool:
        return row < len(self.rows) and any(cell.strip() for cell in self.rows[row][1:])

    def pasted(self, text: str) -> EntryTable:
        """Return the table with rows of a spreadsheet added; a row of words at their top names the columns.

        Raises
        ------
        InputError
            If a word of the header names no column, a row has more cells than there are columns, or it is too long.
        """
        rows, decimal = split_rows(text)
        if not rows:
            raise InputError("nothing was pasted; copy the rows of the batch, serial number first")
        if len(rows) > MOST_ROWS:
            raise InputError(f"{len(rows)} rows were pasted; a batch has {MOST_ROWS} at most")
        table, header = self, typed_header(rows[0])
        kept = tuple(cells for index, cells in enumerate(self.rows) if self._has_reading(index))
        if header is not None:
            rows = rows[1:]
            columns = tuple(key for key, _ in header)
            if "serial" not in columns:
                raise InputError("no column is called 'serial'; every coil needs the number it is known by")
            if kept and columns != self.columns:
                raise InputError("the pasted columns are not those of the rows that are there; enter those first")
            table = replace(self, columns=columns, units={key: unit for key, unit in header if unit})
        width = len(table.columns)
        for number, cells in enumerate(rows, start=1):
            if len([cell for cell in cells[width:] if cell]):
                raise InputError(
                    f"row {number} has {len(cells)} cells ({', '.join(cells[:6])} …), the table {width} columns: "
                    f"{join_words(table.columns)}; put their names into the first row"
                )
        added = tuple(tuple([*cells, *[""] * width][:width]) for cells in rows if any(cells))
        return replace(table, rows=(*kept, *added), decimal=decimal or self.decimal)

    def unit_of(self, column: str) -> str:
        """Return the unit that a bare number of a column is in; empty for none."""
        kind = COLUMNS[column]
        meter = self.heading.meters.get(kind.meter or "")
        if column in self.units:
            return self.units[column]
        if meter is not None and meter.unit and column in ("ohms", "henries", "henries, parallel", "field", "peak"):
            return meter.unit
        return QUANTITIES[kind.quantity].bare_unit if kind.quantity else kind.unit

    def understood(self, *, expect: Expect | None = None, judge: Judge | None = None) -> tuple[EntryRow, ...]:
        """Return every row that holds a reading as it is understood, with its verdict, questions and problems.

        Parameters
        ----------
        expect : callable, optional
            What is to be expected of readings; the plan of the heading's design by default.
        judge : callable, optional
            Words for a row in place of the comparison with what is expected.
        """
        expect = expect or expected_by(self.heading.plan())
        return tuple(
            self._understood(cells, expect, judge) for index, cells in enumerate(self.rows) if self._has_reading(index)
        )

    def _understood(self, cells: tuple[str, ...], expect: Expect, judge: Judge | None) -> EntryRow:
        serial, note = "", ""
        values: list[EntryValue] = []
        questions: list[str] = []
        problems: list[str] = []
        for column, cell in zip(self.columns, cells):
            text = cell.strip()
            if column == "serial":
                serial = text
            elif column == "note":
                note = text
            elif text.casefold() not in NOTHING:
                try:
                    values.append(understood_cell(column, text, self.unit_of(column), self.decimal))
                except InputError as problem:
                    problems.append(f"{column}: {problem}")
        if not serial:
            problems.append("the serial number is missing")
        row = EntryRow(serial=serial, values=tuple(values), note=note)
        said: list[str] = []
        fits: bool | None = None
        for value in values:
            if math.isinf(value.value):
                said.append("reads open")
                fits = False
                continue
            found = expect(as_readings(self.heading, (value, *_companions(value, values)), serial or "row"))
            for feature in found[:1]:
                off = (feature.observed - feature.planned) / feature.spread
                if abs(off) > FAR and not value.insists:
                    questions.append(_question(value, feature))
                fits = feature.within if fits is None else fits and feature.within
                if not feature.within:
                    said.append(_off(value, feature))
        if values and not said and fits is not None:
            said.append("fits the plan")
        verdict = "; ".join(said)
        if judge is not None and values and not problems and not questions:
            verdict, fits = judge(row)
        return replace(row, verdict=verdict, fits=fits, questions=tuple(questions), problems=tuple(problems))

    def enter(self, book: Book, *, expect: Expect | None = None) -> Session:
        """Enter the batch: a session, its coils, and all their readings, together or not at all.

        A serial number that the book has already gets further readings; one that stands twice in the table was read
        twice.

        Raises
        ------
        InputError
            If a row cannot be read or still asks something, or a serial number belongs to another design.
        """
        rows = self.understood(expect=expect)
        if not rows:
            raise InputError("the table has no reading yet; nothing was entered")
        open_rows = [(row, said) for row in rows for said in (*row.problems, *row.questions)]
        if open_rows:
            row, said = open_rows[0]
            others = f" ({len(open_rows) - 1} more in other cells)" if len(open_rows) > 1 else ""
            raise InputError(f"coil {row.serial or '?'}: {said}{others}; nothing was entered")
        heading = self.heading
        session = Session(
            started_at=heading.read_at,
            label=heading.label,
            celsius=heading.celsius,
            celsius_deviation=heading.celsius_deviation,
        )
        with book.writing():
            book.add(session)
            for row in rows:
                coil, repairs = _coil_of(book, heading, row)
                times = Counter(
                    quantity
                    for (quantity,) in book.query(
                        "select quantity from reading where coil = ? and session = ?", (coil.uid, session.uid)
                    )
                )
                book.add(
                    *(
                        _reading(heading, value, coil, session, times, repairs)
                        for value in row.values
                        if COLUMNS[value.column].quantity
                    )
                )
                if row.note:
                    book.add(Note(about=coil.uid, text=row.note))
        return session


def _coil_of(book: Book, heading: BatchHeading, row: EntryRow) -> tuple[WoundCoil, int]:
    """Return the coil of a row, entered now unless the book has it, and how many repairs it had."""
    found = book.records(WoundCoil, "serial = ? and coil = ? and void_reason is null", [row.serial, heading.coil])
    wound = {value.column: value.value for value in row.values}
    if not found:
        coil = WoundCoil(
            serial=row.serial,
            coil=heading.coil,
            design=heading.design.uid,
            wound_at=heading.wound_at,
            spool=heading.spool,
            lot=heading.lot,
            machine=heading.machine,
            bobbin=heading.bobbin,
            who=heading.who,
            turns_counted=wound.get("turns"),
            build_up_m=wound.get("build-up"),
        )
        book.add(coil)
        return coil, 0
    coil = found[0]
    if coil.design != heading.design.uid:
        (other,) = book.records(Design, "uid = ?", [coil.design])
        raise InputError(
            f"coil {row.serial}: is in the book already, of the design '{other.title}'; give this one another number"
        )
    return coil, len(book.records(Repair, "coil = ? and void_reason is null", [coil.uid]))


def _reading(
    heading: BatchHeading, value: EntryValue, coil: WoundCoil, session: Session, times: Counter[str], repairs: int
) -> CoilReading:
    kind = COLUMNS[value.column]
    meter = heading.meters.get(kind.meter or "")
    times[kind.quantity] += 1
    is_lcr, is_peak, is_field = (kind.meter == each for each in ("lcr", "sweep", "field"))
    load = heading.load
    return CoilReading(
        coil=coil.uid,
        session=session.uid,
        meter=None if meter is None else meter.uid,
        quantity=kind.quantity,
        value=value.value,
        unit=value.unit,
        text_as_typed=f"D {value.text}" if value.column == "D" else value.text,
        hz=heading.hz if is_lcr else None,
        model=(kind.model or heading.model) if kind.quantity in ("inductance", "loss_resistance") else None,
        load_ohm=load.resistance if is_peak and math.isfinite(load.resistance) else None,
        load_farad=load.capacitance or None if is_peak else None,
        gap_m=heading.gap_m if is_field else None,
        pole=heading.pole if is_field else None,
        repeat_no=times[kind.quantity],
        repairs_before=repairs,
    )


def _companions(value: EntryValue, values: list[EntryValue]) -> tuple[EntryValue, ...]:
    """A Q needs the inductance that was read with it, a height its peak."""
    wanted = {"Q": ("henries", "henries, parallel"), "D": ("henries", "henries, parallel"), "height": ("peak",)}
    return tuple(other for other in values if other.column in wanted.get(value.column, ()))


def as_readings(heading: BatchHeading, values: tuple[EntryValue, ...], name: str) -> Readings:
    """Return values of a row as readings of the bench, the first of them as the one that is asked for."""
    made = Readings(name=name, temperature_c=heading.celsius)
    by = {value.column: value.value for value in values if not math.isinf(value.value)}
    marks = {value.column for value in values if value.unit == MARKS}
    ohms = heading.meters.get("ohms")
    if ohms is not None and ohms.accuracy is not None:
        made = replace(made, resistance_accuracy=ohms.accuracy)
    if "ohms" in by:
        own = None if heading.coil == LEADS else heading.coil
        made = replace(made, resistance=by["ohms"]) if own is None else replace(made, coil_resistance={own: by["ohms"]})
    inductance = by.get("henries", by.get("henries, parallel"))
    quality = by.get("Q", by.get("D"))
    if inductance is not None or "loss" in by:
        meter = heading.meters.get("lcr")
        lcr = LcrValue(
            frequency_hz=heading.hz,
            model="parallel" if "henries, parallel" in by else heading.model,
            inductance=inductance,
            resistance=by.get("loss"),
            quality=quality if inductance is not None else None,
            coil=None if heading.coil == LEADS else heading.coil,
        )
        if meter is not None and meter.accuracy:
            lcr = replace(lcr, accuracy=meter.accuracy)
        made = replace(made, lcr=(lcr,))
    if "peak" in by:
        made = replace(made, peak=PeakValue(load=heading.load, frequency_hz=by["peak"], height_db=by.get("height")))
    if "field" in by and "field" not in marks:
        pole = "" if heading.pole is None else str(heading.pole)
        meter = heading.meters.get("field")
        read = FieldValue(value=by["field"], gap=heading.gap_m or 0.0, pole=pole)
        if meter is not None and meter.accuracy:
            read = replace(read, accuracy=meter.accuracy)
        made = replace(made, field=(read,))
    return made


def expected_by(plan: Plan) -> Expect:
    """Return what a plan expects of readings: the bench's own comparison, and the field over a pole."""

    def expect(readings: Readings) -> list[Feature]:
        found = features(plan, readings)
        if readings.lcr and readings.lcr[0].quality is not None:
            found = found[1:]  # the inductance is only there to make a resistance of the Q
        if readings.peak is not None and readings.peak.height_db is not None:
            found = [each for each in found if each.unit == "dB"]
        found += [feature for read in readings.field if (feature := _field(plan, read)) is not None]
        return found

    return expect


def _field(plan: Plan, read: FieldValue) -> Feature | None:
    planned = plan.planned_field(read.gap, read.pole)
    if planned is None:
        return None
    at = math.log(planned)
    return Feature(
        label="field",
        unit="T",
        observed=math.log(read.value),
        spread=math.hypot(plan.field_tolerance, read.accuracy) / 1.96,
        predict=lambda situation: at,
        planned=at,
    )


def _off(value: EntryValue, feature: Feature) -> str:
    difference = feature.observed - feature.planned
    if not feature.is_logarithmic:
        return (
            f"{value.column} {difference:+.1f} {feature.unit} from the plan, ± {1.96 * feature.spread:.1f} are expected"
        )
    half = 100 * math.expm1(1.96 * feature.spread)
    return f"{value.column} {100 * math.expm1(difference):+.1f} % from the plan, ± {half:.1f} % are expected"


def _question(value: EntryValue, feature: Feature) -> str:
    planned = math.exp(feature.planned) if feature.is_logarithmic else feature.planned
    shown = format_quantity(planned, feature.unit, digits=3) if feature.unit in UNITS else f"{planned:.3g}"
    if value.column in ("Q", "D"):
        shown = f"a series resistance of {shown}"
    meant = ""
    if feature.is_logarithmic and value.unit == feature.unit:
        for power in (3, -3, 6, -6):
            if abs(feature.observed + power * math.log(10) - feature.planned) <= FAR * feature.spread:
                meant = f"Is it {format_quantity(value.value * 10.0**power, value.unit, digits=4)}? "
                break
    return (
        f"{value.column}: '{value.text}' was understood as {value.words}, but the plan says about {shown}. {meant}"
        f"Type it anew, or '{value.text}!' to keep it"
    )
