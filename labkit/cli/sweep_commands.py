"""``labkit sweep``: what is played into a pickup, and recordings of it.

`recorded_measurements` serves ``labkit fit``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from labkit.cli.main import WholeHelpGroup
from labkit.cli.options import Output, result_options, say_written
from labkit.core.errors import InputError
from labkit.core.files import write_atomically
from labkit.core.units import format_quantity, parse_quantity, stated

if TYPE_CHECKING:
    from labkit.bench.fit.fixture import Load, Measurement
    from labkit.bench.recording.interface import InterfaceCalibration, Role, SeriesResistor
    from labkit.bench.recording.take import TakeReading

SERIES_HELP = "Resistor between source and pickup, such as '220k ± 1 %'."

NOTE = """How to record, with {file} in this folder ({seconds:.0f} s, {rate} Hz)

Wire: output → source node → 220 kΩ → pickup hot; pickup ground, output ground and input ground together.
Channel 1 (line input) at the source node, channel 2 (instrument input, 1 MΩ) across the pickup.
Phantom power off, direct monitoring off, no effects, no automatic gain. Disconnect headphones and loudspeakers:
the sweep is loud and rises to 20 kHz.

Record two channels at {rate} Hz, 24 bit, while {file} plays. Both channels should peak near −12 dB and never
reach full scale. Then leave every knob alone and make six recordings (WAV or FLAC), named by their first word:

  source.wav      both channels on the source node
  open.wav        channel 2 back behind the resistor, the pickup off
  shorted.wav     the two clips touching
  pickup.wav      the pickup in place (any name of yours will do)
  open again.wav  the pickup off once more: its clip opened, nothing else touched
  again.wav       both channels on the source node once more

  labkit fit source.wav open.wav shorted.wav pickup.wav "open again.wav" again.wav --series "220k ± 0.5 %"

Read the resistor on the ohmmeter and state it with the meter's own bounds. Without open again.wav the capacitance of a
small coil is held more loosely, and the fit says so.
"""


@click.group(cls=WholeHelpGroup)
def sweep() -> None:
    """Measure a pickup with a sound interface: write what is played, check recordings, keep a calibration."""


def played_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that say what is played: signal, rate, level."""
    kinds = click.Choice(("sweeps", "tones"))
    words = "Sweeps show every fault; tones stand more hum."
    for option in (
        click.option("--level", type=float, default=-12.0, show_default=True, help="Peak, dB below full scale."),
        click.option("--rate", type=int, default=48_000, show_default=True, help="Sample rate of the interface, Hz."),
        click.option("--signal", type=kinds, default="sweeps", show_default=True, help=words),
    ):
        command = option(command)
    return command


@sweep.command("write")
@click.argument("folder", type=click.Path(path_type=Path))
@played_options
@click.option("--force", is_flag=True, help="Overwrite existing files.")
def write(folder: Path, signal: str, rate: int, level: float, force: bool) -> None:
    """Write the sound to play, and how to record it, into FOLDER.

    Disconnect headphones and loudspeakers before you play it: it is loud and rises to 20 kHz.
    """
    from labkit.bench.recording.excitation import excitation
    from labkit.core.wav import write_wav

    played = excitation(signal, rate, peak_db=level)  # type: ignore[arg-type]
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder} is a file; name a folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise InputError(f"cannot make the folder {folder}: {problem.strerror or problem}") from None
    sound, note = folder / f"{signal}.wav", folder / "how to record.txt"
    write_wav(sound, [played, played], rate, force=force)  # type: ignore[arg-type]
    text = NOTE.format(file=sound.name, seconds=played.size / rate, rate=rate)
    write_atomically(note, text, overwrite=force)
    say_written(sound, note)


