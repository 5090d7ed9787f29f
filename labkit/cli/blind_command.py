"""``labkit blind``: prepare, answer and open an ABX test of two rigs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from labkit import __version__
from labkit.cli.main import WholeHelpGroup
from labkit.cli.options import json_option, say_written
from labkit.cli.sound_options import (
    TakeChoices,
    change_option,
    decibels,
    level_data,
    named_rig,
    played,
    progress_bar,
    show,
    take_options,
)
from labkit.core.errors import InputError
from labkit.rig.rig import Rig
from labkit.rig.sheet import rig_data
from labkit.sound.blind.abx import CHOICES, RECOMMENDED_TRIALS, Choice
from labkit.sound.blind.folder import BlindFolder, wav_name, write_folder
from labkit.sound.blind.test import BlindTest, title_of
from labkit.sound.loudness import HEARING_CAUTION, Matched, match_loudness
from labkit.sound.render.string_drive import level_change
from labkit.sound.take.performance import Performance
from labkit.sound.take.sheet import take_data
from labkit.sound.take.take import Take
from labkit.view.words import louder_in_words


@click.group(cls=WholeHelpGroup)
def blind() -> None:
    """Find out whether you can tell two rigs apart: an ABX test at equal loudness."""


@blind.command("prepare")
@click.argument("first")
@click.argument("second", required=False)
@json_option
@click.option("--output", required=True, type=click.Path(path_type=Path), help="New folder for the test.")
@change_option("--set-first", "first_changes", "the first rig")
@change_option("--set-second", "second_changes", "the second rig")
@click.option("--trials", type=int, default=RECOMMENDED_TRIALS, show_default=True, help="16 or more are recommended.")
@take_options
def prepare(
    first: str,
    second: str | None,
    as_json: bool,
    output: Path,
    first_changes: tuple[str, ...],
    second_changes: tuple[str, ...],
    trials: int,
    take: TakeChoices,
) -> None:
    """Write the sounds of a blind test of two rigs and a sealed key into a new folder.

    Without SECOND, the first rig with --set-second is the other one.
    """
    if second is None and not second_changes:
        raise InputError("a blind test needs two rigs; name a second one, or change the first with --set-second")
    one = named_rig(first, first_changes)
    other = named_rig(first, (*first_changes, *second_changes)) if second is None else named_rig(second, second_changes)
    notes, rate = take.performance, take.rate
    takes, sounds, counted = played([one, other], take)
    matched = match_loudness({"first": sounds[0], "second": sounds[1]}, rate, target_lufs=take.loudness)
    names = (one.name, other.name)
    difference_db = matched.difference_db("second", "first")
    change = level_change(one, other, outputs=counted, measured_db=difference_db)
    details = {**_blind_details([one, other], notes, takes, matched, rate), **level_data(change)}
    test = BlindTest.plan(names, trials=trials, details=details)
    with progress_bar("writing", quiet=as_json) as progress:
        write_folder(output, test, (matched.samples["first"], matched.samples["second"]), rate, progress=progress)
    data = {
        "folder": str(output),
        "title": test.title,
        "rigs": list(names),
        "trials": trials,
        "fingerprint": test.fingerprint,
        "loudness_lufs": matched.target_lufs,
        "difference_db": difference_db,
        **level_data(change),
        "headroom_db": min(matched.headroom_db.values()),
        "caution": HEARING_CAUTION,
    }
    lines = [
        f"{output}: {trials} trials, {test.title}, both at {matched.target_lufs:.1f} LUFS",
        f"  true level difference {decibels(difference_db)} (second minus first), taken away for the test",
        *(
            [f"  the second was {louder_in_words(change.level_db.interval)}"]
            if change.level_db.high > change.level_db.low
            else []
        ),
        *([f"  {change.words}"] if change.words else []),
        f"  fingerprint of the sealed key {test.fingerprint}",
        f"  go on with: labkit blind answer {output}",
    ]
    if trials < RECOMMENDED_TRIALS:
        lines.append(f"  note: with fewer than {RECOMMENDED_TRIALS} trials a true difference is easily missed")
    show(data, as_json, "\n".join([*lines, HEARING_CAUTION]))
    say_written(output)


@blind.command("answer")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--trial", type=int, help="Answer this trial only.")
@click.option("--choice", type=click.Choice(CHOICES), help="The answer to --trial.")
def answer(folder: Path, trial: int | None, choice: Choice | None) -> None:
    """Answer the trials of a test: is x the same as a, or as b? Stop and go on whenever you like."""
    test = BlindFolder(folder)
    if (trial is None) != (choice is None):
        raise InputError("--trial and --choice belong together; give both, or neither to be asked")
    if trial is not None and choice is not None:
        test.answer(trial, choice)
        click.echo(f"trial {trial} noted; {test.trials - len(test.answers())} left")
        return
    if test.is_finished:
        raise InputError(f"the result of {folder} is already open; make a new test")
    words: dict[str, Choice] = {"a": "a", "b": "b", "?": "cannot tell"}
    while (number := test.next_trial()) is not None:
        files = ", ".join(wav_name(number, role) for role in ("a", "b", "x"))
        click.echo(f"Trial {number} of {test.trials}: {files}")
        given = click.prompt("  x is a, b, or ? (cannot tell); q to stop", type=click.Choice([*words, "q"]))
        if given == "q":
            click.echo(f"stopped; go on with: labkit blind answer {folder}")
            return
        test.answer(number, words[given])
    click.echo(f"all {test.trials} trials answered; open the result with: labkit blind result {folder}")


@blind.command("result")
@click.argument("folder", type=click.Path(path_type=Path))
@json_option
@click.option("--early", is_flag=True, help="End the test although trials are unanswered.")
def result(folder: Path, as_json: bool, early: bool) -> None:
    """Open the sealed key, count the answers and say what the count means."""
    found = BlindFolder(folder).finish(early=early)
    score = found["score"]
    lines = [
        title_of((found["rigs"][0], found["rigs"][1])),
        f"  {found['meaning']}",
        f"  p = {score['p_value']:.4g} (exact, one-sided); long-run share of right answers between "
        f"{100 * score['hit_rate_low']:.0f} % and {100 * score['hit_rate_high']:.0f} % (95 %)",
        f"  everything needed to repeat it: {folder / 'result.json'}",
    ]
    show(found, as_json, "\n".join(lines))


def _blind_details(
    rigs: list[Rig], notes: Performance, takes: list[Take], matched: Matched, rate: int
) -> dict[str, Any]:
    """What is needed to make the same sounds again, as plain JSON values."""
    return {
        "labkit": __version__,
        "sheets": [rig_data(rig) for rig in rigs],
        "take": take_data(notes),
        "coils": [dict(take.details)["coils"] for take in takes],
        "rate_hz": rate,
        "loudness_lufs": matched.target_lufs,
        "gain_db": [matched.gain_db["first"], matched.gain_db["second"]],
        "difference_db": matched.difference_db("second", "first"),
    }
