"""Takes by name: makers of performances that plugins bring, and those of labkit itself that are computed, not written.

A take sheet lists its notes; a maker works them out. Both end in the same `Performance`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from labkit.core.errors import InputError
from labkit.plugins import Brought, plugins
from labkit.sound.strings import string_set
from labkit.sound.take.performance import Performance, Pluck

FRET_BY_FRET = "fret by fret"
_NOTE_S = 0.45
_HIGHEST_FRET = 12


def fret_by_fret() -> Performance:
    """Return the lowest string on every fret up to the octave: a fixed pick and coil under a moving length.

    The comb of each coil moves through the partials from note to note, which one chord does not show.
    """
    strings = string_set("six strings 10-46")
    frets = range(_HIGHEST_FRET + 1)
    return Performance(
        name=FRET_BY_FRET,
        summary="The low E string on every fret from open to the octave, one note after another.",
        strings=strings,
        plucks=tuple(Pluck(at_s=_NOTE_S * fret, string=6, fret=fret) for fret in frets),
        duration_s=_NOTE_S * len(frets) + 1.0,
    )


TAKES: Mapping[str, Callable[[], Performance]] = {FRET_BY_FRET: fret_by_fret}
"""The makers that labkit itself brings."""


def take_makers() -> Mapping[str, Brought]:
    """Return every maker of a performance that plugins bring, by name."""
    return plugins().things("labkit_takes", check=_not_a_maker)


def made_take(name: str) -> Performance:
    """Return the performance of a maker.

    Raises
    ------
    InputError
        If the maker fails or returns something else; names the maker and its plugin.
    """
    brought = take_makers()[name]
    whose = f"the take '{name}' of plugin '{brought.plugin}'"
    try:
        found = brought.thing()
    except InputError as error:
        raise InputError(f"{whose}: {error}") from None
    except Exception as error:
        raise InputError(f"{whose} failed: {type(error).__name__}: {error}") from error
    if not isinstance(found, Performance):
        raise InputError(f"{whose} must return a Performance; got a {type(found).__name__}")
    return found


def _not_a_maker(thing: object) -> str:
    return "" if callable(thing) else "a function that returns a Performance"
