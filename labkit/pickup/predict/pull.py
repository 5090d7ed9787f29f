"""What magnets do to the strings over them: detuned partials, directions of swing set apart, and when it is much."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from labkit.core.errors import InputError
from labkit.pickup.materials.materials import StringSetStock, StringStock, string, string_set
from labkit.pickup.predict.output import string_stiffness
from labkit.pickup.predict.sheet import PickupBuild
from labkit.pickup.string.vibration import damping, detuning_cents, note_frequency, splitting_hz
from labkit.pickup.string.wire import wires_of_set

USUAL_STRINGS = "six strings 10-46"

NECK_PART = 0.25
"""Place of a neck pickup from the bridge over the scale length, where a pull tells most: common practice, no source."""

MOST_BEATS = 6.0
"""Beats of the two directions within the time in which the first partial dies away, above which it is "too close".

A judgement: strong magnets at the usual 3 mm under the neck make 4 on the lowest string, at 1.5 mm 7 to 14.
"""

MOST_SPREAD_CENTS = 20.0
"""Detuning of partial 1 against partial 3 above which it is "too close"; judged too (14 at 3 mm, 26 to 49 at 1.5)."""

NO_LISTENING_DATA = "no listening data stand behind this limit"


@dataclass(frozen=True, slots=True, kw_only=True)
class StringPull:
    """What all magnets under one string do to it, best values.

    Attributes
    ----------
    string : str
        Its note.
    cents : float
        Detuning of the first partial.
    third_cents : float
        Of the third.
    splitting_hz : float
        Between the two directions of swing, first partial.
    beats : float
        Splitting times the time in which the first partial falls to 1/e.
    """

    string: str
    cents: float
    third_cents: float
    splitting_hz: float
    beats: float

    @property
    def is_too_close(self) -> bool:
        """Whether either limit is passed; a judgement, no listening data stand behind it."""
        return self.beats > MOST_BEATS or abs(self.cents - self.third_cents) > MOST_SPREAD_CENTS


@lru_cache(maxsize=16)
def _stock(strings: str) -> tuple[StringSetStock, tuple[StringStock, ...]]:
    """A set of the catalogue and its strings, read once."""
    found = string_set(strings)
    return found, tuple(string(name) for name in found.strings)


def pull_on_strings(
    pickups: Sequence[tuple[PickupBuild, float]], *, strings: str = USUAL_STRINGS, fret: int = 0
) -> tuple[StringPull, ...]:
    """Return what the magnets of all pickups do to every string at a played fret, thinnest first.

    Parameters
    ----------
    pickups : sequence of (PickupBuild, float)
        Each with its distance from the bridge, m; those without a modelled field count for nothing.
    strings : str
        A set of the catalogue.
    fret : int

    Raises
    ------
    InputError
        If the fret is not 0 to 36.
    """
    if not 0 <= fret <= 36:
        raise InputError(f"a fret must be 0 to 36; got {fret}")
    chosen, stocks = _stock(strings)
    wires = wires_of_set(strings)
    length = chosen.scale_length * 2 ** (-fret / 12)
    heard = [(string_stiffness(build, wires), place) for build, place in pickups]
    found = []
    for at, (stock, note) in enumerate(zip(stocks, chosen.notes, strict=True)):
        mass, open_hz = stock.mass_per_length.value, note_frequency(note)
        f0 = open_hz * 2 ** (fret / 12)
        tension = mass * (2 * chosen.scale_length * open_hz) ** 2
        cents, apart = np.zeros(2), 0.0
        for stiffness, place in heard:
            if stiffness is None or place >= length:
                continue
            taken = {"stiffness": stiffness[at], "mass_per_length": mass, "length": length}
            part = place / length
            cents += detuning_cents(**taken, number=np.array([1, 3]), part=part, frequency_hz=f0 * np.array([1.0, 3.0]))
            apart += float(splitting_hz(**taken, part=part, frequency_hz=f0))
        rate = damping(
            f0,
            fundamental_hz=f0,
            mass_per_length=mass,
            tension_n=tension,
            diameter=stock.diameter.value,
            stiff_diameter=stock.core_diameter.value,
            modulus_pa=stock.modulus.value,
            is_wound=stock.is_wound,
        )
        found.append(
            StringPull(
                string=note,
                cents=float(cents[0]),
                third_cents=float(cents[1]),
                splitting_hz=apart,
                beats=apart / float(rate),
            )
        )
    return tuple(found)


def too_close_in_words(pulls: Sequence[StringPull]) -> str:
    """Return one sentence on strings that lie too close to the magnets, with the numbers; empty where none does."""
    close = [pull for pull in pulls if pull.is_too_close]
    if not close:
        return ""
    worst = max(
        close, key=lambda pull: max(pull.beats / MOST_BEATS, abs(pull.cents - pull.third_cents) / MOST_SPREAD_CENTS)
    )
    names = ", ".join(pull.string for pull in close)
    return (
        f"the magnets pull hard on {names}: on {worst.string} they move the first partial by {worst.cents:.0f} cents "
        f"and the third by {worst.third_cents:.0f}, and set its two directions of swing {worst.splitting_hz:.1f} Hz "
        f"apart ({worst.beats:.1f} beats while it dies away). Lower the pickup if notes waver; the limit is "
        f"{MOST_BEATS:.0f} beats or {MOST_SPREAD_CENTS:.0f} cents between the partials, a judgement: "
        f"{NO_LISTENING_DATA}."
    )


def neck_pull_in_words(build: PickupBuild) -> str:
    """Return `too_close_in_words` for a pickup alone at the usual place of a neck pickup, where the pull tells most."""
    scale = _stock(USUAL_STRINGS)[0].scale_length
    said = too_close_in_words(pull_on_strings([(build, NECK_PART * scale)]))
    return f"at the neck {said}" if said else ""
