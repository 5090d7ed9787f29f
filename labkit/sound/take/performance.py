"""Performances: which string is plucked when, where, how far and how it dies away. No pickup and no sound in here.

A take sheet lists its notes; a maker, which a plugin can bring, works them out. Both end in the same `Performance`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from labkit.core.errors import InputError
from labkit.core.keys import quantity
from labkit.core.validity import range_called
from labkit.plugins import Brought, plugins
from labkit.sound.strings import FRET, StringSet, string_set

PLUCK_TIME = range_called("pluck_time")
DISPLACEMENT = range_called("displacement")
PLUCK_PLACE = range_called("pluck_place")
PLUCK_WIDTH = range_called("pluck_width")
DURATION = range_called("take_duration")
LONGEST_TAKE_S = DURATION.high


@dataclass(frozen=True, slots=True, kw_only=True)
class Decay:
    """Decay rate of a partial, 1/τ = α + β·f².

    Parameters
    ----------
    constant : float, 1/s
        α: what every partial loses.
    square : float, s
        β: the rise with the square of frequency.

    Values are editable by design: no published table of decay per mode was found.
    """

    constant: float
    square: float

    def __post_init__(self) -> None:
        if not (0 < self.constant < 1e4 and 0 <= self.square < 1.0):
            raise InputError(
                f"a decay needs a constant between 0 and 10000 1/s and a square term of 0 s or more; "
                f"got {self.constant} 1/s and {self.square} s"
            )

    @classmethod
    def from_times(cls, *, low_s: float, at_3khz_s: float) -> Decay:
        """Return the decay whose time constant is ``low_s`` for low partials and ``at_3khz_s`` at 3 kHz.

        >>> Decay.from_times(low_s=2.0, at_3khz_s=0.4).constant
        0.5
        """
        if not 0 < at_3khz_s <= low_s:
            raise InputError(
                f"decay times must be above 0 s, the one at 3 kHz not longer than the low one; "
                f"got {low_s:g} s (low) and {at_3khz_s:g} s (3 kHz)"
            )
        return cls(constant=1 / low_s, square=(1 / at_3khz_s - 1 / low_s) / 3000.0**2)

    def rate(self, frequency_hz: np.ndarray | float) -> np.ndarray:
        """Decay rate at each frequency, 1/s."""
        rates: np.ndarray = self.constant + self.square * np.asarray(frequency_hz) ** 2
        return rates


OPEN_DECAY = Decay.from_times(low_s=2.5, at_3khz_s=0.35)
"""What a stated decay takes where it leaves one of its times out: common practice, no source; editable."""

MUTED_DECAY = Decay.from_times(low_s=0.06, at_3khz_s=0.012)
"""Strings under the palm or fretting hand: common practice, no source; editable."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pluck:
    """One note.

    Parameters
    ----------
    at_s : float, s
        When the string is let go.
    string : int
        1 is the thinnest.
    fret : int
    displacement : float, m
        How far the string is pulled aside at the plucking point.
    position : float, m
        Plucking point from the bridge.
    width : float, m
        Width of what lets go: about 1 mm for a pick, 10 mm for a finger.
    decay : Decay or None
        None lets the string die away as its gauge and tension make it.
    """

    at_s: float
    string: int
    fret: int = 0
    displacement: float = 1.5e-3
    position: float = 0.13
    width: float = 1e-3
    decay: Decay | None = None

    def __post_init__(self) -> None:
        for limits, value in (
            (PLUCK_TIME, self.at_s),
            (FRET, self.fret),
            (DISPLACEMENT, self.displacement),
            (PLUCK_PLACE, self.position),
            (PLUCK_WIDTH, self.width),
        ):
            limits.check(value, whose=f"pluck of string {self.string} at {self.at_s:g} s: ")


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteVariation:
    """Random differences from note to note, one standard deviation each; zero means a machine plays."""

    timing_s: float = quantity(
        "s", name="timing", default=0.0, low=0.0, high=0.1, is_varied=False, meaning="spread of the moments of notes"
    )
    level_db: float = quantity(
        "dB", name="level", default=0.0, low=0.0, high=12.0, is_varied=False, meaning="spread of their levels"
    )
    position: float = quantity(
        "m", default=0.0, low=0.0, high=0.05, is_varied=False, meaning="spread of the places they are plucked at"
    )

    def __post_init__(self) -> None:
        if not (0 <= self.timing_s <= 0.1 and 0 <= self.level_db <= 12 and 0 <= self.position <= 0.05):
            raise InputError(
                "a variation must lie within 0 … 0.1 s, 0 … 12 dB and 0 … 50 mm; "
                f"got {self.timing_s} s, {self.level_db} dB and {self.position * 1e3:g} mm"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Performance:
    """Strings and what is played on them.

    Parameters
    ----------
    name, summary : str
    strings : StringSet
    plucks : tuple of Pluck
    duration_s : float, s
    variation : NoteVariation
    seed : int
        Decides the variation: the same seed gives the same take, sample for sample.
    """

    name: str
    strings: StringSet
    plucks: tuple[Pluck, ...]
    duration_s: float
    summary: str = ""
    variation: NoteVariation = NoteVariation()
    seed: int = 1

    def __post_init__(self) -> None:
        DURATION.check(self.duration_s, whose=f"take '{self.name}': ")
        if not self.plucks:
            raise InputError(f"take '{self.name}' plucks no string")
        for pluck in self.plucks:
            length = self.strings.speaking_length(pluck.fret)
            _ = self.strings[pluck.string]
            if pluck.position >= length:
                raise InputError(
                    f"take '{self.name}': string {pluck.string} at fret {pluck.fret} is {length * 1e3:.0f} mm long; "
                    f"it cannot be plucked {pluck.position * 1e3:.0f} mm from the bridge"
                )
            if pluck.at_s >= self.duration_s:
                raise InputError(
                    f"take '{self.name}': a note at {pluck.at_s:g} s begins after the end at {self.duration_s:g} s"
                )

    def varied_plucks(self) -> tuple[Pluck, ...]:
        """The plucks with this performance's random variation applied, in the order of time."""
        random = np.random.default_rng(self.seed)
        varied = []
        for pluck in self.plucks:
            timing, level, position = random.standard_normal(3) * (
                self.variation.timing_s,
                self.variation.level_db,
                self.variation.position,
            )
            length = self.strings.speaking_length(pluck.fret)
            varied.append(
                Pluck(
                    at_s=float(np.clip(pluck.at_s + timing, 0.0, self.duration_s * (1 - 1e-9))),
                    string=pluck.string,
                    fret=pluck.fret,
                    displacement=float(np.clip(pluck.displacement * 10 ** (level / 20), 1e-6, 0.0199)),
                    position=float(np.clip(pluck.position + position, 0.01 * length, 0.99 * length)),
                    width=pluck.width,
                    decay=pluck.decay,
                )
            )
        return tuple(sorted(varied, key=lambda pluck: pluck.at_s))


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
