"""``labkit render``, ``convert`` and ``impulse``: what a rig does, as sound. ``blind`` has a module of its own."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click
import numpy as np

from labkit import __version__
from labkit.cli.blind_command import blind
from labkit.cli.completion_command import names_of
from labkit.cli.options import Output, result_options, set_option
from labkit.cli.sound_options import (
    BITS,
    PairChoices,
    TakeChoices,
    bits_option,
    boost_option,
    change_option,
    decibels,
    difference_of,
    hertz,
    level_data,
    loudness_option,
    named_rig,
    pair_options,
    played,
    progress_bar,
    rate_option,
    show,
    show_change,
    take_options,
)
from labkit.core.errors import InputError
from labkit.core.files import write_atomically
from labkit.core.sourced import Interval
from labkit.core.wav import write_wav
from labkit.rig.rig import Rig
from labkit.sound.convert.conversion import convert_file
from labkit.sound.convert.impulse import frequency_table, impulse_response
from labkit.sound.files import check_target
from labkit.sound.loudness import HEARING_CAUTION, Matched, match_loudness, true_peak_db
from labkit.sound.render.rig_sound import jack_noise, mixing_warnings
from labkit.sound.render.string_drive import level_change
from labkit.sound.take.take import NOT_MODELLED
from labkit.view.words import louder_in_words, side_in_words


@click.command()
@click.argument("sheet", **names_of("rig"))
@result_options()
@set_option
@take_options
@bits_option
@click.option("--against", metavar="SHEET", help="Also state how much louder or softer this rig would be.")
@change_option("--set-against", "against_changes", "the rig of --against")
@click.option(
    "--true-level",
    is_flag=True,
    help="With --against: keep the true level difference; the louder of the two stands at --loudness. The noise "
    "of the rig is mixed in.",
)
def render(
    sheet: str,
    out: Output,
    changes: tuple[str, ...],
    take: TakeChoices,
    bits: str,
    against: str | None,
    against_changes: tuple[str, ...],
    true_level: bool,
) -> None:
    """Play a take through the rig SHEET and write it as a WAV or FLAC file.

    The same take and seed give the same notes for every rig. Sounds are written at one loudness, so that a louder rig
    does not win by being louder; the gain used and the true level are printed. The true level counts what each pickup
    puts out, predicted from its build or stated by its sheet; where that is not known, it is said.
    """
    if out.path is None:
        raise InputError("--output is missing; name the file to write, such as --output before.wav or before.flac")
    check_target(out.path, force=out.force)
    if (true_level or against_changes) and against is None and not against_changes:
        raise InputError("--true-level needs --against: a level is true only relative to another rig")
    rigs = [named_rig(sheet, changes)]
    if against is not None or against_changes:
        rigs.append(named_rig(sheet if against is None else against, against_changes))
    takes, sounds, counted = played(rigs, take)
    names = ["this", "other"][: len(rigs)]
    matched = match_loudness(dict(zip(names, sounds)), take.rate, target_lufs=take.loudness, keep_difference=true_level)
    samples = matched.samples["this"]
    noise = jack_noise(rigs[0], samples.size, rate=take.rate) if true_level else np.zeros_like(samples)
    samples = samples + noise * 10 ** (matched.gain_db["this"] / 20)
    level: dict[str, Any] = {"difference_interval_db": None, "level_basis": counted.words or None}
    if len(rigs) > 1:
        difference_db = matched.difference_db("this", "other")
        change = level_change(rigs[1], rigs[0], outputs=counted.reversed, measured_db=difference_db)
        level = level_data(change)
    tags = {
        "title": f"{rigs[0].name}, {takes[0].details['performance']}",
        "comment": f"gain {matched.gain_db['this']:+.2f} dB, with 1 V at full scale before it; "
        f"{matched.before_lufs['this'] + matched.gain_db['this']:.1f} LUFS",
        "software": f"labkit {__version__}",
    }
    write_wav(out.path, samples, take.rate, sample_format=BITS[bits], force=out.force, tags=tags)
    data = {
        "name": rigs[0].name,
        "file": str(out.path),
        "take": dict(takes[0].details),
        "rate_hz": take.rate,
        "duration_s": samples.size / take.rate,
        "loudness_lufs": matched.before_lufs["this"] + matched.gain_db["this"],
        "before_lufs": matched.before_lufs["this"],
        "gain_db": matched.gain_db["this"],
        "headroom_db": matched.headroom_db["this"],
        "true_peak_db": true_peak_db(samples),
        "against": rigs[1].name if len(rigs) > 1 else None,
        "difference_db": matched.difference_db("this", "other") if len(rigs) > 1 else None,
        **level,
        "level_reference": _louder(rigs, matched) if true_level else None,
        "noise_db": _under(noise, sounds[0]) if true_level else None,
        "reference_lufs": matched.target_lufs if true_level else None,
        "lowered_db": take.loudness - matched.target_lufs,
        "not_modelled": NOT_MODELLED,
        "caution": HEARING_CAUTION,
    }
    show(data, out.as_json, _render_text(data))


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@result_options()
@pair_options
@boost_option
@bits_option
@loudness_option
@click.option("--true-level", is_flag=True, help="Keep the true level instead of bringing the result to --loudness.")
def convert(
    recording: Path,
    out: Output,
    pair: PairChoices,
    boost: str,
    bits: str,
    loudness: float,
    true_level: bool,
) -> None:
    """Turn a dry RECORDING made through one known rig into what another would have given.

    The recording must be clean (no amplifier, no effect) and made through exactly the rig of --from. WAV or FLAC, mono
    or stereo, 16, 24 or 32 bit, up to ten minutes.
    """
    if out.path is None:
        raise InputError(
            "--output is missing; name the file to write, such as --output converted.wav or converted.flac"
        )
    before, after = pair.rigs
    difference = difference_of(before, after, boost)
    with progress_bar("converting", quiet=out.as_json) as progress:
        done = convert_file(
            recording,
            out.path,
            difference,
            target_lufs=None if true_level else loudness,
            sample_format=BITS[bits],
            force=out.force,
            progress=progress,
        )
    change = level_change(before, after, measured_db=done.difference_db)
    data = {
        "from": before.name,
        "to": after.name,
        "recording": str(recording),
        "file": str(out.path),
        **asdict(done),
        "band_hz": list(done.band_hz),
    }
    lines = [
        f"{out.path}: {done.duration_s:.2f} s, {before.name} → {after.name}",
        f"  true to the wanted rig from {hertz(done.band_hz[0])} to {hertz(done.band_hz[1])}",
        f"  greatest boost {done.boost_db:.1f} dB: noise of the recording rises by as much",
        f"  true level difference {decibels(done.difference_db)}, {louder_in_words(change.level_db.interval)}; "
        f"gain on the file {done.gain_db:+.2f} dB",
        f"  headroom {done.headroom_db:.1f} dB",
    ]
    show_change(data, out.as_json, lines, change, (*done.warnings, *mixing_warnings(before, after)))


@click.command()
@result_options()
@pair_options
@boost_option
@bits_option
@rate_option
@click.option("--length", type=int, default=4096, show_default=True, help="Samples.")
@click.option("--phase", type=click.Choice(["minimum", "linear"]), default="minimum", show_default=True)
@click.option(
    "--normalise",
    type=click.Choice(["peak", "true level", "loud band"]),
    default="peak",
    show_default=True,
    help="Highest sample at −1 dBFS; the rigs' true level (float); or 0 dB mean gain between 300 Hz and 3 kHz.",
)
@click.option("--table", type=click.Path(path_type=Path), help="Also write the difference as a frequency table (CSV).")
def impulse(
    out: Output,
    pair: PairChoices,
    boost: str,
    bits: str,
    rate: int,
    length: int,
    phase: str,
    normalise: str,
    table: Path | None,
) -> None:
    """Write the difference between two rigs as an impulse response, for any convolver.

    WAV or FLAC by the name of the file, at 44100, 48000, 96000 Hz or any other rate. Both rigs, the gain put on it, the
    latency and the band where it is true stand in the file's own tags.
    """
    if out.path is None and table is None:
        raise InputError("nothing to write; name a WAV or FLAC file with --output, a CSV file with --table, or both")
    for path in (out.path, table):
        if path is not None:
            check_target(path, force=out.force)
    before, after = pair.rigs
    difference = difference_of(before, after, boost)
    found = impulse_response(difference, rate=rate, length=length, phase=phase, normalisation=normalise)  # type: ignore[arg-type]
    if out.path is not None:
        tags = {
            "title": f"{before.name} → {after.name}",
            "comment": f"impulse response, {phase} phase, latency {found.latency_samples} samples; gain "
            f"{found.gain_db:+.2f} dB put on it ({normalise}); true from "
            f"{hertz(max(found.band_hz[0], found.resolved_hz))} to {hertz(found.band_hz[1])}",
            "software": f"labkit {__version__}",
        }
        write_wav(out.path, found.samples, rate, sample_format=BITS[bits], force=out.force, tags=tags)
    if table is not None:
        write_atomically(table, frequency_table(difference), overwrite=out.force)
    change = level_change(before, after)
    data = {
        "from": before.name,
        "to": after.name,
        "file": None if out.path is None else str(out.path),
        "table": None if table is None else str(table),
        "rate_hz": rate,
        "length_samples": length,
        "phase": phase,
        "latency_samples": found.latency_samples,
        "normalisation": normalise,
        "gain_db": found.gain_db,
        "band_hz": list(found.band_hz),
        "deviation_db": found.deviation_db,
        "resolved_hz": found.resolved_hz,
    }
    lines = [
        f"{before.name} → {after.name}: {length} samples at {rate} Hz, {phase} phase",
        f"  latency {found.latency_samples} samples; gain put on it {found.gain_db:+.2f} dB ({normalise})",
        f"  true from {hertz(max(found.band_hz[0], found.resolved_hz))} to {hertz(found.band_hz[1])}, "
        f"within {found.deviation_db:.3f} dB of the wanted curve",
        f"  level 100 Hz to 1 kHz as the strings drive it: {louder_in_words(change.level_db.interval)}",
    ]
    show_change(data, out.as_json, lines, change, mixing_warnings(before, after))


commands = [render, convert, impulse, blind]


def _louder(rigs: list[Rig], matched: Matched) -> str:
    """The rig that stands at the stated loudness when the true difference is kept."""
    return rigs[0 if matched.difference_db("this", "other") >= 0 else 1].name


def _under(noise: np.ndarray, sound: np.ndarray) -> float:
    """Level of one sound against another, root mean square, dB."""
    return float(10 * np.log10(np.mean(noise**2) / np.mean(sound**2)))


def _render_text(data: dict[str, Any]) -> str:
    lines = [
        f"{data['file']}: {data['name']}, {data['take']['performance']}, {data['duration_s']:.2f} s",
        f"  {data['loudness_lufs']:.1f} LUFS after a gain of {data['gain_db']:+.2f} dB "
        f"(before: {data['before_lufs']:.1f} LUFS with 1 V at full scale)",
        f"  headroom {data['headroom_db']:.1f} dB to the highest sample, true peak {data['true_peak_db']:.1f} dBTP",
    ]
    if data["against"] is not None:
        said = louder_in_words(Interval(**data["difference_interval_db"]))
        lines.append(f"  true level difference to {data['against']}: {decibels(data['difference_db'])}, {said}")
    if data["level_reference"] is not None:
        is_settled = side_in_words(Interval(**data["difference_interval_db"]), "louder", "softer")
        louder = "the louder" if is_settled else "the louder by the best guess"
        lines.append(
            f"  true level: {data['level_reference']}, {louder}, stands at {data['reference_lufs']:.1f} LUFS; "
            f"both have a gain of {data['gain_db']:+.2f} dB"
        )
        lines.append(f"  noise of the rig at 20 °C is in it: {decibels(data['noise_db'])} to the sound")
    if data["lowered_db"] > 0.005:
        every = "both sounds are" if data["against"] is not None else "the sound is"
        lines.append(f"  {every} {data['lowered_db']:.1f} dB lower than asked for, so that no peak clips")
    if data["level_basis"] is not None:
        lines.append(f"  {data['level_basis']}")
    return "\n".join([*lines, f"  not modelled: {data['not_modelled']}", data["caution"]])
