"""``drone``: the two lowest strings struck in turn, four times a second, for as long as asked."""

from __future__ import annotations

from labkit.sound.strings import string_set
from labkit.sound.take.performance import Performance, Pluck

NOTE_S = 0.25
NOTES = 16


def drone() -> Performance:
    """Return four seconds of it."""
    strings = string_set("six strings 10-46")
    return Performance(
        name="drone",
        summary="The two lowest strings struck in turn, four times a second.",
        strings=strings,
        plucks=tuple(Pluck(at_s=NOTE_S * index, string=6 - index % 2) for index in range(NOTES)),
        duration_s=NOTE_S * NOTES + 0.5,
    )
