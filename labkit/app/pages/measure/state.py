"""The measure page without widgets: files, how they were taken, the fit, and single readings against a plan.

What takes long (reading files, fitting) is only asked for here; the page has it done and brings the result back.
"""

from __future__ import annotations

import datetime
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from labkit.app.kit.controls import ControlSet, Value
from labkit.app.kit.files import GivenFile
from labkit.app.kit.page_state import CurvePageState
from labkit.app.kit.pickup.made import built_names, flatten, made_from, pickup_text
from labkit.app.kit.rig.state import split_query
from labkit.app.pages.measure.controls import (
    MOST_SWEEPS,
    OPEN_OHM,
    PIECES,
    POLES,
    READING,
    READING_DEFAULTS,
    every_control,
    shown_groups,
    sweep_defaults,
)
from labkit.app.pages.measure.lifts import LIFT_DEFAULTS, NO_BUILD, JudgedLifts, LiftBench, notes_of
from labkit.app.pages.measure.recorder import RecordingBench
from labkit.app.pages.measure.sweeps import (
    Choices,
    FitAsk,
    ReadFile,
    dc_reading,
    demo_files,
    demo_fit,
    kind_of,
    measurement_of,
    read_files,
)
from labkit.bench.diagnose.diagnose import diagnose_readings
from labkit.bench.diagnose.readings import (
    METER_SHEET,
    FieldMeter,
    MeterReference,
    Plan,
    Readings,
    field_meter_from_table,
    load_plan,
    plan_from_table,
    readings_from_table,
)
from labkit.bench.diagnose.verdicts import Verdict
from labkit.bench.fit.fit import Fit, fit_sheet_text
from labkit.bench.fit.fixture import Fixture, Measurement
from labkit.bench.fit.model import fixture_reading
from labkit.bench.fit.prediction import load_in_words
from labkit.bench.recording.interface import SeriesResistor
from labkit.catalogue import catalogue
from labkit.core.errors import InputError, capitalized, did_you_mean
from labkit.core.sheet import Table, parse_sheet, sheet_text
from labkit.core.units import format_quantity
from labkit.pickup.predict.built import BuiltPickup
from labkit.rig.rig import Rig
from labkit.view.curve.curve import HIGH_HZ, LOW_HZ, Curve
from labkit.view.palette import FAMILY, SWEEPS

