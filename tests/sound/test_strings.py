"""Strings: tension, stiffness and steel area against published figures."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.pickup.materials.materials import string
from labkit.pickup.string.vibration import note_frequency
from labkit.sound.strings import (
    HEXAGON_STIFFNESS,
    String,
    ideal_fundamental,
    inharmonicity,
    partial_frequencies,
    string_set,
    tension,
)

INCH = 0.0254
POUND_FORCE = 4.4482216152605


@pytest.mark.parametrize(
    ("note", "printed_hz"),
    [("E2", 82.41), ("A2", 110.0), ("D3", 146.83), ("G3", 196.0), ("B3", 246.94), ("E4", 329.63)],
)
def test_open_notes_agree_with_the_printed_equal_temperament(note: str, printed_hz: float) -> None:
    # "Guitar tuning guide" prints two decimals at A4 = 440 Hz (ISO 16): half of the last digit.
    assert note_frequency(note) == pytest.approx(printed_hz, abs=0.005)


def test_accidentals_move_a_note_by_a_semitone() -> None:
    assert note_frequency("Bb1") == pytest.approx(note_frequency("A#1"), rel=1e-12)  # same key, rounding only
    assert note_frequency("B1") / note_frequency("Bb1") == pytest.approx(2 ** (1 / 12), rel=1e-12)


# Closed-form cases: mu, T, B and the sharpening of partial 20 of plain steel strings at 648 mm (H. Fletcher's formula;
# 7850 kg/m³ and 200 GPa are conventional values).
CLOSED_FORM = [
    (0.000254, 329.63, 0.00039776537, 72.59228, 1.3231042e-05, 4.557673),
    (0.0003302, 246.94, 0.00067222348, 68.850416, 3.9842936e-05, 13.652225),
    (0.0004318, 196.0, 0.0011495419, 74.17319, 0.00010815167, 36.56619),
]


@pytest.mark.parametrize(("diameter", "f0", "mass", "newton", "b", "cents"), CLOSED_FORM)
def test_tension_and_stiffness_of_plain_strings_follow_the_closed_form(
    diameter: float, f0: float, mass: float, newton: float, b: float, cents: float
) -> None:
    string = String(name="plain", open_hz=f0, diameter=diameter, mass_per_length=7850 * math.pi * diameter**2 / 4)
    assert string.mass_per_length == pytest.approx(mass, rel=1e-7)  # eight printed digits
    pull = tension(mass_per_length=string.mass_per_length, length=0.648, frequency_hz=f0)
    assert pull == pytest.approx(newton, rel=1e-6)  # seven printed digits
    stiffness = inharmonicity(stiff_diameter=diameter, tension_n=pull, length=0.648)
    assert stiffness == pytest.approx(b, rel=1e-6)
    partials = partial_frequencies(ideal_hz=f0, stiffness=stiffness, count=20)
    # Sharpening against 20 times the first partial, printed to seven digits.
    assert 1200 * math.log2(partials[19] / (20 * partials[0])) == pytest.approx(cents, abs=1e-5)


@pytest.mark.parametrize(("number", "pounds"), [(1, 16.20), (2, 15.37), (3, 16.56), (4, 18.39), (5, 19.52), (6, 17.47)])
def test_tensions_at_25_and_a_half_inches_are_near_the_printed_ones(number: int, pounds: float) -> None:
    # T = UW·(2LF)²/386.4 from unit weights printed in "A Complete Technical Reference for Fretted Instrument String
    # Tensions". The catalogue's masses follow from geometry instead: 1 % for solid wire (7850 against 7800 kg/m³),
    # 5 % for wound strings, whose core is known to 10 % only.
    strings = string_set("six strings 10-46")
    tolerance = 0.05 if strings[number].is_wound else 0.01
    assert strings.tension(number) / POUND_FORCE == pytest.approx(pounds, rel=tolerance)


def test_printed_unit_weight_gives_the_printed_tension() -> None:
    # Wound 0.046 in, 3.8216e-4 lb/in, E2 at 25.5 in: 17.47 lb in the same reference (386.4 there is rounded: 0.1 %).
    mass = 3.8216e-4 * 0.45359237 / INCH
    pull = tension(mass_per_length=mass, length=25.5 * INCH, frequency_hz=82.41)
    assert pull / POUND_FORCE == pytest.approx(17.47, rel=1.2e-3)


def test_thick_plain_and_wound_strings_are_the_stiff_ones() -> None:
    # "Inharmonicity of Sounds from Electric Guitars": E2 and A2 usually above E4; plain G3 can exceed wound D3.
    strings = string_set("six strings 10-46")
    assert strings.inharmonicity(6) > strings.inharmonicity(1)
    assert strings.inharmonicity(5) > strings.inharmonicity(1)
    assert strings.inharmonicity(3) > strings.inharmonicity(4)


@pytest.mark.parametrize("name", ["six strings 9-42", "six strings 10-46", "six strings 10-46, short scale"])
def test_open_guitar_strings_stay_in_the_published_range_of_inharmonicity(name: str) -> None:
    # 1e-5 … 2e-4 for open steel strings (IEEE TASLP 20 (2012) 1857; Acta Acustica 92 (2006) 842; from memory).
    strings = string_set(name)
    for number in range(1, len(strings.strings) + 1):
        assert 1e-5 < strings.inharmonicity(number) < 2e-4


def test_a_wound_string_of_a_set_has_the_metal_of_its_core_and_wrap() -> None:
    low_e = string_set("six strings 10-46")[6]
    assert low_e.is_wound
    # Six triangles of base c/√3 and height c/2.
    assert low_e.wire.core_area == pytest.approx(6 * low_e.core_diameter**2 / math.sqrt(3) / 4, rel=1e-12)
    assert low_e.wire.wrap_area == pytest.approx(
        (math.pi / 4) ** 2 * (low_e.diameter**2 - low_e.core_diameter**2), rel=1e-12
    )
    assert replace(low_e, has_magnetic_wrap=False).wire.wrap_area == 0


def test_a_hexagonal_core_is_stiffer_than_the_round_wire_in_it() -> None:
    # Second moment of a hexagon by quadrature: at height y it is (2/√3)·(c − |y|) wide, c across the flats.
    y = np.linspace(-0.5, 0.5, 200_001)
    moment = float(np.trapezoid(y**2 * 2 / math.sqrt(3) * (1 - np.abs(y)), y))
    assert moment / (math.pi / 64) == pytest.approx(HEXAGON_STIFFNESS, rel=1e-6)


@pytest.mark.parametrize(("fret", "partial"), [(12, 10), (21, 6)])
def test_low_b_is_as_inharmonic_as_published(fret: int, partial: int) -> None:
    # "On inharmonicity in bass guitar strings" (SN Applied Sciences 2:636, 2020), abstract: about 100 cents sharp at
    # the 10th partial of a low B stopped at the twelfth fret (the catalogue's core was chosen to meet it) and at the
    # 6th of one stopped at the twenty-first (which was not used). 10 %: "about" 100 cents.
    b = string_set("five-string bass 45-130").inharmonicity(5, fret=fret)
    cents = 1200 * math.log2(math.sqrt((1 + partial**2 * b) / (1 + b)))
    assert cents == pytest.approx(100.0, rel=0.10)


@pytest.mark.parametrize(("gauge", "pounds"), [("0.045", 42.8), ("0.065", 51.3), ("0.080", 42.0), ("0.100", 36.5)])
def test_bass_tensions_at_34_inches_are_near_the_printed_ones(gauge: str, pounds: float) -> None:
    # "A Complete Technical Reference for Fretted Instrument String Tensions", a set of four at 34 in (from memory).
    # 5 %: makers' unit weights differ by as much, and our masses follow from two wraps on a core.
    note = {"0.045": "G2", "0.065": "D2", "0.080": "A1", "0.100": "E1"}[gauge]
    mass = string(f"wound bass {gauge} in").mass_per_length.value
    pull = tension(mass_per_length=mass, length=34 * INCH, frequency_hz=note_frequency(note))
    assert pull / POUND_FORCE == pytest.approx(pounds, rel=0.05)


def test_fretting_twelve_frets_doubles_the_note_and_quadruples_the_stiffness() -> None:
    strings = string_set("six strings 10-46")
    assert strings.frequency(6, 12) == pytest.approx(2 * strings.frequency(6), rel=1e-12)
    assert strings.inharmonicity(6, 12) == pytest.approx(4 * strings.inharmonicity(6), rel=1e-9)


def test_every_set_of_the_catalogue_has_playable_tensions() -> None:
    # Common practice, no source: guitar strings 45 … 130 N, bass strings 120 … 260 N.
    names = catalogue().names("string set")
    assert len(names) >= 8
    for name in names:
        strings = string_set(name)
        low, high = (120, 260) if "bass" in name else (45, 130)
        for number in range(1, len(strings.strings) + 1):
            assert low < strings.tension(number) < high, (name, number)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"diameter": 0.01}, "diameter"),
        ({"core_diameter": 0.002}, "core must be thinner"),
        ({"mass_per_length": 0.0}, "mass"),
        ({"open_hz": float("nan")}, "open note"),
    ],
)
def test_impossible_strings_are_refused(change: dict, message: str) -> None:
    good = {"name": "x", "open_hz": 82.0, "diameter": 46e-3 * INCH, "mass_per_length": 0.0068}
    with pytest.raises(InputError, match=message):
        String(**{**good, **change})


def test_an_unknown_set_or_note_or_string_names_the_remedy() -> None:
    with pytest.raises(InputError, match="Did you mean 'six strings 9-42'"):
        string_set("six strings 942")
    with pytest.raises(InputError, match="like 'E2'"):
        note_frequency("H2")
    with pytest.raises(InputError, match="strings 1 to 6"):
        string_set("six strings 10-46")[7]


def test_partials_rise_without_end() -> None:
    partials = partial_frequencies(ideal_hz=82.4, stiffness=1e-4, count=50)
    assert np.all(np.diff(partials) > 82.4)


def test_the_note_that_sounds_is_the_tuned_one_whatever_the_stiffness() -> None:
    strings = string_set("six strings 10-46")
    for number in (1, 6):
        stiffness = strings.inharmonicity(number)
        assert stiffness > 1e-5  # otherwise the check below would hold without the correction
        ideal = ideal_fundamental(sounding_hz=strings.frequency(number), stiffness=stiffness)
        sounding = partial_frequencies(ideal_hz=ideal, stiffness=stiffness, count=1)[0]
        assert sounding == pytest.approx(strings.frequency(number), rel=1e-14)
        assert ideal < strings.frequency(number) * (1 - 0.4 * stiffness)
