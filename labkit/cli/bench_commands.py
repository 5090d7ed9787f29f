"""``labkit fit`` and ``labkit diagnose``: the bench at the command line."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from labkit.cli.options import emit, json_option, output_options
from labkit.core.errors import InputError, did_you_mean
from labkit.core.files import as_json_text
from labkit.core.sourced import Interval
from labkit.core.units import format_quantity, name_and_value, parse_quantity

if TYPE_CHECKING:
    from labkit.bench.fit.fit import Fit
    from labkit.bench.fit.fixture import Measurement
    from labkit.bench.read.sweep_reader import ReadingChoices

KINDS = ("impedance", "divider", "exciter")


@click.command()
@click.argument("sweeps", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="SWEEP...")
@json_option
@output_options
@click.option("--kind", type=click.Choice(KINDS), help="What the sweeps are, where the files do not show it.")
@click.option(
    "loads",
    "--load",
    multiple=True,
    metavar="LOAD",
    help="Load box of each SWEEP in order: none, 200k+470p, '10n ± 5 %'.",
)
@click.option("--meter", metavar="LOAD", help="Instrument input, such as 1M+30p; leave the capacitance out if unknown.")
@click.option("--series", metavar="OHM", help="Series resistor of a divider sweep or of recordings, such as 1M.")
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
def fit(
    sweeps: tuple[Path, ...],
    as_json: bool,
    output: Path | None,
    force: bool,
    kind: str | None,
    loads: tuple[str, ...],
    meter: str | None,
    series: str | None,
    interface: Path | None,
    sense: str | None,
    rig_corner: str | None,
    integrated: bool,
    resistance: str | None,
    sections: str,
    fit_loss: bool,
    band: str | None,
    columns: tuple[str, ...],
    separator: str | None,
    decimal: str | None,
    frequency_unit: str | None,
    magnitude_unit: str | None,
    phase_unit: str | None,
    through: str | None,
    worksheet: str | None,
    reader: str | None,
    name: str | None,
    sheet: Path | None,
    record: Path | None,
) -> None:
    """Fit R, L, C and eddy losses of one coil to one or more SWEEPs of it.

    SWEEP is a CSV, TSV, XLSX or Touchstone file, also a table of an LCR meter or a circuit simulator; several sweeps of
    the same pickup under different loads are fitted together. Recordings (WAV or FLAC) of what labkit sweep write made
    are taken by their names: source, open, shorted, again, and anything else as the pickup.
    """
    from labkit.bench.fit.fit import FIT_BAND_HZ, fit_sheet_text, fit_sweeps
    from labkit.bench.read.sweep_reader import ReadingChoices
    from labkit.bench.recording.recording import is_recording

    marks: dict[str | None, Literal[".", ","]] = {"point": ".", "comma": ","}
    choices = ReadingChoices(
        kind=kind,  # type: ignore[arg-type]
        columns=_columns(columns),
        separator=separator,  # type: ignore[arg-type]
        decimal=marks.get(decimal),
        frequency_unit=frequency_unit,  # type: ignore[arg-type]
        magnitude_unit=magnitude_unit,  # type: ignore[arg-type]
        phase_unit=phase_unit,  # type: ignore[arg-type]
        reader=reader,
        worksheet=worksheet,
        through=through,  # type: ignore[arg-type]
    )
    if any(map(is_recording, sweeps)):
        measurements = _recorded(sweeps, kind, loads, series, interface, sense)
    else:
        if interface is not None or sense is not None:
            raise InputError("--interface and --sense belong to recordings (WAV or FLAC); none was given")
        measurements = _measurements(sweeps, choices, loads, meter, series, rig_corner, integrated)
    result = fit_sweeps(
        measurements,
        name=name or f"{Path(measurements[0].sweep.name).stem}, measured",
        resistance=_reading(resistance, "Ω") if resistance else None,
        sections="auto" if sections == "auto" else _whole(sections, "--sections"),
        fit_loss=fit_loss,
        band_hz=_band(band) if band else FIT_BAND_HZ,
    )
    if sheet is not None:
        emit(fit_sheet_text(result), sheet, force)
    if record is not None:
        from labkit.report.fit_paper import fit_paper_html

        emit(fit_paper_html(result, measurements), record, force)
    emit(as_json_text(result.as_dict()) if as_json else fit_text(result, measurements), output, force)


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
    from labkit.bench.fit.fixture import Fixture, Measurement, parse_load
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
        fixture = Fixture(
            kind=sweep.kind,
            load=parse_load(load),
            meter_resistance=meter_load.resistance if meter_load else math.inf,
            meter_capacitance=meter_load.capacitance if meter_load and meter_load.capacitance else unknown,
            series_resistance=parse_quantity(series, "Ω") if series else None,
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


def _reading(text: str, unit: str) -> Interval:
    """Read ``8.2 kΩ ± 1 %``; without a tolerance 0.5 % is taken, a common hand meter."""
    value_text, _, tolerance = text.replace("+/-", "±").partition("±")
    fraction = parse_quantity(tolerance.strip(), "1") if tolerance.strip() else 0.005
    return Interval.relative(parse_quantity(value_text.strip(), unit), fraction)


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


def fit_text(result: Fit, measurements: list[Measurement]) -> str:
    """Return a fit as a person reads it."""

    def row(label: str, interval: Interval, unit: str) -> str:
        value, low, high = (format_quantity(x, unit, digits=4) for x in (interval.value, interval.low, interval.high))
        return f"{label:<22}{value:>12}   {low} to {high}"

    lines = [result.name, ""]
    for measurement in measurements:
        lines.append(f"{measurement.sweep.name}: {'; '.join(measurement.sweep.understood)}")
    lines += ["", f"{'':<22}{'value':>12}   95 % bounds"]
    lines.append(row("resistance", result.resistance, "Ω"))
    lines.append(row("inductance", result.inductance, "H"))
    lines.append(row("capacitance", result.capacitance, "F"))
    if result.loss_resistance:
        lines.append(row("parallel loss", result.loss_resistance, "Ω"))
    for number, section in enumerate(result.eddy, start=1):
        lines.append(
            f"{f'eddy {number} fraction':<22}{section.fraction.value:>12.3f}   "
            f"{section.fraction.low:.3f} to {section.fraction.high:.3f}"
        )
        lines.append(row(f"eddy {number} corner", section.corner_hz, "Hz"))
    if result.rig_corner_hz:
        lines.append(row("rig corner", result.rig_corner_hz, "Hz"))
    lines += ["", f"rms residual {result.residual_db:.2f} dB"]
    lines += [f"warning: {warning}" for warning in result.warnings]
    return "\n".join(lines)


@click.command()
@click.argument("pickup")
@click.argument("readings", type=click.Path(path_type=Path))
@json_option
@output_options
@click.option("--record", type=click.Path(path_type=Path), help="Write the printable test record (HTML) here.")
def diagnose(pickup: str, readings: Path, as_json: bool, output: Path | None, force: bool, record: Path | None) -> int:
    """Compare the plan PICKUP (a sheet, or a name in the catalogue) with the READINGS of a finished or worn one.

    READINGS is a sheet of single readings. Exit code 1 says that something does not fit the plan.
    """
    from labkit.bench.diagnose.diagnose import diagnose_readings
    from labkit.bench.diagnose.readings import load_plan, load_readings

    verdict = diagnose_readings(load_plan(pickup), load_readings(readings))
    if record is not None:
        from labkit.report.papers import bench_record_html, record_from_verdict

        emit(bench_record_html(record_from_verdict(verdict)), record, force)
    data: dict[str, Any] = verdict.as_dict()
    emit(as_json_text(data) if as_json else verdict.text(), output, force)
    return 0 if verdict.passes else 1
