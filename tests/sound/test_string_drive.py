"""A rig as the strings drive it: comb of the places, outputs counted, levels and their doubts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from labkit.core.response import gain_db
from labkit.pickup.predict.output import string_outputs, transducers
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig, set_value
from labkit.sound.loudness import match_loudness
from labkit.sound.render.rig_sound import coil_spots, coil_transfers, play
from labkit.sound.render.string_drive import driven_response, level_change, rig_level
from labkit.sound.strings import string_set
from labkit.sound.take.performance import NoteVariation
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
    """By hand: mean square over strings and a sixth of an octave of sin(2πf·x/c) times the window, c = 2ℓ·f0."""
    strings = string_set("six strings 10-46")
    heard_by = transducers(None, tuple(string.wire for string in strings.strings))
    assert heard_by is not None
    frequency = np.array([110.0, 400.0, 1500.0])
    spot = coil_spots(SINGLE)["bridge.main"]
    squares = []
    for string, ear in zip(strings.strings, heard_by):
        wave = 2 * strings.scale * string.open_hz
        for step in np.linspace(-1 / 12, 1 / 12, 9):
            near = frequency * 2**step
            heard = np.sin(2 * np.pi * near * spot.position / wave)
            squares.append((heard / (1 + (2 * np.pi * near / wave / ear.window) ** 2)) ** 2)
    wanted = np.abs(SINGLE.evaluate(frequency)) * np.sqrt(np.mean(squares, axis=0))
    assert np.abs(driven_response(SINGLE).at(frequency)) == pytest.approx(wanted, rel=1e-12)


def test_a_reversed_pair_cancels_at_equal_emf_and_not_under_the_strings() -> None:
    """Equal EMFs of coils that are nearly alike all but cancel; at two places of a string they do not."""
    assert REVERSED.response().gain_db_at(400.0) < ALIKE.response().gain_db_at(400.0) - 30
    assert driven_response(REVERSED).gain_db_at(400.0) > driven_response(ALIKE).gain_db_at(400.0) - 6
    assert abs(level_change(ALIKE, REVERSED).level_db.value) < 6


def test_the_level_is_near_the_loudness_of_a_take() -> None:
    """Plucking place, decay and the thick strings' greater weight are left out: within 4 dB of loudness here."""
    take = load_take("E chord")
    for other in (REVERSED, with_values(ALIKE, selector="neck"), with_values(ALIKE, selector="bridge")):
        sounds = {"alike": play(ALIKE, take), "other": play(other, take)}
        heard = match_loudness(sounds, 48_000).difference_db("other", "alike")
        assert level_change(ALIKE, other).level_db.value == pytest.approx(heard, abs=4.0)


SWAPS = {
    "alnico 2": ("grade", "Alnico 2"),
    "alnico 3": ("grade", "Alnico 3"),
    "alnico 4": ("grade", "Alnico 4"),
    "alnico 8": ("grade", "Alnico 8"),
    "half charge": ("charge", "50 %"),
}


@pytest.mark.parametrize("swap", SWAPS)
def test_a_take_through_other_magnets_is_as_loud_as_its_strings_are_predicted_to_be(swap: str) -> None:
    """Softer by what the model says and by no more, from pluck to the time when the swings' own beats tell."""
    key, value = SWAPS[swap]
    before = with_values(SINGLE, bridge="narrow single coil, built")
    after = with_values(before, **{f"bridge__main__poles__{key}": value})
    outputs = [
        [each.sensitivity.value for each in string_outputs(rig.pickups["bridge"].made_from)]  # type: ignore[arg-type]
        for rig in (before, after)
    ]
    frequency = np.geomspace(60.0, 15e3, 400)
    gains = [coil_transfers(rig, ("bridge.main",), levels_db={"bridge": 0.0})(frequency)[0] for rig in (before, after)]
    change = np.abs(gains[1] / gains[0]) ** 2
    chord = load_take("E chord")
    wanted = measured = total = 0.0
    for pluck in chord.plucks:
        soft = replace(chord, plucks=(replace(pluck, displacement=0.2e-3),), variation=NoteVariation())
        start = round(pluck.at_s * 48_000)
        old, new = (play(rig, soft)[start : start + 12_000] for rig in (before, after))
        spectrum = np.abs(np.fft.rfft(old)) ** 2
        electrical = np.average(np.interp(np.fft.rfftfreq(old.size, 1 / 48_000), frequency, change), weights=spectrum)
        string = pluck.string - 1
        total += np.sum(old**2)
        wanted += np.sum(old**2) * electrical * (outputs[1][string] / outputs[0][string]) ** 2
        measured += np.sum(new**2)
    assert 10 * np.log10(measured / total) == pytest.approx(10 * np.log10(wanted / total), abs=0.1)
    assert abs(10 * np.log10(measured / total)) > 0.01, "each of the swaps changes the level"


def test_half_the_charge_is_softer_by_much_less_than_half_and_by_a_doubtful_amount() -> None:
    full = with_values(SINGLE, bridge="narrow single coil, built")
    change = level_change(full, with_values(full, bridge__main__poles__charge="50 %"))
    assert -6.02 < change.level_db.low < change.level_db.value < change.level_db.high < -1.0
    assert change.level_db.largest == "steel of the strings"
    assert change.words == ""


def test_the_doubt_of_one_pickup_of_two_counts_by_what_it_brings() -> None:
    """Both alike and in one place would share evenly; here each brings between a fifth and four fifths."""
    one = with_values(BOTH, neck="narrow single coil, built", bridge="narrow single coil, built")
    other = with_values(one, neck="narrow single coil, alnico 2, built")
    level = level_change(one, other).level_db
    alone = [with_values(SINGLE, bridge=f"narrow single coil{kind}, built") for kind in ("", ", alnico 2")]
    whole = level_change(*alone).level_db
    assert 0.2 < (level.high - level.low) / (whole.high - whole.low) < 0.8


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
