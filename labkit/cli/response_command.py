"""``labkit response``: the curve of a rig as text, JSON, CSV or a picture."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import click
import numpy as np

from labkit.cli.options import emit, json_option, output_options, rig_with, set_option, sheet_argument
from labkit.core.errors import InputError, QuantityError
from labkit.core.grid import FREQUENCY, HIGHEST_HZ, LOWEST_HZ
from labkit.core.json_text import as_json_text
from labkit.core.response import Response
from labkit.core.units import format_quantity, parse_quantity
from labkit.core.validity import warnings_of
from labkit.pickup.propagation import COVERAGE
from labkit.rig.rig import Rig

PEAK_DOUBT = 0.06
"""Half the interval (95 %) of the frequency of a peak with known loads, as a ratio."""


@click.command()
@sheet_argument
@json_option
@output_options
@set_option
@click.option("--at", metavar="LIST", help="Exactly these frequencies, such as 100,1k,3k (Hz).")
@click.option("--source", help="One pickup alone (its slot), or one coil (slot.coil).")
@click.option("--csv", "as_csv", is_flag=True, help="Print a table: frequency, gain, phase, output impedance.")
@click.option("--plot", type=click.Path(path_type=Path), help="Draw the curve into this file (.svg, .png or .pdf).")
def response(
    sheet: str,
    as_json: bool,
    output: Path | None,
    force: bool,
    changes: tuple[str, ...],
    at: str | None,
    source: str | None,
    as_csv: bool,
    plot: Path | None,
) -> None:
    """Gain from the pickups' EMF to the last input of the rig SHEET.

    SHEET is the path of a rig sheet or the name of a rig in the catalogue.
    """
    if as_json and as_csv:
        raise InputError("--json and --csv exclude each other; give one of them")
    rig = rig_with(sheet, changes)
    curve = rig.response(None if at is None else parse_frequencies(at), source=source)
    if plot is not None:
        from labkit.view.plot import plot_responses

        plot_responses({rig.name: curve}, plot, overwrite=force)
    if as_json:
        emit(as_json_text(response_data(rig, curve, source)), output, force)
    elif as_csv:
        emit(_csv(rig, curve), output, force)
    elif plot is None or output is not None:
        emit(_text(rig, curve, source), output, force)


def parse_frequencies(text: str) -> np.ndarray:
    """Read a list of frequencies such as ``100,1k,3 kHz``; plain numbers are hertz.

    Raises
    ------
    InputError
        If an entry is not a frequency above 0, or the list does not rise.
    """
    found = []
    for entry in text.split(","):
        word = entry.strip()
        try:
            found.append(float(word) if _is_number(word) else parse_quantity(word, "Hz"))
        except QuantityError as error:
            raise InputError(f"--at: {error}") from None
    frequency = np.array(found)
    if not np.all(np.isfinite(frequency)) or np.any(frequency <= 0) or np.any(np.diff(frequency) <= 0):
        raise InputError(f"--at takes rising frequencies above 0 Hz, such as 100,1k,3k; got '{text}'")
    FREQUENCY.check(frequency, whose="--at: ")
    return frequency


def range_warnings(rig: Rig, frequency_hz: np.ndarray) -> tuple[str, ...]:
    """Return a sentence for each range that the chain or the frequencies leave."""
    found = list(warnings_of(*(pair for stage in rig.chain for pair in stage.ranges)))
    for end in dict.fromkeys((float(frequency_hz[0]), float(frequency_hz[-1]))):
        if not FREQUENCY.holds(end):
            level = 20 / math.log(10) * COVERAGE * FREQUENCY.deviation(end)
            found.append(f"{FREQUENCY.warning(end).removesuffix('.')}, to ±{level:.1f} dB there.")
    return tuple(found)


def peak_doubt(rig: Rig) -> float:
    """Return half the interval (95 %) of a peak's frequency as a ratio: 6 %, more with a chain outside its ranges."""
    return math.hypot(
        PEAK_DOUBT, *(COVERAGE * limits.deviation(value) for stage in rig.chain for limits, value in stage.ranges)
    )


def response_data(rig: Rig, curve: Response, source: str | None) -> dict[str, Any]:
    """Return the JSON form of a response."""
    peak = curve.peak
    impedance = rig.output_impedance(curve.frequency_hz)
    return {
        "name": rig.name,
        "source": source if source is not None else "all",
        "frequency_hz": curve.frequency_hz.tolist(),
        "gain_db": curve.gain_db.tolist(),
        "phase_deg": curve.phase_deg.tolist(),
        "peak": None
        if peak is None
        else {"frequency_hz": peak.frequency_hz, "gain_db": peak.gain_db, "height_db": peak.height_db},
        "minus_3db_hz": curve.minus_3db_hz,
        "output_impedance_ohm": {
            "magnitude": np.abs(impedance).tolist(),
            "phase_deg": np.degrees(np.angle(impedance)).tolist(),
        },
        "warnings": list(range_warnings(rig, curve.frequency_hz)),
    }


def _text(rig: Rig, curve: Response, source: str | None) -> str:
    peak, edge = curve.peak, curve.minus_3db_hz
    settings = ", ".join(
        f"{name} {value:g}" if isinstance(value, float) else f"{name} {value}" for name, value in rig.settings.items()
    )
    lines = [rig.name + (f", {source} alone" if source else ""), f"  controls   {settings}"]
    if peak is None:
        lines.append(f"  peak       none between {LOWEST_HZ:g} Hz and {HIGHEST_HZ / 1e3:g} kHz")
    else:
        lines.append(
            f"  peak       {format_quantity(peak.frequency_hz, 'Hz', digits=3)}, "
            f"{peak.height_db:+.1f} dB over the level at 100 Hz"
        )
    lines.append(
        "  treble     "
        + (
            "never 3 dB down within the range"
            if edge is None
            else f"3 dB down at {format_quantity(edge, 'Hz', digits=3)}"
        )
    )
    lines += ["", "  frequency    gain      phase"]
    shown = curve if curve.frequency_hz.size <= 40 else rig.response(np.array(_THIRDS), source=source)
    for frequency, gain, phase in zip(shown.frequency_hz, shown.gain_db, shown.phase_deg):
        lines.append(f"  {format_quantity(frequency, 'Hz', digits=3):>9}  {gain:7.2f} dB  {phase:7.1f}°")
    lines += [
        "",
        "  0 dB is the EMF of the pickups. With loads exactly as stated a peak is good to "
        f"±{100 * peak_doubt(rig):.0f} % in frequency (95 %).",
        "  Not modelled: hysteresis and saturation, shielding of the strings' field by a cover, the amplifier's tone.",
        *(f"  Mind: {sentence}" for sentence in range_warnings(rig, curve.frequency_hz)),
    ]
    return "\n".join(lines)


_THIRDS = (
    20,
    50,
    100,
    200,
    400,
    800,
    1000,
    1500,
    2000,
    2500,
    3000,
    3500,
    4000,
    5000,
    6000,
    8000,
    10_000,
    15_000,
    20_000,
)


def _csv(rig: Rig, curve: Response) -> str:
    impedance = rig.output_impedance(curve.frequency_hz)
    rows = ["frequency_hz,gain_db,phase_deg,output_impedance_ohm,output_impedance_phase_deg"]
    for row in zip(
        curve.frequency_hz, curve.gain_db, curve.phase_deg, np.abs(impedance), np.degrees(np.angle(impedance))
    ):
        rows.append(",".join(f"{value:.9g}" for value in row))
    return "\n".join(rows)


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True
