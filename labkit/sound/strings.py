"""Strings and sets of strings: tension, stiffness and the steel that a pickup sees.

Lengths in metres, masses in kg/m. Players count strings from the thinnest, so string 1 is the first of a set.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from labkit.core.errors import InputError, did_you_mean

STEEL_MODULUS_PA = 200e9
"""Young's modulus of music wire, conventional value (from memory; handbooks give 195 … 210 GPa)."""

STEEL_DENSITY = 7850.0
"""Density of steel, kg/m³, conventional value (from memory)."""

INCH = 0.0254
LB_PER_IN = 0.45359237 / INCH

_SEMITONE = {"C": -9, "D": -7, "E": -5, "F": -4, "G": -2, "A": 0, "B": 2}


def note_frequency(note: str) -> float:
    """Return the equal-tempered frequency of a note such as ``E2``, ``F#3`` or ``Bb1``, Hz (A4 = 440 Hz, ISO 16).

    >>> round(note_frequency("E2"), 2)
    82.41
    """
    match = re.fullmatch(r"([A-Ga-g])([#♯b♭]?)(-?\d)", note.strip())
    if match is None:
        raise InputError(
            f"a note must be a letter, an optional # or b, and an octave, like 'E2' or 'F#3'; got {note!r}"
        )
    letter, accidental, octave = match.groups()
    step = _SEMITONE[letter.upper()] + {"#": 1, "♯": 1, "b": -1, "♭": -1}.get(accidental, 0)
    return float(440.0 * 2.0 ** ((step + 12 * (int(octave) - 4)) / 12.0))


def tension(*, mass_per_length: float, length: float, frequency_hz: float) -> float:
    """Return the tension of an ideal string, T = μ·(2ℓf)², newtons.

    Parameters
    ----------
    mass_per_length : float, kg/m
    length : float, m
        Speaking length.
    frequency_hz : float, Hz
        Fundamental.

    Source: "A Complete Technical Reference for Fretted Instrument String Tensions" (T = UW·(2LF)²/386.4 in lb and in).
    """
    return mass_per_length * (2 * length * frequency_hz) ** 2


def inharmonicity(
    *, stiff_diameter: float, tension_n: float, length: float, modulus_pa: float = STEEL_MODULUS_PA
) -> float:
    """Return B of f_n = n·f0·√(1 + B·n²) for a round stiff string, B = π³·E·d⁴/(64·T·ℓ²).

    Parameters
    ----------
    stiff_diameter : float, m
        The wire that bends: whole diameter of a plain string, core of a wound one (hexagonal cores taken as round
        across the flats; the wrap's own stiffness is left out).
    tension_n : float, N
    length : float, m
    modulus_pa : float, Pa

    Source: Fletcher & Rossing, The Physics of Musical Instruments, ch. 2 (from memory).

    >>> round(inharmonicity(stiff_diameter=0.000254, tension_n=72.592, length=0.648) * 1e5, 3)
    1.323
    """
    return math.pi**3 * modulus_pa * stiff_diameter**4 / (64 * tension_n * length**2)


def partial_frequencies(*, fundamental_hz: float, stiffness: float, count: int) -> np.ndarray:
    """Return f_n = n·f0·√(1 + B·n²) for n = 1 … ``count``, Hz, shape (count,)."""
    n = np.arange(1, count + 1)
    frequencies: np.ndarray = n * fundamental_hz * np.sqrt(1 + stiffness * n**2)
    return frequencies


