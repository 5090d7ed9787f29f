"""Options and steps that the commands of sound share."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, fields, replace
from functools import wraps
from typing import Any

import click
import numpy as np

from labkit.cli.options import rig_with
from labkit.core.errors import InputError, join_words
from labkit.core.files import as_json_text
from labkit.core.units import name_and_value, parse_quantity
from labkit.core.wav import SampleFormat
from labkit.rig.outputs import CountedOutputs, counted_outputs
from labkit.rig.rig import Rig
from labkit.sound.convert.difference import DEFAULT_BOOST_DB, Difference
from labkit.sound.files import Progress, no_progress
from labkit.sound.loudness import HEARING_CAUTION, QUIET_LUFS
from labkit.sound.render.rendering import Renderer
from labkit.sound.render.rig_sound import coil_spots, coil_transfers, rig_difference
from labkit.sound.render.string_drive import LevelChange
from labkit.sound.take.performance import Performance
from labkit.sound.take.sheet import DEFAULT_TAKE, load_take
from labkit.sound.take.take import CoilSpot, Take, synthesise

BITS: dict[str, SampleFormat] = {"16": "PCM_16", "24": "PCM_24", "32": "PCM_32", "float": "FLOAT"}

bits_option = click.option(
    "--bits",
    type=click.Choice(list(BITS)),
    default="24",
    show_default=True,
    help="Sample format; a FLAC file holds 16 or 24 bit.",
)
rate_option = click.option(
    "--rate", type=click.IntRange(8000, 192_000), default=48_000, show_default=True, help="Sample rate, Hz."
)
boost_option = click.option(
    "--boost",
    default=f"{DEFAULT_BOOST_DB:g} dB",
    show_default=True,
    help="Greatest boost where the rig of --from has lost sound.",
)
place_option = click.option(
    "--place",
    "places",
    multiple=True,
    metavar="SLOT=LENGTH",
    help="Distance of a pickup's centre from the bridge, such as bridge=45mm; usual places otherwise.",
)
loudness_option = click.option(
    "--loudness",
    type=click.FloatRange(-60, -6),
    default=QUIET_LUFS,
    show_default=True,
    help="Loudness of the sound, LUFS (ITU-R BS.1770); the default is a quiet one.",
)


def change_option(option: str, destination: str, what: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """``--set`` for one of two rigs."""
    return click.option(
        option, destination, multiple=True, metavar="NAME=VALUE", help=f"Change {what}; see render --set."
    )


def gathered(kind: type, name: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Give a command the options that are fields of a dataclass as one thing, under a name."""

    def gathering(function: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(function)
        def with_one(**given: Any) -> Any:
            own = {each.name: given.pop(each.name) for each in fields(kind)}
            return function(**given, **{name: kind(**own)})

        return with_one

    return gathering


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeChoices:
    """What the options of a take say."""

    take_name: str
    seed: int | None
    places: tuple[str, ...]
    levels: tuple[str, ...]
    aperture: str | None
    rate: int
    loudness: float

    @property
    def performance(self) -> Performance:
        """The performance of ``--take``, with the seed of ``--seed`` where given."""
        found = load_take(self.take_name)
        return found if self.seed is None else replace(found, seed=self.seed)


def take_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Options of everything that plays a take, as ``take`` (`TakeChoices`)."""
    function = gathered(TakeChoices, "take")(function)
    for option in (
        loudness_option,
        rate_option,
        click.option(
            "--aperture",
            help="Hear with ideal, linear coils that average over this length of string, such as 10 mm, in place of "
            "the pickups' own window and curvature.",
        ),
        click.option(
            "--level",
            "levels",
            multiple=True,
            metavar="SLOT=DB",
            help="Output of a pickup, such as 'bridge=+3 dB', in place of the one that its sheet gives.",
        ),
        place_option,
        click.option("--seed", type=click.IntRange(0, 2**31 - 1), help="Seed of the small variation between notes."),
        click.option("--take", "take_name", default=DEFAULT_TAKE, show_default=True, help="Name or sheet of a take."),
    ):
        function = option(function)
    return function


@dataclass(frozen=True, slots=True, kw_only=True)
class PairChoices:
    """What the options of two rigs say."""

    before_sheet: str
    before_changes: tuple[str, ...]
    after_sheet: str | None
    after_changes: tuple[str, ...]

    @property
    def rigs(self) -> tuple[Rig, Rig]:
        """The rigs of ``--from`` and ``--to``."""
        after_sheet, after_changes = self.after_sheet, self.after_changes
        if after_sheet is None and not after_changes:
            raise InputError("a second rig is missing; name it with --to, or change the first with --set-to")
        if after_sheet is None:
            after_sheet, after_changes = self.before_sheet, (*self.before_changes, *after_changes)
        return named_rig(self.before_sheet, self.before_changes), named_rig(after_sheet, after_changes)


def pair_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """``--from`` and ``--to`` rigs, each with its own changes, as ``pair`` (`PairChoices`)."""
    function = gathered(PairChoices, "pair")(function)
    for option in (
        change_option("--set-to", "after_changes", "the rig of --to"),
        change_option("--set-from", "before_changes", "the rig of --from"),
        click.option("--to", "after_sheet", metavar="SHEET", help="Rig that is wanted; default: --from with --set-to."),
        click.option("--from", "before_sheet", required=True, metavar="SHEET", help="Rig that was used."),
    ):
        function = option(function)
    return function


def named_rig(sheet: str, changes: tuple[str, ...]) -> Rig:
    """The rig with its changes in its name, so that two states of one rig can be told apart in every text."""
    rig = rig_with(sheet, changes)
    return rig.replace(name=f"{rig.name} with {join_words(changes)}") if changes else rig


def played(rigs: list[Rig], choices: TakeChoices) -> tuple[list[Take], list[np.ndarray], CountedOutputs]:
    """The performance through each rig, and how outputs were counted; rigs with the same coils share one take."""
    notes = choices.performance
    takes: list[Take] = []
    sounds: list[np.ndarray] = []
    made: list[tuple[dict[str, CoilSpot], Renderer]] = []
    width = None if choices.aperture is None else _quantity(choices.aperture, "m", "--aperture")
    slots = sorted({slot for rig in rigs for slot in rig.pickups})
    given = places_by_slot(choices.places, slots)
    stated = _by_slot(choices.levels, slots, "--level", "dB", "'bridge=+3 dB'")
    counted = counted_outputs(*rigs, stated=stated)
    for rig, outputs in zip(rigs, counted.levels_db):
        own = {slot: place for slot, place in given.items() if slot in rig.pickups}
        spots = coil_spots(rig, scale=notes.strings.scale, places=own, levels_db=stated, aperture=width)
        renderer = next((renderer for known, renderer in made if known == spots), None)
        if renderer is None:
            renderer = Renderer(synthesise(notes, spots, rate=choices.rate))
            made.append((spots, renderer))
        takes.append(renderer.take)
        sounds.append(renderer.render(coil_transfers(rig, renderer.take.coils, levels_db=outputs)))
    return takes, sounds, counted


def level_data(change: LevelChange) -> dict[str, Any]:
    """A level difference as JSON: its 95 % bounds, and how outputs were counted."""
    return {"difference_interval_db": change.level_db.as_dict(), "level_basis": change.words or None}


def places_by_slot(texts: tuple[str, ...], slots: list[str]) -> dict[str, float]:
    """Distances from the bridge by pickup slot, m, from ``--place``."""
    return _by_slot(texts, slots, "--place", "m", "bridge=45mm")


def _by_slot(texts: tuple[str, ...], slots: list[str], option: str, unit: str, example: str) -> dict[str, float]:
    """Quantities by pickup slot, from ``SLOT=QUANTITY``."""
    found: dict[str, float] = {}
    for text in texts:
        slot, quantity = name_and_value(text, f"{option} takes a slot and a value, such as {example}")
        if slot not in slots:
            raise InputError(f"{option}: no pickup is named '{slot}'; there is {join_words(slots)}")
        found[slot] = _quantity(quantity, unit, f"{option} {slot}")
    return found


def _quantity(text: str, unit: str, option: str) -> float:
    try:
        return parse_quantity(text, unit)
    except InputError as problem:
        raise InputError(f"{option}: {problem}") from None


def difference_of(before: Rig, after: Rig, boost: str) -> Difference:
    """The difference between two rigs, limited by ``--boost``."""
    most = _quantity(boost, "dB", "--boost")
    return rig_difference(before, after, greatest_boost_db=most)


@contextmanager
def progress_bar(label: str, *, quiet: bool) -> Iterator[Progress]:
    """A bar on standard error where a person watches; control-C stops the work, which then leaves nothing behind."""
    bar = None
    shown = 0

    def progress(fraction: float) -> None:
        nonlocal bar, shown
        if bar is None:
            bar = stack.enter_context(click.progressbar(length=1000, label=label, file=sys.stderr))
        step = round(1000 * fraction) - shown
        if step > 0:
            bar.update(step)
            shown += step

    with ExitStack() as stack:
        yield no_progress if quiet or not sys.stderr.isatty() else progress


def show_change(
    data: dict[str, Any], as_json: bool, lines: list[str], change: LevelChange, warnings: Sequence[str]
) -> None:
    """Print what was made of the difference between two rigs, with its notes and the caution."""
    lines += [f"  {change.words}"] if change.words else []
    lines += [*(f"  note: {text}" for text in warnings), HEARING_CAUTION]
    more = {**level_data(change), "warnings": list(warnings), "caution": HEARING_CAUTION}
    show({**data, **more}, as_json, "\n".join(lines))


def show(data: dict[str, Any], as_json: bool, text: str) -> None:
    """Print a result as JSON or as text."""
    click.echo(as_json_text(data) if as_json else text)


def decibels(value: float | None) -> str:
    """A level difference in words."""
    return "not measurable" if value is None else f"{value:+.2f} dB"


def hertz(value: float) -> str:
    """A frequency in words."""
    return f"{value:.0f} Hz" if value < 1000 else f"{value / 1000:.2f} kHz"