@sweep.command("record")
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--device", default="", metavar="NAME", help="Part of the interface's name; the system's own by default.")
@click.option("--inputs", default="1,2", show_default=True, metavar="A,B", help="Inputs at source and pickup.")
@played_options
@click.option("--yes", is_flag=True, help="Headphones and loudspeakers are off: play without asking.")
@click.option("--force", is_flag=True, help="Overwrite an existing file.")
def record(
    recording: Path, device: str, inputs: str, signal: str, rate: int, level: float, yes: bool, force: bool
) -> int:
    """Play and record one take with an interface of this machine into the WAV file RECORDING, and check it.

    Its name says which take it is: source, open, shorted, open again, again, or anything else for the pickup. Needs
    the library sounddevice (labkit's extra 'measure'). Exit code 1 says that the take cannot be used.
    """
    from labkit.bench.recording.excitation import excitation
    from labkit.bench.recording.interface import ROLE_WORDS, role_of
    from labkit.bench.recording.recording import find_sound_device, play_and_record
    from labkit.bench.recording.take import SpoiltTake, read_take, words_of
    from labkit.core.wav import write_wav

    if recording.suffix.casefold() not in (".wav", ".wave"):
        raise InputError(f"{recording}: name a WAV file, such as pickup.wav")
    if recording.exists() and not force:
        raise InputError(f"{recording} exists already; name another file, or overwrite it with --force")
    if not recording.absolute().parent.is_dir():
        raise InputError(f"{recording}: there is no folder {recording.parent}")
    played = excitation(signal, rate, peak_db=level)  # type: ignore[arg-type]
    found = find_sound_device(device, _two_inputs(inputs))
    click.echo(f"{found.name}: {ROLE_WORDS[role_of(recording.name)]}, {played.size / rate:.0f} s", err=True)
    if not yes:
        click.confirm("The sweep is loud. Headphones off, loudspeakers disconnected, phantom power off?", abort=True)
    take = play_and_record(played, rate, found, name=recording.name)
    write_wav(recording, take.samples, rate, sample_format="FLOAT", force=force)
    say_written(recording)
    try:
        reading = read_take(take)
    except SpoiltTake as spoilt:
        click.echo(f"{recording.name}: cannot be used: {'; '.join(fault.sentence for fault in spoilt.faults)}")
        return 1
    click.echo(f"{recording.name}: good ({reading.signal}; {words_of(reading)})")
    return 0


def _two_inputs(text: str) -> tuple[int, int]:
    numbers = [part.strip() for part in text.split(",")]
    if len(numbers) != 2 or not all(part.isdecimal() and 1 <= int(part) <= 256 for part in numbers):
        raise InputError(f"--inputs takes the numbers of two inputs, such as 1,2; got '{text}'")
    if numbers[0] == numbers[1]:
        raise InputError(f"--inputs takes two different inputs, source and pickup; got '{text}'")
    return int(numbers[0]), int(numbers[1])


@sweep.command("check")
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORDING...")
@result_options()
def check(recordings: tuple[Path, ...], out: Output) -> int:
    """Say of each RECORDING whether it can be used, and what is wrong with it.

    Exit code 1 says that one of them cannot be used.
    """
    from labkit.bench.recording.interface import role_of
    from labkit.bench.recording.recording import read_recording
    from labkit.bench.recording.take import SpoiltTake, read_take, words_of

    rows: list[dict[str, Any]] = []
    lines = []
    for path in recordings:
        row: dict[str, Any] = {"name": path.name, "take": role_of(path.name)}
        try:
            reading = read_take(read_recording(path))
        except SpoiltTake as spoilt:
            row |= dict.fromkeys(("signal", "peak_dbfs", "noise_dbfs", "hum_dbfs", "clock_ppm"))
            row |= {"is_usable": False, "faults": [_fault(fault) for fault in spoilt.faults]}
            lines.append(f"{path.name}: cannot be used: {'; '.join(fault.sentence for fault in spoilt.faults)}")
        else:
            row |= {
                "signal": reading.signal,
                "peak_dbfs": list(reading.peak_db),
                "noise_dbfs": reading.noise_db,
                "hum_dbfs": reading.hum_db,
                "clock_ppm": reading.clock_ppm,
                "is_usable": True,
                "faults": [_fault(fault) for fault in reading.faults],
            }
            lines.append(f"{path.name}: good ({reading.signal}; {words_of(reading)})")
        rows.append(row)
    out.write(text=lambda: "\n".join(lines), data=lambda: {"recordings": rows})
    return 0 if all(row["is_usable"] for row in rows) else 1


def _fault(fault: Any) -> dict[str, Any]:
    return {"name": fault.name, "sentence": fault.sentence, "spoils": fault.spoils}