@dataclass(frozen=True, slots=True, kw_only=True)
class String:
    """One string as wound on the instrument.

    Parameters
    ----------
    name : str
        What a player calls it, for instance ``"0.046 in wound"``.
    open_hz : float, Hz
    diameter : float, m
        Outer diameter.
    core_diameter : float or None, m
        Core of a wound string; None for a plain one.
    mass_per_length : float, kg/m
    source : str
        Where mass and core come from.
    """

    name: str
    open_hz: float
    diameter: float
    core_diameter: float | None = None
    mass_per_length: float
    source: str = ""

    def __post_init__(self) -> None:
        if not 10 < self.open_hz < 2000:
            raise InputError(
                f"string '{self.name}': the open note must lie between 10 and 2000 Hz; got {self.open_hz} Hz"
            )
        if not 0 < self.diameter < 0.006:
            raise InputError(
                f"string '{self.name}': the diameter must lie between 0 and 6 mm; got {self.diameter * 1e3:g} mm"
            )
        if self.core_diameter is not None and not 0 < self.core_diameter < self.diameter:
            raise InputError(
                f"string '{self.name}': the core must be thinner than the string ({self.diameter * 1e3:g} mm); "
                f"got {self.core_diameter * 1e3:g} mm"
            )
        if not 0 < self.mass_per_length < 0.1:
            raise InputError(
                f"string '{self.name}': mass must lie between 0 and 0.1 kg/m; got {self.mass_per_length} kg/m"
            )

    @property
    def is_wound(self) -> bool:
        """Whether the string has a wrap over a core."""
        return self.core_diameter is not None

    @property
    def stiff_diameter(self) -> float:
        """Diameter of the wire that bends, m."""
        return self.diameter if self.core_diameter is None else self.core_diameter

    @property
    def steel_area(self) -> float:
        """Steel cross-section a pickup responds to, m²: the whole plain string, the core of a wound one."""
        return math.pi * self.stiff_diameter**2 / 4


@dataclass(frozen=True, slots=True, kw_only=True)
class StringSet:
    """Strings at one scale length, thinnest first (string 1 as players count).

    Parameters
    ----------
    name : str
    strings : tuple of String
    scale : float, m
        Nut to bridge.
    """

    name: str
    strings: tuple[String, ...]
    scale: float

    def __post_init__(self) -> None:
        if not self.strings:
            raise InputError(f"string set '{self.name}' holds no string")
        if not 0.2 < self.scale < 1.5:
            raise InputError(f"string set '{self.name}': the scale must lie between 0.2 and 1.5 m; got {self.scale} m")

    def __getitem__(self, number: int) -> String:
        """Return string ``number``, 1 being the thinnest."""
        if not 1 <= number <= len(self.strings):
            raise InputError(f"'{self.name}' has strings 1 to {len(self.strings)}; got {number}")
        return self.strings[number - 1]

    def tension(self, number: int) -> float:
        """Tension of a string, N."""
        string = self[number]
        return tension(mass_per_length=string.mass_per_length, length=self.scale, frequency_hz=string.open_hz)

    def inharmonicity(self, number: int, fret: int = 0) -> float:
        """B of a fretted string; the speaking length shortens by 2^(−fret/12), the tension stays."""
        return inharmonicity(
            stiff_diameter=self[number].stiff_diameter,
            tension_n=self.tension(number),
            length=self.speaking_length(fret),
        )

    def speaking_length(self, fret: int) -> float:
        """Length from fret to bridge, m."""
        return float(self.scale * 2.0 ** (-fret / 12.0))

    def frequency(self, number: int, fret: int = 0) -> float:
        """Fundamental of a fretted string, Hz."""
        return float(self[number].open_hz * 2.0 ** (fret / 12.0))


UNIT_WEIGHT_SOURCE = "A Complete Technical Reference for Fretted Instrument String Tensions, unit weights (transcribed)"

PLAIN_UNIT_WEIGHT = {
    8: 1.418e-05,
    9: 1.794e-05,
    10: 2.215e-05,
    11: 2.68e-05,
    12: 3.19e-05,
    13: 3.744e-05,
    16: 5.671e-05,
    17: 6.402e-05,
    18: 7.177e-05,
}
"""Plain steel, lb/in by diameter in thousandths of an inch; printed. A second transcription gives 3.752e-05 for 13."""

WOUND_UNIT_WEIGHT = {
    24: 1.0857e-4,
    26: 1.2671e-4,
    30: 1.7236e-4,
    32: 1.9347e-4,
    36: 2.3964e-4,
    42: 3.2279e-4,
    46: 3.8216e-4,
    49: 4.3014e-4,
}
"""Nickel wound, lb/in by diameter in thousandths of an inch; printed. A second transcription gives 1.2679e-4 for 26."""

