"""Controls without widgets: positions, typed values, limits."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.app.kit.controls import KNOB, Control, ControlSet, Group, log_positions, with_value
from labkit.core.errors import InputError

KNOB_CONTROL = Control(
    key="volume", label="Volume knob", kind="slider", unit=KNOB, positions=tuple(step / 10 for step in range(101))
)
LENGTH = Control(
    key="cable.length",
    label="Cable length",
    kind="slider",
    unit="m",
    positions=(0.5, 1.0, 5.0, 30.0),
    low=0.0,
    high=100.0,
    bare_unit="m",
)
POT = Control(key="pot", label="Pot", kind="choice", unit="Ω", positions=(250e3, 500e3), low=1e3, high=10e6)
SWITCH = Control(key="selector", label="Selector", kind="switch", positions=("neck", "both", "bridge"))


@pytest.mark.parametrize(
    ("control", "text", "value"),
    [
        (KNOB_CONTROL, "7.5", 7.5),
        (KNOB_CONTROL, " 7,5 ", 7.5),
        (KNOB_CONTROL, "10 of 10", 10.0),
        (LENGTH, "3", 3.0),
        (LENGTH, "3 m", 3.0),
        (LENGTH, "10 ft", 3.048),  # one foot is 0.3048 m by definition
        (POT, "470k", 470e3),
        (POT, "1M", 1e6),
        (SWITCH, "both", "both"),
    ],
)
def test_typed_values_are_read_as_the_bench_writes_them(control, text, value):
    assert control.read(text) == value


@pytest.mark.parametrize(
    ("control", "text", "words"),
    [
        (KNOB_CONTROL, "eleven", "a number from 0 to 10"),
        (KNOB_CONTROL, "11", "between 0 of 10 and 10 of 10"),
        (KNOB_CONTROL, "nan", "between"),
        (LENGTH, "-1", "between 0 m and 100 m"),
        (LENGTH, "1e9", "between 0 m and 100 m"),
        (LENGTH, "22 nF", "capacitance"),
        (POT, "500", "no unit"),
        (POT, "22 nF", "resistance is due"),
        (POT, "", "Pot"),
        (SWITCH, "midle", "There is no|there is no"),
        (POT, "9" * 500, "at most 80 characters"),
    ],
)
def test_what_cannot_be_used_is_told_in_one_sentence(control, text, words):
    with pytest.raises(InputError, match=words) as caught:
        control.read(text)
    assert control.label in str(caught.value)
    assert "\n" not in str(caught.value)


@given(st.text(max_size=120))
def test_no_text_breaks_the_reader(text):
    for control in (KNOB_CONTROL, LENGTH, POT, SWITCH):
        try:
            value = control.read(text)
        except InputError:
            continue
        if control.is_quantity:
            low, high = control.limits
            assert low <= value <= high
        else:
            assert value in control.positions


@given(st.one_of(st.text(max_size=60), st.floats().map(str)))
def test_values_from_an_address_are_clamped_or_refused(text):
    for control in (KNOB_CONTROL, LENGTH, POT):
        try:
            value = control.decode(text)
        except InputError:
            continue
        low, high = control.limits
        assert math.isfinite(value)
        assert low <= value <= high


@given(st.floats(min_value=1e3, max_value=10e6))
def test_an_address_keeps_a_value_to_six_digits(value):
    # six significant digits are written: half a unit in the sixth
    assert POT.decode(POT.encode(value)) == pytest.approx(value, rel=5e-6)


def test_a_slider_points_to_the_nearest_position_and_a_list_only_to_what_it_holds():
    assert LENGTH.index(4.0) == 2
    assert POT.index(250e3) == 0
    assert POT.index(231e3) == -1


def test_nothing_is_shown_in_the_unit_that_is_typed():
    gap = Control(key="g", label="Gap", kind="slider", positions=(0.0, 1e-3), unit="m", bare_unit="mm")
    assert gap.texts == ("0 mm", "1 mm")
    with pytest.raises(InputError, match="between 0 mm and 1 mm"):
        gap.read("2")


def test_an_unknown_key_names_the_nearest():
    controls = ControlSet((Group(title="x", controls=(KNOB_CONTROL, LENGTH)),))
    with pytest.raises(InputError, match="volume"):
        controls["volumn"]


def test_round_values_keep_to_their_limits():
    assert log_positions(1e-9, 1e-7, (1.0, 2.2, 4.7)) == pytest.approx(
        (1e-9, 2.2e-9, 4.7e-9, 1e-8, 2.2e-8, 4.7e-8, 1e-7), rel=1e-12
    )


def test_a_value_between_positions_gets_its_own():
    assert with_value((1.0, 2.0), 1.5) == (1.0, 1.5, 2.0)
    assert with_value((1.0, 2.0), 2.0) == (1.0, 2.0)