NAME = "the pickup on the bench"


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A plan, what was read, and what follows; ``problem`` says why nothing does."""

    plan: Plan
    data: dict[str, Any]
    verdict: Verdict | None
    problem: str = ""


def readings_data(plan: Plan, values: Mapping[str, Value]) -> dict[str, Any]:
    """Return the keys of a readings sheet with everything that was read."""
    data: dict[str, Any] = {"name": NAME}

    def shown(value: Value, unit: str) -> str:
        return format_quantity(float(f"{float(value):.6g}"), unit)

    if values["own.celsius"]:
        data["temperature"] = shown(values["own.celsius"], "°C")
    for key, name in (("own.ohms", "resistance"), ("own.insulation", "insulation")):
        if values[key]:
            data[name] = "open" if float(values[key]) >= OPEN_OHM else shown(values[key], "Ω")
    if values["own.pot"]:
        data["through_pots"] = [f"{shown(values['own.pot'], 'Ω')} ± 20 %"]
    for key, name in (("own.swing", "first_swing"), ("own.planned_swing", "planned_swing")):
        if values["own.swing"] != "not read":
            data[name] = str(values[key])
    if values["own.thin"] != "not read":
        data["passes_sound"] = values["own.thin"] == "yes"
    if values["own.henry"]:
        entry: dict[str, Any] = {
            "frequency": shown(values["own.at"], "Hz"),
            "model": str(values["own.model"]),
            "inductance": shown(values["own.henry"], "H"),
        }
        if values["own.quality"]:
            entry["q"] = float(values["own.quality"])
        data["lcr"] = [entry]
    field = []
    facings = {coil.facing for coil in plan.pickup.coils.values() if coil.facing}
    in_marks = values["own.scale"] == "marks"
    for number in range(1, POLES + 1):
        read = float(values[f"own.{'marks' if in_marks else 'pole'}{number}"])
        if not read:
            continue
        pole: dict[str, Any] = {
            "pole": str(number),
            **({"marks": read} if in_marks else {"value": shown(read, "T")}),
            "gap": shown(values["own.gap"], "m"),
        }
        if values["own.facing"] != "not read":
            pole["facing"] = str(values["own.facing"])
            if len(facings) == 1:
                pole["planned_facing"] = next(iter(facings))
        field.append(pole)
    if field:
        data["field"] = field
    known, read = float(values["own.ref_known"]), float(values["own.ref_read"])
    pieces = [{"grade": grade, "reads": reads} for grade, reads in _pieces(values)]
    if field and in_marks and pieces:
        data["field_meter"] = {"reference": pieces}
    elif field and known and read and not in_marks:
        data["field_meter"] = {"reference_reading": shown(read, "T"), "reference_value": shown(known, "T")}
    return data


def _meter_values(meter: FieldMeter) -> dict[str, Value]:
    """Return where the controls stand for a kept field meter."""
    if not meter.references:
        read, known = meter.reference_reading or 0.0, meter.reference_value or 0.0
        return {"own.scale": "field", "own.ref_read": read, "own.ref_known": known}
    found: dict[str, Value] = {"own.scale": "marks"}
    for n in range(1, PIECES + 1):
        piece = meter.references[n - 1] if n <= len(meter.references) else None
        found[f"own.piece{n}"] = piece.grade if piece else "none"
        found[f"own.piece_read{n}"] = piece.reads if piece else 0.0
    return found


def _pieces(values: Mapping[str, Value]) -> list[tuple[str, float]]:
    """Return grade and reading of every charged piece that was read."""
    found = [(str(values[f"own.piece{n}"]), float(values[f"own.piece_read{n}"])) for n in range(1, PIECES + 1)]
    return [(grade, reads) for grade, reads in found if grade != "none" and reads]


def judge(plan: Plan, values: Mapping[str, Value]) -> Judged:
    """Hold the readings against a plan."""
    data = readings_data(plan, values)
    try:
        readings: Readings = readings_from_table(Table(data, "readings"))
        if readings.resistance is None and not (readings.lcr or readings.field or readings.insulation):
            return Judged(plan=plan, data=data, verdict=None, problem="Nothing is read yet; begin with the resistance.")
        return Judged(plan=plan, data=data, verdict=diagnose_readings(plan, readings))
    except InputError as error:
        return Judged(plan=plan, data=data, verdict=None, problem=f"{capitalized(str(error))}.")


def readings_sheet(judged: Judged, meter: FieldMeter | None = None) -> str:
    """Return the readings as a sheet that ``labkit diagnose`` takes; a field meter with its name and day."""
    if meter is None or "field_meter" not in judged.data:
        return sheet_text("readings", judged.data)
    said: dict[str, Any] = {"name": meter.name} if meter.name else {}
    said |= {"made": meter.made} if meter.made else {}
    return sheet_text("readings", {**judged.data, "field_meter": {**said, **judged.data["field_meter"]}})


def calibration_words(values: Mapping[str, Value], meter: FieldMeter | None = None) -> str:
    """Say what the reference pieces say of the field meter, and which kept one it is."""
    told = [meter.name or "a kept meter", meter.age_in_words()] if meter is not None else []
    which = f"The meter ({', '.join(part for part in told if part)})" if told else "The meter"
    if values["own.scale"] == "marks":
        pieces = "; ".join(f"{reads:g} of a fully charged {grade}" for grade, reads in _pieces(values))
        return f"{which} shows {pieces}." if pieces else "Marks mean nothing before a charged piece was read."
    known, read = float(values["own.ref_known"]), float(values["own.ref_read"])
    if not known or not read:
        return "No reference piece was read: the field meter is trusted within 5 %."
    factor = known / read
    return (
        f"{which} shows {read * 1e3:.3g} mT for {known * 1e3:.3g} mT: its readings are multiplied by {factor:.3f}, "
        "which is good to ±4.4 % (the piece to 2 %, the reading to 1 %, one standard deviation each)."
    )


WAITS_FOR_TAKES = "the values come when the first four takes are there; the two after them narrow and prove them"

PREDICTED = FAMILY[1]
_GRID = np.geomspace(LOW_HZ, HIGH_HZ, 300)
_ZERO_HZ = 100.0


class MeasurePageState(CurvePageState[Judged | None]):
    """Sweeps and readings on the bench."""

    def __init__(self, rig: Rig | None = None, *, query: str = "", clock: Callable[[], float] = time.monotonic) -> None:
        self.is_demo = True
        self.recording = RecordingBench()
        self.lifting = LiftBench()
        self.files: dict[int, GivenFile] = dict(enumerate(demo_files(), start=1))
        self._read: dict[tuple[GivenFile, Choices], ReadFile] = {}
        self._plans: dict[str, Plan] = {}
        self._opened: dict[str, Plan] = {}
        self._awaited: dict[str, str] = {}
        self._meter: FieldMeter | None = None
        self._fitted: tuple[FitAsk, Fit] | None = None
        self._refused: tuple[FitAsk, str] | None = None
        self._take(list(demo_files()), Choices(), read_files(demo_files(), Choices()))
        super().__init__(rig, query=query, clock=clock)

    # what CurvePageState asks for

    def page_controls(self, rig: Rig, offered: ControlSet) -> ControlSet:
        """Return every control of the page."""
        return every_control(self.plans, self.builds)

    def own_defaults(self, rig: Rig) -> dict[str, Value]:
        """Return where they stand at first."""
        return {**sweep_defaults(self.is_demo), **READING_DEFAULTS, "own.plan": self._usual_plan}

    def result_of(self, rig: Rig, values: Mapping[str, Value]) -> Judged | None:
        """Return what the readings say; None while sweeps are shown."""
        return None if values["own.bench"] != "readings" else judge(self.plan(str(values["own.plan"])), values)

    # plans

    @property
    def plans(self) -> tuple[str, ...]:
        """Names of the pickups that readings may be held against."""
        return (*self._opened, *catalogue().usable_names("pickup"))

    @property
    def _usual_plan(self) -> str:
        usual = str(READING_DEFAULTS["own.plan"])
        return usual if usual in self.plans else self.plans[0]

    def plan(self, name: str) -> Plan:
        """Return a plan by its pickup's name."""
        if name in self._opened:
            return self._opened[name]
        if name not in self._plans:
            self._plans[name] = load_plan(name)
        return self._plans[name]

    def is_in_catalogue(self, name: str) -> bool:
        """Whether a plan is one of the catalogue, not opened here."""
        return name not in self._opened

    def open(self, query: str) -> None:
        """Start from the query of an address; plans that were opened before the page was may still arrive."""
        super().open(query)
        fields = split_query(query)[1]
        self._awaited = {f"own.{key}": fields[key] for key in ("plan", "lift_over") if key in fields}

    def open_plan(self, text: str, where: str, *, is_kept: bool = False) -> str:
        """Take a pickup sheet as the plan and return the pickup's name; InputError where it is none.

        One that the browser had kept becomes the plan only where the address asks for it.
        """
        plan = plan_from_table(parse_sheet(text, where, kinds=("pickup",)))
        title, number = f"{plan.pickup.name[:60]} (opened)", 2
        while title in self._opened:
            title, number = f"{plan.pickup.name[:60]} (opened, {number})", number + 1
        self._opened[title] = plan
        for key in ("own.plan", "own.lift_over"):
            if is_kept and self._awaited.get(key) == title:
                self._move(key, title)
                self.problems = tuple(problem for problem in self.problems if title not in problem)
        if not is_kept:
            self._move("own.lift_over" if self.is_lifting and plan.built is not None else "own.plan", title)
        return plan.pickup.name[:60]

    # field meter

    @property
    def field_meter(self) -> FieldMeter | None:
        """The kept field meter, while the controls show its pieces."""
        if self._meter is None:
            return None
        shown, due = self.values, _meter_values(self._meter)
        return self._meter if all(shown[key] == value for key, value in due.items()) else None

    def open_meter(self, text: str, where: str, *, is_kept: bool = False) -> str:
        """Take a kept field meter, set the controls of its pieces and return its name.

        One that the browser had kept counts where the address still shows its pieces.

        Raises
        ------
        SheetError
            Where the sheet is none, or the page has no room for its pieces.
        """
        table = parse_sheet(text, where, kinds=(METER_SHEET,))
        meter = field_meter_from_table(table)
        if len(meter.references) > PIECES:
            table.fail(
                "reference", f"has {len(meter.references)} pieces; this page takes {PIECES}, labkit diagnose all"
            )
        grades = catalogue().usable_names("magnet")
        for piece in meter.references:
            if piece.grade not in grades:
                table.fail("reference", f"no such grade: '{piece.grade}'{did_you_mean(piece.grade, grades)}")
        self._meter = meter
        if not is_kept:
            own = {**dict(self.snapshot.own), **_meter_values(meter)}
            rig = self.snapshot.rig.setup.rig
            self._history.move(replace(self.snapshot, own=self._only_unusual(rig, own)))
        return meter.name or where

    def meter_to_keep(self, name: str) -> FieldMeter:
        """Return the field meter as the controls show it, under a name; InputError where no piece was read."""
        if self.field_meter is not None:
            return replace(self.field_meter, name=name or self.field_meter.name)
        in_marks = self.values["own.scale"] == "marks"
        pieces = tuple(MeterReference(grade=grade, reads=reads) for grade, reads in _pieces(self.values))
        known, read = float(self.values["own.ref_known"]), float(self.values["own.ref_read"])
        if not (pieces if in_marks else known and read):
            raise InputError("a field meter is kept by what it shows of a reference piece; read one first")
        today = datetime.date.today()
        if in_marks:
            return FieldMeter(name=name, made=today, references=pieces)
        return FieldMeter(name=name, made=today, reference_reading=read, reference_value=known)

    # files

    def add(self, given: GivenFile) -> None:
        """Take a file; the first of a person's own puts the demo away.

        Raises
        ------
        InputError
            If there are four already.
        """
        if self.is_demo:
            self.is_demo, self.files = False, {}
            self._forget_fixture()
        free = [slot for slot in range(1, MOST_SWEEPS + 1) if slot not in self.files]
        if not free:
            raise InputError(
                f"{MOST_SWEEPS} sweeps are on the bench, which is as many as a fit needs; remove one first"
            )
        names = {other.name for other in self.files.values()}
        name, number = given.name, 2
        while name in names:
            name, number = f"{number} {given.name}", number + 1
        self.files[free[0]] = replace(given, name=name)

    def remove(self, slot: int) -> None:
        """Take a file off the bench; without the last one the demo comes back."""
        self.files.pop(slot, None)
        if not self.files:
            self.show_demo()

    def show_demo(self) -> None:
        """Put the demo sweeps on the bench."""
        self.is_demo = True
        self.files = dict(enumerate(demo_files(), start=1))
        self._forget_fixture()

    def _forget_fixture(self) -> None:
        """Loads and fixture belong to the files they were set for; readings stay."""
        apart = {*READING_DEFAULTS, *LIFT_DEFAULTS, "own.bench"}
        kept = tuple((key, value) for key, value in self.snapshot.own if key in apart)
        self._start_from(replace(self.snapshot, own=kept))

    # recording

    @property
    def is_recording(self) -> bool:
        """Whether the pickup is measured with a sound interface."""
        return self.values["own.bench"] == "recordings"

    @property
    def series(self) -> SeriesResistor:
        """The resistor of the recordings, as the controls state it."""
        return SeriesResistor(
            resistance=float(self.values["own.recorded_series"]),
            tolerance=float(self.values["own.recorded_good"]) / 100,
        )

    # lifted strings

    @property
    def is_lifting(self) -> bool:
        """Whether strings are lifted by a shim."""
        return self.values["own.bench"] == "lifts"

    @property
    def builds(self) -> tuple[str, ...]:
        """Names of the builds that strings may be lifted over."""
        opened = (name for name, plan in self._opened.items() if plan.built is not None)
        return (*opened, *built_names())

    @property
    def lifted_notes(self) -> tuple[str, ...]:
        """Notes of the strings that may be lifted."""
        return notes_of(self.values, self._lifted_over)

    def judged_lifts(self) -> JudgedLifts | None:
        """Return what lifted strings say; None before one is recorded, InputError where something is missing."""
        return self.lifting.judged(self.values, self._lifted_over)

    @property
    def _lifted_over(self) -> BuiltPickup | None:
        name = str(self.values["own.lift_over"])
        return None if name == NO_BUILD else self.plan(name).built

    # reading

    @property
    def choices(self) -> Choices:
        """What was said about columns and units."""
        return Choices.of(self.values)

    @property
    def unread(self) -> list[GivenFile]:
        """Files that have not been read with the present choices."""
        if self.is_recording or self.is_lifting:
            return []
        return [given for given in self.files.values() if (given, self.choices) not in self._read]

    def take_read(self, files: list[GivenFile], choices: Choices, read: list[ReadFile]) -> None:
        """Take what `read_files` found."""
        self._take(files, choices, read)

    def _take(self, files: list[GivenFile], choices: Choices, read: list[ReadFile]) -> None:
        self._read.update({(given, choices): found for given, found in zip(files, read)})

    def read_as(self, slot: int) -> ReadFile | None:
        """Return how a file was read; None while it is not."""
        return self._read.get((self.files[slot], self.choices))

    @property
    def is_asking(self) -> bool:
        """Whether a file could be read in two ways, or something was said about columns and units."""
        answered = any(self.values[control.key] != "found" for control in READING)
        return answered or any(read is not None and read[0] is None for read in map(self.read_as, self.files))

    def measurements(self) -> tuple[tuple[int, Measurement], ...]:
        """Return every sweep that was read with its fixture, by slot; InputError where one cannot be used."""
        if self.is_recording:
            recorded = self.recording.measurement(self.series)
            return () if recorded is None else ((1, recorded),)
        found = []
        for slot in sorted(self.files):
            read = self.read_as(slot)
            if read is not None and read[0] is not None:
                found.append((slot, measurement_of(read[0], slot, self.values)))
        return tuple(found)

    # the fit

    @property
    def asked(self) -> FitAsk | None:
        """The fit that the present state asks for; None where it cannot be made (`problem` says why)."""
        try:
            found = self.measurements()
        except InputError:
            return None
        if not found or self.unread:
            return None
        return FitAsk(
            measurements=tuple(measurement for _, measurement in found),
            name="worn single coil, measured" if self._shows_demo else f"{_stem(found[0][1].sweep.name)}, measured",
            resistance=dc_reading(self.values, "own.recorded_dcr" if self.is_recording else "own.dcr"),
            sections=str(self.values["own.sections"]),
        )

    @property
    def fit(self) -> Fit | None:
        """The fit of the present state, where it is there."""
        asked = self.asked
        if asked is None:
            return None
        if self._fitted is not None and _same(self._fitted[0], asked):
            return self._fitted[1]
        if self._is_demo_as_taken:
            self._fitted = (asked, demo_fit(list(asked.measurements)))
            return self._fitted[1]
        return None

    @property
    def problem(self) -> str:
        """Why there is no fit; empty where there is one or it only has not been made."""
        if self._refused is not None and self.asked is not None and _same(self._refused[0], self.asked):
            return self._refused[1]
        try:
            found = self.measurements()
        except InputError as error:
            return str(error)
        if self.is_recording:
            return "" if found else WAITS_FOR_TAKES
        if not found and not self.unread:
            return "no file could be read; see what each says, and answer under 'How to read the files'"
        return ""

    @property
    def needs_fit(self) -> bool:
        """Whether a fit must be made."""
        return self.asked is not None and self.fit is None and not self.problem

    def take_fit(self, asked: FitAsk, fit: Fit) -> None:
        """Take a fit that was made."""
        self._fitted = (asked, fit)

    def take_refusal(self, asked: FitAsk, sentence: str) -> None:
        """Take why a fit could not be made."""
        self._refused = (asked, sentence)

    @property
    def _shows_demo(self) -> bool:
        return self.is_demo and not self.is_recording

    @property
    def _is_demo_as_taken(self) -> bool:
        usual = sweep_defaults(True)
        return (
            self._shows_demo
            and len(self.files) == 2
            and all(self.values[key] == value for key, value in usual.items() if key != "own.bench")
        )

    # what is shown

    @property
    def shown_controls(self) -> ControlSet:
        """The controls that matter now."""
        sweeps, kinds = [], {"" if self.values["own.kind"] == "file" else str(self.values["own.kind"])}
        for slot in sorted(self.files):
            read = self.read_as(slot)
            if read is not None and read[0] is not None:
                sweeps.append((slot, self.files[slot].name))
                kinds.add(kind_of(read[0], self.values) or "")
        return shown_groups(
            bench=str(self.values["own.bench"]),
            kinds=kinds,
            sweeps=tuple(sweeps),
            asks=self.is_asking,
            plans=self.plans,
            builds=self.builds,
            scale=str(self.values["own.scale"]),
        )

    def curves(self) -> tuple[list[Curve], list[Curve]]:
        """Return fitted lines with measured points, and residuals; an exciter's rise is taken out of both.

        Zero is the fitted level at 100 Hz; before there is a fit, the measured level there.
        """
        lines: list[Curve] = []
        rests: list[Curve] = []
        try:
            found = self.measurements()
        except InputError:
            return [], []
        fit = self.fit
        for order, (slot, measurement) in enumerate(found):
            style, sweep, label = SWEEPS[slot - 1], measurement.sweep, _stem(measurement.sweep.name)
            rises = measurement.fixture.kind == "exciter" and measurement.fixture.exciter_differentiates
            if fit is None:
                level = sweep.level_db - (20 * np.log10(sweep.frequency_hz / _ZERO_HZ) if rises else 0.0)
                zero = float(np.interp(np.log(_ZERO_HZ), np.log(sweep.frequency_hz), level))
                level = level - zero
                lines.append(Curve(frequency_hz=sweep.frequency_hz, gain_db=level, label=label, style=style))
                lines.append(_points(sweep.frequency_hz, level, label, style))
                continue
            rest = fit.residuals[order]
            fixture = rest.fixture

            def model(frequency: np.ndarray, fixture: Fixture = fixture, rises: bool = rises) -> np.ndarray:
                reading = 20 * np.log10(np.abs(fixture_reading(fit.coil, fixture, frequency)))
                level: np.ndarray = reading - (20 * np.log10(frequency / _ZERO_HZ) if rises else 0.0)
                return level

            zero = float(model(np.array([_ZERO_HZ]))[0])
            lines.append(Curve(frequency_hz=_GRID, gain_db=model(_GRID) - zero, label=label, style=style))
            seen = model(rest.frequency_hz) - zero + rest.level_db
            lines.append(_points(rest.frequency_hz, seen, label, style))
            rests.append(Curve(frequency_hz=rest.frequency_hz, gain_db=rest.level_db, label=label, style=style))
        if fit is not None and fit.prediction is not None:
            lines.append(
                Curve(
                    frequency_hz=fit.prediction.frequency_hz,
                    gain_db=fit.prediction.level_db,
                    low_db=fit.prediction.low_db,
                    high_db=fit.prediction.high_db,
                    label=f"into {load_in_words(fit.prediction.fixture.load)}, predicted",
                    brief="predicted",
                    style=PREDICTED,
                )
            )
        return lines, rests

    def fitted_in_rig(self) -> tuple[tuple[str, str], ...]:
        """Return for each place of the travelling rig its name and the query of the rig with the fit in it."""
        if self.fit is None:
            return ()
        text = self._fitted_text(self.fit)
        links = []
        for slot in self.rig.pickups:
            setup = self.setup_with({slot: text})
            self.rig_of(setup)
            links.append((slot.replace("_", " "), self.query_of(replace(self.snapshot.rig, setup=setup))))
        return tuple(links)

    def rig_with_fit(self) -> Rig | None:
        """Return the travelling rig with the fitted pickup in its first place."""
        if self.fit is None:
            return None
        slot = next(iter(self.rig.pickups))
        return self.rig.replace(pickups={slot: self.fit.pickup})

    def _fitted_text(self, fit: Fit) -> str:
        table = parse_sheet(fit_sheet_text(fit), "fit", kinds=("pickup",))
        return pickup_text(made_from("", flatten(dict(table.data))))


def _points(frequency: np.ndarray, level: np.ndarray, label: str, style: object) -> Curve:
    return Curve(frequency_hz=frequency, gain_db=level, label=f"{label}, measured", style=style, is_measured=True)  # type: ignore[arg-type]


def _stem(name: str) -> str:
    head, point, _ = name.rpartition(".")
    return head if point and head else name


def _same(one: FitAsk, other: FitAsk) -> bool:
    """Sweeps hold arrays, so two asks are alike when they hold the same sweeps and equal settings."""
    if (one.name, one.resistance, one.sections) != (other.name, other.resistance, other.sections):
        return False
    if len(one.measurements) != len(other.measurements):
        return False
    return all(
        first.fixture == second.fixture
        and first.sweep.name == second.sweep.name
        and np.array_equal(first.sweep.frequency_hz, second.sweep.frequency_hz)
        and np.array_equal(first.sweep.magnitude, second.sweep.magnitude)
        for first, second in zip(one.measurements, other.measurements)
    )