@sweep.command("calibrate")
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORDING...")
@result_options()
@click.option("--series", required=True, metavar="OHM", help=SERIES_HELP)
@click.option("--name", required=True, help="Of the interface and its setting, such as 'bench box, both gains at 3'.")
@click.option("--full-scale", metavar="VOLT", help="Peak voltage at channel 2 that reaches full scale: '1.9 V ± 1 %'.")
def calibrate_command(
    recordings: tuple[Path, ...], out: Output, series: str, name: str, full_scale: str | None
) -> None:
    """Keep what the takes source, open and shorted say of an interface, for many pickups.

    With a take again at the end the calibration is refused where a gain moved meanwhile.
    """
    from labkit.bench.recording.interface import bracket, calibrate, interface_sheet_text, takes_by_role

    roles, pickups = takes_by_role(_readings(recordings))
    other = [*pickups, *(reading for role, reading in roles.items() if role == "open again")]
    if other:
        raise InputError(
            f"{other[0].name}: a calibration takes source, open, shorted and again; fit the pickup with labkit fit"
        )
    volts = None if full_scale is None else stated(full_scale, "V", "--full-scale", 0.02)
    made = calibrate(roles, name=name, series=series_resistor(series), full_scale=volts)
    shift = bracket(made, roles["again"]) if "again" in roles else None
    data = {
        "name": made.name,
        "made": made.made.isoformat(),
        "signal": made.signal,
        "series_resistance_ohm": made.series.resistance,
        "input_resistance_ohm": made.input_resistance,
        "input_capacitance_f": made.input_capacitance,
        "crosstalk_db": made.crosstalk_db,
        "shift_db": shift,
        "full_scale_v": made.full_scale,
        "warnings": list(made.warnings()),
    }
    lines = [
        f"{made.name}, {made.made.isoformat()}",
        f"  input        {format_quantity(made.input_resistance, 'Ω', digits=4)} parallel to "
        f"{format_quantity(made.input_capacitance, 'F', digits=4)}, with its lead",
        f"  crosstalk    {made.crosstalk_db:.0f} dB",
        "  shift        " + (f"{shift:.4f} dB" if shift is not None else "not looked for: no take 'again'"),
        "  full scale   " + (format_quantity(made.full_scale, "V", digits=4) if made.full_scale else "not stated"),
        *(f"warning: {warning}" for warning in made.warnings()),
    ]
    if out.path is not None:
        out.emit(interface_sheet_text(made))
    replace(out, path=None).write(text=lambda: "\n".join(lines), data=lambda: data)


def series_resistor(text: str) -> SeriesResistor:
    """Read ``220k ± 1 %``; without a tolerance 1 % is taken, a common metal film resistor."""
    from labkit.bench.recording.interface import SeriesResistor

    value, tolerance = stated(text, "Ω", "--series", 0.01)
    return SeriesResistor(resistance=value, tolerance=tolerance)


def _readings(paths: Sequence[Path]) -> list[TakeReading]:
    from labkit.bench.recording.recording import read_recording
    from labkit.bench.recording.take import read_take

    return [read_take(read_recording(path)) for path in paths]


def recorded_measurements(
    paths: Sequence[Path],
    *,
    interface: Path | None,
    series: str | None,
    exciter: bool,
    sense: str | None,
    loads: Sequence[Load],
) -> list[Measurement]:
    """Return the pickup takes among recordings as measurements.

    Parameters
    ----------
    paths : sequence of Path
        Takes; which is which is told by their names.
    interface : Path or None
        A kept calibration, in place of the takes source, open and shorted.
    series : str or None
        The series resistor, where no calibration states it.
    exciter : bool
        Whether an exciter coil drove the pickup.
    sense : str or None
        The resistor that shows the exciter's current.
    loads : sequence of Load
        Of each pickup take, in order; empty for bare pickups.
    """
    from labkit.bench.fit.fixture import NO_LOAD
    from labkit.bench.recording.interface import (
        bracket,
        divider_measurement,
        exciter_measurement,
        renewed,
        takes_by_role,
    )

    roles, pickups = takes_by_role(_readings(paths))
    calibration = _calibration(roles, interface, series)
    if not pickups:
        raise InputError("none of the recordings is of a pickup; give the take with the pickup in place as well")
    if loads and len(loads) != len(pickups):
        raise InputError(f"give one --load for each recording of a pickup; got {len(loads)} for {len(pickups)}")
    shift = bracket(calibration, roles["again"]) if "again" in roles else None
    if shift is None and interface is not None and "source" in roles:
        shift = bracket(calibration, roles["source"])
    if "open again" in roles and len(pickups) > 1:
        raise InputError(
            f"{roles['open again'].name}: shows the lead as it lay in one recording of a pickup; got {len(pickups)}"
        )
    calibration = renewed(calibration, roles)
    made = []
    for take, load in zip(pickups, loads or [NO_LOAD] * len(pickups)):
        if exciter:
            ohms = parse_quantity(sense, "Ω") if sense else 100.0
            made.append(exciter_measurement(calibration, take, sense_ohm=ohms, load=load, shift_db=shift))
        else:
            made.append(divider_measurement(calibration, take, load=load, shift_db=shift))
    return made


def _calibration(roles: dict[Role, TakeReading], interface: Path | None, series: str | None) -> InterfaceCalibration:
    from labkit.bench.recording.interface import calibrate, read_interface

    if interface is not None:
        if series is not None:
            raise InputError("--series stands in the calibration already; leave it out, or calibrate anew")
        return read_interface(interface)
    if series is None:
        raise InputError(f"recordings need --series: {SERIES_HELP[0].lower()}{SERIES_HELP[1:]}")
    return calibrate(roles, name="these takes", series=series_resistor(series))
