"""Bench words: numbers that a person reads off a curve."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.core.errors import InputError
from labkit.core.grid import frequency_grid
from labkit.core.response import Response
from labkit.view.words import (
    Reading,
    frequency_in_words,
    key_numbers,
    nearest_note,
    note_frequency,
    read_response,
    sentence,
)


def second_order(resonance_hz: float, quality: float) -> Response:
    """A coil into a resistor and a capacitor: H = 1 / (1 − x² + jx/Q)."""

    def evaluate(frequency_hz):
        x = frequency_hz / resonance_hz
        return 1 / (1 - x**2 + 1j * x / quality)

    grid = frequency_grid()
    return Response(frequency_hz=grid, values=evaluate(grid), evaluate=evaluate)


def test_peak_is_said_where_the_textbook_puts_it():
    # Second-order low-pass: peak at f₀·√(1 − 1/(2Q²)) = 3880.7 Hz for f₀ = 4 kHz, Q = 2.92 … any filter textbook
    expected = 4000 * np.sqrt(1 - 1 / (2 * 2.92**2))
    reading = read_response(second_order(4000, 2.92))
    # the peak search states 1e-6 relative accuracy
    assert reading.peak_hz == pytest.approx(expected, rel=1e-5)
    numbers = key_numbers(reading)
    assert numbers[0].value == "3.9 kHz"
    assert numbers[1].value == "9.4 dB"
    assert numbers[1].detail == "a sharp peak"


@pytest.mark.parametrize(
    ("note", "frequency"),
    # ISO 16: A4 = 440 Hz; the open strings of a guitar in common tuning, equal temperament (any table of pitches)
    [
        ("E2", 82.41),
        ("A2", 110.0),
        ("D3", 146.83),
        ("G3", 196.0),
        ("B3", 246.94),
        ("E4", 329.63),
        ("A4", 440.0),
        ("C4", 261.63),
    ],
)
def test_open_strings_have_their_names(note, frequency):
    assert nearest_note(frequency) == note


@given(st.integers(min_value=12, max_value=135))
def test_a_note_frequency_names_the_note_it_came_from(number):
    name = nearest_note(note_frequency(number))
    # a quarter of a semitone off must still be the same note
    assert nearest_note(note_frequency(number) * 2 ** (0.25 / 12)) == name


@pytest.mark.parametrize("bad", [0.0, -5.0, float("nan"), float("inf")])
def test_no_note_for_what_is_no_frequency(bad):
    with pytest.raises(InputError, match="above 0 Hz"):
        nearest_note(bad)


def test_change_against_a_pin_says_how_much_and_which_way():
    now, pinned = read_response(second_order(3000, 2)), read_response(second_order(4000, 2))
    peak = key_numbers(now, pinned=pinned, pinned_name="cable 3 m")[0]
    # √(1 − 1/8) of 1000 Hz is 935 Hz, said to ten hertz
    assert peak.detail == "940 Hz lower than with cable 3 m"


def test_equal_curves_are_said_to_be_equal():
    reading = read_response(second_order(3000, 2))
    details = [number.detail for number in key_numbers(reading, pinned=reading, pinned_name="tone 10")]
    assert details == ["as with tone 10", "as high as with tone 10", "as with tone 10"]


def test_a_curve_without_a_peak_says_so():
    numbers = key_numbers(read_response(second_order(3000, 0.5)))
    assert numbers[0].value == "no peak"
    assert numbers[1].value == "none"
    assert "kHz" in numbers[2].value


def test_silence_is_said_to_be_silence():
    grid = frequency_grid()
    numbers = key_numbers(read_response(Response(frequency_hz=grid, values=np.zeros(grid.size))))
    assert {number.value for number in numbers} == {"silent"}


def test_a_silent_pin_is_not_compared_with():
    silent = Reading(peak_hz=None, height_db=None, minus_3db_hz=None, bass_db=-600.0, is_silent=True)
    numbers = key_numbers(read_response(second_order(3000, 2)), pinned=silent)
    assert all("pinned" not in number.detail for number in numbers)


def test_sentence_holds_every_number():
    numbers = key_numbers(read_response(second_order(3000, 2)))
    assert all(number.value in sentence(numbers) for number in numbers)


def test_frequencies_keep_their_unit_across_the_thousand():
    assert frequency_in_words(999.6) == "1.0 kHz"
    assert frequency_in_words(994.0) == "990 Hz"