_CORE_OF_WOUND = {24: 13, 26: 13.5, 30: 14, 32: 14.5, 36: 15.5, 42: 16.5, 46: 17.5, 49: 18, 59: 18.5}
"""Core across flats, thousandths of an inch: from memory within the makers' usual 13 … 18, ±1 (weak)."""

_BASS_CORE = {45: 20, 65: 24, 85: 30, 105: 36}
"""Core across flats of bass strings, thousandths of an inch: from memory, ±4 (weak)."""


def string_of_gauge(note: str, thousandths: int, *, wound: bool) -> String:
    """Return a string of a usual gauge tuned to a note.

    Masses are printed unit weights where the gauge is in the table. A plain gauge outside it is solid steel
    (7850 kg/m³); a wound one follows mass ∝ diameter² from the heaviest printed gauge; mass/diameter²
    falls by 3 % from 36 to 49 thousandths in the printed table, so ±5 % beyond it.

    Parameters
    ----------
    note : str
        Open note, such as ``"E2"``.
    thousandths : int
        Outer diameter in 1/1000 in.
    wound : bool
    """
    diameter = thousandths * 1e-3 * INCH
    kind = "wound" if wound else "plain"
    if wound:
        heaviest = max(WOUND_UNIT_WEIGHT)
        unit_weight = WOUND_UNIT_WEIGHT.get(thousandths)
        source = (
            UNIT_WEIGHT_SOURCE if unit_weight else "derived: mass ∝ diameter² from the heaviest printed gauge, ±5 %"
        )
        mass = (unit_weight or WOUND_UNIT_WEIGHT[heaviest] * (thousandths / heaviest) ** 2) * LB_PER_IN
        core = _CORE_OF_WOUND.get(thousandths, _BASS_CORE.get(thousandths, 0.4 * thousandths)) * 1e-3 * INCH
        source += "; core diameter from memory"
    else:
        unit_weight = PLAIN_UNIT_WEIGHT.get(thousandths)
        source = UNIT_WEIGHT_SOURCE if unit_weight else "derived: solid steel, 7850 kg/m³"
        mass = unit_weight * LB_PER_IN if unit_weight else STEEL_DENSITY * math.pi * diameter**2 / 4
        core = None
    return String(
        name=f"{note} 0.{thousandths:03d} in {kind}",
        open_hz=note_frequency(note),
        diameter=diameter,
        core_diameter=core,
        mass_per_length=mass,
        source=source,
    )


_SIX = (("E4", 10, False), ("B3", 13, False), ("G3", 17, False), ("D3", 26, True), ("A2", 36, True), ("E2", 46, True))
_BUILT_IN = {
    "six-string": (25.5 * INCH, _SIX),
    "six-string, heavy": (
        25.5 * INCH,
        (("E4", 12, False), ("B3", 16, False), ("G3", 24, True), ("D3", 32, True), ("A2", 42, True), ("E2", 49, True)),
    ),
    "six-string, short scale": (24.75 * INCH, _SIX),
    "seven-string": (25.5 * INCH, (*_SIX, ("B1", 59, True))),
    "four-string bass": (34.0 * INCH, (("G2", 45, True), ("D2", 65, True), ("A1", 85, True), ("E1", 105, True))),
}

STRING_SETS = tuple(_BUILT_IN)
"""Names of the built-in sets: usual gauges, standard tuning (common practice, no source)."""


def string_set(name: str, *, scale: float | None = None) -> StringSet:
    """Return a built-in set of strings by name, at its usual scale or another.

    >>> string_set("six-string")[6].name
    'E2 0.046 in wound'
    """
    if name not in _BUILT_IN:
        raise InputError(f"no string set is named {name!r}.{did_you_mean(name, _BUILT_IN)}")
    usual_scale, gauges = _BUILT_IN[name]
    strings = tuple(string_of_gauge(note, gauge, wound=wound) for note, gauge, wound in gauges)
    return StringSet(name=name, strings=strings, scale=usual_scale if scale is None else scale)
