"""Strings and sets of strings: tension, stiffness and the steel that a pickup sees.

Lengths in metres, masses in kg/m. Players count strings from the thinnest, so string 1 is the first of a set.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from labkit.core.errors import InputError
from labkit.core.validity import range_called
from labkit.pickup.materials import materials
from labkit.pickup.string.vibration import note_frequency
from labkit.pickup.string.wire import StringWire
from labkit.plugins.manager import FOLDERS_VARIABLE

STEEL_MODULUS_PA = 200e9
"""Young's modulus of music wire, conventional value (from memory; handbooks give 195 … 210 GPa)."""

STEEL_DENSITY = 7850.0
"""Density of steel, kg/m³, conventional value (from memory)."""

HEXAGON_STIFFNESS = 5 * math.sqrt(3) / 144 / (math.pi / 64)
"""Second moment of area of a hexagon over that of the circle inscribed in it: 1.225."""

OPEN_NOTE = range_called("open_note")
DIAMETER = range_called("string_diameter")
MASS = range_called("string_mass")
SCALE = range_called("scale_length")
FRET = range_called("fret")


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
    *,
    stiff_diameter: float,
    tension_n: float,
    length: float,
    modulus_pa: float = STEEL_MODULUS_PA,
    is_hexagonal: bool = False,
) -> float:
    """Return B of f_n = n·f0·√(1 + B·n²) for a stiff string, B = π³·E·d⁴/(64·T·ℓ²).

    Parameters
    ----------
    stiff_diameter : float, m
        The wire that bends: whole diameter of a plain string, core of a wound one across the flats.
    tension_n : float, N
    length : float, m
    modulus_pa : float, Pa
    is_hexagonal : bool
        A hexagonal core is 1.225 times as stiff as the round wire inside it.

    Valid for strings pinned at both ends; the wrap's own stiffness is left out.
    Source: Fletcher & Rossing, The Physics of Musical Instruments, ch. 2 (from memory).

    >>> round(inharmonicity(stiff_diameter=0.000254, tension_n=72.592, length=0.648) * 1e5, 3)
    1.323
    """
    round_wire = math.pi**3 * modulus_pa * stiff_diameter**4 / (64 * tension_n * length**2)
    return round_wire * (HEXAGON_STIFFNESS if is_hexagonal else 1.0)


def partial_frequencies(*, ideal_hz: float, stiffness: float, count: int) -> np.ndarray:
    """Return f_n = n·f0·√(1 + B·n²) for n = 1 … ``count``, Hz, shape (count,).

    Parameters
    ----------
    ideal_hz : float, Hz
        f0, the fundamental of the same string without stiffness. The note that sounds is f_1 = f0·√(1 + B), a little
        higher: `ideal_fundamental` gives f0 from it.
    stiffness : float
        B, see `inharmonicity`.
    count : int

    >>> partial_frequencies(ideal_hz=82.4, stiffness=1e-4, count=2).round(3).tolist()
    [82.404, 164.833]
    """
    n = np.arange(1, count + 1)
    frequencies: np.ndarray = n * ideal_hz * np.sqrt(1 + stiffness * n**2)
    return frequencies


def ideal_fundamental(*, sounding_hz: float, stiffness: float) -> float:
    """Return the fundamental without stiffness, Hz, of a string whose first partial is tuned to ``sounding_hz``."""
    return sounding_hz / math.sqrt(1 + stiffness)


@dataclass(frozen=True, slots=True, kw_only=True)
class String:
    """One string as wound on the instrument.

    Parameters
    ----------
    name : str
        What a player calls it, for instance ``"E2, wound steel 0.046 in"``.
    open_hz : float, Hz
        The note that the open string sounds.
    diameter : float, m
        Outer diameter.
    core_diameter : float or None, m
        Hexagonal core of a wound string, across the flats; None for a plain one.
    mass_per_length : float, kg/m
    modulus_pa : float, Pa
        Young's modulus of the wire that bends.
    has_magnetic_wrap : bool
        A wound string's wrap is of steel; bronze and other wraps are not heard.
    """

    name: str
    open_hz: float
    diameter: float
    core_diameter: float | None = None
    mass_per_length: float
    modulus_pa: float = STEEL_MODULUS_PA
    has_magnetic_wrap: bool = True

    def __post_init__(self) -> None:
        OPEN_NOTE.check(self.open_hz, whose=f"string '{self.name}': ")
        DIAMETER.check(self.diameter, whose=f"string '{self.name}': ")
        MASS.check(self.mass_per_length, whose=f"string '{self.name}': ")
        if self.core_diameter is not None and not 0 < self.core_diameter < self.diameter:
            raise InputError(
                f"string '{self.name}': the core must be thinner than the string ({self.diameter * 1e3:g} mm); "
                f"got {self.core_diameter * 1e3:g} mm"
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
    def wire(self) -> StringWire:
        """The metal that a pickup hears."""
        if self.core_diameter is None:
            return StringWire(core=self.diameter)
        return StringWire(
            core=self.core_diameter,
            outer=self.diameter,
            is_hexagonal=True,
            is_magnetic_wrap=self.has_magnetic_wrap,
        )


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
        SCALE.check(self.scale, whose=f"string set '{self.name}': ")

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
            modulus_pa=self[number].modulus_pa,
            is_hexagonal=self[number].is_wound,
        )

    def speaking_length(self, fret: int) -> float:
        """Length from fret to bridge, m."""
        FRET.check(fret)
        return float(self.scale * 2.0 ** (-fret / 12.0))

    def frequency(self, number: int, fret: int = 0) -> float:
        """The note that a fretted string sounds, its first partial, Hz: strings are tuned to what is heard."""
        return float(self[number].open_hz * 2.0 ** (fret / 12.0))


def string_set(name: str, *, scale: float | None = None) -> StringSet:
    """Return a set of strings of the catalogue, tuned, at its usual scale or another.

    Parameters
    ----------
    name : str
        A ``string set`` of the catalogue.
    scale : float, m, optional

    >>> string_set("six strings 10-46")[6].name
    'E2, wound steel 0.046 in'
    """
    found = _string_set(name, os.environ.get(FOLDERS_VARIABLE, ""))
    return found if scale is None else replace(found, scale=scale)


@lru_cache(maxsize=64)
def _string_set(name: str, folders: str) -> StringSet:
    """A set at its usual scale, kept as long as the catalogue is: a slider asks for it at every move."""
    stock = materials.string_set(name)
    strings = tuple(
        _tuned(note, materials.string(string)) for note, string in zip(stock.notes, stock.strings, strict=True)
    )
    return StringSet(name=name, strings=strings, scale=stock.scale_length)


def _tuned(note: str, stock: materials.StringStock) -> String:
    return String(
        name=f"{note}, {stock.name}",
        open_hz=note_frequency(note),
        diameter=stock.diameter.value,
        core_diameter=stock.core_diameter.value if stock.is_wound else None,
        mass_per_length=stock.mass_per_length.value,
        modulus_pa=stock.modulus.value,
        has_magnetic_wrap="steel" in stock.wrap,
    )
