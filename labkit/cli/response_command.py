"""``labkit response``: the curve of a rig as text, JSON, CSV or a picture."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click
import numpy as np

from labkit.cli.completion_command import names_of
from labkit.cli.options import Output, result_options, rig_with, set_option
from labkit.cli.sound_options import place_option, places_by_slot
from labkit.cli.with_book import FromBook, known_data, known_text, with_book_options
from labkit.core.errors import InputError, QuantityError, capitalized, join_words
from labkit.core.files import write_atomically
from labkit.core.grid import FREQUENCY, HIGHEST_HZ, LOWEST_HZ
from labkit.core.response import SILENT_DB, Response, gain_db, touchstone
from labkit.core.units import format_quantity, parse_quantity
from labkit.core.validity import warnings_of
from labkit.pickup.predict.propagation import COVERAGE
from labkit.rig.hum import position_facts, position_row
from labkit.rig.noise import (
    NOISE_BAND_HZ,
    NOISE_DOUBT_DB,
    NOISE_NOT_MODELLED,
    TEMPERATURE_C,
    RigNoise,
    decibel_volts,
    rig_noise,
)
from labkit.rig.outputs import counted_outputs
from labkit.rig.rig import Rig
from labkit.rig.sheet import asked_frequencies
from labkit.sound.render.rig_sound import USUAL_STRINGS, coil_spots
from labkit.sound.render.string_drive import DRIVEN_NOT_MODELLED, driven_response
from labkit.sound.strings import string_set
from labkit.sound.take.take import CoilSpot

PEAK_DOUBT = 0.06
"""Half the interval (95 %) of the frequency of a peak with known loads, as a ratio."""


@click.command()
@click.argument("sheet", **names_of("rig"))
@result_options(csv="Print a table: frequency, gain, phase, output impedance.")
@set_option
@click.option("--at", metavar="LIST", help="Exactly these frequencies, such as 100,1k,3k (Hz).")
@click.option("--source", help="One pickup alone (its slot), or one coil (slot.coil).")
@click.option(
    "--by-strings",
    is_flag=True,
    help="Also the curve as the strings drive it: places and outputs of pickups counted, averaged over the strings.",
)
@place_option
@click.option("--field", metavar="FIELD", help="Mains field for the hum in volts, T rms; default '0.1 µT'.")
@click.option("--mains", metavar="FREQUENCY", help="Frequency of that field; default '50 Hz'.")
@click.option("--plot", type=click.Path(path_type=Path), help="Draw the curve into this file (.svg, .png or .pdf).")
@click.option(
    "--touchstone",
    "one_port",
    type=click.Path(path_type=Path),
    help="Write the output impedance at the last input into this file (.s1p), for simulators and analysers.",
)
@with_book_options
def response(
    sheet: str,
    out: Output,
    changes: tuple[str, ...],
    from_book: FromBook,
    at: str | None,
    source: str | None,
    by_strings: bool,
    places: tuple[str, ...],
    field: str | None,
    mains: str | None,
    plot: Path | None,
    one_port: Path | None,
) -> None:
    """Gain from the pickups' EMF to the last input of the rig SHEET.

    SHEET is the path of a rig sheet or of a netlist, or the name of a rig in the catalogue; a netlist's own .ac gives
    the frequencies. Every pickup that is switched on has the same EMF; with --by-strings each has what the strings give
    it at its place. With --book, pickups that are described by their build are as the workshop winds them.
    """
    if by_strings and source is not None:
        raise InputError("--by-strings is for all pickups that are switched on together; leave --source out")
    if places and not by_strings:
        raise InputError("--place says where a pickup sits under the strings; it belongs to --by-strings")
    rig, _, known = from_book.of_rig(rig_with(sheet, changes))
    curve = rig.response(asked_frequencies(sheet) if at is None else parse_frequencies(at), source=source)
    noise = rig_noise(rig, field_t=_quantity(field, "T", "--field"), mains_hz=_quantity(mains, "Hz", "--mains"))
    driven = _driven(rig, curve.frequency_hz, places) if by_strings else None
    if plot is not None:
        from labkit.view.curve.plot import write_plot

        curves = {rig.name: curve} if driven is None else {"at equal EMF": curve, "by the strings": driven[0]}
        write_plot(curves, plot, overwrite=out.force)
    if one_port is not None:
        said = f"{rig.name}: output impedance at the last input"
        impedance = rig.output_impedance(curve.frequency_hz)
        write_atomically(one_port, touchstone(curve.frequency_hz, impedance, said), overwrite=out.force)
    if (plot is None and one_port is None) or out.is_asked_for:
        out.write(
            text=lambda: _text(rig, curve, noise, source, driven) + known_text(known),
            data=lambda: response_data(rig, curve, noise, source, driven) | known_data(known),
            csv=lambda: _csv(rig, curve, driven),
        )


def _quantity(text: str | None, unit: str, option: str) -> float | None:
    """Read the quantity of an option; a plain number of hertz will do."""
    if text is None or (unit == "Hz" and _is_number(text)):
        return None if text is None else float(text)
    try:
        return parse_quantity(text, unit)
    except QuantityError as error:
        raise InputError(f"{option}: {error}") from None


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


Driven = tuple[Response, Mapping[str, CoilSpot]]
"""The curve as the strings drive it, and where each coil sits."""


def _driven(rig: Rig, frequency_hz: np.ndarray, places: tuple[str, ...]) -> Driven:
    strings = string_set(USUAL_STRINGS)
    spots = coil_spots(rig, scale=strings.scale, places=places_by_slot(places, list(rig.pickups)))
    return driven_response(rig, frequency_hz, strings=strings, spots=spots), spots


def response_data(
    rig: Rig, curve: Response, noise: RigNoise, source: str | None, driven: Driven | None = None
) -> dict[str, Any]:
    """Return the JSON form of a response."""
    impedance = rig.output_impedance(curve.frequency_hz)
    facts = position_facts(rig)
    return {
        "name": rig.name,
        "source": source if source is not None else "all",
        "frequency_hz": curve.frequency_hz.tolist(),
        "gain_db": curve.shown_gain_db.tolist(),
        "phase_deg": curve.phase_deg.tolist(),
        "peak": _peak_data(curve),
        "minus_3db_hz": curve.minus_3db_hz,
        "is_silent": curve.is_silent,
        "heard": list(facts.heard),
        "phase": facts.phase,
        "hum": {
            "effect": facts.hum,
            "residual_db": None if facts.hum is None else facts.residual.with_mismatch_db,
            "residual_at_1k_db": None if facts.hum is None else facts.residual_at_1k.with_mismatch_db,
            "words": facts.hum_words,
        },
        "noise": noise_data(noise),
        "warnings": [*rig.warnings, *range_warnings(rig, curve.frequency_hz)],
        "outputs": {slot: None if found is None else found.as_dict() for slot, found in rig.outputs.items()},
        "driven": None if driven is None else _driven_data(rig, *driven),
        "output_impedance_ohm": {
            "magnitude": np.abs(impedance).tolist(),
            "phase_deg": np.degrees(np.angle(impedance)).tolist(),
        },
    }


def noise_data(noise: RigNoise) -> dict[str, Any]:
    """Return the JSON form of the noise of a rig."""
    signal, over, hum = noise.signal, noise.signal_to_noise_db, noise.hum
    return {
        "band_hz": list(NOISE_BAND_HZ),
        "temperature_c": TEMPERATURE_C,
        "rms_v": noise.rms,
        "rms_dbv": decibel_volts(noise.rms) if noise.rms else None,
        "a_weighted_v": noise.weighted,
        "a_weighted_dbv": decibel_volts(noise.weighted) if noise.weighted else None,
        "doubt_db": NOISE_DOUBT_DB,
        "parts": [
            {"part": each.part, "rms_v": each.rms, "a_weighted_v": each.weighted, "share": each.share}
            for each in noise.parts
        ],
        "signal": None
        if signal is None
        else {
            "rms_dbv": signal.level_dbv.as_dict(),
            "over_noise_db": None if over is None else over.as_dict(),
            "note": signal.words,
        },
        "hum": None
        if hum is None
        else {
            "field_t": hum.field_t,
            "frequency_hz": hum.frequency_hz,
            "rms_v": hum.rms,
            "with_mismatch_v": hum.with_mismatch,
            "assumptions": list(hum.assumptions),
        },
        "words": noise.words,
        "not_modelled": NOISE_NOT_MODELLED,
    }


def _peak_data(curve: Response) -> dict[str, float] | None:
    peak = curve.peak
    return None if peak is None else asdict(peak)


def _driven_data(rig: Rig, driven: Response, spots: Mapping[str, CoilSpot]) -> dict[str, Any]:
    return {
        "strings": USUAL_STRINGS,
        "places_m": {coil: spot.position for coil, spot in spots.items()},
        "gain_db": driven.gain_db.tolist(),
        "peak": _peak_data(driven),
        "level_basis": counted_outputs(rig).words or None,
    }


def _text(rig: Rig, curve: Response, noise: RigNoise, source: str | None, driven: Driven | None = None) -> str:
    peak, edge = curve.peak, curve.minus_3db_hz
    settings = ", ".join(
        f"{name} {value:g}" if isinstance(value, float) else f"{name} {value}" for name, value in rig.settings.items()
    )
    lines = [rig.name + (f", {source} alone" if source else ""), f"  controls   {settings}"]
    if curve.is_silent:
        lines.append(
            f"  output     silent: {'the EMFs cancel' if position_facts(rig).heard else 'no EMF reaches the output'}"
        )
    elif peak is None:
        lines.append(f"  peak       none between {LOWEST_HZ:g} Hz and {HIGHEST_HZ / 1e3:g} kHz")
    else:
        lines.append(
            f"  peak       {format_quantity(peak.frequency_hz, 'Hz', digits=3)}, "
            f"{peak.height_db:+.1f} dB over the level at 100 Hz"
        )
    if not curve.is_silent:
        lines.append(
            "  treble     "
            + (
                "never 3 dB down within the range"
                if edge is None
                else f"3 dB down at {format_quantity(edge, 'Hz', digits=3)}"
            )
        )
    if source is None and position_facts(rig).heard:
        heard, phase, hum, _ = position_row(rig)
        lines += [f"  heard      {heard}" + (f", {phase}" if phase != "one alone" else ""), f"  hum        {hum}"]
    lines += [f"  noise      {noise.words}", f"             {noise.signal_words}; {noise.hum_words}"]
    lines += ["", "  frequency    gain      phase" + ("" if driven is None else "     by the strings")]
    shown = curve if curve.frequency_hz.size <= 40 else rig.response(_SHOWN_HZ, source=source)
    by_strings = [""] * shown.frequency_hz.size
    if driven is not None:
        by_strings = [f"     {float(level):7.2f} dB" for level in gain_db(driven[0].at(shown.frequency_hz))]
    for frequency, gain, phase, beside in zip(shown.frequency_hz, shown.gain_db, shown.phase_deg, by_strings):
        level = f"{gain:7.2f} dB  {phase:7.1f}°" if gain >= SILENT_DB else "  silent"
        lines.append(f"  {format_quantity(frequency, 'Hz', digits=3):>9}  {level}{beside}")
    if driven is not None:
        lines += ["", *(f"  {line}" for line in _driven_notes(rig, driven[1]))]
    lines += [
        "",
        "  0 dB is the EMF of the pickups. With loads exactly as stated a peak is good to "
        f"±{100 * peak_doubt(rig):.0f} % in frequency (95 %).",
        f"  Noise: 20 Hz to 20 kHz at {TEMPERATURE_C:g} °C, to ±{NOISE_DOUBT_DB:g} dB; powers of parts add.",
        *_wrapped(f"A note: {noise.signal.words}." if noise.signal else ""),
        *_wrapped(f"Not in the noise: {NOISE_NOT_MODELLED}."),
        "  Not modelled: hysteresis and saturation, shielding of the strings' field by a cover, the amplifier's tone.",
        *(f"  Mind: {sentence}" for sentence in range_warnings(rig, curve.frequency_hz)),
    ]
    return "\n".join(lines)


def _driven_notes(rig: Rig, spots: Mapping[str, CoilSpot]) -> list[str]:
    places = join_words([f"{coil} {1e3 * spot.position:.0f} mm" for coil, spot in spots.items()])
    text = (
        f"By the strings: root of the mean square over the strings of '{USUAL_STRINGS}', coils from the bridge at "
        f"{places}; 0 dB is the EMF of the reference coil over the loop of every partial."
    )
    notes = [text, *([f"{counted_outputs(rig).words}."] if counted_outputs(rig).words else [])]
    notes.append(f"Not modelled: {DRIVEN_NOT_MODELLED}.")
    return [line for text in notes for line in textwrap.wrap(capitalized(text), 96)]


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, 96, initial_indent="  ", subsequent_indent="  ")


_SHOWN_HZ = np.array(
    [20, 50, 100, 200, 400, 800, 1000, 1500, 2000, 2500, 3000, 3500, 4000, 5000, 6000, 8000, 10e3, 15e3, 20e3]
)


def _csv(rig: Rig, curve: Response, driven: Driven | None = None) -> str:
    impedance = rig.output_impedance(curve.frequency_hz)
    columns = {
        "frequency_hz": curve.frequency_hz,
        "gain_db": curve.shown_gain_db,
        "phase_deg": curve.phase_deg,
        "output_impedance_ohm": np.abs(impedance),
        "output_impedance_phase_deg": np.degrees(np.angle(impedance)),
    }
    if driven is not None:
        columns["driven_gain_db"] = driven[0].gain_db
    rows = [",".join(columns)]
    for row in zip(*columns.values()):
        rows.append(",".join(f"{value:.9g}" for value in row))
    return "\n".join(rows)


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True
