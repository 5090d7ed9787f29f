"""The sound of a page without widgets: one take through the present rig and another one, at one loudness."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from labkit.core.errors import InputError
from labkit.core.wav import wav_bytes
from labkit.rig.outputs import counted_outputs
from labkit.rig.rig import Rig
from labkit.sound.loudness import HEARING_CAUTION, match_loudness
from labkit.sound.render.rendering import Renderer
from labkit.sound.render.rig_sound import coil_spots, coil_transfers
from labkit.sound.render.string_drive import LevelChange, level_change
from labkit.sound.take.performance import Performance
from labkit.sound.take.sheet import load_take, usable_takes
from labkit.sound.take.take import CoilSpot, synthesise
from labkit.view.words import louder_in_words

USUAL_TAKE = "E chord"
LONGEST_S = 12.0
"""Longer takes are left to the command line: a page sends every change of sound whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderedSound:
    """One or two sounds, ready to play.

    Attributes
    ----------
    now, other : bytes
        WAV files of the same length; ``other`` is empty without a second rig.
    labels : tuple of str
        What each is called.
    note : str
        How they were matched, and what to mind.
    """

    now: bytes
    other: bytes
    labels: tuple[str, ...]
    note: str


def take_names() -> tuple[str, ...]:
    """Return the takes short enough for a page, the usual one first."""
    names = [name for name in usable_takes() if _performance(name).duration_s <= LONGEST_S]
    return tuple(sorted(names, key=lambda name: (name != USUAL_TAKE, names.index(name))))


def render_sound(rig: Rig, other: Rig | None = None, other_name: str = "", take: str = USUAL_TAKE) -> RenderedSound:
    """Return a take through a rig, and through another for comparison.

    Parameters
    ----------
    rig, other : Rig
    other_name : str
        What sets the other one apart.
    take : str
        Catalogue name.

    Raises
    ------
    InputError
        If nothing is to be heard, with the reason.
    """
    counted = counted_outputs(rig) if other is None else counted_outputs(other, rig)
    sounds = {"now": _render(rig, take, counted.levels_db[-1])}
    if other is not None:
        sounds["other"] = _render(other, take, counted.levels_db[0])
    rate = 48_000
    try:
        matched = match_loudness(sounds, rate)
    except InputError as error:
        if "silent" in str(error):
            raise InputError("There is nothing to hear: no signal reaches the input. Turn the volume up.") from None
        raise
    files = {
        name: wav_bytes(samples, rate, sample_format="PCM_16", name=name) for name, samples in matched.samples.items()
    }
    note = HEARING_CAUTION
    if other is not None:
        change = level_change(other, rig, outputs=counted, measured_db=matched.difference_db("now", "other"))
        said = compared_in_words(change, "now", "the other")
        note = f"Both are set to the same loudness; before that, {said}. {note}"
    return RenderedSound(
        now=files["now"],
        other=files.get("other", b""),
        labels=("Now", other_name) if other is not None else ("Now",),
        note=note,
    )


def compared_in_words(change: LevelChange, one: str, other: str) -> str:
    """Say how loud one sound was against another before they were matched, and how outputs were counted."""
    said = louder_in_words(change.level_db.interval)
    words, bracket, bounds = said.partition(" (")
    sentence = f"{one} was {words} {'as' if words == 'as loud' else 'than'} {other}{bracket}{bounds}"
    return f"{sentence}, {change.words}" if change.words else sentence


def _render(rig: Rig, take: str, levels_db: Mapping[str, float]) -> np.ndarray:
    performance = _performance(take)
    spots = coil_spots(rig, scale=performance.strings.scale)
    renderer = _renderer(take, tuple(spots.items()))
    return renderer.render(coil_transfers(rig, renderer.take.coils, levels_db=levels_db))


@lru_cache(maxsize=6)
def _renderer(take: str, spots: tuple[tuple[str, CoilSpot], ...]) -> Renderer:
    return Renderer(synthesise(_performance(take), dict(spots)))


@lru_cache(maxsize=32)
def _performance(name: str) -> Performance:
    return load_take(name)
