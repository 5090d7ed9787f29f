"""A rig as the strings drive it: comb of the places, outputs counted, levels and their doubts."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.core.response import gain_db
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig, set_value
from labkit.sound.loudness import match_loudness
from labkit.sound.render.rig_sound import coil_spots, play
from labkit.sound.render.string_drive import driven_response, level_change, rig_level
from labkit.sound.strings import string_set
from labkit.sound.take.sheet import load_take

SINGLE = load_rig("Saltmarsh Lane, narrow single coil")
PAIR = load_rig("Saltmarsh Lane, two pickups")
BOTH = PAIR.replace(settings={"selector": "both"})


def with_values(rig: Rig, **changes: str) -> Rig:
    for name, value in changes.items():
        rig = set_value(rig, name.replace("__", "."), value)
    return rig


REVERSED = with_values(BOTH, neck="narrow single coil, reversed", bridge="narrow single coil")
REVERSED = with_values(REVERSED, neck__main__facing="north", neck__main__wound="counter-clockwise")
ALIKE = with_values(BOTH, neck="narrow single coil", bridge="narrow single coil")


def test_one_pickup_is_its_gain_times_the_comb_of_its_place() -> None:
    """By hand: mean square over strings and a sixth of an octave of sin(2πf·x/c)·sinc of the aperture, c = 2ℓ·f0."""
    strings = string_set("six strings 10-46")
    frequency = np.array([110.0, 400.0, 1500.0])
    spot = coil_spots(SINGLE)["bridge.main"]
    squares = []
    for string in strings.strings:
        wave = 2 * strings.scale * string.open_hz
        for step in np.linspace(-1 / 12, 1 / 12, 9):
            near = frequency * 2**step
            heard = np.sin(2 * np.pi * near * spot.position / wave)
            squares.append((heard * np.sinc(near * spot.aperture / wave)) ** 2)
    wanted = np.abs(SINGLE.evaluate(frequency)) * np.sqrt(np.mean(squares, axis=0))
    assert np.abs(driven_response(SINGLE).at(frequency)) == pytest.approx(wanted, rel=1e-12)


def test_a_reversed_pair_cancels_at_equal_emf_and_not_under_the_strings() -> None:
    """Equal EMFs of coils that are nearly alike all but cancel; at two places of a string they do not."""
    assert REVERSED.response().gain_db_at(400.0) < ALIKE.response().gain_db_at(400.0) - 30
    assert driven_response(REVERSED).gain_db_at(400.0) > driven_response(ALIKE).gain_db_at(400.0) - 6
    assert abs(level_change(ALIKE, REVERSED).level_db.value) < 6


def test_the_level_is_near_the_loudness_of_a_take() -> None:
    """Plucking place and decay are left out of the level: within 3 dB of loudness over these changes."""
    take = load_take("E chord")
    for other in (REVERSED, with_values(ALIKE, selector="neck"), with_values(ALIKE, selector="bridge")):
        sounds = {"alike": play(ALIKE, take), "other": play(other, take)}
        heard = match_loudness(sounds, 48_000).difference_db("other", "alike")
        assert level_change(ALIKE, other).level_db.value == pytest.approx(heard, abs=3.0)


def test_a_take_through_half_the_charge_has_half_the_voltage() -> None:
    full = with_values(SINGLE, bridge="narrow single coil, built")
    half = with_values(full, bridge__main__poles__charge="50 %")
    take = load_take("low note")
    assert play(half, take) == pytest.approx(0.5 * play(full, take), abs=1e-9)
    change = level_change(full, half)
    assert change.level_db.value == pytest.approx(-20 * np.log10(2), abs=1e-9)
    assert change.level_db.high - change.level_db.low < 1e-9
    assert change.words == ""


def test_the_doubt_of_one_pickup_of_two_counts_by_what_it_brings() -> None:
    """Both alike and in one place would share evenly; here each brings between a fifth and four fifths."""
    one = with_values(BOTH, neck="narrow single coil, built", bridge="narrow single coil, built")
    other = with_values(one, neck="narrow single coil, alnico 2, built")
    level = level_change(one, other).level_db
    assert 0.2 * 1.5 < level.high - level.value < 0.8 * 1.5
    step = with_values(other, neck__main__poles__charge="99 %")  # the slope, by a small step of the output alone
    slope = level_change(other, step).level_db.value / (20 * np.log10(0.99))
    assert (level.high - level.value) / 1.5 == pytest.approx(slope, abs=0.01)


def test_two_coils_in_parallel_are_not_halved_twice() -> None:
    """The circuit halves them already: half the voltage of the same coils in series, less what the load takes."""
    bass = np.array([100.0])
    series = with_values(SINGLE, bridge="two-coil, built")
    parallel = with_values(series, bridge__connection="parallel")
    level = rig_level(parallel).value - rig_level(series).value
    electrical = gain_db(parallel.evaluate(bass))[0] - gain_db(series.evaluate(bass))[0]
    assert level == pytest.approx(electrical, abs=0.5)
    assert electrical == pytest.approx(-6.0, abs=0.6)


def test_uncharged_magnets_are_silent() -> None:
    full = with_values(SINGLE, bridge="narrow single coil, built")
    none = with_values(full, bridge__main__poles__charge="0 %")
    assert level_change(full, none).is_silent
    assert not level_change(full, full).is_silent
