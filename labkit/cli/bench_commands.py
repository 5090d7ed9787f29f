"""``labkit fit``, ``diagnose`` and ``reproduce``: the bench at the command line."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from labkit.cli.options import Output, emit, result_options
from labkit.core.errors import InputError, did_you_mean
from labkit.core.sourced import Interval
from labkit.core.units import format_quantity, name_and_value, parse_quantity, stated, stated_temperature

if TYPE_CHECKING:
    from labkit.bench.fit.fit import Fit
    from labkit.bench.fit.fixture import Measurement
    from labkit.bench.fit.pair import PairFit
    from labkit.bench.read.sweep_reader import ReadingChoices

KINDS = ("impedance", "divider", "exciter")


@click.command()
@click.argument("sweeps", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="SWEEP...")
@result_options()
@click.option("--kind", type=click.Choice(KINDS), help="What the sweeps are, where the files do not show it.")
@click.option(
    "loads",
    "--load",
    multiple=True,
    metavar="LOAD",
    help="Load box of each SWEEP in order: none, 200k+470p, '10n ± 5 %'. Unstated tolerances: 5 % and 10 %.",
)
@click.option(
    "coils",
    "--coil",
    multiple=True,
    metavar="COIL",
    help="Of a two-coil pickup, what each SWEEP is of: first, second (alone, the other open), series or parallel.",
)
@click.option("--meter", metavar="LOAD", help="Instrument input, such as 1M+30p; leave out what is unknown.")
@click.option("--predict", metavar="LOAD", help="Load to predict the curve under; 200k+470p where absent.")
@click.option("--series", metavar="OHM", help="Series resistor of a divider sweep or recordings, such as '1M ± 1 %'.")
@click.option("--interface", type=click.Path(path_type=Path), help="Calibration kept by labkit sweep calibrate.")
@click.option("--sense", metavar="OHM", help="Resistor that shows the exciter's current in recordings, 100 Ω.")
@click.option("--rig-corner", metavar="HZ", help="First-order roll-off of the exciter rig, or 'fit'.")
@click.option("--integrated", is_flag=True, help="The exciter's d/dt was already taken out.")
@click.option("--resistance", metavar="OHM", help="DC reading, such as '8.2 kΩ ± 1 %'.")
@click.option("--sections", default="auto", metavar="N", help="Eddy sections, 0 to 4, or auto.")
@click.option("--loss", "fit_loss", is_flag=True, help="Fit a parallel loss resistance too.")
@click.option("--band", metavar="LOW-HIGH", help="Use only these frequencies, such as 40-12k.")
@click.option(
    "columns", "--column", multiple=True, metavar="ROLE=COLUMN", help="Such as frequency=2, magnitude='Z', Ls=3:mH."
)
@click.option("--separator", type=click.Choice(("comma", "semicolon", "tab", "bar", "space")))
@click.option("--decimal", type=click.Choice(("point", "comma")), help="Decimal mark of the numbers.")
@click.option("--frequency-unit", type=click.Choice(("Hz", "kHz", "MHz", "rad/s", "log10 Hz")))
@click.option(
    "--magnitude-unit", type=click.Choice(("dB", "linear", "ohm", "kohm", "Mohm", "dBohm", "volt", "millivolt"))
)
@click.option("--phase-unit", type=click.Choice(("deg", "rad")))
@click.option("--through", type=click.Choice(("series", "shunt")), help="How the pickup sat between two ports.")
@click.option("--worksheet", metavar="NAME", help="Sheet of a workbook that holds the sweep.")
@click.option("--reader", metavar="NAME", help="Sweep reader to use, where several know the file.")
@click.option("--name", default=None, help="Name of the fitted pickup.")
@click.option("--sheet", type=click.Path(path_type=Path), help="Write the pickup sheet (TOML) here.")
@click.option("--record", type=click.Path(path_type=Path), help="Write curves and residuals (printable HTML) here.")
@click.option("book_file", "--book", type=click.Path(path_type=Path), help="Enter the fit into this workshop book.")
@click.option("--serial", help="With --book: serial number of the coil, already in the book.")
@click.option("--temperature", metavar="CELSIUS", help="With --book: of the coil, '22 °C ± 1'.")
@click.option("book_meter", "--book-meter", metavar="LABEL", help="With --book: what it was swept with.")
def fit(
    sweeps: tuple[Path, ...],
    out: Output,
    loads: tuple[str, ...],
    coils: tuple[str, ...],
    meter: str | None,
    predict: str | None,
    series: str | None,
    interface: Path | None,
    sense: str | None,
    rig_corner: str | None,
    integrated: bool,
    resistance: str | None,
    sections: str,
    fit_loss: bool,
    band: str | None,
    name: str | None,
    sheet: Path | None,
    record: Path | None,
    book_file: Path | None,
    serial: str | None,
    temperature: str | None,
    book_meter: str | None,
    **reading: Any,
) -> None:
    """Fit R, L, C and eddy losses of one coil to one or more SWEEPs of it.

    SWEEP is a CSV, TSV, XLSX or Touchstone file, also a table of an LCR meter or a circuit simulator; several sweeps of
    the same pickup under different loads are fitted together. A good one has a row of headings that name quantity and
    unit, such as Frequency (Hz),Impedance (ohm),Phase (deg) or Frequency (Hz),Level (dB), and 60 to 500 rows from 60 Hz
    to 20 kHz. Recordings (WAV or FLAC) of what labkit sweep write made are taken by their names: source, open, shorted,
    open again, again, and anything else as the pickup.
    """
    from labkit.bench.fit.fit import FIT_BAND_HZ, fit_sheet_text, fit_sweeps
    from labkit.bench.fit.fixture import STANDARD_LOAD, parse_load
    from labkit.bench.read.sweep_reader import ReadingChoices
    from labkit.bench.recording.recording import is_recording

    reading["columns"] = _columns(reading["columns"])
    reading["decimal"] = {"point": ".", "comma": ",", None: None}[reading["decimal"]]
    if any(map(is_recording, sweeps)):
        measurements = _recorded(sweeps, reading["kind"], loads, series, interface, sense)
    else:
        if interface is not None or sense is not None:
            raise InputError("--interface and --sense belong to recordings (WAV or FLAC); none was given")
        choices = ReadingChoices(**reading)
        measurements = _measurements(sweeps, choices, loads, meter, series, rig_corner, integrated)
    label = name or f"{Path(measurements[0].sweep.name).stem}, measured"
    if coils:
        from labkit.bench.fit.pair import fit_pair, pair_sheet_text

        if record is not None or book_file is not None:
            raise InputError("--record and --book take the fit of one coil; leave them out with --coil")
        pair = fit_pair(measurements, coils, name=label, band_hz=_band(band) if band else FIT_BAND_HZ)
        if sheet is not None:
            emit(pair_sheet_text(pair), sheet, out.force)
        out.write(text=lambda: pair_text(pair), data=pair.as_dict)
        return
    result = fit_sweeps(
        measurements,
        name=label,
        resistance=Interval.relative(*stated(resistance, "Ω", "--resistance", 0.005)) if resistance else None,
        sections="auto" if sections == "auto" else _whole(sections, "--sections"),
        fit_loss=fit_loss,
        band_hz=_band(band) if band else FIT_BAND_HZ,
        predicted_load=parse_load(predict) if predict else STANDARD_LOAD,
    )
    if book_file is not None:
        _entered(result, book_file, serial, temperature, book_meter)
    if sheet is not None:
        emit(fit_sheet_text(result), sheet, out.force)
    if record is not None:
        from labkit.report.fit_paper import fit_paper_html

        emit(fit_paper_html(result, measurements), record, out.force)
    out.write(text=lambda: fit_text(result, measurements), data=result.as_dict)


def _entered(result: Fit, file: Path, serial: str | None, temperature: str | None, meter: str | None) -> None:
    from labkit.book.records import Meter, Session, now
    from labkit.book.store import open_book
    from labkit.book.sweeps import enter_fit

    if serial is None or temperature is None:
        raise InputError("--book needs the coil and its temperature: --serial 0114 --temperature '22 °C ± 1'")
    celsius, deviation = stated_temperature(temperature, "--temperature")
    with open_book(file) as book:
        session = Session(started_at=now()[:16], celsius=celsius, celsius_deviation=deviation)
        used = None if meter is None else book.labelled(Meter, meter)
        enter_fit(book, book.coil(serial), result, session=session, meter=used)
    click.echo(f"labkit: entered as one sweep of coil {serial} in {file}", err=True)


def _columns(given: tuple[str, ...]) -> dict[str, int | str] | None:
    requirement = "--column takes ROLE=COLUMN, such as frequency=2"
    return dict(name_and_value(entry, requirement) for entry in given) or None


def _measurements(
    sweeps: tuple[Path, ...],
    choices: ReadingChoices,
    loads: tuple[str, ...],
    meter: str | None,
    series: str | None,
    rig_corner: str | None,
    integrated: bool,
) -> list[Measurement]:
    from labkit.bench.fit.fixture import (
        CAPACITOR_TOLERANCE,
        RESISTOR_TOLERANCE,
        Fixture,
        Measurement,
        parse_load,
        with_tolerance,
    )
    from labkit.bench.read.sweep_reader import read_sweep

    if loads and len(loads) != len(sweeps):
        raise InputError(
            f"give one --load for each sweep, in the same order ('none' for the bare pickup); "
            f"got {len(loads)} for {len(sweeps)} sweeps"
        )
    if not loads and len(sweeps) > 1:
        raise InputError("several sweeps need a --load each, such as --load none --load 200k+470p")
    made = []
    for path, load in zip(sweeps, loads or ("none",) * len(sweeps)):
        sweep = read_sweep(path, choices)
        if sweep.kind is None:
            raise InputError(
                f"{path.name}: the file does not show what was measured; give --kind {', '.join(KINDS[:2])} or "
                f"{KINDS[2]}"
            )
        meter_load = parse_load(meter) if meter else None
        # An impedance analyser is compensated at its tips; any other instrument has an input capacitance.
        unknown = None if sweep.kind != "impedance" or meter else 0.0
        fits_corner = rig_corner == "fit" and sweep.kind == "exciter"
        series_value, series_tolerance = with_tolerance(series or "")
        fixture = Fixture(
            kind=sweep.kind,
            load=parse_load(load),
            meter_resistance=meter_load.resistance if meter_load else None,
            meter_resistance_tolerance=meter_load.resistance_tolerance if meter_load else RESISTOR_TOLERANCE,
            meter_capacitance=meter_load.capacitance if meter_load and meter_load.capacitance else unknown,
            meter_capacitance_tolerance=meter_load.capacitance_tolerance if meter_load else CAPACITOR_TOLERANCE,
            series_resistance=parse_quantity(series_value, "Ω") if series else None,
            series_tolerance=RESISTOR_TOLERANCE if series_tolerance is None else series_tolerance,
            exciter_differentiates=not integrated,
            rig_corner_hz=_corner(rig_corner),
            fit_rig_corner=fits_corner,
        )
        made.append(Measurement(sweep=sweep, fixture=fixture))
    return made


def _recorded(
    recordings: tuple[Path, ...],
    kind: str | None,
    loads: tuple[str, ...],
    series: str | None,
    interface: Path | None,
    sense: str | None,
) -> list[Measurement]:
    from labkit.bench.fit.fixture import parse_load
    from labkit.bench.recording.recording import is_recording
    from labkit.cli.sweep_commands import recorded_measurements

    tables = [path.name for path in recordings if not is_recording(path)]
    if tables:
        raise InputError(f"{tables[0]}: is no recording; fit tables and recordings one by one")
    return recorded_measurements(
        recordings,
        interface=interface,
        series=series,
        exciter=kind == "exciter",
        sense=sense,
        loads=[parse_load(load) for load in loads],
    )


def _corner(text: str | None) -> float:
    if text is None or text == "fit":
        return math.inf
    return parse_quantity(text if text.rstrip().casefold().endswith("hz") else f"{text}Hz", "Hz")


def _whole(text: str, option: str) -> int:
    if not text.strip().isdigit():
        raise InputError(f"{option} takes a whole number or 'auto'; got '{text}'.{did_you_mean(text, ['auto'])}")
    return int(text)


def _band(text: str) -> tuple[float, float]:
    low, dash, high = text.partition("-")
    if not dash:
        raise InputError(f"--band takes LOW-HIGH, such as 40-12k; got '{text}'")
    bounds = (_corner(low.strip()), _corner(high.strip()))
    if bounds[0] >= bounds[1]:
        raise InputError(f"--band must rise; got '{text}'")
    return bounds


def _row(label: str, interval: Interval, unit: str) -> str:
    value, low, high = (format_quantity(x, unit, digits=4) for x in (interval.value, interval.low, interval.high))
    return f"{label:<22}{value:>12}   {low} to {high}"


def pair_text(result: PairFit) -> str:
    """Return the fit of two coupled coils as a person reads it."""
    lines = [result.pickup.name, "", f"{'':<22}{'value':>12}   95 % bounds"]
    for name, coil in result.coils.items():
        lines.append(_row(f"{name} resistance", coil.resistance, "Ω"))
        lines.append(_row(f"{name} inductance", coil.inductance, "H"))
        lines.append(_row(f"{name} capacitance", coil.capacitance, "F"))
    k = result.coupling
    lines.append(f"{'coupling':<22}{k.value:>12.3f}   {k.low:.3f} to {k.high:.3f}")
    lines += ["", f"rms residual {result.residual_db:.2f} dB"]
    return "\n".join([*lines, *(f"warning: {warning}" for warning in result.warnings)])


def fit_text(result: Fit, measurements: list[Measurement]) -> str:
    """Return a fit as a person reads it."""

    lines = [result.name, ""]
    for measurement in measurements:
        lines.append(f"{measurement.sweep.name}: {'; '.join(measurement.sweep.understood)}")
    lines += ["", f"{'':<22}{'value':>12}   95 % bounds"]
    lines.append(_row("resistance", result.resistance, "Ω"))
    lines.append(_row("inductance", result.inductance, "H"))
    lines.append(_row("capacitance", result.capacitance, "F"))
    if result.loss_resistance:
        lines.append(_row("parallel loss", result.loss_resistance, "Ω"))
    is_spread = bool(result.rivals) and result.rivals[0].core == "spread"
    if is_spread:
        whole = sum(section.fraction.value for section in result.eddy)
        middle = result.eddy[len(result.eddy) // 2].corner_hz
        lines.append(f"{'eddy, spread':<22}{whole:>12.3f}   of the inductance, written as seven sections")
        lines.append(_row("around", middle, "Hz"))
    for number, section in enumerate(() if is_spread else result.eddy, start=1):
        lines.append(
            f"{f'eddy {number} fraction':<22}{section.fraction.value:>12.3f}   "
            f"{section.fraction.low:.3f} to {section.fraction.high:.3f}"
        )
        lines.append(_row(f"eddy {number} corner", section.corner_hz, "Hz"))
    if result.rig_corner_hz:
        lines.append(_row("rig corner", result.rig_corner_hz, "Hz"))
    lines += ["", f"rms residual {result.residual_db:.2f} dB, of which smooth {result.discrepancy_db:.2f} dB"]
    if result.prediction is not None:
        lines.append(result.prediction.sentence)
    lines += [f"doubt: {doubt}" for doubt in result.doubts]
    lines += [f"warning: {warning}" for warning in result.warnings]
    return "\n".join(lines)


@click.command()
@click.argument("pickup")
@click.argument("readings", type=click.Path(path_type=Path))
@result_options()
@click.option("--field-meter", type=click.Path(path_type=Path), help="Sheet of the field meter, kept by itself.")
@click.option("--record", type=click.Path(path_type=Path), help="Write the printable test record (HTML) here.")
def diagnose(pickup: str, readings: Path, out: Output, field_meter: Path | None, record: Path | None) -> int:
    """Compare the plan PICKUP (a sheet, or a name in the catalogue) with the READINGS of a finished or worn one.

    READINGS is a sheet of single readings. Exit code 1 says that something does not fit the plan.
    """
    from labkit.bench.diagnose.diagnose import diagnose_readings
    from labkit.bench.diagnose.readings import load_field_meter, load_plan, load_readings

    meter = load_field_meter(field_meter) if field_meter is not None else None
    verdict = diagnose_readings(load_plan(pickup), load_readings(readings, meter))
    if record is not None:
        from labkit.report.papers import bench_record_html

        emit(bench_record_html(verdict), record, out.force)
    out.write(text=verdict.text, data=verdict.as_dict)
    return 0 if verdict.passes else 1


@click.command()
@click.argument("bobbin")
@result_options()
@click.option("--original", metavar="PICKUP", help="Its electrical values: the sheet of a fit, or a catalogue name.")
@click.option("--readings", type=click.Path(path_type=Path), help="Its single readings: a readings sheet.")
@click.option("wires", "--wire", multiple=True, required=True, metavar="WIRE", help="A wire in stock; repeat for each.")
@click.option("magnets", "--magnet", multiple=True, metavar="GRADE", help="A magnet in stock; the bobbin's if absent.")
@click.option("turns", "--turns", default="3000-12000", metavar="LOW-HIGH", help="Fewest and most turns to try.")
@click.option(
    "--by",
    type=click.Choice(("readings", "curve")),
    help="Sort by what could be the original, or by the closest curve; readings, where there are any.",
)
@click.option("--rig", metavar="RIG", help="Rig to compare curves in; 200 kΩ parallel to 470 pF where absent.")
@click.option("--record", type=click.Path(path_type=Path), help="Write the printable record (HTML) here.")
def reproduce(
    bobbin: str,
    out: Output,
    original: str | None,
    readings: Path | None,
    wires: tuple[str, ...],
    magnets: tuple[str, ...],
    turns: str,
    by: str | None,
    rig: str | None,
    record: Path | None,
) -> None:
    """Find the build on BOBBIN (a build sheet or catalogue name) that could be an original, or comes close to it.

    Every reading counts: resistance, inductance, capacitance, size, weight, wire and field say whether a build could be
    the same; the curve in a rig says whether it would sound alike. A dead original goes by its readings alone.
    """
    from labkit.bench import reproduce as search
    from labkit.bench.diagnose.readings import load_readings
    from labkit.pickup.predict.built import load_built
    from labkit.rig.sheet import load_pickup, load_rig

    stock = load_built(bobbin)
    grades = {coil.grade.name for _, coil in stock.build.coils if coil.grade is not None}
    known, full_field = search.original_of(
        load_readings(readings) if readings else None, load_pickup(original) if original else None, stock
    )
    low, high = _turns(turns)
    found = search.reproduce(
        known,
        wires=wires,
        magnets=magnets or tuple(sorted(grades)),
        turns=(low, high),
        build=search.stock_build(stock),
        rig=search.in_rig(load_rig(rig)) if rig else search.standard_rig,
        full_field=full_field,
        order=by or "readings",  # type: ignore[arg-type]
    )
    if record is not None:
        from labkit.report.reproduce_paper import reproduce_paper_html

        emit(reproduce_paper_html(stock.name, known, found), record, out.force)
    out.write(
        text=lambda: "\n\n".join(item.text() for item in found),
        data=lambda: {"builds": [item.as_dict() for item in found]},
    )


def _turns(text: str) -> tuple[float, float]:
    low, dash, high = text.partition("-")
    if not dash or not low.strip().isdigit() or not high.strip().isdigit():
        raise InputError(f"--turns takes LOW-HIGH, such as 5000-11000; got '{text}'")
    return float(low), float(high)
