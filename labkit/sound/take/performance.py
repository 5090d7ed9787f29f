"""Performances: which string is plucked when, where, how far and how it dies away. No pickup and no sound in here."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labkit.core.errors import InputError
from labkit.core.validity import range_called
from labkit.sound.strings import FRET, StringSet

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
"""Open strings: common practice, no source; editable."""

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
    decay : Decay
    """

    at_s: float
    string: int
    fret: int = 0
    displacement: float = 1.5e-3
    position: float = 0.13
    width: float = 1e-3
    decay: Decay = OPEN_DECAY

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
class Variation:
    """Random differences from note to note, one standard deviation each; zero means a machine plays."""

    timing_s: float = 0.0
    level_db: float = 0.0
    position: float = 0.0

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
    variation : Variation
    seed : int
        Decides the variation: the same seed gives the same take, sample for sample.
    """

    name: str
    strings: StringSet
    plucks: tuple[Pluck, ...]
    duration_s: float
    summary: str = ""
    variation: Variation = Variation()
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
