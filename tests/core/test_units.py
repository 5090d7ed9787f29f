"""The quantity reader against published letter codes, the trade's spellings, and itself."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.core.errors import QuantityError
from labkit.core.units import (
    TOLERANCE_LETTERS,
    UNITS,
    UsualRange,
    format_quantity,
    parse_marking,
    parse_quantity,
)

IEC_RESISTANCE = [
    ("R47", 0.47),
    ("4R7", 4.7),
    ("470R", 470.0),
    ("4K7", 4.7e3),
    ("47K", 47e3),
    ("47K3", 47.3e3),
    ("470K", 470e3),
    ("4M7", 4.7e6),
]
"""IEC 60062:2016, resistance codes."""

IEC_CAPACITANCE = [
    ("p33", 0.33e-12),
    ("3p3", 3.3e-12),
    ("33p", 33e-12),
    ("n33", 330e-12),
    ("22n", 22e-9),
    ("4n7", 4.7e-9),
    ("u47", 0.47e-6),
]
"""IEC 60062, capacitance codes (from memory)."""

IEC_TOLERANCE = {"B": 0.1, "C": 0.25, "D": 0.5, "F": 1, "G": 2, "J": 5, "K": 10, "M": 20, "N": 30}
"""IEC 60062, tolerance letters in per cent (from memory)."""


@pytest.mark.parametrize(("code", "ohms"), IEC_RESISTANCE)
def test_resistance_codes_of_iec_60062_are_read(code, ohms):
    assert parse_quantity(code, "Ω") == ohms


@pytest.mark.parametrize(("code", "farads"), IEC_CAPACITANCE)
def test_capacitance_codes_of_iec_60062_are_read(code, farads):
    assert parse_quantity(code, "F") == farads


@pytest.mark.parametrize(("letter", "percent"), IEC_TOLERANCE.items())
def test_tolerance_letters_of_iec_60062_are_read(letter, percent):
    marking = parse_marking(f"4K7{letter}", "Ω")
    assert (marking.value, marking.tolerance) == (4700.0, pytest.approx(percent / 100, rel=1e-12))
    assert set(TOLERANCE_LETTERS) == set(IEC_TOLERANCE)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("4.7 kΩ", "Ω", 4700.0),
        ("4.7 k\N{OHM SIGN}", "Ω", 4700.0),
        ("5.5 \N{OHM SIGN}/m", "Ω/m", 5.5),
        ("4k7", "Ω", 4700.0),
        ("4.7k", "Ω", 4700.0),
        ("4,7 kΩ", "Ω", 4700.0),
        ("1M", "Ω", 1e6),
        ("0.022 uF", "F", 22e-9),
        ("0,022 µF", "F", 22e-9),
        ("22n", "F", 22e-9),
        ("33pF", "F", 33e-12),
        ("500 pF/m", "F/m", 500e-12),
        ("30 pF/ft", "F/m", 30e-12 / 0.3048),
        ("5 m", "m", 5.0),
        ("16 ft", "m", 4.8768),
        ("0.0025 in", "m", 63.5e-6),
        ("2.5 mil", "m", 63.5e-6),
        ("20 °C", "°C", 20.0),
        ("68 °F", "°C", 20.0),
        ("293.15 K", "°C", 20.0),
        ("10 %", "1", 0.1),
        ("2.4 H", "H", 2.4),
        ("2400 mH", "H", 2.4),
        ("6 kHz", "Hz", 6000.0),
        ("500 G", "T", 0.05),
        ("-3 dB", "dB", -3.0),
        ("−3 dB", "dB", -3.0),
        ("0", "Ω", 0.0),
    ],
)
def test_the_trades_spellings_are_read(text, unit, value):
    # 1 part in 1e12: one rounding of a decimal conversion factor
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "words"),
    [
        ("22 nF", "Ω", "is a capacitance; a resistance is due"),
        ("4.7 kΩ", "F", "is a resistance; a capacitance is due"),
        ("5 m", "F/m", "is a length"),
        ("250", "Ω", "has no unit"),
        ("22", "F", "has no unit"),
        ("1,000 Ω", "Ω", "ambiguous"),
        ("4.7 kOmh", "Ω", "Did you mean"),
        ("", "F", "is empty"),
        ("   ", "F", "is empty"),
        ("nan F", "F", "is not a capacitance"),
        ("inf Ω", "Ω", "is not a resistance"),
        ("1e999 F", "F", "must be finite"),
        ("4k7k", "Ω", "not"),
        ("twelve kΩ", "Ω", "is not a resistance"),
        ("9" * 100, "Ω", "short text"),
    ],
)
def test_unreadable_quantities_are_refused_with_a_reason(text, unit, words):
    with pytest.raises(QuantityError) as caught:
        parse_quantity(text, unit)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("value", [250_000, 2.2e-8, True, None, ["22n"], {"value": 3}])
def test_anything_but_text_is_refused(value):
    with pytest.raises(QuantityError, match="must be text with its unit"):
        parse_quantity(value, "Ω")


def test_a_slip_of_the_unit_is_questioned_and_can_be_insisted_on():
    usual = UsualRange(low=20e-12, high=200e-9)
    with pytest.raises(QuantityError, match="Did you mean 22 nF"):
        parse_quantity("22 µF", "F", usual=usual)
    assert parse_quantity("22 µF!", "F", usual=usual) == 22e-6
    assert parse_quantity("1 µF", "F", usual=usual) == 1e-6  # five times the usual is nobody's slip


@given(
    mantissa=st.floats(min_value=1.0, max_value=9.999999, allow_nan=False),
    power=st.integers(min_value=-14, max_value=9),
    unit=st.sampled_from(sorted(UNITS)),
    sign=st.sampled_from([1.0, -1.0]),
)
def test_what_is_written_reads_back_to_the_same_number(mantissa, power, unit, sign):
    value = sign * mantissa * 10.0**power
    written = format_quantity(value, unit)
    if len(written) <= 60:
        assert parse_quantity(written, unit) == value


@given(st.floats(min_value=1e-14, max_value=1e9), st.integers(min_value=1, max_value=6))
def test_rounded_writing_keeps_the_asked_digits(value, digits):
    read = parse_quantity(format_quantity(value, "Ω", digits=digits), "Ω")
    # half a unit in the last of the kept digits, plus the rounding of the comparison itself
    assert read == pytest.approx(value, rel=0.5 * 10.0 ** (1 - digits) * (1 + 1e-9))


@pytest.mark.parametrize(
    ("value", "unit", "digits", "text"),
    [
        (4700.0, "Ω", None, "4.7 kΩ"),
        (2.2e-8, "F", None, "22 nF"),
        (999.96, "Hz", 3, "1.00 kHz"),
        (4123.4, "Hz", 2, "4.1 kHz"),
        (0.1, "1", None, "10 %"),
        (20.0, "°C", None, "20 °C"),
        (0.0, "F", None, "0 F"),
        (1e-9, "Ω", None, "1 nΩ"),
    ],
)
def test_engineering_notation(value, unit, digits, text):
    assert format_quantity(value, unit, digits=digits) == text


@given(st.text(max_size=80), st.sampled_from(sorted(UNITS)))
def test_no_text_whatever_breaks_the_reader(text, unit):
    try:
        value = parse_quantity(text, unit)
    except QuantityError as error:
        assert "\n" not in str(error) or "\n" in text  # noqa: PT017
    else:
        assert value == value


def test_an_area_is_written_so_that_it_reads_back() -> None:
    # 1 mm² is 10⁻⁶ m²: the prefix is squared with its metre (SI Brochure, 9th edition, section 3), unlike "mm/m"
    assert parse_quantity("1 mm²", "m²") == 1e-6
    for area in (6e-4, 1.5e-3, 2.0, 1500.0):
        assert parse_quantity(format_quantity(area, "m²"), "m²") == area


@pytest.mark.parametrize("text", ["1e-99999999999999999999 Ω", "1e99999999999999999999 Ω", "2e2332020 Ω", "1e400 V"])
def test_an_exponent_beyond_every_number_is_refused_in_one_sentence(text: str) -> None:
    with pytest.raises(QuantityError, match="must be finite"):
        parse_quantity(text, text[-1])


@pytest.mark.parametrize("value", [5e-324, 1e-200, -1e200, 1.7976931348623157e308])
@pytest.mark.parametrize("unit", ["Ω", "1", "°C", "kg"])
def test_the_ends_of_a_float_are_written_so_that_they_read_back(value: float, unit: str) -> None:
    assert parse_quantity(format_quantity(value, unit), unit) == value
